"""Rows that no rule forbids, but that make the odds worse than they look.

The thresholds are common practice, no source; each stands as a constant beside its reason.
"""

import datetime
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from itertools import groupby, pairwise
from typing import Any

from reliability.records.numbering import do_gaps_count, missing_numbers, split_number
from reliability.records.problems import Problem, doubtful
from reliability.records.rules import date_not_before
from reliability.records.values import Value

Rows = Mapping[str, list[dict[str, Any]]]

#: A bench may change how it writes its numbers; going back to the old way so often is two benches.
FEWEST_TURNS = 4
#: Jobs entered late stand out of order now and then; so many, by so much, are another bench's.
FAR_BACK_DAYS, FEWEST_BACK, BACK_SHARE = 60, 5, 0.1
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


def number_gaps(rows: Rows, withdrawn: Iterable[str] = (), count_gaps: str | None = None) -> list[Problem]:
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
    found = []
    for _, group in groupby(all_gaps, key=lambda gap: gap.prefix):
        gaps = list(group)
        missing = sum(gap.size for gap in gaps)
        spans = [f"job {gap.first}" if gap.size == 1 else f"jobs {gap.first} to {gap.last}" for gap in gaps]
        count = "1 job was" if missing == 1 else f"{missing} jobs were"
        message = f"{count} never written up; {how}"
        found.append(doubtful("gap in the job numbers", message, *spans))
    return found


def long_open(rows: Rows) -> list[Problem]:
    """Find jobs that have been open for long, counted to the last date in the jobs."""
    days = [day for job in rows["jobs"] for day in (job["taken_in"], job["closed"], job["sold_on"]) if day]
    if not days:
        return []
    last = max(map(_day, days))
    return [
        doubtful(
            "long open", f"open for {age} days; close it, or it counts as unfinished", f"job {job['job']}"
        )
        for job in rows["jobs"]
        if job["outcome"] == "open" and (age := (last - _day(job["taken_in"])).days) > LONG_OPEN_DAYS
    ]


def mixed_numbers(rows: Rows) -> list[Problem]:
    """Find numbers that no single bench gives out: of two sorts by turns, or against the days of intake."""
    own = [(job["taken_in"], number, str(job["job"])) for job in rows["jobs"]
           if not job["origin"] and (number := split_number(str(job["job"])))]  # fmt: skip
    # The prefixes of years and days differ in digits only; they are one sort.
    sorts = [re.sub("[0-9]", "0", number.prefix) for _, number, _ in
             sorted(own, key=lambda job: (job[0], job[1]))]  # fmt: skip
    turns = sum(one != other for one, other in pairwise(sorts)) - len(set(sorts)) + 1
    back = [
        (before, after)
        for before, after in pairwise(sorted(own, key=lambda job: job[1]))
        if before[1].prefix == after[1].prefix and (_day(before[0]) - _day(after[0])).days > FAR_BACK_DAYS
    ]
    found = []
    if turns >= FEWEST_TURNS:
        found.append(f"numbers of {len(set(sorts))} sorts are given out by turns")
    if len(back) >= max(FEWEST_BACK, BACK_SHARE * len(own)):
        (day, _, job), (later, _, other) = back[0]
        found.append(f"{len(back)} jobs came in long before the one with the number before, "
                     f"such as {other} ({later}) after {job} ({day})")  # fmt: skip
    such = "as if two ledgers were mixed: jobs of another bench are imported with an origin"
    return [doubtful("mixed job numbers", f"{each}, {such}") for each in found]


def too_rosy(rows: Rows) -> list[Problem]:
    """Find groups of jobs that went so well that the failures must be missing."""
    finished = [job for job in rows["jobs"] if job["outcome"] != "open"]
    groups: list[tuple[str, list[dict[str, Any]], float]] = []
    for origin, jobs in _grouped(finished, lambda job: job["origin"] or "").items():
        groups.append((f"origin {origin}" if origin else "this bench", jobs, ROSY_SHARE))
    for family, jobs in _grouped(finished, lambda job: job["family"]).items():
        groups.append((f"family {family}", jobs, 1.0))
    found = []
    for name, jobs, limit in groups:
        repaired = sum(job["outcome"] == "repaired" for job in jobs)
        if len(jobs) >= FEWEST_FOR_ROSY and repaired >= limit * len(jobs):
            message = f"{repaired} of {len(jobs)} finished jobs were repaired; were the others written up?"
            found.append(doubtful("too rosy", message, name))
    return found


def without_findings(rows: Rows) -> list[Problem]:
    """Find families that cannot say anything of their components, and records of failures only."""
    # Jobs from elsewhere come without findings, and nobody here could write them down.
    family_of = {job["job"]: job["family"] for job in rows["jobs"]
                 if job["outcome"] != "open" and not job["origin"]}  # fmt: skip
    states = defaultdict(list)
    for finding in rows["findings"]:
        if finding["job"] in family_of:
            states[family_of[finding["job"]]].append(finding["found"])
    found = []
    for family, jobs in _grouped(family_of, lambda job: family_of[job]).items():
        if not states[family]:
            found.append(doubtful("no findings", f"{len(jobs)} finished jobs, but no state of any component",
                                  f"family {family}"))  # fmt: skip
        elif len(states[family]) >= FEWEST_FOR_SOUND and "sound" not in states[family]:
            message = (
                f"{len(states[family])} findings and none of them sound; sound parts are written down too"
            )
            found.append(doubtful("only failures", message, f"family {family}"))
    return found


def odd_years(rows: Rows) -> list[Problem]:
    """Find years outside the span of production, placeholders and windows that say nothing."""
    spans = {family["family"]: (family["first_year"], family["last_year"]) for family in rows["families"]}
    models = {model["model"]: (model["first_year"], model["last_year"]) for model in rows["models"]}
    found = [
        doubtful("year outside the span", f"made {_span(*models[model['model']])}, its family "
                 f"{_span(*spans[model['family']])}", f"model {model['model']}")
        for model in rows["models"] if _outside(models[model["model"]], spans[model["family"]])
    ]  # fmt: skip
    for job in rows["jobs"]:
        window = (job["built_from"], job["built_to"])
        named = f"job {job['job']}"
        if _outside(window, spans[job["family"]]):
            message = f"built {_span(*window)}, the family was made {_span(*spans[job['family']])}"
            found.append(doubtful("year outside the span", message, named))
        elif _outside(window, models.get(job["model"], (None, None))):
            message = f"built {_span(*window)}, the model was made {_span(*models[job['model']])}"
            found.append(doubtful("year outside the span", message, named))
        if None not in window and window[1] - window[0] > WIDEST_WINDOW_YEARS:
            found.append(doubtful("wide window", f"built {_span(*window)} says next to nothing", named))
        age = 0 if window[1] is None else int(job["taken_in"][:4]) - window[1]
        if 1900 in window and not _covers(spans[job["family"]], 1900):
            found.append(
                doubtful("placeholder year", "1900 is often written for a year that is not known", named)
            )
        elif age > OLDEST_YEARS:
            found.append(doubtful("unlikely age", f"at least {age} years old when it was taken in", named))
    return found


def future_dates(rows: Rows, today: datetime.date) -> list[Problem]:
    """Find dates that have not come yet."""
    columns = {"jobs": ("taken_in", "closed", "sold_on"), "followups": ("checked_on", "failed_on"),
               "families": ("priced_on",), "parts": ("as_of",)}  # fmt: skip
    return [
        doubtful("date to come", f"{column} {row[column]} is after today, {today}",
                 f"job {row['job']}" if "job" in row else f"{table}, {row.get('component') or row['family']}")
        for table, names in columns.items() for row in rows[table] for column in names
        if row[column] and not date_not_before(today.isoformat(), row[column])
    ]  # fmt: skip


def model_of_another_family(rows: Rows) -> list[Problem]:
    """Find jobs whose model has been given to another family since."""
    family_of = {model["model"]: model["family"] for model in rows["models"]}
    return [
        doubtful("model of another family", f"model {job['model']} belongs to {family_of[job['model']]}, "
                 f"the job to {job['family']}", f"job {job['job']}")
        for job in rows["jobs"] if family_of.get(job["model"], job["family"]) != job["family"]
    ]  # fmt: skip


def _grouped(items: Iterable[Any], key: Callable[[Any], str]) -> dict[str, list[Any]]:
    return {name: list(group) for name, group in groupby(sorted(items, key=key), key=key)}


def _day(date: str) -> datetime.date:
    return datetime.date.fromisoformat(date if len(date) == 10 else f"{date}-16")


def _outside(window: tuple[Value, Value], span: tuple[Value, Value]) -> bool:
    """Tell whether any year of the window lies outside the span; what is open rules nothing out."""
    years = [int(year) for year in window if year is not None]
    first, last = span
    return any(
        (first is not None and year < int(first)) or (last is not None and year > int(last)) for year in years
    )


def _covers(span: tuple[Value, Value], year: int) -> bool:
    return span[0] is not None and int(span[0]) <= year and (span[1] is None or year <= int(span[1]))


def _span(first: Value, last: Value) -> str:
    return str(first) if first == last else f"{first or '…'} to {last or '…'}"
