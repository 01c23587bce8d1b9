"""What must not change while the package is rebuilt inside, and proof that a change is seen."""

import pytest

from tests.golden.comparing import differences
from tests.golden.making import KEPT, PARTS, kept_files

VERDICTS = "verdicts/careless.csv"
SCRIPT = "scripted/commands.txt"


@pytest.mark.parametrize("part", PARTS)
def test_nothing_changed(part):
    made, kept = PARTS[part](), kept_files(part)
    found = [
        each
        for file in sorted({*made, *kept})
        for each in differences(file, kept.get(file, ""), made.get(file, ""))
    ]
    assert not found, "\n".join(["", *found, "meant? `python -m tests.golden --write`, and say why"])


def test_every_kept_file_is_of_a_part():
    assert {file for part in PARTS for file in kept_files(part)} == set(kept_files("**/*"))
    assert all(path.stat().st_size < 300_000 for path in KEPT.rglob("*"))


HEAD = "offer,verdict,ceiling,expected_gain,gain_low,gain_high,success_chance,chief_risk,note,asked\n"
ROW = HEAD + "a,skip,40.00,-10.10,-80.00,120.00,0.5000,belt,,50.05\n"
TIED = ROW.replace("belt,,", "belt,year unknown; belt and head end as many jobs,")
FIT = "stratum,status,scale\n0,ok,30\n"
SAID = "$ benchodds show 1\nnow  3 h\n\n$ benchodds judge\na  take  12.34  61 %  7\n! heard\n"


@pytest.mark.parametrize(
    ("file", "kept", "old", "new", "told"),
    [
        (
            VERDICTS,
            ROW,
            "a,skip",
            "a,try one",
            "in 1 of 1 rows: a: skip -> try one (allowed: another one",
        ),
        (VERDICTS, ROW, "40.00", "40.07", "ceiling differs in 1 of 1 rows: a: 40.00 -> 40.07"),
        (VERDICTS, ROW, "0.5000", "0.5004", "success_chance differs in 1 of 1 rows: a: 0.5000 -> 0.5004"),
        (VERDICTS, TIED, ",belt,", ",gear,", "chief_risk differs in 1 of 1 rows: a: belt -> gear"),
        (VERDICTS, TIED, "year unk", "unk", "note differs in 1 of 1 rows: a: year unknown; belt"),
        (VERDICTS, ROW, "\na,", "\nb,", "other columns or rows: 1 of offer"),
        ("fits.csv", FIT, "30", "30.0001", "scale differs in 1 of 1 rows: 0: 30 -> 30.0001"),
        (SCRIPT, SAID, "3 h", "3.5 h", "$ benchodds show 1\n    - now  3 h\n    + now  3.5 h"),
        (SCRIPT, SAID, "12.34", "12.36", "- a  take  12.34  61 %  7\n    + a  take  12.36"),
        (SCRIPT, SAID, "%  7", "%  8", "- a  take  12.34  61 %  7\n    + a  take  12.34  61 %  8"),
        (SCRIPT, SAID, SAID, "", "scripted/commands.txt is no longer made"),
        ("scripted/export/jobs.csv", "job\r\n1\r\n", "1\r", "1.0\r", "jobs.csv: +1.0\r"),
    ],
)
def test_a_change_is_told(file, kept, old, new, told):
    assert told in "\n".join(differences(file, kept, kept.replace(old, new)))


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (VERDICTS, ROW, ROW.replace("a,skip", "a,haggle")),  # the price asked is 1.25 of the ceiling
        (VERDICTS, ROW, ROW.replace("40.00", "40.05").replace("0.5000", "0.5003")),
        (VERDICTS, TIED, ROW.replace("belt,,", "head,year unknown,")),
        (SCRIPT, SAID, SAID.replace("  12.34  61 %", " 12.35  60 %")),
        ("fits.csv", FIT, FIT.replace("30", "30.00002")),
        ("pages/a.txt", "$ benchodds report\nup to 54 EUR\n", "$ benchodds report\nup to 55 EUR\n"),
    ],
)
def test_rounding_noise_is_let_through(file, old, new):
    assert differences(file, old, new) == []
    assert differences(file, old, new, exact=True) != []
