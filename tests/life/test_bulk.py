"""Counted findings say what `observe` says of the same findings, to the last bit."""

import multiprocessing
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

import duckdb
import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput, UnknownName
from reliability.life import bulk
from reliability.life.bulk import LIFE_COLUMNS, Counts, lives_of_counts, spread
from reliability.life.lives import age_at, observe
from reliability.life.pooling import pool
from reliability.life.weibull import weibull_fits
from reliability.records.archive import ARCHIVED

SPAN = ["family", "kind", "first_year", "last_year"]
FAMILIES = pd.DataFrame(
    [
        ("Tarnwick T2", "tape deck", 1979.0, 1982.0),
        ("Dallow 80", "receiver", np.nan, np.nan),
        ("Tarnwick T9", "tape deck", 1985.0, 1990.0),
    ],
    columns=SPAN,
)
COMPONENTS = ("belt", "gear", "head")


def job_table(**columns):
    """Jobs of which nothing more is known than these columns."""
    return pd.DataFrame({"ended_by": None, "ended_why": None, "origin": None} | columns)


def some_ledger(seed, n_jobs=150):
    """Jobs and findings with everything that the tables allow, valid or at odds with each other."""
    rng = np.random.default_rng(seed)

    def pick(values, chances, size):
        return np.array(values, dtype=object)[rng.choice(len(values), size, p=chances)]

    built = rng.choice([np.nan, 1979, 1980, 1984, 1991], n_jobs)
    taken_in = np.datetime64("1980-01-01") + rng.integers(0, 16_000, n_jobs)
    jobs = job_table(
        job=[f"B{i:04d}" for i in range(n_jobs)],
        family=rng.choice(FAMILIES["family"].to_numpy(object), n_jobs),
        built_from=built,
        built_to=np.where(rng.random(n_jobs) < 0.5, built, built + rng.integers(0, 5, n_jobs)),
        taken_in=taken_in.astype("datetime64[ns]"),
        ended_by=pick([None, *COMPONENTS, "motor"], [0.5, 0.2, 0.1, 0.1, 0.1], n_jobs),
        ended_why=pick([None, "died on the bench", "too worn"], [0.4, 0.2, 0.4], n_jobs),
    )
    jobs.loc[rng.random(n_jobs) < 0.1, "built_to"] = np.nan
    jobs.loc[jobs["ended_by"].isna(), "ended_why"] = None
    rows = []
    for job, day in zip(jobs["job"], jobs["taken_in"], strict=True):
        for component in COMPONENTS:
            for position in ("", "left", "right")[: rng.choice([0, 1, 1, 1, 3])]:
                rows.append((job, component, position, day))
    findings = pd.DataFrame(rows, columns=["job", "component", "position", "day"])
    n = len(findings)
    findings["found"] = pick(["sound", "worn", "failed"], [0.4, 0.2, 0.4], n)
    findings["original"] = pick([None, "yes", "no", "unknown"], [0.1, 0.5, 0.3, 0.1], n)
    fitted = rng.choice([np.nan, 1978, 1986, 1995], n)
    findings["fitted_from"] = np.where(findings["original"].eq("no"), fitted, np.nan)
    findings["fitted_to"] = np.where(rng.random(n) < 0.5, findings["fitted_from"], np.nan)
    findings["arose"] = np.where(
        findings["found"].eq("failed"), pick(["as received", "during work"], [0.8, 0.2], n), "as received"
    )
    failed = np.where(findings["found"].eq("failed") & (rng.random(n) < 0.2), rng.integers(-3000, 300, n), 0)
    moment = findings["day"] + pd.to_timedelta(failed, unit="D")
    findings["failed_from"] = moment.where(failed != 0)
    findings["failed_to"] = (moment + pd.Timedelta(days=100)).where((failed != 0) & (rng.random(n) < 0.5))
    return jobs, findings.drop(columns="day")


def batch_of(jobs, findings, families=FAMILIES):
    """The batch that an archive gives of a ledger."""
    batch = jobs.merge(families, on="family").merge(findings, on="job", how="left")
    batch = batch[batch["component"].notna() | batch["ended_by"].notna()]
    batch = batch.sort_values(["taken_in", "job", "component", "position"], ignore_index=True)
    return batch[list(ARCHIVED.names)]


def count_findings(batch: pd.DataFrame, **given) -> Counts:
    """Count a frame of findings by an engine that sees it as a table."""
    connection = duckdb.connect()
    connection.register("findings", batch)
    return bulk.count_findings(connection, **given)


def said(records, names, year):
    """Every distinct life with how often it was told, mixtures as sorted alternatives."""
    table = pd.DataFrame(
        {name: getattr(records, name) for name in ("lower", "upper", "weight", "count", "record")}
    )
    table["name"], table["year"] = names, year
    told = {}
    for _, rows in table.groupby("record"):
        life = tuple(sorted(zip(rows["name"], rows["year"], rows["lower"], rows["upper"],
                                np.round(rows["weight"], 12), strict=True)))  # fmt: skip
        told[life] = told.get(life, 0) + rows["count"].iloc[0]
    return told


def counted(counts):
    told = {}
    for piece in counts.pieces():
        records, year = piece.lives()
        told |= said(records, [(piece.component, piece.families[s]) for s in records.stratum], year)
    return told


def observed(jobs, findings, event="failed"):
    seen = observe(jobs, findings, FAMILIES, event=event)
    records, _ = seen.life_records()
    names = list(zip(seen.table["component"], seen.table["family"], strict=True))
    return said(records, names, seen.table["year"]), seen


@pytest.mark.parametrize("event", ["failed", "needs work"])
@pytest.mark.parametrize("seed", range(3))
def test_counts_say_what_observe_says(seed, event):
    jobs, findings = some_ledger(seed)
    counts = count_findings(batch_of(jobs, findings), event=event)
    told, seen = observed(jobs, findings, event)
    assert counted(counts) == told
    assert counts.left_out.to_dict() == seen.left_out.to_dict()
    assert counts.assumed.to_dict() == seen.assumed.to_dict()
    assert counts.n_findings == seen.table["record"].nunique()
    assert counts.last_day == jobs["taken_in"].max()


def test_ages_are_those_of_observe_on_every_day_of_a_leap_year_and_another():
    # Ages are worked out once per day and shifted by whole years: no rounding may differ.
    days = np.arange(np.datetime64("2023-01-01"), np.datetime64("2025-01-01"))
    names, built = [f"B{i}" for i in range(days.size)], 1900.0 + np.arange(days.size) % 120
    when = {"built_from": built, "built_to": built, "taken_in": days.astype("datetime64[ns]")}
    jobs = job_table(job=names, family="Tarnwick T2", **when)
    findings = some_ledger(0)[1].iloc[[0] * days.size].reset_index(drop=True)
    findings = findings.assign(job=jobs["job"], original="yes", found="sound", arose="as received",
                               fitted_from=np.nan, failed_from=pd.NaT, failed_to=pd.NaT)  # fmt: skip
    assert counted(count_findings(batch_of(jobs, findings))) == observed(jobs, findings)[0]


def mean_years(table):
    """Mean year of production by family: a fitted part's own year is none."""
    table = table[~table["fitted"]].assign(weighed=lambda t: t["year"] * t["weight"]).groupby("family")
    return table["weighed"].sum() / table["weight"].sum()


def test_mean_year_is_that_of_production():
    jobs, findings = some_ledger(4)
    counts = count_findings(batch_of(jobs, findings))
    mean = mean_years(observe(jobs, findings, FAMILIES).table)
    assert_allclose(counts.mean_years(), mean.loc[counts.families], rtol=1e-12)
    alone = findings[findings["original"].eq("no")]
    only_fitted = count_findings(batch_of(jobs.assign(ended_by=None, ended_why=None), alone))
    assert np.isnan(only_fitted.mean_years()).all()


# ---- refusals


def test_unknown_event_lists_the_two():
    with pytest.raises(UnknownName, match=r"no event 'broken'; known: failed, needs work"):
        count_findings(batch_of(*some_ledger(0)), event="broken")


def test_family_of_two_kinds_is_named():
    batch = batch_of(*some_ledger(0))
    batch.loc[batch["family"].eq("Dallow 80").idxmax(), "kind"] = "turntable"
    with pytest.raises(InvalidInput, match=r"'Dallow 80' is said to be 'receiver' and 'turntable'"):
        count_findings(batch)


def test_items_are_taken_as_they_are_needed():
    taken = []
    items = (taken.append(i) or i for i in range(100))
    with ThreadPoolExecutor(1) as executor:
        answers = spread(str, items, executor, ahead=4)
        next(answers)
    assert len(taken) == 4


@pytest.fixture(scope="module")
def ledger():
    return some_ledger(9, 600)


@pytest.fixture(scope="module")
def counts(ledger):
    return count_findings(batch_of(*ledger))


@pytest.fixture(scope="module")
def table(counts):
    return lives_of_counts(counts)


def test_processes_give_the_same_to_the_last_digit(counts, table):
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as executor:
        pd.testing.assert_frame_equal(lives_of_counts(counts, executor=executor), table, check_exact=True)


def test_lives_are_those_of_the_whole(ledger, counts, table):
    seen = observe(*ledger, FAMILIES)
    records, labels = seen.life_records()
    fit = weibull_fits(records)
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
    year = mean_years(seen.table).loc[table["family"]].to_numpy()
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


def test_only_the_components_that_are_wanted(counts, table):
    belts = lives_of_counts(counts, components=["belt"])
    pd.testing.assert_frame_equal(belts, table[table["component"] == "belt"].reset_index(drop=True))
    assert lives_of_counts(counts, components=["idler"]).empty


def test_a_family_of_which_no_year_is_known_has_no_share_today():
    fitted = {"original": "no", "fitted_from": 1979, "fitted_to": 1980, "ended_by": None, "ended_why": None}
    told = lives_of_counts(count_findings(batch_of(*some_ledger(0)).assign(**fitted)))
    assert told["age_years"].isna().all()
    assert told[["failed", "failed_own"]].isna().all(axis=None)
    assert told["n_failed"].sum() > 0
