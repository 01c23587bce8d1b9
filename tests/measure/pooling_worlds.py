"""Families whose truth is known, pooled and fitted one by one, and how far off both are."""

from dataclasses import dataclass, field

import numpy as np

from reliability.life.lives import LifeRecords
from reliability.life.pooling import Hyperprior, PooledLives, pool
from reliability.life.weibull import weibull_fits
from tests.life.cases import status

SEED = 20261124
LEVEL = 0.90
SMALL_RISK = 0.05


@dataclass(frozen=True)
class World:
    """Families of one component and how they are seen: once each, failed or not, at some age.

    The typical scale, shape and spreads are drawn anew for each repeat, from these ranges and not from
    the prior of the model.
    """

    form: str = "as modelled"
    scale_years: tuple[float, float] = (18.0, 45.0)
    shape: tuple[float, float] = (1.5, 4.5)
    scale_spread: tuple[float, float] = (0.2, 0.6)
    shape_spread: tuple[float, float] = (0.1, 0.35)
    records: tuple[int, int] = (3, 20)
    window_years: int = 0


@dataclass(frozen=True)
class Fleet:
    """One drawn world; arrays of shape (n_families,) or (n_records,)."""

    scale: np.ndarray
    shape: np.ndarray
    is_uniform: bool
    family: np.ndarray
    age: np.ndarray
    failed: np.ndarray
    window_years: int
    place_in_window: np.ndarray

    def windows(self) -> tuple[LifeRecords, np.ndarray]:
        """Findings of units whose year is known as a window only, and the finding of each row."""
        width = self.window_years + 1
        finding = np.repeat(np.arange(self.age.size), width)
        other = np.tile(np.arange(width), self.age.size) - self.place_in_window[finding]
        age = np.maximum(self.age[finding] - other, 1 / 12)
        return status(age, self.failed[finding], record=finding), finding

    def middle(self) -> LifeRecords:
        """The same with every window replaced by its middle."""
        age = np.maximum(self.age + self.place_in_window - self.window_years / 2, 1 / 12)
        return status(age, self.failed)

    def records(self) -> LifeRecords:
        """Findings as life records, one stratum per family."""
        return status(self.age, self.failed, stratum=self.family)

    def truth(self, age: np.ndarray) -> np.ndarray:
        """True share failed by an age; `age` has families along its first axis."""
        scale, shape = self.scale[:, None], self.shape[:, None]
        if self.is_uniform:
            return np.minimum(age / (2 * scale), 1.0)
        return -np.expm1(-((age / scale) ** shape))


def draw(world: World, n_families: int, rng: np.random.Generator) -> Fleet:
    """Draw families and what was found in their units, 25 to 55 years old."""
    typical = np.log(rng.uniform(*world.scale_years))
    spread, shape_spread = rng.uniform(*world.scale_spread), rng.uniform(*world.shape_spread)
    noise = rng.normal(size=n_families)
    if world.form == "heavy tails":
        noise = rng.standard_t(2, size=n_families)
    if world.form == "two groups":
        noise = np.sign(noise) + 0.2 * rng.normal(size=n_families)
    scale = np.exp(typical + spread * noise)
    shape = np.exp(np.log(rng.uniform(*world.shape)) + shape_spread * rng.normal(size=n_families))
    n = rng.integers(world.records[0], world.records[1] + 1, size=n_families)
    family = np.repeat(np.arange(n_families), n)
    # Units of one family were built within a few years and come in over a few more.
    age = np.round((rng.uniform(30, 50, n_families)[family] + rng.uniform(-5, 5, family.size)) * 12) / 12
    # A window comes first (a block of numbers, a catalogue), and the true year is any one within it. Windows
    # laid around the true year would reach beyond the years in which the family was made.
    place = rng.spawn(1)[0].integers(0, world.window_years + 1, size=family.size)
    age += world.window_years / 2 - place
    is_uniform = world.form == "uniform lives"
    life = scale[family] * (
        2 * rng.random(family.size) if is_uniform else rng.weibull(shape[family], family.size)
    )
    return Fleet(scale, shape, is_uniform, family, age, life <= age, world.window_years, place)


def fit(fleet: Fleet, prior: Hyperprior | None = None) -> PooledLives:
    """Pool the families of one component."""
    family = fleet.family.astype(str).astype(object)
    return pool(fleet.records(), component=np.full(family.size, "part"), family=family, prior=prior)


def ask(pooled: PooledLives, age: np.ndarray) -> np.ndarray:
    """Mean, low and high of P(failed); `age` has families along its first axis."""
    names = np.arange(age.shape[0]).astype(str).astype(object)
    return np.stack(pooled.failed_by("part", names[:, None], age, level=LEVEL))


def by_family(fleet: Fleet, age: np.ndarray) -> np.ndarray:
    """Maximum likelihood of each family; where there is none, the share that was found failed."""
    fitted = weibull_fits(fleet.records())
    with np.errstate(over="ignore"):
        share = -np.expm1(-((age / fitted.scale[:, None]) ** fitted.shape[:, None]))
    return np.where(fitted.usable[:, None], share, (fitted.n_failed / fitted.n_records)[:, None])


@dataclass
class Tally:
    """Sums over repeats of one world; errors come from the spread between repeats."""

    hits: list[float] = field(default_factory=list)
    error: list[float] = field(default_factory=list)
    error_alone: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    small_hits: list[tuple[int, int]] = field(default_factory=list)

    def cover(self) -> tuple[float, float]:
        """Coverage in percent, with its Monte Carlo standard error."""
        hits = 100 * np.array(self.hits)
        return float(hits.mean()), float(hits.std(ddof=1) / np.sqrt(hits.size))

    def small_cover(self) -> tuple[float, float, int]:
        """The same where the true risk is small, and how many such cases there were."""
        hits, n = np.array(self.small_hits, dtype=float).T
        share = hits.sum() / max(n.sum(), 1)
        spread = np.sqrt(((hits - share * n) ** 2).sum()) / max(n.sum(), 1)
        return float(100 * share), float(100 * spread), int(n.sum())

    def ratio(self) -> tuple[float, float]:
        """Root mean squared error as a share of that of maximum likelihood, with its error (jackknife)."""
        ours, alone = np.array(self.error), np.array(self.error_alone)
        left_out = np.sqrt((ours.sum() - ours) / (alone.sum() - alone))
        n = ours.size
        return float(np.sqrt(ours.sum() / alone.sum())), float(
            np.sqrt((n - 1) ** 2 / n) * left_out.std(ddof=1)
        )


def repeat(
    world: World, n_families: int, repeats: int, *, seed: int = 0, prior: Hyperprior | None = None
) -> dict[str, Tally]:
    """Draw, fit and compare `repeats` fleets of one world, at two sets of ages.

    "inspected": three ages per family of units like those that were inspected. There the share found
    failed is a good estimate by itself. "curve": 20, 30, 40 and 50 years for every family.
    """
    tallies = {name: Tally() for name in ("inspected", "curve")}
    for number in range(repeats):
        rng = np.random.default_rng([SEED, seed, n_families, number])
        fleet = draw(world, n_families, rng)
        pooled = fit(fleet, prior)
        curve = np.tile([20.0, 30.0, 40.0, 50.0], (n_families, 1))
        for name, age in (("inspected", inspected_ages(fleet, n_families, rng)), ("curve", curve)):
            _count(tallies[name], fleet, pooled, age)
    return tallies


def _count(tally: Tally, fleet: Fleet, pooled: PooledLives, age: np.ndarray) -> None:
    truth = fleet.truth(age)
    mean, low, high = ask(pooled, age)
    hit, small = (low <= truth) & (truth <= high), truth < SMALL_RISK
    tally.hits.append(float(hit.mean()))
    tally.small_hits.append((int(hit[small].sum()), int(small.sum())))
    tally.width.append(float((high - low).mean()))
    tally.error.append(float(np.mean((mean - truth) ** 2)))
    tally.error_alone.append(float(np.mean((by_family(fleet, age) - truth) ** 2)))


def inspected_ages(fleet: Fleet, n_families: int, rng: np.random.Generator) -> np.ndarray:
    """Three ages per family, of units like those that were inspected; shape (n_families, 3)."""
    middle = np.bincount(fleet.family, fleet.age, n_families) / np.bincount(
        fleet.family, minlength=n_families
    )
    return middle[:, None] + rng.uniform(-5, 5, size=(n_families, 3))
