"""Gains by hand, prices above their kin, and what purchases say."""

import datetime
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.records.frames import records_from_rows
from reliability.worth import money
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import missing_by_season, read_bench, share_unfinished_repaired
from reliability.worth.money import fit_prices, job_gains, purchase_news, working_prices
from reliability.worth.review import explain
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
NAME = "Larkov T1"
TERMS = {"hour_rate": "10", "selling_fee": "0.1", "disposal_cost": "5", "warranty_days": "90"}


@pytest.fixture
def rows():
    more = {"other_costs": 4.0}
    return {
        "families": [
            {"family": NAME, "kind": "tape deck", "working_price": 100.0},
            {"family": "Larkov T2", "kind": "tape deck"},
            {"family": "Larkov S1", "kind": "turntable"},
        ],
        "jobs": [
            job(1, NAME, "repaired", salvage_value=3.0, **more),
            job(2, NAME, "scrapped", **more),
            job(3, NAME, "donor", salvage_value=15.0, **more),
            job(4, NAME, "sold as is", sold_for=12.0, sold_on="2024-06-01", **more),
            job(5, NAME, "repaired", sold_for=None, sold_on=None, **more),
        ],
        "findings": [
            finding(1, "belt", "failed", action="replaced", part_cost=6.0),
            finding(1, "capacitor", "worn", action="replaced", part_cost=2.0),
        ],
        "settings": [{"setting": name, "value": value} for name, value in TERMS.items()],
        # Job 1 was sold on 2024-02-02; of these checks the first falls within 90 days.
        "followups": [
            {"job": "1", "checked_on": "2024-03-01", "working": "no", "hours": 0.5, "cost": 2.0},
            {"job": "1", "checked_on": "2024-09-01", "working": "no", "hours": 3.0, "cost": 50.0},
        ],
    }


def gains(rows):
    records = records_from_rows(rows)
    return job_gains(records, fit_appraiser(records, DAY)).set_index("job")


def test_gains_by_hand(rows):
    table = gains(rows)
    # 100 * 0.9 + 3 - 20 - 3 * 10 - 4 - (6 + 2) - (0.5 * 10 + 2)
    assert table.loc["1", "gain"] == pytest.approx(24.0)
    # -5 (disposal) - 20 - 30 - 4
    assert table.loc["2", "gain"] == pytest.approx(-59.0)
    # 15 - 20 - 30 - 4
    assert table.loc["3", "gain"] == pytest.approx(-39.0)
    # 12 * 0.9 - 20 - 30 - 4
    assert table.loc["4", "gain"] == pytest.approx(-43.2)
    assert (table.loc[["1", "2", "3", "4"], "predicted"] == "").all()


def test_an_unsold_unit_counts_at_its_price_and_says_so(rows):
    row = gains(rows).loc["5"]
    assert row["predicted"] == "price"
    assert row["brought"] == pytest.approx(90.0, abs=9.0)
    assert row["gain"] == pytest.approx(row["brought"] - 54.0)


def test_missing_amounts_are_predicted_and_named(rows):
    rows["jobs"][0] |= {"hours": None, "other_costs": None, "bought_for": None}
    rows["findings"][0]["part_cost"] = None
    row = gains(rows).loc["1"]
    assert row["predicted"] == "purchase, hours, parts, other costs"
    assert row["bought_for"] == 20.0
    assert row["part_costs"] > 2.0
    assert row["hours"] > 0
    parts = ["bought_for", "time_cost", "part_costs", "other_costs", "comeback_costs"]
    assert row["gain"] == pytest.approx(row["brought"] - row[parts].sum())


def test_gaps_belong_to_the_season_of_the_numbers_around_them(rows):
    came = {"1": "2019-03-01", "5": "2019-05-01", "8": "2022-06-01", "13": "2022-07-01", "X4": "2020-01-01"}
    jobs = [{**job(1, NAME, "repaired"), "job": n, "taken_in": day} for n, day in came.items()]
    records = records_from_rows({"families": rows["families"], "jobs": jobs})
    # 2 to 4 came in 2019, 9 to 12 in 2022; the middle of 6 and 7 lies in November 2020.
    assert missing_by_season(records.jobs, DAY) == {2019: 3, 2020: 2, 2022: 4}
    # Withdrawn numbers are no gap, but tell of what lies between: of X5 to X8 only by the day of X4, of
    # Y2 nothing, so it is laid into the year of the appraisal.
    withdrawn = ["2", "3", "X9", "Y1", "Y3"]
    assert missing_by_season(records.jobs, DAY, withdrawn) == {2019: 1, 2020: 2 + 4, 2022: 4, DAY.year: 1}


def test_open_jobs_are_weighed_by_how_long_they_lie():
    # Two repaired at once, two given up after 100 days; open ones of 5 and 60 days.
    jobs = [
        job(n, NAME, outcome, taken_in="2024-05-01", closed=closed, sold_on=None, sold_for=None)
        for n, (outcome, closed) in enumerate(
            [("repaired", "2024-05-01")] * 2 + [("scrapped", "2024-08-09")] * 2, start=1
        )
    ]
    jobs += [job(n, NAME, "open", taken_in=day) for n, day in ((5, "2025-01-05"), (6, "2024-11-11"))]
    families = [{"family": NAME, "kind": "tape deck"}]
    bench = read_bench(records_from_rows({"families": families, "jobs": jobs}), DAY)
    # Among the two that took longer none was repaired; two jobs at the overall odds of 1/2 are added.
    assert share_unfinished_repaired(bench).tolist() == [0.25, 0.25]


def test_selling_takes_time_of_what_is_sold_and_of_nothing_else(rows):
    without = gains(rows)
    rows["settings"].append({"setting": "selling_hours", "value": "1.5"})
    rows["jobs"].append(job(6, NAME, "sold as is", sold_for=0.0, sold_on="2024-06-01"))
    found = gains(rows)
    # At 10 an hour; the unit that is repaired and kept counts as sold, the one that was given away does not.
    less = without["gain"] - found["gain"]
    assert less["1"] == pytest.approx(15.0)
    assert less[["2", "3"]].tolist() == pytest.approx([0.0, 0.0])
    assert less["4"] == pytest.approx(15.0)
    assert found.loc["6", "time_cost"] == pytest.approx(30.0)
    assert found.loc["5", "time_cost"] == pytest.approx(45.0)


def test_selling_time_is_in_the_verdict_of_what_will_be_sold(bench_rows):
    rows = {**bench_rows, "settings": [{"setting": "hour_rate", "value": "10"}]}
    slow = {**rows, "settings": [*rows["settings"], {"setting": "selling_hours", "value": "2"}]}
    fits = [fit_appraiser(records_from_rows(each), DAY) for each in (rows, slow)]
    for shift, more in ((50.0, 20.0), (-50.0, 0.0)):  # surely repaired, surely not
        entries = [replace(fit.families["Larkov T1"], shift=shift) for fit in fits]
        sure = [replace(fit, families={each.family: each}) for fit, each in zip(fits, entries, strict=True)]
        quick, less = (explain(fit, family="Larkov T1").appraisal.gain_free.mean() for fit in sure)
        assert quick - less == pytest.approx(more, abs=0.01)


# ---- prices above those of their kin


KIND, DEAR = "tape deck", "Zorvane 1"
ONE_DEAR = {**{f"Larkov T{n:02d}": 100.0 for n in range(1, 12)}, DEAR: 300.0}


def fitted(stated, sold=(), n_signs=0, kind_of=None):
    """Fit stated prices and sales, (family, price) each. The name of a kind is an unknown family of it."""
    kind_of = kind_of or dict.fromkeys(stated, KIND)
    families = [
        {"family": name, "kind": kind_of[name], "working_price": price} for name, price in stated.items()
    ]
    jobs = [job(n, name, "repaired", sold_for=fetched) for n, (name, fetched) in enumerate(sold, start=1)]
    bench = read_bench(records_from_rows({"families": families, "jobs": jobs}), DAY)
    price = working_prices(bench)
    ratio, signs = fit_prices(bench, price, np.zeros((len(jobs), n_signs)), np.zeros(price.mean.size))

    def by_name(values):
        return dict(zip((*bench.families, *bench.kinds), values[:-1], strict=True))

    return SimpleNamespace(
        price=by_name(price.mean),
        ratio=by_name(ratio.mean),
        doubt=by_name(ratio.doubt),
        signs=signs,
    )


def test_before_any_sale_a_price_far_above_its_kin_is_drawn_towards_them():
    found = fitted(ONE_DEAR)
    # Twelve prices known equally well: that of the kind is their geometric mean, a twelfth of log 3 up. Of
    # the twelve, eleven are others.
    above, below = np.log(3) * (11 / 12) ** 2, -np.log(3) / 12 * 11 / 12
    assert money.ABOVE_KIN < 0
    assert_allclose(found.ratio[DEAR], money.ABOVE_KIN * above, rtol=1e-6)
    others = [found.ratio[name] for name in ONE_DEAR if name != DEAR]
    assert_allclose(others, money.ABOVE_KIN * below, rtol=1e-6)
    assert found.ratio[KIND] == pytest.approx(0.0, abs=1e-12)
    # How far it should be drawn is in doubt, and the more so the farther it is off.
    more = found.doubt[DEAR] ** 2 - found.doubt["Larkov T01"] ** 2
    assert_allclose(more, money.ABOVE_KIN_SD**2 * (above**2 - below**2), rtol=1e-6)


def test_what_signs_do_to_a_price_is_told_apart_from_the_other_effects():
    found = fitted(ONE_DEAR, n_signs=2)
    assert_allclose(found.signs, np.full(2, money.PRICE_SIGN_MEAN))


def test_prices_may_still_move_until_a_unit_on_offer_is_sold(monkeypatch):
    sold = [("Larkov T01", 100.0)] * 40
    found, after = fitted(ONE_DEAR), fitted(ONE_DEAR, sold)
    monkeypatch.setattr(money, "YEARS_AHEAD", 0.0)
    at_once, after_at_once = fitted(ONE_DEAR), fitted(ONE_DEAR, sold)
    # By hand: before any sale both walks add the mean of their prior variances, for half a year.
    steps = np.mean([0.03**2, 0.1**2]) + np.mean([0.03**2, 0.08**2])
    for name in (DEAR, "Larkov T01"):
        assert_allclose(found.doubt[name] ** 2 - at_once.doubt[name] ** 2, 0.5 * steps, rtol=1e-6)
        assert_allclose(found.ratio[name], at_once.ratio[name], atol=1e-12)
    # No sale says what comes next; at most it tells how far the walks go.
    more = after.doubt["Larkov T01"] ** 2 - after_at_once.doubt["Larkov T01"] ** 2
    assert 0.5 * 2 * 0.03**2 <= more <= 0.5 * (0.1**2 + 0.08**2)


# ---- what the prices paid say of a family


def news_of(paid_by_family, **family):
    """Six jobs of each family; families are alike but for what was paid."""
    jobs = [
        job(6 * i + n, name, "repaired", bought_for=paid)
        for i, (name, paid) in enumerate(paid_by_family.items())
        for n in range(6)
    ]
    families = [
        {"family": name, "kind": "tape deck", "working_price": 110.0, **family} for name in paid_by_family
    ]
    families.append({"family": "Zorvane 1", "kind": "tape deck", "working_price": 110.0})
    bench = read_bench(records_from_rows({"families": families, "jobs": jobs}), DAY)
    found = purchase_news(bench, working_prices(bench), np.zeros(len(bench.families) + 2))
    return dict(zip(bench.families, found, strict=False)), found


def test_families_dearer_than_alike_ones_have_good_news():
    news, found = news_of({"Larkov T1": 60.0, "Larkov T2": 20.0, "Larkov T3": 20.0, "Larkov T4": 20.0})
    assert news["Larkov T1"] > 0.1 > 0 > news["Larkov T2"]
    # Drawn towards 0: the plain difference of the logarithms is log 3.
    assert news["Larkov T1"] - news["Larkov T2"] < np.log(3)
    assert news["Zorvane 1"] == 0
    assert found.shape == (5 + 2,)
    assert_allclose(found[-2:], 0)


def test_gifts_and_unknown_prices_say_nothing():
    _, found = news_of({"Larkov T1": 0.0, "Larkov T2": None})
    assert_allclose(found, 0)
