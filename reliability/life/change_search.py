"""Statistics of a search over production years, and their distribution where nothing changed."""

from dataclasses import dataclass

import numpy as np

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray, FloatArray, IntArray
from reliability.life.change_groups import Group
from reliability.life.change_null import Null
from reliability.life.dated_records import DatedRecords

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
    """A search over candidate years.

    Attributes
    ----------
    failed : ndarray of bool, shape (n,)
        What was seen, in order of age.
    null : Null
        Where nothing changed.
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
    null: Null
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
        chance = self.null.chance(self.failed[None, :])
        usual = np.quantile(self._largest(self._draw(rng, chance, _TRIAL_RUNS)), 0.95, axis=0)
        usual = np.maximum(usual, 1e-9)  # a statistic that is always 0 never decides
        seen = (self.statistics(self.failed[None, :])[0] / usual).max(axis=1)
        best = float(self.candidates[int(np.argmax(seen))])
        drawn, found = self._until_enough(rng, chance, usual, float(seen.max()), n_bootstrap)
        reached = int(np.sum(found >= seen.max() * _TIE))
        p_value = (reached + 1) / (found.size + 1)
        if p_value > _SURELY_LARGE:
            return best, p_value
        again = np.sort(np.append(self._second_round(rng, drawn, usual), seen.max()))[::-1]
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
            found.append((self._largest(drawn[-1]) / usual).max(axis=1))
            reached += int(np.sum(found[-1] >= seen * _TIE))
            done += size
        return np.concatenate(drawn), np.concatenate(found)

    def _second_round(self, rng: np.random.Generator, drawn: BoolArray, usual: FloatArray) -> FloatArray:
        """Find as much as there is in one simulation of each simulated search, where nothing changed."""
        found = []
        for begin in range(0, len(drawn), _LARGEST_CHUNK):
            some = drawn[begin : begin + _LARGEST_CHUNK]
            again = self._draw(rng, self.null.chance(some), len(some))
            found.append((self._largest(again) / usual).max(axis=1))
        return np.concatenate(found)

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
    log_age, everyone = np.log(age), Group.of(age, np.arange(age.size))
    terms = np.linalg.qr(np.column_stack((np.ones(age.size), log_age - log_age.mean())))[0]
    return Search(
        failed=failed,
        null=Null.of(everyone, log_age),
        unit=np.arange(each.size) if unit is None else np.unique(unit[each], return_inverse=True)[1],
        candidates=candidates[enough],
        everyone=everyone,
        cohorts=tuple(
            (Group.of(age, np.flatnonzero(~side)), Group.of(age, np.flatnonzero(side))) for side in later.T
        ),
        beside_age=later - terms @ (terms.T @ later),
    )
