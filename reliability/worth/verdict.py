"""From an appraisal and an asked price to one of four words."""

import numpy as np
from numpy.typing import NDArray

from reliability.worth.appraisal import Appraisal, FamilyEntry, Terms

Floats = NDArray[np.float64]

TAKE, HAGGLE, TRY_ONE, SKIP = "take", "haggle", "try one", "skip"
FEW_JOBS = 10
"""Below this many jobs of a family its records are few, and trying one can be worth its price."""


def cents(amount: float) -> float:
    """Round money to two decimals, halves up, as a browser does it too."""
    return float(np.floor(amount * 100.0 + 0.5) / 100.0)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """Smallest value with at least `share` of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    at = min(int(np.searchsorted(total, share * total[-1] - 1e-12)), values.size - 1)
    return float(values[order][at])


def draw_quantile(draws: Floats, share: float) -> float:
    """Quantile of equally likely draws, linear between them."""
    ordered = np.sort(draws)
    at = share * (ordered.size - 1)
    low = int(np.floor(at))
    high = min(low + 1, ordered.size - 1)
    return float(ordered[low] + (at - low) * (ordered[high] - ordered[low]))


def ceiling_price(appraisal: Appraisal, terms: Terms) -> float:
    """Highest price at which the verdict is take; below 0 where even a gift would cost money.

    Parameters
    ----------
    appraisal : Appraisal
    terms : Terms

    Returns
    -------
    float
        The price at which the mean gain equals the margin or, with caution, the price at which such a
        unit's expected gain reaches the margin in that share of the states of knowledge, if lower.
    """
    mean = cents(float(appraisal.gain_free.mean())) - terms.margin
    if terms.caution <= 0:
        return cents(mean)
    cautious = draw_quantile(appraisal.gain_free, 1.0 - terms.caution) - terms.margin
    return cents(min(mean, cautious))


def lesson_worth(appraisal: Appraisal, terms: Terms, asked: float, offers_expected: float) -> float:
    """Worth of what one more job would teach.

    Parameters
    ----------
    appraisal : Appraisal
    terms : Terms
    asked : float
        Price asked for this unit and expected for later ones.
    offers_expected : float
        Units of the family expected to be offered in the next year.

    Returns
    -------
    float
        Expected rise in the gain of deciding on those units after the outcome of one job is known.

    Notes
    -----
    Preposterior analysis [1]_ over the two outcomes of the job: each reweighs the states of knowledge
    by the chance that they gave it.

    References
    ----------
    .. [1] H. Raiffa, R. Schlaifer, *Applied Statistical Decision Theory*, Harvard, 1961, chapter 4.
    """
    over_margin = appraisal.gain_free - asked - terms.margin
    repaired = float((appraisal.success * over_margin).mean())
    unrepaired = float(((1.0 - appraisal.success) * over_margin).mean())
    return offers_expected * worth_of_knowing(repaired, unrepaired)


def worth_of_knowing(one: float, other: float) -> float:
    """Rise in gain if it is known which of two cases holds before deciding; never below 0.

    Parameters
    ----------
    one, other : float
        Gain over the margin in each case, times the chance of the case.

    Returns
    -------
    float
        ``max(0, one) + max(0, other) - max(0, one + other)``, written so that it is exactly 0 where both
        cases lead to the same decision: a verdict must not hang on rounding.
    """
    return max(0.0, min(one, -other), min(other, -one))


def decide(entry: FamilyEntry, appraisal: Appraisal, terms: Terms, asked: float, ceiling: float) -> str:
    """Choose the verdict.

    Parameters
    ----------
    entry : FamilyEntry
    appraisal : Appraisal
    terms : Terms
    asked, ceiling : float

    Returns
    -------
    str
        "take", "haggle", "try one" or "skip". Belief alone is no ground to take: where this bench has no
        finished job of the kind, a unit that would be taken is one to try.
    """
    is_founded = entry.kind_jobs > 0
    if asked <= ceiling and is_founded:
        return TAKE
    if 0 < ceiling < asked <= ceiling * (1.0 + terms.haggle_room) and is_founded:
        return HAGGLE
    if entry.jobs_seen >= FEW_JOBS or entry.open_jobs > 0:
        return SKIP
    short = max(0.0, terms.margin - (cents(float(appraisal.gain_free.mean())) - asked))
    teaches = lesson_worth(appraisal, terms, asked, entry.offers_expected) > short
    return TRY_ONE if asked <= ceiling or teaches else SKIP
