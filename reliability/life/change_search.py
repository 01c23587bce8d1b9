"""Statistics of a search over production years, and their distribution where nothing changed."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.special import xlogy

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray, FloatArray, IntArray
from reliability.life.dated_records import DatedRecords

MIN_RECORDS = 10  # below that no data reach a small p-value
MIN_SIDE = 3
MIN_SIDE_SHARE = 0.1
_TRIAL_RUNS = 200
_CHUNK = 100
_LARGEST_CHUNK = 800
_ENOUGH = 30
_LEAST_VARIANCE = 1e-3
_WIDTH = 1.5  # of the smoothing, in standard deviations of log age over the fifth root of the number


@dataclass(frozen=True, eq=False)
class Group:
    """Some of the parts, gathered by age.

    Attributes
    ----------
    rows : ndarray of int64, shape (n,)
        Positions of the parts, in order of age.
    start : ndarray of int64, shape (n_ages,)
        First of the rows at each distinct age.
    inspected : ndarray of float64, shape (n_ages,)
        Parts at each distinct age.
    place : ndarray of int64, shape (n,)
        Distinct age of each of the rows.
    """

    rows: IntArray
    start: IntArray
    inspected: FloatArray
    place: IntArray

    @classmethod
    def of(cls, age: FloatArray, rows: IntArray) -> "Group":
        """Gather the parts at some positions; ages are in ascending order."""
        _, start, place, number = np.unique(
            age[rows], return_index=True, return_inverse=True, return_counts=True
        )
        return cls(rows, start, number.astype(np.float64), place)

    def failed(self, outcomes: BoolArray) -> FloatArray:
        """Failed parts at each distinct age; ndarray of float64, shape (n_sets, n_ages)."""
        return np.add.reduceat(outcomes[:, self.rows].astype(np.float64), self.start, axis=1)

    def share(self, failed: FloatArray) -> FloatArray:
        """Isotonic curve for each set of outcomes; ndarray of float64, shape (n_sets, n_ages)."""
        # Lifted by 2 each, the sets follow one another in one rising line, and one regression does all.
        lift = 2.0 * np.arange(len(failed))[:, None]
        line = (failed / self.inspected + lift).ravel()
        fitted = isotonic_regression(line, weights=np.tile(self.inspected, len(failed))).x
        return np.clip(fitted.reshape(failed.shape) - lift, 0.0, 1.0)

    def log_likelihood(self, failed: FloatArray, share: FloatArray) -> FloatArray:
        """Log-likelihood of each set of outcomes; ndarray of float64, shape (n_sets,)."""
        return np.sum(xlogy(failed, share) + xlogy(self.inspected - failed, 1 - share), axis=1)


@dataclass(frozen=True, eq=False)
class Search:
    """A search over candidate years.

    Attributes
    ----------
    failed : ndarray of bool, shape (n,)
        What was seen, in order of age.
    log_age : ndarray of float64, shape (n,)
    unit : ndarray of int64, shape (n,)
        Parts of one unit share a number, 0, 1, …
    candidates : ndarray of float64, shape (n_candidates,)
        First years of the later cohort.
    everyone : Group
    cohorts : tuple of (Group, Group), one per candidate
        The earlier and the later cohort.
    beside_age : ndarray of float64, shape (n, n_candidates)
        Indicator of the later cohort, less its regression on log age.
    """

    failed: BoolArray
    log_age: FloatArray
    unit: IntArray
    candidates: FloatArray
    everyone: Group
    cohorts: tuple[tuple[Group, Group], ...]
    beside_age: FloatArray

    def run(self, n_bootstrap: int, seed: int) -> tuple[float, float]:
        """Find the best candidate and how often chance finds as much.

        Parameters
        ----------
        n_bootstrap : int
            Largest number of simulated searches.
        seed : int

        Returns
        -------
        year, p_value : float
        """
        rng = np.random.default_rng(seed)
        chance = self._smoothed()
        usual = np.quantile(self._largest(self._draw(rng, chance, _TRIAL_RUNS)), 0.95, axis=0)
        usual = np.maximum(usual, 1e-9)  # a statistic that is always 0 never decides
        seen = (self.statistics(self.failed[None, :])[0] / usual).max(axis=1)
        best = float(self.candidates[int(np.argmax(seen))])
        reached = begin = 0
        while begin < n_bootstrap:
            size = min(max(_CHUNK, begin), _LARGEST_CHUNK, n_bootstrap - begin)
            drawn = self._draw(rng, chance, size)
            found = (self._largest(drawn) / usual).max(axis=1)
            hits = np.flatnonzero(found >= seen.max() * (1 - 1e-9))
            if reached + hits.size >= _ENOUGH:
                return best, float(_ENOUGH / (begin + hits[_ENOUGH - reached - 1] + 1))
            reached += hits.size
            begin += size
        return best, float((reached + 1) / (n_bootstrap + 1))

    def statistics(self, outcomes: BoolArray) -> FloatArray:
        """Score and gain in log-likelihood for each candidate.

        Parameters
        ----------
        outcomes : ndarray of bool, shape (n_sets, n)

        Returns
        -------
        ndarray of float64, shape (n_sets, n_candidates, 2)
        """
        failed = self.everyone.failed(outcomes)
        pooled = self.everyone.share(failed)
        share = pooled[:, self.everyone.place]
        score = (outcomes - share) @ self.beside_age
        variance = (share * (1 - share)) @ self.beside_age**2
        ratio = np.divide(score**2, variance, out=np.zeros_like(score), where=variance > _LEAST_VARIANCE)
        together = self.everyone.log_likelihood(failed, pooled)
        apart = np.column_stack([sum(self._own(side, outcomes) for side in pair) for pair in self.cohorts])
        return np.stack((ratio, apart - together[:, None]), axis=2)

    @staticmethod
    def _own(side: Group, outcomes: BoolArray) -> FloatArray:
        failed = side.failed(outcomes)
        return side.log_likelihood(failed, side.share(failed))

    def _largest(self, outcomes: BoolArray) -> FloatArray:
        return self.statistics(outcomes).max(axis=1)

    def _draw(self, rng: np.random.Generator, chance: FloatArray, size: int) -> BoolArray:
        # One number for all parts of a unit: they fail together, the worst that clusters can do.
        return rng.random((size, int(self.unit.max()) + 1))[:, self.unit] < chance

    def _smoothed(self) -> FloatArray:
        """Pooled probability for each part: the isotonic curve averaged over log age."""
        failed = self.everyone.failed(self.failed[None, :])
        share = self.everyone.share(failed)[0]
        width = _WIDTH * max(float(np.std(self.log_age)), 1e-9) * self.log_age.size**-0.2
        at = self.log_age[self.everyone.start]
        weight = np.exp(-0.5 * ((at[:, None] - at) / width) ** 2) * self.everyone.inspected
        return ((weight @ share) / weight.sum(axis=1))[self.everyone.place]


def prepare_search(dated: DatedRecords, unit: IntArray | None = None) -> Search | None:
    """Lay the records out for a search.

    Parameters
    ----------
    dated : DatedRecords
    unit : ndarray of int64, shape (n,), optional
        Parts of one unit share a number; without it every part is a unit of its own.

    Returns
    -------
    Search or None
        None if there are fewer than 10 parts, 3 failed, 3 sound, or no candidate with 3 parts and a
        tenth of them on either side.

    Raises
    ------
    InvalidInput
        If a count is not whole.
    """
    if not np.all(dated.count == np.round(dated.count)):
        raise InvalidInput("The search for a change needs whole counts; weighed records have none.")
    each = np.repeat(np.arange(dated.year.size), dated.count.astype(np.int64))
    # By age and year, so that the order of the records decides nothing.
    each = each[np.lexsort((dated.year[each], dated.age_years[each]))]
    age, year, failed = dated.age_years[each], dated.year[each], dated.failed[each]
    if age.size < MIN_RECORDS or min(failed.sum(), (~failed).sum()) < MIN_SIDE:
        return None
    candidates = np.unique(year)[1:]
    later = year[:, None] >= candidates
    smaller = np.minimum(later.sum(axis=0), (~later).sum(axis=0))
    enough = smaller >= max(MIN_SIDE, MIN_SIDE_SHARE * age.size)
    if not enough.any():
        return None
    later = later[:, enough]
    log_age = np.log(age)
    terms = np.linalg.qr(np.column_stack((np.ones(age.size), log_age - log_age.mean())))[0]
    return Search(
        failed=failed,
        log_age=log_age,
        unit=np.arange(each.size) if unit is None else np.unique(unit[each], return_inverse=True)[1],
        candidates=candidates[enough],
        everyone=Group.of(age, np.arange(age.size)),
        cohorts=tuple(
            (Group.of(age, np.flatnonzero(~side)), Group.of(age, np.flatnonzero(side))) for side in later.T
        ),
        beside_age=later - terms @ (terms.T @ later),
    )
