"""What an archive holds: findings with what the lives of parts need of their jobs, and nothing else."""

import json
from collections.abc import Mapping, Sequence
from importlib import import_module
from typing import Any

from reliability.errors import InvalidInput
from reliability.records.columns import Column, Table
from reliability.records.descriptor import field_of
from reliability.records.tables import TABLES

NAME = "bench-archive"
#: Raised by one whenever archives written before could no longer be read.
VERSION = 1
DESCRIPTION = (
    "Findings of one bench with what the lives of parts need of their jobs: no money, no remarks, nothing "
    "that was imported from elsewhere. One folder for each year of intake; rows of one job stand together. "
    "A row without a component stands for a job that a component ended which nobody wrote a finding of."
)


def _from(table: str, *names: str) -> list[Column]:
    return [TABLES[table][name] for name in names]


#: One row of an archive; the columns are those of the documented tables, by the same names.
ARCHIVED = Table(
    "findings",
    DESCRIPTION,
    (
        *_from("jobs", "job", "family"),
        *_from("families", "kind", "first_year", "last_year"),
        *_from("jobs", "built_from", "built_to", "taken_in", "ended_by", "ended_why"),
        *_from("findings", "component", "position", "found", "original", "fitted_from", "fitted_to", "arose",
               "failed_from", "failed_to"),
    ),
    ("job", "component", "position", "arose"),
    {},
)  # fmt: skip
#: Columns that are filled in every row, also in one without a component.
FILLED = ("job", "family", "kind", "taken_in")


def descriptor_text(parts: Sequence[Mapping[str, Any]], counts: Mapping[str, int]) -> str:
    """Write the `datapackage.json` of an archive in one fixed form.

    Parameters
    ----------
    parts : sequence of mapping
        path, bytes and hash of each Parquet file.
    counts : mapping of str to int
        How many jobs and findings they hold together.
    """
    fields = [_field(column) for column in ARCHIVED]
    content = {
        "profile": "data-package",
        "name": NAME,
        "version": str(VERSION),
        "title": "Findings of a repair bench",
        "description": DESCRIPTION,
        "counts": dict(counts),
        "resources": [
            {
                "name": str(part["path"]).split("/")[0].replace("=", "-").replace("_", "-"),
                **part,
                "format": "parquet",
                "mediatype": "application/vnd.apache.parquet",
                "schema": {"fields": fields},
            }
            for part in parts
        ],
    }
    return json.dumps(content, indent=2, ensure_ascii=False) + "\n"


def _field(column: Column) -> dict[str, Any]:
    """Describe a column as it lies in Parquet: typed, and required only where every row fills it."""
    field = field_of(column)
    constraints = {
        k: v for k, v in field.pop("constraints", {}).items() if k in ("enum", "minimum", "maximum")
    }
    if column.name in FILLED:
        constraints["required"] = True
    if column.kind == "date":
        field["type"] = "date"
        field["description"] = f"{column.meaning} (a month alone stands for its 16th)"
    return {**field, **({"constraints": constraints} if constraints else {})}


def load_pyarrow() -> tuple[Any, Any]:
    """Load the library that reads and writes Parquet.

    Returns
    -------
    pyarrow, pyarrow.parquet : module

    Raises
    ------
    InvalidInput
        If it is not installed.
    """
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ModuleNotFoundError:
        raise InvalidInput(
            "Archives are Parquet files, and pyarrow, which reads and writes them, is not installed. "
            "Install the extra `archive`: pip install 'benchodds[archive]'."
        ) from None


def arrow_type(pa: Any, column: Column) -> Any:
    """Give the type of a column in Parquet."""
    if column.kind == "year":
        return pa.int16()
    return pa.date32() if column.kind == "date" else pa.dictionary(pa.int32(), pa.string())
