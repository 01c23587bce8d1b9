"""Repaired units after their sale: silence, checks, known days."""

import datetime

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from reliability.errors import InvalidInput
from reliability.life.curves import comebacks

SOLD = pd.Timestamp("2024-01-01")
AS_OF = datetime.date(2026, 1, 1)


def jobs(n, **changes):
    frame = pd.DataFrame(
        {
            "job": [f"B{i}" for i in range(n)],
            "family": "Dallow 80",
            "outcome": "repaired",
            "closed": pd.Timestamp("2023-11-01"),
            "sold_on": SOLD,
            "origin": None,
        }
    )
    return frame.assign(**changes)


def checks(*rows):
    """Rows of (job, day checked, working, day failed, component); days count from the sale."""
    frame = pd.DataFrame(rows, columns=["job", "checked_on", "working", "failed_on", "component"])
    for name in ("checked_on", "failed_on"):
        frame[name] = SOLD + pd.to_timedelta(frame[name].astype(float), unit="D")
    return frame


def came_back(n, *rows, as_of=AS_OF):
    """Comebacks of so many units sold on one day, by the checks in these rows."""
    return comebacks(jobs(n), checks(*rows), as_of)


def bounds(found):
    columns = found.table[["lower_days", "upper_days"]].itertuples(index=False, name=None)
    return dict(zip(found.table["job"], columns, strict=True))


def test_each_kind_of_check_becomes_its_interval():
    found = came_back(
        10,
        ("B0", 30, "yes", None, None),
        ("B0", 90, "yes", None, None),  # still working at 90
        ("B1", 30, "yes", None, None),
        ("B1", 90, "no", None, "belt"),  # between 30 and 90
        ("B2", 90, "no", None, None),  # before 90, by something not known
        ("B3", 90, "no", 50, "motor"),  # on day 50
        ("B4", 30, "no", None, "belt"),
        ("B4", 60, "yes", None, None),  # mended; the first comeback counts
        ("B5", 200, "no", 0, "belt"),  # on the day of the sale
        ("B6", -20, "no", -25, "belt"),  # before the sale
        ("B7", 0, "yes", None, None),  # on the day of the sale: nothing is known of later
        ("B9", 40, "no", -2, "belt"),  # had failed before it was sold
    )
    assert bounds(found) == {
        "B0": (90, np.inf), "B1": (30, 90), "B2": (0, 90), "B3": (50, 50), "B4": (0, 30), "B5": (0.5, 0.5),
    }  # fmt: skip
    assert found.table["component"].tolist() == [None, "belt", "not known", "motor", "belt", "belt"]
    assert found.left_out.to_dict() == {
        "imported from another source": 0,
        "neither sold nor closed on a known day": 0,
        "never checked": 1,
        "checked only before or on the day of the sale": 3,
    }
    assert len(found.table) + found.left_out.sum() == 10


def test_only_own_repaired_jobs_with_a_date_count():
    units = jobs(
        5,
        outcome=["repaired", "donor", "repaired", "repaired", "repaired"],
        origin=[None, None, "elsewhere", None, None],
        sold_on=[SOLD, SOLD, SOLD, pd.NaT, pd.NaT],
        closed=[SOLD, SOLD, SOLD, SOLD - pd.Timedelta(days=10), pd.NaT],
    )
    found = comebacks(units, checks(*((f"B{i}", 90, "yes", None, None) for i in range(5))), AS_OF)
    # B3 was never sold: its time counts from the end of the job
    assert bounds(found) == {"B0": (90, np.inf), "B3": (100, np.inf)}
    assert found.left_out["imported from another source"] == 1
    assert found.left_out["neither sold nor closed on a known day"] == 1


# ---- curves


def test_known_days_give_kaplan_meier():
    # By hand: 4 units, comebacks on days 10 (belt) and 30 (motor), last checks on days 20 and 40.
    found = came_back(
        4,
        ("B0", 50, "no", 10, "belt"),
        ("B1", 20, "yes", None, None),
        ("B2", 50, "no", 30, "motor"),
        ("B3", 40, "yes", None, None),
    )
    assert found.curve.method == "Kaplan-Meier"
    estimate, low, high = found.within([5, 10, 30, 41])
    assert_allclose(estimate, [0, 1 / 4, 1 - 3 / 4 * 1 / 2, np.nan])
    assert np.all(low <= high)


def test_comebacks_between_checks_give_turnbull():
    # By hand: cells (30, 60] and (90, inf); the records say 1 of 3 each, and one says (0, 90].
    found = came_back(
        3,
        ("B0", 30, "yes", None, None),
        ("B0", 60, "no", None, "belt"),
        ("B1", 90, "no", None, "motor"),
        ("B2", 90, "yes", None, None),
    )
    assert found.curve.method == "Turnbull"
    estimate, low, high = found.within([30, 60, 90])
    assert_allclose(estimate, [0, 2 / 3, 2 / 3], atol=1e-9)
    assert np.all(low <= estimate + 1e-9)
    assert np.all(estimate <= high)


def test_without_any_check_nothing_is_claimed():
    found = came_back(3)
    assert found.curve.status == "no records"
    estimate, low, high = found.within([30, 90])
    assert np.isnan(estimate).all()
    assert_array_equal(low, 0)
    assert_array_equal(high, 1)


# ---- refusals


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        *(({"days": days}, r"`days` must be finite and above 0; got \[") for days in (0, np.nan, np.inf)),
        ({"days": 30, "level": 90}, r"`level` must lie between 0 and 1; got 90"),
    ],
)
def test_questions_out_of_range_are_refused(asked, said):
    with pytest.raises(InvalidInput, match=said):
        came_back(1).within(**asked)
