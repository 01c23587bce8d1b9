"""The `datapackage.json` of an exported folder, and which files a folder holds.

Frictionless Data Package with one Table Schema per table, made from the description of the tables.
"""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from reliability.errors import InvalidInput, reason
from reliability.records.columns import KINDS, Column, Table
from reliability.records.faults import Fault, nearest
from reliability.records.files import finish, is_left_over
from reliability.records.tables import TABLES

DESCRIPTOR = "datapackage.json"
#: Longer than any descriptor that we would write a hundred times over.
MOST_BYTES = 5_000_000
HISTORY_FILE = "history.csv"
#: Name of the package that a ledger is exported as.
PACKAGE = "bench-ledger"
#: Property of the descriptor: numbers given out to jobs that were withdrawn.
WITHDRAWN = "withdrawnJobs"
#: Documented files that may lie beside the tables without being one.
MOST_RESOURCES = 100
LONGEST_PATH = 250
BESIDE = ("offers.csv", "verdicts.csv", HISTORY_FILE)

_TYPES = {
    "text": "string",
    "choice": "string",
    "date": "string",
    "year": "integer",
    "count": "integer",
    "money": "number",
    "hours": "number",
    "number": "number",
}
DATE_PATTERN = "[0-9]{4}-(0[1-9]|1[0-2])(-[0-3][0-9])?"


def field_of(column: Column) -> dict[str, Any]:
    """Describe a column as a field of a Table Schema."""
    constraints: dict[str, Any] = {}
    if column.required:
        constraints["required"] = True
    if column.allowed:
        constraints["enum"] = list(column.allowed)
    if column.kind == "date":
        constraints["pattern"] = DATE_PATTERN
    for name in ("minimum", "maximum"):
        if (bound := getattr(column, name)) is not None:
            constraints[name] = bound
    described = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "description": f"{column.meaning} ({KINDS[column.kind]})",
    }
    return {**described, **({"constraints": constraints} if constraints else {})}


def schema_of(table: Table) -> dict[str, Any]:
    """Describe a table as a Table Schema."""
    schema: dict[str, Any] = {"fields": [field_of(column) for column in table], "missingValues": [""]}
    if all(table[name].required or table[name].default is not None for name in table.key):
        schema["primaryKey"] = list(table.key)
    if table.references:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": [column]}}
            for column, other in table.references.items()
        ]
    return schema


def package_descriptor(withdrawn: Sequence[str] = ()) -> dict[str, Any]:
    """Describe a folder that holds every table, and name the jobs that were withdrawn, if any."""
    return {
        "profile": "tabular-data-package",
        "name": PACKAGE,
        "title": "Ledger of a repair bench",
        "description": "An empty cell means not known. A text that begins with = + - or @ is written with an "
        "apostrophe in front, so that no spreadsheet takes it for a formula.",
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": table.name,
                "path": f"{table.name}.csv",
                "description": table.meaning,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": schema_of(table),
            }
            for table in TABLES.values()
        ],
        **({WITHDRAWN: list(withdrawn)} if withdrawn else {}),
    }


def descriptor_text(withdrawn: Sequence[str] = ()) -> str:
    """Write the descriptor in one fixed form."""
    return json.dumps(package_descriptor(withdrawn), indent=2, ensure_ascii=False) + "\n"


def read_json(file: Path) -> Any:
    """Read a JSON file of ours or of somebody else's.

    Raises
    ------
    ValueError
        If it is no JSON in UTF-8, too long or nested too deep; OSError if it cannot be read.
    """
    with file.open("rb") as stream:
        content = stream.read(MOST_BYTES + 1)
    if len(content) > MOST_BYTES:
        raise ValueError(f"has more than {MOST_BYTES:,} bytes")
    try:
        return json.loads(content.decode("utf-8-sig"))
    except RecursionError:
        raise ValueError("is nested too deep") from None


def package_name(folder: Path) -> str | None:
    """Tell the name of the package in a folder; None if there is none that can be read."""
    try:
        content = read_json(folder / DESCRIPTOR)
    except (OSError, ValueError):
        return None
    return str(content.get("name")) if isinstance(content, dict) else None


def refuse_foreign_folder(folder: Path, name: str) -> None:
    """Let an export go into a new folder, an empty one, or one that holds an earlier export of its kind.

    Parameters
    ----------
    folder : Path
        Where the export is to go.
    name : str
        The name of its package.

    Raises
    ------
    InvalidInput
        If something else is there.
    """
    if folder.is_symlink():
        raise InvalidInput(f"{folder} is a link; name the folder that it leads to. Nothing was written.")
    if folder.exists() and not folder.is_dir():
        raise InvalidInput(f"{folder} is a file; an export needs a folder. Nothing was written.")
    if not folder.is_dir() or all(is_left_over(item) for item in folder.iterdir()):
        return
    finish(folder)
    if (found := package_name(folder)) == name:
        return
    what = f"the package {found!r}" if found else "files that no export wrote"
    raise InvalidInput(f"{folder} holds {what}; name another folder. Nothing was written.")


def find_files(folder: Path) -> tuple[dict[str, Path], list[Fault]]:
    """Find the file of each table in a folder.

    Parameters
    ----------
    folder : Path
        A folder of CSV files named after tables, or a data package whose descriptor names them.

    Returns
    -------
    dict of str to Path, list of Fault
        File by table, and what is wrong with the folder.

    Raises
    ------
    InvalidInput
        If there is no such folder or it holds no table.
    """
    if not folder.is_dir():
        what = "a file" if folder.exists() else "not there"
        raise InvalidInput(f"{folder} is {what}; name a folder that holds {', '.join(_file_names())}")
    try:
        finish(folder)
    except OSError as error:
        raise InvalidInput(
            f"An export into {folder} was cut off and cannot be finished there ({reason(error)}): export "
            "again, or copy the folder to where you may write. Nothing was read."
        ) from None
    listed = folder / DESCRIPTOR
    named, faults = _listed(listed) if listed.exists() else ({}, [])
    for file in sorted(folder.iterdir()):
        if file in named.values() or file.name in BESIDE or not _may_be_a_table(file):
            continue
        if file.suffix.lower() != ".csv":
            faults.append(Fault(file.name, "", f"is no CSV file; save it as {file.stem}.csv"))
        elif listed.exists():
            if file.stem in TABLES:
                faults.append(Fault(file.name, "", f"lies in the folder, but {DESCRIPTOR} does not list it"))
        elif file.stem in TABLES:
            named[file.stem] = file
        else:
            hint = nearest(file.stem, TABLES)
            faults.append(Fault(file.name, "", f"is no table; there are {', '.join(TABLES)}.{hint}"))
    if not named and not faults:
        raise InvalidInput(f"{folder} holds no table; it may hold {', '.join(_file_names())}")
    away = "is a link that leaves the folder; put a copy of what it leads to in its place"
    faults += [Fault(file.name, "", away) for file in named.values() if _leaves(file, folder)]
    return {name: named[name] for name in TABLES if name in named}, faults


def _leaves(file: Path, folder: Path) -> bool:
    """Whether a file of a folder lies elsewhere, by a link on the way to it."""
    return not file.resolve().is_relative_to(folder.resolve())


def _may_be_a_table(file: Path) -> bool:
    named_so = file.suffix.lower() == ".csv" or (file.is_file() and file.stem in TABLES)
    return named_so and not file.name.startswith(".")


def _file_names() -> list[str]:
    return [f"{name}.csv" for name in TABLES]


def _listed(descriptor: Path) -> tuple[dict[str, Path], list[Fault]]:
    if _leaves(descriptor, descriptor.parent):
        return {}, [Fault(descriptor.name, "", "is a link that leaves the folder")]
    try:
        content = read_json(descriptor)
        resources = content["resources"]
        pairs = [(resource["name"], resource) for resource in resources[:MOST_RESOURCES]]
    except OSError as error:
        return {}, [Fault(descriptor.name, "", f"cannot be read: {reason(error)}")]
    except (ValueError, KeyError, TypeError) as error:
        problem = f"lacks {error}" if isinstance(error, KeyError) else f"is not a data package: {error}"
        return {}, [Fault(descriptor.name, "", problem)]
    if len(resources) > MOST_RESOURCES:
        return {}, [
            Fault(descriptor.name, "", f"lists {len(resources)} resources; there are {len(TABLES)} tables")
        ]
    files: dict[str, Path] = {}
    faults: list[Fault] = []
    for name, resource in pairs:
        message = _resource_fault(name, resource, descriptor.parent)
        if message is None and name in files:
            message = "is listed twice"
        if message is None:
            files[name] = descriptor.parent / resource["path"]
        else:
            faults.append(Fault(descriptor.name, "", f"resource {name!r} {message}"))
    return files, faults


def _resource_fault(name: object, resource: Mapping[str, Any], folder: Path) -> str | None:
    if not isinstance(resource, Mapping):
        return "is no description of a file"
    path = resource.get("path")
    if not isinstance(name, str) or name not in TABLES:
        return f"is no table; there are {', '.join(TABLES)}.{nearest(str(name), TABLES)}"
    if not isinstance(path, str):
        return "needs one file as its path"
    if not path.isprintable() or len(path) > LONGEST_PATH:
        return f"has a path of more than {LONGEST_PATH} letters, or with signs that none has"
    parts = PurePosixPath(path)
    if parts.is_absolute() or ".." in parts.parts or "://" in path or "\\" in path:
        return f"has the path {path!r}, which leaves the folder"
    if str(resource.get("encoding", "utf-8")).lower() not in ("utf-8", "utf8", "utf-8-sig"):
        return f"is said to be in {resource['encoding']}; save it as UTF-8"
    if not (folder / path).is_file():
        return f"names the file {path}, which is not there"
    return None
