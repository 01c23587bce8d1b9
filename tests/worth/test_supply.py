"""What could be had, today and on the day of a job, and the odds of mending with it and without."""

import datetime
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import norm

from reliability.records.frames import records_from_rows
from reliability.worth import supply
from reliability.worth.supply import Supply, fit_repairability, mixed_odds, read_supply
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
    return read_supply(records, records.jobs, components)


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
        return had(read_supply(records, records.jobs, ("gear",)))

    once = supply(None, with_finding=True)
    assert_allclose(supply("parts not available", with_finding=False), once)
    assert_allclose(supply("parts not available", with_finding=True), once)
    assert once < had(supply_of(components=("gear",))) - 0.1


def test_of_an_empty_ledger_nothing_is_known_to_be_gone():
    records = records_from_rows({})
    asked = read_supply(records, records.jobs, ("gear",))
    # Of 10.5 pairs beforehand 8 could be had new all along, half of one again; of the rest, half salvaged.
    assert_allclose(asked.chances("gear", FAMILY, TODAY), [[8.5 / 10.5, 1 / 10.5, 1 / 10.5]], atol=1e-6)


def test_supply_made_by_hand():
    # Never, until two days, always, and from one day on.
    inf = np.inf
    sold = np.array([[inf, -inf, 0.1], [-inf, 100, 0.3], [-inf, 200, 0.2], [-inf, inf, 0.3], [150, inf, 0.1]])
    supply = Supply({("gear", FAMILY): sold}, {("gear", FAMILY): 0.25}, {})
    days = np.array([50.0, 100.0, 150.0, 150.5, 200.5, np.inf])
    first = [0.8, 0.8, 0.5, 0.6, 0.4, 0.4]
    expected = [[p, 0.25 * (1 - p), 0.75 * (1 - p)] for p in first]
    assert_allclose(supply.chances("gear", FAMILY, days), expected)


# ---- a second opinion: Bayes' rule for one pair, the day of the last or first new part on a fine grid


def by_bayes(attempts, note, span, asked, *, is_own=True):
    """Chance that new parts could be had on the days asked, with rates and stories as believed beforehand."""
    rate = {}
    for had_it, row in ((True, supply.WAYS_IF_HAD), (False, supply.WAYS_IF_GONE)):
        for way, count in zip(("new", "salvaged", "rebuilt", "no part"), row, strict=True):
            rate[had_it, way] = count / sum(row)
    if_had, if_gone = supply.OWN_NOTE if is_own else supply.GENERAL_NOTE
    says = {True: if_had, False: if_gone}
    still, never, sold_out, again = np.array(supply.STORIES) / sum(supply.STORIES)
    days = span[0] + (np.arange(2000) + 0.5) / 2000 * (span[1] - span[0])
    after = np.array([-np.inf, np.inf, *np.full(2000, -np.inf), *days])
    until = np.array([np.inf, -np.inf, *days, *np.full(2000, np.inf)])
    weight = np.array([still, never, *np.full(2000, sold_out / 2000), *np.full(2000, again / 2000)])

    def sold(day):
        return (after < day) & (day <= until)

    for day, way in attempts:
        weight *= np.where(sold(day), rate[True, way], rate[False, way])
    if note is not None:
        day, word = note
        k = 0 if word == "yes" else 1
        right, wrong = (says[state][k] / sum(says[state]) for state in (True, False))
        # One without a day may have been written on any, as likely as on any other.
        written = np.linspace(*span, 9) if day is None else np.array([day])
        weight *= np.mean([np.where(sold(day), right, wrong) for day in written], axis=0)
    weight /= weight.sum()
    return [weight[sold(day)].sum() for day in asked]


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
        ({2013: "no part", 2015: "no part", 2020: "new", 2022: "new"}, (2014, "no"), True),
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
    assert_allclose(got, expected, atol=5e-4 if note is None or note[0] else 5e-3)


# ---- odds of mending with a new part, with a salvaged one, and without any


FAMILIES = ("Larkov T1", "Larkov T2", "Larkov T3")
COMPONENTS = ("belt", "gear")
THEN, LAST_NEW, SINCE = (pd.Timestamp(day) for day in ("2015-05-02", "2018-03-09", "2023-05-02"))


def ordinal_of(day):
    return float(day.toordinal())


NEW_TILL_2018, NEVER = [[-np.inf, ordinal_of(LAST_NEW), 1.0]], [[np.inf, -np.inf, 1.0]]
ALWAYS = {(component, ""): [[-np.inf, np.inf, 1.0]] for component in COMPONENTS}


def sure_of(sold, salvaged=()):
    """Supply that is known for certain, new where not told; salvaged parts of the pairs named, otherwise none."""
    pairs = {pair: np.array(some) for pair, some in {**ALWAYS, **sold}.items()}
    return Supply(pairs, {pair: float(pair in salvaged) for pair in pairs}, {})


# The first family's belts could be had new for years; the second's were never to be had.
BELTS_GONE = sure_of({("belt", "Larkov T1"): NEW_TILL_2018, ("belt", "Larkov T2"): NEVER})
MENDED_THEN = ("Larkov T1", "belt", THEN, 40, 40)


def fitted(*counts, supply=BELTS_GONE):
    """Fit (family, component, day, mended, tried)."""
    rows = [
        (family, component, float(i < mended), True, day)
        for family, component, day, mended, tried in counts
        for i in range(tried)
    ]
    tried = pd.DataFrame(rows, columns=["family", "component", "mended", "own", "closed"])
    return fit_repairability(tried, COMPONENTS, FAMILIES, supply)


def told(found, family, component="belt", day=None):
    """Mean and spread of the log odds of mending one component; an unknown family is at -1."""
    at = FAMILIES.index(family) if family in FAMILIES else -1
    days = np.array([np.inf if day is None else ordinal_of(day)])
    return found.of(np.array([at]), np.array([COMPONENTS.index(component)]), days)[0, 0]


def as_they_are(mean, sd, chances):
    """Of a supply that is known for certain: one state, nothing mixed."""
    assert set(chances.ravel()) <= {0.0, 1.0}
    return np.stack([np.einsum("sc,ncs->nc", part, chances) for part in (mean, sd)], axis=2)


def odds(found, family, component="belt", day=None):
    with patch.object(supply, "mixed_odds", as_they_are):
        return float(told(found, family, component, day)[0])


@pytest.mark.parametrize(
    "counts",
    [(), (MENDED_THEN,), (MENDED_THEN, ("Larkov T1", "gear", SINCE, 40, 40))],
    ids=["no trial", "all belts mended", "gears mended too"],
)
def test_without_a_trial_without_a_part_the_prior_answers(counts):
    found = fitted(*counts)
    assert supply.LEVEL_MEANS[2] == pytest.approx(logit(0.27), abs=0.01)
    # Exactly: without trials every spread has the same mean.
    assert_allclose(odds(found, "Larkov T2"), supply.LEVEL_MEANS[2], atol=1e-6)
    elsewhere = replace(found, supply=sure_of({("belt", ""): NEVER}))
    assert_allclose(odds(elsewhere, "Zorvane 1"), supply.LEVEL_MEANS[2], atol=1e-6)


# ---- supply that is not certain


@pytest.mark.parametrize("chance", [0.0, 0.3, 0.5, 1.0])
def test_trials_are_split_by_what_could_be_had_on_their_day(chance):
    """Half of a trial that was one of two things is half a trial of each."""
    until = [[-np.inf, ordinal_of(LAST_NEW), 1.0 - chance], [-np.inf, np.inf, chance]]
    split = fitted(("Larkov T1", "belt", SINCE, 10, 40), supply=sure_of({("belt", "Larkov T1"): until}))
    rows = [
        (share, float(i < 10), day)
        for i in range(40)
        for share, day in ((chance, THEN), (1.0 - chance, SINCE))
    ]
    in_parts = fit_in_parts(rows)
    for day in (THEN, SINCE):
        split_at, parts_at = (
            odds(replace(found, supply=BELTS_GONE), "Larkov T1", day=day) for found in (split, in_parts)
        )
        assert_allclose(split_at, parts_at, atol=1e-6)


def fit_in_parts(rows):
    """Fit trials of a share each, with supply known for certain: as many rows of a tenth of a trial."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(supply, "ORIGIN_DISCOUNT", 0.1)
        copies = [
            ("Larkov T1", "belt", mended, False, day)
            for share, mended, day in rows
            for _ in range(round(10 * share))
        ]
        columns = ["family", "component", "mended", "own", "closed"]
        tried = pd.DataFrame(copies, columns=columns)
        return fit_repairability(tried, COMPONENTS, FAMILIES, BELTS_GONE)


def moments(mean, sd, chances):
    """Mean and variance of a chance whose log odds are a mixture of normals, by numerical integration."""

    def of(power):
        return sum(
            share * quad(lambda z, m=m, s=s: expit(m + s * z) ** power * norm.pdf(z), -9, 9)[0]
            for m, s, share in zip(mean, sd, chances, strict=True)
        )

    first = of(1)
    return first, of(2) - first**2


@pytest.mark.parametrize(
    ("mean", "sd", "chances"),
    [
        ((1.8, 0.3, -1.0), (0.5, 0.8, 0.7), (0.6, 0.1, 0.3)),
        ((2.5, 1.0, -2.0), (0.3, 0.3, 0.3), (0.5, 0.0, 0.5)),
        ((0.4, 0.0, 0.0), (1.2, 1.0, 1.0), (1.0, 0.0, 0.0)),
        ((4.0, 3.0, -3.5), (0.4, 0.4, 0.6), (0.9, 0.05, 0.05)),
    ],
)
def test_one_normal_stands_for_a_mixture_with_its_mean_and_variance(mean, sd, chances):
    columns = (np.array(values)[:, None] for values in (mean, sd))
    got = mixed_odds(*columns, np.array(chances)[None, None])[0, 0]
    first, variance = moments(mean, sd, chances)
    got_first, got_variance = moments(got[:1], got[1:], [1.0])
    # The mean rests on a rule of thumb for logits over normals (`LOGIT_SLOPE`): within 0.01.
    assert_allclose(got_first, first, atol=0.01)
    assert_allclose(np.sqrt(got_variance), np.sqrt(variance), rtol=0.05)


# ---- a second opinion: the same penalised likelihood, written out and maximised by scipy

SDS = {"level": 1.0, "component": 0.8, "component without a new part": 1.2}
CELL_SD = 0.7
MIXED = sure_of(
    {
        ("belt", "Larkov T1"): NEW_TILL_2018,
        ("belt", "Larkov T2"): NEW_TILL_2018,
        ("gear", "Larkov T2"): NEVER,
    },
    {("belt", "Larkov T2")},
)


def state_on(component, family, day):
    """In words, where supply is certain."""
    chances = MIXED.chances(component, family, np.array([ordinal_of(day)]))[0]
    assert sorted(chances) == [0.0, 0.0, 1.0]
    return ("yes", "salvage only", "no")[int(chances.argmax())]


MIXED_COUNTS = (
    ("Larkov T1", "belt", THEN, 9, 10),
    ("Larkov T1", "belt", SINCE, 1, 5),
    ("Larkov T1", "gear", THEN, 3, 6),
    ("Larkov T2", "belt", THEN, 4, 4),
    ("Larkov T2", "belt", SINCE, 2, 5),
    ("Larkov T2", "gear", SINCE, 0, 3),
    ("Larkov T3", "belt", SINCE, 5, 7),
)


def written_out(effect, family, component, state):
    """Log odds as one would say them; `effect(name, sd)` is how far off its prior mean an effect is."""
    with_part, salvaged, without = supply.LEVEL_MEANS
    own = SDS["component without a new part"]
    if state == "no":
        eta = without + effect("without", SDS["level"]) + effect(("without", component), own)
    else:
        eta = with_part + effect("with", SDS["level"]) + effect(component, SDS["component"])
    if state == "salvage only":
        eta += salvaged + effect("salvaged", SDS["level"]) + effect(("salvaged", component), own)
    return eta + effect((family, component, state == "no"), CELL_SD)


def best_by_scipy(counts):
    """Give a function that looks up the best effects."""
    position: dict[object, int] = {}

    def value(theta, name, sd):
        return sd * theta[position.setdefault(name, len(position))]

    def objective(theta):
        total = 0.5 * theta @ theta  # in units of their spreads
        for family, component, day, mended, tried in counts:
            state = state_on(component, family, day)
            eta = written_out(lambda name, sd: value(theta, name, sd), family, component, state)
            total += tried * np.logaddexp(0.0, eta) - mended * eta
        return total

    objective(np.zeros(100))  # meet every effect once; none has more than a few
    best = minimize(objective, np.zeros(len(position)), method="BFGS", options={"gtol": 1e-5})
    assert best.success
    return lambda name, sd: sd * best.x[position[name]] if name in position else 0.0


def test_the_best_effects_are_those_that_scipy_finds(monkeypatch):
    averaging = supply.fit_shrunk_logit

    def at_single_spreads(y, n, blocks, **known):
        single = [replace(block, sds=(sd,)) for block, sd in zip(blocks, SDS.values(), strict=True)]
        return averaging(y, n, single, **{**known, "inner_sds": (CELL_SD,)})

    monkeypatch.setattr(supply, "fit_shrunk_logit", at_single_spreads)
    found = fitted(*MIXED_COUNTS, supply=MIXED)
    effect = best_by_scipy(MIXED_COUNTS)
    for day in (THEN, SINCE):
        for family in FAMILIES:
            for component in COMPONENTS:
                state = state_on(component, family, day)
                expected = written_out(effect, family, component, state)
                assert_allclose(odds(found, family, component, day), expected, atol=1e-4)
