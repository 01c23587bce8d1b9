"""What is written for people must be true."""

import re
from pathlib import Path

import pytest

from reliability import __version__
from reliability.cli import COMMANDS
from tests.tables_page import PAGE, tables_page

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_page_of_tables_is_the_description_of_the_tables():
    assert PAGE.read_text(encoding="utf-8") == tables_page()


@pytest.mark.parametrize("command", sorted(COMMANDS))
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


def test_the_version_is_told_once():
    assert f'version = "{__version__}"' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_the_lock_names_no_host():
    lock = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    assert "--hash=sha256:" in lock
    assert not re.search(r"https?:|file:|--index", lock)
