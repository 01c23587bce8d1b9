"""Open repair data in and out: what volunteers at repair events wrote down, beside the bench's own jobs."""

import html
import json
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from sqlalchemy import Connection, select

from reliability.errors import Fault, InvalidInput, Refused, nearest, unknown
from reliability.records import database, package
from reliability.records.checks import Complaint, Line
from reliability.records.database import SQL_TABLES
from reliability.records.package import (
    AS_DOCUMENTED,
    DESCRIPTOR,
    ImportSummary,
    Layout,
    Source,
    import_sources,
)
from reliability.records.tables import TABLES, USUAL_COMPONENTS, full_date
from reliability.records.values import Value, clean_text, folded, read_value, undecodable, words

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

# The words of the Open Repair Data Standard, and what they are in a ledger.

#: The package that goes out: the columns of v0.3 in order, what they mean and what may stand in them. The
#: partner category is the bench's own kind of unit. Older versions lack some columns.
_DESCRIPTOR = Path(__file__).with_name("open_repair.json").read_bytes()
_PACKAGE = json.loads(_DESCRIPTOR)
_FIELDS = {field["name"]: field for field in _PACKAGE["resources"][0]["schema"]["fields"]}
COLUMNS = tuple(_FIELDS)
#: Categories by their number, from 1.
CATEGORIES, STATUSES = (tuple(_FIELDS[name]["constraints"]["enum"])
                        for name in ("product_category", "repair_status"))  # fmt: skip
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
REQUIRED = ("id", "repair_status", "event_date")
CATEGORY_COLUMNS = ("product_category", "partner_product_category", "product_category_id")
#: What somebody wrote about the fault. It tells the outcome, so it is never kept.
FREE_TEXT = "problem"
#: A file is read whole; this is some million rows.
MOST_BYTES = 500_000_000
#: How a cell says that nothing is known, whatever the column.
NOTHING = frozenset(("", *r"- -- ? n/a na nan none null \n nil unknown undefined".split()))
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

#: One row: its texts by column of the standard, and where it stands.
Row = dict[str, Any]
PLACE = "(place)"


def find_repair_files(path: Path) -> list[Path]:
    """Find the files of open repair data that a path stands for; a list of categories beside them is none."""
    files = [path]
    if not path.is_file():
        if not path.is_dir():
            raise InvalidInput(f"There is no file or folder {path}. Nothing was imported.")
        found = sorted(file for file in path.iterdir() if file.suffix.lower() == ".csv")
        headers = [next(package.raw_rows(file, ",", []), (1, list[str]()))[1] for file in found]
        files = [file for file, header in zip(found, headers, strict=True)
                 if set(map(_name, header)) != {"product_category_id", "product_category"}]  # fmt: skip
    if not files:
        raise InvalidInput(f"{path} holds no CSV file of open repair data. Nothing was imported.")
    for file in files:
        if file.stat().st_size > MOST_BYTES:
            told = f"{file} has more than {MOST_BYTES:,} bytes; divide it."
            raise InvalidInput(f"{told} Nothing was imported.")
    return files


def _name(header: str) -> str:
    return "_".join(header.strip().casefold().replace("-", " ").split())


def read_repairs(path: Path, layout: Layout) -> tuple[list[Row | Line], list[str]]:
    """Read one file: its rows, among them those that cannot be read, and headers that no version has."""
    faults: list[Fault] = []
    found = package.raw_rows(path, layout.delimiter, faults)
    names = [_name(cell) for cell in next(found, (1, []))[1]]
    if not faults:
        faults += [Fault(f"{path.name}, line 1", *complaint) for complaint in _misfits(names)]
    rows: list[Row | Line] = []
    for line, cells in found if not faults else ():
        place, row = f"{path.name}, line {line}", dict.fromkeys(COLUMNS, "")
        for name, cell in zip(names, cells, strict=False):
            if name in COLUMNS and name != FREE_TEXT:
                row[name] = sys.intern(html.unescape(package.restored(clean_text(cell))))
        if len(cells) != len(names):
            rows.append(Line(place, {}, [("", package.other_width(cells, names))]))
        elif complaints := [(name, odd) for name, text in row.items() if (odd := undecodable(text))]:
            rows.append(Line(place, {}, complaints[:1]))
        else:
            rows.append({**row, PLACE: place})
    rows += [Line(each.place, None, [(each.column, each.message)]) for each in faults]
    return rows, list(dict.fromkeys(name for name in names if name and name not in COLUMNS))


def _misfits(names: Sequence[str]) -> list[Complaint]:
    """Complain of a header; one that is almost a column's name must not lose the column unseen."""
    known = [name for name in names if name in COLUMNS]
    missing = [name for name in REQUIRED if name not in known]
    missing += [" or ".join(CATEGORY_COLUMNS)] * (not set(known) & set(CATEGORY_COLUMNS))
    lacks = f"the header lacks {', '.join(missing)}; versions 0.1 to 0.3 of the standard have "
    complaints = [("", lacks + ", ".join(COLUMNS))] if missing else []
    twice = sorted({name for name in known if known.count(name) > 1})
    complaints += [(name, "stands in the header more than once") for name in twice]
    return complaints + [(name, f"is no column of the standard.{hint}") for name in names
                         if name and name not in COLUMNS
                         and (hint := nearest(name, set(COLUMNS) - set(known)))]  # fmt: skip


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
    nobody = rf"\b(?:{'|'.join(words()['no_maker'])})\b"
    if _is_nothing(brand) or words()["maker"].get(text) == "none" or re.search(nobody, text):
        return None
    if len(set(text.replace(" ", ""))) < 2 or len(text.split()) > MOST_WORDS:
        return None
    tokens = _words(words()["maker"].get(text, brand))
    while len(tokens) > 1 and tokens[-1] in _COMPANY:
        tokens.pop()
    return "".join(tokens)


def _words(brand: str) -> list[str]:
    tokens = folded(re.sub("[&+]", " and ", _DOUBTED.sub(" ", brand))).split()
    return [word for word in tokens if word != "and"]


def commonest(counts: Counter[str]) -> str:
    """Choose a spelling: the commonest, of equally common ones one in small and capital letters."""
    return min(counts, key=lambda text: (-counts[text], text.isupper() or text.islower(), text))


def makers_of(brands: Counter[str], known: Iterable[str] = ()) -> dict[str, str]:
    """Find the maker that each cell names, under one spelling: the ledger's, else the commonest.

    A cell that begins with a common maker is about its product; one that names no maker is left out.
    """
    keys = {brand: maker_key(brand) for brand in brands}
    spellings: dict[str, Counter[str]] = defaultdict(Counter)
    for brand, key in keys.items():
        if key:
            tidy = " ".join(_DOUBTED.sub(" ", brand).split())
            spellings[key][words()["maker"].get(folded(brand)) or tidy] += brands[brand]
    names = {key: commonest(counts) for key, counts in spellings.items()}
    names |= {key: name for name in sorted(known, reverse=True) if (key := maker_key(name)) in names}
    often = {key for key, counts in spellings.items() if counts.total() >= OFTEN}
    for brand in brands:
        tokens = _words(brand)
        starts = (maker_key(" ".join(tokens[:length])) for length in range(1, len(tokens)))
        keys[brand] = next((start for start in starts if start in often), keys[brand])
    return {brand: names[key] for brand, key in keys.items() if key}


# The year in which a unit was built, out of what its owner guesses. An age is worked out from it: in the
# published data none stands without the year, so it says no more.

Window = tuple[int, int]
#: An owner who says more than this has typed a placeholder, or means something else.
MOST_AGE_YEARS = 100
#: Years that stand for "no idea" in many a form.
PLACEHOLDERS = frozenset((0, 1, 1111, 1234, 1900, 1901, 9999))


def built_window(year: str, event: int) -> Window | str:
    """Turn a year of manufacture into a window of years, or say why it is not believed.

    A unit may be off by a year to both sides, and by one more for every full ten years of its age; one said
    to be of the year of the event is taken at its word.
    """
    if not re.fullmatch(r"[0-9]{1,4}(?:\.0+)?", year):
        return "not a year"
    built = int(float(year))
    if built in PLACEHOLDERS:
        return "a placeholder for a year"
    if not 0 <= event - built <= MOST_AGE_YEARS:
        return "a year after the event" if built > event else f"an age above {MOST_AGE_YEARS} years"
    off = (built < event) + (event - built) // 10
    return built - off, built + off


# Open repair data into a ledger.

NO_MAKER = "maker unknown"
_AN_ID_OF_A_PROVIDER = re.compile(r"[a-z]{2,}[-_].+")
_CLOCK = re.compile(r"(?<=\d)[ T]\d{2}:\d{2}(:\d{2})?$")
_MOST_TOLD = 8


def import_open_repair(
    path: str | Path, ledger: "Ledger", *, layout: Layout = AS_DOCUMENTED,
    kinds: Collection[str] | None = (), reason: str = "imported as open repair data", dry_run: bool = False,
) -> ImportSummary:  # fmt: skip
    """Import files of the Open Repair Data Standard, versions 0.1 to 0.3.

    Only kinds that the ledger has, and `kinds` beside them; with None every kind.
    """
    files = {file: read_repairs(file, layout) for file in find_repair_files(Path(path))}
    told: list[_Told] = []

    def sources(connection: Connection) -> list[Source]:
        brands = Counter(row["brand"] for rows, _ in files.values() for row in rows
                         if not isinstance(row, Line))  # fmt: skip
        told.append(_Told(connection, makers_of(brands, database.names_in(connection, "maker"))))
        jobs = told[0].jobs(files, kinds)
        return [Source(TABLES["families"], told[0].families.values(), n_read=0), *jobs]

    summary = import_sources(ledger, sources, reason, dry_run=dry_run)
    return replace(summary, left_out=dict(told[0].left_out), remarks=tuple(told[0].remarks()))


class _Told:
    """What files say, read as jobs and families beside what the ledger holds."""

    def __init__(self, connection: Connection, makers: Mapping[str, str]) -> None:
        self.makers = makers
        self.left_out: Counter[str] = Counter()
        self.families: dict[str, Line] = {}
        self._notes: defaultdict[str, list[str]] = defaultdict(list)
        self._numbers: Counter[str] = Counter()
        jobs, families = SQL_TABLES["jobs"].c, SQL_TABLES["families"].c
        self._own_numbers = set(connection.execute(select(jobs.job).where(jobs.origin.is_(None))).scalars())
        held = connection.execute(select(families.family, families.kind))
        self._kinds = {family: kind for family, kind in held}

    def jobs(
        self, files: Mapping[Path, tuple[list[Row | Line], list[str]]], asked: Collection[str] | None
    ) -> list[Source]:
        """Read every row of the kinds that are asked for, or that the ledger has; count the others."""
        known = set(self._kinds.values())
        wanted = known | set(map(category_of, known)) - {MISCELLANEOUS} | set(asked or ())
        unwanted: Counter[str] = Counter()
        sources = []
        for file, (rows, not_read) in files.items():
            self._note("columns that no version of the standard has, and that were not read", *not_read)
            are_told = package.described_in(file.parent).get("name") == _PACKAGE["name"]
            lines: list[Line] = []
            n_read = sum(not isinstance(row, Line) or row.row is not None for row in rows)  # left out or not
            sources.append(Source(TABLES["jobs"], lines, n_read=n_read))
            for row in rows:
                if isinstance(row, Line):
                    lines.append(row)
                    continue
                date, kind = _CLOCK.sub("", row["event_date"]), _kind(row, are_told)
                status = _SPELLED.get(folded(row["repair_status"]), "")
                if _is_nothing(row["repair_status"]) or status == UNKNOWN:
                    self.left_out["repair status Unknown"] += 1
                elif _is_nothing(date) or date == "0000-00-00":
                    self.left_out["no event date"] += 1
                elif asked is not None and (kind or MISCELLANEOUS) not in wanted:
                    unwanted[kind or MISCELLANEOUS] += 1
                else:
                    lines.append(self._job(row, status, date, kind, file.stem))
        met = {*unwanted, *self._kinds.values()}
        if strange := [kind for kind in asked or () if kind not in met]:
            raise unknown("The files hold no row of the kind", strange[0], met)
        if unwanted:
            told = _first(f"{kind} {count}" for kind, count in unwanted.most_common())
            why = f"of kinds that the ledger has no family of (--kind NAME takes one in): {told}"
            self.left_out[why] = unwanted.total()
        return sources

    def _note(self, what: str, *where: str) -> None:
        if where:
            self._notes[what] += where

    def _job(self, row: Row, status: str, date: str, kind: str | None, stem: str) -> Line:
        complaints: list[Complaint] = []
        if status not in STATUSES:
            found, allowed = row["repair_status"], ", ".join(STATUSES)
            told = f"{found!r} is not one of {allowed}.{nearest(found, STATUSES)}"
            complaints.append(("repair_status", told))
        try:
            read_value(TABLES["jobs"]["taken_in"], date)
        except Refused:
            complaints.append(("event_date", f"{row['event_date']!r} is not a date such as 2021-05-17"))
        if _is_nothing(row["id"]):
            complaints.append(("id", "is empty, but every row needs it"))
        origin = row["data_provider"] or stem
        number = self._number(row, origin)
        job: dict[str, Value] = {"job": number, "origin": origin, "taken_in": date, "closed": date}
        if complaints:
            return Line(row[PLACE], job, complaints)
        outcome, group = OUTCOMES[status], row["group_identifier"]
        job |= {"outcome": outcome, "family": self._family(row, kind)}
        job |= {"ended_why": self._ended_why(row, outcome), "remarks": f"group {group}" if group else None}
        return Line(row[PLACE], job | self._built(row, date))

    def _number(self, row: Row, origin: str) -> str:
        """Give a job number that no job of the bench has, and no other row of these files."""
        number = row["id"]
        if not _AN_ID_OF_A_PROVIDER.fullmatch(number) or number in self._own_numbers:
            letters = "".join(re.findall("[a-z]+", origin.casefold()))
            number = f"{letters or 'source'}_{number}"
        self._numbers[number] += 1
        if self._numbers[number] == 1:
            return number
        self._note("ids given more than once, each row kept", f"{row['id']} ({row[PLACE]})")
        return f"{number} ({self._numbers[number]})"

    def _family(self, row: Row, kind: str | None) -> str:
        if kind is None:
            self._note(f"rows without a category, taken as {MISCELLANEOUS}", row[PLACE])
            kind = MISCELLANEOUS
        maker = self.makers.get(row["brand"])
        family = f"{maker} {kind}" if maker else f"{kind}, {NO_MAKER}"
        if self._kinds.get(family, kind) != kind:
            family += " (open repair data)"
        if family not in self._kinds:
            self._kinds[family] = kind
            described = {"family": family, "kind": kind, "maker": maker}
            self.families[family] = Line(row[PLACE], described)
        return family

    def _ended_why(self, row: Row, outcome: str) -> str | None:
        barrier = row["repair_barrier_if_end_of_life"]
        if _is_nothing(barrier):
            return None
        why = _BARRIER.get(folded(barrier))
        if why is None:
            told = "barriers that no version of the standard has, not taken over"
            self._note(told, f"{barrier!r} ({row[PLACE]})")
        elif outcome == "repaired":
            self._note("barriers beside a repair, not taken over", row[PLACE])
            return None
        return why

    def _built(self, row: Row, date: str) -> dict[str, Value]:
        year = row["year_of_manufacture"]
        window = "" if _is_nothing(year) else built_window(year, int(date[:4]))
        if isinstance(window, str):
            if window:
                self._note(f"years not believed, {window}", f"{year!r} ({row[PLACE]})")
            return {}
        return {"built_from": window[0], "built_to": window[1], "year_basis": "guess"}

    def remarks(self) -> Iterator[str]:
        """Word what the reader should know, each kind of thing with its count and the first of its rows."""
        for what, where in sorted(self._notes.items()):
            yield f"{what}: {len(where)} ({_first(where)})"


def _kind(row: Row, are_told: bool) -> str | None:
    """Give the kind of a unit: the partner's own where it is ours, else the category; None for neither."""
    partner = row["partner_product_category"]
    if partner and (are_told or partner.casefold() in USUAL_COMPONENTS):
        return str(partner if are_told else partner.casefold())
    cells = (row["product_category"], row["product_category_id"], partner)
    return next((category_name(cell) for cell in cells if not _is_nothing(cell)), None)


def _first(told: Iterable[str]) -> str:
    listed = list(told)
    rest = len(listed) - _MOST_TOLD
    return ", ".join(listed[:_MOST_TOLD]) + (f" and {rest} more" if rest > 0 else "")


# The bench's own jobs as open repair data: what happened to which kind of unit, and never what it cost.

FILE = _PACKAGE["resources"][0]["path"]
DEFAULT_PROVIDER = "bench"


def export_open_repair(
    ledger: "Ledger", path: str | Path, *, provider: str = DEFAULT_PROVIDER, country: str = ""
) -> tuple[int, int]:
    """Write the finished jobs of the bench in version 0.3 of the Open Repair Data Standard.

    Jobs with an origin are somebody else's to publish, and stay out. So do amounts, hours, components
    and remarks: the standard has no place for them. Given are how many were written, and how many are still
    open and left out.
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
    cells = ([row.get(name) for name in COLUMNS] for row in rows)
    files: dict[str, Callable[[IO[bytes]], object]] = {
        FILE: lambda stream: package.write_csv(stream, COLUMNS, cells),
        DESCRIPTOR: lambda stream: stream.write(_DESCRIPTOR),
    }
    package.write_folder(Path(path), files, private=False)
    return len(finished), len(own) - len(finished)


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
        "event_date": full_date(taken_in),
    }
