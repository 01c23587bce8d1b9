"""An appraiser that is fitted once per state of a ledger and kept on disk."""

import datetime
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from reliability.errors import InvalidInput, reason
from reliability.records.files import belongs_to_user
from reliability.records.mark import ledger_mark
from reliability.worth.appraiser import Appraiser, fit_appraiser, load_appraiser

if TYPE_CHECKING:
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger

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
    folder: Path | None = None,
    warn: Callable[[str], object] = print,
) -> Appraiser:
    """Fit an appraiser to a ledger, or take the kept one if nothing was written since.

    Parameters
    ----------
    ledger : Ledger
        An open ledger.
    as_of : date, optional
        Where it lies before the last date in the ledger, what happened later is ignored; what was
        corrected later is taken as it was written then.
    folder : Path, optional
        Where it is kept; `kept_folder` otherwise.
    warn : callable
        Told in one sentence if the appraiser cannot be kept.

    Returns
    -------
    Appraiser
        Fitted as of the last date in the ledger, or of `as_of` if that is earlier.
    """
    path = (folder or kept_folder(ledger)) / f"{_key(ledger)}.json"
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
        _prune(path.parent)
    except OSError as error:
        warn(f"The odds could not be kept in {path.parent} ({reason(error)}): the next run fits them again.")
    return appraiser


def _key(ledger: "Ledger") -> str:
    """Hash all that an appraiser depends on: the state of the ledger, and the code that fits it."""
    code = sha256()
    for room in ("records", "life", "worth"):
        for file in sorted((PACKAGE / room).glob("*.py")):
            code.update(file.read_bytes())
    return sha256(f"{ledger_mark(ledger)} {code.hexdigest()}".encode()).hexdigest()[:32]


def _load(path: Path) -> Appraiser | None:
    """Read a kept appraiser; one that is damaged is made again."""
    try:
        return load_appraiser(path) if path.exists() else None
    except (InvalidInput, KeyError, TypeError, ValueError):
        return None


def _prune(folder: Path) -> None:
    by_age = sorted(folder.glob("*.json"), key=lambda file: file.stat().st_mtime, reverse=True)
    for file in by_age[MOST_KEPT:]:
        file.unlink(missing_ok=True)
