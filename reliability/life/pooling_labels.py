"""Labels that come with life records: checked, and laid beside the rows that they belong to."""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from reliability.errors import InvalidInput
from reliability.life.life_records import LifeRecords
from reliability.life.pooling_records import Hearsay, label_texts

ObjectArray = NDArray[np.object_]

COLUMNS = ("component", "family", "kind", "lower", "upper", "count", "weight", "record", "alternatives")


def label_rows(
    records: LifeRecords | None,
    *,
    component: ArrayLike,
    family: ArrayLike,
    kind: ArrayLike | None,
    year: ArrayLike | None,
    hearsay: Sequence[Hearsay],
) -> pd.DataFrame:
    """Lay labels beside life records, with hearsay as further rows.

    Parameters
    ----------
    records : LifeRecords or None
    component, family, kind, year : array_like, shape (n_rows,)
        As in `pool`.
    hearsay : sequence of Hearsay

    Returns
    -------
    DataFrame
        Columns component, family (None for hearsay about a kind), kind, lower, upper, count, weight,
        record, alternatives (how many rows share the record), year, heard, power.

    Raises
    ------
    InvalidInput
        If labels are missing or of the wrong length, a record or a family is torn between labels, or
        hearsay does not fit the records.
    """
    size = 0 if records is None else len(records)
    frame = pd.DataFrame(
        {
            "component": _labels("component", component, size),
            "family": _labels("family", family, size),
            "kind": _labels("kind", kind, size, is_optional=True),
            "year": _years(year, size),
            "heard": False,
            "power": 1.0,
        }
    )
    for name in ("lower", "upper", "count", "weight", "record"):
        frame[name] = np.zeros(0) if records is None else getattr(records, name)
    _check_whole_records(frame)
    frame["alternatives"] = frame.groupby("record")["record"].transform("size")
    _check_one_kind(frame)
    return _with_hearsay(frame, hearsay, has_kinds=kind is not None)


def _labels(name: str, values: ArrayLike | None, size: int, *, is_optional: bool = False) -> ObjectArray:
    if values is None and is_optional:
        return np.full(size, None, dtype=object)
    labels = np.asarray(values, dtype=object)
    if labels.shape != (size,):
        raise InvalidInput(
            f"`{name}` must hold one label for each of the {size} rows; its shape is {labels.shape}."
        )
    labels = label_texts(name, labels)
    empty = pd.isna(labels) | (labels == "")
    labels[empty] = None
    if empty.any() and not is_optional:
        first = int(np.argmax(empty))
        raise InvalidInput(
            f"`{name}` must not be empty; {empty.sum()} of {size} are (first: position {first})."
        )
    return labels


def _years(year: ArrayLike | None, size: int) -> NDArray[np.float64]:
    if year is None:
        return np.full(size, np.nan)
    years = np.asarray(year, dtype=np.float64)
    if years.shape != (size,):
        raise InvalidInput(
            f"`year` must hold one year for each of the {size} rows; its shape is {years.shape}."
        )
    bad = ~np.isfinite(years)
    if bad.any():
        raise InvalidInput(
            f"`year` must be known in every row, or left out altogether; {bad.sum()} of {size} are not "
            f"finite (first: position {int(np.argmax(bad))}). An age comes from a year, so use that one."
        )
    return years


def _check_whole_records(frame: pd.DataFrame) -> None:
    """Alternatives of one record are about one part of one family."""
    ranked = frame.sort_values("record", kind="stable")
    record, position = ranked["record"].to_numpy(), ranked.index.to_numpy()
    same = record[1:] == record[:-1]
    for name in ("component", "family", "kind"):
        labels = ranked[name].to_numpy()
        torn = same & (labels[1:] != labels[:-1])
        if torn.any():
            i = int(np.argmax(torn))
            raise InvalidInput(
                f"Alternatives of one record must share their {name}; record {record[i]:g} has "
                f"{labels[i]!r} (position {position[i]}) and {labels[i + 1]!r} (position {position[i + 1]})."
            )


def _check_one_kind(frame: pd.DataFrame) -> None:
    pairs = frame[["component", "family", "kind"]].drop_duplicates()
    twice = pairs.duplicated(["component", "family"])
    if twice.any():
        name, family, _ = pairs[twice].iloc[0]
        kinds = pairs[(pairs["component"] == name) & (pairs["family"] == family)]["kind"].tolist()
        raise InvalidInput(
            f"A family belongs to one kind; {family!r} (component {name!r}) is labelled "
            f"{' and '.join(map(repr, kinds))}."
        )


def _with_hearsay(frame: pd.DataFrame, hearsay: Sequence[Hearsay], *, has_kinds: bool) -> pd.DataFrame:
    if not hearsay:
        return frame
    pairs = frame.drop_duplicates(["component", "family"])
    kind_of = dict(zip(zip(pairs["component"], pairs["family"], strict=True), pairs["kind"], strict=True))
    next_record = 0 if frame.empty else int(frame["record"].max()) + 1
    rows: list[dict[str, object]] = []
    for saying in hearsay:
        kind = _kind_of(saying, kind_of, has_kinds=has_kinds or frame.empty)
        for lower, upper, count in saying.halves():
            # About a kind: one unnamed family, as often as it counts. About a family: its own records.
            own, power = (1.0, count) if saying.family is None else (count, 1.0)
            rows.append(
                {
                    "component": saying.component, "family": saying.family, "kind": kind, "year": np.nan,
                    "heard": True, "power": power, "lower": lower, "upper": upper, "count": own,
                    "weight": 1.0, "record": next_record + len(rows), "alternatives": 1,
                }
            )  # fmt: skip
    added = pd.DataFrame(rows, columns=frame.columns)
    return added if frame.empty else pd.concat([frame, added.astype(frame.dtypes)], ignore_index=True)


def _kind_of(saying: Hearsay, kind_of: dict[tuple[str, str], str | None], *, has_kinds: bool) -> str | None:
    """Kind under which a saying is pooled, after checking it against the records."""
    if saying.kind is not None and not has_kinds:
        raise InvalidInput(
            f"Hearsay about {saying.component!r} names the kind {saying.kind!r}, but the records came "
            "without kinds; give `kind` with the records."
        )
    if saying.family is None:
        return saying.kind
    known = kind_of.setdefault((saying.component, saying.family), saying.kind)
    if saying.kind is not None and known != saying.kind:
        raise InvalidInput(
            f"Hearsay about {saying.component!r} puts the family {saying.family!r} into the kind "
            f"{saying.kind!r}; elsewhere it belongs to {known!r}."
        )
    return known
