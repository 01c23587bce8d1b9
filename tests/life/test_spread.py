import multiprocessing
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput
from reliability.life import bulk as module
from reliability.life import fit_weibull, pool
from reliability.life.bulk import LIFE_COLUMNS, count_all, lives_of_counts, spread
from reliability.life.findings import age_at, observe

FAMILIES = pd.DataFrame(
    {
        "family": [f"Tarnwick T{i}" for i in range(6)],
        "kind": "tape deck",
        "first_year": 1975.0,
        "last_year": 1984.0,
    }
)


def units(seed, n_jobs=120):
    """Jobs of six families, with a gear and a belt each; half of the production years are windows."""
    rng = np.random.default_rng(seed)
    built = rng.integers(1976, 1980, n_jobs).astype(float)
    taken_in = np.datetime64("2018-01-01") + rng.integers(0, 2500, n_jobs)
    jobs = pd.DataFrame(
        {
            "job": [f"{seed}-{i:04d}" for i in range(n_jobs)],
            "family": rng.choice(FAMILIES["family"].to_numpy(object), n_jobs),
            "built_from": built,
            "built_to": built + rng.choice([0, 2], n_jobs),
            "taken_in": taken_in.astype("datetime64[ns]"),
            "ended_by": None,
            "ended_why": None,
            "origin": None,
        }
    )
    findings = jobs[["job"]].merge(pd.DataFrame({"component": ["belt", "gear"]}), how="cross")
    age = age_at(np.repeat(taken_in, 2), np.repeat(built, 2))
    failed = np.tile([40.0, 55.0], n_jobs) * rng.weibull(3, age.size) < age
    findings = findings.assign(
        position="", found=np.where(failed, "failed", "sound"), original="yes", fitted_from=np.nan,
        fitted_to=np.nan, arose="as received", failed_from=pd.NaT, failed_to=pd.NaT,
    )  # fmt: skip
    for name in ("failed_from", "failed_to"):
        findings[name] = pd.to_datetime(findings[name])
    return jobs, findings


@dataclass(frozen=True)
class Batch:
    """A batch that is made where it is counted."""

    seed: int

    def read(self):
        jobs, findings = units(self.seed)
        return jobs.merge(FAMILIES, on="family").merge(findings, on="job").sort_values(["job", "component"])


BATCHES = [Batch(seed) for seed in range(5)]


class Backwards(Executor):
    """Does the work that waits only when the newest answer is asked for, the newest first."""

    def __init__(self):
        self.waiting, self.most = [], 0

    def submit(self, function, /, *arguments, **named):
        future = Future()
        future.result = lambda timeout=None: self.run(future)
        self.waiting.append((future, lambda: function(*arguments, **named)))
        self.most = max(self.most, len(self.waiting))
        return future

    def run(self, future):
        for one, work in reversed(self.waiting):
            one.set_result(work())
        self.waiting = []
        return Future.result(future)


def test_answers_come_in_the_order_of_the_items():
    executor = Backwards()
    assert list(spread(str, range(40), executor, ahead=7)) == [str(i) for i in range(40)]
    assert executor.most == 7
    assert list(spread(str, range(3))) == ["0", "1", "2"]
    assert list(spread(str, [], executor)) == []


def test_items_are_taken_as_they_are_needed():
    taken = []
    items = (taken.append(i) or i for i in range(100))
    with ThreadPoolExecutor(1) as executor:
        answers = spread(str, items, executor, ahead=4)
        next(answers)
    assert len(taken) == 4


def test_an_error_of_a_piece_comes_through():
    def refuse(_):
        raise InvalidInput("no such thing")

    with ThreadPoolExecutor(1) as executor, pytest.raises(InvalidInput, match="no such thing"):
        list(spread(refuse, [1], executor))


@pytest.fixture(scope="module")
def counts():
    return count_all(BATCHES)


@pytest.fixture(scope="module")
def table(counts):
    return lives_of_counts(counts)


def test_processes_give_the_same_to_the_last_digit(counts, table):
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as executor:
        spread_out = count_all(BATCHES, executor=executor)
        np.testing.assert_array_equal(spread_out.key, counts.key)
        np.testing.assert_array_equal(spread_out.count, counts.count)
        pd.testing.assert_frame_equal(lives_of_counts(spread_out, executor=executor), table, check_exact=True)


def test_lives_are_those_of_the_whole(counts, table):
    jobs, findings = (
        pd.concat(part, ignore_index=True) for part in zip(*(units(b.seed) for b in BATCHES), strict=True)
    )
    seen = observe(jobs, findings, FAMILIES)
    records, labels = seen.life_records()
    fit = fit_weibull(records)
    assert tuple(table.columns) == LIFE_COLUMNS
    assert (
        table[["component", "family"]].to_numpy().tolist()
        == labels[["component", "family"]].to_numpy().tolist()
    )
    assert table["status"].tolist() == fit.status.tolist()
    assert_allclose(table["n_failed"] + table["n_sound"], fit.n_records, rtol=1e-12)
    for share, name in ((0.10, "b10"), (0.50, "b50")):
        columns = table[[f"{name}_years", f"{name}_low_years", f"{name}_high_years"]].to_numpy().T
        assert_allclose(columns, fit.life(share), rtol=1e-6)
    assert_allclose(table[["shape", "shape_low", "shape_high"]].to_numpy().T, fit.shape_interval(), rtol=1e-6)
    mean = (seen.table["year"] * seen.table["weight"]).groupby(seen.table["family"]).sum()
    mean /= seen.table["weight"].groupby(seen.table["family"]).sum()
    year = mean.loc[table["family"]].to_numpy()
    age = age_at(np.full(year.size, counts.last_day), year)
    assert_allclose(table["age_years"], age)
    own = table[["failed_own", "failed_own_low", "failed_own_high"]].to_numpy().T
    assert_allclose(own, fit.failed_by(age), rtol=1e-6)
    pooled = pool(
        records,
        component=seen.table["component"],
        family=seen.table["family"],
        kind=seen.table["kind"],
        year=seen.table["year"],
    )
    known = pooled.failed_by(table["component"], table["family"], age, year=year)
    assert_allclose(table[["failed", "failed_low", "failed_high"]].to_numpy().T, known, atol=1e-9)


def test_small_pieces_say_the_same(counts, table, monkeypatch):
    monkeypatch.setattr(module, "STRATA_PER_PIECE", 2)
    small = lives_of_counts(counts)
    assert (small["status"] == table["status"]).all()
    for name in LIFE_COLUMNS[6:]:
        assert_allclose(small[name], table[name], rtol=1e-6)


def test_without_intervals_the_estimates_stay(counts, table):
    quick = lives_of_counts(counts, intervals=False)
    for name in ("shape", "b10_years", "b50_years", "failed_own", "failed"):
        assert_allclose(quick[name], table[name], rtol=1e-9)
    assert quick[["shape_low", "b10_high_years", "failed_own_low"]].isna().all(axis=None)
    assert quick["failed_low"].notna().all()


def test_only_the_components_that_are_wanted(counts, table):
    belts = lives_of_counts(counts, components=["belt"])
    pd.testing.assert_frame_equal(belts, table[table["component"] == "belt"].reset_index(drop=True))
    assert lives_of_counts(counts, components=["head"]).empty


def test_a_family_of_which_no_year_is_known_has_no_share_today():
    @dataclass(frozen=True)
    class Fitted(Batch):
        def read(self):
            return super().read().assign(original="no", fitted_from=2000.0, fitted_to=2001.0)

    told = lives_of_counts(count_all([Fitted(0)]))
    assert told["age_years"].isna().all()
    assert told[["failed", "failed_own"]].isna().all(axis=None)
    assert told["n_failed"].sum() > 0
