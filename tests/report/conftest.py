"""Small notebooks and pages for the tests of the report."""

from collections.abc import Callable
from pathlib import Path

import nbformat
import pandas as pd
import pytest

from reliability.report.pages import Page
from reliability.report.study import Study

# What a thin notebook does: load the study, show it.
PARAMETERS = 'family: str = ""  # the family to show\nstudy: str = ""  # file with the computed study'
SHOW = (
    "from reliability.report.html import section\n"
    "from reliability.report.study import load_study\n"
    "section('answer', load_study(study).subject, '<p>shown</p>')"
)


@pytest.fixture
def show() -> str:
    """Give a cell that shows the name of the study's subject."""
    return SHOW


@pytest.fixture
def write_notebook(tmp_path: Path) -> Callable[..., Path]:
    """Write a notebook with a parameters cell and cells of the given sources into its own folder."""

    def write(name: str, cells: dict[str, str], parameters: str = PARAMETERS, tagged: int = 1) -> Path:
        notebook = nbformat.v4.new_notebook(
            metadata={"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
        )
        for i in range(tagged):
            cell = nbformat.v4.new_code_cell(parameters, id=f"parameters{i or ''}")
            cell.metadata["tags"] = ["parameters"]
            notebook.cells.append(cell)
        for key, source in cells.items():
            new = nbformat.v4.new_markdown_cell if key.startswith("text") else nbformat.v4.new_code_cell
            notebook.cells.append(new(source, id=key))
        folder = tmp_path / "books"
        folder.mkdir(exist_ok=True)
        path = folder / f"{name}.ipynb"
        nbformat.write(notebook, path)
        return path

    return write


@pytest.fixture
def make_page() -> Callable[..., Page]:
    """Make a page about a family, to be shown by the notebook ``family``."""

    def make(subject: str = "Tarnwick T2", target: str = "families/t2.html", **facts: object) -> Page:
        study = Study(
            "family", subject, facts, {"parts": pd.DataFrame({"component": ["belt"], "share": [0.5]})}
        )
        return Page(study, target, parameters={"family": subject}, source={"Jobs": "12"})

    return make
