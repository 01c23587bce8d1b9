"""What must not change while the package is rebuilt inside, and proof that a change is seen."""

import pytest

from tests.golden.comparing import differences
from tests.golden.making import KEPT, PARTS, kept_files

VERDICTS = "verdicts/careless.csv"
SCRIPT = "scripted/transcript.txt"


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
ROW = HEAD + "a,skip,40.00,-10.10,-80.00,120.00,0.5000,belt,,50.1\n"
TIED = ROW.replace("belt,,", "belt,year unknown; belt and head end as many jobs,")
SHOWN = '$ benchodds show 1\nhours  3 h\n\n$ benchodds judge\na  take  12.34  61 %  7\n! heard\n'


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        (VERDICTS, ROW, ROW.replace("a,skip", "a,try one"), "verdict differs in 1 of 1 rows: a: skip -> try one (all"),
        (VERDICTS, ROW.replace("50.1", "51"), ROW.replace("skip", "haggle").replace("50.1", "51"), "verdict differs"),
        (VERDICTS, ROW, ROW.replace("40.00", "40.41"), "ceiling differs in 1 of 1 rows: a: 40.00 -> 40.41"),
        (VERDICTS, ROW, ROW.replace("0.5000", "0.5021"), "success_chance differs in 1 of 1 rows: a: 0.5000 -> 0.5021"),
        (VERDICTS, ROW, ROW.replace("0.5000", ""), "success_chance differs in 1 of 1 rows: a: 0.5000 -> empty"),
        (VERDICTS, TIED, TIED.replace(",belt,", ",gear,"), "chief_risk differs in 1 of 1 rows: a: belt -> gear"),
        (VERDICTS, TIED, TIED.replace("year unknown", "no year"), "note differs in 1 of 1 rows: a: year unknown"),
        (VERDICTS, ROW, HEAD, "other columns or rows: 1 rows"),
        ("fits.csv", "stratum,status\n0,ok\n", "stratum,status\n0,not found\n", "status differs in 1 of 1 rows: 0: ok"),
        ("fits.csv", "stratum,scale\n0,30\n", "stratum,scale\n0,30.0001\n", "scale differs in 1 of 1 rows: 0: 30 -> 3"),
        (SCRIPT, SHOWN, SHOWN.replace("3 h", "3.5 h"), "$ benchodds show 1\n    - hours  3 h\n    + hours  3.5 h"),
        (SCRIPT, SHOWN, SHOWN.replace("heard", "unheard"), "$ benchodds judge\n    - ! heard\n    + ! unheard"),
        (SCRIPT, SHOWN, SHOWN.replace("12.34", "12.36"), "$ benchodds judge\n    - a  take  12.34  61 %  7\n    + a"),
        (SCRIPT, SHOWN, SHOWN.replace("%  7", "%  8"), "$ benchodds judge\n    - a  take  12.34  61 %  7\n    + a"),
        (SCRIPT, SHOWN, "", "scripted/transcript.txt is no longer made"),
        ("scripted/export/jobs.csv", "job\r\n1\r\n", "job\r\n1.0\r\n", "jobs.csv: +1.0\r"),
    ],
)  # fmt: skip
def test_a_change_is_told(file, old, new, said):
    assert said in "\n".join(differences(file, old, new))


@pytest.mark.parametrize(
    ("file", "old", "new"),
    [
        (VERDICTS, ROW, ROW.replace("a,skip", "a,haggle")),  # the price asked lies at 1.25 of the ceiling
        (VERDICTS, ROW, ROW.replace("40.00", "40.39").replace("0.5000", "0.5019")),
        (VERDICTS, TIED, ROW.replace("belt,,", "head,year unknown,")),
        (SCRIPT, SHOWN, SHOWN.replace("  12.34  61 %", " 12.35  60 %")),
        ("fits.csv", "stratum,scale\n0,30\n", "stratum,scale\n0,30.00002\n"),
    ],
)
def test_rounding_noise_is_let_through(file, old, new):
    assert differences(file, old, new) == []
    assert differences(file, old, new, exact=True) != []
