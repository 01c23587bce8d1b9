"""The bench's own jobs as open repair data: what happened to which kind of unit, and never what it cost."""

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from reliability.errors import InvalidInput, reason
from reliability.records import store
from reliability.records.csv_files import write_rows
from reliability.records.descriptor import DESCRIPTOR, refuse_foreign_folder
from reliability.records.files import unfinished, write_files
from reliability.records.open_repair_file import OPEN_REPAIR_PACKAGE
from reliability.records.open_repair_words import (
    BARRIER_OF,
    BARRIERS,
    CATEGORIES,
    CATEGORY_OF,
    COLUMNS,
    MISCELLANEOUS,
    STATUS_OF,
    STATUSES,
    UNKNOWN,
    category_name,
)
from reliability.records.values import Value

if TYPE_CHECKING:
    from reliability.records.reading import LedgerReader

FILE = "open-repair-data.csv"
DEFAULT_PROVIDER = "bench"
MIDDLE_OF_A_MONTH = "-16"

_MEANINGS = {
    "id": "Unique identifier: the provider, then the number of the job",
    "data_provider": "Who contributes the data",
    "country": "Three-letter country code of ISO 3166-1",
    "partner_product_category": "Kind of unit in the provider's own words",
    "product_category": "Category of the standard",
    "product_category_id": "Number of that category",
    "brand": "Maker; Unknown where it is not known",
    "year_of_manufacture": "Year of manufacture, the middle where only a window of years is known",
    "product_age": "Age in years, from that year to the year of the event",
    "repair_status": "How the attempt ended",
    "repair_barrier_if_end_of_life": "What prevented the repair of a unit at its end",
    "group_identifier": "Who made the attempt",
    "event_date": "Day on which the unit was taken in; the 16th where only the month is known",
    "problem": "Left empty",
}


@dataclass(frozen=True)
class OpenRepairExport:
    """What was exported: rows written, and jobs left out because they are still open."""

    written: int
    still_open: int


def export_open_repair(
    ledger: "LedgerReader", path: str | Path, *, provider: str = DEFAULT_PROVIDER, country: str = ""
) -> OpenRepairExport:
    """Write the finished jobs of the bench in version 0.3 of the Open Repair Data Standard.

    Jobs with an origin are somebody else's to publish, and stay out. So do amounts, hours, components
    and remarks: the standard has no place for them.

    Parameters
    ----------
    ledger : LedgerReader
        An open ledger.
    path : str or Path
        The folder; made if it is not there, and replaced if it holds an earlier export of this kind.
    provider : str
        Name under which the data are published; its letters begin every id.
    country : str
        Three-letter country code; may be empty.

    Returns
    -------
    OpenRepairExport
        How many rows were written, and how many jobs are still open.

    Raises
    ------
    InvalidInput
        If the provider or the country is none, or the folder holds something else.
    """
    letters = "".join(re.findall("[a-z]+", provider.casefold()))
    if len(letters) < 2:
        raise InvalidInput(f"The provider {provider!r} needs two letters from a to z; they begin every id.")
    if country and not re.fullmatch("[A-Z]{3}", country):
        raise InvalidInput(f"{country!r} is no country code of three capital letters, such as BEL.")
    folder = Path(path)
    refuse_foreign_folder(folder, OPEN_REPAIR_PACKAGE)
    with ledger.reading() as connection:
        exponent = store.exponent_in(connection)
        families = {row["family"]: row for row in store.fetch_rows(connection, "families", exponent)}
        own = [row for row in store.fetch_rows(connection, "jobs", exponent) if not row["origin"]]
    finished = [job for job in own if job["outcome"] != "open"]
    common = {"data_provider": provider, "country": country or None, "group_identifier": provider}
    rows = ({**common, **_cells(job, families[job["family"]], letters)} for job in finished)
    _write(folder, rows)
    return OpenRepairExport(len(finished), len(own) - len(finished))


def _cells(job: Mapping[str, Any], family: Mapping[str, Any], letters: str) -> dict[str, Value]:
    category = category_of(str(family["kind"]))
    status = STATUS_OF[job["outcome"]]
    barrier = BARRIER_OF.get(job["ended_why"]) if status == "End of life" else None
    taken_in = str(job["taken_in"])
    year = None
    if job["built_from"] is not None and job["built_to"] is not None:
        year = (job["built_from"] + job["built_to"]) // 2
    return {
        "id": f"{letters}_{job['job']}",
        "partner_product_category": family["kind"],
        "product_category": category,
        "product_category_id": CATEGORIES.index(category) + 1,
        "brand": family["maker"] or UNKNOWN,
        "year_of_manufacture": year,
        "product_age": None if year is None else int(taken_in[:4]) - year,
        "repair_status": status,
        "repair_barrier_if_end_of_life": barrier,
        "event_date": taken_in if len(taken_in) == 10 else taken_in + MIDDLE_OF_A_MONTH,
    }


def category_of(kind: str) -> str:
    """Give the category of the standard that a kind of unit belongs to."""
    if kind in CATEGORY_OF:
        return CATEGORY_OF[kind]
    named = category_name(kind)
    return named if named in CATEGORIES else MISCELLANEOUS


def _write(folder: Path, rows: Iterator[dict[str, Value]]) -> None:
    described = json.dumps(open_repair_descriptor(), indent=2, ensure_ascii=False) + "\n"

    def write_file(stream: IO[bytes]) -> None:
        write_rows(stream, COLUMNS, ([row.get(name) for name in COLUMNS] for row in rows))

    def write_descriptor(stream: IO[bytes]) -> None:
        stream.write(described.encode())

    try:
        write_files(folder, {FILE: write_file, DESCRIPTOR: write_descriptor}, private=False)
    except OSError as error:
        raise InvalidInput(f"{folder} cannot be written: {reason(error)}{unfinished(folder)}") from None


def open_repair_descriptor() -> dict[str, Any]:
    """Describe the exported folder: one file in version 0.3 of the standard, with its Table Schema."""
    return {
        "profile": "tabular-data-package",
        "name": OPEN_REPAIR_PACKAGE,
        "title": "Open repair data of a bench",
        "description": "Finished jobs in version 0.3 of the Open Repair Data Standard. The partner category "
        "is the bench's own kind of unit.",
        "resources": [
            {
                "profile": "tabular-data-resource",
                "name": "open-repair-data",
                "path": FILE,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": {
                    "fields": [_field(name) for name in COLUMNS],
                    "missingValues": [""],
                    "primaryKey": ["id"],
                },
            }
        ],
    }


def _field(name: str) -> dict[str, Any]:
    kinds = {"product_category_id": "integer", "product_age": "number", "event_date": "date"}
    field: dict[str, Any] = {"name": name, "type": kinds.get(name, "string"), "description": _MEANINGS[name]}
    constraints = _CONSTRAINTS.get(name)
    return {**field, "constraints": constraints} if constraints else field


_CONSTRAINTS: dict[str, dict[str, Any]] = {
    "id": {"required": True, "unique": True, "pattern": "[a-z]{2,}_.+"},
    "data_provider": {"required": True},
    "country": {"pattern": "[A-Z]{3}"},
    "product_category": {"required": True, "enum": list(CATEGORIES)},
    "product_category_id": {"required": True, "minimum": 1, "maximum": len(CATEGORIES)},
    "year_of_manufacture": {"pattern": "[0-9]{4}"},
    "product_age": {"minimum": 0},
    "repair_status": {"required": True, "enum": list(STATUSES)},
    "repair_barrier_if_end_of_life": {"enum": list(BARRIERS)},
    "event_date": {"required": True},
}
