"""Studies: kept by content, read back whole, rounded to what is seen."""

import datetime
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from reliability.report.study import Study, coarse, load_study, lowered, rounded, write_whole


def a_study(**facts: object) -> Study:
    frame = pd.DataFrame(
        {
            "component": ["belt", None],
            "failed": [0.25, np.nan],
            "records": [3, 0],
            "is_drawn": [True, False],
            "seen": pd.to_datetime(["2026-05-17", None]),
        }
    )
    return Study("family", "Tarnwick T2", facts, {"parts": frame})


def test_a_study_comes_back_as_it_was(tmp_path: Path) -> None:
    study = a_study(
        day=datetime.date(2026, 5, 17), ceiling=35.0, notes=["a", "b"], none=None, demo=np.bool_(True)
    )
    back = load_study(study.save(tmp_path))
    assert back.fingerprint == study.fingerprint
    assert back.facts == {"day": "2026-05-17", "ceiling": 35, "notes": ["a", "b"], "none": None, "demo": True}
    parts = back.tables["parts"]
    assert parts.component.tolist() == ["belt", None]
    assert parts.failed.dtype == float
    assert np.isnan(parts.failed[1])
    assert parts.is_drawn.dtype == bool
    assert parts.seen.tolist() == ["2026-05-17", None]


def test_content_alone_makes_the_fingerprint() -> None:
    first = Study("family", "T2", {"a": 1, "b": 2.0})
    assert Study("family", "T2", {"b": 2, "a": np.int64(1)}).fingerprint == first.fingerprint
    assert Study("family", "T2", {"a": 1, "b": 3}).fingerprint != first.fingerprint


def test_a_kept_study_is_not_written_twice(tmp_path: Path) -> None:
    path = a_study().save(tmp_path)
    before = path.stat().st_mtime_ns
    assert a_study().save(tmp_path) == path
    assert path.stat().st_mtime_ns == before


def test_a_damaged_or_missing_study_says_what_to_do(tmp_path: Path) -> None:
    path = a_study().save(tmp_path)
    path.write_text(path.read_text().replace("belt", "gear"))
    with pytest.raises(
        InvalidInput, match=r"cannot be read \(its content does not match.*Make the report again"
    ):
        load_study(path)
    with pytest.raises(InvalidInput, match=r"study none\.json cannot be read"):
        load_study(tmp_path / "none.json")


@pytest.mark.parametrize(
    ("value", "message"), [(float("inf"), "infinite number"), ({"a": 1}, r"cannot hold \{'a': 1\} \(dict\)")]
)
def test_what_json_cannot_hold_is_refused(value: object, message: str) -> None:
    with pytest.raises(InvalidInput, match=message):
        a_study(bad=value).to_text()


def test_rounding_hides_what_cannot_be_seen() -> None:
    frame = pd.DataFrame({"failed": [0.123456, -0.0001], "name": ["a", "b"]})
    out = rounded(frame, failed=2)
    assert out.failed.tolist() == [0.12, 0.0]
    assert not np.signbit(out.failed[1])
    assert frame.failed[0] == 0.123456


def test_a_file_is_replaced_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("old")
    with pytest.raises(UnicodeEncodeError):
        write_whole(path, "half \ud800")
    assert path.read_text() == "old"
    assert [each.name for each in tmp_path.iterdir()] == ["page.html"]


def test_probabilities_are_told_no_finer_than_they_are_known() -> None:
    frame = pd.DataFrame({"failed": [0.004, 0.083, 0.113, 0.632, 0.87, 0.963, np.nan]})
    out = coarse(frame, "failed").failed
    assert out[:6].tolist() == [0.0, 0.08, 0.1, 0.65, 0.85, 0.96]
    assert np.isnan(out[6])


def test_prices_to_go_up_to_are_never_rounded_up() -> None:
    frame = pd.DataFrame({"ceiling": [87.9, 1.0, 0.6, 0.4, -3.2, float("nan")], "asked": 87.9})
    out = lowered(frame, "ceiling")
    assert out.ceiling.tolist()[:5] == [87.0, 1.0, 1.0, 0.0, -3.0]
    assert pd.isna(out.ceiling.iloc[5])
    assert (out.asked == 87.9).all()
    assert frame.ceiling.iloc[0] == 87.9


@pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")
def test_a_study_that_others_may_have_written_is_not_read(tmp_path: Path) -> None:
    path = a_study().save(tmp_path / "studies")
    assert path.stat().st_mode & 0o777 == 0o600
    for place, mode in ((path, 0o622), (path.parent, 0o770)):
        place.chmod(mode)
        with pytest.raises(
            InvalidInput, match=r"cannot be read \(it or its folder is not yours alone to write\)"
        ):
            load_study(path)
        place.chmod(0o700)
    load_study(path)
