"""What is said counts as much as those who said it were right so far."""

import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit, logit

from reliability.records.frames import records_from_rows
from reliability.worth import lives
from reliability.worth.bench import read_bench
from reliability.worth.lives import weigh_hearsay
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
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


# ---- what is said of components


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
