"""Units on offer: reading them, and turning each into what an appraisal needs."""

import csv
import datetime
import io
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.life.findings import age_at
from reliability.records.columns import Column
from reliability.records.csv_files import MOST_COLUMNS, restored
from reliability.records.faults import Fault, Refused, nearest, refuse
from reliability.records.values import clean_text, read_value
from reliability.worth.appraisal import FamilyEntry, Unit, assumed_years
from reliability.worth.appraiser import Appraiser
from reliability.worth.causes import MOST_SEEN

OFFER_COLUMNS = (
    Column("offer", "text", "name or number of the offer", required=True),
    Column("family", "text", "model family"),
    Column("model", "text", "name on the front panel"),
    Column("kind", "text", "for a family that the ledger does not know"),
    Column("working_price", "money", "what a working unit fetches, in place of the family's", above=0),
    Column("built_from", "year", "first possible production year", minimum=1800, maximum=2100),
    Column("built_to", "year", "last possible production year", minimum=1800, maximum=2100),
    Column("asked", "money", "price asked; empty: only chance and ceiling are wanted", minimum=0),
    Column("seen_on", "date", "day of the sale"),
)
NAMES = tuple(column.name for column in OFFER_COLUMNS)
SIGN = Column("sign", "choice", "seen at the sale", allowed=("yes", "no"))

LONGEST_WINDOW = 60
"""Years a production window may span before it is taken for a slip of the pen."""


def read_offers(path: Path) -> pd.DataFrame:
    """Read an offers file.

    Parameters
    ----------
    path : Path
        CSV (RFC 4180, UTF-8, a byte order mark is accepted) with a header row, columns in any order:
        those of `OFFER_COLUMNS` and one per sign, each yes, no or empty. A text that was written with an
        apostrophe in front, so that no spreadsheet takes it for a formula, is read without it.

    Returns
    -------
    DataFrame
        One row per offer; all documented columns, then the signs in the file's order. Text or None,
        years and money as float (NaN where empty), dates as datetime64.

    Raises
    ------
    InvalidInput
        With every fault of the file: line, column, what was found, what is allowed.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise InvalidInput(f"{path.name} could not be read: {error.strerror}.") from None
    except UnicodeDecodeError as error:
        raise InvalidInput(
            f"{path.name} is not UTF-8 (byte {error.start}). Save it as CSV in UTF-8."
        ) from None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        lines = [
            (reader.line_num, [restored(clean_text(cell)) for cell in cells])
            for cells in reader
            if any(cell.strip() for cell in cells)
        ]
    except csv.Error as error:
        raise InvalidInput(f"{path.name}, line {reader.line_num}: {error}. Quotes must pair up.") from None
    if not lines:
        raise InvalidInput(f"{path.name} is empty: a header row and one line per offer are needed.")
    header = lines[0][1]
    rows, faults = [], _header_faults(path.name, header)
    if not faults:
        for number, cells in lines[1:]:
            if len(cells) != len(header):
                faults.append(
                    Fault(
                        f"{path.name}, line {number}",
                        "",
                        f"{len(cells)} cells, the header has {len(header)}.",
                    )
                )
                continue
            cell_of = dict(zip(header, cells, strict=True))
            rows.append(_checked(f"{path.name}, line {number}", cell_of, faults))
        faults += _repeated(path.name, rows)
    refuse(faults, "Nothing was judged.")
    return offers_table(rows, [name for name in header if name not in NAMES])


def offers_from(rows: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Check offers that come from elsewhere than a file; the same rules, places named by offer.

    Parameters
    ----------
    rows : sequence of mapping
        Keys are columns of an offers file; values texts, numbers or None.

    Returns
    -------
    DataFrame
        As `read_offers`.

    Raises
    ------
    InvalidInput
        With every fault.
    """
    faults: list[Fault] = []
    checked = [_checked(f"offer {row.get('offer', '?')}", dict(row), faults) for row in rows]
    faults += _repeated("offers", checked)
    refuse(faults, "Nothing was judged.")
    signs = list(dict.fromkeys(name for row in rows for name in row if name not in NAMES))
    return offers_table(checked, signs)


def _header_faults(file: str, header: list[str]) -> list[Fault]:
    faults = []
    if len(header) > MOST_COLUMNS:
        message = f"there are {len(header)} columns; at most {MOST_COLUMNS} are read."
        return [Fault(f"{file}, line 1", "", message)]
    if "offer" not in header:
        faults.append(Fault(f"{file}, line 1", "", f"there is no column offer; found: {', '.join(header)}."))
    for name in sorted({name for name in header if header.count(name) > 1}):
        faults.append(Fault(f"{file}, line 1", name, "occurs more than once."))
    if "" in header:
        faults.append(Fault(f"{file}, line 1", "", "a column has no name."))
    return faults


def _checked(place: str, cells: Mapping[str, object], faults: list[Fault]) -> dict[str, Any]:
    row: dict[str, Any] = {}
    for column in OFFER_COLUMNS:
        value = cells.get(column.name)
        row[column.name] = _cell(place, column.name, column, value, faults)
        if column.required and row[column.name] is None:
            faults.append(Fault(place, column.name, "is empty; every offer needs one."))
    for name in cells:
        if name not in NAMES:
            row[name] = _sign(place, name, cells[name], faults)
    first, last = row["built_from"], row["built_to"]
    row["built_from"], row["built_to"] = (
        first if first is not None else last,
        last if last is not None else first,
    )
    if first is not None and last is not None and not 0 <= last - first <= LONGEST_WINDOW:
        message = f"the window {first} to {last} must run forwards and span at most {LONGEST_WINDOW} years."
        faults.append(Fault(place, "built_to", message))
    if row["family"] is None and row["model"] is None and row["kind"] is None:
        faults.append(Fault(place, "", "names neither family nor model nor kind."))
    return row


def _cell(place: str, name: str, column: Column, value: object, faults: list[Fault]) -> Any:
    if value is None or (isinstance(value, str) and not value.strip()) or value != value:
        return None
    if isinstance(value, pd.Timestamp):
        value = value.date()
    if isinstance(value, float) and column.kind == "year" and value.is_integer():
        value = int(value)
    try:
        found = read_value(column, value.strip() if isinstance(value, str) else value)
    except Refused as refused:
        faults.append(Fault(place, name, f"{refused}."))
        return None
    return float(found) if isinstance(found, Decimal) else found


def _sign(place: str, name: str, value: object, faults: list[Fault]) -> str | None:
    try:
        return _cell_sign(value)
    except Refused as refused:
        near = nearest(name, NAMES).replace("Did you mean", "Did you mean the column")
        message = f"read as a sign: {refused}.{near}"
        faults.append(Fault(place, name, message))
        return None


def _cell_sign(value: object) -> str | None:
    if value is None or (isinstance(value, str) and not value.strip()) or value != value:
        return None
    return str(read_value(SIGN, value.strip() if isinstance(value, str) else value))


def _repeated(file: str, rows: list[dict[str, Any]]) -> list[Fault]:
    names = [row["offer"] for row in rows if row["offer"] is not None]
    twice = sorted({name for name in names if names.count(name) > 1}) if len(set(names)) < len(names) else []
    return [Fault(file, "offer", f"{name!r} is used {names.count(name)} times.") for name in twice]


def offers_table(rows: list[dict[str, Any]], signs: list[str]) -> pd.DataFrame:
    """Lay out checked offers; DataFrame as `read_offers` returns it."""
    table = pd.DataFrame(rows, columns=[*NAMES, *signs], dtype=object)
    for name in ("working_price", "built_from", "built_to", "asked"):
        table[name] = pd.to_numeric(table[name]).astype(float)
    middle = [d + "-16" if isinstance(d, str) and len(d) == 7 else d for d in table["seen_on"]]
    table["seen_on"] = pd.to_datetime(pd.Series(middle, dtype=object), format="%Y-%m-%d")
    return table.astype({name: object for name in ("offer", "family", "model", "kind", *signs)})


def find_entry(offer: Mapping[str, Any], appraiser: Appraiser) -> tuple[FamilyEntry, list[str]]:
    """Find what the ledger knows of an offer, and say what it does not know.

    Parameters
    ----------
    offer : mapping
        A row of the offers table.
    appraiser : Appraiser

    Returns
    -------
    entry : FamilyEntry
    notes : list of str

    Raises
    ------
    InvalidInput
        If family and model contradict each other, or a name is nearly a known one (of families and models:
        while the offer does not give both a kind and a working price).
    """
    (family, notes), kind = _named_family(offer, appraiser), offer["kind"]
    if family is not None and family in appraiser.families:
        entry = appraiser.families[family]
        if kind is not None and kind != entry.kind:
            raise InvalidInput(
                f"Offer {offer['offer']}: family {family!r} is of kind {entry.kind!r} in the ledger, "
                f"but the offer says {kind!r}. Correct one of the two."
            )
        return entry, notes
    if family is not None:
        _ask_if_near(offer, "family", [*appraiser.families, *appraiser.models])
        notes.append(f"unknown family {family}")
    if kind in appraiser.kinds and kind:
        return appraiser.kinds[kind], [*notes, f"judged from all of kind {kind}"]
    if kind is not None:
        _ask_if_near(offer, "kind", [name for name in appraiser.kinds if name])
        notes.append(f"unknown kind {kind}")
    return appraiser.kinds[""], [*notes, "judged from all kinds"]


def _named_family(offer: Mapping[str, Any], appraiser: Appraiser) -> tuple[str | None, list[str]]:
    """Find the family that an offer names itself or by its model, and say which model is not known."""
    family, model = offer["family"], offer["model"]
    if model is None:
        return family, []
    its_family = appraiser.models.get(model)
    if its_family is None and family is None:
        if model in appraiser.families:
            return model, []
        _ask_if_near(offer, "model", [*appraiser.models, *appraiser.families])
    if its_family is None:
        return family, [f"unknown model {model}"]
    if family is not None and family != its_family:
        raise InvalidInput(
            f"Offer {offer['offer']}: the ledger has model {model!r} in family {its_family!r}, "
            f"but the offer says {family!r}. Correct one of the two."
        )
    return its_family, []


def _ask_if_near(offer: Mapping[str, Any], column: str, known: Iterable[str]) -> None:
    """Refuse what is nearly a known name, unless the offer describes a unit that is new to the ledger."""
    name, is_kind = offer[column], column == "kind"
    is_described = offer["kind"] is not None and not np.isnan(offer["working_price"])
    near = nearest(name, known) if is_kind or not is_described else ""
    if near:
        new = "leave it out" if is_kind else "if it is new indeed, give its kind and a working_price"
        raise InvalidInput(
            f"Offer {offer['offer']}: the ledger has no {column} {name!r}.{near} Correct it, or {new}."
        )


def read_unit(
    offer: Mapping[str, Any], entry: FamilyEntry, appraiser: Appraiser, as_of: datetime.date
) -> tuple[Unit, list[str]]:
    """Turn an offer into ages, signs and price.

    Parameters
    ----------
    offer : mapping
        A row of the offers table.
    entry : FamilyEntry
    appraiser : Appraiser
    as_of : datetime.date
        Day of the sale where the offer does not say.

    Returns
    -------
    unit : Unit
    notes : list of str

    Raises
    ------
    InvalidInput
        If the unit would have been built after it was seen.
    """
    seen_on = as_of if pd.isna(offer["seen_on"]) else offer["seen_on"].date()
    first, last, notes = offer["built_from"], offer["built_to"], []
    if np.isnan(first):
        years = assumed_years(entry.first_year, entry.last_year, entry.reference_year, seen_on.year)
        first, last = entry.first_year, min(entry.last_year, float(seen_on.year))
        span = f"{years[0]:.0f}" if years.size == 1 else f"{first:.0f} to {last:.0f}"
        notes.append(f"production year not given, {span} assumed")
    elif last > seen_on.year:
        raise InvalidInput(
            f"Offer {offer['offer']}: built in {last:.0f}, after the day it was seen ({seen_on}). "
            "Correct built_to or seen_on."
        )
    else:
        years = np.arange(first, last + 1)
    ages = age_at(np.full(years.size, np.datetime64(seen_on)), years)
    if not np.isnan(entry.oldest_seen) and ages.mean() > entry.oldest_seen + 1:
        notes.append(f"older than any on record ({entry.oldest_seen:.0f} years)")
    signs = np.full(len(appraiser.shared.signs), np.nan)
    for i, name in enumerate(appraiser.shared.signs):
        if offer.get(name) in ("yes", "no"):
            signs[i] = float(offer[name] == "yes")
    strange = [
        n for n in offer if n not in NAMES and n not in appraiser.shared.signs and offer[n] is not None
    ]
    notes += [f"sign {name} is on no record, ignored" for name in strange]
    if np.count_nonzero(signs == 1.0) > MOST_SEEN:
        notes.append(f"components judged by the {MOST_SEEN} signs that tell most of them")
    unit = Unit(ages, years, np.full(years.size, 1.0 / years.size), signs, float(offer["working_price"]))
    return unit, notes
