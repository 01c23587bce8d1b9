"""How good the odds of a repair are on real data, and where findings are missing.

``python -m tests.measure.real_ledgers`` prints the log loss of the verdicts' chances beside that of plainer
methods: on open repair data, as one ledger and as small benches, each judged from its older jobs; and on
jobs of the demo kept apart at random, with ever fewer of its findings. Open repair data lies outside the
repository, in a folder that ``BENCHODDS_OPEN_REPAIR`` or ``--folder`` names.
"""

import datetime
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import click
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from reliability.records.frames import Records, read_records
from reliability.records.ledger import open_ledger
from reliability.records.open_repair import import_open_repair
from reliability.records.package import load_package_records
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import judge, offers_from
from tests.measure.apart import Row, frames, row
from tests.measure.baselines import Bench, beta_binomial, boosting, own_rate, read_bench, ridge_logistic

FOLDER = "BENCHODDS_OPEN_REPAIR"
DEMO = Path(__file__).parents[2] / "data" / "demo"
OURS, RIDGE, OWN_RATE = "benchodds", "ridge logistic", "own rate"
METHODS = (OURS, RIDGE, "boosting", "beta-binomial", OWN_RATE)
SEEDS = range(1, 6)
SHARE_OF_JOBS = 0.7
#: A group with fewer finished jobs is no bench: its last three in ten would be one or two.
FEWEST_OF_A_GROUP = 10
#: Jobs of a stretch of one group's time, which is a small bench too: the sample has few groups, some large.
STRETCH = 40
#: Verdicts are rounded to four decimals, so a chance of "0" is anything below this.
SMALLEST = 5e-5
#: Boosting takes no more categories than bins.
MOST_CATEGORIES = 250
SETS = ("one ledger", "benches by group", f"stretches of {STRETCH}")
NO_DATA = "not measured: no data"


@dataclass(frozen=True)
class Split:
    """A ledger, units that came to the same bench and are not in it, and whether they were repaired."""

    name: str
    records: Records
    offers: list[dict[str, object]]
    repaired: NDArray[np.bool_]
    as_of: datetime.date


def chances_of(
    records: Records, offers: Sequence[Mapping[str, object]], as_of: datetime.date
) -> pd.DataFrame:
    """Forecast every offer by every method; one row per offer, in their order."""
    units = offers_from(offers)
    ours = judge(units, fit_appraiser(records, as_of=as_of))["success_chance"].to_numpy()
    bench = read_bench(records, units)
    # Prices are not known everywhere, and only chances are asked for.
    bench = replace(
        bench, jobs=bench.jobs.assign(working_price=1.0), offers=bench.offers.assign(working_price=1.0)
    )
    plainer = {
        RIDGE: ridge_logistic(bench),
        "boosting": boosting(_fewer_families(bench))
        if bench.jobs["repaired"].nunique() == 2
        else own_rate(bench),
        "beta-binomial": beta_binomial(bench),
        OWN_RATE: own_rate(bench),
    }
    return pd.DataFrame({OURS: ours, **{name: said["success_chance"] for name, said in plainer.items()}})


def _fewer_families(bench: Bench) -> Bench:
    """Take all but the commonest families for one: boosting can tell no more of them apart."""
    rare = bench.jobs["family"].value_counts().index[MOST_CATEGORIES:]
    jobs, offers = (
        table.assign(family=table["family"].mask(table["family"].isin(rare), "rare"))
        for table in (bench.jobs, bench.offers)
    )
    return replace(bench, jobs=jobs, offers=offers)


def log_losses(chances: pd.DataFrame, repaired: NDArray[np.bool_]) -> pd.DataFrame:
    """Log loss of every forecast; shaped as the forecasts."""
    kept = chances[list(METHODS)].clip(SMALLEST, 1 - SMALLEST)
    return -np.log(kept.where(pd.Series(repaired, index=kept.index), 1 - kept, axis=0))


def calibration(chance: NDArray[np.float64], repaired: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Slope, its standard error and intercept of a logistic regression of outcomes on the log odds."""
    odds = logit(np.clip(chance, SMALLEST, 1 - SMALLEST))

    def loss(at: NDArray[np.float64]) -> float:
        line = at[0] + at[1] * odds
        return float(np.logaddexp(0.0, line).mean() - (line * repaired).mean())

    intercept, slope = minimize(loss, np.zeros(2), tol=1e-8).x
    p = expit(intercept + slope * odds)
    around = odds - np.average(odds, weights=p * (1 - p))
    return float(slope), float((p * (1 - p) @ around**2) ** -0.5), float(intercept)


def open_repair_records(folder: Path) -> Records:
    """Import open repair data as one bench's own finished jobs; their remarks tell only the group."""
    with TemporaryDirectory() as scratch, open_ledger(Path(scratch) / "bench.db", create=True) as ledger:
        import_open_repair(folder, ledger, kinds=None)
        records = read_records(ledger)
    jobs = records.jobs[records.jobs["outcome"] != "open"].sort_values("taken_in", kind="stable")
    group = jobs["remarks"].fillna(jobs["origin"])
    # Jobs with an origin count at a discount and are nobody's own; here they stand for a bench's own.
    return replace(records, jobs=jobs.assign(origin=None, remarks=group).reset_index(drop=True))


def split_by_age(name: str, records: Records) -> Split | None:
    """Take the later jobs for offers, whole days together; None if all came on one day."""
    # A provider's numbers would read as gaps: every bench gives out its own.
    numbers = [f"{i:06d}" for i in range(1, len(records.jobs) + 1)]
    jobs = records.jobs.assign(job=numbers, remarks=None).reset_index(drop=True)
    until = jobs["taken_in"].value_counts().sort_index().cumsum()
    if len(until) < 2:
        return None
    cut = (until.iloc[:-1] - SHARE_OF_JOBS * len(jobs)).abs().idxmin()
    return _split(name, replace(records, jobs=jobs), (jobs["taken_in"] > cut).to_numpy(), cut.date())


def _split(name: str, records: Records, held_out: NDArray[np.bool_], as_of: datetime.date) -> Split:
    jobs, out = records.jobs[~held_out], records.jobs[held_out]
    signs = records.signs[records.signs["job"].isin(out["job"])].pivot(
        index="job", columns="sign", values="seen"
    )
    days = out["taken_in"].dt.strftime("%Y-%m-%d")
    units = out[["job", "family", "built_from", "built_to"]].assign(seen_on=days)
    units = units.rename(columns={"job": "offer"}).merge(signs, how="left", left_on="offer", right_index=True)
    written = {
        table: getattr(records, table)[getattr(records, table)["job"].isin(jobs["job"])]
        for table in ("findings", "signs", "followups")
    }
    families = records.families[records.families["family"].isin(records.jobs["family"])]
    # What is held out was not forgotten: as withdrawn numbers they are no gaps.
    withdrawn = (*records.withdrawn, *out["job"])
    tables = {"jobs": jobs, "families": families, **written}
    whole = {table: frame.reset_index(drop=True) for table, frame in tables.items()}
    apart = replace(records, withdrawn=withdrawn, **whole)
    return Split(name, apart, units.to_dict("records"), (out["outcome"] == "repaired").to_numpy(), as_of)


def open_repair_splits(folder: Path) -> dict[str, list[Split]]:
    """Split open repair data as one ledger, by group, and by stretches of each group's time."""
    records = open_repair_records(folder)
    groups = [(str(name), jobs) for name, jobs in records.jobs.groupby("remarks")]
    large = [(name, jobs) for name, jobs in groups if len(jobs) >= FEWEST_OF_A_GROUP]
    stretches = [
        (f"{name} {i + 1}", jobs.iloc[at])
        for name, jobs in large
        for i, at in enumerate(np.array_split(np.arange(len(jobs)), max(round(len(jobs) / STRETCH), 1)))
    ]
    found = {}
    for of_set, benches in zip(SETS, ([("all", records.jobs)], large, stretches), strict=True):
        splits = [split_by_age(name, replace(records, jobs=jobs)) for name, jobs in benches]
        found[of_set] = [split for split in splits if split]
    return found


@threadpool_limits.wrap(limits=1)
def forecast(split: Split) -> pd.DataFrame:
    """Forecast all offers of a split; one row per offer, with `repaired`, `bench` and its `jobs`."""
    found = chances_of(split.records, split.offers, split.as_of)
    return found.assign(repaired=split.repaired, bench=split.name, jobs=len(split.records.jobs))


def by_bench(found: pd.DataFrame) -> pd.DataFrame:
    """Mean log losses of each bench, with its jobs and offers and the share repaired of both."""
    losses = log_losses(found, found["repaired"].to_numpy()).groupby(found["bench"], sort=False).mean()
    counts = found.groupby("bench", sort=False).agg(
        jobs=("jobs", "first"),
        before=(OWN_RATE, "first"),
        offers=("jobs", "size"),
        repaired=("repaired", "mean"),
    )
    return counts.join(losses)


def summary_of(found: pd.DataFrame) -> dict[str, float]:
    """Losses and calibration over all offers together, and how many benches beat their own rate."""
    repaired, chance = found["repaired"].to_numpy(), found[OURS].to_numpy()
    losses, benches = log_losses(found, repaired), by_bench(found)
    beyond = losses[OURS] - losses[RIDGE]
    slope, slope_error, intercept = calibration(chance, repaired)
    return {
        "benches": len(benches),
        "offers": len(found),
        **losses.mean().to_dict(),
        "ours/ridge": losses[OURS].mean() / losses[RIDGE].mean(),
        "ours-ridge": beyond.mean(),
        "its error": beyond.std() / np.sqrt(len(beyond)),
        "slope": slope,
        "slope error": slope_error,
        "logit intercept": intercept,
        "outcome-forecast": repaired.mean() - chance.mean(),
        "its error ": repaired.std() / np.sqrt(len(found)),
        "beat own rate": float((benches[OURS] < benches[OWN_RATE]).mean()),
    }


def split_at_random(records: Records, seed: int) -> Split:
    """Hold out three finished jobs in ten."""
    finished = (records.jobs["outcome"] != "open").to_numpy().nonzero()[0]
    chosen = np.random.default_rng(seed).permutation(finished)[round(SHARE_OF_JOBS * finished.size) :]
    held_out = np.isin(np.arange(len(records.jobs)), chosen)
    return _split(f"seed {seed}", records, held_out, records.last_date())


def _half_the_findings(records: Records, seed: int) -> Records:
    some = records.findings.sample(frac=0.5, random_state=np.random.default_rng(seed)).sort_index()
    return replace(records, findings=some.reset_index(drop=True))


def _no_findings(records: Records, **ends: None) -> Records:
    return replace(records, findings=records.findings.iloc[:0], jobs=records.jobs.assign(**ends))


VARIANTS: dict[str, Callable[[Records, int], Records]] = {
    "whole": lambda records, _: records,
    "half the findings": _half_the_findings,
    "no findings": lambda records, _: _no_findings(records),
    "no findings, no ends": lambda records, _: _no_findings(records, ended_by=None, ended_why=None),
}


def demo_losses(seeds: Iterable[int] = SEEDS) -> pd.DataFrame:
    """Mean log losses on jobs of the demo that were held out; one row per variant and seed."""
    records, found = load_package_records(DEMO), {}
    for seed in seeds:
        split = split_at_random(records, seed)
        for name, change in VARIANTS.items():
            chances = chances_of(change(split.records, seed), split.offers, split.as_of)
            found[name, seed] = log_losses(chances, split.repaired).mean()
    return pd.DataFrame(found).T.rename_axis(["variant", "seed"])


def forecasts_by_set(folder: Path | None, workers: int) -> dict[str, pd.DataFrame]:
    """Forecast the offers of each set; nothing without the data."""
    splits = open_repair_splits(folder) if folder else {}
    return {name: frames(forecast, some, workers=workers) for name, some in splits.items()}


def rows() -> list[Row]:
    """Compare with the targets."""
    found = {name: summary_of(each) for name, each in forecasts_by_set(_folder(None), 2).items()}
    measured = [line for name in SETS for line in _open_rows(name, found.get(name))]
    return [*measured, *_demo_rows(demo_losses())]


def _open_rows(name: str, found: dict[str, float] | None) -> list[Row]:
    lines = [
        ("ours/ridge", "log loss over ridge logistic's", "{:.3f}", "<= 0.995", 0.0, 0.995),
        ("slope", "slope of outcomes on log odds", "{:.2f}", "0.85 to 1.15", 0.85, 1.15),
        ("outcome-forecast", "outcomes less forecasts", "{:+.3f}", "within 0.05", -0.05, 0.05),
        ("beat own rate", "benches where it beats the own rate", "{:.0%}", ">= 60 %", 0.6, 1.0),
    ]
    if name == SETS[0]:
        lines = lines[:-1]
    told = []
    for key, what, form, target, low, high in lines:
        shown = NO_DATA if found is None else form.format(found[key])
        ok = None if found is None else bool(low <= found[key] <= high)
        told.append(row(f"{what}, open repair, {name}", shown, target, ok))
    return told


def _demo_rows(losses: pd.DataFrame) -> list[Row]:
    told = []
    for name, means in losses.groupby("variant", sort=False).mean().iterrows():
        plainer = means.drop(OURS)
        ratio = means[OURS] / plainer.min()
        measured = f"{ratio:.3f} of {means[OURS]:.3f}/{plainer.min():.3f} ({plainer.idxmin()})"
        told.append(
            row(f"log loss over the best plain method's, demo, {name}", measured, "<= 1", bool(ratio <= 1))
        )
    return told


def _folder(named: Path | None) -> Path | None:
    folder = named or Path(os.environ.get(FOLDER) or os.devnull)
    return folder if folder.is_dir() else None


@click.command()
@click.option("--folder", type=click.Path(path_type=Path), help=f"Open repair data; else ${FOLDER}.")
@click.option("--workers", default=2, show_default=True)
def main(folder: Path | None, workers: int) -> None:
    """Print how good the odds are on open repair data, and on the demo with fewer findings."""
    found, losses = forecasts_by_set(_folder(folder), workers), demo_losses()
    beyond = losses.sub(losses[OURS], axis=0).groupby("variant", sort=False)
    together = pd.DataFrame({name: summary_of(each) for name, each in found.items()})
    told = {name: by_bench(each) for name, each in found.items()}
    told |= {"all offers together": together if found else pd.Series(NO_DATA), "demo": losses}
    told |= {
        "means": losses.groupby("variant", sort=False).mean(),
        "standard errors beyond ours": beyond.sem(),
    }
    for what, table in told.items():
        click.echo(f"{what}\n{table.round(4).to_string()}\n")


if __name__ == "__main__":
    main()
