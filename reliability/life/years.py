"""Does the production year matter? The one year from which on lives changed, searched for many families.

Within one family age and production year move together, because all units are inspected within a few
calendar years. Every answer here carries their correlation, and where it is above 0.95 no answer is given.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.optimize import isotonic_regression
from scipy.special import expit, logit, xlogy

from reliability.life.lives import BoolArray, FloatArray, IntArray, LifeRecords, run_starts

# ---- Records whose year of production is known

# Above this, age and year of production say the same, and no method can tell which of them matters.
TOO_CORRELATED = 0.95
CONFOUNDED = "cannot tell ageing from vintage"


@dataclass(frozen=True, eq=False)
class Parts:
    """What was found of parts whose year of production is known."""

    count: FloatArray  # all of shape (n,)
    failed: BoolArray
    year: FloatArray
    age_years: FloatArray  # at inspection
    unit: FloatArray | None  # parts of one unit share a number; None: each is one of its own

    def take(self, at: IntArray) -> "Parts":
        """Keep those at some positions."""
        columns: list[Any] = [getattr(self, each.name) for each in fields(self)]
        kept: list[Any] = [None if values is None else values[at] for values in columns]
        return Parts(*kept)

    def correlation(self) -> float:
        """Correlation of age and year; NaN if all ages or all years are equal."""
        if self.count.size < 2:
            return np.nan
        covariance = np.cov(self.age_years, self.year, aweights=self.count, ddof=0)
        spread = np.sqrt(covariance[0, 0] * covariance[1, 1])
        return float(covariance[0, 1] / spread) if spread > 1e-12 else np.nan


# ---- Parts gathered by age, and the isotonic curve of the share found failed


@dataclass(frozen=True, eq=False)
class Groups:
    """Some sets of the parts side by side, each gathered by age."""

    rows: IntArray  # (n,): positions of the parts, group after group, in order of age
    start: IntArray  # (n_cells,): first of the rows at each distinct age of each group
    inspected: FloatArray  # (n_cells,): how many parts these are
    first: IntArray  # (n_groups,): first cell of each group

    @classmethod
    def of(cls, age: FloatArray, groups: Sequence[IntArray]) -> "Groups":
        """Gather the parts at some positions; ages are in ascending order."""
        rows = np.concatenate(groups)
        group = np.repeat(np.arange(len(groups)), [each.size for each in groups])
        start = run_starts(group, age[rows])
        inspected = np.diff(start, append=rows.size).astype(np.float64)
        return cls(rows, start, inspected, run_starts(group[start]))

    def fit(self, outcomes: BoolArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Count the failed at each age, fit isotonic curves, and give their log-likelihoods.

        Of each set of outcomes (n_sets, n): two arrays (n_sets, n_cells) and one (n_sets, n_groups).
        """
        failed = np.add.reduceat(outcomes[:, self.rows].astype(np.float64), self.start, axis=1)
        # Lifted by 2 each, all curves follow one another in one rising line, and one regression does all.
        sizes = np.diff(self.first, append=self.start.size)
        lift = 2.0 * np.repeat(np.arange(len(failed) * self.first.size), np.tile(sizes, len(failed)))
        line = (failed / self.inspected).ravel() + lift
        fitted = isotonic_regression(line, weights=np.tile(self.inspected, len(failed)))
        # Within a block all have one share, the mean; the lift would blur it.
        block = fitted.blocks[:-1]
        level = np.add.reduceat(failed.ravel(), block) / fitted.weights
        share = np.repeat(level, np.diff(fitted.blocks)).reshape(failed.shape)
        value = fitted.weights * (xlogy(level, level) + xlogy(1 - level, 1 - level))
        curve = self.start.size * np.arange(len(failed))[:, None] + self.first
        total = np.add.reduceat(value, np.searchsorted(block, curve.ravel()))
        return failed, share, total.reshape(curve.shape)


# ---- Chance of having failed by an age where the production year does not matter

_STEPS = 15
_LONGEST_STEP, _SHORTEST_STEP = 1.0, 1e-7


@dataclass(frozen=True, eq=False)
class Null:
    """One curve for all production years, estimated from any set of outcomes.

    It begins as a logistic curve in log age that does not fall, fitted with Firth's penalty [1]_, so that few
    or perfectly sorted outcomes still give a finite slope. What the isotonic curve of the same outcomes says
    beyond it is averaged over ages nearby and added, a parametric start in the sense of [2]_. The isotonic
    curve alone makes steps of noise where lives do not age; smoothed alone it is too flat where all fail
    within few years.

    References
    ----------
    .. [1] D. Firth, "Bias reduction of maximum likelihood estimates", Biometrika 80 (1993) 27-38.
    .. [2] N. L. Hjort and I. K. Glad, "Nonparametric density estimation with a parametric start", Ann.
       Stat. 23 (1995) 882-904.
    """

    everyone: Groups
    log_age: FloatArray  # (n_ages,): less the mean, in standard deviations
    smoothing: FloatArray  # (n_ages, n_ages): weights of each age in the average for each; rows add up to 1

    @property
    def place(self) -> IntArray:
        """Distinct age of each part."""
        return np.repeat(np.arange(self.log_age.size), self.everyone.inspected.astype(int))

    @classmethod
    def of(cls, everyone: Groups, log_age: FloatArray) -> "Null":
        """Lay out the ages; `log_age` is that of each part."""
        spread = max(float(np.std(log_age)), 1e-9)
        at = (log_age[everyone.rows[everyone.start]] - log_age.mean()) / spread
        # A standard deviation over the fifth root of the number: the usual width for a smooth curve.
        width = log_age.size**-0.2
        weight = np.exp(-0.5 * ((at[:, None] - at) / width) ** 2) * everyone.inspected
        return cls(everyone, at, weight / weight.sum(axis=1, keepdims=True))

    def chance(self, outcomes: BoolArray) -> FloatArray:
        """Give the probability of each part for each set of outcomes; both (n_sets, n)."""
        failed, share, _ = self.everyone.fit(outcomes)
        start = self._logistic(failed)
        beyond = (share - start) @ self.smoothing.T
        return np.clip(start + beyond, 0.0, 1.0)[:, self.place]

    def _logistic(self, failed: FloatArray) -> FloatArray:
        """Logistic curve at each age for each set, (n_sets, n_ages); level where it would fall."""
        n, x = self.everyone.inspected, self.log_age
        level = (failed.sum(axis=1) + 0.5) / (n.sum() + 1)
        intercept, slope = logit(level), np.zeros(len(failed))
        for _ in range(_STEPS):
            share = expit(intercept[:, None] + slope[:, None] * x)
            weight = n * share * (1 - share)
            total, cross, square = weight.sum(axis=1), weight @ x, weight @ x**2
            size = np.maximum(total * square - cross**2, 1e-9)
            leverage = weight * (square[:, None] - 2 * cross[:, None] * x + total[:, None] * x**2)
            residual = failed - n * share + leverage / size[:, None] * (0.5 - share)
            by_level, by_age = residual.sum(axis=1), residual @ x
            step = np.stack((square * by_level - cross * by_age, total * by_age - cross * by_level)) / size
            longest = np.abs(step).max(axis=0)
            step /= np.maximum(1.0, longest / _LONGEST_STEP)
            intercept, slope = intercept + step[0], slope + step[1]
            if longest.max() < _SHORTEST_STEP:
                break
        share = expit(intercept[:, None] + slope[:, None] * x)
        return np.where(slope[:, None] < 0, level[:, None], share)


# ---- Statistics of a search over production years, and their distribution where nothing changed

MIN_RECORDS = 10  # below that no data reach a small p-value
MIN_SIDE = 3
MIN_SIDE_SHARE = 0.1
_TRIAL_RUNS = 200
_CHUNK = 100
_LARGEST_CHUNK = 800
_ENOUGH = 30
_LEAST_VARIANCE = 1e-3
_SURELY_LARGE = 0.25  # a p-value above this is not worth a second round
_TIE = 1 - 1e-9


@dataclass(frozen=True, eq=False)
class Search:
    """A search over candidate years, among parts in order of age."""

    failed: BoolArray  # (n,): what was seen
    null: Null
    unit: IntArray  # (n,): parts of one unit share a number, 0, 1, ...
    candidates: FloatArray  # (n_candidates,): first years of the later cohort
    cohorts: Groups  # the earlier and the later one of each candidate
    beside_age: FloatArray  # (n, n_candidates): indicator of the later, less its regression on log age

    def run(self, n_bootstrap: int, seed: int) -> tuple[float, float]:
        """Find the best candidate and how often chance finds as much."""
        rng = np.random.default_rng(seed)
        chance = self.null.chance(self.failed[None, :])
        usual = np.quantile(self.statistics(self._draw(rng, chance, _TRIAL_RUNS)).max(axis=1), 0.95, axis=0)
        usual = np.maximum(usual, 1e-9)  # a statistic that is always 0 never decides
        seen = (self.statistics(self.failed[None, :])[0] / usual).max(axis=1)
        best = float(self.candidates[int(np.argmax(seen))])
        drawn, found = self._until_enough(rng, chance, usual, float(seen.max()), n_bootstrap)
        reached = int(np.sum(found >= seen.max() * _TIE))
        p_value = (reached + 1) / (found.size + 1)
        if p_value > _SURELY_LARGE:
            return best, p_value
        # Each simulated search is simulated once more.
        parts = [drawn[begin : begin + _LARGEST_CHUNK] for begin in range(0, len(drawn), _LARGEST_CHUNK)]
        twice = [self._most(self._draw(rng, self.null.chance(part), len(part)), usual) for part in parts]
        again = np.sort(np.concatenate([*twice, [seen.max()]]))[::-1]
        return best, float((np.sum(found >= again[reached] * _TIE) + 1) / (found.size + 1))

    def _until_enough(
        self, rng: np.random.Generator, chance: FloatArray, usual: FloatArray, seen: float, most: int
    ) -> tuple[BoolArray, FloatArray]:
        """Simulate until enough searches found as much; their outcomes and what they found."""
        drawn: list[BoolArray] = []
        found: list[FloatArray] = []
        done = reached = 0
        while done < most and reached < _ENOUGH:
            size = min(max(_CHUNK, done), _LARGEST_CHUNK, most - done)
            drawn.append(self._draw(rng, chance, size))
            found.append(self._most(drawn[-1], usual))
            reached += int(np.sum(found[-1] >= seen * _TIE))
            done += size
        return np.concatenate(drawn), np.concatenate(found)

    def statistics(self, outcomes: BoolArray) -> FloatArray:
        """Score and gain in log-likelihood of each candidate: from (n_sets, n), (n_sets, n_candidates, 2)."""
        _, pooled, together = self.null.everyone.fit(outcomes)
        share = pooled[:, self.null.place]
        score = (outcomes - share) @ self.beside_age
        variance = (share * (1 - share)) @ self.beside_age**2
        ratio = np.divide(score**2, variance, out=np.zeros_like(score), where=variance > _LEAST_VARIANCE)
        apart = self.cohorts.fit(outcomes)[2].reshape(*score.shape, 2).sum(axis=2)
        return np.stack((ratio, apart - together), axis=2)

    def _most(self, outcomes: BoolArray, usual: FloatArray) -> FloatArray:
        """Give the most that each set of outcomes shows, relative to what is usual; (n_sets,)."""
        return (self.statistics(outcomes).max(axis=1) / usual).max(axis=1)

    def _draw(self, rng: np.random.Generator, chance: FloatArray, size: int) -> BoolArray:
        # One number for all parts of a unit: they fail together, the worst that clusters can do.
        return rng.random((size, int(self.unit.max()) + 1))[:, self.unit] < chance


def prepare_search(parts: Parts) -> Search | None:
    """Lay the records out for a search; None if they are too few."""
    count = parts.count.astype(np.int64)
    n, n_failed = count.sum(), count[parts.failed].sum()
    if n < MIN_RECORDS or min(n_failed, n - n_failed) < MIN_SIDE:
        return None
    # By age and year, so that the order of the records decides nothing.
    order = np.lexsort((parts.year, parts.age_years))
    each = parts.take(np.repeat(order, count[order]))
    age, year = each.age_years, each.year
    candidates = np.unique(year)[1:]
    later = year[:, None] >= candidates
    smaller = np.minimum(later.sum(axis=0), (~later).sum(axis=0))
    enough = smaller >= max(MIN_SIDE, MIN_SIDE_SHARE * age.size)
    if not enough.any():
        return None
    later = later[:, enough]
    log_age, everyone = np.log(age), Groups.of(age, [np.arange(age.size)])
    terms = np.linalg.qr(np.column_stack((np.ones(age.size), log_age - log_age.mean())))[0]
    return Search(
        failed=each.failed,
        null=Null.of(everyone, log_age),
        unit=np.unique(np.arange(age.size) if each.unit is None else each.unit, return_inverse=True)[1],
        candidates=candidates[enough],
        cohorts=Groups.of(age, [np.flatnonzero(side == late) for side in later.T for late in (False, True)]),
        beside_age=later - terms @ (terms.T @ later),
    )


# ---- Search for the one production year from which on lives are different

FEW = 6
"""With fewer failed or sound parts the possible outcomes are so few that 5 % is rarely reached."""


def _change(parts: Parts, n_left_out: float, n_bootstrap: int, seed: int) -> dict[str, Any]:
    """Search the records of one stratum; a row of `find_changes`."""
    correlation = parts.correlation()
    is_confounded = abs(correlation) > TOO_CORRELATED
    notes = []
    if is_confounded:
        notes.append(
            f"age and production year move together (correlation {correlation:.2f}): "
            "what looks like ageing may be vintage, and the other way round"
        )
    if n_left_out:
        notes.append(f"{n_left_out:g} records without a known year are left out")
    names = ("change_year", "p_value", "q_value", "reference_age_years")
    row: dict[str, Any] = {"status": "too few records", **dict.fromkeys(names, np.nan)}
    row |= {"correlation": correlation, "n_records": float(parts.count.sum())}
    search = None if is_confounded else prepare_search(parts)
    if search is None:
        return row | {"status": CONFOUNDED if is_confounded else row["status"], "note": "; ".join(notes)}
    row["status"] = "ok"
    row["change_year"], row["p_value"] = search.run(n_bootstrap, seed)
    failed, working = (float(parts.count[state].sum()) for state in (parts.failed, ~parts.failed))
    if min(failed, working) < FEW:
        state = "had failed" if failed <= working else "still worked"
        notes.append(f"only {min(failed, working):g} {state}: a change would have to be extreme to show")
    age, later = parts.age_years, parts.year >= row["change_year"]
    first, last = max(age[later].min(), age[~later].min()), min(age[later].max(), age[~later].max())
    common = age[(age >= first) & (age <= last)]
    if not common.size:
        notes.append("the two cohorts were never seen at one age")
    reference = float(np.median(common)) if common.size else np.nan
    return row | {"reference_age_years": reference, "note": "; ".join(notes)}


def _false_discoveries(p_value: FloatArray) -> FloatArray:
    """Least share of false discoveries at which each of many tests is one (Benjamini and Hochberg)."""
    # Source: Y. Benjamini, Y. Hochberg, Journal of the Royal Statistical Society B 57 (1995) 289-300.
    order = np.argsort(p_value)[::-1]
    q_value = np.empty(p_value.size)
    rank = np.arange(p_value.size, 0, -1)
    q_value[order] = np.minimum.accumulate(p_value[order] * p_value.size / rank)
    return q_value


def find_changes(
    records: LifeRecords,
    year: ArrayLike,
    labels: pd.DataFrame,
    *,
    age_years: ArrayLike | None = None,
    unit: ArrayLike | None = None,
    n_bootstrap: int = 4999,
    seed: int = 0,
) -> pd.DataFrame:
    r"""Search every stratum for the production year from which on parts fail earlier or later.

    Parameters
    ----------
    records : LifeRecords
        Any number of strata, with whole counts. Records whose year is one of several are left out and counted
        in the note.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row; NaN if not known.
    labels : DataFrame
        Column stratum, and what the strata are called; one row per stratum.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection. Needed only where days of failure are known: the search asks whether a part had
        failed by the time it was inspected. Without it, the upper bound of a failed part counts as that time.
    unit : array_like of int, shape (n_rows,), optional
        Rows of one unit (left and right part) share a number; they are taken to fail together.
    n_bootstrap : int
        Largest number of simulated searches.
    seed : int
        Start of the random numbers; each search begins anew, so that its answer does not depend on others.

    Returns
    -------
    DataFrame
        The rows of `labels` in their order, with status, change_year, p_value, q_value (share of false
        discoveries expected if this and all smaller p-values are called changes), reference_age_years (the
        middle of the ages at which both cohorts were seen), correlation, n_records, note.

    Notes
    -----
    Two statistics look at each candidate, and the larger one, each relative to its own 95 % point where
    nothing changed, counts. (1) The score for a shift of the log-odds at equal age,
    :math:`(\sum z (d - F))^2 / \sum z^2 F (1 - F)`, with :math:`F` the pooled isotonic curve, :math:`d`
    failed or not, and :math:`z` the indicator of the later cohort with its regression on log age taken
    out: it finds cohorts that last longer. (2) The gain in log-likelihood if each cohort has an isotonic
    curve of its own: it finds cohorts that fail earlier, which shows as young parts failing more often
    than old ones. The largest over all candidates is compared with its distribution where each part
    fails by its age with one probability for all years: a logistic curve corrected by the smoothed
    isotonic one [1]_, see `Null`. Nothing says that lives are Weibull. That curve is itself an estimate,
    and with few parts it matters which: so each simulated search is simulated once more from the curve
    that would have been estimated from it, and the p-value is read where these reach as often as
    simulated ones reach what was seen (a fast double bootstrap [2]_). DEVELOPERS.md says how often
    a change is found where there is none. Simulation stops early once enough simulated searches have
    found as much [3]_: such a p-value is large.

    References
    ----------
    .. [1] P. Groeneboom, G. Jongbloed and B. I. Witte, "Maximum smoothed likelihood estimation and
       smoothed maximum likelihood estimation in the current status model", Ann. Stat. 38 (2010) 352-387.
    .. [2] R. Davidson and J. G. MacKinnon, "Improving the reliability of bootstrap tests with the fast
       double bootstrap", Comput. Stat. Data Anal. 51 (2007) 3259-3281.
    .. [3] J. Besag and P. Clifford, "Sequential Monte Carlo p-values", Biometrika 78 (1991) 301-304.
    """
    sound, built = np.isinf(records.upper), np.asarray(year, dtype=float)
    ages = np.where(sound, records.lower, records.upper)
    ages = ages if age_years is None else np.asarray(age_years, dtype=float)
    # A record with alternatives has no known year; of one that says nothing no year matters.
    keep = ~records.is_alternative & ~np.isnan(built) & ~((records.lower == 0) & sound)
    units = None if unit is None else np.asarray(unit, dtype=float)
    parts, rows = Parts(records.count, ~sound, built, ages, units), []
    order = np.argsort(records.stratum, kind="stable")
    strata = np.split(order, np.searchsorted(records.stratum[order], records.strata[1:]))
    for place in np.searchsorted(records.strata, labels["stratum"]):
        at = strata[place]
        rest = at[~keep[at]]
        left_out = rest[np.unique(records.record[rest], return_index=True)[1]]
        n_left_out = float(records.count[left_out].sum())
        rows.append(_change(parts.take(at[keep[at]]), n_left_out, n_bootstrap, seed))
    table = pd.concat([labels.reset_index(drop=True), pd.DataFrame(rows)], axis=1)
    told = table["p_value"].notna()  # a search that gave no answer counts for nothing
    if told.any():
        table.loc[told, "q_value"] = _false_discoveries(table.loc[told, "p_value"].to_numpy(float))
    return table
