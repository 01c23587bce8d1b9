import csv
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from reliability.terminal import write_table
from reliability.worth.judging import (
    chief_risks,
    judge,
    offers_from,
    read_offers,
    write_verdicts,
)
from tests.worth.ledgers import DEMO


@pytest.fixture(scope="module")
def offers():
    return read_offers(DEMO / "offers.csv")


@pytest.fixture(scope="module")
def verdicts(offers, demo_appraiser):
    return judge(offers, demo_appraiser)


def test_words_and_numbers_agree(offers, verdicts, demo_appraiser):
    asked, ceiling, word = offers["asked"], verdicts["ceiling"], verdicts["verdict"]
    priced = asked.notna()
    is_founded = ~verdicts["note"].str.contains("no finished job of its kind")
    assert 0 < (~is_founded).sum() < 3
    assert ((word == "take") == (asked <= ceiling) & is_founded)[priced].all()
    near = (ceiling > 0) & (asked > ceiling) & (asked <= ceiling * (1 + demo_appraiser.terms.haggle_room))
    assert ((word == "haggle") == near & is_founded)[priced].all()
    assert set(word[priced]) <= {"take", "haggle", "try one", "skip"}
    for low, middle, high in (
        ("success_low", "success_chance", "success_high"),
        ("gain_low", "expected_gain", "gain_high"),
    ):
        rows = verdicts[priced]
        assert ((rows[low] <= rows[middle]) & (rows[middle] <= rows[high])).all()
    assert verdicts["chance_of_loss"][priced].between(0, 1).all()


def risks(appraiser, *ends, known=None):
    """Name the risks of a family whose first components end jobs with these chances."""
    entry = next(iter(appraiser.families.values()))
    entry = replace(entry, lives=replace(entry.lives, components=np.arange(len(ends))))
    states = SimpleNamespace(states=SimpleNamespace(ends=np.array(ends)))
    names = appraiser.shared.components
    shared = replace(appraiser.shared, known_components=names if known is None else [names[i] for i in known])
    told = chief_risks(entry, states, replace(appraiser, shared=shared))
    return tuple(None if name is None else names.index(name) for name in told)


def test_only_components_that_the_ledger_named_are_chief_risks(demo_appraiser):
    assert risks(demo_appraiser, 0.3, 0.1, 0.2) == (0, None)
    assert risks(demo_appraiser, 0.3, 0.1, 0.2, known=[1, 2]) == (2, None)
    assert risks(demo_appraiser, 0.3, 0.1, 0.2, known=[]) == (None, None)


def test_two_components_that_end_as_many_jobs_to_a_whole_percent_are_both_named(demo_appraiser):
    assert risks(demo_appraiser, 0.05, 0.124, 0.115) == (1, 2)  # 12 and, halves up, 12 in 100
    assert risks(demo_appraiser, 0.05, 0.124, 0.1149) == (1, None)
    assert risks(demo_appraiser, 0.05, 0.124, 0.115, known=[0, 1]) == (1, None)
    assert risks(demo_appraiser, 0.001, 0.002) == (1, None)  # neither ends any to speak of


@pytest.mark.parametrize(
    ("tally", "said"),
    [
        ({"gaps": "counted"}, None),
        ({"gaps": "left out"}, None),
        ({"gaps": "too many"}, "8768 job numbers are missing and not counted while count_gaps is not set"),
        (
            {"gaps": "too many", "jobs_missing": 1},
            "1 job number is missing and not counted while count_gaps is not set",
        ),
    ],
)
def test_gaps_that_are_too_many_to_count_are_in_every_note(offers, demo_appraiser, tally, said):
    told = replace(demo_appraiser.tally, **{"jobs_missing": 8768, **tally})
    notes = judge(offers, replace(demo_appraiser, tally=told))["note"]
    assert notes.str.contains("job number").tolist() == [said is not None] * len(offers)
    assert said is None or notes.str.contains(said, regex=False).all()


def test_every_offer_that_cannot_be_judged_is_told(demo_appraiser):
    rows = [{"offer": "a", "family": "Pellowik 22"}, {"offer": "b", "family": "Obbelin 310"}]
    rows += [{"offer": "c", "family": "Obbelin 310", "built_from": 2099}]
    with pytest.raises(InvalidInput) as refused:
        judge(offers_from(rows), demo_appraiser)
    lines = str(refused.value).splitlines()
    assert lines[0] == "2 faults found. Nothing was judged."
    assert lines[1].startswith(
        "Offer a: the ledger has no family 'Pellowik 22'. Did you mean 'Pellowick 22'?"
    )
    assert lines[2].startswith("Offer c: built in 2099, after the day it was seen")


def test_no_offer_and_no_name_runs_in_a_spreadsheet(demo_appraiser, tmp_path):
    odd = ["=1+1", "＝1+1", " +A1", "-x", "@x", "plain"]
    offers = offers_from([{"offer": name, "family": f"{name} family", "asked": 500} for name in odd])
    verdicts = judge(offers, demo_appraiser)
    write_verdicts(verdicts, tmp_path / "verdicts.csv")
    with (tmp_path / "verdicts.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["offer"].removeprefix("'") for row in rows] == [name.strip() for name in odd]
    assert not any(cell.startswith(tuple("=+@＝")) for row in rows for cell in row.values())
    assert all(float(row["expected_gain"]) < 0 for row in rows)  # a number is a number, with its sign
    write_table(
        pd.DataFrame({"family": ["=x", None], "failed": [0.25, float("nan")], "n": [1, 2]}),
        tmp_path / "t.csv",
    )
    assert (tmp_path / "t.csv").read_bytes() == b"family,failed,n\r\n'=x,0.25,1\r\n,,2\r\n"
