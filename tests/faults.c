/* Faults at file calls, for tests: preloaded into a process, it fails the n-th call on files below one folder.
 *
 * `faults_arm` says below which folder, which fault and at which call; `faults_seen` how many calls there were.
 * tests/faulty.py builds it, and drives it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <signal.h>
#include <stdarg.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

/* NONE counts. KILL ends the process before the call; TORN lets half of a write through, and kills.
 * EIO once; DEAD: EIO from there on. FULL: from there on nothing that needs room. FSYNC: the n-th fsync.
 * STALE: locks are held by nobody who lives; NOLOCK: locks do not work. */
enum { NONE, KILL, TORN, IO_ERROR, DEAD, FULL, FSYNC, STALE, NOLOCK };
enum { READS, NEEDS_ROOM, FREES, SYNCS };

static char folder[4096];
static int kind = NONE;
static long at = -1, seen = 0;
static char watched[1 << 16];

void faults_arm(const char *below, int what, long which) {
    strncpy(folder, below, sizeof folder - 1);
    kind = what;
    at = which;
    seen = 0;
}

long faults_seen(void) { return seen; }

static int below(const char *path) {
    return folder[0] && path && strncmp(path, folder, strlen(folder)) == 0;
}

/* Gives the errno that the call is to fail with, 0 if it goes through, -1 if it is to be torn. */
static int fault(int does) {
    if (kind == FSYNC && does != SYNCS) return 0;
    long turn = seen++;
    if (kind == NONE || kind == STALE || kind == NOLOCK || turn < at) return 0;
    if (kind == FULL) return does == NEEDS_ROOM ? ENOSPC : 0;
    if (kind == DEAD) return EIO;
    if (turn > at) return 0;
    if (kind == KILL) raise(SIGKILL);
    return kind == TORN ? -1 : EIO;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define FAIL_OR(does, result, call)              \
    int error_ = fault(does);                    \
    if (error_ > 0) { errno = error_; return -1; } \
    result = call;                               \
    if (error_ < 0) raise(SIGKILL)

#define WATCHED(fd) ((fd) >= 0 && (fd) < (int)sizeof watched && watched[fd])

#define OPENS(name, before, names, given)                                          \
    int name(before const char *path, int flags, ...) {                            \
        mode_t mode = 0;                                                           \
        if (flags & (O_CREAT | O_TMPFILE)) {                                       \
            va_list more;                                                          \
            va_start(more, flags);                                                 \
            mode = va_arg(more, mode_t);                                           \
            va_end(more);                                                          \
        }                                                                          \
        int fd;                                                                    \
        if (!below(path)) {                                                        \
            fd = REAL(name)(names path, flags, mode);                              \
            if (fd >= 0 && fd < (int)sizeof watched) watched[fd] = 0;              \
            return fd;                                                             \
        }                                                                          \
        FAIL_OR(flags & O_CREAT ? NEEDS_ROOM : READS, fd, REAL(name)(names path, flags, mode)); \
        if (fd >= 0 && fd < (int)sizeof watched) watched[fd] = 1;                  \
        return fd;                                                                 \
    }
#define NOTHING
#define AT int at_folder,
#define AT_GIVEN at_folder,
OPENS(open, NOTHING, NOTHING, )
OPENS(open64, NOTHING, NOTHING, )
OPENS(openat, AT, AT_GIVEN, )
OPENS(openat64, AT, AT_GIVEN, )

int close(int fd) {
    if (fd >= 0 && fd < (int)sizeof watched) watched[fd] = 0;
    return REAL(close)(fd);
}

#define MOVES(name, type, does, ...)                                        \
    {                                                                       \
        if (!WATCHED(fd)) return REAL(name)(fd, buffer, size, ##__VA_ARGS__); \
        int error = fault(does);                                            \
        if (error > 0) { errno = error; return -1; }                        \
        if (error < 0) {                                                    \
            if (does == NEEDS_ROOM) size /= 2;                              \
            REAL(name)(fd, buffer, size, ##__VA_ARGS__);                    \
            raise(SIGKILL);                                                 \
        }                                                                   \
        return REAL(name)(fd, buffer, size, ##__VA_ARGS__);                 \
    }
ssize_t read(int fd, void *buffer, size_t size) MOVES(read, ssize_t, READS)
ssize_t pread(int fd, void *buffer, size_t size, off_t place) MOVES(pread, ssize_t, READS, place)
ssize_t pread64(int fd, void *buffer, size_t size, off64_t place) MOVES(pread64, ssize_t, READS, place)
ssize_t write(int fd, const void *buffer, size_t size) MOVES(write, ssize_t, NEEDS_ROOM)
ssize_t pwrite(int fd, const void *buffer, size_t size, off_t place) MOVES(pwrite, ssize_t, NEEDS_ROOM, place)
ssize_t pwrite64(int fd, const void *buffer, size_t size, off64_t place)
    MOVES(pwrite64, ssize_t, NEEDS_ROOM, place)

#define ON_FILE(name, does, header, ...)                         \
    int name header {                                            \
        int done;                                                \
        if (!WATCHED(fd)) return REAL(name)(__VA_ARGS__);        \
        FAIL_OR(does, done, REAL(name)(__VA_ARGS__));            \
        return done;                                             \
    }
ON_FILE(fsync, SYNCS, (int fd), fd)
ON_FILE(fdatasync, SYNCS, (int fd), fd)
ON_FILE(ftruncate, NEEDS_ROOM, (int fd, off_t size), fd, size)
ON_FILE(ftruncate64, NEEDS_ROOM, (int fd, off64_t size), fd, size)

#define ON_PATH(name, does, header, ...)                         \
    int name header {                                            \
        int done;                                                \
        if (!below(path)) return REAL(name)(__VA_ARGS__);        \
        FAIL_OR(does, done, REAL(name)(__VA_ARGS__));            \
        return done;                                             \
    }
ON_PATH(unlink, FREES, (const char *path), path)
ON_PATH(rmdir, FREES, (const char *path), path)
ON_PATH(mkdir, NEEDS_ROOM, (const char *path, mode_t mode), path, mode)
ON_PATH(rename, FREES, (const char *path, const char *to), path, to)
ON_PATH(link, NEEDS_ROOM, (const char *path, const char *to), path, to)
ON_PATH(unlinkat, FREES, (int fd, const char *path, int flags), fd, path, flags)
ON_PATH(renameat, FREES, (int fd, const char *path, int other, const char *to), fd, path, other, to)
ON_PATH(linkat, NEEDS_ROOM, (int fd, const char *path, int other, const char *to, int flags),
        fd, path, other, to, flags)
ON_PATH(chmod, FREES, (const char *path, mode_t mode), path, mode)

/* Locks are not counted: a lock that is not had is waited for. */
static int locks(int fd, int order) {
    return WATCHED(fd) && (kind == STALE || kind == NOLOCK) && order == F_SETLK;
}
#define CONTROLS(name)                                           \
    int name(int fd, int order, ...) {                           \
        va_list more;                                            \
        va_start(more, order);                                   \
        void *given = va_arg(more, void *);                      \
        va_end(more);                                            \
        if (locks(fd, order) && ((struct flock *)given)->l_type == F_WRLCK) { \
            errno = kind == STALE ? EAGAIN : ENOLCK;             \
            return -1;                                           \
        }                                                        \
        return REAL(name)(fd, order, given);                     \
    }
CONTROLS(fcntl)
CONTROLS(fcntl64)
