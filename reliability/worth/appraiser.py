"""Everything fitted once, and kept on disk: what judges offers and feeds the pages."""

import datetime
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args, get_origin

import numpy as np

from reliability.errors import InvalidInput, reason
from reliability.records.files import belongs_to_user, fresh_file, own_folder
from reliability.records.ledger import ledger_mark
from reliability.worth.odds import FamilyEntry, Shared, Terms

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger

FORMAT = 5
"""Raised when what is kept on disk changes its meaning."""

COUNTED, LEFT_OUT, TOO_MANY = "counted", "left out", "too many"

ESTIMATES = ("shift", "shift_se", "own_weight", "hours_repaired", "hours_unrepaired")
SPREADS = ("ratio", "remains", "costs_repaired", "costs_unrepaired")
"""What of a `FamilyEntry` was estimated, beside its lives and part costs: rounded to single precision."""


@dataclass(frozen=True)
class Tally:
    """What the records hold, for pages and notes."""

    jobs_finished: int
    jobs_imported: int
    jobs_open: int
    jobs_missing: int
    gaps: str  # missing numbers are COUNTED, LEFT_OUT by a setting, or TOO_MANY before one is made
    repaired: int


@dataclass(frozen=True)
class Appraiser:
    """Fitted odds, prices and costs of every family of a ledger."""

    as_of: datetime.date
    fingerprint: str  # of the records it was fitted on
    currency: str
    terms: Terms
    shared: Shared
    families: Mapping[str, FamilyEntry]
    kinds: Mapping[str, FamilyEntry]  # an unknown family of each kind; "" is an unknown kind
    models: Mapping[str, str]  # family of each model
    tally: Tally

    def components_of(self, entry: FamilyEntry) -> list[str]:
        """Names of the components that units of an entry are judged by."""
        return [self.shared.components[c] for c in entry.lives.components]

    def to_export(self) -> dict[str, Any]:
        """Plain numbers, lists and texts: what is kept on disk, and enough to judge in a browser."""
        return {"format": FORMAT, **_plain(self)}

    def save(self, path: Path) -> None:
        """Keep the appraiser on disk; the file is replaced in one step."""
        own_folder(path.parent)
        with fresh_file(path, private=True) as draft:
            draft.stream.write(json.dumps(self.to_export()).encode())


def fit_appraiser(records: "Records", as_of: datetime.date) -> Appraiser:
    """Fit lives, odds, prices and costs of all families."""
    # Loaded here: a kept appraiser judges without all that fitting needs, and starts sooner.
    from reliability.worth.fitting import fit_everything

    return fit_everything(records, as_of)


def load_appraiser(path: Path) -> Appraiser:
    """Read an appraiser that was kept on disk."""
    try:
        if not belongs_to_user(path.parent, path):
            raise ValueError("it or its folder is not yours alone to write")
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InvalidInput(
            f"{path.name} is not a kept appraiser ({error}). Delete it to have it made again."
        ) from None
    if not isinstance(kept, dict) or kept.get("format") != FORMAT:
        raise InvalidInput(f"{path.name} was kept by another version. Delete it to have it made again.")
    return _revived(Appraiser, kept)


def _plain(value: Any) -> Any:
    """Turn results into what JSON holds; numbers keep every digit, NaN becomes null."""
    if isinstance(value, np.ndarray):
        plain = value.astype(object)
        plain[np.isnan(value)] = None
        return plain.tolist()
    if isinstance(value, float):
        return None if np.isnan(value) else value
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, datetime.date):
        return value.isoformat()
    named = value if isinstance(value, Mapping) else getattr(value, "__dict__", None)
    return value if named is None else {name: _plain(each) for name, each in named.items()}


def _revived(kind: Any, plain: Any) -> Any:
    """Turn plain values back into what a field of this type holds."""
    if is_dataclass(kind):
        return kind(**{field.name: _revived(field.type, plain[field.name]) for field in fields(kind)})  # type: ignore[operator]
    if kind is datetime.date:
        return datetime.date.fromisoformat(plain)
    if kind is float:
        return np.nan if plain is None else plain
    origin, of = get_origin(kind), get_args(kind)
    if origin is np.ndarray:
        return np.array(plain, dtype=get_args(of[1])[0])
    if origin is Mapping:
        return {name: _revived(of[1], each) for name, each in plain.items()}
    return tuple(plain) if origin is tuple else plain


# ---- An appraiser that is fitted once per state of a ledger and kept on disk


PACKAGE = Path(__file__).parents[1]
MOST_KEPT = 8


def kept_folder(ledger: "Ledger") -> Path:
    """Give the folder for what can be made again: beside the ledger's file, else in `data`."""
    beside = Path("data") if "://" in ledger.name else Path(ledger.name).parent
    return beside / ".benchodds"


def last_day(records: "Records") -> datetime.date:
    """Give the last date that the records hold; today where they hold none."""
    try:
        return records.last_date()
    except InvalidInput:
        return datetime.date.today()


def appraiser_of(
    ledger: "Ledger",
    *,
    as_of: datetime.date | None = None,
    warn: Callable[[str], object] = print,
) -> Appraiser:
    """Fit an appraiser to a ledger, or take the kept one if nothing was written since."""
    path = kept_name(ledger)
    if path.exists() and not belongs_to_user(path.parent, path):
        warn(f"Odds kept in {path.parent} are not used, for others may write there: they are fitted anew.")
    kept = _load(path)
    corrected = as_of is not None and ledger.changed_since(as_of)
    if kept is not None and (as_of is None or as_of >= kept.as_of) and not corrected:
        return kept
    # Loaded here: a kept appraiser is enough for a verdict, and starts sooner.
    from reliability.records.frames import read_records

    records = read_records(ledger)
    day = last_day(records)
    if as_of is not None and (as_of < day or corrected):
        return fit_appraiser(read_records(ledger, as_of=as_of), min(as_of, day))
    appraiser = fit_appraiser(records, day)
    try:
        appraiser.save(path)
        by_age = sorted(path.parent.glob("*.json"), key=lambda file: file.stat().st_mtime, reverse=True)
        for file in by_age[MOST_KEPT:]:
            file.unlink(missing_ok=True)
    except OSError as error:
        warn(f"The odds could not be kept in {path.parent} ({reason(error)}): the next run fits them again.")
    return appraiser


def kept_name(ledger: "Ledger") -> Path:
    """Give the file in which the appraiser of a ledger as it is now is kept, or would be."""
    # Named by all that an appraiser depends on: the state of the ledger, and the code that fits it.
    code = sha256()
    for room in ("records", "life", "worth"):
        for file in sorted((PACKAGE / room).glob("*.py")):
            code.update(file.read_bytes())
    key = sha256(f"{ledger_mark(ledger)} {code.hexdigest()}".encode()).hexdigest()[:32]
    return kept_folder(ledger) / f"{key}.json"


def kept_appraiser(ledger: "Ledger") -> Appraiser | None:
    """Give the appraiser that is kept of a ledger as it is now; None where it would have to be fitted."""
    return _load(kept_name(ledger))


def _load(path: Path) -> Appraiser | None:
    """Read a kept appraiser; one that is damaged is made again."""
    try:
        return load_appraiser(path) if path.exists() else None
    except (InvalidInput, KeyError, TypeError, ValueError):
        return None
