"""`add --ask`: a job written up by answering questions, every answer checked at once."""

import datetime
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from reliability.records.checks import clean_row
from reliability.records.sheet import JobSheet, Names, open_jobs, read_window
from reliability.records.tables import TABLES, USUAL_COMPONENTS, USUAL_SIGNS, Column, usual_components
from reliability.records.values import (
    Refused,
    clean_text,
    near_twin,
    nearest,
    read_value,
    some,
    typed,
    write_value,
)
from reliability.terminal import Bench, Said, told_of

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# ---- Questions: numbered choices, every answer checked at once


_NARROW = 30


def ask_cell(
    question: str, read: Callable[[str], Any], *, default: str = "", allowed: Sequence[str] = ()
) -> Any:
    """Ask for one value, out of a list or as `read` takes it."""
    _offer(allowed)
    return _prompt(question, lambda answer: read(_picked(answer, allowed)), default)


def ask_one(question: str, choices: Sequence[str], *, default: str) -> str:
    """Ask for one of a closed list."""

    def read(picked: str) -> str:
        if picked not in choices:
            raise Refused(f"{picked!r} is not one of {', '.join(choices)}.{nearest(picked, choices)}")
        return picked

    return str(ask_cell(question, read, default=default, allowed=choices))


def ask_name(question: str, known: Sequence[str], what: str) -> str:
    """Ask for a name out of an open list; a new one has to be confirmed."""
    _offer(known)
    while True:
        name: str = _prompt(question, lambda answer: _named(_picked(answer, known)))
        if name in known:
            return name
        if click.confirm(f"No {what} {name!r} is known.{nearest(name, known)} Is it new?", default=False):
            return name


def ask_names(
    question: str,
    offered: Sequence[str],
    *,
    known: Sequence[str] | None = None,
    new: Callable[[str], bool] | None = None,
    rest: bool = False,
) -> list[str]:
    """Ask for any number of names, with commas between."""
    _offer(offered)
    known = offered if known is None else known

    def read(answer: str) -> list[str]:
        if rest and answer == "rest":
            return list(offered)
        parts = [clean_text(part) for part in answer.split(",")]
        names = list(dict.fromkeys(_picked(part, offered) for part in parts if part))
        for name in names:
            if new is not None and name not in known and not new(name):
                raise Refused(f"{name!r} was not taken; known: {some(known)}")
        return names

    answer: list[str] = _prompt(question, read)
    return answer


def _named(name: str) -> str:
    if not name:
        raise Refused("an answer is needed here")
    return name


def _picked(answer: str, choices: Sequence[str]) -> str:
    """Turn a number into what stands beside it; a name stays as it is."""
    if answer in choices or not answer.isdecimal():
        return answer
    if 1 <= int(answer) <= len(choices):
        return choices[int(answer) - 1]
    return answer


def _offer(choices: Sequence[str]) -> None:
    if choices:
        numbered = [f"{number} {choice}" for number, choice in enumerate(choices, 1)]
        separator = "\n  " if max(map(len, choices)) > _NARROW else "   "
        click.echo(("\n  " if separator.startswith("\n") else "  ") + separator.join(numbered))


def _prompt(question: str, read: Callable[[str], Any], default: str = "") -> Any:
    def checked(answer: str) -> Any:
        try:
            return read(clean_text(answer))
        except Refused as error:
            raise click.UsageError(error.message) from None

    return click.prompt(question, default=default, show_default=bool(default), value_proc=checked)


# ---- One job


_JOBS, _FINDINGS, _FAMILIES = TABLES["jobs"], TABLES["findings"], TABLES["families"]


def ask_for_job(bench: Bench, today: datetime.date) -> None:
    """Ask for one job and write it; whatever breaks the questions off leaves the ledger as it was."""
    from reliability.records.sheet import write_up

    click.echo("Answer by number or by name; Enter takes what stands in brackets, or leaves it open.")
    if bench.is_missing:
        interview = Interview(Names.of(None), today)
    else:
        with bench.ledger() as ledger:
            interview = Interview(Names.of(ledger), today, comma=ledger.setting("typing") == "comma")
            interview.which(ledger)
    for part in (interview.unit, interview.signs, interview.findings, interview.ending, interview.money):
        part()
    if not click.confirm(f"Write this job? {interview.summary()}", default=True):
        click.echo("Nothing was written.")
        return

    def written(ledger: "Ledger") -> Said:
        new = interview.new_components
        (job,) = write_up(ledger, [interview.sheet()], today=today, new_components=new)
        return told_of(job, job.outcome)

    bench.run(written, "make")


class Interview:
    """The questions about one job, and the answers so far."""

    def __init__(self, names: Names, today: datetime.date, *, comma: bool = False) -> None:
        self._names, self._comma = names, comma
        self._today = today.isoformat()
        self._old: Mapping[str, Any] = {}
        self._said: set[str] = set()
        self._signs_known = False
        self._job: dict[str, Any] = {}
        self._signs: list[dict[str, str]] = []
        self._findings: list[dict[str, Any]] = []
        self._rest_sound = False
        self._new_family: dict[str, Any] | None = None
        self.new_components: list[str] = []

    def which(self, ledger: "Ledger") -> None:
        """Ask which open job it is, if there are any."""
        waiting = open_jobs(ledger)
        if not waiting:
            return
        labels = [f"job {row['job']}: {row['family']}, in since {row['taken_in']}" for row in waiting]
        answer = ask_one("Which unit?", [*labels, "another one"], default="another one")
        if answer in labels:
            document = ledger.job(waiting[labels.index(answer)]["job"])
            self._old = document["job"]
            self._job["job"] = self._old["job"]
            self._said = {row["component"] for row in document["findings"]}
            self._signs_known = bool(document["signs"])

    def unit(self) -> None:
        """Ask what it is, how old, and what it cost."""
        if not self._old:
            self._family()
            self._cell("model", "Name on the front panel")
            self._cell("taken_in", "When did it come in?", default=self._today)
        if self._old.get("built_from") is None and self._old.get("built_to") is None:
            self._years()
        if self._old.get("bought_for") is None:
            self._cell("bought_for", "What did it cost?")

    def _family(self) -> None:
        families = self._names.families
        name = ask_name("Family", sorted(families), "family")
        self._job["family"] = name
        if name not in families:
            kinds = [kind for kind in USUAL_COMPONENTS if kind != "other"]
            kind = ask_name("What kind is it?", sorted({*kinds, *families.values()}), "kind")
            self._new_family = {"family": name, "kind": kind, "maker": self._ask("Maker", _FAMILIES["maker"])}

    def _years(self) -> None:
        def read(answer: str) -> tuple[int | None, int | None]:
            years = read_window(answer) if answer else (None, None)
            self._check({"built_from": years[0], "built_to": years[1]}, ("built_from", "built_to"))
            return years

        years = ask_cell("Year of production, or a window such as 1978-1981", read)
        self._job["built_from"], self._job["built_to"] = years
        if years[0] is not None:
            self._cell("year_basis", "Where does the year come from?")

    def signs(self) -> None:
        """Ask what could be seen before any tool was picked up."""
        if self._signs_known:
            return
        known = [*USUAL_SIGNS, *sorted(self._names.signs - set(USUAL_SIGNS))]

        def meant(sign: str) -> bool:
            near = near_twin(sign, known)
            told = f"Sign {sign!r} was never seen here. Did you mean {near!r}? Is it new?"
            return near is None or click.confirm(told, default=False)

        seen = ask_names("Signs seen before opening it", known, new=meant)
        rest = [sign for sign in known if sign not in seen]
        question = "Signs looked for and not there ('rest': all the others)"
        absent = ask_names(question, rest, new=meant, rest=True)
        self._signs = [{"sign": sign, "seen": "yes"} for sign in seen]
        self._signs += [{"sign": sign, "seen": "no"} for sign in absent]

    def findings(self) -> None:
        """Ask which components had failed or were worn, and what was done about them."""
        self._outcome()
        usual = [name for name in usual_components(self._kind()) if name not in self._said]
        known = [*usual, *sorted(self._names.components - set(usual) - self._said)]
        for state, were in (("failed", "had failed"), ("worn", "were worn")):
            left = [name for name in known if not any(row["component"] == name for row in self._findings)]
            shown = [name for name in usual if name in left]
            for component in ask_names(f"Components that {were}", shown, known=left, new=self._is_new):
                self._findings.append({"component": component, "found": state, **self._action(component)})
        named = {row["component"] for row in self._findings}
        rest = [name for name in usual if name not in named]
        if rest:
            question = f"Were these examined and sound: {', '.join(rest)}?"
            self._rest_sound = click.confirm(question, default=False)

    def _action(self, component: str) -> dict[str, Any]:
        action = self._ask(f"What was done about the {component}?", _FINDINGS["action"])
        row = {"action": action}
        if action in ("replaced", "rebuilt", "serviced"):
            row["part_cost"] = self._ask(f"What did the part cost ({component})?", _FINDINGS["part_cost"])
        if action == "replaced":
            row["part_source"] = self._ask("Was the part new or salvaged?", _FINDINGS["part_source"])
        return row

    def _is_new(self, name: str) -> bool:
        near = nearest(name, self._names.components)
        if not click.confirm(f"Component {name!r} was never seen here.{near} Is it new?", default=False):
            return False
        self.new_components.append(name)
        self._names.components.add(name)
        return True

    def _outcome(self) -> None:
        outcomes = [word for word in _JOBS["outcome"].allowed if word != "open"]
        self._job["outcome"] = ask_one("How did it end?", outcomes, default="repaired")

    def ending(self) -> None:
        """Ask when it ended and, if it was not repaired, what ended it."""
        self._cell("closed", "When did it end?", default=self._today)
        if self._job["outcome"] == "repaired":
            return
        failed = [row["component"] for row in self._findings]
        if failed:
            nothing = "none of them"
            by = ask_one("Which component ended it?", [*failed, nothing], default=failed[0])
            self._job["ended_by"] = None if by == nothing else by
        self._cell("ended_why", "Why?")

    def money(self) -> None:
        """Ask for hours, costs, the sale, and anything else."""
        self._cell("hours", "Bench hours")
        self._cell("other_costs", "Other costs (postage, consumables, travel)")
        if self._job["outcome"] in ("repaired", "sold as is"):
            self._cell("sold_for", "Sold for (Enter: not sold)")
            if self._job["sold_for"] is not None:
                self._cell("sold_on", "Sold on", default=self._today)
        else:
            self._cell("salvage_value", "What are the parts that you keep worth?")
        self._cell("remarks", "Anything else?")

    def summary(self) -> str:
        """Word the answers in one line."""
        job = {**self._old, **{name: value for name, value in self._job.items() if value is not None}}
        parts = [str(job["family"]), job["outcome"]]
        parts += [f"{row['component']} {row['found']}" for row in self._findings]
        parts += ["the rest sound"] if self._rest_sound else []
        for name in ("bought_for", "hours", "sold_for", "salvage_value"):
            if job.get(name) is not None:
                parts.append(f"{name} {write_value(job[name])}")
        return ", ".join(parts)

    def sheet(self) -> JobSheet:
        """Give the answers as a job sheet."""
        document = {"job": self._job, "findings": self._findings, "signs": self._signs, "followups": []}
        return JobSheet("answers", document, self._new_family, self._rest_sound)

    def _kind(self) -> str | None:
        if self._new_family is not None:
            return str(self._new_family["kind"])
        return self._names.families.get(str(self._job.get("family") or self._old.get("family")))

    def _typed(self, column: Column, answer: str) -> str:
        return typed(column, answer) if self._comma else answer

    def _ask(self, question: str, column: Column) -> Any:
        def read(answer: str) -> Any:
            return read_value(column, self._typed(column, answer))

        return ask_cell(question, read, allowed=column.allowed)

    def _cell(self, name: str, question: str, default: str = "") -> None:
        column = _JOBS[name]

        def read(answer: str) -> Any:
            return self._check({name: self._typed(column, answer)}, (name,))[name]

        self._job[name] = ask_cell(question, read, default=default, allowed=column.allowed)

    def _check(self, given: Mapping[str, Any], names: tuple[str, ...]) -> dict[str, Any]:
        """Test an answer by itself and beside the answers before it."""
        row = {"job": "1", "family": "f", "outcome": "open", **self._old, **self._job, **given}
        clean, complaints = clean_row(_JOBS, row, self._names.exponent)
        for column, message in complaints:
            if column in names:
                raise Refused(message)
        return clean
