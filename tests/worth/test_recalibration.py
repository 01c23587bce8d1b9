"""What outcomes say: gaps, unfinished jobs, a regression without findings."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit, logit
from sklearn.linear_model import LogisticRegression, LogisticRegressionCV

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge, offers_from
from reliability.worth.odds import MOST_YEARS, assumed_years
from reliability.worth.recalibration import (
    PRACTICE,
    TROUBLE,
    ages_of_jobs,
    fit_recalibration,
    gather_outcomes,
    written_up,
)
from tests.worth.ledgers import job

DAY = datetime.date(2025, 6, 1)
NAME = "Larkov T1"
FAMILY = {"family": NAME, "kind": "tape deck", "first_year": 1981, "last_year": 1986, "working_price": 110.0}


def bench_of(jobs, *, hearsay=(), findings=(), **settings):
    rows = [{"setting": name, "value": value} for name, value in settings.items()]
    tables = {"families": [FAMILY], "jobs": jobs, "settings": rows, "hearsay": hearsay, "findings": findings}
    return read_bench(records_from_rows(tables), DAY)


def came(number, repaired, year, month=1):
    day = f"{year}-{month:02d}-11"
    return job(number, NAME, "repaired" if repaired else "donor", taken_in=day, closed=day, sold_on=None)


# ---- jobs that nobody wrote up, jobs that are not finished, and what is said


# By enumeration of all jobs, written or not: how the odds of written ones differ from those of all.
@pytest.mark.parametrize(
    ("repaired", "unrepaired", "gaps", "share"),
    [(60, 30, 36, 0.25), (80, 40, 40, 0.9), (50, 50, 20, 0.0), (40, 40, 30, 0.5)],
)
def test_written_jobs_flatter_a_bench_by_as_much_as_bayes_says(repaired, unrepaired, gaps, share):
    numbers = np.linspace(1, repaired + unrepaired + gaps, repaired + unrepaired).astype(int).tolist()
    jobs = [came(n, i < repaired, 2023, 1 + i % 9) for i, n in enumerate(numbers)]
    offset, se = written_up(bench_of(jobs, gap_repaired_share=str(share)))
    odds_of_all = (repaired + gaps * share) / (unrepaired + gaps * (1 - share))
    # Half a job is added to either outcome.
    assert_allclose(offset.to_numpy(), [np.log(repaired / unrepaired / odds_of_all)], atol=0.02)
    assert offset.index.tolist() == [2023]
    assert se == 0


def test_what_is_not_known_of_gaps_is_averaged_over():
    """Two hundred thousand shares drawn from the triangle between none and the written ones' share."""
    numbers = np.linspace(1, 120, 90).astype(int).tolist()
    bench = bench_of([came(n, i < 60, 2023, 1 + i % 9) for i, n in enumerate(numbers)])
    share = np.random.default_rng(5).triangular(0.0, 0.0, 60 / 90, 200_000)
    drawn = np.log(60 / 30 * (30 + 30 * (1 - share)) / (60 + 30 * share))
    offset, se = written_up(bench)
    assert_allclose([offset.item(), se], [drawn.mean(), drawn.std()], rtol=0.06)


def outcomes_of(bench, chain=0.0):
    n = len(bench.jobs)
    chain = np.broadcast_to(chain, n)
    return gather_outcomes(bench, chain, np.full(n, np.nan), np.zeros(len(bench.families) + 2))


def recalibrated(bench, chain=0.0, signs=0):
    """Fit outcomes beside what the chain told of them; so many signs were never looked for."""
    slots = len(bench.families) + 2
    usual = pd.DataFrame({"age_years": 40.0, "log_odds": 0.0, "variance": 0.0}, index=range(slots))
    no_signs = np.zeros((len(bench.jobs), signs))
    return fit_recalibration(bench, outcomes_of(bench, chain), no_signs, np.zeros(slots), usual)


def test_gaps_shift_the_season_of_their_numbers_and_those_of_no_season_all():
    """Forty units of 2021 and 41 of 2023, every other one repaired; no failure of 2023 was written up."""
    every = [came(n, n % 2, 2021 if n <= 40 else 2023, 1 + (n - 1) % 40 // 4) for n in range(1, 82)]
    written = [row for row in every if row["taken_in"] < "2022" or row["outcome"] == "repaired"]
    bench = bench_of(written, gap_repaired_share="0")
    assert bench.missing == {2023: 20}
    offset, _ = written_up(bench)
    assert offset[2021] == 0.0
    # Twenty gaps to 21 jobs, all failures: at the share of all seasons, a third, this would be the least.
    assert offset[2023] > np.log(1 + 20 / 21 / (20 / 61))
    found = outcomes_of(bench)
    assert_allclose(found.offset, offset[bench.jobs["season"]].to_numpy())
    assert found.trials.sum() == len(bench.jobs)  # no gap is a row of its own
    # Numbers of a year of which nothing was written up, beside 81 jobs of which half failed.
    elsewhere, _ = written_up(replace(bench_of(every, gap_repaired_share="0"), missing={2022: 20}))
    assert_allclose(elsewhere.to_numpy(), np.log(1 + 20 / 81 / 0.5), atol=0.03)


def test_open_jobs_count_half_in_the_season_in_which_they_came():
    jobs = [came(n, n % 2, 2023, 1 + n % 12) for n in range(1, 82)]
    found = outcomes_of(bench_of([*jobs, job(90, NAME, "open", taken_in="2022-03-01")]))
    at = found.trials == 0.5
    assert found.season[at].tolist() == [2022]
    # Nothing has lain as long: the odds of all, half of them for half a job.
    assert_allclose(found.repaired[at], 0.5 * 42 / 83, atol=0.01)


def test_hearsay_counts_as_jobs_of_what_it_speaks_of():
    heard = [
        {"family": NAME, "share_repaired": 0.4, "worth_jobs": 5.0, "told_by": "one"},
        {"kind": "tape deck", "share_repaired": 0.3, "worth_jobs": 4.0, "told_by": "another"},
        {"kind": "jukebox", "share_repaired": 0.1, "worth_jobs": 9.0, "told_by": "another"},
        {"family": NAME, "component": "gear", "age_years": 30, "share_failed": 0.5, "worth_jobs": 9.0},
    ]
    found = outcomes_of(bench_of([], hearsay=heard))
    assert sorted(found.family_at) == [-1, 0]  # of a kind; of the family; of a kind that nobody has: no row
    assert found.kind_at.tolist() == [0, 0]
    of_family = found.family_at == 0
    assert_allclose(found.repaired / found.trials, np.where(of_family, 0.4, 0.3))
    assert (found.trials > 0).all()
    assert (found.trials < np.where(of_family, 5.0, 4.0)).all()


# ---- benches learn


def test_practice_is_the_log_of_jobs_begun_by_then_over_those_begun_by_now():
    jobs = [came(n, n % 2, 2023, month) for n, month in enumerate((1, 3, 5, 5), start=1)]
    bench = bench_of([*jobs, job(5, NAME, "open", taken_in="2023-09-02")])
    found = outcomes_of(bench).set_index("trials")["practice"]
    # With fifteen before the first; of two on one day each has half a day's jobs before it.
    assert_allclose(np.exp(found[1.0]) * 20, [15 + 0.5, 15 + 1.5, 15 + 3.0, 15 + 3.0])
    assert_allclose(np.exp(found[0.5]) * 20, 15 + 4.5)


@pytest.mark.parametrize("slope", [0.0, 0.8])
def test_practice_is_what_the_outcomes_say_where_there_are_many(slope):
    """Six hundred jobs of six years, whose log odds rise with the logarithm of the jobs done, or do not."""
    rng = np.random.default_rng(11)
    done = np.arange(600.0)
    repaired = rng.random(600) < expit(0.5 + slope * np.log((done + 15) / 615))
    jobs = [
        came(n, each, 2018 + (n - 1) // 100, 1 + (n - 1) % 100 * 12 // 100)
        for n, each in enumerate(repaired, start=1)
    ]
    fitted, found = recalibrated(bench_of(jobs))
    x = np.log((done + 15) / 615)[:, None]
    plain = LogisticRegression(C=np.inf).fit(x, repaired)  # no prior, and no drift beside it
    assert abs(found["practice"] - plain.coef_.item()) < 0.2
    assert abs(fitted["shift"][0] - plain.intercept_.item()) < 0.25


def test_of_few_jobs_practice_is_as_believed():
    _, found = recalibrated(bench_of([came(n, n % 2, 2024, n) for n in range(1, 9)]))
    assert_allclose(found["practice"], PRACTICE, atol=0.02)


# ---- how far the chain of components is believed


@pytest.mark.parametrize(("truth", "low", "high"), [(2.0, 0.9, 1.1), (0.4, 0.2, 0.75), (0.0, -0.3, 0.35)])
def test_outcomes_may_take_weight_from_the_chain_and_add_none(truth, low, high):
    """Log odds of 400 jobs are some multiple of what the chain told of them."""
    rng = np.random.default_rng(3)
    chain = rng.normal(0, 1.2, 400)
    repaired = rng.random(400) < expit(truth * chain)
    jobs = [came(n, is_repaired, 2024) for n, is_repaired in enumerate(repaired, start=1)]
    examined = [{"job": str(n), "component": "belt", "found": "sound"} for n in range(1, 401)]
    bench = bench_of(jobs, findings=examined)
    _, found = recalibrated(bench, chain[bench.jobs["job"].astype(int) - 1])
    assert low < found["chain_weight"] < high


def test_a_sign_is_believed_to_be_trouble_as_far_as_nothing_was_examined():
    jobs = [came(n, n % 2, 2024, n % 12 + 1) for n in range(1, 21)]
    for examined in (0, 20, 10):
        findings = [{"job": str(n), "component": "belt", "found": "sound"} for n in range(1, examined + 1)]
        _, found = recalibrated(bench_of(jobs, findings=findings), signs=2)
        # Five jobs are taken as examined before the first one.
        expected = TROUBLE * (1 - (examined + 5) / (20 + 5))
        assert_allclose(found["outcome_signs"], np.full((2, 2), expected), atol=1e-9)


# ---- outcomes alone: a shrunk regression

SIGNS = ("rust", "hum", "cracks")
KINDS = ("tape deck", "turntable", "receiver")


def outcomes_only(seed, n_jobs=700, n_families=24, n_offers=600):
    """Simulate a trade whose outcomes depend on family and signs; hum tells of one kind alone."""
    rng = np.random.default_rng(seed)
    kind = np.arange(n_families) % 3
    effect = np.array([0.9, 0.0, -0.6])[kind] + rng.normal(0, 0.7, n_families)
    by_sign = np.array([[-0.7, -1.8, 0.0], [-0.7, 0.0, 0.0], [-0.7, 0.0, 0.0]])
    family = rng.integers(0, n_families, n_jobs + n_offers)
    signs = rng.integers(0, 2, (family.size, 3))
    eta = effect[family] + (by_sign[kind[family]] * (signs - 0.5)).sum(axis=1)
    repaired = rng.random(family.size) < expit(eta)
    names = [f"Larkov {f}" for f in range(n_families)]
    rows = {"families": [], "jobs": [], "signs": []}
    rows["families"] = [
        {"family": name, "kind": KINDS[k], "first_year": 1980, "last_year": 1985, "working_price": 100.0}
        for name, k in zip(names, kind, strict=True)
    ]
    for i in range(n_jobs):
        when = f"{2023 + i % 2}-{1 + i % 12:02d}-{1 + i % 28:02d}"
        outcome = "repaired" if repaired[i] else "scrapped"
        rows["jobs"].append(job(i + 1, names[family[i]], outcome, taken_in=when, closed=when, sold_on=None))
        rows["signs"] += [
            {"job": str(i + 1), "sign": s, "seen": "yes" if v else "no"}
            for s, v in zip(SIGNS, signs[i], strict=True)
        ]
    offers = [
        {
            "offer": str(i),
            "family": names[family[i]],
            "built_from": 1982,
            "built_to": 1984,
            "seen_on": "2025-01-10",
            **{s: "yes" if v else "no" for s, v in zip(SIGNS, signs[i], strict=True)},
        }
        for i in range(n_jobs, family.size)
    ]
    plain = np.hstack([np.eye(n_families)[family], np.eye(3)[kind[family]], 2.0 * signs - 1])
    appraiser = fit_appraiser(records_from_rows(rows), datetime.date(2025, 1, 10))
    return {
        "appraiser": appraiser,
        "said": judge(offers_from(offers), appraiser)["success_chance"].to_numpy(float),
        "tables": (plain[:n_jobs], plain[n_jobs:]),  # family and kind in one-hot code, then signs
        "repaired": repaired[:n_jobs],
        "truth": eta[n_jobs:],  # log odds of the offers
        "effect": effect,  # of each family
    }


@pytest.fixture(scope="module")
def bare():
    return outcomes_only(7)


def log_loss(chance, truth):
    """Expected, under the true odds."""
    p = np.clip(chance, 1e-3, 1 - 1e-3)
    return float(-(expit(truth) * np.log(p) + expit(-truth) * np.log1p(-p)).mean())


def test_without_findings_the_odds_are_as_good_as_those_of_a_shrunk_regression(bare):
    known, asked = bare["tables"]
    ridge = LogisticRegressionCV(
        Cs=np.logspace(-2, 2, 9), scoring="neg_log_loss", max_iter=2000, l1_ratios=(0.0,),
        use_legacy_attributes=False,
    ).fit(known, bare["repaired"])  # fmt: skip
    plain = ridge.predict_proba(asked)[:, 1]
    least = log_loss(expit(bare["truth"]), bare["truth"])
    assert log_loss(bare["said"], bare["truth"]) - least < log_loss(plain, bare["truth"]) - least + 0.002
    # And both are better than the rate of the bench.
    usual = log_loss(np.full(len(bare["truth"]), bare["repaired"].mean()), bare["truth"])
    assert log_loss(bare["said"], bare["truth"]) < usual - 0.05
    # They are neither too sure nor too timid, and tell families apart as they are.
    slope, _ = np.polyfit(logit(bare["said"]), bare["truth"], 1)
    assert 0.75 < slope < 1.3
    by_family = pd.Series(logit(bare["said"])).groupby(asked[:, :24].argmax(axis=1)).mean()
    assert np.corrcoef(by_family, bare["effect"][by_family.index])[0, 1] > 0.8


def change_by(appraiser, sign, family):
    offers = [
        {
            "offer": seen, "family": family, "built_from": 1982, "built_to": 1984,
            **dict.fromkeys(SIGNS, "no"), sign: seen,
        }
        for seen in ("yes", "no")
    ]  # fmt: skip
    yes, no = logit(judge(offers_from(offers), appraiser)["success_chance"].to_numpy(float))
    return yes - no


def test_a_sign_that_tells_of_one_kind_is_not_read_in_another(bare):
    deck, table, receiver = (change_by(bare["appraiser"], "hum", f"Larkov {k}") for k in range(3))
    # In truth -1.8, 0, 0.
    assert deck < -1.0
    assert abs(table) < 0.6
    assert abs(receiver) < 0.6
    # One that tells of all kinds is told of all (-0.7), one that tells nothing of none.
    assert all(change_by(bare["appraiser"], "rust", f"Larkov {k}") < -0.25 for k in range(3))
    assert all(abs(change_by(bare["appraiser"], "cracks", f"Larkov {k}")) < 0.4 for k in range(3))


# ---- years that nobody wrote down


@pytest.mark.parametrize(
    ("span", "seen_in", "expected"),
    [
        ((1981.0, 1986.0), 2024, [1981, 1982, 1983, 1984, 1985, 1986]),
        ((1981.0, 1986.0), 1983, [1981, 1982, 1983]),
        ((1990.0, 1995.0), 1985, [1983]),  # what must serve
        ((np.nan, np.nan), 2024, [1983]),
        ((np.nan, np.nan), 1975, [1975]),  # nothing is built after it was seen
    ],
)
def test_a_unit_without_a_year_may_be_of_any(span, seen_in, expected):
    assert assumed_years(*span, 1983.0, seen_in).tolist() == expected


@pytest.mark.parametrize("n", [16, 17, 40, 90])
def test_of_a_long_span_some_years_stand_for_all(n):
    years = assumed_years(1930.0, 1930.0 + n - 1, 1960.0, 2024)
    assert years.size <= MOST_YEARS
    assert years[0] >= 1930
    assert years[-1] <= 1930 + n - 1
    assert abs(years.mean() - (1930 + (n - 1) / 2)) <= np.ceil(n / MOST_YEARS) / 2


NO_YEAR = {"built_from": None, "built_to": None}


def test_a_job_without_a_year_is_fitted_as_an_offer_without_one_is_judged():
    found = []
    for built in (NO_YEAR, {"built_from": 1981, "built_to": 1986}):
        bench = bench_of([came(1, True, 2024), {**came(2, True, 2024), **built}])
        ages = ages_of_jobs(bench, np.zeros(2, bool))
        assert_allclose(np.bincount(ages["at"], ages["weight"]), 1.0)
        found.append(ages[ages["at"] == 1])
    assumed, written = found
    assert assumed["year"].tolist() == [1981, 1982, 1983, 1984, 1985, 1986]
    assert_allclose(assumed["weight"], 1 / 6)
    assert_allclose(assumed["age_years"], written["age_years"], atol=0.01)


# ---- ledgers that hold next to nothing


@pytest.mark.parametrize(
    ("n_jobs", "n_kinds", "known"), [(0, 0, {}), (0, 1, {}), (1, 1, NO_YEAR), (6, 3, {})]
)
def test_whatever_is_missing_every_number_is_one(n_jobs, n_kinds, known):
    families = [{"family": f"Larkov T{k}", "kind": KINDS[k]} for k in range(n_kinds)]
    jobs = [job(n, f"Larkov T{n % n_kinds}", ("repaired", "donor")[n % 2], **known) for n in range(n_jobs)]
    signs = [{"job": str(n), "sign": "rust", "seen": "yes"} for n in range(n_jobs)]
    appraiser = fit_appraiser(records_from_rows({"families": families, "jobs": jobs, "signs": signs}), DAY)
    shared = appraiser.shared
    for values in (shared.age_effect, shared.age_se, shared.outcome_signs, shared.outcome_signs_se):
        assert np.isfinite(values).all()
    for entry in [*appraiser.families.values(), *appraiser.kinds.values()]:
        assert np.isfinite([entry.shift, entry.shift_se, entry.own_weight]).all()
        assert entry.shift_se > 0 <= entry.own_weight <= 1
    offers = [{"offer": "1", "kind": "tape deck"}, {"offer": "2", "kind": "other", "built_from": 1983}]
    offers += [{"offer": name, "family": name} for name in appraiser.families]
    said = judge(offers_from(offers), appraiser)
    assert np.isfinite(said[["success_low", "success_high", "ceiling"]].to_numpy(float)).all()
    assert said["success_chance"].between(0.02, 0.98).all()
