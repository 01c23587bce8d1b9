"""How often the search for a change year finds one, where there is none and where there is one.

``python -m tests.measure.changes`` prints what DEVELOPERS.md quotes; ``--runs`` and ``--units`` say how
many searches of which size, and names of parts which part: alarms, benches, power, discoveries. Lives
are of forms that the search knows nothing of; seeds are used nowhere else.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import product
from typing import Any
from zlib import crc32

import click
import numpy as np
import pandas as pd
from scipy.stats import norm, t

from reliability.life.years import find_changes
from tests.life.cases import status
from tests.measure.apart import Row, row, tell

SEED = 20261125
LEVEL = 0.05
PROMISED = (4.0, 6.0)
UNITS = (12, 30, 100)
# A search among fewer units whose state was open (each counted by 4 F (1 - F)) has too few possible
# outcomes to reach 5 %.
ENOUGH_OPEN = 10.0
FIRST_YEAR, LAST_INTAKE = 1976, 2024
DRAWS = 799  # at 5 % the search stops at about as many anyway


def _weibull(shape: float, scale: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda age: -np.expm1(-((age / scale) ** shape))


def _uniform(low: float, high: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda age: np.clip((age - low) / (high - low), 0, 1)


def _mixed(share: float, one: Callable, other: Callable) -> Callable[[np.ndarray], np.ndarray]:
    return lambda age: share * one(age) + (1 - share) * other(age)


# Share failed by an age. Units are 29 to 48 years old.
FORMS: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "Weibull, shape 1.2": _weibull(1.2, 45),
    "Weibull, shape 2": _weibull(2, 44),
    "Weibull, shape 4": _weibull(4, 41),
    "Weibull, shape 8": _weibull(8, 40),
    "lognormal, spread 0.25": lambda age: norm.cdf(np.log(age / 39) / 0.25),
    "lognormal, spread 0.7": lambda age: norm.cdf(np.log(age / 42) / 0.7),
    "log-logistic, shape 3": lambda age: 1 / (1 + (age / 41) ** -3),
    "log-logistic, shape 9": lambda age: 1 / (1 + (age / 38) ** -9),
    "two groups, scales 28 and 70": _mixed(0.4, _weibull(5, 28), _weibull(5, 70)),
    "half within four years": _mixed(0.5, _uniform(35, 39), _uniform(40, 130)),
    "uniform to 85": _uniform(0, 85),
    "uniform, 28 to 52": _uniform(28, 52),
    "heavy tails (t, 2 degrees)": lambda age: t.cdf(np.log(age / 40) / 0.35, 2),
    "a third early, others never": lambda age: np.full(age.shape, 0.35),
    "rare (Weibull 4, a fifth failed)": _weibull(4, 58),
    "most (Weibull 4, four fifths failed)": _weibull(4, 32),
}


@dataclass(frozen=True)
class Bench:
    """One component of one family: built over some years, inspected over some calendar years.

    `window_share` of the units have a year known as a window only; `parts` of each unit fail by
    themselves. Units of the later half of years age by 1 / `factor` years a year.
    """

    form: str
    units: int
    years: int = 12
    inspected_years: float = 8.0
    window_share: float = 0.0
    parts: int = 1
    factor: float = 1.0

    @property
    def change(self) -> int:
        """First of the later half of years."""
        return FIRST_YEAR + self.years // 2

    def draw(self, rng: np.random.Generator) -> "Seen":
        """Draw units and what was found."""
        year = rng.integers(FIRST_YEAR, FIRST_YEAR + self.years, self.units).astype(np.float64)
        taken_in = rng.uniform(LAST_INTAKE - self.inspected_years, LAST_INTAKE, self.units)
        age = np.maximum(np.round((taken_in - year - 0.5) * 12), 1) / 12
        share = FORMS[self.form](age / np.where(year >= self.change, self.factor, 1.0))
        year[rng.random(self.units) < self.window_share] = np.nan
        unit = np.repeat(np.arange(self.units), self.parts)
        failed = rng.random(unit.size) < share[unit]
        doubt = 4 * share * (1 - share)
        return Seen(year[unit], age[unit], failed, unit, float(doubt[~np.isnan(year)].sum()))


@dataclass(frozen=True)
class Seen:
    """What was found; `still_open` adds up 4 F (1 - F) over the units of known year."""

    year: np.ndarray
    age: np.ndarray
    failed: np.ndarray
    unit: np.ndarray
    still_open: float


@dataclass(frozen=True)
class Rate:
    """How many of `runs` searches answered, and how many of these found a change at 5 %."""

    runs: int
    answered: int
    found: int
    near: int
    still_open: float

    @property
    def percent(self) -> float:
        """Share of the answered searches."""
        return 100 * self.found / max(self.answered, 1)

    @property
    def error(self) -> float:
        """Monte Carlo standard error, where 5 % or what was found is the truth."""
        share = max(self.percent / 100, LEVEL)
        return 100 * float(np.sqrt(share * (1 - share) / max(self.answered, 1)))

    @property
    def has_enough(self) -> bool:
        """Whether there were outcomes enough to reach 5 %."""
        return self.still_open >= ENOUGH_OPEN and self.answered >= 0.75 * self.runs


def rate(bench: Bench, runs: int) -> Rate:
    """Search `runs` benches of one form."""
    answered = found = near = 0
    still_open = []
    for number in range(runs):
        rng = np.random.default_rng([SEED, crc32(repr(bench).encode()), number])
        seen = bench.draw(rng)
        still_open.append(seen.still_open)
        one = pd.DataFrame({"stratum": [0]})
        search = {"unit": seen.unit, "n_bootstrap": DRAWS, "seed": number}
        result = find_changes(status(seen.age, seen.failed), seen.year, one, **search).iloc[0]
        hit = result.p_value <= LEVEL  # never where there is no answer
        answered += result.status == "ok"
        found += hit
        near += hit and abs(result.change_year - bench.change) <= 1
    return Rate(runs, answered, found, near, float(np.mean(still_open)))


def alarm_rows(runs: int = 60, units: Iterable[int] = UNITS) -> list[Row]:
    """Searches without a change: every form and size, and what they come to."""
    rows = []
    for size in units:
        rates = {form: rate(Bench(form, size), runs) for form in FORMS}
        rows += [_rate_row(f"{size} units, {form}", each) for form, each in rates.items()]
        enough = [each for each in rates.values() if each.has_enough]
        rows.append(_spread_row(f"{size} units, forms with enough", enough))
        rows.append(_spread_row(f"{size} units, all forms", list(rates.values()), is_target=False))
    return rows


BENCHES = {
    "inspected over 5 years": {"inspected_years": 5.0},
    "18 years, inspected over 8": {"years": 18},
    "three in ten known as windows": {"window_share": 0.3},
    "two parts in a unit": {"parts": 2},
}


def bench_rows(runs: int = 30, units: Iterable[int] = (30, 100)) -> list[Row]:
    """The same on other benches, over all forms with enough."""
    rows = []
    for size, (name, changes) in product(units, BENCHES.items()):
        rates = [rate(Bench(form, size, **changes), runs) for form in FORMS]
        enough = [each for each in rates if each.has_enough]
        # Parts of one unit are taken to fail together: where they do not, alarms are rarer.
        rows.append(_spread_row(f"{size} units, {name}", enough, is_target="parts" not in changes))
    return rows


def power_rows(runs: int = 25, units: Iterable[int] = (30, 100)) -> list[Row]:
    """Searches where the lives of the later half are shorter."""
    rows, forms = [], ("Weibull, shape 2", "Weibull, shape 4", "two groups, scales 28 and 70")
    for size, form, factor in product(units, forms, (0.7, 0.5)):
        found = rate(Bench(form, size, factor=factor), runs)
        year = 100 * found.near / max(found.found, 1)
        said = f"{found.percent:.0f} % ± {found.error:.0f} found, {year:.0f} % of them within a year"
        rows.append(row(f"{size} units, {form}, scale times {factor:g}", said))
    return rows


def discovery_rows(runs: int = 4, units: Iterable[int] = UNITS) -> list[Row]:
    """Whole reports: 64 searches of all forms and sizes, of which 8 have a change to half the scale."""
    false, true, share, sizes = [], [], [], list(units)
    for number in range(runs):
        benches = [
            Bench(form, sizes[(i + turn) % len(sizes)], factor=0.5 if turn == 0 and i % 2 == 0 else 1.0)
            for turn in range(4)
            for i, form in enumerate(FORMS)
        ]
        rng = np.random.default_rng([SEED, 2, number])
        seen = [bench.draw(rng) for bench in benches]
        age, failed, year = (
            np.concatenate(part) for part in zip(*((s.age, s.failed, s.year) for s in seen), strict=True)
        )
        stratum = np.repeat(np.arange(len(seen)), [each.year.size for each in seen])
        labels = pd.DataFrame({"stratum": np.arange(len(seen))})
        found = find_changes(status(age, failed, stratum=stratum), year, labels, seed=number)
        called = (found["q_value"] <= 0.10).to_numpy()
        changed = np.array([bench.factor < 1 for bench in benches])
        false.append(int(np.sum(called & ~changed)))
        true.append(int(np.sum(called & changed)))
        share.append(false[-1] / max(called.sum(), 1))
    error = np.std(share, ddof=1) / np.sqrt(runs)
    said = (
        f"{100 * np.mean(share):.1f} % ± {100 * error:.1f} of those called "
        f"({sum(true)} true, {sum(false)} false; {8 * runs} changes, {56 * runs} none)"
    )
    ok = np.mean(share) - 2 * error <= 0.10
    return [row("false discoveries at q 0.10, 64 searches a report", said, "<= 10 %", bool(ok))]


def _rate_row(what: str, found: Rate) -> Row:
    few = "" if found.has_enough else ", too little open"
    said = f"{found.percent:.1f} % ± {found.error:.1f} of {found.answered} ({found.still_open:.0f} open{few})"
    return row(what, said, *_promised(found, found.has_enough))


def _promised(found: Rate, is_target: bool) -> tuple[str, bool] | tuple[()]:
    """The target and whether it is met: outside only if it is so beyond twice the Monte Carlo error."""
    fine = PROMISED[0] - 2 * found.error <= found.percent <= PROMISED[1] + 2 * found.error
    return ("4 to 6 %", fine) if is_target else ()


def _spread_row(what: str, rates: list[Rate], *, is_target: bool = True) -> Row:
    """All forms together, and how far their rates lie apart beyond what chance does."""
    if not rates:
        return row(what, "none")
    counts = ("runs", "answered", "found", "near")
    total = Rate(*(sum(getattr(each, name) for each in rates) for name in counts), 0.0)
    percent = np.array([each.percent for each in rates])
    excess = np.var(percent, ddof=1) - np.mean([each.error**2 for each in rates]) if len(rates) > 1 else 0.0
    said = (
        f"{total.percent:.1f} % ± {total.error:.1f} ({len(rates)} forms: {percent.min():.1f} to "
        f"{percent.max():.1f}, beyond chance ± {np.sqrt(max(excess, 0)):.1f})"
    )
    return row(what, said, *_promised(total, is_target))


def rows() -> list[Row]:
    """Give what `make measure` shows: too few runs for a single form, enough for all together."""
    together = [each for each in alarm_rows(40) if "forms" in each["what"]]
    return [*together, *bench_rows(8, (30,)), *power_rows(15), *discovery_rows()]


STUDY = {"alarms": alarm_rows, "benches": bench_rows, "power": power_rows, "discoveries": discovery_rows}


@click.command()
@click.argument("parts", nargs=-1, type=click.Choice(list(STUDY)))
@click.option("--runs", type=int, help="Searches of each sort; reports in `discoveries`.")
@click.option("--units", type=int, multiple=True, help="Only this many units in a search.")
def main(parts: tuple[str, ...], **given: Any) -> None:
    """Print the study, or only PARTS of it."""
    given = {name: value for name, value in given.items() if value}
    for name in parts or STUDY:
        tell(STUDY[name](**given))


if __name__ == "__main__":
    main()
