import datetime

from reliability.life.lives import observe
from reliability.records.frames import records_from_rows
from reliability.worth import lives
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.lives import changes_of, pool_lives, unit_findings, worst_findings
from reliability.worth.review import explain
from tests.worth.ledgers import finding, job

DAY = datetime.date(2025, 1, 10)
COMPONENTS = {"Larkov T1": ("belt", "gear"), "Larkov T2": ("belt", "gear")}


def small(jobs, findings):
    families = [{"family": name, "kind": "tape deck", "working_price": 100.0} for name in COMPONENTS]
    return records_from_rows({"families": families, "jobs": jobs, "findings": findings})


def test_a_unit_fails_by_its_worst_position():
    rows = [
        finding(1, "relay", "sound", position="left"),
        finding(1, "relay", "failed", position="right"),
        finding(1, "belt", "worn"),
    ]
    kept = worst_findings(small([job(1, "Larkov T1", "repaired")], rows).findings)
    assert kept[["component", "found"]].to_numpy().tolist() == [["belt", "worn"], ["relay", "failed"]]
    assert (kept["position"] == "").all()


def test_a_death_on_the_bench_does_not_hide_a_failure_on_arrival():
    rows = [
        finding(1, "relay", "failed", position="left", arose="during work"),
        finding(1, "relay", "failed", position="right"),
        finding(1, "belt", "failed", position="a", arose="during work"),
        finding(1, "belt", "worn", position="b"),
    ]
    kept = worst_findings(small([job(1, "Larkov T1", "donor")], rows).findings).set_index("component")
    assert kept["arose"].to_dict() == {"relay": "as received", "belt": "during work"}


def test_silence_about_a_repaired_unit_means_sound():
    jobs = [
        job(1, "Larkov T1", "repaired"),  # says nothing of its gear: it works, so it had not failed
        job(2, "Larkov T1", "donor", ended_by="belt"),  # may have been given up before anyone looked
        job(3, "Larkov T1", "repaired"),  # says nothing at all
        job(4, "Larkov T1", "repaired", origin="elsewhere"),
    ]
    records = small(jobs, [finding(n, "belt", "failed") for n in (1, 2, 4)])
    told = unit_findings(read_bench(records, DAY), COMPONENTS)
    implied = told[told["component"] == "gear"]
    assert implied[["job", "found", "arose"]].to_numpy().tolist() == [["1", "sound", "as received"]]
    assert len(told) == 4


def built_in(n, year):
    """A unit of a known year, taken in over ten years, so that age and year can be told apart."""
    day = f"{2014 + n // 8}-05-{1 + n % 27:02d}"
    days = {"taken_in": day, "closed": day, "sold_on": day}
    return job(n, "Larkov T1", "repaired", built_from=year, built_to=year, **days)


def gears_that_changed(change=1985):
    """Eighty units of known years: gears of the change year and later have failed, older ones hold."""
    jobs, findings = [], []
    for n in range(1, 81):
        year = 1981 + n % 8
        jobs.append(built_in(n, year))
        findings.append(finding(n, "gear", "failed" if year >= change else "sound"))
        findings.append(finding(n, "belt", "failed" if n % 3 else "sound"))
    return small(jobs, findings)


def test_a_change_of_material_is_found_and_told_apart():
    bench = read_bench(gears_that_changed(), DAY)
    lives = pool_lives(bench, unit_findings(bench, COMPONENTS))
    assert lives.changes == {("Larkov T1", "gear"): 1985.0}
    appraiser = fit_appraiser(gears_that_changed(), DAY)
    old, new = (
        explain(appraiser, family="Larkov T1", built_from=year).components.set_index("component")["failed"]
        for year in (1983, 1987)
    )
    assert old["gear"] < 0.15
    assert new["gear"] > 0.8
    assert abs(old["belt"] - new["belt"]) < 0.15


def test_only_the_components_with_most_records_are_searched(monkeypatch):
    monkeypatch.setattr(lives, "MOST_SEARCHED", 1)
    records = gears_that_changed()
    seen = observe(records.jobs, records.findings, records.families)
    assert changes_of(seen) == {}  # belts and gears are told of alike, and belts come first
    is_told = (records.findings["component"] == "gear") | (records.findings["job"] != "1")
    seen = observe(records.jobs, records.findings[is_told], records.families)
    assert changes_of(seen) == {("Larkov T1", "gear"): 1985.0}
