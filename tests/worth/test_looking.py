import numpy as np
import pytest

from reliability.worth.judging import judge, offers_from
from reliability.worth.looking import look_first


def offer(**cells):
    return offers_from([{"offer": "1", **cells}]).to_dict("records")[0]


def answers(appraiser, sign, **cells):
    rows = offers_from([{"offer": word, **cells, sign: word} for word in ("yes", "no")])
    return judge(rows, appraiser).set_index("offer")


def test_both_answers_are_the_verdicts_with_and_without_the_sign(demo_appraiser):
    cells = {"family": "Obbelin 310", "built_from": 1982, "asked": 60, "rust": "no"}
    look = look_first(offer(**cells), demo_appraiser)
    assert look.sign != "rust"
    judged = answers(demo_appraiser, look.sign, **cells)
    assert (look.seen.ceiling, look.absent.ceiling) == tuple(judged["ceiling"])
    assert (look.seen.verdict, look.absent.verdict) == tuple(judged["verdict"])


def test_the_sign_whose_answer_is_worth_most_comes_first(demo_appraiser):
    """Worked out again from the verdicts of `judge` at its printed cents."""
    appraiser, cells = demo_appraiser, {"family": "Obbelin 310", "built_from": 1982}
    middle = float(judge(offers_from([{"offer": "1", **cells}]), appraiser)["ceiling"].iloc[0])
    for asked in (middle - 8, middle + 8):
        worth = {}
        for sign, share in zip(appraiser.shared.signs, appraiser.shared.sign_mean, strict=True):
            gain = answers(appraiser, sign, asked=round(asked, 2), **cells)["expected_gain"]
            over = gain - appraiser.terms.margin
            parts = np.array([share * over["yes"], (1 - share) * over["no"]])
            worth[sign] = np.maximum(parts, 0).sum() - max(0.0, parts.sum())
        look = look_first(offer(asked=round(asked, 2), **cells), appraiser)
        assert look.worth == pytest.approx(max(worth.values()), abs=0.02)
        assert look.worth > 0.5
        assert worth[look.sign] == pytest.approx(look.worth, abs=0.02)


def test_where_no_answer_changes_the_decision_the_one_that_moves_the_gain_most_is_named(demo_appraiser):
    cells = {"family": "Obbelin 310", "built_from": 1982}
    moved = {}
    for sign, share in zip(demo_appraiser.shared.signs, demo_appraiser.shared.sign_mean, strict=True):
        ceiling = answers(demo_appraiser, sign, **cells)["ceiling"]
        moved[sign] = np.sqrt(share * (1 - share)) * abs(ceiling["yes"] - ceiling["no"])
    for asked in (None, 5000):
        look = look_first(offer(asked=asked, **cells), demo_appraiser)
        assert (look.sign, look.worth) == (max(moved, key=moved.get), 0.0)
    assert look.seen.verdict == look.absent.verdict == "skip"


def test_nothing_is_left_to_look_at_once_every_sign_was(demo_appraiser):
    looked = dict.fromkeys(demo_appraiser.shared.signs, "no")
    assert look_first(offer(family="Obbelin 310", **looked), demo_appraiser) is None
