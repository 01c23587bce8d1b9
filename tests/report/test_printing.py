"""PDF files by Chromium."""

import os
import shutil

import pytest

from reliability.errors import ReportError
from reliability.report.run import find_chromium, print_pages


def test_without_chromium_one_line_says_how_to_get_it(monkeypatch):
    monkeypatch.setattr(shutil, "which", lambda _: None)
    monkeypatch.delenv("BENCHODDS_CHROMIUM", raising=False)
    with pytest.raises(ReportError, match=r"PDF files need Chromium.*sudo apt install chromium"):
        find_chromium()


def script(path, content):
    path.write_text(f"#!/bin/sh\n{content}\n")
    path.chmod(0o755)
    return str(path)


def test_a_page_is_printed_only_when_it_is_newer(tmp_path, monkeypatch):
    page = tmp_path / "families" / "t2.html"
    page.parent.mkdir()
    page.write_text("page")
    writes = 'for each in "$@"; do case $each in --print-to-pdf=*) echo pdf > "${each#*=}";; esac; done'
    monkeypatch.setenv("BENCHODDS_CHROMIUM", script(tmp_path / "browser", writes))
    assert print_pages(tmp_path, ["families/t2.html"]) == ("families/t2.pdf",)
    assert (tmp_path / "families/t2.pdf").read_text() == "pdf\n"
    assert print_pages(tmp_path, ["families/t2.html"]) == ()
    later = (tmp_path / "families/t2.pdf").stat().st_mtime + 2
    os.utime(page, (later, later))
    assert print_pages(tmp_path, ["families/t2.html"]) == ("families/t2.pdf",)


def test_a_browser_that_fails_is_told_with_its_last_words(tmp_path, monkeypatch):
    (tmp_path / "index.html").write_text("page")
    monkeypatch.setenv("BENCHODDS_CHROMIUM", script(tmp_path / "browser", "echo no display >&2; exit 1"))
    with pytest.raises(ReportError, match=r"index\.html: Chromium printed no PDF \(no display\)"):
        print_pages(tmp_path, ["index.html"])
    monkeypatch.setenv("BENCHODDS_CHROMIUM", script(tmp_path / "browser", "exit 1"))
    with pytest.raises(ReportError, match="it said nothing"):
        print_pages(tmp_path, ["index.html"])
    monkeypatch.setenv("BENCHODDS_CHROMIUM", str(tmp_path / "none"))
    with pytest.raises(ReportError, match="Chromium could not be run"):
        print_pages(tmp_path, ["index.html"])
