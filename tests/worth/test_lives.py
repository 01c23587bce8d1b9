"""Lives of a bench: worst positions, changes, which components there are, and what the trade says."""

import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit, logit

from reliability.life.lives import observe
from reliability.records.frames import records_from_rows
from reliability.worth import lives
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import (
    changes_of,
    family_components,
    kind_components,
    pool_lives,
    unit_findings,
    weigh_hearsay,
    worst_findings,
)
from reliability.worth.review import explain
from tests.worth.ledgers import finding, job
from tests.worth.units import verdict

DAY = datetime.date(2025, 1, 10)
COMPONENTS = {"Larkov T1": ("belt", "gear"), "Larkov T2": ("belt", "gear")}


def small(jobs, findings):
    families = [{"family": name, "kind": "tape deck", "working_price": 100.0} for name in COMPONENTS]
    return records_from_rows({"families": families, "jobs": jobs, "findings": findings})


def test_a_unit_fails_by_its_worst_position():
    rows = [
        finding(1, "relay", "sound", position="left"),
        finding(1, "relay", "failed", position="right"),
        finding(1, "belt", "worn"),
    ]
    kept = worst_findings(small([job(1, "Larkov T1", "repaired")], rows).findings)
    assert kept[["component", "found"]].to_numpy().tolist() == [["belt", "worn"], ["relay", "failed"]]
    assert (kept["position"] == "").all()


def test_a_death_on_the_bench_does_not_hide_a_failure_on_arrival():
    rows = [
        finding(1, "relay", "failed", position="left", arose="during work"),
        finding(1, "relay", "failed", position="right"),
        finding(1, "belt", "failed", position="a", arose="during work"),
        finding(1, "belt", "worn", position="b"),
    ]
    kept = worst_findings(small([job(1, "Larkov T1", "donor")], rows).findings).set_index("component")
    assert kept["arose"].to_dict() == {"relay": "as received", "belt": "during work"}


def test_silence_about_a_repaired_unit_means_sound():
    jobs = [
        job(1, "Larkov T1", "repaired"),  # says nothing of its gear: it works, so it had not failed
        job(2, "Larkov T1", "donor", ended_by="belt"),  # may have been given up before anyone looked
        job(3, "Larkov T1", "repaired"),  # says nothing at all
        job(4, "Larkov T1", "repaired", origin="elsewhere"),
    ]
    records = small(jobs, [finding(n, "belt", "failed") for n in (1, 2, 4)])
    told = unit_findings(read_bench(records, DAY), COMPONENTS)
    implied = told[told["component"] == "gear"]
    assert implied[["job", "found", "arose"]].to_numpy().tolist() == [["1", "sound", "as received"]]
    assert len(told) == 4


def built_in(n, year):
    """A unit of a known year, taken in over ten years, so that age and year can be told apart."""
    day = f"{2014 + n // 8}-05-{1 + n % 27:02d}"
    days = {"taken_in": day, "closed": day, "sold_on": day}
    return job(n, "Larkov T1", "repaired", built_from=year, built_to=year, **days)


def gears_that_changed(change=1985):
    """Eighty units of known years: gears of the change year and later have failed, older ones hold."""
    jobs, findings = [], []
    for n in range(1, 81):
        year = 1981 + n % 8
        jobs.append(built_in(n, year))
        findings.append(finding(n, "gear", "failed" if year >= change else "sound"))
        findings.append(finding(n, "belt", "failed" if n % 3 else "sound"))
    return small(jobs, findings)


def test_a_change_of_material_is_found_and_told_apart():
    bench = read_bench(gears_that_changed(), DAY)
    _, changes = pool_lives(bench, unit_findings(bench, COMPONENTS))
    assert changes == {("Larkov T1", "gear"): 1985.0}
    appraiser = fit_appraiser(gears_that_changed(), DAY)
    old, new = (
        explain(appraiser, family="Larkov T1", built_from=year).components.set_index("component")["failed"]
        for year in (1983, 1987)
    )
    assert old["gear"] < 0.15
    assert new["gear"] > 0.8
    assert abs(old["belt"] - new["belt"]) < 0.15


def test_only_the_components_with_most_records_are_searched(monkeypatch):
    monkeypatch.setattr(lives, "MOST_SEARCHED", 1)
    records = gears_that_changed()
    seen = observe(records.jobs, records.findings, records.families)
    assert changes_of(seen) == {}  # belts and gears are told of alike, and belts come first
    is_told = (records.findings["component"] == "gear") | (records.findings["job"] != "1")
    seen = observe(records.jobs, records.findings[is_told], records.families)
    assert changes_of(seen) == {("Larkov T1", "gear"): 1985.0}


# ---- which components a family is judged by


BELT, DIRECT = "Larkov S1", "Larkov S9"


@pytest.fixture
def turntables():
    """Twelve units with a belt that always fails and is replaced; twelve direct drives, which have none."""
    jobs, findings = [], []
    for n in range(1, 25):
        family = BELT if n % 2 else DIRECT
        jobs.append(job(n, family, "repaired"))
        findings.append(finding(n, "motor", "sound"))
        if family == BELT:
            findings.append(finding(n, "belt", "failed", action="replaced", part_cost=12.0))
    families = [{"family": f, "kind": "turntable", "working_price": 100.0} for f in (BELT, DIRECT)]
    return {"families": families, "jobs": jobs, "findings": findings}


def lists(rows):
    bench = read_bench(records_from_rows(rows), DAY)
    of_kind = kind_components(bench)
    return of_kind, family_components(bench, of_kind)


def test_a_family_is_not_judged_by_a_part_that_it_evidently_lacks(turntables):
    of_kind, of_family = lists(turntables)
    assert "belt" in of_kind["turntable"]
    assert "belt" in of_family[BELT]
    assert of_family[DIRECT] == ("motor",)
    appraiser = fit_appraiser(records_from_rows(turntables), DAY)
    belt, direct = (verdict(appraiser, family=f)["ceiling"] for f in (BELT, DIRECT))
    assert "belt" not in set(explain(appraiser, family=DIRECT).components["component"])
    # Of a unit of a kind's unknown family a belt is still expected.
    assert len(appraiser.kinds["turntable"].lives.components) == 2
    # What a belt costs, and the time for it, is spent on the one family only.
    assert direct > belt + 8.0


@pytest.mark.parametrize(
    ("table", "row"),
    [
        ("parts", {"component": "belt", "family": DIRECT, "obtainable": "yes"}),
        ("hearsay",
         {"component": "belt", "family": DIRECT, "age_years": 40.0, "share_failed": 0.5, "worth_jobs": 1.0}),
    ],
)  # fmt: skip
def test_a_part_that_anyone_speaks_of_is_there(turntables, table, row):
    assert "belt" in lists({**turntables, table: [row]})[1][DIRECT]


def test_a_part_that_ends_jobs_counts_without_a_finding():
    # Fifteen units, none repaired, all ended by a gear that nobody entered as a finding.
    rows = {
        "families": [{"family": BELT, "kind": "tape deck", "working_price": 100.0}],
        "jobs": [job(n, BELT, "scrapped", ended_by="gear") for n in range(1, 16)],
        "findings": [finding(n, "belt", "failed") for n in range(1, 16)],
    }
    assert "gear" in lists(rows)[1][BELT]
    told = verdict(fit_appraiser(records_from_rows(rows), DAY), family=BELT, built_from=1983)
    assert told["chief_risk"] == "gear"
    assert told["success_chance"] < 0.1


# ---- what is said counts as much as those who said it were right so far


DECK, TABLE, UNSEEN = "Larkov T1", "Zorvane 1", "Larkov T9"
KINDS = {DECK: "tape deck", UNSEEN: "tape deck", TABLE: "turntable"}


def weighed(heard, repaired=None, *, gear_failed=None):
    """Weigh statements beside own jobs: (repaired, of so many) by family, all built in 1983, seen in 2024.

    In the first so many of a family's jobs the gear had failed, in the others it was sound.
    """
    jobs, findings = [], []
    for family, (well, n) in (repaired or {}).items():
        for i in range(n):
            number = len(jobs) + 1
            jobs.append(job(number, family, "repaired" if i < well else "donor"))
            if gear_failed is not None:
                findings.append(finding(number, "gear", "failed" if i < gear_failed else "sound"))
    rows = {
        "families": [{"family": name, "kind": kind} for name, kind in KINDS.items()],
        "jobs": jobs,
        "findings": findings,
        "hearsay": heard,
    }
    return weigh_hearsay(read_bench(records_from_rows(rows), DAY))


def says(teller, share, worth=10.0, **about):
    return {"told_by": teller, "share_repaired": share, "worth_jobs": worth, **(about or {"family": UNSEEN})}


def worth_of(found, teller):
    """Worth of what one teller says of the family that the bench has not seen."""
    row = found[(found["told_by"] == teller) & (found["family"] == UNSEEN)]
    assert len(row) == 1
    return float(row["worth_jobs"].iloc[0])


def test_worth_of_a_statement_that_nothing_can_be_held_against():
    # By hand: errors of 0.2, 0.5, 1 and 2, as likely as 0.35, 0.35, 0.2 and 0.1; p (1 - p) = 0.24.
    # 0.35 / 0.2096 + 0.35 / 0.26 + 0.2 / 0.44 + 0.1 / 1.16 = 3.557
    found = weighed([says("one", 0.4, 5.0)])
    assert_allclose(found["worth_jobs"], [3.557], atol=0.001)
    assert_allclose(found["share_repaired"], [0.4])


# ---- contrast of kinds


def shares_of_kinds(deck, table, own):
    heard = [says("one", deck, kind="tape deck"), says("one", table, kind="turntable")]
    return weighed(heard, own).set_index("kind")["share_repaired"]


def test_of_kinds_the_contrast_counts():
    # Half of four hundred were repaired: one who says 0.9 of either kind says nothing, of either.
    praise = shares_of_kinds(0.9, 0.9, {DECK: (100, 200), TABLE: (100, 200)})
    assert_allclose(praise, 0.5, atol=0.02)
    # One who tells them apart is heard, around the bench's own level.
    apart = logit(shares_of_kinds(0.9, 0.7, {DECK: (100, 200), TABLE: (100, 200)}))
    assert_allclose(apart["tape deck"] - apart["turntable"], logit(0.9) - logit(0.7))
    assert_allclose(apart.mean(), 0.0, atol=0.1)


def test_a_bench_that_has_seen_nothing_takes_the_level_too_and_families_always_have_theirs():
    assert_allclose(shares_of_kinds(0.9, 0.7, {}), [0.9, 0.7])
    half_way = logit(shares_of_kinds(0.9, 0.9, {DECK: (5, 10)}))
    # Ten own jobs weigh as much as what is said.
    assert_allclose(half_way, logit(0.9) / 2, atol=1e-9)
    assert_allclose(weighed([says("one", 0.9)], {DECK: (50, 100)})["share_repaired"], [0.9])


# ---- a second opinion: each error in turn, row by row


def test_errors_are_weighed_as_bayes_has_it():
    heard = [says("one", 0.7, 12.0, family=DECK), says("one", 0.6, 8.0, family=TABLE), says("one", 0.3, 6.0)]
    own = {DECK: (9, 20), TABLE: (10, 15)}
    found = weighed(heard, own)
    likely = []
    for error, chance in zip(lives.ERRORS, lives.ERROR_CHANCES, strict=True):
        density = chance
        for said, worth, (well, n) in ((0.7, 12.0, own[DECK]), (0.6, 8.0, own[TABLE])):
            seen = (well + 0.5) / (n + 1)
            variance = error**2 + 1 / (worth * said * (1 - said)) + 1 / ((n + 1) * seen * (1 - seen))
            density *= np.exp(-0.5 * (logit(said) - logit(seen)) ** 2 / variance) / np.sqrt(variance)
        likely.append(density)
    likely = np.array(likely) / sum(likely)
    expected = sum(c / (1 / 6 + e**2 * 0.21) for c, e in zip(likely, lives.ERRORS, strict=True))
    assert_allclose(worth_of(found, "one"), expected, rtol=1e-9)


# A teller whose error is known, simulated: what is said is as far off as the share of so many jobs would be.
@pytest.mark.parametrize(("n", "p", "error"), [(10.0, 0.5, 0.5), (10.0, 0.3, 0.2), (40.0, 0.6, 0.4)])
def test_a_statement_is_worth_as_many_jobs_as_are_as_far_off(monkeypatch, n, p, error):
    monkeypatch.setattr(lives, "ERRORS", np.array([error]))
    monkeypatch.setattr(lives, "ERROR_CHANCES", np.ones(1))
    rng = np.random.default_rng(3)
    seen = rng.binomial(int(n), p, 200_000) / n
    # What the teller saw, shifted on the scale of log odds by what the teller is wrong by.
    said = expit(logit(p) + error * rng.normal(size=seen.size)) + (seen - p)
    worth = worth_of(weighed([says("one", p, n)]), "one")
    assert_allclose(said.var(), p * (1 - p) / worth, rtol=0.05)
