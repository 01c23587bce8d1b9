"""What a partial description of a job changes in the one that the ledger holds."""

from collections.abc import Iterable, Mapping
from typing import Any

from reliability.records.checks import PARTS_OF_A_JOB, JobDocument
from reliability.records.columns import Table
from reliability.records.faults import Refused
from reliability.records.tables import TABLES
from reliability.records.values import read_value

Row = dict[str, Any]


def merge_document(old: JobDocument, changes: Mapping[str, Any], *, emptying: bool) -> JobDocument:
    """Lay given columns and rows over those of a job.

    Parameters
    ----------
    old : JobDocument
        What the ledger holds.
    changes : mapping
        Any part of a job. Rows are matched by their key; a column that is not named keeps its
        value, a row that matches none is new.
    emptying : bool
        Whether a given None empties the column (an amendment) or says nothing (a job finished
        after its intake). Where it empties, a row whose required column is given as None, such
        as ``found`` of a finding, is taken out.

    Returns
    -------
    JobDocument
        Not checked yet; unknown parts and columns are kept for the check to complain about.
    """
    job = _overlay(old["job"], changes.get("job", {}), emptying=emptying)
    merged: JobDocument = {**changes, "job": job}
    for part in PARTS_OF_A_JOB:
        merged[part] = _merge_rows(TABLES[part], old[part], changes.get(part) or (), emptying=emptying)
    return merged


def _overlay(old: Mapping[str, Any], given: Mapping[str, Any], *, emptying: bool) -> Row:
    said = {name: value for name, value in given.items() if emptying or value is not None}
    return {**old, **said}


def _merge_rows(table: Table, old: Iterable[Row], given: Iterable[Row], *, emptying: bool) -> list[Row]:
    key = tuple(name for name in table.key if name != "job")
    required = next(column.name for column in table if column.required and column.name not in table.key)
    merged = {_key_of(table, key, row): dict(row) for row in old}
    extra: list[Row] = []
    for row in given:
        place = _key_of(table, key, row)
        if place not in merged:
            extra.append(dict(row))
        elif emptying and required in row and row[required] is None:
            del merged[place]
        else:
            merged[place] = _overlay(merged[place], row, emptying=emptying)
    return [*merged.values(), *extra]


def _key_of(table: Table, key: tuple[str, ...], row: Mapping[str, Any]) -> tuple[Any, ...]:
    return tuple(_read_or_raw(table, name, row.get(name)) for name in key)


def _read_or_raw(table: Table, name: str, value: Any) -> Any:
    try:
        return read_value(table[name], value)
    except Refused:
        return repr(value)
