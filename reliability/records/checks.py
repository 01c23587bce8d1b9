"""Rows, whole jobs and what rows of different tables must have in common, checked: all faults in one go."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from itertools import chain
from typing import Any, NamedTuple, Self

from reliability.errors import Fault, Refused, nearest, refuse, some, unseen
from reliability.records.tables import SETTINGS, TABLES, Row, Table, date_not_before
from reliability.records.values import (
    Value,
    number_fault,
    read_setting,
    read_text,
    read_value,
    stated_exponent,
    write_value,
)

# What rows of different tables must have in common.


class JobFacts(NamedTuple):
    """What other tables need to know of a job; nothing of one whose row cannot be read."""

    taken_in: str | None = None
    closed: str | None = None
    built_from: int | None = None
    outcome: str | None = None


@dataclass(frozen=True)
class Tie:
    """One rule between a job and a row that belongs to it."""

    table: str
    column: str
    job_column: str
    statement: str
    holds: Callable[[JobFacts, Row, str], bool]  # given the column too


def _in_order(earlier: str | None, later: str | None) -> bool:
    return not earlier or not later or date_not_before(later, earlier)


TIES: tuple[Tie, ...] = (
    *(Tie("findings", name, "taken_in", f"what failed before the unit came has its {name} on or before "
          "taken_in (else it arose during work)", lambda job, row, name:
          row["arose"] == "during work" or _in_order(row[name], job.taken_in))
      for name in ("failed_from", "failed_to")),
    Tie("findings", "failed_to", "taken_in", "what failed during work has its failed_to on or after taken_in",
        lambda job, row, name: row["arose"] != "during work" or _in_order(job.taken_in, row[name])),
    Tie("findings", "failed_from", "closed",
        "what failed during work has its failed_from on or before closed",
        lambda job, row, name: row["arose"] != "during work" or _in_order(row[name], job.closed)),
    *(Tie("findings", name, "built_from", f"{name} is not before built_from of the job",
          lambda job, row, name: row[name] is None or job.built_from is None
          or int(str(row[name])[:4]) >= job.built_from)
      for name in ("failed_to", "fitted_to")),
    *(Tie("findings", name, "taken_in", f"{name} is not after the year of taken_in of the job",
          lambda job, row, name: row[name] is None or not job.taken_in or row[name] <= int(job.taken_in[:4]))
      for name in ("fitted_from", "fitted_to")),
    Tie("followups", "job", "outcome", "only a job with outcome repaired is followed up",
        lambda job, _row, _name: job.outcome in ("repaired", None)),
    *(Tie("followups", name, "closed", f"{name} is on or after closed of the job",
          lambda job, row, name: _in_order(job.closed, row[name]))
      for name in ("checked_on", "failed_on")),
    Tie("shelf", "job", "outcome", "a part is kept of a unit that is no longer open",
        lambda job, _row, _name: job.outcome != "open"),
)  # fmt: skip

Complaint = tuple[str, str]
"""A column, empty where the whole row is meant, and what is wrong with it."""


class Line(NamedTuple):
    """One row as it was found: where it stands, what its cells say, why it cannot be read if it cannot."""

    place: str
    row: Mapping[str, Any] | None  # None: no row, but the file itself is at fault there
    complaints: Sequence[Complaint] = ()


_NOT_THERE = {"jobs": "there is no job {name!r}", "families": "no family {name!r} is known; known: {listed}"}


@dataclass
class Known:
    """What is known of other rows while one is checked, and what was read of them, in the order of `TABLES`.

    A table that is missing, or None, leaves it open. So are the models of a package: one may have been given
    to another family since its jobs were written, which is doubtful, not wrong.
    """

    #: What rows refer to: of a table the keys, of jobs what other rows have to fit.
    rows: Mapping[str, dict[str, Any]] = field(default_factory=dict)
    components: Collection[str] | None = None
    models: Mapping[str, str] = field(default_factory=dict)  # the family of each
    _places: dict[str, dict[tuple[Value, ...], str]] = field(default_factory=dict)

    @classmethod
    def nothing(cls) -> Self:
        """Begin with a package, whose rows refer to each other only."""
        return cls({name: {} for name in ("families", "lots", "jobs", "sightings")})

    def read(self, table: Table, line: Line, exponent: int) -> tuple[dict[str, Value], list[Fault]]:
        """Read one row, check it by itself and beside the others, and remember it."""
        said, found = line.row or {}, list(line.complaints)
        clean, facts = dict[str, Value](), JobFacts()
        if not found:
            clean, found = clean_row(table, said, exponent)
            bad = {column for column, _ in found}
            sound: Row = {**clean, **dict.fromkeys(bad & clean.keys())} if bad else clean
            found += [each for each in self._beside(table, sound) if each[0] not in bad]
            key = tuple(sound[part] for part in table.key)
            first = self._places.setdefault(table.name, {}).setdefault(key, line.place)
            if first != line.place and bad.isdisjoint(table.key):
                told = ", ".join(f"{part} {'empty' if value is None else repr(value)}"
                                 for part, value in zip(table.key, key, strict=True))  # fmt: skip
                found.append((table.key[:2][-1], f"{first} has the same {told}"))
            if table.name == "jobs":
                facts = JobFacts(*(sound[name] for name in JobFacts._fields))
        # Also of a row with faults: what refers to it is not at fault.
        name = clean.get(table.key[0]) or said.get(table.key[0])
        if isinstance(name, str) and table.name in self.rows:
            self.rows[table.name][name] = facts
        return clean, [Fault(line.place, *complaint) for complaint in found]

    def _beside(self, table: Table, row: Row) -> list[Complaint]:
        """Check one row, already clean in itself, against the others."""
        found: list[Complaint] = []
        for column, other in table.references.items():
            name, known = row[column], self.rows.get(other)
            if name is None or known is None:
                continue
            if name not in known:
                listed = "" if other == "jobs" else some(known)  # there may be very many jobs
                such = _NOT_THERE.get(other, "there is no row of {other} named {name!r}; there are {listed}")
                such = such.format(other=other, name=name, listed=listed)
                found.append((column, f"{such}.{nearest(name, known)}"))
            elif column == "job" and (job := known[name]):
                found += [
                    (tie.column, f"{tie.statement}; found {row[tie.column]}, and {tie.job_column} "
                     f"{'empty' if (held := getattr(job, tie.job_column)) is None else held}")
                    for tie in TIES if tie.table == table.name and not tie.holds(job, row, tie.column)
                ]  # fmt: skip
        if table.name == "jobs":
            if not row["origin"] and row["job"] and (fault := number_fault(row["job"])):
                found.append(("job", fault))
            family = self.models.get(row["model"], row["family"])
            if row["family"] and family != row["family"]:
                such = f"model {row['model']!r} belongs to family {family!r}, not {row['family']!r}"
                found.append(("model", such))
        column = "ended_by" if table.name == "jobs" else "component"
        name, components = row.get(column), self.components
        if name is not None and components is not None and name not in components:
            found.append((column, unseen("component", name, components, "-component")))
        return found


# Rows and whole jobs checked against every rule of the tables, all faults in one go.

JobDocument = dict[str, Any]
"""``job`` (a row of jobs) and ``findings``, ``signs``, ``followups`` (lists of rows without ``job``)."""

#: Tables of what belongs to a job, and the column that names a row of it.
PARTS_OF_A_JOB = {"findings": "component", "signs": "sign", "followups": "checked_on"}


def clean_row(
    table: Table, row: Mapping[str, object], exponent: int = 2
) -> tuple[dict[str, Value], list[Complaint]]:
    """Read every cell of a row and test the rules within it."""
    names, clean = table.names, dict[str, Value]()
    complaints = [
        (name, f"{table.name} has no column {name!r}; it has {', '.join(names)}.{nearest(name, names)}")
        for name in row if name not in names
    ]  # fmt: skip
    if table.name == "settings" and isinstance(value := row.get("value"), int | float | Decimal):
        row = {**row, "value": write_value(value)}
    for column in table.columns:
        value = row.get(column.name)
        if value is None and not column.required:
            clean[column.name] = column.default
            continue
        try:
            read = read_text if isinstance(value, str) else read_value
            clean[column.name] = read(column, value, exponent)
        except Refused as error:
            clean[column.name] = None
            complaints.append((column.name, error.message))
    if table.name == "settings" and not complaints:
        if (name := str(clean["setting"])) not in SETTINGS:
            told = f"{name!r} is not one of {', '.join(SETTINGS)}.{nearest(name, SETTINGS)}"
            return clean, [("setting", told)]
        try:
            clean["value"] = read_setting(SETTINGS[name], clean["value"], exponent)
        except Refused as error:
            return clean, [("value", f"{name}: {error.message}")]
    bad = {name for name, _ in complaints}
    for rule in table.rules:
        if not rule.holds(clean) and bad.isdisjoint(rule.columns):
            cells = [f"{name} {'empty' if clean[name] is None else clean[name]}" for name in rule.columns]
            complaints.append((rule.column, f"{rule.statement}; found {', '.join(cells)}"))
    return clean, complaints


def read_key(table: Table, row: Mapping[str, Any]) -> tuple[Value, ...] | None:
    """Read the cells that tell a row from the others; None if one cannot be read."""
    try:
        return tuple(read_value(table[name], row.get(name)) for name in table.key)
    except Refused:
        return None


def check_rows(
    lines: Mapping[str, Iterable[Line]], exponent: int, known: Known | None = None
) -> tuple[dict[str, list[dict[str, Value]]], list[Fault]]:
    """Read and check rows of tables beside each other; give them, and what is wrong with any."""
    known, cleaned, faults = known or Known.nothing(), dict[str, list[dict[str, Value]]](), list[Fault]()
    for name, table in TABLES.items():
        read = [known.read(table, line, exponent) for line in lines.get(name, ())]
        cleaned[name] = [row for row, _ in read]
        faults += chain.from_iterable(found for _, found in read)
    return cleaned, faults


def clean_document(
    document: JobDocument, *, exponent: int = 2, known: Known | None = None
) -> tuple[JobDocument, list[Fault]]:
    """Read a whole job and check it."""
    known, job = known or Known(), document.get("job", {})
    faults = [Fault("document", "", f"a job has no part {part!r}; it has job, {', '.join(PARTS_OF_A_JOB)}")
              for part in document if part not in ("job", *PARTS_OF_A_JOB)]  # fmt: skip
    number: Value = "0"  # beside which the rest is checked where it has none that can be read
    try:
        number = read_value(TABLES["jobs"]["job"], job.get("job"))
    except Refused as error:
        faults.append(Fault("job", "job", error.message))
    lines = {"jobs": [Line("job", {**job, "job": number})]}
    for part, named in PARTS_OF_A_JOB.items():
        lines[part] = [
            Line(f"{part.removesuffix('s')} {place}" + (f" ({row[named]})" if row.get(named) else ""),
                 {**row, "job": number})
            for place, row in enumerate(document.get(part) or (), 1)
        ]  # fmt: skip
    beside = Known({**known.rows, "jobs": {}}, known.components, known.models)
    cleaned, found = check_rows(lines, exponent, beside)
    return {"job": cleaned["jobs"][0], **{part: cleaned[part] for part in PARTS_OF_A_JOB}}, faults + found


# What a partial description of a job changes in the one that the ledger holds.


def merge_document(old: JobDocument, changes: Mapping[str, Any], *, emptying: bool) -> JobDocument:
    """Lay given columns and rows over those of a job."""

    def laid(row: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
        return {**row, **{name: value for name, value in given.items() if emptying or value is not None}}

    merged: JobDocument = {**changes, "job": laid(old["job"], changes.get("job", {}))}
    for part in PARTS_OF_A_JOB:
        table, extra, told = TABLES[part], [], set()
        required = next(column.name for column in table if column.required and column.name not in table.key)
        rows = {read_key(table, {**row, "job": "0"}): dict(row) for row in old[part]}
        for row in changes.get(part) or ():
            place = read_key(table, {**row, "job": "0"})
            if place not in rows or place in told:  # told twice, it is found by what checks the whole
                extra.append(dict(row))
            elif emptying and required in row and row[required] is None:
                del rows[place]
            else:
                rows[place] = laid(rows[place], row)
            told.add(place)
        merged[part] = [*rows.values(), *extra]
    return merged


# Parts kept for a later job: what a sheet says of them, laid beside what lies on the shelf.

ShelfRow = Mapping[str, Any]
REPLACED, SALVAGED = "replaced", "salvaged"


class Taken(NamedTuple):
    """A part that a job takes from the shelf: its number, and the finding that it mends."""

    part: int
    component: str
    position: str


def lay_parts(
    document: JobDocument, taken: Sequence[Taken], shelf: Mapping[int, ShelfRow], job: str | None
) -> tuple[JobDocument, list[Fault]]:
    """Write into the findings of a job what the parts cost that it takes from the shelf."""
    findings = [dict(row) for row in document.get("findings") or ()]
    faults = []
    for number, component, position in taken:
        where = f"finding ({component})"
        if found := _no_part(number, component, shelf, job):
            faults.append(Fault(where, "from", found))
            continue
        worth = shelf[number]["worth"]
        said = {"action": REPLACED, "part_source": SALVAGED} | ({} if worth is None else {"part_cost": worth})
        for row in findings:
            if (row.get("component"), row.get("position") or "") == (component, position):
                against = {name: row.get(name) for name in said if row.get(name) not in (None, said[name])}
                told = f"is not what taking part {number} from the shelf means"
                faults += [Fault(where, name, f"{value} {told}, {said[name]}; leave it out")
                           for name, value in against.items()]  # fmt: skip
                row |= said
    if len({each.part for each in taken}) < len(taken):
        faults.append(Fault("findings", "from", "one part of the shelf cannot be fitted twice"))
    return {**document, "findings": findings}, faults


def _no_part(number: int, component: str, shelf: Mapping[int, ShelfRow], job: str | None) -> str | None:
    """Say why a part cannot be taken, if it cannot."""
    part = shelf.get(number)
    if part is None:
        lying = [str(each) for each, row in shelf.items() if row["gone_on"] is None]
        return f"there is no part {number}; on the shelf: {some(lying)}"
    if part["gone_on"] is not None and (job is None or part["used_in"] != job):
        went = f"went into job {part['used_in']}" if part["used_in"] else "was thrown out"
        return f"part {number} {went} on {part['gone_on']}"
    return None if part["component"] == component else f"part {number} is a {part['component']}"


def kept_faults(kept: Sequence[ShelfRow], known: Collection[str], exponent: int) -> list[Fault]:
    """Complain of a kept part of which nobody ever saw the component, or of a worth that is none."""
    lines = [Line(f"kept {part} ({row['component']})", {"part": part, "kept_on": "2000-01-01", **row})
             for part, row in enumerate(kept, 1)]  # fmt: skip
    return check_rows({"shelf": lines}, exponent, Known(components=known))[1]


# The settings of a ledger, with their defaults.


@dataclass(frozen=True)
class Settings:
    """What holds for the whole ledger; amounts in its currency, shares between 0 and 1."""

    currency: str = "EUR"
    hour_rate: float = 0.0
    selling_fee: float = 0.0
    disposal_cost: float = 0.0
    margin: float = 0.0
    caution: float = 0.0
    haggle_room: float = 0.25
    offers_expected: float | None = None
    warranty_days: int = 0
    gap_repaired_share: float | None = None
    count_gaps: str | None = None
    selling_hours: float = 0.0

    @classmethod
    def from_rows(cls, rows: Iterable[Mapping[str, Any]]) -> Self:
        """Read rows of the settings table."""
        lines = [Line(f"settings, {row['setting']}", row) for row in rows]
        cleaned, faults = check_rows({"settings": lines}, stated_exponent(line.row or {} for line in lines))
        refuse(faults, "Nothing was read.")
        kinds: dict[str, Any] = {"text": str, "choice": str, "count": int}
        values = {str(row["setting"]): row["value"] for row in cleaned["settings"]}
        values.pop("typing", None)  # how somebody types changes no number
        return cls(**{name: kinds.get(SETTINGS[name].kind, float)(text) for name, text in values.items()})
