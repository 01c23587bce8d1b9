import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput
from reliability.worth.judging import find_entry, offers_from, read_offers, read_unit
from reliability.worth.odds import MOST_SEEN

DAY = datetime.date(2025, 1, 10)


def write(tmp_path, text):
    path = tmp_path / "offers.csv"
    path.write_bytes(text.encode())
    return path


def test_an_offers_file_is_read_whatever_its_column_order(tmp_path):
    header = "\ufeffrust,asked,offer,family,built_from,seen_on\r\n"
    text = header + 'yes,12.50," a ",Larkov T1,1982,2026-05\r\n,,b,Larkov T1,,\r\n'
    offers = read_offers(write(tmp_path, text))
    assert offers["offer"].tolist() == ["a", "b"]
    assert offers["rust"].tolist() == ["yes", None]
    assert_allclose(offers["asked"], [12.5, np.nan])
    assert offers.loc[0, "built_to"] == offers.loc[0, "built_from"] == 1982
    assert str(offers.loc[0, "seen_on"].date()) == "2026-05-16"
    assert "model" in offers.columns


def test_what_was_kept_from_a_spreadsheet_is_read_as_it_was_meant(tmp_path):
    text = "offer,family,'=wet\r\n'+1,'-Larkov,yes\r\n'quoted',''@x,no\r\n"
    offers = read_offers(write(tmp_path, text))
    assert offers["offer"].tolist() == ["+1", "'quoted'"]
    assert offers["family"].tolist() == ["-Larkov", "'@x"]
    assert offers["=wet"].tolist() == ["yes", "no"]


def test_every_fault_of_a_file_is_told_at_once(tmp_path):
    text = (
        "offer,family,built_from,built_to,asked,seen_on,rust\n"
        "a,Larkov T1,82,,12,03/04/2024,yes\n"
        "a,,,,-5,,perhaps\n"
        ",Larkov T1,1990,1980,1,,\n"
        "d,Larkov T1,1900,1990,\n"
    )
    with pytest.raises(InvalidInput, match="Nothing was judged") as caught:
        read_offers(write(tmp_path, text))
    told = "\n".join(caught.value.faults)
    for part in (
        "offers.csv, line 2, column built_from: '82' is not a four-digit year",
        "offers.csv, line 2, column seen_on: '03/04/2024' is not a date",
        "offers.csv, line 3, column asked: '-5' is not at least 0",
        "offers.csv, line 3, column rust: read as a sign: 'perhaps' is not one of yes, no",
        "offers.csv, line 3: names neither family nor model nor kind",
        "offers.csv, line 4, column built_to: the window 1990 to 1980 must run forwards",
        "offers.csv, line 5: 5 cells, the header has 7",
        "'a' is used 2 times",
    ):
        assert part in told


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "offers.csv is empty: a header row"),
        ("offer,asked\nx,1\n", "there is no column family, model or kind; found: offer, asked"),
        ("family,asked,asked\na,1,2\n", "column asked: occurs more than once"),
        ("family,\na,1\n", "a column has no name"),
        ('offer,family\na,"open\n', "Quotes must pair up"),
        ("offer,family,askd\na,Larkov T1,25\n", "Did you mean the column 'asked'"),
        ("offer,family\n2,Larkov T1\n,Larkov T1\n", "column offer: '2' is used 2 times"),
        (b"offer,family\na,M\xf6bius\n", r"is not UTF-8 .byte 16."),
        (None, r"offers.csv could not be read: No such file"),
    ],
)
def test_a_broken_file_is_told_in_one_line(tmp_path, text, message):
    path = tmp_path / "offers.csv"
    if text is not None:
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InvalidInput, match=message):
        read_offers(path)


def offer(**cells):
    return offers_from([{"offer": "1", **cells}]).to_dict("records")[0]


def test_family_model_and_kind_find_the_entry(bench_appraiser):
    for cells in ({"family": "Larkov T1"}, {"model": "Larkov T1"}):
        entry, notes = find_entry(offer(**cells), bench_appraiser)
        assert (entry.family, notes) == ("Larkov T1", [])
    new = {"kind": "tape deck", "working_price": 80.0}
    for cells in ({"family": "Larkow T1", **new}, {"family": "Zorvel", "kind": "tape deck"}):
        entry, notes = find_entry(offer(**cells), bench_appraiser)
        assert (entry.family, entry.kind) == ("", "tape deck")
        assert notes == [f"unknown family {cells['family']}", "judged from all of kind tape deck"]
    entry, notes = find_entry(offer(family="Zorvel", kind="radio"), bench_appraiser)
    assert entry.kind == ""
    assert notes == ["unknown family Zorvel", "unknown kind radio", "judged from all kinds"]


NEW = "if it is new indeed, give its kind and a working_price"


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        *(
            (more, f"the ledger has no family 'Larkow T1'. Did you mean 'Larkov T1'? Correct it, or {NEW}.")
            for name in [{"family": "Larkow T1"}]
            for more in (name, {**name, "kind": "tape deck"}, {**name, "working_price": 80.0})
        ),
        (
            {"model": "larkov t1"},
            f"the ledger has no model 'larkov t1'. Did you mean 'Larkov T1'? Correct it, or {NEW}.",
        ),
        (
            {"family": "Zorvel", "kind": "tape dcek", "working_price": 80.0},
            "the ledger has no kind 'tape dcek'. Did you mean 'tape deck'? Correct it, or leave it out.",
        ),
        (
            {"family": "Larkov T1", "kind": "radio"},
            "family 'Larkov T1' is of kind 'tape deck' in the ledger, but the offer says 'radio'. "
            "Correct one of the two.",
        ),
    ],
)
def test_a_near_miss_of_a_known_name_asks_and_a_contradiction_is_refused(bench_appraiser, cells, said):
    with pytest.raises(InvalidInput) as refused:
        find_entry(offer(**cells), bench_appraiser)
    assert str(refused.value) == f"Offer 1: {said}"


def test_a_model_of_another_family_is_refused_and_an_unknown_one_noted(demo_appraiser):
    model, family = next(iter(demo_appraiser.models.items()))
    other = next(name for name in demo_appraiser.families if name != family)
    said = f"has model {model!r} in family {family!r}, but the offer says {other!r}. Correct one of the two"
    with pytest.raises(InvalidInput, match=said):
        find_entry(offer(model=model, family=other), demo_appraiser)
    entry, notes = find_entry(offer(family=family, model="Zorvel"), demo_appraiser)
    assert (entry.family, notes) == (family, ["unknown model Zorvel"])


def unit_of(bench_appraiser, **cells):
    row = offer(**{"family": "Larkov T1", **cells})
    entry, _ = find_entry(row, bench_appraiser)
    return read_unit(row, entry, bench_appraiser, DAY)


def test_ages_follow_the_documented_rule(bench_appraiser):
    # Seen on 10 January 2025, built in the middle of 1982: 42.53 years, to a twelfth 42.5.
    unit, notes = unit_of(bench_appraiser, built_from=1982)
    assert_allclose(unit.age_years, [42.5])
    assert notes == []
    unit, _ = unit_of(bench_appraiser, built_from=1982, built_to=1984, seen_on="2026-07-02")
    assert_allclose(unit.age_years, [44.0, 43.0, 42.0])
    assert_allclose(unit.weight, 1 / 3)


def test_without_a_year_the_span_serves_and_is_told(bench_appraiser):
    unit, notes = unit_of(bench_appraiser)
    assert unit.year.tolist() == [1981, 1982, 1983, 1984, 1985, 1986]
    assert notes == ["production year not given, 1981 to 1986 assumed"]


def test_what_the_records_do_not_know_is_told(bench_appraiser):
    unit, notes = unit_of(bench_appraiser, built_from=1950, rust="yes", hum="no")
    assert notes[0].startswith("older than any on record (4")
    assert notes[1] == "sign hum is on no record, ignored"
    assert unit.signs.tolist() == [1.0]


def test_more_signs_than_are_weighed_together_are_told(demo_appraiser):
    names = demo_appraiser.shared.signs
    assert len(names) > MOST_SEEN
    seen = dict.fromkeys(names[:MOST_SEEN], "yes")
    said = "components judged by the 5 signs that tell most of them"
    assert said not in unit_of(demo_appraiser, family="Obbelin 310", built_from=1982, **seen)[1]
    seen[names[MOST_SEEN]] = "yes"
    assert said in unit_of(demo_appraiser, family="Obbelin 310", built_from=1982, **seen)[1]


def test_a_unit_from_the_future_is_refused(bench_appraiser):
    with pytest.raises(InvalidInput, match=r"built in 2026, after the day it was seen .2025-01-10."):
        unit_of(bench_appraiser, built_from=2026)


def test_an_offer_without_a_name_bears_the_number_of_its_row(tmp_path):
    offers = read_offers(write(tmp_path, "offer,family\nbarn,Larkov T1\n,Larkov T1\n"))
    assert list(offers["offer"]) == ["barn", "2"]
    assert list(offers_from([{"family": "Larkov T1"}, {"family": "Larkov T1"}])["offer"]) == ["1", "2"]
