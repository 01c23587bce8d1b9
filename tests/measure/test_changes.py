"""The study of the search for a change year, in small: it must run, and reject what misses a target."""

import numpy as np
import pandas as pd
import pytest

from tests.measure import changes


def says(monkeypatch, p_value):
    """Replace the search by one that always says the same of the year 1982."""
    answer = pd.DataFrame({"status": ["ok"], "p_value": p_value, "change_year": 1982.0})
    monkeypatch.setattr(changes, "find_changes", lambda *given, **options: answer)


def test_forms_are_curves_and_leave_something_open():
    age = np.linspace(29, 48, 50)
    for form, curve in changes.FORMS.items():
        share = curve(age)
        assert np.all((share >= 0) & (share <= 1) & (np.diff(share, prepend=0) >= 0)), form
        assert 0.03 < share.mean() < 0.97, form


def test_benches_are_drawn_as_described():
    bench = changes.Bench("uniform to 85", 4000, window_share=0.3, parts=2, factor=0.5)
    seen = bench.draw(np.random.default_rng(1))
    assert seen.year.size == len(seen.records) == 8000
    assert 0.25 < np.isnan(seen.year).mean() < 0.35
    late = seen.year >= bench.change
    # Uniform lives of half the scale: twice the share at any age, here at most 36/85 before.
    for chosen, factor in ((late, 0.5), (seen.year < bench.change, 1.0)):
        expected = np.mean(seen.age[chosen] / factor / 85)
        assert seen.failed[chosen].mean() == pytest.approx(expected, abs=0.03)


def test_a_search_that_never_or_always_finds_is_missed(monkeypatch):
    for p_value, percent in ((0.5, "0.0"), (0.01, "100.0")):
        says(monkeypatch, p_value)
        found = changes.alarm_rows(60, (30,))
        assert [row["ok"] for row in found if row["what"] == "30 units, forms with enough"] == [False]
        assert found[0]["measured"].startswith(f"{percent} %")


def test_power_counts_the_right_year(monkeypatch):
    says(monkeypatch, 0.01)
    assert "100 % of them within a year" in changes.power_rows(3, (30,))[0]["measured"]


def test_real_searches_run_through_every_part():
    assert changes.rate(changes.Bench("Weibull, shape 4", 30), 3).answered == 3
    assert len(changes.bench_rows(1, (12,))) == len(changes.BENCHES)
    assert "16 changes, 112 none" in changes.discovery_rows(2, (12,))[0]["measured"]
