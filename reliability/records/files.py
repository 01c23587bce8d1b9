"""How a file is written: a reader sees the old one or the new one, whatever cuts the writing off.

A file, or a folder with all that is in it, is made beside its place, under a name that nobody else has, and
moved there when it is safely on the disk. What a run that was killed left behind is swept by the next one
that writes the same, ten minutes later or more. No link is followed: a part is made anew, and moving replaces
a link itself, not what it leads to.
"""

import glob
import json
import os
import re
import shutil
import stat
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from decimal import Decimal
from hashlib import sha256
from pathlib import Path
from secrets import token_hex
from typing import IO, Any, NamedTuple

from reliability.errors import InvalidInput, reason

#: A part to which nothing was written for so long has no living writer.
_ABANDONED_SECONDS = 600
_NEW = os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
_PRIVATE, _OPEN = 0o600, 0o666


class Draft(NamedTuple):
    """A file under way: its place for now, and a stream of bytes into it."""

    path: Path
    stream: IO[bytes]


def make_private(folder: Path, handle: int) -> None:
    """Let only the owner of a new file read it; the group of its folder too where that is meant to share."""
    if os.name != "posix":
        return
    mode = folder.stat().st_mode
    # It may write there, or inherits what lies there.
    is_meant = mode & stat.S_IXGRP and mode & (stat.S_ISGID | stat.S_IWGRP) and not mode & stat.S_IWOTH
    if is_meant:
        with suppress(PermissionError):  # not of that group: then nobody else reads it
            os.fchown(handle, -1, folder.stat().st_gid)
            os.fchmod(handle, 0o660)
            return
    os.fchmod(handle, _PRIVATE)


def who_reads(file: Path) -> str:
    """Word who may read a file."""
    mode = file.stat().st_mode
    if os.name != "posix" or mode & stat.S_IROTH:
        return "everybody on this machine can read it"
    if not mode & stat.S_IRGRP:
        return "only you can read it"
    try:
        group = file.group()
    except KeyError:
        group = str(file.stat().st_gid)
    return f"you and the group {group} can read and write it"


def own_folder(folder: Path) -> None:
    """Make a folder that only the user enters; one that was the user's and open to others is closed."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if os.name == "posix" and folder.stat().st_uid == os.geteuid() and not belongs_to_user(folder):
        folder.chmod(0o700)


def belongs_to_user(*places: Path) -> bool:
    """Whether each of some files and folders is the user's own, and nobody else may write there."""
    if os.name != "posix":
        return True
    others = stat.S_IWGRP | stat.S_IWOTH
    return all(each.st_uid == os.geteuid() and not each.st_mode & others and not stat.S_ISLNK(each.st_mode)
               for each in [place.lstat() for place in places])  # fmt: skip


@contextmanager
def fresh_file(path: Path, *, private: bool = False, replace: bool = True) -> Iterator[Draft]:
    """Write a file; it stands at its place when the block ends, and does not if the block fails."""
    part = _part_of(path)
    handle = os.open(part, _NEW | os.O_RDWR, _PRIVATE if private else _OPEN)
    try:
        with open(handle, "r+b") as stream:
            if private:
                make_private(part.parent, handle)
            yield Draft(part, stream)
            stream.flush()
            os.fsync(handle)
        _place(part, path, replace)
    finally:
        _remove(part)


def _place(part: Path, path: Path, replace: bool) -> None:
    if replace:
        part.replace(path)
        settle(path.parent)
        return
    try:
        os.link(part, path, follow_symlinks=False)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if os.path.lexists(path):
            raise FileExistsError from None
        part.rename(path)
    try:
        settle(path.parent)
    except OSError:
        path.unlink()
        raise


def settle(folder: Path) -> None:
    """Wait until the names in a folder are on the disk."""
    if os.name != "posix":  # elsewhere a folder cannot be opened
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _part_of(path: Path) -> Path:
    """Name a part of a file or folder, once what was left behind beside it is gone."""
    long_ago, part = time.time() - _ABANDONED_SECONDS, str(path.with_name(f".{path.name}."))
    for left in map(Path, glob.glob(f"{glob.escape(part)}{'[0-9a-f]' * 8}.part*")):
        with suppress(OSError):  # gone by now
            if left.lstat().st_mtime < long_ago:
                _remove(left)
    return Path(f"{part}{token_hex(4)}.part")


def _remove(part: Path) -> None:
    """Remove a part, with what a database laid beside it; why it was given up has been told already."""
    # Twice: what was refused but for a moment need not be left.
    for each in 2 * [part, *map(Path, glob.glob(glob.escape(str(part)) + "-*"))]:
        with suppress(OSError):
            if each.is_dir() and not each.is_symlink():
                for file in each.iterdir():
                    file.unlink()
                each.rmdir()
            else:
                each.unlink()


def write_files(folder: Path, files: Mapping[str, Callable[[IO[bytes]], object]], *, private: bool) -> None:
    """Write the files of a folder that is new or empty: it has all of them in the end, or none."""
    folder = folder.absolute()
    part = _part_of(folder)
    part.mkdir(parents=True)
    try:
        if folder.exists() and os.name == "posix":  # what takes its place is for the same readers
            os.chown(part, -1, folder.stat().st_gid)
            shutil.copymode(folder, part)
        for name, write in files.items():
            handle = os.open(part / name, _NEW | os.O_WRONLY, _PRIVATE if private else _OPEN)
            with open(handle, "wb") as stream:
                if private:
                    make_private(part, handle)
                write(stream)
                stream.flush()
                os.fsync(handle)
        settle(part)
        if folder.exists() and os.name != "posix":  # elsewhere no folder takes the place of another
            folder.rmdir()
        part.rename(folder)
        try:
            settle(folder.parent)
        except OSError:
            folder.rename(part)
            raise
    finally:
        _remove(part)


def digest(folder: Path, *patterns: str) -> str:
    """Digest names and contents of the files in a folder that match, as a hexadecimal SHA-256."""
    whole = sha256()
    for path in sorted({path for each in patterns for path in folder.glob(each) if path.is_file()}):
        content = path.read_bytes()
        whole.update(f"{path.relative_to(folder).as_posix()}\0{len(content)}\0".encode() + content)
    return whole.hexdigest()


def replace_file(path: Path, content: str, *, private: bool = False) -> None:
    """Replace a file in one step: a reader sees the old one or the new one, never half of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with fresh_file(path, private=private) as draft:
        draft.stream.write(content.encode())


# What others wrote: read whole only within bounds, so that none of it is waited for.

#: A plan of some ten thousand families; a job sheet is far below.
MOST_TOML_BYTES = 1_000_000
#: No name of ours has so many dots, and the reader of TOML takes the square of their number as steps.
_MOST_DOTS = 30
_MANY_DOTS = re.compile(rf"""(?<![\w"'-])(?:[\w"'-]++[ \t]*+\.[ \t]*+){{{_MOST_DOTS}}}""")


def read_at_most(path: Path, most: int) -> bytes:
    """Read a file of at most so many bytes; ValueError says so of a longer one."""
    with path.open("rb") as stream:
        content = stream.read(most + 1)
    if len(content) > most:
        raise ValueError(f"has more than {most:,} bytes")
    return content


def load_toml(
    path: Path, what: str, done: str, parse_float: Callable[[str], Any] = Decimal
) -> dict[str, Any]:
    """Read a file of TOML; see `parse_toml`."""
    try:
        with path.open("rb") as stream:
            content = stream.read(MOST_TOML_BYTES + 1)
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {reason(error)}. {done}") from None
    return parse_toml(content, str(path), what, done, parse_float)


def parse_toml(
    content: bytes | str, source: str, what: str, done: str, parse_float: Callable[[str], Any] = Decimal
) -> dict[str, Any]:
    """Read TOML in UTF-8; `what` it is and what was `done` stand in the messages."""
    content = content.encode() if isinstance(content, str) else content
    if len(content) > MOST_TOML_BYTES:
        raise InvalidInput(f"{source} has more than {MOST_TOML_BYTES:,} bytes, which no {what} has. {done}")
    try:
        text = content.decode("utf-8-sig")
        if found := _MANY_DOTS.search(text):
            line = text.count("\n", 0, found.start()) + 1
            raise InvalidInput(f"{source}, line {line}: no name in a {what} has {_MOST_DOTS} dots. {done}")
        return tomllib.loads(text, parse_float=parse_float)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        told = f"{source}, line {line}: byte 0x{content[error.start]:02X} is not UTF-8"
        raise InvalidInput(f"{told}; save the {what} as UTF-8. {done}") from None
    except tomllib.TOMLDecodeError as error:
        raise InvalidInput(f"{source} is not written in TOML: {error}. {done}") from None
    except InvalidInput:
        raise
    except (ValueError, ArithmeticError, RecursionError):
        # Numbers of thousands of digits, dates that do not exist, lists nested by the hundred.
        raise InvalidInput(f"{source} holds a number, a date or a list that cannot be read. {done}") from None


def toml_text(value: object) -> str:
    """Write a text or a list of texts; what JSON has is TOML, for a ledger holds no control character."""
    return json.dumps(value, ensure_ascii=False)


# What comes with the code, and the folder in which one works.

_PACKAGE = Path(__file__).parents[1]


def shipped(name: str) -> Path:
    """Find a folder that comes with the code."""
    within = _PACKAGE / name
    return within if within.is_dir() else _PACKAGE.parent / ("data/demo" if name == "demo" else name)


def project_folder() -> Path:
    """Give the folder that holds `data` and `reports`: the checkout, else the one in which one works."""
    return Path.cwd() if (_PACKAGE / "notebooks").is_dir() else _PACKAGE.parent
