"""File names of pages."""

from hypothesis import given
from hypothesis import strategies as st

from reliability.report.format import slugs


def test_plain_names_stay_readable() -> None:
    assert slugs(["Tarnwick T2", "Dallow 80 – S"]) == {
        "Tarnwick T2": "tarnwick-t2",
        "Dallow 80 – S": "dallow-80-s",
    }


def test_names_that_would_share_a_file_are_told_apart() -> None:
    found = slugs(["T-2", "T 2", "t2"])
    assert found["t2"] == "t2"
    assert len(set(found.values())) == 3
    assert all(found[each].startswith("t-2-") for each in ("T-2", "T 2"))


def test_a_name_without_latin_letters_or_of_a_device_gets_a_mark() -> None:
    found = slugs(["עברית", "con", "Ω 3"])
    assert found["con"].startswith("con-")
    assert found["Ω 3"].startswith("3-")
    assert len(found["עברית"]) == 8


@given(st.sets(st.text(min_size=1, max_size=90), max_size=12))
def test_every_name_gets_a_safe_file_of_its_own(names: set[str]) -> None:
    found = slugs(sorted(names))
    assert len(set(found.values())) == len(names)
    for slug in found.values():
        assert slug
        assert len(slug) < 80
        assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert not slug.startswith("-")
