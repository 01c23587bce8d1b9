"""What one page shows, computed and rounded to what can be seen; kept on disk by its content.

A notebook loads its study and shows it: it never fits anything. Two studies with the same content
have the same bytes and the same fingerprint, and a page is made again only if that changes.
"""

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from reliability.errors import InvalidInput
from reliability.records.files import belongs_to_user, fresh_file, own_folder


@dataclass(frozen=True)
class Study:
    """Everything that one page shows.

    Parameters
    ----------
    kind : {"index", "fleet", "family", "component", "ledger"}
        The notebook that shows it.
    subject : str
        The family or component it is about; empty for pages about the whole bench.
    facts : mapping
        Single values: text, numbers, truth values, dates as ISO text, None, or lists of these.
    tables : mapping of str to DataFrame
        Data frames with flat columns of text, numbers, truth values and dates; their index is not kept.
    """

    kind: str
    subject: str = ""
    facts: Mapping[str, Any] = field(default_factory=dict)
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)

    def to_text(self) -> str:
        """Write the study as canonical JSON: sorted names, no times, shortest numbers."""
        content = {
            "kind": self.kind,
            "subject": self.subject,
            "facts": {each: _plain(value) for each, value in self.facts.items()},
            "tables": {each: _columns(frame) for each, frame in self.tables.items()},
        }
        return json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the content, hexadecimal."""
        return sha256(self.to_text().encode()).hexdigest()

    def save(self, folder: Path) -> Path:
        """Keep the study in a folder under the name of its content.

        Parameters
        ----------
        folder : Path
            Made if it is not there.

        Returns
        -------
        Path
            The file. One that is there already is left as it is.
        """
        path = folder / f"{self.fingerprint}.json"
        if not path.exists():
            own_folder(folder)
            write_whole(path, self.to_text(), private=True)
        return path


def load_study(path: str | Path) -> Study:
    """Read a kept study back.

    Parameters
    ----------
    path : str or Path
        A file written by `Study.save`.

    Returns
    -------
    Study
        Equal in content to the one that was saved.

    Raises
    ------
    InvalidInput
        If the file is missing or damaged, or if others may have written it.
    """
    path = Path(path)
    try:
        if not belongs_to_user(path.parent, path):
            raise ValueError("it or its folder is not yours alone to write")
        content = path.read_text("utf-8")
        if sha256(content.encode()).hexdigest() != path.stem:
            raise ValueError("its content does not match its name")
        held = json.loads(content)
    except (OSError, ValueError) as error:
        raise InvalidInput(
            f"The study {path.name} cannot be read ({error}). Make the report again, or leave `study` empty."
        ) from error
    tables = {each: _frame(columns) for each, columns in held["tables"].items()}
    return Study(held["kind"], held["subject"], held["facts"], tables)


def write_whole(path: Path, content: str, *, private: bool = False) -> None:
    """Replace a file in one step: a reader sees the old one or the new one, never half of it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with fresh_file(path, private=private) as draft:
        draft.stream.write(content.encode())


def rounded(frame: pd.DataFrame, **digits: int) -> pd.DataFrame:
    """Round columns to what a page shows of them, so that what cannot be seen changes no page.

    Parameters
    ----------
    frame : DataFrame
        Left as it is.
    **digits : int
        Decimals to keep, by column; other columns stay as they are.

    Returns
    -------
    DataFrame
        A copy, without minus zeros.
    """
    return frame.assign(**{each: frame[each].astype(float).round(to) + 0.0 for each, to in digits.items()})


def lowered(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Round prices that somebody may go up to down to whole units: rounded up they would promise too much.

    Parameters
    ----------
    frame : DataFrame
        Left as it is.
    *columns : str

    Returns
    -------
    DataFrame
        A copy. Below 1 they are rounded like any amount, for not to be worth a gift is another thing.
    """
    return frame.assign(**{each: frame[each].astype(float).map(whole_limit) for each in columns})


def whole_limit(price: float) -> float:
    """Round one price to go up to, as `lowered` does; NaN stays NaN."""
    return float(np.floor(price) if price >= 1 else np.round(price)) + 0.0


def coarse(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Round probabilities to what can honestly be told of them: 5 %, or 1 % below 10 and above 90 %.

    Parameters
    ----------
    frame : DataFrame
        Left as it is.
    *columns : str
        Columns of probabilities; NaN stays.

    Returns
    -------
    DataFrame
        A copy.
    """
    out = {}
    for each in columns:
        value = frame[each].to_numpy(dtype=float)
        inner = (value > 0.1) & (value < 0.9)
        out[each] = np.round(np.where(inner, np.round(value * 20) / 20, np.round(value, 2)), 2) + 0.0
    return frame.assign(**out)


def _columns(frame: pd.DataFrame) -> list[list[Any]]:
    return [[str(each), [_plain(value) for value in frame[each]]] for each in frame.columns]


def _frame(columns: list[list[Any]]) -> pd.DataFrame:
    return pd.DataFrame({each: _typed(values) for each, values in columns})


def _typed(values: list[Any]) -> pd.Series:
    known = [value for value in values if value is not None]
    if known and all(isinstance(value, bool) for value in known) and len(known) == len(values):
        return pd.Series(values, dtype=bool)
    if known and all(isinstance(value, int | float) and not isinstance(value, bool) for value in known):
        return pd.Series([np.nan if value is None else value for value in values], dtype=float)
    return pd.Series(values, dtype=object)


def _plain(value: Any) -> Any:
    """Turn a value into what JSON can hold; a missing one (NaN, NaT) becomes null."""
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    if value is None or value is pd.NaT:
        return None
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return _plain_number(float(value))
    if isinstance(value, datetime.datetime):
        return value.date().isoformat()
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, str):
        return value
    raise InvalidInput(f"A study cannot hold {value!r} ({type(value).__name__}).")


def _plain_number(value: float) -> float | int | None:
    if math.isnan(value):
        return None
    if math.isinf(value):
        raise InvalidInput("A study cannot hold an infinite number; say it in words.")
    return int(value) if value.is_integer() and abs(value) < 1e15 else value
