"""Archives read back: checked once, then piece by piece."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from reliability.errors import InvalidInput
from reliability.records.archive import is_archive
from reliability.records.archive_table import ARCHIVED, FILLED, VERSION, load_pyarrow
from reliability.records.descriptor import DESCRIPTOR, read_json

__all__ = ["ArchivePart", "open_archives"]

_TEXTS = [column.name for column in ARCHIVED if column.kind in ("text", "choice")]


@dataclass(frozen=True)
class ArchivePart:
    """A piece of an archive that is read at once; it holds whole jobs only.

    Attributes
    ----------
    file : Path
        A Parquet file of the archive.
    group : int
        Which of its row groups.
    n_rows : int
        How many rows that has.
    """

    file: Path
    group: int
    n_rows: int

    def read(self) -> pd.DataFrame:
        """Read the piece.

        Returns
        -------
        DataFrame, n_rows rows
            The columns of an archive: texts as categories, years as float64 with NaN, days as
            datetime64.

        Raises
        ------
        InvalidInput
            If the file cannot be read, or a cell breaks the description of its column.
        """
        pa, pq = load_pyarrow()
        try:
            with pq.ParquetFile(self.file, read_dictionary=_TEXTS) as file:
                table = file.read_row_group(self.group, columns=list(ARCHIVED.names), use_threads=False)
        except (OSError, pa.ArrowException) as error:
            raise InvalidInput(f"{self.file} cannot be read: {error}") from None
        self._refuse_bad_cells(table)
        frame: pd.DataFrame = table.to_pandas(date_as_object=False, use_threads=False)
        return frame

    def _refuse_bad_cells(self, table: Any) -> None:
        for name in FILLED:
            if empty := table[name].null_count:
                raise InvalidInput(
                    f"{self.file}, column {name}: {empty} cells are empty; every one is needed."
                )
        for column in ARCHIVED:
            if column.allowed:
                words = {word for chunk in table[column.name].chunks for word in chunk.dictionary.to_pylist()}
                if strange := sorted(words - set(column.allowed)):
                    raise InvalidInput(
                        f"{self.file}, column {column.name}: {strange[0]!r} is not one of "
                        f"{', '.join(column.allowed)}."
                    )


def open_archives(folders: Iterable[str | Path]) -> list[ArchivePart]:
    """Find the pieces of archives, after checking that all is there.

    Parameters
    ----------
    folders : iterable of str or Path
        Folders that `write_archive` wrote.

    Returns
    -------
    list of ArchivePart
        In the order of the folders and of their years of intake.

    Raises
    ------
    InvalidInput
        If pyarrow is missing, a folder is no archive or of another version, a file is missing or cut
        short, or two folders hold the same file (its findings would count twice).
    """
    _, pq = load_pyarrow()
    seen: dict[str, Path] = {}
    parts: list[ArchivePart] = []
    for folder in (Path(name).resolve() for name in folders):
        for resource in _resources(folder):
            file = folder / resource["path"]
            before = seen.setdefault(resource["hash"], file)
            if before != file or any(part.file == file for part in parts):
                raise InvalidInput(f"{file} holds the same findings as {before}; give each archive once.")
            parts += _groups(pq, file, resource["bytes"])
    return parts


def _resources(folder: Path) -> list[Mapping[str, Any]]:
    if not is_archive(folder):
        what = "no archive" if folder.is_dir() else "not there" if not folder.exists() else "a file"
        raise InvalidInput(f"{folder} is {what}; name a folder that `benchodds archive` wrote.")
    content = read_json(folder / DESCRIPTOR)
    if content["version"] != str(VERSION):
        raise InvalidInput(
            f"{folder} is an archive of version {content['version']}; this program reads version {VERSION}. "
            "Write it anew from its ledger."
        )
    return list(content["resources"])


def _groups(pq: Any, file: Path, size: int) -> list[ArchivePart]:
    found = file.stat().st_size if file.is_file() else None
    if found != size:
        told = "is missing" if found is None else f"has {found} bytes where {size} were written"
        raise InvalidInput(f"{file} {told}; copy the archive again.")
    with pq.ParquetFile(file) as opened:
        if missing := set(ARCHIVED.names) - set(opened.schema_arrow.names):
            raise InvalidInput(f"{file} lacks the columns {', '.join(sorted(missing))}.")
        sizes = [opened.metadata.row_group(g).num_rows for g in range(opened.num_row_groups)]
    return [ArchivePart(file, group, n_rows) for group, n_rows in enumerate(sizes)]
