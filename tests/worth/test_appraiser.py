"""The fit as a whole: what it is made of, what is kept of it, and what everyone in the trade knows."""

import datetime
import json
import os
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy.stats import lognorm

from reliability.errors import UnknownName
from reliability.records import database
from reliability.records.frames import Records, records_from_rows
from reliability.records.ledger import open_ledger
from reliability.worth import appraiser as kept
from reliability.worth.appraiser import appraiser_of, fit_appraiser, kept_folder, last_day, revived
from reliability.worth.judging import judge, offers_from, read_offers, unit_of
from reliability.worth.money import log_spread
from reliability.worth.odds import appraise
from reliability.worth.plan import plan_unit
from reliability.worth.review import explain
from tests.worth.ledgers import DEMO, finding, job
from tests.worth.units import verdict


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


def test_an_appraiser_kept_on_disk_judges_alike(demo_appraiser):
    kept = revived(json.loads(json.dumps(demo_appraiser.to_export())))
    offers = read_offers(DEMO / "offers.csv")
    pd.testing.assert_frame_equal(judge(offers, kept), judge(offers, demo_appraiser))
    assert kept.tally == demo_appraiser.tally


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
    was, now = (verdict(a, family="Larkov T3") for a in (before, appraiser))
    assert now["success_chance"] < was["success_chance"]
    assert now["chief_risk"] == "motor"


def test_explanation_adds_up(bench_appraiser):
    why = explain(bench_appraiser, family="Larkov T1", built_from=1983)
    told = verdict(bench_appraiser, family="Larkov T1", built_from=1983, asked=20.0)
    assert why.components.loc[0, "component"] == told["chief_risk"] == "gear"
    assert why.components["ends_job"].is_monotonic_decreasing
    # Outcome by outcome the gain at no price, weighed, is the expected gain plus the price.
    entry, unit, _ = unit_of(bench_appraiser, "Larkov T1", built_from=1983)
    common, terms = bench_appraiser.shared, bench_appraiser.terms
    repaired, lost = (
        appraise(replace(entry, shift=shift), common, terms, unit).gain_free for shift in (50.0, -50.0)
    )
    mean = (lost + why.appraisal.success * (repaired - lost)).mean()
    assert_allclose(mean, told["expected_gain"] + 20.0, atol=0.01)
    told = r"The ledger holds no family 'Larkov T9'; known: Larkov T1.* Did you mean"
    with pytest.raises(UnknownName, match=told):
        explain(bench_appraiser, family="Larkov T9")


def test_from_nothing_nothing_is_taken():
    empty = fit_appraiser(Records(), datetime.date(2025, 1, 10))
    rows = [{"offer": "1", "kind": "tape deck", "asked": 0.0, "working_price": 400.0, "built_from": 2010}]
    rows += [{"offer": "2", "family": "Skolm 1", "asked": 400.0, "working_price": 400.0}]
    told = judge(offers_from(rows), empty)
    assert told["ceiling"][0] > 0  # by belief alone it would be one to take
    assert told["verdict"].tolist() == ["try one", "skip"]
    assert (
        told["note"].str.contains("no finished job of its kind stands behind this: at most one to try").all()
    )


# ---- kept on disk


JOB = {"family": "Larkov T1", "taken_in": "2024-05-01", "closed": "2024-05-03", "outcome": "repaired"}
LAST = datetime.date(2024, 5, 3)


@pytest.fixture
def ledger(tmp_path):
    with open_ledger(tmp_path / "bench.db", create=True) as opened:
        opened.put("families", [{"family": "Larkov T1", "kind": "tape deck"}], reason="first")
        opened.add({"job": JOB})
        yield opened


@pytest.fixture
def fits(bench_appraiser, monkeypatch):
    """Days for which something was fitted; the fit itself is one made before."""
    days = []

    def fit(records, as_of):
        days.append((as_of, len(records.jobs)))
        return replace(bench_appraiser, as_of=as_of)

    monkeypatch.setattr(kept, "fit_appraiser", fit)
    return days


def test_it_is_fitted_once_and_again_after_a_write(ledger, fits, tmp_path):
    first = appraiser_of(ledger)
    again = appraiser_of(ledger)
    assert fits == [(LAST, 1)]
    assert again.to_export() == first.to_export()
    assert appraiser_of(ledger, as_of=datetime.date(2030, 1, 1)).as_of == LAST
    assert kept_folder(ledger) == tmp_path / ".benchodds"
    assert len(list(kept_folder(ledger).glob("*.json"))) == len(fits) == 1
    ledger.add({"job": {**JOB, "closed": "2024-06-01"}})
    assert appraiser_of(ledger).as_of == datetime.date(2024, 6, 1)
    assert fits[1:] == [(datetime.date(2024, 6, 1), 2)]


def test_an_earlier_day_knows_nothing_of_later_jobs_and_is_not_kept(ledger, fits):
    ledger.add({"job": {**JOB, "taken_in": "2024-07-01", "closed": "2024-07-02"}})
    day = datetime.date(2024, 6, 1)
    assert appraiser_of(ledger, as_of=day).as_of == day
    assert fits == [(day, 1)]
    appraiser_of(ledger)
    appraiser_of(ledger, as_of=day)
    assert len(fits) == 3


def test_a_day_before_a_correction_is_served_by_what_was_written_then(ledger, fits, monkeypatch):
    ledger.add({"job": JOB})
    appraiser_of(ledger)
    monkeypatch.setattr(database, "utc_now", lambda: "2031-05-01T12:00:00.000Z")
    ledger.withdraw("2", reason="never was one")
    appraiser_of(ledger)
    assert fits == [(LAST, 2), (LAST, 1)]
    before, after = datetime.date(2031, 4, 30), datetime.date(2031, 5, 1)
    assert appraiser_of(ledger, as_of=before).as_of == LAST
    assert fits[2:] == [(LAST, 2)]
    appraiser_of(ledger, as_of=after)
    assert len(fits) == 3  # the kept one knows of the withdrawal


@pytest.mark.parametrize("damage", ["", '{"format": 1}', "[1, 2", "half"])
def test_a_damaged_one_is_made_again(ledger, fits, bench_appraiser, damage):
    appraiser_of(ledger)
    (file,) = kept_folder(ledger).glob("*.json")
    whole, half = file.read_text(), {**bench_appraiser.to_export(), "shared": {}}
    file.write_text(json.dumps(half) if damage == "half" else damage)
    appraiser_of(ledger)
    assert len(fits) == 2
    assert file.read_text() == whole


def test_where_it_cannot_be_kept_the_user_is_told(ledger, fits, tmp_path):
    (tmp_path / ".benchodds").write_text("a file in the way")
    said = []
    appraiser_of(ledger, warn=said.append)
    (sentence,) = said
    assert sentence.startswith(f"The odds could not be kept in {tmp_path / '.benchodds'} (")
    assert sentence.endswith("): the next run fits them again.")


def test_old_ones_make_room(ledger, fits):
    for number in range(kept.MOST_KEPT + 3):
        ledger.put("settings", [{"setting": "margin", "value": str(number + 1)}], reason="dearer")
        appraiser_of(ledger)
    assert len(list(kept_folder(ledger).glob("*.json"))) == kept.MOST_KEPT
    appraiser_of(ledger)
    assert len(fits) == kept.MOST_KEPT + 3


def test_without_any_date_the_day_is_today():
    assert last_day(Records()) == datetime.date.today()


@pytest.mark.skipif(os.name != "posix", reason="file permissions of POSIX")
def test_odds_that_others_may_have_written_are_not_read(ledger, fits):
    appraiser_of(ledger)
    folder = kept_folder(ledger)
    assert folder.stat().st_mode & 0o777 == 0o700
    (file,) = folder.glob("*.json")
    assert file.stat().st_mode & 0o777 == 0o600
    said = []
    for place, mode in ((file, 0o622), (folder, 0o777), (file, 0o660)):
        place.chmod(mode)
        appraiser_of(ledger, warn=said.append)
        assert appraiser_of(ledger, warn=said.append)  # written anew, and closed to others
    told = f"Odds kept in {folder} are not used, for others may write there: they are fitted anew."
    assert said == [told] * 3
    assert len(fits) == 4


# ---- ledgers that leave out what others hold


DAY = datetime.date(2025, 1, 10)
NAME = "Larkov T1"
NO_YEAR = {"built_from": None, "built_to": None}


def bare_ledger(jobs, **family):
    return {
        "families": [{"family": NAME, "kind": "tape deck", "working_price": 100.0, **family}],
        "jobs": jobs,
        "findings": [finding(row["job"], "gear", "sound") for row in jobs],
    }


def fitted(rows):
    return fit_appraiser(records_from_rows(rows), DAY)


def test_where_no_year_is_known_at_all_a_unit_is_judged_nevertheless():
    appraiser = fitted(bare_ledger([job(1, NAME, "repaired", **NO_YEAR)]))
    row = judge(offers_from([{"offer": "1", "family": NAME, "asked": 10}]), appraiser).iloc[0]
    assert row["note"] == "production year not given, 1985 assumed"
    assert 0 < row["success_chance"] < 1


@pytest.mark.parametrize(("jobs", "is_belief"), [([], True), ([job(1, NAME, "repaired")], False)])
def test_a_plan_that_no_finished_job_of_the_kind_stands_behind_says_so(jobs, is_belief):
    sentence = plan_unit(fitted(bare_ledger(jobs)), family=NAME, built_from=1982, built_to=1984).sentence
    belief = " That is belief alone: no finished job of its kind stands behind this."
    assert sentence.endswith(belief) == is_belief


# The relative standard deviation of a lognormal amount, from scipy's own moments.
@pytest.mark.parametrize("relative", [0.1, 0.25, 1.0, 5.0])
def test_a_relative_spread_is_that_of_a_lognormal_price(relative):
    price = lognorm(log_spread(np.array(relative)))
    assert_allclose(price.std() / price.mean(), relative)


# ---- what everyone in the trade knows must come out (common practice, no source)


def test_visible_rust_lowers_the_odds(demo_appraiser, bench_appraiser):
    for appraiser in (demo_appraiser, bench_appraiser):
        for family in appraiser.families:
            chance = {s: verdict(appraiser, family=family, rust=s)["success_chance"] for s in ("yes", "no")}
            assert chance["yes"] < chance["no"], family


MONEY = {
    "families": ("working_price",),
    "jobs": ("bought_for", "sold_for", "salvage_value", "other_costs"),
    "findings": ("part_cost",),
    "followups": ("cost",),
    "parts": ("price",),
}


def test_another_currency_changes_the_money_and_nothing_else(bench_rows):
    settings = {"hour_rate": 8, "selling_fee": 0.1, "disposal_cost": 4, "warranty_days": 180}
    verdicts = []
    for times in (1, 150):
        rows = {
            table: [
                {k: v * times if k in MONEY.get(table, ()) and v else v for k, v in row.items()}
                for row in rows
            ]
            for table, rows in bench_rows.items()
        }
        owner = {k: v * times if k in ("hour_rate", "disposal_cost") else v for k, v in settings.items()}
        rows["settings"] = [{"setting": k, "value": str(v)} for k, v in owner.items()]
        appraiser = fit_appraiser(records_from_rows(rows), DAY)
        verdicts += [
            verdict(appraiser, family=name, asked=30.0 * times) for name in ("Larkov T1", "Larkov T3")
        ]
    for here, there in zip(verdicts[:2], verdicts[2:], strict=True):
        assert there["success_chance"] == here["success_chance"]
        assert there["chance_of_loss"] == pytest.approx(here["chance_of_loss"], abs=0.0002)
        for name in ("ceiling", "expected_gain", "gain_low", "gain_high"):
            assert there[name] == pytest.approx(
                150 * here[name], abs=1.5
            )  # a cent of the smaller unit, twice
