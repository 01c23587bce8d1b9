"""The notebooks stay thin: no outputs, no functions, no arithmetic, one parameters cell, stable names."""

import ast

import nbformat
import pytest

import reliability as rel
from reliability.report.run import NOTEBOOKS

NAMES = ("index", "fleet", "earnings", "family", "component", "ledger")
BENCH = "bench"
"""The form for the bench: a notebook of its own, no page of the report."""
MOST_CELLS = 11


def faults(path):
    """List what a notebook has that it must not have, or lacks."""
    notebook = nbformat.read(path, as_version=4)
    found = []
    if len(notebook.cells) > MOST_CELLS:
        found.append(f"{len(notebook.cells)} cells")
    ids = [cell.get("id", "") for cell in notebook.cells]
    if len(set(ids)) < len(ids) or not all(each.replace("-", "").isalpha() for each in ids):
        found.append("cells without a plain name of their own")
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    if any(cell.outputs or cell.execution_count is not None for cell in code):
        found.append("outputs")
    tagged = [cell for cell in code if "parameters" in cell.metadata.get("tags", [])]
    if len(tagged) != 1:
        found.append(f"{len(tagged)} parameters cells")
    found += [f"parameter without type or comment: {line}" for cell in tagged for line in _bare(cell.source)]
    for cell in code:
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda | ast.ClassDef):
                found.append(f"a function in cell {cell.id}")
            if isinstance(node, ast.BinOp | ast.AugAssign | ast.For | ast.If):
                found.append(f"work of its own in cell {cell.id}")
    return found


def _bare(source):
    return [line for line in source.splitlines() if ":" not in line.split("=")[0] or "  # " not in line]


@pytest.mark.parametrize("name", [*NAMES, BENCH])
def test_a_notebook_is_thin(name):
    assert faults(NOTEBOOKS / f"{name}.ipynb") == []


def test_the_check_finds_what_it_must(write_notebook):
    bad = write_notebook("bad", {"one": "def f():\n    return 1 + 1", "1-2": "x = 1"}, "a = 1", tagged=2)
    notebook = nbformat.read(bad, as_version=4)
    notebook.cells[2].outputs = [nbformat.v4.new_output("stream", text="1")]
    nbformat.write(notebook, bad)
    assert faults(bad) == [
        "cells without a plain name of their own", "outputs", "2 parameters cells",
        "parameter without type or comment: a = 1", "parameter without type or comment: a = 1",
        "a function in cell one", "work of its own in cell one",
    ]  # fmt: skip


def test_the_lines_beside_the_cells_can_be_run(demo):
    names = {"rel": rel, "records": demo.records, "odds": rel.Odds(demo.odds, demo.records)}
    names |= {"family": demo.family(), "component": demo.component()}
    cells = [
        cell for name in NAMES for cell in nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4).cells
    ]
    told = [cell.source.partition("# by hand: ")[2] for cell in cells]
    lines = [line for line in told if line]
    assert len(lines) > 8
    for line in lines:
        assert eval(line, dict(names)) is not None, line
