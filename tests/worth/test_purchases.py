"""What the prices paid say of a family."""

import datetime

import numpy as np
from numpy.testing import assert_allclose

from reliability.records.frames import records_from_rows
from reliability.worth.bench import read_bench
from reliability.worth.money import purchase_news, working_prices
from tests.worth.ledgers import job

DAY = datetime.date(2025, 1, 10)


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
