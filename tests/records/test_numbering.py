"""What is a gap in the numbers of jobs, and what is none."""

import pytest

from reliability.records.values import missing_numbers


def gaps(*jobs: str) -> list[tuple[str, str, int]]:
    return [(gap.first, gap.last, gap.size) for gap in missing_numbers(jobs)]


@pytest.mark.parametrize(
    "jobs",
    [
        ("20240301", "20240305", "20240419"),  # a day each, with its century
        ("240301", "240402", "251231"),  # without it
        ("B-24-0301", "B-24-0419"),  # the year apart
        ("2024-03-01", "2024-03-02", "2024-04-29", "2024-04-01"),  # one month close together, one not
        ("2024030101", "2024030102", "2024051201"),  # a count of each day
    ],
)
def test_days_are_no_count(jobs):
    assert gaps(*jobs) == []


def test_a_count_behind_a_day_still_has_gaps():
    assert gaps("2024030101", "2024030104", "2024051201") == [("2024030102", "2024030103", 2)]


@pytest.mark.parametrize(
    ("jobs", "found"),
    [
        (("B-0042", "B-0045"), [("B-0043", "B-0044", 2)]),
        # Close together they are a count, although each would do for a day.
        (("240301", "240302", "240303", "240305"), [("240304", "240304", 1)]),
        # There is no 99th day: a count with its year.
        (("20240001", "20240099"), [("20240002", "20240098", 97)]),
        (("240301", "240399"), [("240302", "240398", 97)]),
        (("0301", "0419"), [("0302", "0418", 117)]),  # no year, so no day
        (("deck2-00101", "deck2-00131"), [("deck2-00102", "deck2-00130", 29)]),
    ],
)
def test_a_count_has_gaps(jobs, found):
    assert gaps(*jobs) == found


def test_years_begin_anew():
    assert gaps("20230001", "20230002", "20240001", "20240003") == [("20240002", "20240002", 1)]
