"""What is written for people must be true."""

import re
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from reliability.cli import main
from tests.tables_page import PAGE, tables_page

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_page_of_tables_is_the_description_of_the_tables():
    assert PAGE.read_text(encoding="utf-8") == tables_page()


@pytest.mark.parametrize("command", sorted(main.commands))
def test_readme_names_every_command(command):
    assert re.search(rf"`[^`]*\b{command}\b[^`]*`", README)


@pytest.mark.parametrize("text", [README, GUIDE])
def test_every_make_target_that_is_named_exists(text):
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    named = set(re.findall(r"`make ([a-z]+)", text)) | set(re.findall(r"^make ([a-z]+)", text, re.M))
    assert named
    for target in named:
        assert re.search(rf"^{target}:", makefile, re.M), target


@pytest.mark.parametrize("text", [README, GUIDE])
def test_every_file_that_is_named_exists(text):
    paths = set(re.findall(r"\]\(([^)#:]+)\)", text)) | set(
        re.findall(r"`((?:reliability|notebooks|tests|data/demo)/[\w./]*)`", text)
    )
    assert paths
    for path in paths:
        assert (ROOT / path).exists(), path


def rooms():
    """Every file that the table of rooms names, as often as it does."""
    table = GUIDE.partition("| room | file | what it answers |")[2].partition("\n\n")[0]
    room, named = "", []
    for line in table.splitlines()[2:]:
        first, files = line.split("|")[1:3]
        room = "" if first.strip() == "top" else first.split("`")[1] if "`" in first else room
        named += [f"{room}{name}.py" for name in re.findall("`(\\w+)`", files)]
    return named


def test_the_table_of_rooms_names_every_file_once():
    package = ROOT / "reliability"
    files = [path.relative_to(package).as_posix() for path in package.rglob("*.py")]
    assert sorted(rooms()) == sorted(name for name in files if not name.endswith("__init__.py"))


LOCKS = ("constraints.txt", "constraints-test.txt")


def pinned(lock):
    """Give the hashes of each package of a lock, by name."""
    packages, name = {}, ""
    for line in (ROOT / lock).read_text(encoding="utf-8").splitlines():
        if line.startswith(" "):
            packages[name].append(line)
        else:
            name = line.partition("==")[0]
            packages.setdefault(name, [])
    return packages


@pytest.mark.parametrize("lock", LOCKS)
def test_a_lock_names_no_host_and_hashes_every_package(lock):
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert not re.search(r"https?:|file:|--index", text)
    assert all(pinned(lock).values())
    assert all(line.strip().startswith("--hash=sha256:") for lines in pinned(lock).values() for line in lines)


def test_pages_need_no_package_of_the_checks():
    pages, checks = (set(pinned(lock)) for lock in LOCKS)
    assert not pages & checks
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    needed = {plain(each) for each in [*project["dependencies"], *extras.pop("build")]}
    assert needed <= pages
    assert {plain(each) for extra in extras.values() for each in extra} <= pages | checks
    for name in needed | pages:
        for required in metadata.requires(name) or () if is_installed(name) else ():
            if is_wanted(required):
                assert plain(required) in pages, f"{name} needs {required}"


def plain(requirement):
    return re.match(r"[\w.-]+", requirement)[0].lower().replace("_", "-").replace(".", "-")


def is_wanted(requirement):
    marker = Requirement(requirement).marker
    return marker is None or marker.evaluate({"extra": ""})


def is_installed(name):
    try:
        return bool(metadata.version(name))
    except metadata.PackageNotFoundError:  # one for another system or version of Python
        return False


def phrases():
    """Rows of the table of phrases: what is said, and what never is."""
    table = GUIDE.partition("| what is meant | said | never |")[2].partition("\n\n")[0]
    rows = [[cell.strip() for cell in line.split("|")[2:4]] for line in table.splitlines()[2:]]
    return [(said, never.split(", ")) for said, never in rows]


def other_words(text):
    """What a text says in other words than the table has it."""
    return [word for _, never in phrases() for word in never if word in " ".join(text.lower().split())]


def test_each_thing_is_said_by_one_phrase():
    package = ROOT / "reliability"
    files = [*(package / "report").rglob("*.*"), *package.glob("*.py"), package / "records" / "tables.py"]
    files += (ROOT / "notebooks").glob("*.ipynb")
    read = [path for path in files if path.suffix in (".py", ".j2", ".js", ".ipynb")]
    text = " ".join([README, *(path.read_text(encoding="utf-8") for path in read)])
    assert len(read) > 40
    assert [said for said, _ in phrases() if said not in text] == []
    assert other_words(text) == []
    assert other_words("a Typical\n price, at a profit") == ["typical price", "profit"]
