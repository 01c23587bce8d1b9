"""What a job changed: odds, ceiling and verdict of its family before and after, in words."""

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

from reliability.errors import BenchoddsError
from reliability.records.ledger import open_ledger
from reliability.report import format
from reliability.report.format import NOTHING, name, paragraph, text, verdict_mark

if TYPE_CHECKING:
    import pandas as pd

    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger
    from reliability.worth.appraiser import Appraiser


class Moment(NamedTuple):
    """A ledger at one moment.

    Parameters
    ----------
    records : Records or None
        What it held.
    kept : Appraiser or None
        What is kept of what was fitted to that.
    trouble : str
        Why it could not be read, if it could not.
    """

    records: "Records | None"
    kept: "Appraiser | None"
    trouble: str = ""

    @classmethod
    def of(cls, ledger: "Ledger") -> "Moment":
        """Read it. A fault is told later: a job is worth more than what it teaches."""
        from reliability.records.frames import read_records
        from reliability.worth.appraiser import kept_appraiser

        try:
            return cls(read_records(ledger), kept_appraiser(ledger))
        except BenchoddsError as error:
            return cls(None, None, str(error))


def what_changed(
    address: str, family: str, job: str, before: Moment, after: Moment, *, warn: Callable[[str], object]
) -> str:
    """Show how a usual unit of a family is judged before and after a job was written."""
    from reliability.records.frames import read_records
    from reliability.worth.appraiser import appraiser_of, fit_appraiser, last_day
    from reliability.worth.review import ranking

    rows: list[pd.Series[Any] | None] = []
    for moment in (before, after):
        if moment.records is None or after.records is None:
            raise BenchoddsError(before.trouble or after.trouble)
        odds = moment.kept
        with open_ledger(address) as ledger:
            if odds is None and read_records(ledger).fingerprint() == moment.records.fingerprint():
                odds = appraiser_of(ledger, warn=warn)
        odds = odds or fit_appraiser(moment.records, last_day(moment.records))
        families = {each: odds.families[each] for each in odds.families if each == family}
        day = last_day(after.records)
        table = ranking(replace(odds, families=families), moment.records, as_of=day)
        rows.append(None if table.empty else table.iloc[0])
        currency = odds.currency
    return _shown(family, job, currency, rows[0], rows[1])


def _shown(
    family: str, job: str, currency: str, before: "pd.Series[Any] | None", after: "pd.Series[Any] | None"
) -> str:
    """Show how a usual unit of a family is judged, before and after a job: a sentence and a table."""

    def told(show: Callable[["pd.Series[Any]"], str], nothing: str = NOTHING) -> list[str]:
        return [nothing if row is None else show(row) for row in (before, after)]

    def ceiling(row: "pd.Series[Any]") -> str:
        return format.money(row["ceiling"], currency) if row["ceiling"] > 0 else "nothing, not even as a gift"

    verdicts = [row["verdict"] if row is not None and format.is_known(row["verdict"]) else ""
                for row in (before, after)]  # fmt: skip
    ceilings, chances = told(ceiling), told(lambda row: format.share(row["success_chance"]))
    prices = told(lambda row: format.money(row["usual_price"], currency))
    rows = {
        "Verdict at the usual price": [verdict_mark(each) if each else NOTHING for each in verdicts],
        "Usual price": prices,
        "Take up to (ceiling)": ceilings,
        "Chance of a repair": chances,
        "90 % interval of that chance": told(
            lambda row: format.span(row["success_low"], row["success_high"])
        ),
        "Mean gain at the usual price": told(lambda row: format.money(row["expected_gain"], currency)),
        "Finished jobs of the family": told(lambda row: str(row["jobs_seen"]), "0"),
    }
    whose, moved = name(family), chances[0] != chances[1]
    if before is None:
        said = (f"{whose} is new to the ledger: a repair works out in {text(chances[1])} of such units, "
                "most of that borrowed from its kind.")  # fmt: skip
    elif (verdicts[0], ceilings[0], chances[0]) == (verdicts[1], ceilings[1], chances[1]):
        said = f"Of {whose}, verdict, ceiling and odds stay as they were."
    else:
        odds = f"was {text(chances[0])} and is now" if moved else "stays"
        bound = f"; the ceiling moves from {text(ceilings[0])} to {text(ceilings[1])}"
        turn = f" The verdict turns from {verdicts[0]} to {verdicts[1]}."
        said = f"Of {whose}, the chance of a repair {odds} {text(chances[1])}"
        said += f"{bound if ceilings[0] != ceilings[1] else ''}."
        said += turn if all(verdicts) and verdicts[0] != verdicts[1] else ""
    advice = "There is no verdict: what such a unit usually costs is not known."
    if verdicts[1]:
        advice = f"At {text(prices[1])}, the price usually paid, the verdict is now: {verdicts[1]}."
    lines = "".join(f'<tr><th scope="row">{text(label)}</th><td>{first}</td><td>{then}</td></tr>'
                    for label, (first, then) in rows.items())  # fmt: skip
    others = "The other families learn from it too; <code>benchodds report</code> remakes their pages."
    return f"""{paragraph(said, advice)}<table class="bench-change">
<caption>{whose}, before and after job {name(job)}</caption>
<thead><tr><td></td><th scope="col">before</th><th scope="col">after</th></tr></thead><tbody>{lines}</tbody>
</table>{paragraph(others, kind="bench-soft")}"""
