"""Counted lives: distinct ones with how often they were found, to be added up batch by batch."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.ages import FloatArray, IntArray
from reliability.life.packing import MOST_STRATA, in_stratum, life_of, stratum_of, tallied, unpack
from reliability.life.pieces import ObjectArray, Piece

#: Columns of `observe`'s table that a fit needs.
APART = ("component", "family", "kind", "year", "weight", "record", "lower", "upper", "fitted")


@dataclass(frozen=True, eq=False)
class Counts:
    """What findings say of lives, each distinct life once.

    Attributes
    ----------
    event : str
        What ends a life.
    components, families : ndarray of object
        Names, sorted.
    kinds : ndarray of object, shape (n_families,)
        Kind of each family.
    key, count : ndarray of int64, shape (n_lives,)
        Packed lives, ascending, and how often each was found.
    apart : DataFrame
        `APART` of the findings that do not pack.
    left_out, assumed : Series of int
        As in `Observations`.
    last_day : datetime64[D]
        Last day on which a unit was taken in; NaT if there was none.
    """

    event: str
    components: ObjectArray
    families: ObjectArray
    kinds: ObjectArray
    key: IntArray
    count: IntArray
    apart: pd.DataFrame
    left_out: pd.Series
    assumed: pd.Series
    last_day: np.datetime64

    def __post_init__(self) -> None:
        if self.components.size * self.families.size > MOST_STRATA:
            raise InvalidInput(
                f"{self.components.size} components in {self.families.size} families are more strata than "
                f"can be counted at once ({MOST_STRATA}); count some of the archives by themselves."
            )

    @property
    def n_findings(self) -> int:
        """How many findings say something of lives."""
        return int(self.count.sum()) + int(self.apart["record"].nunique())

    def mean_years(self) -> FloatArray:
        """Mean production year of the parts of each family, parts fitted later left out.

        Returns
        -------
        ndarray of float64, shape (n_families,)
            NaN where no part of a known production year was found.
        """
        first, last, _, fitted, _ = unpack(life_of(self.key))
        family = stratum_of(self.key) % max(self.families.size, 1)
        built = self.apart[~self.apart["fitted"].astype(bool)]
        family = np.append(family, pd.Index(self.families).get_indexer(built["family"]))
        weight = np.append(np.where(fitted, 0, self.count), built["weight"].astype(float))
        year = np.append((first + last) / 2, built["year"].astype(float))
        size = self.families.size
        with np.errstate(invalid="ignore"):  # nothing over nothing is not known
            return np.asarray(np.bincount(family, weight * year, size) / np.bincount(family, weight, size))

    def pieces(self, most: int | None = None) -> Iterator[Piece]:
        """Cut into pieces to be fitted by themselves, none across two components.

        Parameters
        ----------
        most : int, optional
            Most strata in a piece; without it a piece is a whole component.
        """
        n_families = self.families.size
        of_key = stratum_of(self.key)
        apart = pd.Index(self.components).get_indexer(self.apart["component"]) * n_families
        apart += pd.Index(self.families).get_indexer(self.apart["family"])
        strata = np.union1d(np.unique(of_key), np.unique(apart))
        for i, component in enumerate(self.components):
            mine = strata[slice(*np.searchsorted(strata, (i * n_families, (i + 1) * n_families)))]
            for start in range(0, mine.size, most or max(mine.size, 1)):
                part = mine[start : start + (most or mine.size)]
                cut = slice(*np.searchsorted(of_key, (part[0], part[-1] + 1)))
                yield Piece(
                    component=str(component),
                    families=self.families[part - i * n_families],
                    kinds=self.kinds[part - i * n_families],
                    key=life_of(self.key[cut]).astype(np.uint32),
                    stratum=np.searchsorted(part, of_key[cut]).astype(np.int32),
                    count=self.count[cut].astype(np.int32),
                    apart=self.apart[(apart >= part[0]) & (apart <= part[-1])],
                )


def add_counts(parts: Iterable[Counts]) -> Counts:
    """Add up counts of several batches, in one archive or many.

    Parameters
    ----------
    parts : iterable of Counts
        Of one and the same event. They are added as they come: the memory needed is a few times that of
        the result.

    Returns
    -------
    Counts
        The same whatever the order, but for that of `apart`.

    Raises
    ------
    InvalidInput
        If there is none, they are of different events, or a family is of two kinds.
    """
    waiting: list[Counts] = []
    n_waiting, limit = 0, 0
    for part in parts:
        waiting.append(part)
        n_waiting += part.key.size
        if n_waiting > limit:
            waiting = [_joined(waiting)]
            n_waiting = waiting[0].key.size
            limit = 4 * n_waiting
    if not waiting:
        raise InvalidInput("There are no findings to add up: at least one batch is needed, 0 were given.")
    return _joined(waiting)


def _joined(parts: list[Counts]) -> Counts:
    first = parts[0]
    if len(parts) == 1:
        return first
    events = sorted({part.event for part in parts})
    if len(events) > 1:
        raise InvalidInput(
            f"Counts of different events cannot be added up; these are of {', '.join(events)}."
        )
    components = _union([part.components for part in parts])
    families = _union([part.families for part in parts])
    pairs = [np.concatenate([getattr(part, name) for part in parts]) for name in ("families", "kinds")]
    start = np.cumsum([0, *(len(part.apart) for part in parts)])
    apart = [part.apart.assign(record=pd.factorize(part.apart["record"])[0] + s)
             for part, s in zip(parts, start, strict=False) if len(part.apart)]  # fmt: skip
    key, count = tallied(
        np.concatenate([_renumbered(part, components, families) for part in parts]),
        np.concatenate([part.count for part in parts]),
    )
    return Counts(
        event=events[0],
        components=components,
        families=families,
        kinds=kinds_of(families, *pairs),
        key=key,
        count=count,
        apart=pd.concat(apart, ignore_index=True) if apart else first.apart,
        left_out=sum((part.left_out for part in parts[1:]), first.left_out),
        assumed=sum((part.assumed for part in parts[1:]), first.assumed),
        last_day=np.fmax.reduce([part.last_day for part in parts]),
    )


def _union(names: list[ObjectArray]) -> ObjectArray:
    return np.array(sorted(set().union(*names)), dtype=object)


def _renumbered(part: Counts, components: ObjectArray, families: ObjectArray) -> IntArray:
    if np.array_equal(part.components, components) and np.array_equal(part.families, families):
        return part.key
    component, family = np.divmod(stratum_of(part.key), max(part.families.size, 1))
    component = pd.Index(components).get_indexer(part.components)[component]
    family = pd.Index(families).get_indexer(part.families)[family]
    stratum = component.astype(np.int64) * families.size + family
    return in_stratum(part.key, stratum)


def kinds_of(families: ObjectArray, family: ObjectArray, kind: ObjectArray) -> ObjectArray:
    """Kind of each family, from pairs of family and kind that may repeat.

    Raises
    ------
    InvalidInput
        If one family is of two kinds.
    """
    pairs = pd.DataFrame({"family": family, "kind": kind}).drop_duplicates()
    twice = pairs["family"].duplicated()
    if twice.any():
        name = pairs["family"][twice].iloc[0]
        said = " and ".join(map(repr, sorted(pairs["kind"][pairs["family"] == name])))
        raise InvalidInput(f"A family belongs to one kind; {name!r} is said to be {said}.")
    return pairs.set_index("family")["kind"].reindex(families).to_numpy(dtype=object)
