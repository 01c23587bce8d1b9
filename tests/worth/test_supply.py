"""What could be had, today and on the day of a job: notes are opinions, attempts are evidence."""

import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.records.frames import records_from_rows
from reliability.worth import supply
from reliability.worth.supply import Supply, read_supply
from tests.worth.ledgers import finding, job

FAMILY, OTHER = "Larkov T1", "Larkov T2"
DAY = datetime.date(2025, 1, 10)
TODAY = np.array([np.inf])
NEW = {"action": "replaced", "part_source": "new", "part_cost": 8.0}
SALVAGED = {"action": "replaced", "part_source": "salvaged"}
NO_PART = {"action": "no part"}


def supply_of(attempts=(), notes=(), *, components=(), families=(FAMILY, OTHER), years=(2010, 2024)):
    """Weigh what was tried, as (family, component, year, work), and what was noted.

    One more job at the beginning and one at the end say nothing of parts: the ledger covers these years.
    """
    jobs, findings = [], []
    plain = [(families[0], None, year, {}) for year in years]
    for n, (family, component, year, work) in enumerate([*plain, *attempts], start=1):
        when = f"{year}-05-02" if isinstance(year, int) else year
        jobs.append(job(n, family, "repaired", taken_in=when, closed=when))
        if component:
            findings.append(finding(n, component, "failed", **work))
    rows = {
        "families": [{"family": name, "kind": "tape deck"} for name in families],
        "jobs": jobs,
        "findings": findings,
        "parts": [{"component": "gear", **note} for note in notes],
    }
    records = records_from_rows(rows)
    return read_supply(records.parts, records.jobs, records.findings, components)


def tried(work, *years, family=FAMILY, component="gear"):
    return [(family, component, year, work) for year in years]


def ordinal(year):
    return float(datetime.date(year, 5, 2).toordinal())


def had(supply, *years, family=FAMILY, component="gear"):
    """Chance that new parts could be had: today, or at the beginning of May of each year."""
    days = np.array([ordinal(year) for year in years]) if years else TODAY
    chances = supply.chances(component, family, days)[:, 0]
    return chances if years else float(chances[0])


# Where no new ones can be had: one attempt of each kind beforehand, four where a note says which.
@pytest.mark.parametrize(
    ("attempts", "notes", "share"),
    [
        ((), (), 1 / 2),
        ((SALVAGED, NO_PART, NO_PART), (), 2 / 5),
        ((), ("salvage only",), 5 / 6),
        ((), ("no",), 1 / 6),
        ((NO_PART,), ("salvage only",), 5 / 7),
        ((SALVAGED,), ("yes",), 2 / 3),
    ],
)
def test_salvaged_parts_of_those_that_cannot_be_had_new(attempts, notes, share):
    rows = [(FAMILY, "gear", 2015 + i, work) for i, work in enumerate(attempts)]
    told = [{"obtainable": word, "family": FAMILY} for word in notes]
    supply = supply_of(rows, told, components=("gear",))
    name = FAMILY if rows or told else OTHER
    _, salvaged, none = supply.chances("gear", name, TODAY)[0]
    assert_allclose(salvaged / (salvaged + none), share)


def test_a_job_that_ended_for_want_of_a_part_is_an_attempt_and_counts_once():
    def supply(why, *, with_finding):
        day = "2019-05-02"
        last = job(
            9, FAMILY, "scrapped", taken_in=day, closed=day, ended_by="gear", ended_why=why, sold_for=None
        )
        first = [
            job(n, FAMILY, "repaired", taken_in=f"{y}-05-02", closed=f"{y}-05-02")
            for n, y in ((1, 2012), (2, 2024))
        ]
        found = [finding(9, "gear", "failed", **(NO_PART if with_finding else {"action": None}))]
        rows = {"families": [{"family": FAMILY, "kind": "tape deck"}], "jobs": [*first, last]}
        records = records_from_rows({**rows, "findings": found})
        return had(read_supply(records.parts, records.jobs, records.findings))

    once = supply(None, with_finding=True)
    assert_allclose(supply("parts not available", with_finding=False), once)
    assert_allclose(supply("parts not available", with_finding=True), once)
    assert once < had(supply_of(components=("gear",))) - 0.1


def test_of_an_empty_ledger_nothing_is_known_to_be_gone():
    records = records_from_rows({})
    supply = read_supply(records.parts, records.jobs, records.findings)
    assert_allclose(supply.chances("gear", FAMILY, TODAY), [[1.0, 0.0, 0.0]])
    asked = read_supply(records.parts, records.jobs, records.findings, ("gear",))
    # Eight pairs in ten beforehand can be had new; of the rest, half salvaged.
    assert_allclose(asked.chances("gear", FAMILY, TODAY), [[0.8, 0.1, 0.1]], atol=1e-6)


def test_supply_made_by_hand():
    ends = np.array([[-np.inf, 0.1], [100.0, 0.4], [200.0, 0.2], [np.inf, 0.3]])
    supply = Supply({("gear", FAMILY): ends}, {("gear", FAMILY): 0.25})
    days = np.array([50.0, 100.0, 150.0, 200.5, np.inf])
    first = [0.9, 0.9, 0.5, 0.3, 0.3]
    expected = [[p, 0.25 * (1 - p), 0.75 * (1 - p)] for p in first]
    assert_allclose(supply.chances("gear", FAMILY, days), expected)


# ---- a second opinion: Bayes' rule for one pair, the day of the last new part on a fine grid


def by_bayes(attempts, note, span, asked, *, is_own=True):
    """Chance that new parts could be had on the days asked, with rates and stories as believed beforehand."""
    rate = {}
    for had_it, row in ((True, supply.WAYS_IF_HAD), (False, supply.WAYS_IF_GONE)):
        for way, count in zip(("new", "salvaged", "rebuilt", "no part"), row, strict=True):
            rate[had_it, way] = count / sum(row)
    if_had, if_gone = supply.OWN_NOTE if is_own else supply.GENERAL_NOTE
    says = {True: if_had, False: if_gone}
    still, never, sold_out = np.array(supply.STORIES) / sum(supply.STORIES)
    days = span[0] + (np.arange(2000) + 0.5) / 2000 * (span[1] - span[0])
    until = np.array([np.inf, -np.inf, *days])
    weight = np.array([still, never, *np.full(2000, sold_out / 2000)])
    for day, way in attempts:
        weight *= np.where(day <= until, rate[True, way], rate[False, way])
    if note is not None:
        day, word = note
        k = 0 if word == "yes" else 1
        right, wrong = (says[state][k] / sum(says[state]) for state in (True, False))
        # One without a day may have been written on any, as likely as on any other.
        written = np.linspace(*span, 9) if day is None else np.array([day])
        weight *= np.mean([np.where(day <= until, right, wrong) for day in written], axis=0)
    weight /= weight.sum()
    return [weight[until >= day].sum() for day in asked]


WORK = {"new": NEW, "salvaged": SALVAGED, "rebuilt": {"action": "rebuilt"}, "no part": NO_PART}


@pytest.mark.parametrize(
    ("ways", "note", "is_own"),
    [
        ({2013: "new", 2016: "new", 2020: "no part"}, None, True),
        ({2013: "no part"}, None, True),
        ({2012: "new", 2015: "salvaged", 2018: "rebuilt", 2021: "no part"}, None, True),
        ({2013: "new", 2016: "new", 2020: "new"}, (2016, "no"), True),
        ({2013: "no part", 2016: "new", 2020: "new"}, (2020, "yes"), False),
        ({2013: "no part", 2016: "no part", 2020: "no part"}, (None, "yes"), False),
        ({year: "new" for year in range(2011, 2020)}, (None, "no"), True),
        ({**{year: "new" for year in range(2012, 2022)}, 2023: "no part"}, None, True),
    ],
)
def test_stories_are_weighed_as_bayes_has_it(monkeypatch, ways, note, is_own):
    monkeypatch.setattr(supply, "ROUNDS", 1)  # before anything is learned of the rates
    attempts = [(FAMILY, "gear", year, WORK[way]) for year, way in ways.items()]
    row = []
    if note:
        day = f"{note[0]}-05-02" if note[0] else None
        row = [{"obtainable": note[1], "family": FAMILY if is_own else None, "as_of": day}]
    asked = sorted(ways)
    got = [*had(supply_of(attempts, row), *asked), had(supply_of(attempts, row))]
    expected = by_bayes(
        [(ordinal(year), way) for year, way in ways.items()],
        (note[0] and ordinal(note[0]), note[1]) if note else None,
        (ordinal(2010), ordinal(2024)),
        [*map(ordinal, asked), np.inf],
        is_own=is_own,
    )
    # The grid puts 2000 days in place of all; a note without a day is laid beside the middle of a stretch.
    assert_allclose(got, expected, atol=5e-4 if note is None or note[0] else 2e-3)


# ---- where it enters the verdicts
