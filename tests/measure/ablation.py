"""What each piece of the verdicts is worth: the same worlds, judged with one piece taken out.

``python -m tests.measure.ablation`` prints, per world, the share of the oracle's gain and the log loss
beyond that of the true odds, with everything and without each piece. A piece is taken out of the records,
of the offers or of the fit from outside: the package has no switches for it.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from unittest.mock import patch

import click
import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from reliability.records.frames import Records, records_from_rows
from reliability.worth import fitting, supply
from reliability.worth.appraisal import FamilyEntry, Spread
from reliability.worth.appraiser import Appraiser, fit_appraiser
from reliability.worth.bench import Bench
from reliability.worth.judging import judge, offers_from
from reliability.worth.recalibration import Outcomes, Recalibration, UsualOdds, fit_recalibration
from reliability.worth.supply import Repairability, Supply
from tests.measure.decisions import FIRST_SEED, STRANGERS, TARGETS, drawn_by, pooled_share
from tests.measure.decisions import Task as World
from tests.simulate import NAMED_WORLDS, score

WHOLE = "everything"
USUAL_SPREAD = 0.25
_OF, _CHANCES, _ATTEMPTS = Repairability.of, Supply.chances, supply._attempts


@dataclass(frozen=True)
class Task:
    """One world of one seed with one piece taken out."""

    world: str
    seed: int
    without: str


@dataclass(frozen=True)
class Case:
    """A ledger and offers, and how to fit the one and judge the other."""

    records: Records
    offers: pd.DataFrame
    fit: Callable[[Records], Appraiser]
    apart: bool = False

    def verdicts(self) -> pd.DataFrame:
        """Judge all offers; each family by its own jobs alone where families are kept `apart`."""
        if not self.apart:
            return judge(self.offers, self.fit(self.records))
        parts = [
            judge(rows.reset_index(drop=True), self.fit(_only(self.records, name)))
            for name, rows in self.offers.groupby("family", sort=False)
        ]
        order = self.offers["offer"].tolist()
        return pd.concat(parts).set_index("offer").loc[order].reset_index()


def _changed(appraiser: Appraiser, change: Callable[[FamilyEntry], FamilyEntry]) -> Appraiser:
    return replace(
        appraiser,
        families={name: change(entry) for name, entry in appraiser.families.items()},
        kinds={name: change(entry) for name, entry in appraiser.kinds.items()},
    )


def _without_prices(case: Case) -> Case:
    """Units fetch what their owner says, whatever was sold before."""

    def fit(records: Records) -> Appraiser:
        found = case.fit(records)
        blind = replace(found.shared, price_signs=np.zeros_like(found.shared.price_signs))
        plain = Spread(0.0, 0.0, USUAL_SPREAD)
        return replace(_changed(found, lambda entry: replace(entry, ratio=plain)), shared=blind)

    return replace(case, fit=fit)


def _without_recalibration(case: Case) -> Case:
    """Components alone, whatever the outcomes say."""

    def fit(records: Records) -> Appraiser:
        found = case.fit(records)
        none = {
            name: np.zeros_like(getattr(found.shared, name))
            for name in ("age_effect", "age_se", "outcome_signs", "outcome_signs_se")
        }
        plain = _changed(found, lambda entry: replace(entry, shift=0.0, own_weight=0.0))
        return replace(plain, shared=replace(found.shared, chain_weight=1.0, **none))

    return replace(case, fit=fit)


def _outcomes_alone(
    bench: Bench, outcomes: Outcomes, price_signal: np.ndarray, usual: UsualOdds
) -> Recalibration:
    """Fit outcomes without a look at the components."""
    blind = replace(outcomes, chain=np.zeros_like(outcomes.chain))
    usual = replace(usual, log_odds=np.zeros_like(usual.log_odds))
    return replace(fit_recalibration(bench, blind, price_signal, usual), chain_weight=0.0)


def _without_signs(case: Case) -> Case:
    blank = case.offers.assign(**{name: None for name in case.records.signs["sign"].unique()})
    return replace(case, records=replace(case.records, signs=case.records.signs.iloc[:0]), offers=blank)


def _without_ages(case: Case) -> Case:
    """Lives that know no production year: all units of a family are alike."""
    jobs = case.records.jobs.assign(built_from=np.nan, built_to=np.nan)
    blank = case.offers.assign(built_from=np.nan, built_to=np.nan)
    return replace(case, records=replace(case.records, jobs=jobs), offers=blank)


def _without_findings(case: Case) -> Case:
    """No components: only outcomes, and what the trade says."""
    jobs = case.records.jobs.assign(ended_by=None)
    bare = replace(case.records, jobs=jobs, findings=case.records.findings.iloc[:0])
    return replace(case, records=bare)


def _without_gaps(case: Case) -> Case:
    return replace(case, records=_numbered_through(case.records))


def _numbered_through(records: Records) -> Records:
    numbers = [f"{i:06d}" for i in range(1, len(records.jobs) + 1)]
    new = dict(zip(records.jobs["job"], numbers, strict=True))
    tables = {
        name: getattr(records, name).assign(job=lambda t: t["job"].map(new))
        for name in ("jobs", "findings", "signs", "followups")
    }
    return replace(records, **tables)


def _without_hearsay(case: Case) -> Case:
    return replace(case, records=replace(case.records, hearsay=case.records.hearsay.iloc[:0]))


def _without_pooling(case: Case) -> Case:
    """Each family by itself, as if the bench had seen no other."""
    return replace(case, apart=True)


def _only(records: Records, family: str) -> Records:
    """Keep one family's jobs, numbered anew: those of the others must not read as jobs nobody wrote up."""
    jobs = records.jobs[records.jobs["family"] == family].reset_index(drop=True)
    kept = {
        name: getattr(records, name)[getattr(records, name)["job"].isin(jobs["job"])].reset_index(drop=True)
        for name in ("findings", "signs", "followups")
    }
    hearsay = records.hearsay[records.hearsay["family"].isna() | (records.hearsay["family"] == family)]
    return _numbered_through(replace(records, jobs=jobs, hearsay=hearsay.reset_index(drop=True), **kept))


def _patched(*patches: tuple[object, str, object]) -> Callable[[Case], Case]:
    """Take a piece out of the fit itself."""

    def change(case: Case) -> Case:
        def fit(records: Records) -> Appraiser:
            with _all_of(patches):
                return case.fit(records)

        return replace(case, fit=fit)

    return change


@contextmanager
def _all_of(patches: tuple[tuple[object, str, object], ...]) -> Iterator[None]:
    with ExitStack() as stack:
        for target, name, value in patches:
            stack.enter_context(patch.object(target, name, value))
        yield


def _of_component_alone(self, family, family_at, component_at, days):
    """Odds of mending by component, the same in all families, whatever can be had there."""
    return _OF(self, "", -1, component_at, days)


def _as_today(self, component, family, days):
    """What could be had then is what can be had now."""
    return _CHANCES(self, component, family, np.full(len(days), np.inf))


def _nothing_tried(jobs, findings):
    return _ATTEMPTS(jobs, findings).iloc[:0]


def _no_signal(bench, price, usual):
    return np.zeros_like(usual)


PIECES: dict[str, Callable[[Case], Case]] = {
    WHOLE: lambda case: case,
    "prices of own sales": _without_prices,
    "findings": _without_findings,
    "ages": _without_ages,
    "signs": _without_signs,
    "mending by family and supply": _patched((Repairability, "of", _of_component_alone)),
    "parts as they were": _patched((Supply, "chances", _as_today)),
    "supply by attempts": _patched((supply, "_attempts", _nothing_tried)),
    "pooling of families": _without_pooling,
    "gaps": _without_gaps,
    "hearsay": _without_hearsay,
    "prices paid": _patched((fitting, "purchase_news", _no_signal)),
    "chain": _patched((fitting, "fit_recalibration", _outcomes_alone)),
    "recalibration": _without_recalibration,
}  # fmt: skip


@threadpool_limits.wrap(limits=1)
def run_task(task: Task) -> dict[str, object]:
    """Draw a world, its ledger and offers; judge them with one piece taken out."""
    drawn = drawn_by(World(task.world, task.seed))
    records = records_from_rows(drawn.tables)
    case = Case(records, offers_from(drawn.offers), lambda some: fit_appraiser(some, as_of=drawn.as_of))
    changed = PIECES[task.without](case)
    found = score(changed.verdicts(), drawn.truth, margin=records.settings.margin).as_dict()
    return {"world": task.world, "seed": task.seed, "method": task.without, **found}


def run(world: str, seeds: list[int], pieces: list[str], *, workers: int = 1) -> pd.DataFrame:
    """Run all tasks of a world; one row per seed and piece."""
    tasks = [Task(world, seed, piece) for seed in seeds for piece in pieces]
    if workers == 1:
        return pd.DataFrame([run_task(task) for task in tasks])
    with ProcessPoolExecutor(workers) as pool:
        return pd.DataFrame(list(pool.map(run_task, tasks)))


def table_of(results: pd.DataFrame) -> str:
    """Lay out gain share and excess log loss of one world."""
    by_piece = results.groupby("method", sort=False)
    columns = {
        "gain share": pooled_share(results, "gain_share"),
        "log loss+": by_piece["excess_log_loss"].mean(),
    }
    return pd.DataFrame(columns).round(3).to_string()


@click.command()
@click.option("--world", "worlds", multiple=True, type=click.Choice([*NAMED_WORLDS, *STRANGERS]))
@click.option("--without", "pieces", multiple=True, type=click.Choice(list(PIECES)), help="All if not given.")
@click.option("--first-seed", default=FIRST_SEED, show_default=True)
@click.option("--seeds", default=2, show_default=True, help="Number of seeds.")
@click.option("--workers", default=2, show_default=True)
def main(worlds: tuple[str, ...], pieces: tuple[str, ...], first_seed: int, seeds: int, workers: int) -> None:
    """Print what each piece of the verdicts is worth, world by world."""
    numbers = list(range(first_seed, first_seed + seeds))
    chosen = list(dict.fromkeys((WHOLE, *(pieces or PIECES))))
    for world in worlds or TARGETS:
        click.echo(f"{world}\n{table_of(run(world, numbers, chosen, workers=workers))}\n")


if __name__ == "__main__":
    main()
