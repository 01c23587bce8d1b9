"""`make lab` opens JupyterLab on copies: tracked files stay as they are, and so does what the user wrote."""

import shutil
import subprocess
from pathlib import Path

import pytest

from reliability.report.run import NOTEBOOKS

ROOT = Path(__file__).parents[3]
BOOKS = {path.name: path.read_bytes() for path in NOTEBOOKS.glob("*.ipynb")}


@pytest.mark.skipif(shutil.which("make") is None, reason="make is not installed")
def test_make_lab_opens_copies_and_keeps_those_that_are_there(tmp_path):
    lab, tools, said = tmp_path / "data" / "lab", tmp_path / "bin", tmp_path / "said.txt"
    tools.mkdir()
    jupyter = tools / "jupyter"
    jupyter.write_text(f"#!/bin/sh\necho $* >{said}\n")
    jupyter.chmod(0o755)
    # The environment counts as ready, and a script that tells how it was called stands for JupyterLab.
    line = ["make", "lab", "-o", ".venv/.ready", f"BIN={tools}", f"LAB={lab}"]
    subprocess.run(line, cwd=ROOT, check=True)
    assert {path.name: path.read_bytes() for path in lab.iterdir()} == BOOKS
    called = f"lab --ServerApp.root_dir={lab} --LabApp.news_url=None --LabApp.extension_manager=readonly"
    assert said.read_text().strip() == called

    (lab / "bench.ipynb").write_text("what the user made of it")
    (lab / "family.ipynb").unlink()
    subprocess.run(line, cwd=ROOT, check=True)
    assert (lab / "bench.ipynb").read_text() == "what the user made of it"
    assert (lab / "family.ipynb").read_bytes() == BOOKS["family.ipynb"]
    assert {path.name: path.read_bytes() for path in NOTEBOOKS.glob("*.ipynb")} == BOOKS


def test_copies_are_no_part_of_the_project():
    assert "data/lab/" in (ROOT / ".gitignore").read_text().splitlines()
