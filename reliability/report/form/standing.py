"""What a job changed: odds, ceiling and verdict of its family before and after, in words."""

import datetime
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from reliability.report import words
from reliability.report.html import Shown, name, paragraph, text, verdict_mark

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger
    from reliability.worth.appraiser import Appraiser

_NUMBERS = ("usual_price", "ceiling", "expected_gain", "success_chance", "success_low", "success_high")
_NEVER_BOUGHT = "no verdict: what such a unit usually costs is not known"


@dataclass(frozen=True)
class Standing:
    """How a family stands: a usual unit of it, at the price usually paid, nobody having looked yet.

    Money in whole cents of `currency`, NaN where not known; shares 0 to 1.
    """

    currency: str
    verdict: str | None
    jobs_seen: int
    usual_price: float
    ceiling: float
    expected_gain: float
    success_chance: float
    success_low: float
    success_high: float


@dataclass(frozen=True)
class Snapshot:
    """A ledger at one moment: what it held, and what was fitted to that."""

    appraiser: "Appraiser"
    records: "Records"

    @property
    def day(self) -> datetime.date:
        """The day that pages about it speak for."""
        from reliability.worth.appraiser import last_day

        return last_day(self.records)

    def standing(self, family: str, day: datetime.date) -> Standing | None:
        """Work out how a family stands, as the pages do.

        Parameters
        ----------
        family : str
            Its name.
        day : date
            Day of the sale. Before and after are told for the same one, so that only the job differs.

        Returns
        -------
        Standing or None
            None if the ledger did not know the family.
        """
        from reliability.worth.review import ranking

        if family not in self.appraiser.families:
            return None
        alone = replace(self.appraiser, families={family: self.appraiser.families[family]})
        row = ranking(alone, self.records, as_of=day).iloc[0]
        numbers = {each: float(row[each]) for each in _NUMBERS}
        verdict = row["verdict"] if words.is_known(row["verdict"]) else None
        return Standing(self.appraiser.currency, verdict, int(row["jobs_seen"]), **numbers)


def snapshot_of(ledger: "Ledger", *, warn: Callable[[str], object]) -> Snapshot:
    """Read a ledger and fit what is known.

    Parameters
    ----------
    ledger : Ledger
        An open ledger.
    warn : callable
        Told if what was fitted cannot be kept for the next time.
    """
    from reliability.records.frames import read_records
    from reliability.worth.appraiser import appraiser_of

    return Snapshot(appraiser_of(ledger, warn=warn), read_records(ledger))


def change_shown(family: str, job: str, before: Standing | None, after: Standing) -> Shown:
    """Show what a job changed for its family.

    Parameters
    ----------
    family, job : str
        Name and number.
    before : Standing or None
        None if the ledger did not know the family yet.
    after : Standing
        With the job.

    Returns
    -------
    Shown
        A sentence and a table.
    """
    rows = [
        ("Verdict at the usual price", _verdict(before), _verdict(after)),
        ("Usual price", _usual(before), _usual(after)),
        ("Take up to (ceiling)", _ceiling(before), _ceiling(after)),
        ("Chance of a repair", _chance(before), _chance(after)),
        ("90 % interval of that chance", _interval(before), _interval(after)),
        ("Mean gain at the usual price", _gain(before), _gain(after)),
        ("Finished jobs of the family", _jobs(before), _jobs(after)),
    ]
    lines = "".join(
        f'<tr><th scope="row">{text(label)}</th><td>{first}</td><td>{then}</td></tr>'
        for label, first, then in rows
    )
    caption = f"{name(family)}, before and after job {name(job)}"
    table = (
        f'<table class="bench-change"><caption>{caption}</caption><thead><tr><td></td>'
        f'<th scope="col">before</th><th scope="col">after</th></tr></thead><tbody>{lines}</tbody></table>'
    )
    return Shown(paragraph(_sentence(family, before, after)) + table)


def _sentence(family: str, before: Standing | None, after: Standing) -> str:
    """Say in words what changed; markup."""
    whose = name(family)
    if before is None:
        return (
            f"{whose} is new to the ledger: a repair works out in {text(_chance(after))} of such units, "
            f"most of that borrowed from its kind. {_advice(after)}"
        )
    if all(each(before) == each(after) for each in (_verdict, _ceiling, _chance)):
        return f"Of {whose}, verdict, ceiling and odds stay as they were. {_advice(after)}"
    moved = "stays" if _chance(before) == _chance(after) else f"was {text(_chance(before))} and is now"
    odds = f"Of {whose}, the chance of a repair {moved} {text(_chance(after))}"
    if _ceiling(before) != _ceiling(after):
        odds += f"; the ceiling moves from {text(_ceiling(before))} to {text(_ceiling(after))}"
    return f"{odds}. {_turn(before, after)}{_advice(after)}"


def _turn(before: Standing, after: Standing) -> str:
    if before.verdict == after.verdict or None in (before.verdict, after.verdict):
        return ""
    return f"The verdict turns from {text(before.verdict)} to {text(after.verdict)}. "


def _advice(after: Standing) -> str:
    if after.verdict is None:
        return f"There is {text(_NEVER_BOUGHT)}."
    price = text(words.money(after.usual_price, after.currency))
    return f"At {price}, the price usually paid, the verdict is now: {text(after.verdict)}."


def _verdict(standing: Standing | None) -> str:
    if standing is None or standing.verdict is None:
        return words.NOTHING
    return verdict_mark(standing.verdict)


def _ceiling(standing: Standing | None) -> str:
    if standing is None:
        return words.NOTHING
    return (
        words.money(standing.ceiling, standing.currency)
        if standing.ceiling > 0
        else "nothing, not even as a gift"
    )


def _usual(standing: Standing | None) -> str:
    return words.NOTHING if standing is None else words.money(standing.usual_price, standing.currency)


def _gain(standing: Standing | None) -> str:
    return words.NOTHING if standing is None else words.money(standing.expected_gain, standing.currency)


def _chance(standing: Standing | None) -> str:
    return words.NOTHING if standing is None else words.share(standing.success_chance)


def _interval(standing: Standing | None) -> str:
    return words.NOTHING if standing is None else words.span(standing.success_low, standing.success_high)


def _jobs(standing: Standing | None) -> str:
    return "0" if standing is None else str(standing.jobs_seen)
