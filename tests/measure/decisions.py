"""How good the decisions are, in worlds whose truth is known.

Some worlds are of this project's own making (`tests.simulate`), the others ("module: variant", in
`tests.worlds`) were written by people who did not know the model that is judged in them.
``python -m tests.measure.decisions`` prints, per world, the share of an oracle's gain, the
loss beyond that of the true odds, coverage and losers among the taken, for the verdicts, for
plainer methods, and for verdicts without a piece. Seeds from 101 on are for reporting; tune on smaller ones.
"""

import math
import pkgutil
from collections.abc import Sequence
from importlib import import_module
from typing import Any

import click
import pandas as pd
from threadpoolctl import threadpool_limits

import tests.worlds
from reliability.records.frames import records_from_rows
from reliability.worth.judging import offers_from
from tests.measure.ablation import PIECES, WHOLE, Piece
from tests.measure.apart import Row, frames, row, tell
from tests.measure.baselines import BASELINES, read_bench
from tests.simulate.fleet import make_offers, make_world, run_bench
from tests.simulate.truth import score
from tests.simulate.world import NAMED_WORLDS

OURS = "benchodds"
FIRST_SEED, SEEDS, OFFERS = 101, 24, 400
#: How many times as many seeds a world is given: with 30 jobs single seeds differ by a tenth of the gain.
MORE_SEEDS = {"cold start": 3}
#: Excess loss over the best plainer method's at most, and in worlds whose benches examine nothing.
MOST_LOSS, MOST_BARE_LOSS = 0.6, 1.0
#: Worlds without findings.
BARE = "outcome_only"
#: Share of the oracle's gain that the verdicts must reach; elsewhere at least that of every plainer method.
TARGETS = {"few families": 0.89, "many families": 0.78, "cold start": 0.67, "damp": 0.88}
TARGETS |= dict.fromkeys(("year effect", "strong signs", "left out", "careless"), 0.86)
COLUMNS = {
    "gain_share": "gain share",
    "excess_log_loss": "log loss+",
    "success_cover": "odds in 90 %",
    "gain_cover": "gain in 80 %",
    "losers": "losers",
    "predicted_losers": "predicted",
    "taken": "taken",
}


def strangers() -> dict[str, tuple[str, str]]:
    """Modules and variants of `tests.worlds` by the names of their worlds."""
    names = sorted(module.name for module in pkgutil.iter_modules(tests.worlds.__path__))
    found = {name: import_module(f"tests.worlds.{name}").VARIANTS for name in names if name[:5] != "test_"}
    return {f"{name}: {variant}": (name, variant) for name, some in found.items() for variant in some}


STRANGERS = strangers()


def drawn_by(name: str, seed: int, offers: int = OFFERS) -> tests.worlds.Drawn:
    """Draw a ledger, offers and their truth."""
    if name in STRANGERS:
        module, variant = STRANGERS[name]
        return import_module(f"tests.worlds.{module}").draw(variant, seed, offers)
    world = make_world(name, seed)
    rows, truth = make_offers(world, offers, seed)
    return tests.worlds.Drawn(run_bench(world, world.usual_jobs, seed), rows, truth, world.end)


def taken_out(pieces: Sequence[str]) -> dict[str, Piece]:
    """The verdicts as they are, and without each of these pieces."""
    return {OURS: PIECES[WHOLE], **{f"without {name}": PIECES[name] for name in pieces}}


@threadpool_limits.wrap(limits=1)
def run_task(world: str, seed: int, n_offers: int, without: Sequence[str] = ()) -> pd.DataFrame:
    """Draw a world, its ledger and offers; judge them by every method; one row per method."""
    drawn = drawn_by(world, seed, n_offers)
    records = records_from_rows(drawn.tables)
    offers = offers_from(drawn.offers)
    margin = records.settings.margin
    said = {name: piece.verdicts(records, offers, drawn.as_of) for name, piece in taken_out(without).items()}
    bench = read_bench(records, offers)
    said |= {name: method(bench) for name, method in BASELINES.items()}
    scores = [{"method": name, **score(v, drawn.truth, margin=margin)} for name, v in said.items()]
    return pd.DataFrame(scores).assign(world=world, seed=seed)


def pooled_share(found: pd.DataFrame, column: str) -> pd.Series:
    """Gain over all seeds as a share of the oracle's: shares of one seed's small gain are unstable."""
    gain = (found[column] * found["oracle_gain"]).groupby(found["method"], sort=False).sum()
    return gain / found.groupby("method", sort=False)["oracle_gain"].sum()


def table_of(results: pd.DataFrame) -> str:
    """Lay out means over seeds, with the standard error of the gain share, per world."""
    lines = []
    for world, found in results.groupby("world", sort=False):
        by_method = found.groupby("method", sort=False)
        means = by_method[list(COLUMNS)].mean().rename(columns=COLUMNS)
        means["gain share"] = pooled_share(found, "gain_share")
        means.insert(1, "+-", by_method["gain_share"].std() / math.sqrt(found["seed"].nunique()))
        target = f", target {TARGETS[str(world)]:.2f}" if world in TARGETS else ""
        lines += [f"{world} ({found['seed'].nunique()} seeds{target})", means.round(3).to_string(), ""]
    return "\n".join(lines)


def seeds_of(world: str, seeds: list[int]) -> list[int]:
    """Seeds of one world: `seeds`, which follow each other, and those after them where it takes more."""
    return [seeds[0] + i for i in range(len(seeds) * MORE_SEEDS.get(world, 1))]


def run(
    worlds: list[str],
    seeds: list[int],
    *,
    offers: int = OFFERS,
    workers: int = 2,
    without: Sequence[str] = (),
) -> pd.DataFrame:
    """Run all tasks; one row per world, seed and method. Seeds follow each other."""
    tasks = [(world, seed, offers, without) for world in worlds for seed in seeds_of(world, seeds)]
    return frames(run_task, *zip(*tasks, strict=True), workers=workers)


def rows(seeds: int = SEEDS) -> list[Row]:
    """Compare every world with its targets, on seeds that nothing was tuned on."""
    numbers = list(range(FIRST_SEED, FIRST_SEED + seeds))
    own, others = (
        run(worlds, some)
        for worlds, some in ((list(NAMED_WORLDS), numbers), (list(STRANGERS), numbers[: seeds // 2]))
    )
    return target_rows(pd.concat([own, others], ignore_index=True))


def target_rows(results: pd.DataFrame) -> list[Row]:
    """Every target of every world."""
    results = results[~results["method"].str.startswith("without ")]
    return [*share_rows(results), *loss_rows(results), *honesty_rows(results)]


def share_rows(results: pd.DataFrame) -> list[Row]:
    """Share of the oracle's gain, with its standard error over the seeds."""
    found = []
    for world, of_world in results.groupby("world", sort=False):
        shares = pooled_share(of_world, "gain_share")
        share, error = shares[OURS], of_world.loc[of_world["method"] == OURS, "gain_share"].sem()
        target = TARGETS.get(str(world), shares.drop(OURS).max())
        what = f"share of the oracle's gain, {world}"
        found.append(row(what, f"{share:.3f} +- {error:.3f}", f">= {target:.2f}", bool(share >= target)))
    return found


def loss_rows(results: pd.DataFrame) -> list[Row]:
    """Log loss beyond the true odds over the best plainer method's."""
    found = []
    for world, of_world in results.groupby("world", sort=False):
        most = MOST_BARE_LOSS if str(world).startswith(BARE) else MOST_LOSS
        loss = of_world.groupby("method")["excess_log_loss"].mean()
        ours, best = loss[OURS], loss.drop(OURS).min()
        what = f"excess log loss over the best plainer method's, {world}"
        found.append(row(what, f"{ours / best:.2f}", f"<= {most}", bool(ours <= most * best)))
    return found


def honesty_rows(results: pd.DataFrame) -> list[Row]:
    """Coverage of both intervals; losers against the predicted ones, with standard errors over the seeds."""
    ours = results[results["method"] == OURS]
    found = []
    for column, what, low, high in (
        ("success_cover", "intervals of 90 % hold the true odds", 80, 97),
        ("gain_cover", "intervals of 80 % hold the gain", 74, 87),
    ):
        for world, share in (100 * ours.groupby("world", sort=False)[column].mean()).items():
            target, ok = f"{low} to {high} %", bool(low <= share <= high)
            found.append(row(f"{what}, {world}", f"{share:.0f} %", target, ok))
    beyond = (100 * (ours["losers"] - ours["predicted_losers"])).groupby(ours["world"], sort=False)
    for world, (points, error) in beyond.agg(["mean", "sem"]).iterrows():
        what = f"losers among the taken beyond the predicted, {world}"
        found.append(row(what, f"{points:+.1f} +- {error:.1f} points", "within 3", bool(abs(points) <= 3)))
    return found


EVERY = [*NAMED_WORLDS, *STRANGERS]


@click.command()
@click.option("--world", "worlds", multiple=True, type=click.Choice(EVERY), help="All if not given.")
@click.option("--first-seed", default=FIRST_SEED, show_default=True)
@click.option("--seeds", default=SEEDS, show_default=True, help="Thrice as many for a cold start.")
@click.option("--offers", default=OFFERS, show_default=True)
@click.option("--workers", default=2, show_default=True)
@click.option("--without", multiple=True, type=click.Choice(list(PIECES)), help="A piece to be taken out.")
def main(worlds: tuple[str, ...], first_seed: int, seeds: int, **how: Any) -> None:
    """Print how good the decisions are in worlds whose truth is known."""
    results = run(list(worlds or EVERY), list(range(first_seed, first_seed + seeds)), **how)
    click.echo(table_of(results))
    tell(target_rows(results))


if __name__ == "__main__":
    main()
