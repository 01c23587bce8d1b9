"""What rows of different tables must have in common.

A finding, a sign and a follow-up belong to a job, a job to a family, and their dates and words
must fit each other. Each rule is a sentence and a test; the documentation prints the sentences.
"""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from reliability.records.columns import Table
from reliability.records.faults import nearest, some
from reliability.records.numbering import number_fault
from reliability.records.rules import Row, date_not_before


class JobFacts(NamedTuple):
    """What other tables need to know of a job."""

    taken_in: str | None
    closed: str | None
    built_from: int | None
    outcome: str | None
    ended_by: str | None


def job_facts(job: Row) -> JobFacts:
    """Take what other tables need to know out of a row of jobs."""
    return JobFacts(*(job[name] for name in JobFacts._fields))


@dataclass(frozen=True)
class Tie:
    """One rule between a job and a row that belongs to it."""

    table: str
    column: str
    job_column: str
    statement: str
    holds: Callable[[JobFacts, Row], bool]


def _by_intake(column: str) -> Tie:
    def holds(job: JobFacts, row: Row) -> bool:
        late = row[column] and job.taken_in and not date_not_before(job.taken_in, row[column])
        return row["arose"] == "during work" or not late

    return Tie("findings", column, "taken_in", f"what failed before the unit came has its {column} "
               "on or before taken_in (else it arose during work)", holds)  # fmt: skip


def _since_intake(job: JobFacts, row: Row) -> bool:
    day = row["failed_to"]
    return row["arose"] != "during work" or not day or not job.taken_in or date_not_before(day, job.taken_in)


def _until_closed(job: JobFacts, row: Row) -> bool:
    day = row["failed_from"]
    return row["arose"] != "during work" or not day or not job.closed or date_not_before(job.closed, day)


def _since_built(column: str) -> Tie:
    def holds(job: JobFacts, row: Row) -> bool:
        value = row[column]
        return value is None or job.built_from is None or int(str(value)[:4]) >= job.built_from

    return Tie("findings", column, "built_from", f"{column} is not before built_from of the job", holds)


def _fitted_by_intake(column: str) -> Tie:
    def holds(job: JobFacts, row: Row) -> bool:
        return row[column] is None or not job.taken_in or row[column] <= int(job.taken_in[:4])

    return Tie("findings", column, "taken_in",
               f"{column} is not after the year of taken_in of the job", holds)  # fmt: skip


def _after_closed(column: str) -> Tie:
    def holds(job: JobFacts, row: Row) -> bool:
        return not row[column] or not job.closed or date_not_before(row[column], job.closed)

    return Tie("followups", column, "closed", f"{column} is on or after closed of the job", holds)


TIES: tuple[Tie, ...] = (
    _by_intake("failed_from"),
    _by_intake("failed_to"),
    Tie("findings", "failed_to", "taken_in",
        "what failed during work has its failed_to on or after taken_in", _since_intake),
    Tie("findings", "failed_from", "closed",
        "what failed during work has its failed_from on or before closed", _until_closed),
    _since_built("failed_to"),
    _since_built("fitted_to"),
    _fitted_by_intake("fitted_from"),
    _fitted_by_intake("fitted_to"),
    Tie("followups", "job", "outcome", "only a job with outcome repaired is followed up",
        lambda job, _row: job.outcome in ("repaired", None)),
    _after_closed("checked_on"),
    _after_closed("failed_on"),
)  # fmt: skip

#: Rules across rows that are not between a job and one row of it, for the documentation.
MORE_RULES: tuple[tuple[str, str], ...] = (
    ("jobs", "a job of this bench has an optional prefix and then digits as its number"),
    (
        "jobs",
        "digits that begin with a year from 1950 to 2099 and go on for two places or more begin anew "
        "each year, such as 20240001; anything else is counted on",
    ),
    ("jobs", "a model that the ledger knows belongs to the family of the job, when the job is written"),
    ("jobs", "the component named by ended_by is not one whose findings in this job are all sound"),
    ("settings", "setting is one of the listed settings, and value is what that setting allows"),
    ("settings", "the currency does not change once the ledger holds an amount"),
)

_TIES_OF = {
    name: tuple(tie for tie in TIES if tie.table == name) for name in ("findings", "followups", "signs")
}

Complaint = tuple[str, str]
"""A column and what is wrong with it."""


@dataclass
class Known:
    """What is known of other rows while one is checked; None where a list is open.

    Parameters
    ----------
    families, components : collection of str or None
        Names that may be used.
    models : mapping of str to str
        Family of each known model.
    jobs : dict of str to JobFacts, or None
        The jobs that findings, signs and follow-ups may belong to.
    """

    families: Collection[str] | None = None
    components: Collection[str] | None = None
    models: Mapping[str, str] = field(default_factory=dict)
    jobs: dict[str, JobFacts] | None = None

    def complaints(self, table: Table, row: Row) -> list[Complaint]:
        """Check one row, already clean in itself, against the others."""
        found: list[Complaint] = []
        if table.references.get("family"):
            found += self._family(row["family"])
        if table.name == "jobs":
            found += self._job(row)
        if "job" in table.references:
            found += self._belongs(table.name, row)
        if self.components is not None:
            found += self._component(table, row)
        return found

    def _family(self, family: str | None) -> list[Complaint]:
        if family is None or self.families is None or family in self.families:
            return []
        return [("family", f"no family {family!r} is known; known: {some(self.families)}."
                 f"{nearest(family, self.families)}")]  # fmt: skip

    def _job(self, row: Row) -> list[Complaint]:
        found: list[Complaint] = []
        if not row["origin"] and row["job"] and (fault := number_fault(row["job"])):
            found.append(("job", fault))
        family = self.models.get(row["model"])
        if family is not None and row["family"] and family != row["family"]:
            found.append(
                ("model", f"model {row['model']!r} belongs to family {family!r}, not {row['family']!r}")
            )
        return found

    def _belongs(self, table: str, row: Row) -> list[Complaint]:
        if self.jobs is None or row["job"] is None:
            return []
        job = self.jobs.get(row["job"])
        if job is None:
            return [("job", f"there is no job {row['job']!r}.{nearest(row['job'], self.jobs)}")]
        return [
            (tie.column, f"{tie.statement}; found {row[tie.column]}, and {tie.job_column} "
             f"{_or_empty(getattr(job, tie.job_column))}")
            for tie in _TIES_OF[table] if not tie.holds(job, row)
        ]  # fmt: skip

    def _component(self, table: Table, row: Row) -> list[Complaint]:
        column = "ended_by" if table.name == "jobs" else "component"
        name = row.get(column)
        if name is None or self.components is None or name in self.components:
            return []
        return [(column, f"component {name!r} was never seen here; known: {some(self.components)}."
                 f"{nearest(name, self.components)} "
                 f"If it is new, say so: --new-component {name!r}")]  # fmt: skip


def _or_empty(value: Any) -> Any:
    return "empty" if value is None else value


def all_sound(ended_by: str | None, states: Collection[str]) -> Complaint | None:
    """Complain if a job was ended by a component that was only ever found sound."""
    if ended_by and states and set(states) == {"sound"}:
        return ("ended_by", f"{ended_by!r} ended the job, but its findings in this job are all sound")
    return None
