"""Files of open repair data as they stand: found, read cell by cell, nothing understood yet."""

import hashlib
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from reliability.errors import InvalidInput
from reliability.records.csv_files import Layout, raw_rows, refuse_undecodable, restored
from reliability.records.descriptor import package_name
from reliability.records.faults import Fault, Refused, nearest
from reliability.records.open_repair_words import CATEGORY_COLUMNS, COLUMNS, REQUIRED
from reliability.records.ties import Complaint
from reliability.records.values import clean_text

#: Name of the package that we export; its partner categories are the bench's own kinds.
OPEN_REPAIR_PACKAGE = "bench-open-repair-data"
#: What somebody wrote about the fault. It tells the outcome, so it is compared and never kept.
FREE_TEXT = "problem"
_LIST_OF_CATEGORIES = {"product_category_id", "product_category"}


@dataclass(frozen=True)
class RepairRow:
    """One row: its file and line, its cells by column, and a digest of all cells but the id."""

    file: Path
    line: int
    cells: dict[str, str]
    digest: bytes

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


@dataclass
class RepairFile:
    """One CSV file of open repair data.

    Parameters
    ----------
    path : Path
        The file.
    layout : Layout
        Its delimiter, and whether numbers have a decimal comma.

    Attributes
    ----------
    rows : list of RepairRow
        Every row that can be read.
    unreadable : list of (int, (str, str))
        Line, column and message of every other row.
    faults : list of Fault
        Faults of the file itself and of its header.
    not_read : tuple of str
        Headers that no version of the standard has.
    """

    path: Path
    layout: Layout
    rows: list[RepairRow] = field(default_factory=list)
    unreadable: list[tuple[int, Complaint]] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    not_read: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        found = raw_rows(self.path, self.layout.delimiter, self.faults)
        _, header = next(found, (1, []))
        if not self.faults:
            names = self._columns([_name(cell) for cell in header])
            if not self.faults:
                for line, cells in found:
                    self._read(line, names, cells)

    @property
    def kinds_are_told(self) -> bool:
        """Whether the file lies in a package of ours, whose partner categories are kinds."""
        return package_name(self.path.parent) == OPEN_REPAIR_PACKAGE

    def _columns(self, names: Sequence[str]) -> list[str]:
        known = [name for name in names if name in COLUMNS]
        place = f"{self.path.name}, line 1"
        missing = [name for name in REQUIRED if name not in known]
        if not set(known) & set(CATEGORY_COLUMNS):
            missing.append(" or ".join(CATEGORY_COLUMNS))
        if missing:
            self.faults.append(Fault(place, "", f"the header lacks {', '.join(missing)}; versions 0.1 to 0.3 "
                                     f"of the standard have {', '.join(COLUMNS)}"))  # fmt: skip
        for name in sorted({name for name in known if known.count(name) > 1}):
            self.faults.append(Fault(place, name, "stands in the header more than once"))
        others = [name for name in names if name and name not in COLUMNS]
        for name in others:
            # A slip of the pen in a header must not lose a whole column unseen.
            if hint := nearest(name, set(COLUMNS) - set(known)):
                self.faults.append(Fault(place, name, f"is no column of the standard.{hint}"))
        self.not_read = tuple(dict.fromkeys(others))
        return list(names)

    def _read(self, line: int, names: Sequence[str], cells: Sequence[str]) -> None:
        if len(cells) != len(names):
            message = f"has {len(cells)} cells, but the header has {len(names)}"
            self.unreadable.append((line, ("", message)))
            return
        kept: dict[str, str] = {}
        digest = hashlib.sha256()
        for name, cell in zip(names, cells, strict=True):
            text = restored(clean_text(cell))
            if name != "id":
                digest.update(f"{name}\0{text}\0".encode(errors="surrogateescape"))
            if name not in COLUMNS or name == FREE_TEXT:
                continue
            try:
                refuse_undecodable(text)
            except Refused as error:
                self.unreadable.append((line, (name, error.message)))
                return
            if text:
                kept[name] = sys.intern(text)
        self.rows.append(RepairRow(self.path, line, kept, digest.digest()[:12]))


def _name(header: str) -> str:
    return "_".join(header.strip().casefold().replace("-", " ").split())


def find_repair_files(path: Path) -> list[Path]:
    """Find the files of open repair data that a path stands for.

    Parameters
    ----------
    path : Path
        One CSV file, or a folder of them; a list of categories beside them is passed over.

    Returns
    -------
    list of Path
        In the order of their names.

    Raises
    ------
    InvalidInput
        If there is none.
    """
    if path.is_file():
        return [path]
    if not path.is_dir():
        raise InvalidInput(f"There is no file or folder {path}. Nothing was imported.")
    found = sorted(file for file in path.iterdir() if file.suffix.lower() == ".csv")
    files = [file for file in found if not _lists_categories(file)]
    if not files:
        raise InvalidInput(f"{path} holds no CSV file of open repair data. Nothing was imported.")
    return files


def _lists_categories(file: Path) -> bool:
    header: Iterator[tuple[int, list[str]]] = raw_rows(file, ",", [])
    return {_name(cell) for cell in next(header, (1, []))[1]} == _LIST_OF_CATEGORIES
