"""A wheel that is built from the tree has all that the command needs, wherever it is installed."""

import os
import shutil
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SOURCES = ("reliability", "notebooks", "data/demo", "pyproject.toml", "README.md", "LICENSE")


def run(*line, cwd):
    """Run a command that must succeed; the libraries are those that run the tests, the package is not."""
    lent = {
        "PYTHONPATH": sysconfig.get_path("purelib"),
        "JUPYTER_PATH": str(Path(sysconfig.get_path("data")) / "share" / "jupyter"),
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
    }
    env = {name: value for name, value in os.environ.items() if name != "BENCHODDS_LEDGER"} | lent
    done = subprocess.run([*map(str, line)], cwd=cwd, env=env, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """A fresh environment with the wheel in it: its folder of commands, and the wheel."""
    folder = tmp_path_factory.mktemp("wheel")
    for name in SOURCES:  # a copy: what an earlier build left in the tree must not get into this one
        place = folder / "tree" / name
        place.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, place, ignore=shutil.ignore_patterns("__pycache__", ".ipynb_*"))
        else:
            shutil.copy(ROOT / name, place)
    run(sys.executable, "-m", "venv", folder / "env", cwd=folder)
    commands = folder / "env" / ("Scripts" if os.name == "nt" else "bin")
    pip = (commands / "python", "-m", "pip")
    alone = ("--quiet", "--no-deps", "--no-index")
    run(*pip, "wheel", *alone, "--no-build-isolation", "--wheel-dir", folder, folder / "tree", cwd=folder)
    (wheel,) = folder.glob("*.whl")
    run(*pip, "install", *alone, wheel, cwd=folder)
    return commands, wheel


def test_it_holds_every_module_notebook_and_table(installed):
    _, wheel = installed
    with zipfile.ZipFile(wheel) as opened:
        held = {name: opened.read(name) for name in opened.namelist() if ".dist-info/" not in name}
    wanted = {}
    for tree, within in (("reliability", ""), ("notebooks", "notebooks"), ("data/demo", "demo")):
        for path in sorted((ROOT / tree).rglob("*")):
            if path.is_file() and path.parent.name not in ("__pycache__", ".ipynb_checkpoints"):
                place = Path("reliability") / within / path.relative_to(ROOT / tree)
                wanted[place.as_posix()] = path.read_bytes()
    assert held == wanted


def test_its_command_makes_the_pages_of_the_demo_in_an_empty_folder(installed, tmp_path):
    commands, _ = installed
    family = "Obbelin 310"
    done = run(commands / "benchodds", "report", "--family", family, cwd=tmp_path)
    assert "the pages are made from the demo, and say DEMO" in done.stderr
    assert "2 pages made, 0 unchanged" in done.stdout
    assert [path.name for path in tmp_path.iterdir()] == ["reports"]
    for page in ("index.html", "families/obbelin-310.html"):
        text = (tmp_path / "reports" / page).read_text(encoding="utf-8")
        assert "DEMO" in text
        assert family in text


def test_its_notebooks_work_in_the_folder_in_which_one_is(installed, tmp_path):
    commands, wheel = installed
    code = (
        "import reliability.report.data as o; from reliability.report.run import NOTEBOOKS; "
        "print(o.DEFAULT_LEDGER, o.KEPT, o.DEMO, NOTEBOOKS, sep='\\n')"
    )
    ledger, kept, demo, notebooks = run(commands / "python", "-c", code, cwd=tmp_path).stdout.split()
    here = tmp_path.resolve()
    assert (Path(ledger), Path(kept)) == (here / "data" / "bench.db", here / "reports" / ".kept")
    for place in (demo, notebooks):
        assert Path(place).is_relative_to(wheel.parent.resolve() / "env")


def test_in_a_checkout_they_are_those_of_the_checkout():
    from reliability.records.files import project_folder, shipped

    assert project_folder() == ROOT
    assert (shipped("notebooks"), shipped("demo")) == (ROOT / "notebooks", ROOT / "data" / "demo")
