"""Work that can be spread over processes or machines: counts of batches, fits of pieces, pools of components.

Everything here takes a `concurrent.futures.Executor`, or None to do the work in this process. The pieces are
cut the same way in either case and put together in their order, so the answers are the same too.
"""

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from typing import Protocol, TypeVar

import numpy as np
import pandas as pd

from reliability.life.ages import FloatArray, age_at
from reliability.life.counting import Worst, count_findings
from reliability.life.counts import Counts, add_counts
from reliability.life.pieces import Piece
from reliability.life.pooling import pool
from reliability.life.weibull import fit_weibull

__all__ = ["LIFE_COLUMNS", "Source", "count_all", "lives_of_counts", "spread"]

#: Strata that are fitted at once: a piece of so many weighs about a megabyte.
STRATA_PER_PIECE = 1_000
_AHEAD = 16
LIFE_COLUMNS = (
    "component", "family", "kind", "n_failed", "n_sound", "status", "shape", "shape_low", "shape_high",
    "b10_years", "b10_low_years", "b10_high_years", "b50_years", "b50_low_years", "b50_high_years",
    "age_years", "failed_own", "failed_own_low", "failed_own_high", "failed", "failed_low", "failed_high",
)  # fmt: skip

Item = TypeVar("Item")
Answer = TypeVar("Answer")


class Source(Protocol):
    """Something that gives a batch of findings when it is asked, wherever it is asked."""

    def read(self) -> pd.DataFrame:
        """Give the batch; see `count_findings` for its columns."""


def spread(
    function: Callable[[Item], Answer],
    items: Iterable[Item],
    executor: Executor | None = None,
    *,
    ahead: int = _AHEAD,
) -> Iterator[Answer]:
    """Apply a function to each item; the answers come in the order of the items.

    Parameters
    ----------
    function : callable
        Of one item. With an executor of processes it must be importable there.
    items : iterable
        Taken as they are needed.
    executor : concurrent.futures.Executor, optional
        Where the work is done.
    ahead : int
        How many items are under way at most, so that neither they nor their answers pile up.

    Yields
    ------
    Answer
    """
    if executor is None:
        yield from map(function, items)
        return
    under_way: deque[Future[Answer]] = deque()
    for item in items:
        under_way.append(executor.submit(function, item))
        if len(under_way) >= ahead:
            yield under_way.popleft().result()
    while under_way:
        yield under_way.popleft().result()


def count_all(
    sources: Sequence[Source],
    *,
    event: str = "failed",
    worst: Worst | None = None,
    executor: Executor | None = None,
) -> Counts:
    """Count the findings of many batches, each read where it is counted.

    Parameters
    ----------
    sources : sequence of Source
    event, worst
        As in `count_findings`.
    executor : concurrent.futures.Executor, optional

    Returns
    -------
    Counts

    Raises
    ------
    InvalidInput
        As `count_findings` and `add_counts` do.
    """
    return add_counts(spread(partial(_read_and_count, event=event, worst=worst), sources, executor))


def _read_and_count(source: Source, *, event: str, worst: Worst | None) -> Counts:
    return count_findings(source.read(), event=event, worst=worst)


@dataclass(frozen=True, eq=False)
class _Asked:
    """A piece, and at which age of units of which production year its families are looked at."""

    piece: Piece
    age_years: FloatArray
    year: FloatArray
    level: float
    intervals: bool


def lives_of_counts(
    counts: Counts,
    *,
    components: Collection[str] = (),
    intervals: bool = True,
    level: float = 0.90,
    executor: Executor | None = None,
) -> pd.DataFrame:
    """Tell the life of every component in every family: from its own findings, and pooled.

    Parameters
    ----------
    counts : Counts
    components : collection of str
        Only these; all if it is empty.
    intervals : bool
        Whether to work out the intervals of a family's own estimates, which takes longer than all else.
    level : float
        Of intervals and bands.
    executor : concurrent.futures.Executor, optional
        Fits pieces of strata, and pools components, side by side.

    Returns
    -------
    DataFrame
        `LIFE_COLUMNS`, sorted by component and family. `age_years` is the age, on the last day on which
        any unit was taken in, of a unit of the family's mean production year; `failed_own` the share that
        has failed by then from the family's own findings, `failed` from all families together. NaN where
        the year, or an estimate, is not known.
    """
    year = counts.mean_years()
    age = age_at(np.full(year.size, counts.last_day), year)
    ask = partial(
        _asked, families=pd.Index(counts.families), age=age, year=year, level=level, intervals=intervals
    )

    def wanted(most: int | None) -> Iterator[_Asked]:
        chosen = (piece for piece in counts.pieces(most) if not components or piece.component in components)
        return map(ask, chosen)

    own = list(spread(_own_lives, wanted(STRATA_PER_PIECE), executor))
    if not own:
        return pd.DataFrame(columns=list(LIFE_COLUMNS))
    pooled = list(spread(_pooled_lives, wanted(None), executor))
    table = pd.concat(own, ignore_index=True)
    both = table.merge(pd.concat(pooled), on=["component", "family"], validate="one_to_one")
    return both[list(LIFE_COLUMNS)]


def _asked(
    piece: Piece, *, families: pd.Index, age: FloatArray, year: FloatArray, level: float, intervals: bool
) -> _Asked:
    at = families.get_indexer(piece.families)
    return _Asked(piece, age[at], year[at], level, intervals)


def _own_lives(asked: _Asked) -> pd.DataFrame:
    """Fit each family by itself."""
    piece = asked.piece
    fit = fit_weibull(piece.lives().records, level=asked.level)
    known = np.isfinite(asked.age_years)
    columns = {
        "component": piece.component,
        "family": piece.families,
        "kind": piece.kinds,
        "n_failed": fit.n_failed,
        "n_sound": fit.n_sound,
        "status": fit.status,
        "age_years": asked.age_years,
    }
    z = {"b10": -np.log1p(-0.10), "b50": -np.log1p(-0.50)}
    estimates = {f"{name}_years": fit.scale * part ** (1 / fit.shape) for name, part in z.items()}
    ends = dict.fromkeys(LIFE_COLUMNS[6:15], np.nan) | {"shape": fit.shape, **estimates}
    own = np.full((3, piece.families.size), np.nan)
    own[0] = -np.expm1(-((asked.age_years / fit.scale) ** fit.shape))
    if asked.intervals:
        _, ends["shape_low"], ends["shape_high"] = fit.shape_interval()
        for name, share in (("b10", 0.10), ("b50", 0.50)):
            _, ends[f"{name}_low_years"], ends[f"{name}_high_years"] = fit.life(share)
        own = np.where(known, fit.failed_by(np.nan_to_num(asked.age_years)), np.nan)
    shares = dict(zip(("failed_own", "failed_own_low", "failed_own_high"), own, strict=True))
    return pd.DataFrame(columns | ends | shares)


def _pooled_lives(asked: _Asked) -> pd.DataFrame:
    """Pool one component over its families, and look at each at its age."""
    piece, lives = asked.piece, asked.piece.lives()
    at = lives.records.stratum
    pooled = pool(
        lives.records,
        component=np.full(at.size, piece.component, dtype=object),
        family=piece.families[at],
        kind=piece.kinds[at],
        year=lives.year,
    )
    known = np.isfinite(asked.age_years)
    shares = np.full((3, piece.families.size), np.nan)
    if known.any():
        shares[:, known] = pooled.failed_by(
            piece.component,
            piece.families[known],
            asked.age_years[known],
            year=asked.year[known],
            kind=piece.kinds[known],
            level=asked.level,
        )
    named = dict(zip(("failed", "failed_low", "failed_high"), shares, strict=True))
    return pd.DataFrame({"component": piece.component, "family": piece.families, **named})
