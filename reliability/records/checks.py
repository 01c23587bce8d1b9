"""Rows and whole jobs checked against every rule of the tables, all faults in one go."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from decimal import Decimal
from typing import Any

from reliability.records.columns import Table
from reliability.records.faults import Fault, Refused, nearest
from reliability.records.rules import Rule
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.ties import Complaint, Known, all_sound, job_facts
from reliability.records.values import Value, read_setting, read_value, write_value

JobDocument = dict[str, Any]
"""``job`` (a row of jobs) and ``findings``, ``signs``, ``followups`` (lists of rows without ``job``)."""

PARTS_OF_A_JOB = ("findings", "signs", "followups")
_LABELS = {
    "findings": ("finding", "component"),
    "signs": ("sign", "sign"),
    "followups": ("followup", "checked_on"),
}


def clean_row(
    table: Table, row: Mapping[str, object], exponent: int = 2
) -> tuple[dict[str, Value], list[Complaint]]:
    """Read every cell of a row and test the rules within it.

    Parameters
    ----------
    table : Table
        The table that the row is for.
    row : mapping
        Values by column; a missing column is an empty cell.
    exponent : int
        Decimals of the ledger's currency.

    Returns
    -------
    dict, list of (column, message)
        The row with all columns and plain values, and what is wrong with it.
    """
    complaints: list[Complaint] = [
        (
            name,
            f"{table.name} has no column {name!r}; it has {', '.join(table.names)}."
            f"{nearest(name, table.names)}",
        )
        for name in row
        if name not in table.names
    ]
    clean: dict[str, Value] = {}
    if table.name == "settings" and isinstance(value := row.get("value"), int | float | Decimal):
        row = {**row, "value": write_value(value)}
    for column in table.columns:
        try:
            clean[column.name] = read_value(column, row.get(column.name), exponent)
        except Refused as error:
            clean[column.name] = None
            complaints.append((column.name, error.message))
    return clean, complaints + rule_complaints(table, clean, complaints, exponent)


def rule_complaints(
    table: Table, row: dict[str, Value], complaints: Sequence[Complaint], exponent: int
) -> list[Complaint]:
    """Test the rules within a row whose cells were read; those about a bad cell are passed over."""
    if table.name == "settings":
        return [] if complaints else _setting(row, exponent)
    broken = [rule for rule in table.rules if not rule.holds(row)]
    if not broken:
        return []
    bad = {name for name, _ in complaints}
    return [(rule.column, _broken(rule, row)) for rule in broken if bad.isdisjoint(rule.columns)]


def _broken(rule: Rule, row: Mapping[str, Value]) -> str:
    found = ", ".join(f"{name} {'empty' if row[name] is None else row[name]}" for name in rule.columns)
    return f"{rule.statement}; found {found}"


def _setting(row: dict[str, Value], exponent: int) -> list[Complaint]:
    name = str(row["setting"])
    if name not in SETTINGS:
        return [("setting", f"{name!r} is not one of {', '.join(SETTINGS)}.{nearest(name, SETTINGS)}")]
    try:
        row["value"] = read_setting(SETTINGS[name], row["value"], exponent)
    except Refused as error:
        return [("value", f"{name}: {error.message}")]
    return []


def check_rows(
    table: str,
    rows: Iterable[Mapping[str, object]],
    *,
    file: str | None = None,
    lines: Sequence[int] | None = None,
    exponent: int = 2,
    known: Known | None = None,
) -> list[Fault]:
    """Check rows of one table.

    Parameters
    ----------
    table : str
        Its name.
    rows : iterable of mapping
        Values by column.
    file : str, optional
        Name to give in faults; the table's otherwise.
    lines : sequence of int, optional
        Line of each row; their position from 1 otherwise.
    exponent : int
        Decimals of the ledger's currency.
    known : Known, optional
        Names and jobs that the rows may refer to.

    Returns
    -------
    list of Fault
        Every fault of every row, in order.
    """
    return clean_rows(table, rows, file=file, lines=lines, exponent=exponent, known=known)[1]


def clean_rows(
    table: str,
    rows: Iterable[Mapping[str, object]],
    *,
    file: str | None = None,
    lines: Sequence[int] | None = None,
    exponent: int = 2,
    known: Known | None = None,
) -> tuple[list[dict[str, Value]], list[Fault]]:
    """Check rows of one table as `check_rows` does, and return them read as well."""
    described, known = TABLES[table], known or Known()
    word = "line" if lines is not None else "row"
    cleaned: list[dict[str, Value]] = []
    faults: list[Fault] = []
    seen: dict[tuple[Value, ...], int] = {}
    for position, row in enumerate(rows):
        number = lines[position] if lines is not None else position + 1
        clean, complaints = clean_row(described, row, exponent)
        if not complaints:
            complaints = known.complaints(described, clean)
            key = tuple(clean[name] for name in described.key)
            if (first := seen.setdefault(key, number)) != number:
                complaints.append((described.key[0], _twice(described, key, f"{word} {first}")))
        cleaned.append(clean)
        faults += [Fault(f"{file or table}, {word} {number}", *complaint) for complaint in complaints]
    return cleaned, faults


def _twice(table: Table, key: tuple[Value, ...], where: str) -> str:
    named = ", ".join(f"{name} {'empty' if value is None else value!r}"
                      for name, value in zip(table.key, key, strict=True))  # fmt: skip
    return f"the same row stands in {where} already ({named})"


def clean_document(
    document: JobDocument, *, exponent: int = 2, known: Known | None = None
) -> tuple[JobDocument, list[Fault]]:
    """Read a whole job and check it.

    Parameters
    ----------
    document : JobDocument
        With its number in ``document["job"]["job"]``.
    exponent : int
        Decimals of the ledger's currency.
    known : Known, optional
        Names that it may use.

    Returns
    -------
    JobDocument, list of Fault
        All columns, plain values; and everything that is wrong.
    """
    known = known or Known()
    job, complaints = clean_row(TABLES["jobs"], document.get("job", {}), exponent)
    complaints += [
        c for c in known.complaints(TABLES["jobs"], job) if c[0] not in {name for name, _ in complaints}
    ]
    faults = [Fault("document", "", f"a job has no part {part!r}; it has job, {', '.join(PARTS_OF_A_JOB)}")
              for part in document if part not in ("job", *PARTS_OF_A_JOB)]  # fmt: skip
    faults += [Fault("job", *complaint) for complaint in complaints]
    clean: JobDocument = {"job": job}
    bad = {name for name, _ in complaints}
    facts = job_facts({**job, **dict.fromkeys(bad & job.keys())})
    inner = Known(components=known.components, jobs={str(job["job"]): facts})
    for part in PARTS_OF_A_JOB:
        clean[part], more = _clean_part(part, document.get(part) or (), job["job"], exponent, inner)
        faults += more
    states = [row["found"] for row in clean["findings"] if row["component"] == job["ended_by"]]
    if complaint := all_sound(job["ended_by"], states):  # type: ignore[arg-type]
        faults.append(Fault("job", *complaint))
    return clean, faults


def _clean_part(
    part: str, rows: Iterable[Mapping[str, object]], job: Value, exponent: int, known: Known
) -> tuple[list[dict[str, Value]], list[Fault]]:
    table = TABLES[part]
    label, named_by = _LABELS[part]
    cleaned: list[dict[str, Value]] = []
    faults: list[Fault] = []
    seen: dict[tuple[Value, ...], int] = {}
    for number, row in enumerate(rows, 1):
        clean, complaints = clean_row(table, {**row, "job": job or "0"}, exponent)
        clean["job"] = job
        bad = {name for name, _ in complaints}
        complaints += [c for c in known.complaints(table, clean) if c[0] not in bad]
        key = tuple(clean[name] for name in table.key)
        if (first := seen.setdefault(key, number)) != number and not bad:
            complaints.append((named_by, _twice(table, key, f"{label} {first}")))
        name = row.get(named_by)
        place = f"{label} {number}" + (f" ({name})" if name else "")
        faults += [Fault(place, *complaint) for complaint in complaints]
        cleaned.append(clean)
    return cleaned, faults


def known_names(ledger_names: Mapping[str, Collection[str]]) -> Known:
    """Turn lists of names by column into what checks take; a list that is missing is open."""
    models = ledger_names.get("model", {})
    return Known(
        families=ledger_names.get("family"),
        components=ledger_names.get("component"),
        models=models if isinstance(models, Mapping) else {},
    )


def check_document(
    document: JobDocument, ledger_names: Mapping[str, Collection[str]], *, exponent: int = 2
) -> list[str]:
    """Check a whole job as a user wrote it.

    Parameters
    ----------
    document : JobDocument
        The number may be missing while none is given out yet.
    ledger_names : mapping of str to collection of str
        Known names by column (``family``, ``component``); a missing list is open. Where
        ``model`` is a mapping of model to family, the two must agree.
    exponent : int
        Decimals of the ledger's currency.

    Returns
    -------
    list of str
        One line per fault, empty if there is none.
    """
    return [str(fault) for fault in document_faults(document, ledger_names, exponent=exponent)]


def document_faults(
    document: JobDocument, ledger_names: Mapping[str, Collection[str]], *, exponent: int = 2
) -> list[Fault]:
    """Check a whole job as `check_document` does, and tell each fault with its place."""
    job = document.get("job", {})
    numbered = {**document, "job": {**job, "job": job.get("job") or "1"}}
    return clean_document(numbered, exponent=exponent, known=known_names(ledger_names))[1]
