"""What outcomes say: gaps, unfinished jobs, a regression without findings, and what the components weigh."""

import datetime
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.special import expit, logit
from sklearn.linear_model import LogisticRegressionCV

from reliability.records.frames import records_from_rows
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge, offers_from
from reliability.worth.odds import MOST_YEARS, assumed_years
from reliability.worth.recalibration import age_range, ages_of_jobs, gather_outcomes, written_up
from tests.simulate import make_world, run_bench
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 6, 1)
NAME = "Larkov T1"
FAMILIES = [
    {"family": NAME, "kind": "tape deck", "first_year": 1981, "last_year": 1986, "working_price": 110.0}
]


def ledger(jobs, **settings):
    rows = [{"setting": name, "value": value} for name, value in settings.items()]
    return records_from_rows({"families": FAMILIES, "jobs": jobs, "settings": rows})


def chance(records, **offer):
    offers = offers_from([{"offer": "1", "family": NAME, "asked": 20.0, **offer}])
    return float(judge(offers, fit_appraiser(records, DAY))["success_chance"].iloc[0])


# ---- gaps: jobs that nobody wrote up


def jobs_of(is_written):
    """Forty units of 2021 and 41 of 2023, every other one repaired; those that are written up."""
    jobs = []
    for n in range(1, 82):
        year, repaired = 2021 if n <= 40 else 2023, n % 2 == 1
        day = f"{year}-{1 + (n - 1) % 40 // 4:02d}-{1 + n % 27:02d}"
        if is_written(year, repaired):
            more = {"taken_in": day, "closed": day, "sold_on": day if repaired else None}
            jobs.append(job(n, NAME, "repaired" if repaired else "donor", **more))
    return jobs


def everything(year, repaired):
    return True


def failures_of_2021_only(year, repaired):
    return repaired or year == 2021


def numbered_through(jobs):
    return [{**row, "job": str(n)} for n, row in enumerate(jobs, start=1)]


def one_season(repaired, unrepaired, gaps, **settings):
    """Written jobs of one year, their numbers spread so that there are as many gaps."""
    numbers = np.unique(np.linspace(1, repaired + unrepaired + gaps, repaired + unrepaired).astype(int))
    assert numbers.size == repaired + unrepaired
    jobs = [
        job(n, NAME, "repaired" if i < repaired else "donor", taken_in=f"2023-0{1 + i % 9}-11")
        for i, n in enumerate(map(int, numbers))
    ]
    return read_bench(ledger([{**row, "closed": row["taken_in"]} for row in jobs], **settings), DAY)


# By enumeration of all jobs, written or not: how the odds of written ones differ from those of all.
@pytest.mark.parametrize(
    ("repaired", "unrepaired", "gaps", "share"),
    [(60, 30, 36, 0.25), (60, 30, 36, None), (80, 40, 40, 0.9), (50, 50, 20, 0.0)],
)
def test_written_jobs_flatter_a_bench_by_as_much_as_bayes_says(repaired, unrepaired, gaps, share):
    settings = {} if share is None else {"gap_repaired_share": str(share)}
    offset, se = written_up(one_season(repaired, unrepaired, gaps, **settings))
    unwritten = gaps * (share or 0.0)
    odds_of_all = (repaired + unwritten) / (unrepaired + gaps - unwritten)
    # Half a job is added to either outcome.
    assert_allclose(offset.to_numpy(), [np.log(repaired / unrepaired / odds_of_all)], atol=0.02)
    assert offset.index.tolist() == [2023]
    assert (se > 0) == (share is None)


def test_gaps_shift_the_season_of_their_numbers_and_those_of_no_season_all():
    bench = read_bench(ledger(jobs_of(failures_of_2021_only)), DAY)
    assert bench.missing == {2023: 20}
    offset, _ = written_up(bench)
    assert offset[2021] == 0.0
    # Twenty gaps to 21 jobs, all failures: at the share of all seasons, a third, this would be the least.
    assert offset[2023] > np.log(1 + 20 / 21 / (20 / 61))
    # Numbers of a year of which nothing was written up, beside 81 jobs of which half failed.
    even = read_bench(ledger(jobs_of(everything)), DAY)
    elsewhere, _ = written_up(replace(even, missing={2022: 20}))
    assert_allclose(elsewhere.to_numpy(), np.log(1 + 20 / 81 / 0.5), atol=0.03)


def test_the_offset_is_applied_to_own_jobs_alone():
    bench = read_bench(ledger(jobs_of(failures_of_2021_only)), DAY)
    found = outcomes_of(bench)
    offset, _ = written_up(bench)
    assert_allclose(found.offset, offset[bench.jobs["season"]].to_numpy())
    assert found.trials.sum() == len(bench.jobs)  # no gap is a row of its own


def test_failures_that_nobody_wrote_up_are_not_forgotten():
    true, partly = chance(ledger(jobs_of(everything))), jobs_of(failures_of_2021_only)
    flattered = chance(ledger(numbered_through(partly)))
    told = chance(ledger(partly))
    assert flattered > true + 0.1
    # How a season's gaps ended is read off other seasons too: most of the way back, if not all.
    assert abs(told - true) < 0.4 * (flattered - true)


# ---- jobs that are not finished, and what is said


def outcomes_of(bench):
    n = len(bench.jobs)
    return gather_outcomes(bench, np.zeros(n), np.full(n, np.nan), np.zeros(len(bench.families) + 2))


def test_open_jobs_count_half_in_the_season_in_which_they_came():
    is_open = job(90, NAME, "open", taken_in="2022-03-01")
    bench = read_bench(ledger([*numbered_through(jobs_of(everything)), is_open]), DAY)
    found = outcomes_of(bench)
    at = found.trials == 0.5
    assert (found.season[at].tolist(), len(bench.open_jobs)) == ([2022], 1)
    # Nothing has lain as long: the odds of all, half of them for half a job.
    assert_allclose(found.repaired[at], 0.5 * 42 / 83, atol=0.01)


def test_hearsay_counts_as_jobs_of_what_it_speaks_of():
    heard = [
        {"family": NAME, "share_repaired": 0.4, "worth_jobs": 5.0, "told_by": "one"},
        {"kind": "tape deck", "share_repaired": 0.3, "worth_jobs": 4.0, "told_by": "another"},
        {"kind": "jukebox", "share_repaired": 0.1, "worth_jobs": 9.0, "told_by": "another"},
        {"family": NAME, "component": "gear", "age_years": 30, "share_failed": 0.5, "worth_jobs": 9.0},
    ]
    records = records_from_rows({"families": FAMILIES, "jobs": [], "hearsay": heard})
    found = outcomes_of(read_bench(records, DAY))
    assert sorted(found.family_at) == [-1, 0]  # of a kind; of the family; of a kind that nobody has: no row
    assert found.kind_at.tolist() == [0, 0]
    of_family = found.family_at == 0
    assert_allclose(found.repaired / found.trials, np.where(of_family, 0.4, 0.3))
    assert (found.trials > 0).all()
    assert (found.trials < np.where(of_family, 5.0, 4.0)).all()


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
            "offer": seen,
            "family": family,
            "built_from": 1982,
            "built_to": 1984,
            **dict.fromkeys(SIGNS, "no"),
            sign: seen,
        }
        for seen in ("yes", "no")
    ]
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


# ---- the weight of the components


def test_the_components_count_where_findings_bear_them_out():
    world = make_world("few families", 3)
    records = records_from_rows(run_bench(world, 250, 3))
    blank = replace(records, jobs=records.jobs.assign(ended_by=None), findings=records.findings.iloc[:0])
    found, bare = (fit_appraiser(some, world.end).shared.chain_weight for some in (records, blank))
    assert 0.7 < found < 1.3
    # Nothing was examined: little is believed beforehand, and outcomes bear out some of it.
    assert 0.1 < bare < 0.6 * found


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


def aged_ledger(**last):
    """Units of which the older ones failed more often, and one more."""
    jobs, findings = [], []
    for n in range(1, 61):
        year = 1981 + n % 6
        lost = n % 7 < (1986 - year)
        built = {"built_from": year, "built_to": year}
        jobs.append(job(n, NAME, "donor" if lost else "repaired", **built))
        findings.append(finding(n, "gear", "failed" if lost else "sound"))
    jobs.append(job(61, NAME, "repaired", **last))
    return records_from_rows({"families": FAMILIES, "jobs": jobs, "findings": findings})


def row_of(bench, number):
    return bench.jobs["job"].tolist().index(number)


def test_a_job_without_a_year_is_fitted_as_an_offer_without_one_is_judged():
    bench = read_bench(aged_ledger(**NO_YEAR), DAY)
    of = ages_of_jobs(bench, np.zeros(len(bench.jobs), bool))
    last = of[of["at"] == row_of(bench, "61")]
    assert last["year"].tolist() == [1981, 1982, 1983, 1984, 1985, 1986]
    assert_allclose(last["weight"], 1 / 6)
    assert_allclose(np.bincount(of["at"], of["weight"]), 1.0)
    window = read_bench(aged_ledger(built_from=1981, built_to=1986), DAY)
    written = ages_of_jobs(window, np.zeros(len(window.jobs), bool))
    mine = written.loc[written["at"] == row_of(window, "61"), "age_years"]
    assert_allclose(mine, last["age_years"], atol=0.01)


# ---- seasons


def test_ages_beyond_nearly_all_that_were_seen_are_not_told_apart():
    low, high, middle = age_range(np.array([*np.arange(20.0, 41.0), np.nan]))
    assert 20 <= low < 22
    assert 39 < high <= 40
    assert middle == 30
    assert np.isnan(age_range(np.full(3, np.nan))).all()


# ---- ledgers that hold next to nothing


def thin(n_jobs, *, kinds=1, years=True, signs=False, families=True):
    names = [f"Larkov T{k}" for k in range(1, kinds + 1)]
    rows = {
        "families": [{"family": name, "kind": KINDS[k]} for k, name in enumerate(names)] if families else []
    }
    outcomes = ("repaired", "donor")
    rows["jobs"] = [
        job(n, names[n % kinds], outcomes[n % 2], **({} if years else NO_YEAR)) for n in range(n_jobs)
    ]
    rows["signs"] = [{"job": str(n), "sign": "rust", "seen": "yes"} for n in range(n_jobs) if signs]
    return records_from_rows(rows)


@pytest.mark.parametrize(
    "records",
    [
        thin(0, families=False),
        thin(0),
        thin(1),
        thin(1, years=False),
        thin(2, years=False),
        thin(6, signs=True),
        thin(6, kinds=3, years=False, signs=True),
    ],
    ids=["nothing", "a family", "a job", "no year", "two jobs", "one kind", "three kinds"],
)
def test_whatever_is_missing_every_number_is_one(records):
    appraiser = fit_appraiser(records, DAY)
    shared = appraiser.shared
    for values in (shared.age_effect, shared.age_se, shared.outcome_signs, shared.outcome_signs_se):
        assert np.isfinite(values).all()
    assert np.isfinite([shared.chain_weight, shared.chain_centre]).all()
    for entry in [*appraiser.families.values(), *appraiser.kinds.values()]:
        assert np.isfinite([entry.shift, entry.shift_se, entry.own_weight]).all()
        assert entry.shift_se > 0
        assert 0 <= entry.own_weight <= 1
    offers = [{"offer": "1", "kind": "tape deck"}, {"offer": "2", "kind": "other", "built_from": 1983}]
    offers += [{"offer": name, "family": name} for name in appraiser.families]
    said = judge(offers_from(offers), appraiser)
    for column in ("success_chance", "success_low", "success_high", "ceiling"):
        assert np.isfinite(said[column].to_numpy(float)).all()
    assert said["success_chance"].between(0.02, 0.98).all()
