"""How good the pooled lives are, on families whose truth is known.

``python -m tests.measure.pooling`` prints what DEVELOPERS.md quotes: error beside maximum likelihood
family by family, coverage of the 90 % bands with few and many families, under truths that are not of
the model's form, for small risks, and under other priors; times.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from reliability.life.pooling import Hyperprior, pool
from tests.life.cases import status
from tests.measure.apart import Row, row, tell_parts
from tests.measure.pooling_worlds import SEED, SMALL_RISK, World, ask, draw, repeat

COVERAGE = (86.0, 97.0)
MOST_ERROR = 0.65
TIMES = {1000: 2.0, 10_000: 6.0}
REPEATS = {3: 240, 6: 140, 12: 80, 24: 50, 60: 25, 200: 10}


def tally_rows(
    label: str, world: World, n_families: int, repeats: int, *, targets: tuple[str, ...] = (), **how: Any
) -> list[Row]:
    """Coverage and error of some fleets, at the ages of `targets`, or without any of the curve."""
    rows, tallies = [], repeat(world, n_families, repeats, **how)
    for ages in targets or ("curve",):
        tally, what = tallies[ages], f"{label}, {n_families} families, {ages}"
        (cover, error), (ratio, of_ratio), (small, of_small, n) = (
            tally.cover(),
            tally.ratio(),
            tally.small_cover(),
        )
        # Outside only if it is so beyond twice the Monte Carlo error.
        within = COVERAGE[0] - 2 * error <= cover <= COVERAGE[1] + 2 * error
        measured = f"{cover:.1f} % ± {error:.1f} (mean width {np.mean(tally.width):.2f})"
        rows.append(row(f"90 % bands cover, {what}", measured, *(("86 to 97 %", within) if targets else ())))
        measured = f"{ratio:.2f} ± {of_ratio:.2f} (RMSE {np.sqrt(np.mean(tally.error)):.3f})"
        # At the ages inspected the share found failed is already good: there is no target there.
        low_enough = (f"≤ {MOST_ERROR}", ratio - 2 * of_ratio <= MOST_ERROR)
        target = low_enough if targets and ages == "curve" else ()
        rows.append(row(f"error beside maximum likelihood, {what}", measured, *target))
        measured = f"{small:.1f} % ± {of_small:.1f} ({n} cases)"
        rows.append(row(f"90 % bands cover true risks below {SMALL_RISK}, {what}", measured))
    return rows


def coverage_rows() -> list[Row]:
    """Coverage and error with few and many families, as modelled."""
    both = ("inspected", "curve")
    return [each for n, repeats in REPEATS.items()
            for each in tally_rows("as modelled", World(), n, repeats, targets=both)]  # fmt: skip


def other_truth_rows() -> list[Row]:
    """Coverage where families or lives are not as modelled."""
    return [each for form in ("heavy tails", "two groups", "uniform lives")
            for n, repeats in ((6, 100), (24, 40), (200, 6))
            for each in tally_rows(form, World(form), n, repeats, seed=1)]  # fmt: skip


_WIDTHS = (
    "scale_sd", "shape_sd", "scale_spread", "shape_spread", "kind_spread", "spread_sd", "slope_sd",
    "least_spread",
)  # fmt: skip
USUAL = Hyperprior()
OTHER_PRIORS = {
    "as it is": USUAL,
    "every width halved": replace(USUAL, **{name: getattr(USUAL, name) / 2 for name in _WIDTHS}),
    "every width doubled": replace(USUAL, **{name: getattr(USUAL, name) * 2 for name in _WIDTHS}),
    "shape 1": replace(USUAL, shape=1.0),
    "shape 4": replace(USUAL, shape=4.0),
    "spreads halved": replace(USUAL, scale_spread=0.175, shape_spread=0.1),
    "spreads doubled": replace(USUAL, scale_spread=0.7, shape_spread=0.4),
}


def prior_rows() -> list[Row]:
    """What other priors would have said of the same fleets."""
    return [each for n, repeats in ((3, 80), (12, 30), (60, 8))
            for name, prior in OTHER_PRIORS.items()
            for each in tally_rows(f"prior {name}", World(), n, repeats, prior=prior)]  # fmt: skip


def window_rows(repeats: int = 25, n_families: int = 6) -> list[Row]:
    """Production years known as windows: added up in the likelihood, and replaced by their middle.

    Asked at the ages by which 10, 25, 75 and 90 % have failed, among units inspected around the scale.
    Flattening is the error towards a curve that rises too slowly: too much at 10 %, too little at 90 %.
    """
    quantile = np.array([0.1, 0.25, 0.75, 0.9])
    rows = []
    for shape in (1.5, 3.0, 8.0):
        for width in (0, 4, 8):
            world = World(
                scale_years=(38.0, 42.0),
                scale_spread=(0.05, 0.15),
                shape=(shape, shape),
                shape_spread=(0.05, 0.1),
                records=(150, 200),
                window_years=width,
            )
            found: dict[str, list[tuple[float, float]]] = {"added up": [], "middle": []}
            for number in range(repeats):
                rng = np.random.default_rng([SEED, 5, int(10 * shape), width, number])
                fleet = draw(world, n_families, rng)
                age = fleet.scale[:, None] * (-np.log1p(-quantile)) ** (1 / fleet.shape[:, None])
                truth, family = fleet.truth(age), fleet.family.astype(str).astype(object)
                windows, finding = fleet.windows()
                for name, records, labels in (
                    ("added up", windows, family[finding]),
                    ("middle", fleet.middle(), family),
                ):
                    pooled = pool(records, component=np.full(labels.size, "part"), family=labels)
                    mean, low, high = ask(pooled, age)
                    hit = (low <= truth) & (truth <= high)
                    flattening = (mean - truth) * np.sign(0.5 - quantile)
                    found[name].append((100 * float(hit.mean()), float(flattening.mean())))
            said = "; ".join(f"{name} {_cover_and_bias(values)}" for name, values in found.items())
            rows.append(row(f"windows of {width} years, shape {shape:g}", said))
    return rows


def _cover_and_bias(values: list[tuple[float, float]]) -> str:
    cover, bias = np.array(values).T
    error, doubt = (each.std(ddof=1) / np.sqrt(cover.size) for each in (cover, bias))
    return f"cover {cover.mean():.1f} % ± {error:.1f}, flattening {bias.mean():+.3f} ± {doubt:.3f}"


def time_rows() -> list[Row]:
    """Time of a fit: 20 components, production years told apart, 3 to 20 records in a stratum."""
    rows = []
    for size, most in TIMES.items():
        rng = np.random.default_rng([SEED, 4, size])
        fleets = [draw(World(), size // 20, rng) for _ in range(20)]
        labels = [np.full(f.family.size, f"part {i}", dtype=object) for i, f in enumerate(fleets)]
        family = np.concatenate([f.family.astype(str).astype(object) for f in fleets])
        age, failed = (np.concatenate([getattr(f, name) for f in fleets]) for name in ("age", "failed"))
        how = {"component": np.concatenate(labels), "family": family, "year": np.round(2026 - age)}
        work = partial(pool, status(age, failed), **how)
        taken, clock = min(_seconds(work) for _ in range(3))
        told = f"{taken:.1f} s of one processor ({clock:.1f} s by the clock)"
        rows.append(row(f"pooled posterior, {size:,} strata", told, f"≤ {most:g} s", taken <= most))
    return rows


def _seconds(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of processor time, and by the clock."""
    start, clock = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - start, time.perf_counter() - clock


def rows() -> list[Row]:
    """Every row of the study."""
    return [each for part in PARTS.values() for each in part()]


PARTS = {
    "time": time_rows, "coverage": coverage_rows, "other_truth": other_truth_rows, "prior": prior_rows,
    "window": window_rows,
}  # fmt: skip

if __name__ == "__main__":
    tell_parts(**PARTS)
