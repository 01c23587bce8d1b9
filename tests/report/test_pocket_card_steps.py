"""Steps of the card's script at their edges, which few offers reach, against what they stand for."""

import difflib
import json
import math
import random
import unicodedata
from importlib.resources import files

import numpy as np
import pytest
from scipy.special import expit, logit

from reliability.errors import nearest
from reliability.report.card import _folds, _rules
from reliability.worth.judging import cents
from tests.report.cards import BROWSER

pytestmark = BROWSER

BENCH = {"folds": _folds(), "rules": _rules(), "terms": {"margin": 0, "caution": 0}}


@pytest.fixture(scope="module")
def run(browser):
    """Run an expression over a list of arguments, with sources of the card in scope."""
    page = browser.new_page()

    def run(names, expression, given):
        folder = files("reliability.report").joinpath("templates", "card")
        sources = "\n".join(folder.joinpath(f"{name}.js").read_text("utf-8") for name in names.split())
        bench = f"const BENCH = {json.dumps(BENCH)}; const RULES = BENCH.rules;"
        return page.evaluate(f"(all) => {{ {bench}\n{sources}\nreturn all.map({expression}); }}", given)

    return run


def test_numbers_are_rounded_to_the_same_digits(run):
    """Halves that a double holds exactly go to the even digit, all others where they lie."""
    dice = random.Random(1)
    ties = [i / 32 for i in range(65)] + [i / 8 for i in range(-20, 20)] + [0.5, 1.5, 2.5, 1982.5, 1983.5]
    values = [
        *ties,
        *(dice.uniform(-1, 3000) for _ in range(300)),
        *(dice.random() for _ in range(300)),
        2.675,
    ]
    for digits in (0, 1, 2, 4):
        got = run("numbers", f"(x) => [fixed(x, {digits}), rounded(x, {digits})]", values)
        assert [each[0].removeprefix("-") for each in got] == [
            f"{x:.{digits}f}".removeprefix("-") for x in values
        ]
        assert [each[1] for each in got] == [round(x, digits) for x in values]


def test_money_is_rounded_to_the_same_cents(run):
    dice = random.Random(2)
    amounts = [
        0.005,
        -0.005,
        1.005,
        2.675,
        -7.125,
        0.0,
        -0.001,
        *(dice.uniform(-500, 500) for _ in range(500)),
    ]
    assert run("numbers", "cents", amounts) == [cents(amount) for amount in amounts]


def test_the_far_ends_of_odds_and_hazards_agree(run):
    odds = [-800.0, -745.5, -40.0, -1e-9, 0.0, 1e-9, 36.0, 40.0, 800.0]
    assert run("numbers", "expit", odds) == pytest.approx(expit(odds), rel=1e-14, abs=5e-324)
    shares = [0.0, 1e-12, 1e-6, 0.3, 1 - 1e-6, 1.0]
    kept = np.clip(shares, 1e-6, 1 - 1e-6)
    assert run("numbers", "logOdds", shares) == pytest.approx(logit(kept), rel=1e-9)
    # Log odds of failure of a hazard: from next to nothing to all but certain, at the bounds set for both.
    cases = [[math.log(10.0), math.log(3.0), age] for age in (1 / 12, 0.5, 9.0, 10.0, 11.0, 40.0, 300.0)]
    got = run("numbers odds", "([scale, shape, age]) => "
              "failureLogOdds([scale, shape, 0, 0, 0], 0, 0, Math.log(age), 1)", cases)  # fmt: skip
    hazard = [min(max((age / 10.0) ** 3, 1e-9), 30.0) for *_, age in cases]
    assert got == pytest.approx([h + math.log(-math.expm1(-h)) for h in hazard], rel=1e-12)


def test_letters_lose_their_case_alike(run):
    # Letters that are newer than Python's tables may be known to the browser.
    letters = [
        letter for letter in map(chr, range(0x20000)) if unicodedata.category(letter) not in ("Cn", "Cs")
    ]
    assert run("names", "(text) => fold(text)", letters) == [letter.casefold() for letter in letters]
    words = ["Straße ẞ", "ΟΔΥΣΣΕΎΣ", "İstanbul", "ﬀort", "Ꭰꮿ", "טייפ"]
    assert run("names", "(text) => fold(text)", words) == [word.casefold() for word in words]


def test_names_are_near_to_each_other_alike(run):
    dice = random.Random(6)
    texts = ["".join(dice.choice("ab c1é") for _ in range(dice.randint(0, 14))) for _ in range(300)]
    texts += ["".join(dice.choice("abcde") for _ in range(n)) for n in (199, 200, 200, 260)]
    pairs = [[dice.choice(texts), dice.choice(texts)] for _ in range(600)]
    got = run("names", "([a, b]) => likeness(Array.from(a), Array.from(b))", pairs)
    assert got == [difflib.SequenceMatcher(None, a, b).ratio() for a, b in pairs]


def test_the_same_near_name_is_told(run):
    known = [
        "Tarnwick T2", "TARNWICK T3", "tarnwick t3", "Dallow 80", "Dallow 81", "Straße", "strasse b", "?", "",
    ]  # fmt: skip
    got = ["tarnwick", "Dallow 8", "STRASSE", "Strase", "??", "", "dallow-80", "zzz"]
    got += ["Tarnwik T", "arnwick t2", "allow 80", "Dalow 81x", "strasse"]
    found = run("names", "([each, known]) => nearestName(each, known)", [[each, known] for each in got])
    told = ["" if name is None else f" Did you mean {name!r}?" for name in found]
    assert told == [nearest(each, known) for each in got]
    assert 5 < sum(name is not None for name in found) < len(got)
