import datetime
import json

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

from reliability.errors import InvalidInput, UnknownName
from reliability.records.frames import Records, records_from_rows
from reliability.worth.appraiser import fit_appraiser, load_appraiser
from reliability.worth.judging import judge, offers_from, read_offers
from reliability.worth.review import explain, ranking
from tests.worth.ledgers import DEMO, finding, job


def test_what_is_estimated_fits_into_single_precision(demo_appraiser):
    for entry in [*demo_appraiser.families.values(), *demo_appraiser.kinds.values()]:
        lives, money = entry.lives, [entry.ratio, entry.remains, entry.costs_repaired, entry.costs_unrepaired]
        estimates = [entry.shift, entry.shift_se, entry.own_weight]
        estimates += [entry.hours_repaired, entry.hours_unrepaired]
        estimates += [number for amount in money for number in (amount.mean, amount.doubt, amount.spread)]
        for values in (lives.life, lives.life_after, lives.repair, entry.part_cost, np.array(estimates)):
            assert np.array_equal(values, np.float32(values), equal_nan=True)


def test_the_order_of_the_jobs_does_not_matter(bench_rows, bench_appraiser):
    shuffled = {table: list(reversed(rows)) for table, rows in bench_rows.items()}
    again = fit_appraiser(records_from_rows(shuffled), bench_appraiser.as_of)
    for name, entry in bench_appraiser.families.items():
        other = again.families[name]
        assert_allclose(other.shift, entry.shift, atol=1e-6)
        assert_allclose(other.lives.life, entry.lives.life, atol=1e-6)
        assert_allclose(other.costs_repaired.mean, entry.costs_repaired.mean, rtol=1e-6)


def test_an_appraiser_kept_on_disk_judges_alike(demo_appraiser, tmp_path):
    demo_appraiser.save(tmp_path / "kept" / "appraiser.json")
    kept = load_appraiser(tmp_path / "kept" / "appraiser.json")
    offers = read_offers(DEMO / "offers.csv")
    pd.testing.assert_frame_equal(judge(offers, kept), judge(offers, demo_appraiser))
    assert kept.tally == demo_appraiser.tally
    assert [p.name for p in (tmp_path / "kept").iterdir()] == ["appraiser.json"]


@pytest.mark.parametrize(
    ("text", "message"),
    [("{", "is not a kept appraiser"), ("[]", "another version"), ('{"format": 0}', "another version")],
)
def test_a_spoilt_file_is_refused(tmp_path, text, message):
    (tmp_path / "a.json").write_text(text)
    with pytest.raises(InvalidInput, match=message):
        load_appraiser(tmp_path / "a.json")


def test_an_empty_ledger_still_answers():
    appraiser = fit_appraiser(Records.empty(), datetime.date(2026, 1, 1))
    row = judge(offers_from([{"offer": "1", "kind": "tape deck", "asked": 20}]), appraiser).iloc[0]
    assert row["verdict"] in ("take", "haggle", "try one", "skip")
    assert 0.0 < row["success_low"] < row["success_high"] < 0.98
    assert row["success_high"] - row["success_low"] > 0.3
    assert row["jobs_seen"] == 0
    assert ranking(appraiser, Records.empty()).empty


def test_later_events_are_ignored(bench_rows, bench_records):
    early = datetime.date(2024, 6, 30)
    then = fit_appraiser(bench_records, early)
    known = [row for row in bench_rows["jobs"] if row["taken_in"] <= early.isoformat()]
    names = {row["job"] for row in known}
    cut = {
        "families": bench_rows["families"],
        "jobs": known,
        "findings": [row for row in bench_rows["findings"] if row["job"] in names],
        "signs": [row for row in bench_rows["signs"] if row["job"] in names],
    }
    alone = fit_appraiser(records_from_rows(cut), early)
    assert json.dumps(then.to_export()["families"]) == json.dumps(alone.to_export()["families"])


def test_imported_jobs_inform_but_are_never_counted(bench_rows):
    day = datetime.date(2025, 1, 10)
    more = {key: list(rows) for key, rows in bench_rows.items()}
    for n in range(100, 140):
        more["jobs"].append(job(n, "Larkov T3", "scrapped", origin="some archive", ended_by="motor"))
        more["findings"].append(finding(n, "motor", "failed"))
    appraiser = fit_appraiser(records_from_rows(more), day)
    before = fit_appraiser(records_from_rows(bench_rows), day)
    entry = appraiser.families["Larkov T3"]
    assert (entry.jobs_seen, appraiser.tally.jobs_imported, appraiser.tally.jobs_finished) == (0, 40, 20)
    assert appraiser.tally.jobs_missing == 0
    was, now = (explain(a, family="Larkov T3").verdict for a in (before, appraiser))
    assert now["success_chance"] < was["success_chance"]
    assert now["chief_risk"] == "motor"


def test_explanation_adds_up(bench_appraiser):
    why = explain(bench_appraiser, family="Larkov T1", built_from=1983, asked=20.0)
    assert why.components.loc[0, "component"] == why.verdict["chief_risk"] == "gear"
    assert why.components["ends_job"].is_monotonic_decreasing
    # Outcome by outcome the gain at no price, weighed, is the expected gain plus the price.
    chance, by_outcome = (
        why.appraisal.success.mean(),
        (why.appraisal.gain_repaired, why.appraisal.gain_unrepaired),
    )
    assert_allclose(
        np.dot((chance, 1.0 - chance), by_outcome), why.verdict["expected_gain"] + 20.0, atol=0.01
    )
    with pytest.raises(
        UnknownName, match=r"The ledger holds no family 'Larkov T9'; known: Larkov T1.* Did you mean"
    ):
        explain(bench_appraiser, family="Larkov T9")


def outcomes_only(**more):
    """Thirty tape decks of which no component was ever named."""
    jobs = [job(n, "Larkov T1", "repaired" if n % 3 else "donor") for n in range(1, 31)]
    families = [{"family": "Larkov T1", "kind": "tape deck", "working_price": 110.0}]
    return fit_appraiser(
        records_from_rows({"families": families, "jobs": jobs, **more}), datetime.date(2025, 1, 10)
    )


def test_a_component_that_the_ledger_never_named_is_no_chief_risk(tmp_path):
    silent = outcomes_only()
    assert explain(silent, family="Larkov T1").verdict["chief_risk"] is None
    assert ranking(silent, records_from_rows({"families": [{"family": "Larkov T1", "kind": "tape deck"}]}))[
        "chief_risk"
    ].tolist() == [None]
    told = outcomes_only(parts=[{"component": "motor", "obtainable": "yes"}])
    why = explain(told, family="Larkov T1")
    assert why.verdict["chief_risk"] == "motor"
    assert why.components["component"][0] == "motor"
    assert why.components["is_named"].tolist() == [True] + [False] * (len(why.components) - 1)
    told.save(tmp_path / "a.json")
    assert load_appraiser(tmp_path / "a.json").shared.known_components == ("motor",)


def test_from_nothing_nothing_is_taken():
    empty = fit_appraiser(Records.empty(), datetime.date(2025, 1, 10))
    rows = [{"offer": "1", "kind": "tape deck", "asked": 0.0, "working_price": 400.0, "built_from": 2010}]
    rows += [{"offer": "2", "family": "Skolm 1", "asked": 400.0, "working_price": 400.0}]
    told = judge(offers_from(rows), empty)
    assert told["ceiling"][0] > 0  # by belief alone it would be one to take
    assert told["verdict"].tolist() == ["try one", "skip"]
    assert (
        told["note"].str.contains("no finished job of its kind stands behind this: at most one to try").all()
    )
