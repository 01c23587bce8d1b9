"""`add --ask`: a job written up by answering questions, every answer checked at once."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import click

from reliability import errors
from reliability.records import tables, values
from reliability.records.checks import JobDocument, clean_row
from reliability.records.ledger import Ledger, trial_ledger
from reliability.records.sheet import JobSheet, Names, open_jobs, read_window
from reliability.records.tables import TABLES, USUAL_COMPONENTS, USUAL_SIGNS, Column, may_be_filled, needs
from reliability.terminal import Bench, ask

# ---- Questions: numbered choices, names of open lists


def picked(answer: str, offered: Sequence[str]) -> str:
    """Turn a number into what stands beside it; a name stays as it is."""
    if answer in offered or not answer.isdecimal() or not 1 <= int(answer) <= len(offered):
        return answer
    return offered[int(answer) - 1]


def ask_name(question: str, known: Sequence[str], what: str) -> str:
    """Ask for a name out of an open list; a new one has to be confirmed."""

    def read(answer: str) -> str:
        if not (name := picked(answer, known)):
            raise errors.Refused("an answer is needed here")
        told = f"No {what} {name!r} is known.{errors.nearest(name, known)} Is it new?"
        if name not in known and not click.confirm(told, default=False):
            raise errors.Refused(f"{name!r} was not taken; known: {errors.some(known)}")
        return name

    return str(ask(question, read, known))


def ask_names(
    question: str,
    offered: Sequence[str],
    known: Sequence[str],
    is_new: Callable[[str], bool],  # asks about a name that is not known
    *,
    rest: bool = False,  # whether "rest" stands for all that is offered
) -> list[str]:
    """Ask for any number of names, with commas between."""

    def read(answer: str) -> list[str]:
        if rest and answer == "rest":
            return list(offered)
        parts = [values.clean_text(part) for part in answer.split(",")]
        names = list(dict.fromkeys(picked(part, offered) for part in parts if part))
        for name in names:
            if name not in known and not is_new(name):
                raise errors.Refused(f"{name!r} was not taken; known: {errors.some(known)}")
        return names

    answer: list[str] = ask(question, read, offered)
    return answer


# ---- One job


_JOBS = TABLES["jobs"]
#: What a part cost and where it came from is asked once something was done.
_DONE = tuple(needs(name, "action") for name in ("part_cost", "part_source"))
_FINDINGS = replace(TABLES["findings"], rules=(*TABLES["findings"].rules, *_DONE))


def ask_for_job(bench: Bench, today: datetime.date) -> "Interview | None":
    """Ask for one job; None where it is not to be written after all."""
    click.echo("Answer by number or by name; Enter takes what stands in brackets, or leaves it open.")
    with trial_ledger() if bench.is_missing else bench.ledger() as ledger:
        interview = Interview(Names(ledger), today, comma=ledger.setting("typing") == "comma")
        interview.which(ledger)
    for part in (interview.unit, interview.signs, interview.findings, interview.ending):
        part()
    if not click.confirm(f"Write this job? {interview.summary()}", default=True):
        click.echo("Nothing was written.")
        return None
    return interview


class Interview:
    """The questions about one job, and the answers so far."""

    def __init__(self, names: Names, today: datetime.date, *, comma: bool = False) -> None:
        self._names, self._today, self._comma = names, today.isoformat(), comma
        self._old: JobDocument = {"job": {}, "findings": [], "signs": []}  # of the open job that it is
        self._job: dict[str, Any] = {}
        self._signs: list[dict[str, str]] = []
        self._findings: list[dict[str, Any]] = []
        self._rest_sound = False
        self._new_family: dict[str, Any] | None = None
        self.new_components: list[str] = []

    def which(self, ledger: Ledger) -> None:
        """Ask which open job it is, if there are any, by the number on its label."""
        # Choices are not numbered here: 3 is job 3, never the third of the list.
        waiting = {str(row["job"]): f"  job {row['job']}: {row['family']}, in since {row['taken_in']}"
                   for row in open_jobs(ledger)}  # fmt: skip
        other = "another one"
        if not waiting:
            return

        def read(answer: str) -> str:
            if answer != other and answer not in waiting:
                raise errors.Refused(f"job {answer!r} is not open; open: {errors.some(waiting)}")
            return answer

        click.echo("\n".join(waiting.values()))
        if (answer := ask("Which unit, by its job number?", read, default=other)) != other:
            self._old = ledger.job(answer)
            self._job["job"] = answer

    def unit(self) -> None:
        """Ask what it is, how old, and what it cost."""
        if not self._old["job"]:
            self._family()
        self._cells("model", "taken_in")
        if {self._old["job"].get(name) for name in ("built_from", "built_to")} == {None}:
            question = "Year of production, or a window such as 1978-1981"
            self._job["built_from"], self._job["built_to"] = ask(question, self._window)
        self._cells("year_basis", "bought_for")

    def _family(self) -> None:
        families = self._names.families
        self._job["family"] = name = ask_name("Family", sorted(families), "family")
        if name not in families:
            kinds = {*USUAL_COMPONENTS, *families.values()} - {"other"}
            kind = ask_name("What kind is it?", sorted(kinds), "kind")
            maker = self._asked(TABLES["families"]["maker"])
            self._new_family = {"family": name, "kind": kind, "maker": maker}

    def _window(self, answer: str) -> tuple[int | None, int | None]:
        years = read_window(answer) if answer else (None, None)
        self._check({"built_from": years[0], "built_to": years[1]})
        return years

    def signs(self) -> None:
        """Ask what could be seen before any tool was picked up."""
        if self._old["signs"]:
            return
        known = [*USUAL_SIGNS, *sorted(self._names.signs - set(USUAL_SIGNS))]

        def meant(sign: str) -> bool:
            near = errors.near_twin(sign, known)
            told = f"Sign {sign!r} was never seen here. Did you mean {near!r}? Is it new?"
            return near is None or click.confirm(told, default=False)

        seen = ask_names("Signs seen before opening it", known, known, meant)
        rest = [sign for sign in known if sign not in seen]
        question = "Signs looked for and not there ('rest': all the others)"
        absent = ask_names(question, rest, rest, meant, rest=True)
        self._signs = [{"sign": sign, "seen": "yes" if sign in seen else "no"} for sign in (*seen, *absent)]

    def findings(self) -> None:
        """Ask how it ended, which components had failed or were worn, and what was done about them."""
        outcomes = [word for word in _JOBS["outcome"].allowed if word != "open"]
        self._job["outcome"] = self._one("How did it end?", outcomes, "repaired")
        said = {row["component"] for row in self._old["findings"]}
        family = str(self._job.get("family") or self._old["job"].get("family"))
        kind = self._new_family["kind"] if self._new_family else self._names.families.get(family)
        usual = [name for name in tables.usual_components(kind) if name not in said]
        known = [*usual, *sorted(self._names.components - {*usual, *said})]
        for state, were in (("failed", "had failed"), ("worn", "were worn")):
            named = {row["component"] for row in self._findings}
            shown, left = ([name for name in names if name not in named] for names in (usual, known))
            for component in ask_names(f"Components that {were}", shown, left, self._is_new):
                row: dict[str, Any] = {"component": component, "found": state}
                for name in ("action", "part_cost", "part_source"):
                    if may_be_filled(_FINDINGS, name, row):
                        row[name] = self._asked(_FINDINGS[name], before=f"{component}: ")
                self._findings.append(row)
        named = {row["component"] for row in self._findings}
        if rest := [name for name in usual if name not in named]:
            question = f"Were these examined and sound: {', '.join(rest)}?"
            self._rest_sound = click.confirm(question, default=False)

    def _is_new(self, name: str) -> bool:
        near = errors.nearest(name, self._names.components)
        if not click.confirm(f"Component {name!r} was never seen here.{near} Is it new?", default=False):
            return False
        self.new_components.append(name)
        self._names.components.add(name)
        return True

    def ending(self) -> None:
        """Ask when it ended, what ended it if it was not repaired, for money, and anything else."""
        self._cells("closed")
        failed = [row["component"] for row in self._findings]
        if failed and may_be_filled(_JOBS, "ended_by", self._job):
            nothing = "none of them"
            by = self._one("Which component ended it?", [*failed, nothing], failed[0])
            self._job["ended_by"] = None if by == nothing else by
        self._cells("ended_why", "hours", "other_costs", "sold_for")
        if self._job.get("sold_for") is not None:
            self._cells("sold_on")
        self._cells("salvage_value", "remarks")

    def summary(self) -> str:
        """Word the answers in one line."""
        told = {name: value for name, value in self._job.items() if value is not None}
        job = {**self._old["job"], **told}
        parts = [str(job["family"]), job["outcome"]]
        parts += [f"{row['component']} {row['found']}" for row in self._findings]
        parts += ["the rest sound"] if self._rest_sound else []
        parts += [f"{name} {values.write_value(job[name])}"
                  for name in ("bought_for", "hours", "sold_for", "salvage_value")
                  if job.get(name) is not None]  # fmt: skip
        return ", ".join(parts)

    @property
    def sheet(self) -> JobSheet:
        """The answers as a job sheet."""
        document = {"job": self._job, "findings": self._findings, "signs": self._signs, "followups": []}
        return JobSheet("answers", document, self._new_family, self._rest_sound)

    def _asked(
        self, column: Column, question: str = "", default: str = "", before: str = "",
        read: Callable[[Column, str], Any] = values.read_value,
    ) -> Any:  # fmt: skip
        """Ask for a cell of a column, by what it means where no other question is worded."""

        def answered(answer: str) -> Any:
            value = picked(answer, column.allowed)
            if self._comma:
                from reliability.records.spreadsheets import typed

                value = typed(column, value)
            return read(column, value)

        brief = before + column.meaning.partition(";")[0] + (", in hours" if column.kind == "hours" else "")
        return ask(question or brief[0].upper() + brief[1:], answered, column.allowed, default)

    def _one(self, question: str, choices: Sequence[str], default: str) -> str:
        """Ask for one of a closed list."""
        return str(self._asked(Column("", "choice", "", allowed=tuple(choices)), question, default))

    def _cells(self, *names: str) -> None:
        """Ask for what nobody said yet and the rules leave to be asked; days begin with today's."""
        for name in names:
            said = {**self._old["job"], **self._job}
            if said.get(name) is None and may_be_filled(_JOBS, name, said):
                default = self._today if _JOBS[name].kind == "date" else ""
                self._job[name] = self._asked(_JOBS[name], default=default, read=self._checked)

    def _checked(self, column: Column, value: str) -> Any:
        return self._check({column.name: value})[column.name]

    def _check(self, given: Mapping[str, Any]) -> dict[str, Any]:
        """Test answers by themselves and beside the answers before them."""
        row = {"job": "1", "family": "f", "outcome": "open", **self._old["job"], **self._job, **given}
        clean, complaints = clean_row(_JOBS, row, self._names.exponent)
        for column, message in complaints:
            if column in given:
                raise errors.Refused(message)
        return clean
