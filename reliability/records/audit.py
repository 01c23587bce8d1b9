"""`check`: whether a ledger is what it should be, and what is doubtful in it."""

import datetime
import json
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, groupby
from operator import itemgetter
from statistics import median
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select
from sqlalchemy.exc import DatabaseError

from reliability.errors import LedgerError, counted, near_twin
from reliability.records import database
from reliability.records.checks import Line, check_rows
from reliability.records.database import HISTORY, NUMBERING, chained, tolerant, worded_damage
from reliability.records.ledger import RENAMED
from reliability.records.tables import TABLES, USUAL_NAMES, date_not_before, full_date
from reliability.records.values import do_gaps_count, missing_numbers, number_after, split_number

if TYPE_CHECKING:
    from reliability.records.ledger import Ledger

Rows = Mapping[str, list[dict[str, Any]]]
"""Rows of every table, by its name."""


#: So many rows of one problem are named; numbers that are days have a gap beside nearly each.
MOST_ROWS = 30


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a ledger, or worth a second look."""

    grave: bool  # whether a rule is broken; otherwise the rows are allowed but doubtful
    topic: str  # the same words for all of its kind
    message: str  # what was found, and what to do
    rows: tuple[str, ...]  # such as "job 12" or "job 12, belt"

    def __str__(self) -> str:
        more = [f"and {len(self.rows) - MOST_ROWS} more"] if self.rows[MOST_ROWS:] else []
        where = f" [{', '.join([*self.rows[:MOST_ROWS], *more])}]" if self.rows else ""
        # Bytes of a damaged text that are no letters are shown as such.
        return f"{self.topic}: {self.message}{where}".encode("utf-8", "backslashreplace").decode()


def broken(topic: str, message: str, *rows: str) -> Problem:
    """Make the problem of a rule that is broken."""
    return Problem(True, topic, message, rows)


def doubtful(topic: str, message: str, *rows: str) -> Problem:
    """Make the problem of rows that are allowed but doubtful."""
    return Problem(False, topic, message, rows)


def check_ledger(ledger: "Ledger", *, today: datetime.date | None = None) -> list[Problem]:
    """Verify a ledger, then audit it."""
    found: list[Problem] = []
    try:
        with ledger.reading() as connection:
            found += file_problems(connection)
    except LedgerError:
        # A damaged file cannot even end a transaction; what was found tells more.
        if not found:
            raise
    if any(problem.topic == "damaged file" for problem in found):
        return found
    with ledger.reading() as connection, tolerant(connection):
        rows = {name: database.fetch_rows(connection, name) for name in TABLES}
        found += rule_problems(rows, database.exponent_in(connection))
        found += [*history_problems(connection, rows), *number_problems(connection, rows["jobs"])]
        if found:
            return found
        withdrawn = database.withdrawn_numbers(connection)
    stated = {row["setting"]: str(row["value"]) for row in rows["settings"]}
    day = today or datetime.date.today()
    return doubts(rows, withdrawn, stated.get("count_gaps"), day) + future_dates(rows, day)


# Whether a ledger is what it should be: the file, the rules, the history, the numbers.


def file_problems(connection: Connection) -> list[Problem]:
    """Let the database check its own file and every reference between tables."""
    if connection.dialect.name != "sqlite":
        return []
    try:
        found = connection.exec_driver_sql("PRAGMA integrity_check").scalars().all()
    except DatabaseError:
        return [broken("damaged file", "it cannot even be checked; restore a backup")]
    # A broken CHECK is no damage to the file: the rules name the row and the column.
    damages = [line for line in found if line != "ok" and not line.startswith(("CHECK", "NULL value"))]
    if damages:
        return [broken("damaged file", f"{worded_damage(damages)}; restore a backup")]
    dangling = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    return [broken("reference to nothing", f"the row refers to {row[2]} that does not exist",
                   f"{row[0]}, row {row[1]}") for row in dangling]  # fmt: skip


def rule_problems(rows: Rows, exponent: int) -> Iterator[Problem]:
    """Test every row against every documented rule, as an import would."""
    lines: dict[str, list[Line]] = defaultdict(list)
    for name, table in TABLES.items():
        of_it = "" if table.key[0] == "job" else f"{name}, "
        for row in rows[name]:
            where = ", ".join(f"{part} {row[part]}" for part in table.key if row[part])
            lines[name].append(Line(of_it + where, row))
    for fault in check_rows(lines, exponent)[1]:
        yield broken("rule broken", f"column {fault.column}: {fault.message}", fault.place)


def history_problems(connection: Connection, rows: Rows) -> list[Problem]:
    """Test the chain of digests and the versions, and compare the newest of everything with the tables."""
    damaged, changed, before = list[Problem](), list[Problem](), ""
    versions: dict[tuple[str, str], list[int]] = defaultdict(list)
    newest: dict[tuple[str, str], str | None] = {}
    query = select(HISTORY).order_by(HISTORY.c.entry).execution_options(yield_per=5_000)
    for entry in connection.execute(query):
        named, told = f"{entry.what} {entry.key}", f"entry {entry.entry}, version {entry.version},"
        versions[entry.what, entry.key].append(entry.version)
        newest[entry.what, entry.key] = entry.content
        if entry.content and _content(entry.content) is None:
            mend = "restore a backup, or look this version up in one"
            damaged.append(broken("history damaged", f"{told} cannot be read; {mend}", named))
        (proved,) = chained([entry._asdict()], before)
        if proved["digest"] != (before := entry.digest):
            such = "is not what was written, or the entry before it was changed or taken out"
            such = f"{told} {such}; compare it with a backup"
            changed.append(broken("history changed", such, named))
    gaps = [broken("history incomplete", f"versions {tuple(numbers)} are not counted from 1", " ".join(which))
            for which, numbers in versions.items() if numbers != [*range(1, len(numbers) + 1)]]  # fmt: skip
    return [*damaged, *gaps, *_differences(newest, rows), *changed]


def _differences(newest: dict[tuple[str, str], str | None], rows: Rows) -> Iterator[Problem]:
    """Compare the newest version of everything with what the tables say."""
    references = (
        (name, database.key_text(table, row), database.content_of(row))
        for name, table in TABLES.items() if "job" not in table.key for row in rows[name]
    )  # fmt: skip
    jobs = (("jobs", job, database.document_content(document))
            for job, document in database.documents_of(rows).items())  # fmt: skip
    for what, key, content in chain(jobs, references):
        kept = newest.pop((what, key), None)
        if kept is None:
            yield broken("history incomplete", "no version of it was kept", f"{what} {key}")
        elif _content(kept) not in (None, content):
            told = "the newest version kept is not what the tables say"
            yield broken("history differs", told, f"{what} {key}")
    for (what, key), kept in newest.items():
        if kept is not None:
            yield broken("row missing", "the history holds it, the tables do not", f"{what} {key}")


def _content(text: str) -> Any:
    """Read what an entry of the history says; None if it is damaged."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def number_problems(connection: Connection, jobs: Iterable[dict[str, Any]]) -> Iterator[Problem]:
    """Test that no number can be given out twice."""
    last: dict[str, int] = {}
    for row in connection.execute(select(NUMBERING)):
        # Worded and taken apart again: how a number is taken apart may have changed since it was noted.
        number = split_number(number_after(row.prefix, row.last - 1, row.width))
        if number is not None:
            last[number.prefix] = max(number.digits, last.get(number.prefix, -1))
    seen: dict[tuple[str, int], str] = {}
    for job in jobs:
        number = split_number(str(job["job"]))
        if job["origin"] or number is None:
            continue
        if number.digits > last.get(number.prefix, -1):
            yield broken("number not counted", "intake could give this number out again", f"job {job['job']}")
        first = seen.setdefault((number.prefix, number.digits), str(job["job"]))
        if first != job["job"]:
            told = "only the zeros in front differ"
            yield broken("number used twice", told, f"job {first}", f"job {job['job']}")


# Rows that no rule forbids, but that make the odds worse than they look.

#: An open job older than this is usually a job that was given up and not written up.
LONG_OPEN_DAYS = 180
#: So many finished jobs without a single loss are no longer luck: at 9 repairs in 10 the chance is 12 %.
FEWEST_FOR_ROSY = 20
#: Share of repairs above which a whole ledger looks like a record of successes only.
ROSY_SHARE = 0.95
#: So many findings without one sound component mean that soundness is not written down.
FEWEST_FOR_SOUND = 10
#: A window of years this wide is a guess in all but name.
WIDEST_WINDOW_YEARS = 30
#: Hardly any unit on a bench is older; a year that is too early by a century is a slip of the pen.
OLDEST_YEARS = 100


def number_gaps(rows: Rows, withdrawn: Iterable[str], count_gaps: str | None) -> Iterator[Problem]:
    """Find numbers that were given out but belong to no job, and say whether they count; `do_gaps_count`."""
    own = [job for job in rows["jobs"] if not job["origin"]]
    all_gaps = missing_numbers([*(str(job["job"]) for job in own), *withdrawn])
    n_written = sum(job["outcome"] != "open" for job in own)
    if do_gaps_count(sum(gap.size for gap in all_gaps), n_written, count_gaps):
        how = "gap_repaired_share says how they count"
    elif count_gaps:
        how = "count_gaps leaves them out"
    else:
        how = "gaps of more than half of the written jobs are not counted while count_gaps is not set"
    for _, group in groupby(all_gaps, key=lambda gap: gap.prefix):
        gaps = list(group)
        missing = sum(gap.size for gap in gaps)
        spans = [f"job {gap.first}" if gap.size == 1 else f"jobs {gap.first} to {gap.last}" for gap in gaps]
        count = "1 job was" if missing == 1 else f"{missing} jobs were"
        message = f"{count} never written up; {how}"
        yield doubtful("gap in the job numbers", message, *spans)


def too_rosy(rows: Rows) -> Iterator[Problem]:
    """Find groups of jobs that went so well that the failures must be missing."""
    finished = [job for job in rows["jobs"] if job["outcome"] != "open"]
    for column, limit in (("origin", ROSY_SHARE), ("family", 1.0)):
        for name, jobs in _grouped(finished, itemgetter(column)).items():
            repaired = sum(job["outcome"] == "repaired" for job in jobs)
            if len(jobs) >= FEWEST_FOR_ROSY and repaired >= limit * len(jobs):
                such = f"{repaired} of {len(jobs)} finished jobs were repaired; were the others written up?"
                yield doubtful("too rosy", such, f"{column} {name}" if name else "this bench")


def without_findings(rows: Rows) -> Iterator[Problem]:
    """Find families that cannot say anything of their components, and records of failures only."""
    # Jobs from elsewhere come without findings, and nobody here could write them down.
    family_of = {job["job"]: job["family"] for job in rows["jobs"]
                 if job["outcome"] != "open" and not job["origin"]}  # fmt: skip
    states = defaultdict(list)
    for finding in rows["findings"]:
        if finding["job"] in family_of:
            states[family_of[finding["job"]]].append(finding["found"])
    for family, jobs in _grouped(family_of, lambda job: family_of[job]).items():
        if not states[family]:
            message = f"{counted(len(jobs), 'finished job')}, but no state of any component"
            yield doubtful("no findings", message, f"family {family}")
        elif len(states[family]) >= FEWEST_FOR_SOUND and "sound" not in states[family]:
            such = "findings and none of them sound; sound parts are written down too"
            yield doubtful("only failures", f"{len(states[family])} {such}", f"family {family}")


def odd_jobs(rows: Rows, today: datetime.date) -> Iterator[Problem]:
    """Find jobs whose years, model or end can hardly be as they say: each with what it is tested for."""
    families = {row["family"]: row for row in rows["families"]}
    models = {row["model"]: row for row in rows["models"]}
    states: dict[tuple[str, str], set[str]] = defaultdict(set)
    for finding in rows["findings"]:
        states[finding["job"], finding["component"]].add(finding["found"])
    for job in rows["jobs"]:
        family, model = families[job["family"]], models.get(job["model"], {})
        window, spans = (job["built_from"], job["built_to"]), {"family": _made(family), "model": _made(model)}
        whose = next((each for each, span in spans.items() if _outside(window, span)), "")
        age = 0 if window[1] is None else int(job["taken_in"][:4]) - window[1]
        is_1900 = 1900 in window and (family["first_year"] is None or _outside((1900, 1900), spans["family"]))
        days_open = (today - _day(job["taken_in"])).days if job["outcome"] == "open" else 0
        is_sound = states.get((job["job"], job["ended_by"])) == {"sound"}
        for topic, is_so, message in (
            ("long open", days_open > LONG_OPEN_DAYS,
             f"open since {job['taken_in']}; close it, or it counts as unfinished"),
            ("year outside the span", whose,
             f"built {_span(*window)}, the {whose} was made {_span(*spans.get(whose, window))}"),
            ("wide window", None not in window and window[1] - window[0] > WIDEST_WINDOW_YEARS,
             f"built {_span(*window)} says next to nothing"),
            ("placeholder year", is_1900, "1900 is often written for a year that is not known"),
            ("unlikely age", age > OLDEST_YEARS and not is_1900,
             f"at least {age} years old when it was taken in"),
            ("model of another family", model.get("family", job["family"]) != job["family"],
             f"model {job['model']} belongs to {model.get('family')}, the job to {job['family']}"),
            # What died on the bench came alive.
            ("ended by a sound component", is_sound and job["ended_why"] != "died on the bench",
             f"{job['ended_by']} ended the job and is taken as failed, but was found sound"),
            ("sold without a price", job["sold_on"] and job["sold_for"] is None,
             f"sold on {job['sold_on']}, but sold_for is empty"),
        ):  # fmt: skip
            if is_so:
                yield doubtful(topic, message, f"job {job['job']}")
    for name, model in models.items():
        made, whole = _made(model), _made(families[model["family"]])
        if _outside(made, whole):
            message = f"made {_span(*made)}, its family {_span(*whole)}"
            yield doubtful("year outside the span", message, f"model {name}")


def future_dates(rows: Rows, today: datetime.date) -> list[Problem]:
    """Find dates that have not come yet."""
    return [
        doubtful("date to come", f"{column.name} {row[column.name]} is after today, {today}",
                 f"job {row['job']}" if "job" in table.key else
                 f"{name}, {row.get('component') or row[table.key[-1]]}")
        for name, table in TABLES.items() for row in rows[name] for column in table
        if column.kind == "date" and row[column.name]
        and not date_not_before(today.isoformat(), row[column.name])
    ]  # fmt: skip


def _grouped(items: Iterable[Any], key: Callable[[Any], str | None]) -> dict[str, list[Any]]:
    """Put together what has the same name; what has none stands under an empty one."""
    groups: dict[str, list[Any]] = defaultdict(list)
    for item in items:
        groups[key(item) or ""].append(item)
    return dict(sorted(groups.items()))


def _day(date: str) -> datetime.date:
    return datetime.date.fromisoformat(full_date(date))


def _outside(window: tuple[Any, Any], span: tuple[Any, Any]) -> bool:
    """Tell whether any year of the window lies outside the span; what is open rules nothing out."""
    return any(year and not (span[0] or year) <= year <= (span[1] or year) for year in window)


def _made(row: Mapping[str, Any]) -> tuple[Any, Any]:
    return row.get("first_year"), row.get("last_year")


def _span(first: Any, last: Any) -> str:
    return str(first) if first == last else f"{first or '…'} to {last or '…'}"


# Prices, parts and repairs that do not fit what the rest of the ledger says.

#: A price this many times above or below the usual one is more often a slip of the point than a bargain.
FAR_FACTOR = 4.0
#: From so many prices up their median is taken as the usual one.
FEWEST_PRICES = 5
#: With fewer prices of its family, an amount is laid beside all of the ledger; so far from them it is absurd.
ABSURD_FACTOR = 25.0


def far_prices(rows: Rows) -> Iterator[Problem]:
    """Find amounts far from the usual of their family or component, or beyond all others of their column."""
    estimates = {row["family"]: float(row["working_price"] or 0) for row in rows["families"]}
    absurd = []
    for column, found in sorted(_amounts(rows).items()):
        told = set()
        for group, of_group in _grouped([each for each in found if each[2]], itemgetter(2)).items():
            usual, said = median(amount for _, amount, _ in of_group), "the median"
            if len(of_group) < FEWEST_PRICES:
                usual, said = estimates.get(group, 0.0), "working_price"
            # A unit bought for next to nothing is what one hopes for; only dear ones are odd.
            least = 0.0 if column == "bought_for" else usual / FAR_FACTOR
            for name, amount, _ in of_group:
                if usual and not least <= amount <= FAR_FACTOR * usual:
                    told.add(name)
                    message = f"{column} {amount:g}; {said} of {group} is {usual:g}"
                    yield doubtful("price far from its family", message, name)
        values = [amount for _, amount, _ in found]
        for place, (name, amount, _) in enumerate(found):
            # One of few moves the median.
            others = values if len(found) >= FEWEST_PRICES else [*values[:place], *values[place + 1 :]]
            usual = median(others or [0.0])
            if usual and amount > ABSURD_FACTOR * usual and name not in told:
                such = f"{column} {amount:g}; the others of the ledger are about {usual:g}"
                absurd.append(doubtful("absurd amount", such, name))
    yield from absurd


def _amounts(rows: Rows) -> dict[str, list[tuple[str, float, str]]]:
    """Give amounts by column: the row, the amount, the group in which it should be like the others."""
    family_of = {job["job"]: job["family"] for job in rows["jobs"]}
    amounts = defaultdict(list)
    for table in ("families", "jobs", "findings", "followups", "parts"):
        for column in (column.name for column in TABLES[table] if column.kind == "money"):
            for row in (row for row in rows[table] if row[column]):
                component, group = row.get("component"), ""
                if column == "part_cost":
                    group = f"{component} of {family_of[row['job']]}"
                elif column == "bought_for" or (column == "sold_for" and row["outcome"] == "repaired"):
                    group = row["family"]
                named = [f"job {row['job']}" if "job" in row else table, component]
                named += [] if component or "job" in row else [row["family"]]
                amounts[column].append((", ".join(filter(None, named)), float(row[column]), group))
    return amounts


def odd_findings(rows: Rows) -> Iterator[Problem]:
    """Find what the parts table says the opposite of, and failures that were left as they were."""
    jobs = {job["job"]: job for job in rows["jobs"]}
    stated = {(row["component"], row["family"]): row["obtainable"] for row in rows["parts"]}
    against: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for finding in rows["findings"]:
        component, action, job = finding["component"], finding["action"], jobs[finding["job"]]
        says = stated.get((component, job["family"]), stated.get((component, None)))
        name = f"job {job['job']}, {component}"
        if says == "yes" and action == "no part":
            against["parts says obtainable, the job found no part", component, job["family"]].append(name)
        elif says == "no" and action == "replaced":
            against["parts says not obtainable, the job replaced it", component, job["family"]].append(name)
        is_left = finding["found"] == "failed" and action in ("none", "no part")
        if is_left and job["outcome"] == "repaired":
            yield doubtful("repaired in spite of a failure", f"{component} failed, action {action}", name)
    for (message, component, family), names in sorted(against.items()):
        yield doubtful("parts against jobs", f"{component} of {family}: {message}", *names)


def shelf_against_jobs(rows: Rows) -> Iterator[Problem]:
    """Find parts of the shelf whose worth is lost on the way or counted twice, and those that had failed."""
    # A unit with a part left and right may keep the one that works; what was mended works again.
    states = defaultdict(set)
    for each in rows["findings"]:
        is_failed = each["found"] == "failed" and each["action"] in (None, "none", "no part")
        states[each["job"], each["component"]].add(is_failed)
    for row in rows["jobs"]:
        if row["ended_by"] and (row["job"], row["ended_by"]) not in states:
            states[row["job"], row["ended_by"]].add(True)
    for part in rows["shelf"]:
        if states.get((part["job"], part["component"])) == {True}:
            told = f"the {part['component']} had failed in job {part['job']}"
            yield doubtful("failed part on the shelf", told, f"part {part['part']}")
    stated = {job["job"]: job["salvage_value"] for job in rows["jobs"]}
    fitted = {(each["job"], each["component"], each["part_cost"]) for each in rows["findings"]
              if each["part_source"] == "salvaged"}  # fmt: skip
    yield from [
        doubtful("part at another cost", f"it is worth {part['worth']}, but no salvaged {part['component']} "
                 f"of job {part['used_in']} costs that", f"part {part['part']}")
        for part in rows["shelf"] if part["used_in"] and part["worth"] is not None
        and (part["used_in"], part["component"], part["worth"]) not in fitted
    ]  # fmt: skip
    for job, parts in _grouped([row for row in rows["shelf"] if row["job"]], lambda row: row["job"]).items():
        worth = sum(row["worth"] or 0 for row in parts)
        if stated[job] is not None and stated[job] < worth:
            message = f"salvage_value {stated[job]}, but its parts on the shelf are worth {worth}"
            yield doubtful("donor below its parts", message, f"job {job}")


def like_names(rows: Rows) -> Iterator[Problem]:
    """Find names that are all but equal to a more common one, or to a usual one: often the same thing.

    Families and models often differ by one letter and mean different things; they are named where only
    case, spaces or signs differ.
    """
    for what in ("component", "sign", "kind", "maker"):
        meant = USUAL_NAMES.get(what, frozenset())
        counts = Counter(row[column] for table, column in database.NAMES[what]
                         for row in rows[table] if row[column])  # fmt: skip
        ranked = sorted({*counts, *meant}, key=lambda name: (name in meant, counts.get(name, 0), name))
        for place, name in enumerate(ranked):
            if name not in meant and (near := near_twin(name, ranked[place + 1 :])):
                times = ["once" if counts[each] == 1 else f"{counts[each]} times" for each in (name, near)]
                mend = f"if they are the same: benchodds rename {what} {name!r} {near!r}"
                mend = mend + " --merge" * (near in counts) if what in RENAMED else "are they the same?"
                told = f"{what} {name!r} stands {times[0]}, {near!r} {times[1]}; {mend}"
                yield doubtful("names alike", told, what)
    for table, what in (("families", "family"), ("models", "model")):
        names = sorted(str(row[what]) for row in rows[table])
        for first, *others in _grouped(names, lambda name: re.sub(r"[\W_]", "", name.casefold())).values():
            for name in others:
                told = f"{what} {first!r} and {name!r} differ in case, spaces or signs only; if they are the "
                told += f"same: benchodds rename {what} {first!r} {name!r} --merge"
                yield doubtful("names alike", told, what)


def doubts(
    rows: Rows, withdrawn: Iterable[str], count_gaps: str | None, today: datetime.date
) -> list[Problem]:
    """Find what no rule forbids but makes the odds worse than they look, topic by topic."""
    found = [*number_gaps(rows, withdrawn, count_gaps), *odd_jobs(rows, today)]
    for audit in (too_rosy, without_findings, far_prices, odd_findings, shelf_against_jobs, like_names):
        found += audit(rows)
    topics = list(dict.fromkeys(problem.topic for problem in found))
    return sorted(found, key=lambda problem: topics.index(problem.topic))
