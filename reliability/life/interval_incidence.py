"""First events of several kinds that are known only to lie between two checks."""

import numpy as np
from numpy.typing import ArrayLike

from reliability.errors import InvalidInput
from reliability.life.ages import FloatArray, IntArray
from reliability.life.event_times import checked_events, event_codes, for_each
from reliability.life.incidence import CumulativeIncidence
from reliability.life.mass_likelihood import CellLikelihood, maximise
from reliability.life.turnbull import cell_likelihood, innermost

_CONVERGED = 1e-5


def interval_incidence(
    last_free: ArrayLike, first_known: ArrayLike, cause: ArrayLike, *, count: ArrayLike = 1
) -> CumulativeIncidence:
    """Cumulative incidence where events are known only to lie between two checks.

    The masses are spread over cells of (time, kind of event), a record without event allows every
    kind afterwards, and the likelihood is maximised over all of them at once [1]_. With times known
    exactly this is the Aalen-Johansen estimate.

    Parameters
    ----------
    last_free : array_like of float, shape (n,)
        Last time known to be free of any event; 0 if never checked before.
    first_known : array_like of float, shape (n,)
        Time by which the event had happened (equal to `last_free` if its time is known); infinite
        for no event.
    cause : array_like, shape (n,)
        Kind of the event; None, NaN or an empty text for none.
    count : array_like of float, shape (n,), keyword-only

    Returns
    -------
    CumulativeIncidence
        At the ends of the cells that carry mass, and at the last check.

    Raises
    ------
    InvalidInput
        If a bound or count is out of range, or a record has an end without a kind of event or the
        other way round.

    References
    ----------
    .. [1] M. G. Hudgens, G. A. Satten and I. M. Longini, "Nonparametric maximum likelihood estimation
       for competing risks survival data subject to interval censoring and truncation", Biometrics 57
       (2001) 74-80.
    """
    low, kinds, weight = checked_events(last_free, cause, count)
    high = for_each("first_known", np.asarray(first_known, dtype=np.float64), low)
    causes, code = event_codes(kinds)
    bad = ~(high >= low) | (np.isinf(high) != (code < 0))
    if bad.any():
        i = int(np.argmax(bad))
        raise InvalidInput(
            f"A record needs last_free <= first_known, which is infinite exactly where there is no event; "
            f"{bad.sum()} of {bad.size} break that (first: position {i}, {low[i]:g} to {high[i]:g}, "
            f"event {kinds[i]!r})."
        )
    right, cell_code, likelihood = _joint_cells(low, high, code, weight, len(causes))
    found = maximise(likelihood)
    converged = found.gap <= _CONVERGED * weight.sum()
    mass = found.mass if converged else np.full(found.mass.size, np.nan)
    finite = cell_code >= 0
    times = np.unique(np.append(right[finite & (found.mass > 1e-9)], low.max()))
    incidence = np.zeros((times.size, len(causes)))
    at = np.minimum(np.searchsorted(times, right[finite]), times.size - 1)
    np.add.at(incidence, (at, cell_code[finite]), mass[finite])
    incidence = np.cumsum(incidence, axis=0)
    return CumulativeIncidence(
        method="Turnbull",
        status=("ok" if causes else "no events") if converged else "not converged",
        causes=causes,
        time=times,
        incidence=incidence,
        event_free=1 - incidence.sum(axis=1),
        standard_error=np.full(incidence.shape, np.nan),
        n_records=float(weight.sum()),
    )


def _joint_cells(
    low: FloatArray, high: FloatArray, code: IntArray, count: FloatArray, n_causes: int
) -> tuple[FloatArray, IntArray, CellLikelihood]:
    """Cells of (time, kind of event) that can carry mass, kind by kind, then one cell for no event.

    Returns
    -------
    right : ndarray of float64, shape (n_cells,)
        End of each cell.
    kind : ndarray of int64, shape (n_cells,)
        Kind of event, -1 for the cell without.
    likelihood : CellLikelihood
    """
    times, place = np.unique(np.concatenate((low, high)), return_inverse=True)
    # Places on the line as for Turnbull's cells: exact time, end of an interval, begin of one.
    begin = 3 * place[: low.size] + np.where(low == high, 0, 2)
    end = 3 * place[low.size :] + 1
    free = code < 0
    first, last, record = [], [], []
    right, kinds = [], []
    offset = 0
    for kind in range(n_causes):
        at = np.flatnonzero(free | (code == kind))
        cell_begin, cell_end = innermost(begin[at], end[code == kind])
        stop = np.where(free[at], cell_end.size, np.searchsorted(cell_end, end[at], side="right"))
        first.append(offset + np.searchsorted(cell_begin, begin[at], side="left"))
        last.append(offset + stop)
        record.append(at)
        right.append(times[cell_end // 3])
        kinds.append(np.full(cell_end.size, kind))
        offset += cell_end.size
    survivors = np.flatnonzero(free)
    if survivors.size:
        first.append(np.full(survivors.size, offset))
        last.append(np.full(survivors.size, offset + 1))
        record.append(survivors)
        right.append(np.array([np.inf]))
        kinds.append(np.array([-1]))
    rows = np.concatenate(record)
    likelihood = cell_likelihood(
        np.concatenate(first),
        np.concatenate(last),
        np.ones(rows.size),
        rows,
        count[rows],
        n_cells=offset + int(survivors.size > 0),
    )
    return np.concatenate(right), np.concatenate(kinds), likelihood
