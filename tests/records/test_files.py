import errno
import os
import stat
import time
from unittest.mock import Mock

import pytest

from reliability.errors import reason
from reliability.records import files
from reliability.records.files import (
    belongs_to_user,
    fresh_file,
    own_folder,
    who_reads,
    write_files,
)

posix = pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")


def names(folder):
    return sorted(item.name for item in folder.iterdir())


def write(path, content=b"new", **how):
    with fresh_file(path, **how) as draft:
        draft.stream.write(content)


def test_a_file_is_the_old_one_until_the_new_one_is_whole(tmp_path):
    file = tmp_path / "a.csv"
    write(file, b"old")

    def fail_halfway():
        with fresh_file(file) as draft:
            draft.stream.write(b"half")
            assert file.read_bytes() == b"old"
            raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        fail_halfway()
    assert names(tmp_path) == ["a.csv"]
    write(file)
    assert file.read_bytes() == b"new"
    assert names(tmp_path) == ["a.csv"]


@pytest.mark.parametrize("links", [True, False])  # some disks have no hard links
def test_a_file_that_is_there_is_kept_where_nothing_may_be_replaced(tmp_path, monkeypatch, links):
    if not links:
        monkeypatch.setattr(os, "link", Mock(side_effect=OSError(errno.EPERM, "Operation not permitted")))
    write(tmp_path / "a.db", b"old", replace=False)
    (tmp_path / "b.db").symlink_to(tmp_path / "elsewhere")
    for name in ("a.db", "b.db"):
        with pytest.raises(FileExistsError):
            write(tmp_path / name, replace=False)
    assert (tmp_path / "a.db").read_bytes() == b"old"
    assert names(tmp_path) == ["a.db", "b.db"]


def test_a_link_is_replaced_and_never_followed(tmp_path):
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_bytes(b"mine")
    link.symlink_to(target)
    write(link)
    assert target.read_bytes() == b"mine"
    assert not link.is_symlink()
    # Somebody who guesses the name of the part lays a link there: it is not written through.
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(files, "token_hex", lambda _: "abcd")
        (tmp_path / ".link.abcd.part").symlink_to(target)
        with pytest.raises(FileExistsError):
            write(link)
    assert target.read_bytes() == b"mine"


def test_parts_of_runs_that_were_killed_are_swept_after_ten_minutes(tmp_path):
    parts = [".a[1].db.0123abcd.part", ".a[1].db.0123abcd.part-journal", ".a[1].db.1123abcd.part-wal"]
    kept = [".a[1].db.2123abcd.part", ".a[1].db.partial", ".b.db.0123abcd.part"]
    for name in parts + kept:
        (tmp_path / name).touch()
        if name != kept[0]:  # the one that is being written
            os.utime(tmp_path / name, (time.time() - 700,) * 2)
    (tmp_path / ".a[1].db.3123abcd.part").mkdir()  # of a folder
    (tmp_path / ".a[1].db.3123abcd.part" / "jobs.csv").touch()
    os.utime(tmp_path / ".a[1].db.3123abcd.part", (0, 0))
    write(tmp_path / "a[1].db")
    assert names(tmp_path) == sorted([*kept, "a[1].db"])


def writers(text):
    return {name: lambda stream: stream.write(text) for name in ("a", "b")}


@pytest.mark.parametrize("is_there", [False, True])
def test_a_folder_is_there_with_all_of_its_files_or_none(tmp_path, is_there):
    folder, beside = tmp_path / "csv", tmp_path / "csv-2025"
    beside.mkdir()
    if is_there:
        folder.mkdir(mode=0o750)
    before = names(tmp_path)
    with pytest.raises(ZeroDivisionError):
        write_files(folder, {**writers(b"new"), "c": lambda _: 1 / 0}, private=True)
    with pytest.MonkeyPatch.context() as patched:
        settle = [lambda _: None, lambda _: os.open(tmp_path / "none", os.O_RDONLY)]
        patched.setattr(files, "settle", lambda place: settle.pop(0)(place))
        with pytest.raises(FileNotFoundError):
            write_files(folder, writers(b"new"), private=True)
    assert names(tmp_path) == [name for name in before if name != "csv"]
    write_files(folder, writers(b"new"), private=True)
    assert names(tmp_path) == ["csv", "csv-2025"]
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == {"a": b"new", "b": b"new"}
    with pytest.raises(OSError, match="not empty"):  # somebody was faster
        write_files(folder, writers(b"newer"), private=True)
    assert names(tmp_path) == ["csv", "csv-2025"]
    assert (folder / "a").read_bytes() == b"new"


@posix
def test_what_takes_the_place_of_an_empty_folder_is_read_by_as_many(tmp_path):
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o2770)
    group = folder.stat().st_gid
    write_files(folder, writers(b"new"), private=True)
    assert (mode(folder), folder.stat().st_gid) == (0o2770, group)
    assert (mode(folder / "a"), (folder / "a").stat().st_gid) == (0o660, group)


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


@posix
@pytest.mark.parametrize(
    ("folder", "file", "told"),
    # Everybody's folder is shared with nobody.
    [(0o755, 0o600, "only you can read it"), (0o1777, 0o600, "only you can read it"),
     (0o2750, 0o660, "you and the group "), (0o775, 0o660, "you and the group ")],
)  # fmt: skip
def test_a_ledgers_files_are_their_owners_unless_the_folder_is_a_groups(tmp_path, folder, file, told):
    place = tmp_path / "shared"
    place.mkdir()
    place.chmod(folder)
    write(place / "a.db", private=True)
    assert mode(place / "a.db") == file
    assert who_reads(place / "a.db").startswith(told)
    (place / "a.db").chmod(0o644)
    assert who_reads(place / "a.db") == "everybody on this machine can read it"


@posix
def test_a_folder_of_ones_own(tmp_path):
    folder = tmp_path / "own"
    own_folder(folder)
    assert mode(folder) == 0o700
    write(folder / "a", private=True)
    assert belongs_to_user(folder, folder / "a")
    (folder / "a").chmod(0o620)
    assert not belongs_to_user(folder, folder / "a")
    folder.chmod(0o777)
    assert not belongs_to_user(folder)
    own_folder(folder)
    assert belongs_to_user(folder)
    (folder / "link").symlink_to(folder / "b")
    assert not belongs_to_user(folder / "link")
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(os, "geteuid", lambda: os.getuid() + 1)
        assert not belongs_to_user(folder)


def test_what_the_system_says_is_worded():
    assert reason(OSError(errno.ENOSPC, "No space left on device")) == "the disk is full"
    assert reason(OSError(errno.EACCES, "Permission denied")) == "Permission denied"
    assert reason(OSError("odd")) == "odd"
