"""Parts that both forms have: the unit and its signs."""

from typing import Any

import ipywidgets as widgets  # type: ignore[import-untyped]

from reliability.records.tables import TABLES
from reliability.report.form.answers import Spot
from reliability.report.form.desk import Choices
from reliability.report.form.fields import Field, choice, grid, heading, line, lines, offered, tick

_JOBS = TABLES["jobs"]
DAY = "2026-05-17, or 2026-05"
YEARS = "1979, or 1978-1981"


class UnitPart:
    """What the unit is, how old it is and what it cost.

    Parameters
    ----------
    choices : Choices
        What the ledger knows.
    day : str
        Offered as the day on which it came.
    """

    def __init__(self, choices: Choices, day: str) -> None:
        self.family = offered("Family", sorted(choices.families), hint="as the ledger writes it")
        self.is_new = tick("This family is new to the ledger")
        self.kind = offered("Kind of the new family", choices.kinds, hint="tape deck, receiver …")
        self.maker = line("Maker of the new family")
        self.working_price = line("A serviced unit of it fetches", hint="your estimate")
        self._new = (self.kind, self.maker, self.working_price)
        self._job = {
            "model": offered("Model (front panel)", ()),
            "built": line("Built in", hint=YEARS),
            "year_basis": choice("How the year is known", _JOBS["year_basis"].allowed),
            "taken_in": line("Came in on", hint=DAY, value=day),
            "bought_for": line("Bought for", hint="25.00"),
            "lot": line("Lot (bought together)"),
        }
        self.reload(choices)
        self._show_new()
        self.is_new.on_change(self._show_new)
        self.family.on_change(self._offer_models)
        self.box = widgets.VBox(
            [heading("The unit"), grid([self.family, self.is_new, *self._new, *self._job.values()])]
        )

    def reload(self, choices: Choices) -> None:
        """Offer what the ledger knows now."""
        self._choices = choices
        self.family.widget.options = tuple(sorted(choices.families))
        self.kind.widget.options = tuple(choices.kinds)
        self._offer_models()

    def _offer_models(self) -> None:
        family = self.family.value
        models = self._choices.models
        self._job["model"].widget.options = tuple(
            sorted(each for each in models if models[each] == family or family not in self._choices.families)
        )

    def _show_new(self) -> None:
        for each in self._new:
            each.show(self.is_new.is_ticked)

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which column."""
        found = {Spot("job", 0, column): field for column, field in self._job.items()}
        found |= {Spot("job", 0, column): self._job["built"] for column in ("built_from", "built_to")}
        found |= {Spot("job", 0, "family"): self.family, Spot("new_family", 0, ""): self.is_new}
        found |= {Spot("new_family", 0, "kind"): self.kind, Spot("new_family", 0, "maker"): self.maker}
        return found | {Spot("new_family", 0, "working_price"): self.working_price}

    def job(self) -> dict[str, Any]:
        """Give the columns of the job, empty ones left out."""
        said: dict[str, Any] = {
            "family": self.family.value,
            **{name: each.value for name, each in self._job.items()},
        }
        return {name: value for name, value in said.items() if value is not None}

    def new_family(self, today: str) -> dict[str, Any] | None:
        """Give the columns of a new family; None where it is known."""
        if not self.is_new.is_ticked:
            return None
        price = self.working_price.value
        said = {"kind": self.kind.value, "maker": self.maker.value, "working_price": price}
        return {**said, "priced_on": today if price else None}

    def fill(self, job: dict[str, Any]) -> None:
        """Show what the ledger knows of an open job; its family is fixed."""
        self.family.put(job["family"])
        years = [str(job[each]) for each in ("built_from", "built_to") if job[each] is not None]
        self._job["built"].put("-".join(dict.fromkeys(years)) or None)
        for column in ("model", "year_basis", "taken_in", "bought_for", "lot"):
            self._job[column].put(None if job[column] is None else str(job[column]))
        self.hold(True)

    def hold(self, is_held: bool) -> None:
        """Fix the family of a job that was taken in, or let it be chosen."""
        self.family.widget.disabled = is_held
        self.is_new.show(not is_held)


class SignsPart:
    """What could be seen before any tool was picked up.

    Parameters
    ----------
    signs : sequence of str
        Usual and known ones.
    """

    def __init__(self, signs: list[str]) -> None:
        self._rows = {sign: choice(sign, ("yes", "no"), blank="nobody looked") for sign in signs}
        self.other = line("Another sign", hint="in your own words")
        self.other_seen = choice("Was the other sign there?", ("yes", "no"), blank="nobody looked")
        self.box = widgets.VBox(
            [
                heading(
                    "Signs", '<p class="bench-soft">What could be seen before any tool was picked up.</p>'
                ),
                grid(self._rows.values(), "9.5rem"),
                grid([self.other, self.other_seen]),
            ]
        )

    def rows(self) -> list[dict[str, Any]]:
        """Give the signs that somebody looked for."""
        said: list[dict[str, Any]] = [
            {"sign": sign, "seen": each.value} for sign, each in self._rows.items() if each.value
        ]
        if self.other.value or self.other_seen.value:
            said.append({"sign": self.other.value, "seen": self.other_seen.value})
        return said

    @property
    def spots(self) -> dict[Spot, Field]:
        """Which field shows the faults of which row, in the order of `rows`."""
        looked = [each for each in self._rows.values() if each.value]
        found = {Spot("sign", row, "seen"): each for row, each in enumerate(looked)}
        found[Spot("sign", len(looked), "sign")] = self.other
        found[Spot("sign", len(looked), "seen")] = self.other_seen
        return found

    def fill(self, rows: list[dict[str, Any]]) -> None:
        """Show the signs that the ledger knows of an open job."""
        for row in rows:
            if row["sign"] in self._rows:
                self._rows[row["sign"]].put(row["seen"])

    @property
    def fields(self) -> list[Field]:
        """All of them."""
        return [*self._rows.values(), self.other, self.other_seen]


def remarks() -> Field:
    """Make the field for anything else."""
    return lines("Anything else")
