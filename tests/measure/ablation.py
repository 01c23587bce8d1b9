"""What each piece of the verdicts is worth: the same worlds, judged with one piece taken out.

``python -m tests.measure.decisions --without chain`` prints how good the decisions are with everything and without
a piece. A piece is taken out of the records, of the offers or of the fit from outside: the package has no
switches for it.
"""

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd

from reliability.records.frames import Records
from reliability.worth import lives, money, recalibration, signs, supply
from reliability.worth.appraiser import Appraiser, fit_appraiser
from reliability.worth.judging import judge
from reliability.worth.odds import FamilyEntry, Spread

WHOLE = "everything"
USUAL_SPREAD = 0.25
NEARLY_NOTHING = (1e-3,)


@dataclass(frozen=True)
class Piece:
    """How to take one piece out: of the records, of the offers, of the code that fits, of what was fitted."""

    records: Callable[[Records], Records] = lambda records: records
    offers: Callable[[pd.DataFrame], pd.DataFrame] = lambda offers: offers
    code: tuple[tuple[object, str, object], ...] = ()
    fitted: Callable[[Appraiser], Appraiser] = lambda appraiser: appraiser

    def verdicts(self, records: Records, offers: pd.DataFrame, as_of: Any) -> pd.DataFrame:
        """Judge all offers without the piece."""
        with ExitStack() as stack:
            for target, name, value in self.code:
                stack.enter_context(patch.object(target, name, value))
            return judge(self.offers(offers), self.fitted(fit_appraiser(self.records(records), as_of=as_of)))


def _entries(appraiser: Appraiser, change: Callable[[FamilyEntry], FamilyEntry], **shared: Any) -> Appraiser:
    families, kinds = (
        {name: change(entry) for name, entry in some.items()}
        for some in (appraiser.families, appraiser.kinds)
    )
    return replace(appraiser, families=families, kinds=kinds, shared=replace(appraiser.shared, **shared))


def _no_prices(found: Appraiser) -> Appraiser:
    """Units fetch what their owner says, whatever was sold before."""
    plain = Spread(0.0, 0.0, USUAL_SPREAD)
    return _entries(
        found, lambda entry: replace(entry, ratio=plain), price_signs=np.zeros_like(found.shared.price_signs)
    )


def _no_recalibration(found: Appraiser) -> Appraiser:
    """Components alone, whatever the outcomes say."""
    names = ("age_effect", "age_se", "outcome_signs", "outcome_signs_se")
    none = {name: np.zeros_like(getattr(found.shared, name)) for name in names}
    return _entries(found, lambda entry: replace(entry, shift=0.0, own_weight=0.0), chain_weight=1.0, **none)


_FIT = recalibration.fit_recalibration


def _outcomes_alone(bench, outcomes, signs, price_signal, usual):
    """Fit outcomes without a look at the components."""
    blind = usual.assign(log_odds=0.0)
    of_slots, of_all = _FIT(bench, outcomes.assign(chain=0.0), signs, price_signal, blind)
    return of_slots, {**of_all, "chain_weight": 0.0}


def _spread(block: str) -> Piece:
    """Take an effect on outcomes out: its spread is next to nothing."""
    return Piece(code=((recalibration, "SPREADS", {**recalibration.SPREADS, block: NEARLY_NOTHING}),))


def _without(table: str) -> Piece:
    return Piece(lambda records: replace(records, **{table: getattr(records, table).iloc[:0]}))


def _undated(table: pd.DataFrame) -> pd.DataFrame:
    return table.assign(built_from=np.nan, built_to=np.nan)


def _numbered_through(records: Records) -> Records:
    numbers = [f"{i:06d}" for i in range(1, len(records.jobs) + 1)]
    new = dict(zip(records.jobs["job"], numbers, strict=True))
    tables = {
        name: getattr(records, name).assign(job=lambda t: t["job"].map(new))
        for name in ("jobs", "findings", "signs", "followups")
    }
    return replace(records, **tables)


_CHANCES, _ATTEMPTS = supply.Supply.chances, supply._attempts
NO_ENDS = Piece(lambda records: replace(records, jobs=records.jobs.assign(ended_by=None, ended_why=None)))
PIECES = {
    WHOLE: Piece(),
    "chain": Piece(code=((recalibration, "fit_recalibration", _outcomes_alone),)),
    "recalibration": Piece(fitted=_no_recalibration),
    "findings": Piece(lambda records: _without("findings").records(NO_ENDS.records(records))),
    "ended by": NO_ENDS,
    "silence means sound": Piece(
        code=((lives, "unit_findings", lambda bench, _: lives.worst_findings(bench.records.findings)),)
    ),
    "ages": Piece(lambda records: replace(records, jobs=_undated(records.jobs)), _undated),
    "year effect": Piece(code=((lives, "year_effect", lambda *_: (0.0, lives.MIDDLE_YEAR)),)),
    "change years": Piece(code=((lives, "changes_of", lambda _: {}),)),
    "storage": Piece(code=((signs, "STORAGE_SDS", (0.0,)),)),
    "notes on parts": _without("parts"),
    "attempts at parts": Piece(
        code=((supply, "_attempts", lambda jobs, findings: _ATTEMPTS(jobs, findings).iloc[:0]),)
    ),
    "parts as they were": Piece(
        code=(
            (
                supply.Supply,
                "chances",
                lambda self, component, family, days: _CHANCES(self, component, family, days + np.inf),
            ),
        )
    ),
    "hearsay": _without("hearsay"),
    "errors of tellers": Piece(
        code=((lives, "ERRORS", np.zeros(1)), (lives, "ERROR_CHANCES", np.ones(1))),
    ),
    "gaps": Piece(_numbered_through),
    "prices paid": Piece(code=((money, "purchase_news", lambda bench, price, usual: 0.0 * usual),)),
    "prices of own sales": Piece(fitted=_no_prices),
    **{
        f"{block} beside the chain": _spread(block)
        for block in ("kind", "drift", "age", "sign", "sign of a kind")
    },
    "family beside the chain": Piece(code=((recalibration, "FAMILY_SDS", NEARLY_NOTHING),)),
}
