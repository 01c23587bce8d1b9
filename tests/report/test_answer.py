"""The answer in words, verdict by verdict."""

import re
from typing import Any

import pytest

from reliability.report import answer, format

FACTS: dict[str, Any] = {
    "currency": "EUR",
    "ceiling": 35.0,
    "haggle_to": 44.0,
    "is_founded": True,
    "asked": 25.0,
    "verdict": "take",
    "success_chance": 0.62,
    "success_low": 0.48,
    "success_high": 0.74,
    "chief_risk": "gear",
    "rival_risk": None,
    "expected_gain": 10.0,
    "chance_of_loss": 0.21,
    "evidence": "own records",
    "jobs_seen": 24,
}


def plain(markup: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", markup).replace("\u00a0", " ").split())


@pytest.mark.parametrize(
    ("ceiling", "haggle_to", "said"),
    [
        (35.0, 44.0, "Take up to 35 EUR; haggle up to 44 EUR; skip above 44 EUR."),
        (1.0, 1.0, "Take up to 1 EUR; skip above that."),
        (-12.0, -15.0, "Skip, even as a gift."),
        (0.0, 0.0, "Skip, even as a gift."),
        (None, None, "No price can be named yet."),
    ],
)
def test_prices_are_said_first(ceiling: float | None, haggle_to: float | None, said: str) -> None:
    assert plain(answer.prices_line({**FACTS, "ceiling": ceiling, "haggle_to": haggle_to})) == said


def test_where_nothing_stands_behind_it_no_price_is_one_to_take_at() -> None:
    assert plain(answer.prices_line({**FACTS, "is_founded": False})) == "Try one at most, for 35 EUR or less."
    unfounded = {**FACTS, "is_founded": False, "ceiling": -3.0}
    assert plain(answer.prices_line(unfounded)) == "Skip, even as a gift."


def test_a_component_that_ends_as_many_jobs_is_named_beside_the_chief_risk() -> None:
    said = plain(answer.answer_tag({**FACTS, "rival_risk": "<b>belt</b>"}))
    assert "what ends the job most often is the gear or, as often, the &lt;b&gt;belt&lt;/b&gt; ." in said
    unknown = plain(answer.answer_tag({**FACTS, "chief_risk": None}))
    assert "what ends the job" not in unknown


def test_the_tag_says_verdict_odds_risk_and_evidence() -> None:
    said = plain(answer.answer_tag(FACTS))
    assert "At the price usually asked, 25 EUR: take" in said
    assert "62 % of such units (90 % interval 48 to 74 %)" in said
    assert "what ends the job most often is the gear" in said
    assert "brings 10 EUR on average, and loses money 21 % of the time" in said
    assert said.endswith("24 finished jobs of this bench stand behind it.")


def test_without_a_usual_price_there_is_no_verdict_and_no_gain() -> None:
    unknown = {"asked": None, "verdict": None, "expected_gain": None, "chance_of_loss": None}
    said = plain(answer.answer_tag({**FACTS, **unknown, "evidence": "pooled only", "jobs_seen": 0}))
    assert "What such a unit usually costs is not known." in said
    assert "on average" not in said
    assert "No job of this family yet" in said


@pytest.mark.parametrize(
    ("evidence", "jobs", "said"),
    [
        ("few records", 1, "Only 1 finished job of this bench stand behind it"),
        ("hearsay", 0, "it rests mostly on hearsay"),
    ],
)
def test_evidence_is_said_as_what_it_is(evidence: str, jobs: int, said: str) -> None:
    assert said in answer.evidence_line({**FACTS, "evidence": evidence, "jobs_seen": jobs})


def test_cautions_come_for_every_page_and_more_by_kind() -> None:
    general = format.cautions("gramophone")
    assert any("Local codes come first" in each for each in general)
    for word in ("Mains", "Capacitors", "Solvents", "waste"):
        assert any(word in each for each in general)
    assert len(format.cautions("disc player")) == len(general) + 1
    assert len(format.cautions("")) > len(format.cautions("receiver"))
