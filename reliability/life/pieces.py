"""Counted lives cut into pieces, each to be fitted by itself."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.life.ages import MONTHS, BoolArray, FloatArray, spread_years
from reliability.life.life_records import LifeRecords
from reliability.life.packing import unpack

ObjectArray = NDArray[np.object_]


@dataclass(frozen=True, eq=False)
class Piece:
    """Counted lives of one component in some families, small enough to be sent to a fit.

    Attributes
    ----------
    component : str
    families, kinds : ndarray of object, shape (n_strata,)
        The strata, in this order.
    key, stratum, count : ndarray, shape (n_lives,)
        Packed lives without their stratum; position of the stratum; how often.
    apart : DataFrame
        As in `Counts`.
    """

    component: str
    families: ObjectArray
    kinds: ObjectArray
    key: NDArray[np.uint32]
    stratum: NDArray[np.int32]
    count: NDArray[np.int32]
    apart: pd.DataFrame

    def lives(self) -> "Lives":
        """Unpack into life records; windows of years become equally likely alternatives."""
        first, last, months, fitted, happened = unpack(self.key.astype(np.int64))
        source, year, weight = spread_years(first, last)
        age = np.maximum(months[source] - MONTHS * (year - first[source]), 1) / MONTHS
        happened = happened[source]
        apart, n_plain = self.apart, self.key.size
        # Pieces and batches number the records of `apart` by themselves: only their order counts here.
        record = n_plain + pd.factorize(apart["record"])[0]
        stratum = pd.Index(self.families).get_indexer(apart["family"])
        records = LifeRecords(
            np.append(np.where(happened, 0.0, age), apart["lower"]),
            np.append(np.where(happened, age, np.inf), apart["upper"]),
            count=np.append(self.count[source].astype(float), np.ones(len(apart))),
            stratum=np.append(self.stratum[source], stratum),
            record=np.append(source, record),
            weight=np.append(weight, apart["weight"]),
        )
        years = np.append(year, apart["year"].astype(float))
        return Lives(records, years, np.append(fitted[source], apart["fitted"].astype(bool)))


@dataclass(frozen=True, eq=False)
class Lives:
    """Life records of a piece, with the year that each row assumes.

    Attributes
    ----------
    records : LifeRecords
    year : ndarray of float64, shape (n_rows,)
        Of production, or of fitting.
    fitted : ndarray of bool, shape (n_rows,)
        Whether it is that of fitting.
    """

    records: LifeRecords
    year: FloatArray
    fitted: BoolArray
