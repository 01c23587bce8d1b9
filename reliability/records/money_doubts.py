"""Prices, parts and repairs that do not fit what the rest of the ledger says.

The thresholds are common practice, no source; each stands as a constant beside its reason.
"""

from collections import defaultdict
from collections.abc import Mapping
from difflib import get_close_matches
from statistics import median
from typing import Any

from reliability.records.problems import Problem, doubtful

Rows = Mapping[str, list[dict[str, Any]]]

#: A price this many times above or below the usual one is more often a slip of the point than a bargain.
FAR_FACTOR = 4.0
#: From so many prices up their median is taken as the usual one.
FEWEST_PRICES = 5
#: Names used at most this often are compared with the common ones.
RARE_NAME = 2
LIKENESS = 0.85


def far_prices(rows: Rows) -> list[Problem]:
    """Find amounts far from what is usual in their family, or for their component."""
    family_of = {job["job"]: job["family"] for job in rows["jobs"]}
    asked = {row["family"]: row["working_price"] for row in rows["families"]}
    amounts: dict[tuple[str, str], list[tuple[str, Any]]] = defaultdict(list)
    for job in rows["jobs"]:
        named = f"job {job['job']}"
        if job["outcome"] == "repaired":
            amounts["sold_for", job["family"]].append((named, job["sold_for"]))
        amounts["bought_for", job["family"]].append((named, job["bought_for"]))
    for finding in rows["findings"]:
        named = f"job {finding['job']}, {finding['component']}"
        where = f"{finding['component']} of {family_of[finding['job']]}"
        amounts["part_cost", where].append((named, finding["part_cost"]))
    found = []
    for (column, group), pairs in sorted(amounts.items()):
        estimate = asked.get(group) if column == "sold_for" else None
        found += _far(column, group, [(name, float(amount)) for name, amount in pairs if amount], estimate)
    return found


def _far(column: str, group: str, pairs: list[tuple[str, float]], estimate: Any) -> list[Problem]:
    if len(pairs) >= FEWEST_PRICES:
        usual, said = median(amount for _, amount in pairs), "the median"
    elif estimate:
        usual, said = float(estimate), "working_price"
    else:
        return []
    return [
        doubtful("price far from its family", f"{column} {amount:g}; {said} of {group} is {usual:g}", name)
        for name, amount in pairs
        if usual and _is_far(column, amount / usual)
    ]


def _is_far(column: str, ratio: float) -> bool:
    # A unit bought for next to nothing is what one hopes for; only dear ones are odd.
    return ratio > FAR_FACTOR or (column != "bought_for" and ratio < 1 / FAR_FACTOR)


def parts_against_jobs(rows: Rows) -> list[Problem]:
    """Find components that the parts table and the jobs tell opposite things of."""
    family_of = {job["job"]: job["family"] for job in rows["jobs"]}
    stated = {(row["component"], row["family"]): row["obtainable"] for row in rows["parts"]}
    against: dict[tuple[str, str, str], list[str]] = defaultdict(list)
    for finding in rows["findings"]:
        component, family = finding["component"], family_of[finding["job"]]
        says = stated.get((component, family), stated.get((component, None)))
        name = f"job {finding['job']}, {component}"
        if says == "yes" and finding["action"] == "no part":
            against["parts says obtainable, the job found no part", component, family].append(name)
        elif says == "no" and finding["action"] == "replaced":
            against["parts says not obtainable, the job replaced it", component, family].append(name)
    return [doubtful("parts against jobs", f"{component} of {family}: {message}", *names)
            for (message, component, family), names in sorted(against.items())]  # fmt: skip


def odd_repairs(rows: Rows) -> list[Problem]:
    """Find repaired units with a failed component left as it was, and sales without a price."""
    outcome = {job["job"]: job["outcome"] for job in rows["jobs"]}
    found = []
    for finding in rows["findings"]:
        left = finding["found"] == "failed" and finding["action"] in ("none", "no part")
        if left and outcome[finding["job"]] == "repaired":
            message = f"{finding['component']} failed, action {finding['action']}"
            name = f"job {finding['job']}, {finding['component']}"
            found.append(doubtful("repaired in spite of a failure", message, name))
    for job in rows["jobs"]:
        if job["sold_on"] and job["sold_for"] is None:
            message = f"sold on {job['sold_on']}, but sold_for is empty"
            found.append(doubtful("sold without a price", message, f"job {job['job']}"))
    return found


def like_names(rows: Rows) -> list[Problem]:
    """Find rare names that are all but equal to a common one: often the same thing, misspelt.

    Families and models are left out: theirs differ by one digit and mean different things.
    """
    uses: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for table, column, what in (
        ("findings", "component", "component"), ("signs", "sign", "sign"), ("families", "kind", "kind"),
        ("families", "maker", "maker"),
    ):  # fmt: skip
        for row in rows[table]:
            if row[column]:
                uses[what][row[column]] += 1
    found = []
    for what, counts in uses.items():
        common = [name for name, count in counts.items() if count > RARE_NAME]
        for name, count in sorted(counts.items()):
            near = get_close_matches(name, common, n=1, cutoff=LIKENESS) if count <= RARE_NAME else []
            if near:
                message = (
                    f"{name!r} stands {count} times, {near[0]!r} {counts[near[0]]} times; are they the same?"
                )
                found.append(doubtful("names alike", message, what))
    return found
