"""Rows of the ledger in words."""

import pandas as pd

from reliability.report.format import found_by_job, window

NAN = float("nan")


def test_windows_of_years() -> None:
    assert window(1979, 1979) == "1979"
    assert window(1979, 1984) == "1979 to 1984"
    assert window(1979, NAN) == "from 1979"
    assert window(NAN, 1984) == "until 1984"
    assert window(NAN, NAN) == ""


def test_what_was_found_is_said_worst_first() -> None:
    findings = pd.DataFrame(
        [
            ("1", "belt", "", "sound", "as received", "none"),
            ("1", "gear", "", "worn", "as received", "serviced"),
            ("1", "head", "left", "failed", "as received", "replaced"),
            ("1", "switch", "", "failed", "during work", "none"),
            ("2", "belt", "", "sound", "as received", "none"),
        ],
        columns=["job", "component", "position", "found", "arose", "action"],
    )
    assert found_by_job(findings) == {
        "1": "head (left) failed, replaced; switch failed during work; gear worn, serviced; 1 sound",
        "2": "1 sound",
    }
