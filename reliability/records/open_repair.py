"""Open repair data in and out: what volunteers at repair events wrote down, beside the bench's own jobs."""

import datetime
import hashlib
import html
import math
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from reliability.errors import InvalidInput, unknown
from reliability.records import database
from reliability.records.checks import Complaint
from reliability.records.database import SQL_TABLES
from reliability.records.importing import ImportSummary, Source, import_sources
from reliability.records.package import (
    AS_DOCUMENTED,
    DESCRIPTOR,
    Layout,
    MadeRows,
    csv_resource,
    descriptor_text,
    other_width,
    package_name,
    raw_rows,
    restored,
    undecodable,
    write_folder,
    write_rows,
)
from reliability.records.tables import TABLES, USUAL_COMPONENTS
from reliability.records.values import Fault, Refused, Value, clean_text, folded, nearest, some, words

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# The words of the Open Repair Data Standard, and what they are in a ledger.

#: Categories of v0.3 by their number, from 1.
CATEGORIES = (
    "Aircon/dehumidifier", "Battery/charger/adapter", "Decorative or safety lights", "Desktop computer",
    "Digital compact camera", "DSLR/video camera", "Fan", "Flat screen", "Hair & beauty item",
    "Handheld entertainment device", "Headphones", "Hi-Fi integrated", "Hi-Fi separates", "Kettle", "Lamp",
    "Laptop", "Large home electrical", "Misc", "Mobile", "Musical instrument", "Paper shredder",
    "PC accessory", "Portable radio", "Power tool", "Printer/scanner", "Projector", "Sewing machine",
    "Small home electrical", "Small kitchen item", "Tablet", "Toaster", "Toy",
    "TV and gaming-related accessories", "Vacuum", "Watch/clock", "Coffee maker", "Food processor",
    "Games console", "Hair dryer", "Iron",
)  # fmt: skip
MISCELLANEOUS = "Misc"
#: Category of the kinds that a bench usually has; any other kind is one of its own name, or miscellaneous.
CATEGORY_OF = {
    **dict.fromkeys(("tape deck", "turntable", "disc player", "receiver", "amplifier"), "Hi-Fi separates"),
    "loudspeaker": "Hi-Fi separates",
    "radio": "Portable radio",
    "video recorder": "TV and gaming-related accessories",
}
UNKNOWN = "Unknown"
#: What a repair status is in a ledger; Unknown is none of its outcomes.
OUTCOMES = {"Fixed": "repaired", "End of life": "scrapped", "Repairable": "sold as is"}
STATUSES = (*OUTCOMES, UNKNOWN)
#: And the other way round. A unit kept for parts is at its end too.
STATUS_OF = {**{outcome: status for status, outcome in OUTCOMES.items()}, "donor": "End of life"}
BARRIERS = {
    "Spare parts not available": "parts not available",
    "Spare parts too expensive": "parts too expensive",
    "No way to open product": "cannot be opened",
    "Repair information not available": "no information",
    "Lack of equipment": "no equipment",
    "Item too worn out": "too worn",
}
#: Columns of v0.3 in order: what they mean, and what the schema demands of them. Older versions lack some.
_COLUMNS: dict[str, tuple[str, dict[str, Any]]] = {
    "id": ("Unique identifier: the provider, then the number of the job",
           {"required": True, "unique": True, "pattern": "[a-z]{2,}_.+"}),
    "data_provider": ("Who contributes the data", {"required": True}),
    "country": ("Three-letter country code of ISO 3166-1", {"pattern": "[A-Z]{3}"}),
    "partner_product_category": ("Kind of unit in the provider's own words", {}),
    "product_category": ("Category of the standard", {"required": True, "enum": list(CATEGORIES)}),
    "product_category_id": ("Number of that category",
                            {"required": True, "minimum": 1, "maximum": len(CATEGORIES)}),
    "brand": ("Maker; Unknown where it is not known", {}),
    "year_of_manufacture": ("Year of manufacture, the middle where only a window of years is known",
                            {"pattern": "[0-9]{4}"}),
    "product_age": ("Age in years, from that year to the year of the event", {"minimum": 0}),
    "repair_status": ("How the attempt ended", {"required": True, "enum": list(STATUSES)}),
    "repair_barrier_if_end_of_life": ("What prevented the repair of a unit at its end",
                                      {"enum": list(BARRIERS)}),
    "group_identifier": ("Who made the attempt", {}),
    "event_date": ("Day on which the unit was taken in; the 16th where only the month is known",
                   {"required": True}),
    "problem": ("Left empty", {}),
}  # fmt: skip
COLUMNS = tuple(_COLUMNS)
REQUIRED = ("id", "repair_status", "event_date")
CATEGORY_COLUMNS = ("product_category", "partner_product_category", "product_category_id")
#: What somebody wrote about the fault. It tells the outcome, so it is compared and never kept.
FREE_TEXT = "problem"
#: A file is read whole; this is some million rows.
MOST_BYTES = 500_000_000
#: How a cell says that nothing is known, whatever the column.
NOTHING = frozenset(
    ("", "-", "--", "?", "n/a", "na", "nan", "none", "null", "\\n", "nil", "unknown", "undefined")
)
_SPELLED = {folded(name): name for name in (*CATEGORIES, *STATUSES)}
#: The last as the published schema has it; files write the longer form.
_BARRIER = {folded(barrier): why for barrier, why in (*BARRIERS.items(), ("Too worn out", "too worn"))}


def category_name(text: str) -> str:
    """Give the standard's spelling of a category, by its name or number; other text as it stands."""
    if text.isascii() and text.isdigit() and 1 <= int(text) <= len(CATEGORIES):
        return CATEGORIES[int(text) - 1]
    return _SPELLED.get(folded(text), text)


def category_of(kind: str) -> str:
    """Give the category of the standard that a kind of unit belongs to."""
    named = CATEGORY_OF.get(kind) or category_name(kind)
    return named if named in CATEGORIES else MISCELLANEOUS


def _is_nothing(text: str) -> bool:
    return text.casefold() in NOTHING


# Files of open repair data as they stand: found, read cell by cell, nothing understood yet.

#: Name of the package that we export; its partner categories are the bench's own kinds.
OPEN_REPAIR_PACKAGE = "bench-open-repair-data"


@dataclass(frozen=True)
class RepairRow:
    """One row: its line, its cells by column, and a digest of all cells but the id."""

    line: int
    cells: dict[str, str]
    digest: bytes

    def __getitem__(self, column: str) -> str:
        return self.cells.get(column, "")


class RepairFile:
    """One CSV file of open repair data, and what is wrong with it."""

    def __init__(self, path: Path, layout: Layout) -> None:
        self.path, self.layout = path, layout
        self.rows: list[RepairRow] = []
        self.unreadable: list[tuple[int, Complaint]] = []  # lines of all other rows
        self.faults: list[Fault] = []  # of the file itself and of its header
        self.not_read: tuple[str, ...] = ()  # headers that no version of the standard has
        #: Whether it lies in a package of ours, whose partner categories are kinds.
        self.kinds_are_told = package_name(path.parent) == OPEN_REPAIR_PACKAGE
        found = raw_rows(path, layout.delimiter, self.faults)
        names = [_name(cell) for cell in next(found, (1, []))[1]]
        if not self.faults:
            self._check_header(names)
        for line, cells in found if not self.faults else ():
            self._read(line, names, cells)

    def _check_header(self, names: Sequence[str]) -> None:
        known = [name for name in names if name in COLUMNS]
        others = [name for name in names if name and name not in COLUMNS]
        missing = [name for name in REQUIRED if name not in known]
        missing += [" or ".join(CATEGORY_COLUMNS)] * (not set(known) & set(CATEGORY_COLUMNS))
        complaints = []
        if missing:
            lacks = f"the header lacks {', '.join(missing)}; versions 0.1 to 0.3 of the standard have "
            complaints.append(("", lacks + ", ".join(COLUMNS)))
        twice = sorted({name for name in known if known.count(name) > 1})
        complaints += [(name, "stands in the header more than once") for name in twice]
        # A slip of the pen in a header must not lose a whole column unseen.
        complaints += [(name, f"is no column of the standard.{hint}") for name in others
                       if (hint := nearest(name, set(COLUMNS) - set(known)))]  # fmt: skip
        self.faults += [Fault(f"{self.path.name}, line 1", *complaint) for complaint in complaints]
        self.not_read = tuple(dict.fromkeys(others))

    def _read(self, line: int, names: Sequence[str], cells: Sequence[str]) -> None:
        if len(cells) != len(names):
            self.unreadable.append((line, ("", other_width(cells, names))))
            return
        kept: dict[str, str] = {}
        digest = hashlib.sha256()
        for name, cell in zip(names, cells, strict=True):
            text = html.unescape(restored(clean_text(cell)))
            if name != "id":
                digest.update(f"{name}\0{text}\0".encode(errors="surrogateescape"))
            if name not in COLUMNS or name == FREE_TEXT:
                continue
            if said := undecodable(text):
                self.unreadable.append((line, (name, said)))
                return
            if text:
                kept[name] = sys.intern(text)
        self.rows.append(RepairRow(line, kept, digest.digest()[:12]))


def _name(header: str) -> str:
    return "_".join(header.strip().casefold().replace("-", " ").split())


def find_repair_files(path: Path) -> list[Path]:
    """Find the files of open repair data that a path stands for; a list of categories beside them is none."""
    if path.is_file():
        return [_not_too_large(path)]
    if not path.is_dir():
        raise InvalidInput(f"There is no file or folder {path}. Nothing was imported.")
    found = sorted(file for file in path.iterdir() if file.suffix.lower() == ".csv")
    headers: list[list[str]] = [next(raw_rows(file, ",", []), (1, []))[1] for file in found]
    files = [file for file, header in zip(found, headers, strict=True)
             if set(map(_name, header)) != {"product_category_id", "product_category"}]  # fmt: skip
    if not files:
        raise InvalidInput(f"{path} holds no CSV file of open repair data. Nothing was imported.")
    return list(map(_not_too_large, files))


def _not_too_large(file: Path) -> Path:
    if file.stat().st_size > MOST_BYTES:
        raise InvalidInput(f"{file} has more than {MOST_BYTES:,} bytes; divide it. Nothing was imported.")
    return file


# Who made a unit, out of what people write under "brand": many spellings, many ways of not knowing.

#: A cell of more words is a remark, not a name.
MOST_WORDS = 4
_COMPANY = frozenset(("gmbh", "ltd", "inc", "corp", "llc", "plc", "bv", "nv", "srl", "spa"))
#: So often must a name stand alone before longer cells that begin with it are taken for its products.
OFTEN = 3
_DOUBTED = re.compile(r"\(\s*\?+\s*\)")


def maker_key(brand: str) -> str | None:
    """Tell makers apart whatever their spelling; None if a cell names no maker."""
    text = folded(_DOUBTED.sub(" ", brand))
    if _is_nothing(brand) or words()["maker"].get(text) == "none" or _nobody().search(text):
        return None
    if len(set(text.replace(" ", ""))) < 2 or len(text.split()) > MOST_WORDS:
        return None
    tokens = _words(words()["maker"].get(text, brand))
    while len(tokens) > 1 and tokens[-1] in _COMPANY:
        tokens.pop()
    return "".join(tokens)


@cache
def _nobody() -> re.Pattern[str]:
    return re.compile(rf"\b(?:{'|'.join(words()['no_maker'])})\b")


def _words(brand: str) -> list[str]:
    tokens = folded(re.sub("[&+]", " and ", _DOUBTED.sub(" ", brand))).split()
    return [word for word in tokens if word != "and"]


def commonest(counts: Counter[str]) -> str:
    """Choose a spelling: the commonest, of equally common ones one in small and capital letters."""
    return min(counts, key=lambda text: (-counts[text], text.isupper() or text.islower(), text))


class Makers:
    """The makers of a file, each under one name: the ledger's spelling, else the commonest."""

    def __init__(self, brands: Counter[str], known: Iterable[str] = ()) -> None:
        spellings: dict[str, Counter[str]] = defaultdict(Counter)
        for brand, count in brands.items():
            if key := maker_key(brand):
                tidy = " ".join(_DOUBTED.sub(" ", brand).split())
                spellings[key][words()["maker"].get(folded(brand)) or tidy] += count
        self._names = {key: commonest(counts) for key, counts in spellings.items()}
        self._often = {key for key, counts in spellings.items() if counts.total() >= OFTEN}
        self._names |= {key: name for name in sorted(known, reverse=True)
                        if (key := maker_key(name)) in self._names}  # fmt: skip

    def of(self, brand: str) -> str | None:
        """Give the maker that a cell names; one that begins with a common maker is about its product."""
        tokens = _words(brand)
        starts = (maker_key(" ".join(tokens[:length])) for length in range(1, len(tokens)))
        key = next((start for start in starts if start in self._often), maker_key(brand))
        return None if key is None else self._names.get(key)


# The year in which a unit was built, out of what its owner guesses: a year, an age, or both.

Window = tuple[int, int]
#: An owner who says more than this has typed a placeholder, or means something else.
MOST_AGE_YEARS = 100
#: Years that stand for "no idea" in many a form.
PLACEHOLDERS = frozenset((0, 1, 1111, 1234, 1900, 1901, 9999))


def built_window(year: str, age: str, date: str) -> tuple[Window | None, str | None]:
    """Turn a year of manufacture, an age or both into a window of years, or say why it is not believed.

    A unit may be off by a year to both sides, and by one more for every full ten years of its age; one said
    to be of the year of the event is taken at its word.
    """
    try:
        by_year = _by_year(year, int(date[:4])) if year else None
        by_age = _by_age(age, date) if age else None
    except Refused as doubt:
        return None, doubt.message
    if by_year and by_age and max(by_year[0], by_age[0]) > min(by_year[1], by_age[1]):
        return None, "year and age contradict each other"
    return by_year or by_age, None  # most providers work the age out from the year: it says nothing more


def _by_year(text: str, event: int) -> Window:
    if not re.fullmatch(r"[0-9]{1,4}(?:\.0+)?", text):
        raise Refused("not a year")
    year = int(float(text))
    if year in PLACEHOLDERS:
        raise Refused("a placeholder for a year")
    if year > event:
        raise Refused("a year after the event")
    return _around(year, event - year, event, at_least=int(year < event))


def _by_age(text: str, date: str) -> Window:
    if not re.fullmatch(r"[0-9]{1,4}(?:\.[0-9]+)?", text):
        raise Refused("not an age")
    event, months = int(date[:4]), int(date[5:7]) - 0.5
    return _around(math.floor(event + months / 12 - float(text)), float(text), event, at_least=1)


def _around(year: int, age_years: float, event: int, at_least: int) -> Window:
    if age_years > MOST_AGE_YEARS:
        raise Refused(f"an age above {MOST_AGE_YEARS} years")
    off = at_least + int(age_years) // 10
    return year - off, min(year + off, event)


# Open repair data into a ledger.

#: So many rows of one group without a single failure: the failures were not written down. At six repairs
#: in ten such a run of luck has a chance of 1 in 165.
FEWEST_FOR_ROSY = 10
NO_MAKER = "maker unknown"
_AN_ID_OF_A_PROVIDER = re.compile(r"[a-z]{2,}[-_].+")
_CLOCK = re.compile(r"(?<=\d)[ T]\d{2}:\d{2}(:\d{2})?$")
_MOST_TOLD = 8


def import_open_repair(
    path: str | Path,
    ledger: "Ledger",
    *,
    layout: Layout = AS_DOCUMENTED,
    kinds: Collection[str] | None = (),
    reason: str = "imported as open repair data",
    dry_run: bool = False,
) -> ImportSummary:
    """Import files of the Open Repair Data Standard, versions 0.1 to 0.3.

    Only kinds that the ledger has, and `kinds` beside them; with None every kind.
    """
    files = [RepairFile(file, layout) for file in find_repair_files(Path(path))]
    told: list[_Told] = []

    def sources(connection: Connection) -> tuple[int, list[Source]]:
        told.append(_Told(connection, files, kinds))
        return database.exponent_in(connection), told[0].sources()

    summary = import_sources(ledger, sources, [], reason, dry_run)
    return replace(summary, left_out=dict(told[0].left_out), remarks=tuple(told[0].remarks()))


class _Told:
    """What files say, read as jobs and families beside what the ledger holds."""

    def __init__(
        self, connection: Connection, files: Sequence[RepairFile], kinds: Collection[str] | None
    ) -> None:
        self.files, self._asked = files, kinds or ()
        self.left_out: Counter[str] = Counter()
        self._notes: defaultdict[str, list[str]] = defaultdict(list)
        self._groups: defaultdict[str, Counter[str]] = defaultdict(Counter)
        self._numbers: Counter[str] = Counter()
        self._digests: dict[bytes, str] = {}
        self._families: dict[str, tuple[int, dict[str, Value]]] = {}
        self._unwanted: Counter[str] = Counter()
        jobs, families = SQL_TABLES["jobs"].c, SQL_TABLES["families"].c
        self._own_numbers = set(connection.execute(select(jobs.job).where(jobs.origin.is_(None))).scalars())
        held = connection.execute(select(families.family, families.kind))
        self._kinds = {family: kind for family, kind in held}
        brands = Counter(row["brand"] for file in files for row in file.rows)
        self._makers = Makers(brands, database.names_in(connection, "maker"))
        known = set(self._kinds.values())
        categories = {category_of(kind) for kind in known} - {MISCELLANEOUS}
        self._wanted = None if kinds is None else {*known, *categories, *kinds}

    def sources(self) -> list[Source]:
        """Read every row; give the families first, then the jobs file by file."""
        jobs = [self._jobs(file) for file in self.files]
        met = {*self._unwanted, *self._kinds.values()}
        for kind in self._asked:
            if kind not in met:
                raise unknown("The files hold no row of the kind", kind, met)
        if self._unwanted:
            told = _first(f"{kind} {count}" for kind, count in self._unwanted.most_common())
            self.left_out[f"of kinds that the ledger has no family of (--kind NAME takes one in): {told}"] = (
                self._unwanted.total()
            )
        made = [(line, row, list[Complaint]()) for line, row in self._families.values()]
        return [MadeRows(self.files[0].path, TABLES["families"], is_derived=True, made=made), *jobs]

    def _jobs(self, file: RepairFile) -> MadeRows:
        found = MadeRows(file.path, TABLES["jobs"], faults=file.faults)
        if file.not_read:
            self._notes["columns that no version of the standard has, and that were not read"] += (
                file.not_read
            )
        for row in file.rows:
            status = row["repair_status"]
            status = UNKNOWN if _is_nothing(status) else _SPELLED.get(folded(status), "")
            date, kind = _CLOCK.sub("", row["event_date"]), self._kind(row, file.kinds_are_told)
            if status == UNKNOWN:
                self.left_out["repair status Unknown"] += 1
            elif _is_nothing(date) or date == "0000-00-00":
                self.left_out["no event date"] += 1
            elif self._wanted is not None and (kind or MISCELLANEOUS) not in self._wanted:
                self._unwanted[kind or MISCELLANEOUS] += 1
            else:
                found.made.append(self._job(row, status, date, file, kind))
        found.n_left_out = len(file.rows) - len(found.made)
        found.made += [(line, {}, [complaint]) for line, complaint in file.unreadable]
        found.made.sort(key=lambda made: made[0])
        return found

    def _job(
        self, row: RepairRow, status: str, date: str, file: RepairFile, kind: str | None
    ) -> tuple[int, dict[str, Value], list[Complaint]]:
        complaints: list[Complaint] = []
        if status not in STATUSES:
            found, allowed = row["repair_status"], ", ".join(STATUSES)
            complaints.append(
                ("repair_status", f"{found!r} is not one of {allowed}.{nearest(found, STATUSES)}")
            )
        if not _is_date(date):
            complaints.append(("event_date", f"{row['event_date']!r} is not a date such as 2021-05-17"))
        if _is_nothing(row["id"]):
            complaints.append(("id", "is empty, but every row needs it"))
        origin = row["data_provider"] or file.path.stem
        number = self._number(row, origin)
        job: dict[str, Value] = {"job": number, "origin": origin, "taken_in": date, "closed": date}
        if complaints:
            return row.line, job, complaints
        outcome, group = OUTCOMES[status], row["group_identifier"]
        if (first := self._digests.setdefault(row.digest, number)) != number:
            again = "rows that say the same as another but for the id, each kept"
            self._notes[again].append(f"{number} = {first}")
        if group:
            self._groups[f"{group} ({origin})"][outcome] += 1
        job |= {
            "outcome": outcome,
            "family": self._family(row, kind),
            "ended_why": self._ended_why(row, outcome),
            "remarks": f"group {group}" if group else None,
        }
        return row.line, job | self._built(row, date, file.layout), []

    def _number(self, row: RepairRow, origin: str) -> str:
        """Give a job number that no job of the bench has, and no other row of these files."""
        number = row["id"]
        if not _AN_ID_OF_A_PROVIDER.fullmatch(number) or number in self._own_numbers:
            letters = "".join(re.findall("[a-z]+", origin.casefold()))
            number = f"{letters or 'source'}_{number}"
        self._numbers[number] += 1
        if self._numbers[number] == 1:
            return number
        self._notes["ids given more than once, each row kept"].append(f"{row['id']} (line {row.line})")
        return f"{number} ({self._numbers[number]})"

    def _family(self, row: RepairRow, kind: str | None) -> str:
        if kind is None:
            self._notes[f"rows without a category, taken as {MISCELLANEOUS}"].append(f"line {row.line}")
            kind = MISCELLANEOUS
        maker = self._makers.of(row["brand"])
        family = f"{maker} {kind}" if maker else f"{kind}, {NO_MAKER}"
        if self._kinds.get(family, kind) != kind:
            family += " (open repair data)"
        if family not in self._kinds:
            self._kinds[family] = kind
            self._families[family] = (row.line, {"family": family, "kind": kind, "maker": maker})
        return family

    def _kind(self, row: RepairRow, kinds_are_told: bool) -> str | None:
        partners = row["partner_product_category"]
        if partners and (kinds_are_told or partners.casefold() in USUAL_COMPONENTS):
            return partners if kinds_are_told else partners.casefold()
        cells = (row["product_category"], row["product_category_id"], partners)
        return next((category_name(cell) for cell in cells if not _is_nothing(cell)), None)

    def _ended_why(self, row: RepairRow, outcome: str) -> str | None:
        barrier = row["repair_barrier_if_end_of_life"]
        if _is_nothing(barrier):
            return None
        why = _BARRIER.get(folded(barrier))
        if why is None:
            told = "barriers that no version of the standard has, not taken over"
            self._notes[told].append(f"{barrier!r} (line {row.line})")
        elif outcome == "repaired":
            self._notes["barriers beside a repair, not taken over"].append(f"line {row.line}")
            return None
        return why

    def _built(self, row: RepairRow, date: str, layout: Layout) -> dict[str, Value]:
        year, age = (
            "" if _is_nothing(cell) else cell.replace(",", ".") if layout.decimal_comma else cell
            for cell in (row["year_of_manufacture"], row["product_age"])
        )
        window, doubt = built_window(year, age, date)
        if doubt:
            cells = " and ".join(repr(cell) for cell in (year, age) if cell)
            self._notes[f"years or ages not believed, {doubt}"].append(f"{cells} (line {row.line})")
        if window is None:
            return {}
        return {"built_from": window[0], "built_to": window[1], "year_basis": "guess"}

    def remarks(self) -> Iterator[str]:
        """Word what the reader should know, each kind of thing with its count and the first of its rows."""
        for what, where in sorted(self._notes.items()):
            yield f"{what}: {len(where)} ({_first(where)})"
        rosy = [name for name, outcomes in self._groups.items()
                if outcomes["repaired"] == outcomes.total() >= FEWEST_FOR_ROSY]  # fmt: skip
        if rosy:
            yield (f"groups whose every row is Fixed, in {FEWEST_FOR_ROSY} rows or more; did they write down "
                   f"the others? {some(rosy)}")  # fmt: skip


def _first(told: Iterable[str]) -> str:
    listed = list(told)
    rest = len(listed) - _MOST_TOLD
    return ", ".join(listed[:_MOST_TOLD]) + (f" and {rest} more" if rest > 0 else "")


def _is_date(text: str) -> bool:
    try:
        datetime.date.fromisoformat(text if len(text) == 10 else f"{text}-01")
    except ValueError:
        return False
    return re.fullmatch(r"[0-9]{4}-[0-9]{2}(-[0-9]{2})?", text) is not None


# The bench's own jobs as open repair data: what happened to which kind of unit, and never what it cost.

FILE = "open-repair-data.csv"
DEFAULT_PROVIDER = "bench"
MIDDLE_OF_A_MONTH = "-16"


@dataclass(frozen=True)
class OpenRepairExport:
    """What was exported: rows written, and jobs left out because they are still open."""

    written: int
    still_open: int


def export_open_repair(
    ledger: "Ledger", path: str | Path, *, provider: str = DEFAULT_PROVIDER, country: str = ""
) -> OpenRepairExport:
    """Write the finished jobs of the bench in version 0.3 of the Open Repair Data Standard.

    Jobs with an origin are somebody else's to publish, and stay out. So do amounts, hours, components
    and remarks: the standard has no place for them.
    """
    letters = "".join(re.findall("[a-z]+", provider.casefold()))
    if len(letters) < 2:
        raise InvalidInput(f"The provider {provider!r} needs two letters from a to z; they begin every id.")
    if country and not re.fullmatch("[A-Z]{3}", country):
        raise InvalidInput(f"{country!r} is no country code of three capital letters, such as BEL.")
    with ledger.reading() as connection:
        families = {row["family"]: row for row in database.fetch_rows(connection, "families")}
        own = [row for row in database.fetch_rows(connection, "jobs") if not row["origin"]]
    finished = [job for job in own if job["outcome"] != "open"]
    common = {"data_provider": provider, "country": country or None, "group_identifier": provider}
    rows = [{**common, **_cells(job, families[job["family"]], letters)} for job in finished]
    described = _descriptor()

    def write_file(stream: IO[bytes]) -> None:
        write_rows(stream, COLUMNS, ([row.get(name) for name in COLUMNS] for row in rows))

    files = {FILE: write_file, DESCRIPTOR: lambda stream: stream.write(described)}
    write_folder(Path(path), OPEN_REPAIR_PACKAGE, files, private=False)
    return OpenRepairExport(len(finished), len(own) - len(finished))


def _cells(job: Mapping[str, Any], family: Mapping[str, Any], letters: str) -> dict[str, Value]:
    category, status = category_of(str(family["kind"])), STATUS_OF[job["outcome"]]
    barriers = [barrier for barrier, why in BARRIERS.items() if why == job["ended_why"]]
    taken_in, window = str(job["taken_in"]), (job["built_from"], job["built_to"])
    year = None if None in window else sum(window) // 2
    return {
        "id": f"{letters}_{job['job']}",
        "partner_product_category": family["kind"],
        "product_category": category,
        "product_category_id": CATEGORIES.index(category) + 1,
        "brand": family["maker"] or UNKNOWN,
        "year_of_manufacture": year,
        "product_age": None if year is None else int(taken_in[:4]) - year,
        "repair_status": status,
        "repair_barrier_if_end_of_life": barriers[0] if barriers and status == "End of life" else None,
        "event_date": taken_in if len(taken_in) == 10 else taken_in + MIDDLE_OF_A_MONTH,
    }


def _descriptor() -> bytes:
    """Describe the exported folder: one file in version 0.3 of the standard, with its Table Schema."""
    kinds = {"product_category_id": "integer", "product_age": "number", "event_date": "date"}
    fields = [{"name": name, "type": kinds.get(name, "string"), "description": meaning,
               **({"constraints": demanded} if demanded else {})}
              for name, (meaning, demanded) in _COLUMNS.items()]  # fmt: skip
    schema = {"fields": fields, "missingValues": [""], "primaryKey": ["id"]}
    return descriptor_text(
        profile="tabular-data-package",
        name=OPEN_REPAIR_PACKAGE,
        title="Open repair data of a bench",
        description="Finished jobs in version 0.3 of the Open Repair Data Standard. The partner category "
        "is the bench's own kind of unit.",
        resources=[csv_resource("open-repair-data", FILE, schema)],
    )
