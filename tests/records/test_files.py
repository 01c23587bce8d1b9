import errno
import os
import stat

import pytest

from reliability.errors import reason
from reliability.records import files
from reliability.records.files import (
    belongs_to_user,
    finish,
    fresh_file,
    own_folder,
    sweep,
    who_reads,
)

posix = pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")


def write_files(folder, contents):
    files.write_files(folder, contents, private=True)


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


def test_a_file_that_is_there_is_kept_where_nothing_may_be_replaced(tmp_path):
    file = tmp_path / "a.db"
    write(file, b"old")
    with pytest.raises(FileExistsError):
        write(file, replace=False)
    (tmp_path / "b.db").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FileExistsError):
        write(tmp_path / "b.db", replace=False)
    assert file.read_bytes() == b"old"
    assert names(tmp_path) == ["a.db", "b.db"]


def test_a_disk_without_hard_links_serves_too(tmp_path, monkeypatch):
    def none(*_names, **_how):
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", none)
    write(tmp_path / "a.db", replace=False)
    assert (tmp_path / "a.db").read_bytes() == b"new"
    with pytest.raises(FileExistsError):
        write(tmp_path / "a.db", replace=False)
    assert names(tmp_path) == ["a.db"]


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


def test_parts_of_runs_that_were_killed_are_swept_and_those_under_way_are_not(tmp_path):
    file = tmp_path / "a[1].db"
    for name in (".a[1].db.0f.part", ".a[1].db.0f.part-journal", ".a[1].db.1f.part-wal"):
        (tmp_path / name).touch()
    (tmp_path / ".other.db.0f.part").touch()
    with fresh_file(file) as draft:
        assert names(tmp_path) == sorted([draft.path.name, ".other.db.0f.part"])
        sweep(file)
        assert draft.path.exists()
        write(tmp_path / "b")
        assert draft.path.exists()
    assert names(tmp_path) == [".other.db.0f.part", "a[1].db", "b"]


def test_several_files_are_all_old_or_all_new(tmp_path):
    def writers(text):
        return {name: lambda stream: stream.write(text) for name in ("a", "b")}

    write_files(tmp_path, {**writers(b"old"), "c": lambda stream: stream.write(b"old")})
    with pytest.raises(ZeroDivisionError):
        write_files(tmp_path, {**writers(b"new"), "c": lambda _: 1 / 0})
    assert names(tmp_path) == ["a", "b", "c"]
    assert {file.read_bytes() for file in tmp_path.iterdir()} == {b"old"}
    # Cut off after the moment that counts, with one file moved: whoever looks next finishes it.
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(files, "finish", lambda _: None)
        write_files(tmp_path, {**writers(b"new"), "c": None})
    (tmp_path / ".export-ready" / "a").replace(tmp_path / "a")
    assert names(tmp_path) == [".export-ready", "a", "b", "c"]
    assert "finishes that" in files.unfinished(tmp_path)
    finish(tmp_path)
    assert names(tmp_path) == ["a", "b"]
    assert {file.read_bytes() for file in tmp_path.iterdir()} == {b"new"}
    assert files.unfinished(tmp_path) == ""


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
