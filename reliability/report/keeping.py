"""Appraisers that were fitted for the pages, kept so that the next run need not fit them again.

A report also asks what was known a month ago and at the turn of every year; those answers do not
change, and only the newest ones have to be fitted when a job is added.
"""

import datetime
import os
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

from reliability.errors import InvalidInput
from reliability.records.frames import Records
from reliability.report.digests import PACKAGE, digest
from reliability.worth.appraiser import Appraiser, fit_appraiser, load_appraiser
from reliability.worth.bench import read_bench

MOST_KEPT = 24
_ROOMS = ("records", "life", "worth")


@dataclass(frozen=True)
class Keeper:
    """Fits appraisers, or takes the one that was kept of the same records, day and code.

    Parameters
    ----------
    folder : Path or None
        Where they are kept; None keeps nothing.
    """

    folder: Path | None = None

    def fit(self, records: Records, as_of: datetime.date) -> Appraiser:
        """Give the appraiser of a day.

        Parameters
        ----------
        records : Records
            Everything; what happened after the day is ignored.
        as_of : date
            The day.

        Returns
        -------
        Appraiser
            Fitted, or read back with every digit.
        """
        if self.folder is None:
            return fit_appraiser(records, as_of)
        path = self.folder / f"{self._key(records, as_of)}.json"
        kept = _read(path)
        if kept is None:
            kept = fit_appraiser(records, as_of)
            kept.save(path)
        return kept

    def prune(self) -> None:
        """Drop all but the ones that were used last."""
        if self.folder is None:
            return
        used = sorted(self.folder.glob("*.json"), key=lambda path: path.stat().st_mtime_ns, reverse=True)
        for path in used[MOST_KEPT:]:
            path.unlink(missing_ok=True)

    def _key(self, records: Records, as_of: datetime.date) -> str:
        known = read_bench(records, as_of).records
        code = digest(PACKAGE, *(f"{room}/*.py" for room in _ROOMS))
        return sha256(f"{known.fingerprint()} {as_of} {code}".encode()).hexdigest()[:32]


def _read(path: Path) -> Appraiser | None:
    """Read a kept appraiser and mark it as used; a missing or damaged one is fitted again."""
    try:
        kept = load_appraiser(path) if path.exists() else None
    except (InvalidInput, KeyError, TypeError, ValueError):
        return None
    if kept is not None:
        os.utime(path)
    return kept
