"""Search for the one production year from which on lives are different."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.ages import BoolArray
from reliability.life.change_search import prepare_search
from reliability.life.curves import fit_curve
from reliability.life.dated_records import CONFOUNDED, DatedRecords, dated_records
from reliability.life.life_records import LifeRecords

FEW = 6
"""With fewer failed or sound parts the possible outcomes are so few that 5 % is rarely reached."""


@dataclass(frozen=True)
class ChangeYear:
    """Best candidate for a change between two production years, and what speaks for it.

    Attributes
    ----------
    status : str
        "ok"; "too few records"; "cannot tell ageing from vintage". Only "ok" has a p-value.
    year : float
        First year of the later cohort, where the two cohorts differ most at equal age.
    p_value : float
        How often the search finds at least as much where there is no change.
    reference_age_years : float
        Age at which both cohorts are described: the median of the ages seen in both, NaN if none.
    before, after : tuple of float
        Share failed by that age in each cohort by itself: estimate, low, high (90 %); NaN without
        a common age, or where no description was asked for.
    correlation : float
        Of age at inspection and year of production.
    n_records : float
        Weighed number of records that were used.
    note : str
        What the reader must know.
    """

    status: str
    year: float
    p_value: float
    reference_age_years: float
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    correlation: float
    n_records: float
    note: str


def change_year(
    records: LifeRecords,
    year: ArrayLike,
    *,
    age_years: ArrayLike | None = None,
    unit: ArrayLike | None = None,
    n_bootstrap: int = 4999,
    seed: int = 0,
    describe: bool = True,
) -> ChangeYear:
    r"""Search all production years for the one from which on parts fail earlier or later.

    Parameters
    ----------
    records : LifeRecords
        One stratum. Records whose year is one of several are left out and counted in the note.
    year : array_like of float, shape (n_rows,)
        Year of production (or fitting) of each row.
    age_years : array_like of float, shape (n_rows,), optional
        Age at inspection. Needed only where days of failure are known: the search asks whether a
        part had failed by the time it was inspected. Without it, the upper bound of a failed part
        counts as that time.
    unit : array_like of int, shape (n_rows,), optional
        Rows of one unit (left and right part) share a number; they are taken to fail together.
    n_bootstrap : int
        Largest number of simulated searches.
    seed : int
        Start of the random numbers; each search begins anew, so that its answer does not depend on
        others.
    describe : bool
        False leaves `before` and `after` NaN: their bands take longer than many a search.

    Returns
    -------
    ChangeYear

    Raises
    ------
    InvalidInput
        If there are several strata, a length does not match, a count is not whole, or `n_bootstrap`
        is below 1.

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
       smoothed maximum likelihood estimation in the current status model", Ann. Stat. 38 (2010)
       352-387.
    .. [2] R. Davidson and J. G. MacKinnon, "Improving the reliability of bootstrap tests with the fast
       double bootstrap", Comput. Stat. Data Anal. 51 (2007) 3259-3281.
    .. [3] J. Besag and P. Clifford, "Sequential Monte Carlo p-values", Biometrika 78 (1991) 301-304.
    """
    if n_bootstrap < 1:
        raise InvalidInput(f"`n_bootstrap` must be at least 1; got {n_bootstrap!r}.")
    dated = dated_records(records, year, age_years)
    if dated.confounded:
        return _unanswered(CONFOUNDED, dated)
    if unit is not None and np.shape(unit) != (len(records),):
        raise InvalidInput(
            f"`unit` needs one number for each of the {len(records)} rows; its shape is {np.shape(unit)}."
        )
    search = prepare_search(dated, None if unit is None else np.asarray(unit)[dated.rows])
    if search is None:
        return _unanswered("too few records", dated)
    best, p_value = search.run(n_bootstrap, seed)
    return _answer(dated, best, p_value, describe)


def _unanswered(status: str, dated: DatedRecords) -> ChangeYear:
    nothing = (np.nan, np.nan, np.nan)
    return ChangeYear(
        status=status,
        year=np.nan,
        p_value=np.nan,
        reference_age_years=np.nan,
        before=nothing,
        after=nothing,
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note=dated.note,
    )


def _answer(dated: DatedRecords, best: float, p_value: float, describe: bool) -> ChangeYear:
    later = dated.year >= best
    low = max(dated.age_years[later].min(), dated.age_years[~later].min())
    high = min(dated.age_years[later].max(), dated.age_years[~later].max())
    common = dated.age_years[(dated.age_years >= low) & (dated.age_years <= high)]
    reference = float(np.median(common)) if common.size else np.nan
    described = reference if describe else np.nan
    notes = [dated.note, _few(dated), "" if common.size else "the two cohorts were never seen at one age"]
    return ChangeYear(
        status="ok",
        year=best,
        p_value=p_value,
        reference_age_years=reference,
        before=_share_at(dated, ~later, described),
        after=_share_at(dated, later, described),
        correlation=dated.correlation,
        n_records=float(dated.count.sum()),
        note="; ".join(filter(None, notes)),
    )


def _few(dated: DatedRecords) -> str:
    """Say that the search had hardly a chance; empty if it had one."""
    counts = {
        "had failed": float(dated.count[dated.failed].sum()),
        "still worked": float(dated.count[~dated.failed].sum()),
    }
    state, number = min(counts.items(), key=lambda item: item[1])
    return f"only {number:g} {state}: a change would have to be extreme to show" if number < FEW else ""


def _share_at(dated: DatedRecords, chosen: BoolArray, age_years: float) -> tuple[float, float, float]:
    if np.isnan(age_years):
        return np.nan, np.nan, np.nan
    records = LifeRecords(dated.lower[chosen], dated.upper[chosen], count=dated.count[chosen])
    estimate, low, high = fit_curve(records).at(age_years)
    return float(estimate[0]), float(low[0]), float(high[0])
