"""What the pages show: nothing is numbered that cannot be known, and the same ledger shows the same."""

import datetime
import re
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from reliability.errors import InvalidInput
from reliability.life.lives import observe
from reliability.records.frames import Records, records_from_rows
from reliability.records.package import load_package_records
from reliability.report import planning
from reliability.report.comeback_study import comeback_curve, comeback_words
from reliability.report.family_study import answer_facts
from reliability.report.figures import _tidied
from reliability.report.fleet_study import fleet_study, index_study
from reliability.report.forecast_study import forecast_findings, forecast_words
from reliability.report.groundwork import pool_lives_of
from reliability.report.laying import lay_ground
from reliability.report.ledger_study import ledger_study
from reliability.report.opening import DEMO
from reliability.report.own_lives import OwnLives, _status
from reliability.report.pages import Page, Unmade
from reliability.report.planning import plan
from reliability.report.study import Study
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.review import explain

ShowPage = Callable[[Page, Path], Path]
FAMILIES = [{"family": "T2", "kind": "tape deck", "first_year": 1980, "last_year": 1980}]


def lives_of(*found: str, day: str = "2020-07-01") -> OwnLives:
    """Give the lives of a belt in jobs that found it so, all taken in on one day or each a year later."""
    jobs = [
        {"job": str(i), "family": "T2", "taken_in": f"{int(day[:4]) + i % 5}{day[4:]}", "outcome": "open"}
        for i in range(len(found))
    ]
    rows = [
        {"job": str(i), "component": "belt", "found": each, "original": "yes"} for i, each in enumerate(found)
    ]
    records = records_from_rows({"families": FAMILIES, "jobs": jobs, "findings": rows})
    seen = observe(records.jobs, records.findings, records.families)
    return OwnLives(seen, lambda _: 40.0)


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (["sound"] * 6, "6 seen, and none had failed; the oldest was 44\u00a0years old. No curve."),
        (["failed"] * 6, "6 seen, and all had failed, none was seen working. No curve."),
        (["sound"], "One seen, and it had not failed; the oldest was 40\u00a0years old. No curve."),
        (["failed", "failed", "sound", "sound", "sound"], "2 of 5 had failed, but not the older ones"),
        (["sound", "sound", "sound", "failed", "failed"], "one age for all of them would fit, between"),
    ],
)
def test_degenerate_records_are_named_and_never_numbered(found: list[str], said: str) -> None:
    own = lives_of(*found)
    row = own.summary.iloc[0]
    assert said in own.says("belt", "T2")
    assert np.isnan(row[["b10_years", "b50_years"]].astype(float)).all()
    assert own.model("T2").empty
    assert np.isnan(own.today["belt", "T2"])


def test_enough_records_give_a_curve_with_its_band_and_its_twin() -> None:
    own = lives_of(*["sound", "sound", "failed", "sound", "failed"] * 3, *["failed"] * 5)
    model, steps = own.model("T2"), own.steps("belt", "T2")
    assert bool(own.summary["is_drawn"].iloc[0])
    assert model["failed"].is_monotonic_increasing
    assert ((model["low"] <= model["failed"]) & (model["failed"] <= model["high"])).all()
    assert model["age_years"].max() == own.last_age(["T2"]) == 50.0
    assert steps["failed"].is_monotonic_increasing
    assert own.marks["count"].sum() == 20
    assert own.says("gear", "T2") == "No record of its own."
    assert own.steps("gear", "T2").empty


def test_without_any_finding_there_is_nothing_to_draw() -> None:
    own = lives_of()
    assert own.summary.empty
    assert own.model("T2").empty
    assert own.today.empty


def test_an_unknown_status_is_refused() -> None:
    row = SimpleNamespace(n_failed=1, n_sound=2, oldest_years=30.0, status="lost")
    with pytest.raises(InvalidInput, match=r"status of a life must be one of ok, no records, .*; got 'lost'"):
        _status(row, 0.0, 1.0)


def test_a_picture_without_a_size_is_refused() -> None:
    with pytest.raises(ValueError, match="without a viewBox"):
        _tidied("<svg></svg>", "nothing")


def test_a_familys_page_says_what_the_odds_rest_on_with_the_weights(
    awkward_records: Records, awkward_pages: list[Page]
) -> None:
    appraiser = fit_appraiser(awkward_records, awkward_records.last_date())
    studies = [page.study for page in awkward_pages if page.study.kind == "family"]
    shown = {study.subject: study.facts["basis"] for study in studies}
    assert set(shown) == set(appraiser.families)
    for family, said in shown.items():
        told = explain(appraiser, family=family)
        own = round(100 * appraiser.families[family].own_weight)
        assert f"{100 * told.appraisal.states.success.mean():.0f}\u00a0% would be repaired" in said[0]
        assert f"make that {100 * told.appraisal.success.mean():.0f}\u00a0%" in said[0]
        assert f"with a weight of {appraiser.shared.chain_weight:.2f}" in said[1]
        assert f"decide {own if own else 'under 1'}\u00a0%" in said[2]


class InThisProcess(Executor):
    """Does everything at once, here."""

    def submit(self, fn, /, *args, **kwargs):  # type: ignore[no-untyped-def]
        future: Future = Future()
        future.set_result(fn(*args, **kwargs))
        return future


def test_workers_or_not_the_pages_show_the_same(awkward_records: Records, awkward_pages: list[Page]) -> None:
    again = plan(awkward_records, demo=True, executor=InThisProcess())
    assert [page.shown for page in again] == [page.shown for page in awkward_pages]


def test_only_the_wanted_families_and_the_first_page_are_planned(awkward_records: Records) -> None:
    family = str(awkward_records.families["family"][0])
    pages = plan(awkward_records, families=[family], as_of=datetime.date(2023, 5, 1))
    assert [page.study.kind for page in pages] == ["family", "index"]
    assert pages[0].study.subject == family
    assert pages[0].parameters["as_of"] == "2023-05-01"
    assert "--as-of 2023-05-01 --family" in pages[0].source["Made again by"]
    assert pages[-1].source["As of"] == "2023-05-01"


def test_a_page_that_cannot_be_worked_out_leaves_the_others_alone(
    awkward_records: Records, awkward_pages: list[Page], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(_ground: object, _own: object, name: str) -> Study:
        raise (IndexError if name == "belt" else InvalidInput)("out of bounds")

    monkeypatch.setattr(planning, "component_study", fail)
    pages = plan(awkward_records, demo=True)
    unmade = [each for each in pages if isinstance(each, Unmade)]
    assert [(each.target, each.why) for each in unmade][:2] == [
        ("components/i-motor-i.html",
         "component '<i>motor</i>': cell 'load' of component.ipynb failed: out of bounds"),
        ("components/belt.html",
         "component 'belt': cell 'load' of component.ipynb failed: IndexError: out of bounds"),
    ]  # fmt: skip
    others = [each for each in awkward_pages if each.study.kind != "component"]
    assert [each.shown for each in pages if isinstance(each, Page)] == [each.shown for each in others]


@pytest.mark.parametrize("error", [CancelledError(), BrokenExecutor("gone")])
def test_the_end_of_the_workers_is_no_fault_of_a_page(
    awkward_records: Records, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    def end(_ground: object) -> Study:
        raise error

    monkeypatch.setattr(planning, "index_study", end)
    with pytest.raises(type(error)):
        plan(awkward_records, families=[str(awkward_records.families["family"][0])])


def test_a_component_that_no_family_is_judged_by_gets_bare_counts(
    show_page: ShowPage, tmp_path: Path
) -> None:
    """One job was ended by a bulb, one found it worn; of a lamp only an imported job tells."""
    jobs = [
        {"job": "1", "family": "T2", "taken_in": "2020-01-01", "closed": "2020-02-01", "outcome": "donor",
         "ended_by": "bulb"},
        {"job": "2", "family": "T2", "taken_in": "2020-01-01", "closed": "2020-02-01", "outcome": "repaired"},
        {"job": "x-1", "family": "T2", "taken_in": "2020-01-01", "closed": "2020-02-01",
         "outcome": "repaired", "origin": "elsewhere"},
    ]  # fmt: skip
    findings = [
        {"job": "2", "component": "bulb", "found": "worn"},
        {"job": "x-1", "component": "lamp", "found": "sound"},
    ]
    pages = plan(records_from_rows({"families": FAMILIES, "jobs": jobs, "findings": findings}))
    bulb, lamp = (each for each in pages if isinstance(each, Page) and each.study.kind == "component")
    assert bulb.study.facts["summary"] == (
        "The bulb is named in 2 jobs of this bench, as failed in 1. That is too little for any family to be "
        "judged by it: here are counts, and no odds."
    )
    assert bulb.study.tables["counts"].to_dict("records") == [
        {"family": "T2", "jobs": 2, "sound": 0, "worn": 1, "failed": 1, "ended": 1,
         "page": "../families/t2.html"}
    ]  # fmt: skip
    assert lamp.study.facts["summary"].startswith("The lamp is named elsewhere only.")
    html = show_page(bulb, tmp_path).read_text("utf-8")
    assert "Jobs of this bench that name it, by family" in html
    assert "By age" not in html
    assert "NaN" not in html


def test_the_first_page_says_its_day_and_links_the_card(
    awkward_records: Records, awkward_pages: list[Page], show_page: ShowPage, tmp_path: Path
) -> None:
    family = [str(awkward_records.families["family"][0])]
    with_card = plan(awkward_records, families=family, card="2023-12-24", demo=True)[-1]
    assert isinstance(with_card, Page)
    day = awkward_records.last_date().isoformat()
    html = show_page(with_card, tmp_path).read_text("utf-8")
    assert f'These pages speak for {day}, the <a href="card.html">pocket card</a> for 2023-12-24.' in html
    without = show_page(awkward_pages[-1], tmp_path).read_text("utf-8")
    assert f"These pages speak for {day}; there is no pocket card yet." in without
    assert "card.html" not in without


def test_what_some_families_need_is_pooled_as_among_all() -> None:
    records = load_package_records(DEMO)
    day, family = records.last_date(), "Obbelin 310"
    whole, some = (pool_lives_of(records, day, "failed", asked) for asked in (None, [family]))
    assert set(some.parts) < set(whole.parts)
    for component in some.parts:
        answers = (lives.failed_by(component, family, [10.0, 45.0], year=1980) for lives in (whole, some))
        assert [each.tolist() for each in next(answers)] == [each.tolist() for each in next(answers)]
    # Of one that nobody has spoken of, such as a head here, only all the others tell.
    families = [*FAMILIES, {"family": "D1", "kind": "disc player", "first_year": 1990, "last_year": 1995}]
    days = {"taken_in": "2020-01-01", "closed": "2020-02-01", "outcome": "repaired"}
    jobs = [{"job": "1", "family": "T2", **days}, {"job": "2", "family": "D1", **days}]
    findings = [
        {"job": job, "component": part, "found": "sound"} for job, part in (("1", "belt"), ("2", "laser"))
    ]
    few = records_from_rows({"families": families, "jobs": jobs, "findings": findings})
    assert set(pool_lives_of(few, day, "failed", ["T2"]).parts) == {"belt", "laser"}


def test_only_the_first_page_names_the_whole_ledger(
    awkward_records: Records, awkward_pages: list[Page]
) -> None:
    named = [page.target for page in awkward_pages if "Ledger" in page.source]
    assert named == ["index.html"]
    assert awkward_records.fingerprint().startswith(awkward_pages[-1].source["Ledger"])


def test_what_needs_work_is_never_less_than_what_has_failed(awkward_pages: list[Page]) -> None:
    for page in awkward_pages:
        if page.study.kind == "family":
            parts = page.study.tables["parts"]
            assert (parts["needs_work"] >= parts["failed"]).all()
            assert (parts["needs_work_low"] >= parts["failed_low"]).all()


def test_a_family_of_unknown_years_has_no_age_and_no_chances() -> None:
    rows = {"families": [{"family": "T9", "kind": "radio"}], "jobs": [], "findings": []}
    rows["jobs"] = [
        {"job": "1", "family": "T9", "taken_in": "2023-01-10", "closed": "2023-01-11", "outcome": "repaired"}
    ]
    pages = {page.study.kind: page for page in plan(records_from_rows(rows))}
    family = pages["family"].study
    assert family.facts["age_years"] is None or family.facts["age_years"] >= 0
    assert family.tables["lives"].empty


A_FAMILY = {
    "family": "T2",
    "kind": "tape deck",
    "first_year": 1980,
    "last_year": 1985,
    "priced_on": "2024-01-01",
}
A_JOB = {
    "family": "T2",
    "taken_in": "2023-01-10",
    "closed": "2023-01-20",
    "outcome": "donor",
    "ended_by": "gear",
}


@pytest.mark.parametrize(
    "jobs",
    [
        [],
        [{**A_JOB, "job": "1", "outcome": "open", "closed": None, "ended_by": None}],
        [{**A_JOB, "job": str(i), "origin": "elsewhere"} for i in range(3)],
        [{**A_JOB, "job": str(i), "bought_for": 5} for i in range(12)],
    ],
    ids=["none", "one open", "imported only", "no repair"],
)
def test_a_thin_ledger_makes_whole_pages(
    jobs: list[dict[str, object]], tmp_path: Path, show_page: Callable[[Page, Path], Path]
) -> None:
    for page in plan(records_from_rows({"families": [A_FAMILY], "jobs": jobs})):
        html = show_page(page, tmp_path).read_text("utf-8")
        assert html.count("<h1>") == 1
        assert "nan" not in re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL).lower().split()


def test_jobs_that_nobody_wrote_up_are_counted_and_what_they_would_change_is_said(
    awkward_records: Records,
) -> None:
    limits = ledger_study(lay_ground(awkward_records)).tables["limits"].set_index("head")["says"]
    said = limits["Jobs that nobody wrote up"]
    assert said.startswith("1 job number belongs to no job; such jobs are taken as not repaired.")
    assert "Had they gone like the written ones" in said
    settings = replace(awkward_records.settings, gap_repaired_share=0.5)
    other = ledger_study(lay_ground(replace(awkward_records, settings=settings)))
    assert "repaired in 50\u00a0% of cases" in other.tables["limits"].set_index("head")["says"].iloc[2]


@pytest.mark.parametrize(
    ("count_gaps", "limits_say", "fleet_says", "caveat"),
    [
        (
            None,
            "42 job numbers belong to no job, more than half as many as there are finished jobs. They are "
            "not counted while the setting count_gaps does not say whether they were jobs. Had they been",
            "42 job numbers are missing: not counted, as the page of the ledger says.",
            " 42 job numbers are missing and not counted while count_gaps is not set.",
        ),
        (
            "no",
            "42 job numbers belong to no job, and the setting count_gaps leaves them out. Had they been jobs",
            "42 job numbers are missing: not counted, as the page of the ledger says.",
            "",
        ),
        (
            "yes",
            "42 job numbers belong to no job; such jobs are taken as not repaired. Had they gone like the",
            "42 job numbers are missing: jobs that nobody wrote up; they are weighed in.",
            "",
        ),
    ],
)
def test_gaps_that_are_not_counted_are_said_wherever_a_chance_is(
    awkward_records: Records, count_gaps: str | None, limits_say: str, fleet_says: str, caveat: str
) -> None:
    renumbered = {
        table: getattr(awkward_records, table).replace({"job": {"31": "72"}})
        for table in ("jobs", "findings", "signs", "followups")
    }
    settings = replace(awkward_records.settings, count_gaps=count_gaps)
    ground = lay_ground(replace(awkward_records, **renumbered, settings=settings))
    limits = ledger_study(ground).tables["limits"].set_index("head")["says"]
    assert limits["Jobs that nobody wrote up"].startswith(limits_say)
    assert fleet_says in fleet_study(ground).facts["records_say"]
    assert index_study(ground).facts["basis"].endswith(f"when they give up.{caveat}")
    facts = answer_facts(ground, ground.ranking["family"][0])
    assert facts["remarks"] == ([caveat.strip()] if caveat else [])
    audit = ledger_study(ground).tables["audit"]["what"]
    assert audit.str.contains("not counted while count_gaps is not set").any() == bool(caveat)


def found_comebacks(**counts: int) -> SimpleNamespace:
    table = pd.DataFrame({"upper_days": [np.inf] * 4 + [100.0], "component": [None] * 4 + ["belt"]})
    curve = SimpleNamespace(
        usable=True,
        age_years=np.array([0.0, 1.0]),
        failed=np.array([0.0, 0.2]),
        low=np.array([0.0, 0.03]),
        high=np.array([0.1, 0.5]),
    )
    return SimpleNamespace(
        table=table.head(counts.get("checked", 5)),
        left_out=pd.Series({"never checked": counts.get("never", 0)}),
        curve=curve,
        within=lambda days: (np.array([0.2]), np.array([0.031]), np.array([0.498])),
    )


def test_silence_is_not_a_working_unit() -> None:
    assert comeback_words(found_comebacks(checked=0)) == "No unit of this family was repaired yet."
    assert (
        comeback_words(found_comebacks(checked=0, never=1))
        == "Nobody has asked after the one repaired unit yet."
    )
    assert comeback_words(found_comebacks(never=9)) == (
        "1 of 5 repaired units that somebody asked after came back (belt 1). 9 more were never asked after; "
        "silence is not a working unit. Within a year 3 to 50\u00a0% come back (90\u00a0% interval)."
    )


def test_comebacks_are_drawn_from_a_handful_of_checks_on() -> None:
    assert comeback_curve(found_comebacks(checked=4)).empty
    assert comeback_curve(found_comebacks())["days"].tolist() == [0.0, 365.0]


def test_forecasts_are_held_against_what_came() -> None:
    jobs = pd.DataFrame(
        {"family": ["T2", "T2", "D80"], "success_chance": [0.5, 0.7, 0.9], "repaired": [1, 0, 1]}
    )
    found = SimpleNamespace(
        status="ok", jobs=jobs, brier=0.2, brier_usual=0.25, log_loss=0.6, log_loss_usual=0.7
    )
    assert (
        "2 jobs had a mean chance of 60\u00a0% to be repaired; 1 of them came out repaired (50"
        in forecast_words(found, "T2")
    )
    assert forecast_words(found, "X1") == ""
    assert "0.200, against 0.250" in forecast_findings(found)[1]
    assert forecast_findings(found)[1].endswith(": better than the plain rate.")
    worse = SimpleNamespace(**{**vars(found), "brier": 0.3})
    assert forecast_findings(worse)[1].endswith(": no better than the plain rate.")
    few = SimpleNamespace(**{**vars(found), "status": "too few jobs"})
    assert forecast_findings(few) == ["Too few jobs yet to hold forecasts against what came of them."]


def answered(ceiling: float) -> dict[str, object]:
    """Give the facts of the repair tag of a family with such a ceiling."""
    row = {"family": "T2", "usual_price": 20.0, "ceiling": ceiling, "expected_gain": -30.0, "verdict": "skip"}
    row |= {"success_chance": 0.3, "success_low": 0.2, "success_high": 0.4, "chance_of_loss": 0.8}
    row |= {"chief_risk": "belt", "rival_risk": None, "evidence": "own records", "jobs_seen": 12}
    families = [{**FAMILIES[0], "maker": None, "notes": None}]
    ground = SimpleNamespace(
        ranking=pd.DataFrame([row]),
        records=SimpleNamespace(families=pd.DataFrame(families)),
        appraiser=SimpleNamespace(
            terms=SimpleNamespace(haggle_room=0.25),
            families={"T2": SimpleNamespace(kind_jobs=12)},
            tally=SimpleNamespace(gaps="counted"),
        ),
        currency="EUR",
    )
    return answer_facts(ground, "T2")  # type: ignore[arg-type]


def test_a_price_that_is_not_said_cannot_make_a_page_again() -> None:
    assert (answered(40.4)["ceiling"], answered(40.4)["haggle_to"]) == (40, 50)
    assert answered(-7.2) == answered(-8.4)
    assert answered(40.4) != answered(41.4)
