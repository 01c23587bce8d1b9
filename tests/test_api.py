"""What `import reliability` gives: records from anywhere, labelled results, odds that answer."""

import dataclasses
import datetime

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose

import reliability as rel
from reliability.errors import InvalidInput
from reliability.records.package import import_package, load_package_records
from reliability.worth.appraiser import fit_appraiser
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge, offers_from
from reliability.worth.lives import family_components, kind_components, later, pool_lives, unit_findings
from reliability.worth.plan import plan_unit
from reliability.worth.review import ranking
from reliability.worth.stock import stock
from tests.packages import write_package
from tests.worth.ledgers import finding, job

pytestmark = pytest.mark.usefixtures("no_windows")


@pytest.fixture(scope="module")
def tables():
    """Sixteen decks of Larkov T1, six of T2: belts that perish with age, gears that end jobs; one open job."""
    jobs, findings, signs = [], [], []
    for n in range(1, 23):
        family = "Larkov T1" if n <= 16 else "Larkov T2"
        broken = n % 4 == 0
        built = 1972 + n if n <= 16 else 1985
        end = {"ended_by": "gear", "salvage_value": 15.0} if broken else {}
        jobs.append(
            job(n, family, "donor" if broken else "repaired", built_from=built, built_to=built, **end)
        )
        findings.append(finding(n, "gear", "failed" if broken else "sound"))
        if family == "Larkov T1":
            perished = n < 13 and n not in (2, 7)
            findings.append(finding(n, "belt", "failed" if perished else "sound"))
        else:
            findings.append(finding(n, "belt", "sound"))
        signs.append({"job": str(n), "sign": "rust", "seen": "yes" if broken else "no"})
    jobs.append(job(23, "Larkov T1", "open", built_from=1980, built_to=1980))
    findings.append(finding(23, "belt", "failed"))
    span = {"first_year": 1970, "last_year": 1990, "working_price": 110.0}
    families = [
        {"family": name, "kind": "tape deck", **span} for name in ("Larkov T1", "Larkov T2", "Larkov T3")
    ]
    return {"families": families, "jobs": jobs, "findings": findings, "signs": signs}


@pytest.fixture(scope="module")
def records(tables):
    return rel.load(tables)


@pytest.fixture(scope="module")
def odds(records):
    return rel.fit(records)


def same(one, other):
    assert one.fingerprint() == other.fingerprint()


# ---- records from anywhere


def test_tables_a_folder_and_a_ledger_give_the_same_records(tables, records, tmp_path):
    assert repr(records) == "Records of 3 families and 23 jobs, up to 2024-12-24"
    write_package(tables, tmp_path / "csv")
    same(rel.load(str(tmp_path / "csv")), records)
    same(rel.load(tmp_path / "csv"), load_package_records(tmp_path / "csv"))
    file = tmp_path / "bench.db"
    with rel.open_ledger(file, create=True) as ledger:
        import_package(tmp_path / "csv", ledger)
        same(rel.load(ledger), records)
    same(rel.load(file), records)
    same(rel.load(f"sqlite:///{file}"), records)
    assert rel.load(records) is records


def test_frames_with_missing_cells_are_read_like_rows(tables, records):
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    frames["jobs"]["taken_in"] = pd.to_datetime(frames["jobs"]["taken_in"])
    frames["jobs"]["sold_for"] = frames["jobs"]["sold_for"].astype("Float64")
    frames["jobs"].loc[22, ["built_from", "built_to"]] = np.nan
    assert frames["jobs"]["built_from"].dtype == float
    frames["signs"]["seen"] = frames["signs"]["seen"] == "yes"
    loaded = rel.load(frames)
    assert np.isnan(loaded.jobs["built_from"]).sum() == 1
    again = loaded.jobs.assign(
        built_from=loaded.jobs["built_from"].fillna(1980), built_to=loaded.jobs["built_to"].fillna(1980)
    )
    same(dataclasses.replace(loaded, jobs=again), records)


def test_records_of_a_day_leave_out_what_came_later(tables, records):
    early = rel.load(records, as_of="2024-06-30")
    assert len(early.jobs) == (records.jobs["taken_in"] <= "2024-06-30").sum() < len(records.jobs)
    same(rel.load(tables, as_of=datetime.date(2024, 6, 30)), early)


def test_every_fault_of_tables_is_told(tables):
    torn = {**tables, "signs": [{"job": "99", "sign": "rust", "seen": "maybe"}, {"job": "1", "sign": "rust"}]}
    with pytest.raises(InvalidInput) as caught:
        rel.load(torn)
    assert caught.value.message == "3 faults found. Nothing was read."
    assert "there is no job '99'" in caught.value.faults[1]
    assert caught.value.faults[0].startswith("signs, row 1, column seen: 'maybe' is not one of yes, no")


# ---- lives


def test_lives_are_those_of_the_own_bench_with_their_labels(tables):
    foreign = [dict(each, origin="a museum") for each in tables["jobs"][:4]]
    lives = rel.lives({**tables, "jobs": [*foreign, *tables["jobs"][4:]]})
    table = lives.table().set_index(["component", "family"])
    assert lives.labels.columns.tolist() == ["component", "family", "kind"]
    assert table.loc[("belt", "Larkov T1"), "n_failed"] == 10 - 3 + 1  # the open job's belt as well
    assert table.loc[("belt", "Larkov T1"), "n_sound"] == 6 - 1
    assert table.loc[("gear", "Larkov T2")].tolist()[1:3] == [1, 5]
    oldest = 2024 + 5 / 12 - (1977 + 0.5)  # job 5 was taken in on 6 June
    assert table["oldest_years"].max() == pytest.approx(oldest, abs=1 / 12)
    assert repr(lives) == "Lives (failed) of 2 components in 2 families"


def test_results_agree_with_the_fits_that_they_label(records):
    lives = rel.lives(records)
    fitted, curves = lives.weibull(level=0.8), lives.curve(level=0.8)
    alone = rel.lives(records, "belt", "Larkov T1")
    at = lives.labels.index[(lives.labels["component"] == "belt") & (lives.labels["family"] == "Larkov T1")][
        0
    ]
    one, curve = alone.weibull(level=0.8), alone.curve(level=0.8).curves[0]
    assert fitted.table().loc[at, "status"] == "ok"
    numbers = fitted.table().columns[4:]
    assert_allclose(
        fitted.table().loc[[at], numbers].to_numpy(float), one.table()[numbers].to_numpy(float), rtol=1e-9
    )
    row = one.table().iloc[0]
    assert_allclose(row["b10_years"], row["scale_years"] * (-np.log(0.9)) ** (1 / row["shape"]))
    assert_allclose(one.fit.failed_by(row["b50_years"])[0], 0.5)
    b50 = [f"b50{end}_years" for end in ("", "_low", "_high")]
    assert row[b50].tolist() == np.ravel(one.fit.life(0.5)).tolist()
    steps = curves.table()
    mine = steps[(steps["component"] == "belt") & (steps["family"] == "Larkov T1")]
    assert mine["method"].unique().tolist() == ["isotonic"]
    assert_allclose(mine["failed"], curve.failed)
    assert repr(one) == "Weibull lives (failed) of belt in Larkov T1, 1 of 1 estimated"
    assert repr(curves) == "Curves (failed; isotonic) of 2 components in 2 families"


def test_pooled_lives_are_those_that_verdicts_rest_on(records):
    bench = read_bench(records, records.last_date())
    whole, _ = pool_lives(bench, unit_findings(bench, family_components(bench, kind_components(bench))))
    pooled = rel.lives(records, "belt", "Larkov T2").pooled()
    assert pooled.table()["family"].tolist() == ["Larkov T2"]
    told = [each.failed_by("belt", "Larkov T2", 40, year=1985) for each in (pooled.pooled, whole)]
    assert_allclose(*told)
    assert repr(pooled) == "Pooled lives (failed) of belt in Larkov T2"


def test_a_family_that_changed_in_a_year_stands_there_twice(records):
    pooled = rel.lives(records, "belt").pooled()
    apart = rel.pool(
        rel.LifeRecords([0, 30, 0, 30], [40, np.inf, 40, np.inf]),
        component=["belt"] * 4,
        family=["Larkov T1", "Larkov T1", later("Larkov T1"), "Larkov T2"],
    )
    changed = dataclasses.replace(pooled, pooled=apart, changes={("Larkov T1", "belt"): 1984.0})
    rows = changed.table()[["family", "built"]].to_numpy().tolist()
    assert rows == [["Larkov T1", "before 1984"], ["Larkov T1", "from 1984"], ["Larkov T2", ""]]
    axes = changed.plot()
    labels = [text.get_text() for text in axes.get_legend().get_texts()]
    assert labels == ["Larkov T1, before 1984", "Larkov T1, from 1984", "Larkov T2"]
    oldest, late = axes.lines[1].get_xydata()[-1]
    assert late == apart.failed_by("belt", later("Larkov T1"), oldest)[0]


def test_worn_parts_end_lives_only_if_asked(tables):
    worn = [*tables["findings"], finding(3, "motor", "worn")]
    failed, needing = (
        rel.lives({**tables, "findings": worn}, "motor", event=each) for each in ("failed", "needs work")
    )
    assert failed.table()[["n_failed", "n_sound"]].to_numpy().tolist() == [[0, 1]]
    assert needing.table()[["n_failed", "n_sound"]].to_numpy().tolist() == [[1, 0]]
    with pytest.raises(
        InvalidInput,
        match=r"Lives are pooled for the event 'failed', which verdicts use; these are for 'needs work'\.",
    ):
        needing.pooled()


@pytest.mark.parametrize("result", ["weibull", "curve", "pooled"])
def test_a_result_is_frozen_and_its_table_is_shown_in_notebooks(records, result):
    lives = rel.lives(records, "belt")
    found = getattr(lives, result)()
    for each in (lives, found):
        shown = each._repr_html_()
        assert "<td>Larkov T2</td>" in shown
        assert repr(each) in shown
        with pytest.raises(dataclasses.FrozenInstanceError):
            each.lives = None


# ---- pictures and notebooks


def test_odds_and_plans_are_shown_in_notebooks(odds):
    for each in (odds, odds.plan(family="Larkov T1")):
        shown = each._repr_html_()
        assert "<table" in shown
        assert repr(each) in shown


def test_a_fit_is_drawn_over_its_steps_and_dashed_beyond_its_records(records):
    lives = rel.lives(records, "belt")
    axes = lives.weibull().plot()
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("Age in years", "Failed by this age")
    assert axes.get_title() == repr(lives).partition(" of ")[2]
    legend = [text.get_text() for text in axes.get_legend().get_texts()]
    assert legend == ["Larkov T1", "Larkov T2 (no failures)"]
    steps, _, smooth, dashed = axes.lines[:4]
    drawn = steps.get_drawstyle(), smooth.get_linestyle(), dashed.get_linestyle()
    assert drawn == ("steps-post", "-", "--")
    oldest = lives.table()["oldest_years"][0]
    assert smooth.get_xdata()[-1] == dashed.get_xdata()[0] == oldest
    assert smooth.get_ydata()[-1] == lives.weibull().fit.failed_by(oldest)[0][0]
    assert np.isnan(axes.lines[4].get_ydata()).all()  # no curve where there is no estimate
    assert not axes.collections


@pytest.mark.parametrize("result", ["weibull", "curve", "pooled"])
def test_a_single_life_is_drawn_with_its_band_on_axes_that_are_given(records, result):
    from matplotlib.figure import Figure

    given = Figure().subplots()
    axes = getattr(rel.lives(records, "belt", "Larkov T1"), result)().plot(given)
    assert axes is given
    assert len(axes.collections) == 1
    assert axes.get_legend().get_texts()[0].get_text() == "Larkov T1"


# ---- odds


def test_odds_answer_as_the_functions_that_they_call(records, odds):
    appraiser = fit_appraiser(records, records.last_date())
    assert odds.as_of == records.last_date()
    assert odds.families == ("Larkov T1", "Larkov T2", "Larkov T3")
    assert repr(odds) == "Odds of 3 families as of 2024-12-24"
    assert odds.ranking().equals(ranking(appraiser, records))
    assert odds.stock().equals(stock(appraiser, records))
    built = {"family": "Larkov T1", "built_from": 1980, "built_to": 1980}
    planned = plan_unit(appraiser, **built, signs={"rust": "no"}, found={"belt": "failed"})
    described = odds.plan(family="Larkov T1", built=1980, signs={"rust": False}, found={"belt": "failed"})
    assert described.table().equals(planned.moves)
    assert described.table() is not described.moves
    of_job = odds.plan(23)
    assert of_job.family == "Larkov T1"
    day = records.jobs.set_index("job").loc["23", "taken_in"].date()
    told = odds.plan(family="Larkov T1", built=1980, found={"belt": "failed"}, seen_on=day)
    assert of_job.table().equals(told.moves)
    assert odds.plan("23").sentence == of_job.sentence


def test_odds_of_a_day_know_nothing_later(tables, records):
    early = rel.fit(tables, as_of="2024-08-31")
    assert early.as_of == early.records.last_date() <= datetime.date(2024, 8, 31)
    assert early.ranking().equals(rel.fit(rel.load(tables, as_of="2024-08-31")).ranking())
    assert rel.fit(records, as_of="2030-01-01").as_of == records.last_date()


def test_a_unit_can_be_described_in_any_way(odds, tmp_path):
    row = {"offer": "barn 3", "family": "Larkov T1"}
    row |= {"built_from": 1980, "built_to": 1984, "asked": 20, "rust": "yes"}
    wanted = judge(offers_from([row]), odds.appraiser)
    text = ",".join(row) + "\n" + ",".join(map(str, row.values())) + "\n"
    (tmp_path / "offers.csv").write_text(text, encoding="utf-8")
    frame = pd.DataFrame([row])
    numbers = frame.assign(built_from=np.int64(1980), built_to=1984.0, rust=np.bool_(True), seen_on=pd.NaT)
    for offers in (row, [row], (row,), frame, numbers, tmp_path / "offers.csv", str(tmp_path / "offers.csv")):
        assert odds.judge(offers).equals(wanted)
    by_words = odds.judge(family="Larkov T1", built=(1980, 1984), asked=20, signs={"rust": True})
    assert by_words["offer"].tolist() == ["Larkov T1"]
    assert by_words.drop(columns="offer").equals(wanted.drop(columns="offer"))
    one_year = odds.judge(family="Larkov T1", built=np.int64(1980), asked=20)
    assert one_year["ceiling"].equals(odds.judge(family="Larkov T1", built=(1980, 1980), asked=20)["ceiling"])
    unnamed = odds.judge([{"family": "Larkov T1"}, {"family": "Larkov T2"}])
    assert unnamed["offer"].tolist() == ["1", "2"]
    assert unnamed["verdict"].tolist() == [None, None]
    new = odds.judge(kind="tape deck", working_price=90, asked=5, seen_on="2024-12-31")
    assert new["evidence"].tolist() == ["pooled only"]


def test_odds_are_kept_with_the_records_that_they_belong_to(odds, records, tables, tmp_path):
    file = tmp_path / "odds.json"
    odds.save(str(file))
    again = rel.Odds.load(file, tables)
    assert again.ranking().equals(odds.ranking())
    assert (again.as_of, file.stat().st_mode & 0o077) == (odds.as_of, 0)
    with pytest.raises(InvalidInput, match=r"odds\.json was fitted to other records\. Fit the odds anew\."):
        rel.Odds.load(file, rel.load(records, as_of="2024-06-30"))
    for content in ("[]", "{}", file.read_text("utf-8").replace('"format": ', '"format": 1'), "\0"):
        (tmp_path / "torn.json").write_text(content, encoding="utf-8")
        with pytest.raises(
            InvalidInput, match=r"torn\.json cannot be read: it holds no odds of this version"
        ):
            rel.Odds.load(tmp_path / "torn.json", records)
    with pytest.raises(InvalidInput, match=r"none\.json cannot be read: No such file or directory"):
        rel.Odds.load(tmp_path / "none.json", records)


# ---- refusals

ONE, UNIT = [{"family": "Larkov T1"}], {"family": "Larkov T1"}
NEITHER = r"`judge` takes offers .* or one unit by keywords, .*; it got neither\."
BUILT = r"`built` must be a year such as 1982, or two such as \(1979, 1984\); got "
PLAN = r"`plan` takes the number of an open job, or a unit: its family, .*; not both\."


@pytest.mark.parametrize(
    ("ask", "message"),
    [
        (lambda _: rel.load(17),
         r"Records come from a ledger \(a file, a URL or an open one\), .*; got int\."),
        (lambda _: rel.load("nowhere.db"), r"There is no ledger .*nowhere\.db"),
        (lambda _: rel.load({"job": []}), r"There is no table 'job'; known: .* Did you mean 'jobs'"),
        (
            lambda odds: rel.load(
                {**odds.records.frames(), "signs": [{"job": "99", "sign": "x", "seen": "no"}]}
            ),
            r"signs, row 1, column job: there is no job '99'",
        ),
        (lambda odds: rel.load(odds.records, as_of="17.5.2026"),
         r"`as_of` must be a date .*; got '17\.5\.2026'\."),
        (lambda odds: rel.load(odds.records, as_of=2026),
         r"`as_of` must be a date such as 2026-05-17; got 2026\."),
        (lambda odds: rel.lives(odds.records, "bell"),
         r"No records of component 'bell'; known: belt, gear\. Did you"),
        (lambda odds: rel.lives(odds.records, family="Larkov T3"),
         "No records of family 'Larkov T3'; known: Larkov"),
        (lambda odds: rel.lives(odds.records, "gear", ["Larkov T2", "Larkov T9"]),
         "No records of gear in family 'Larkov T9'; known: Larkov T1, Larkov T2"),
        (lambda odds: rel.lives(odds.records, event="broke"),
         "There is no event 'broke'; known: failed, needs work"),
        (lambda _: rel.lives({}), r"No finding of this bench tells anything \(there is none\)\."),
        (lambda odds: odds.judge(), NEITHER),
        (lambda odds: odds.judge(ONE, asked=20), r"it got both\."),
        (lambda odds: odds.judge(**UNIT, built="1980"), BUILT + "'1980'"),
        (lambda odds: odds.judge(**UNIT, built=(1980,)), BUILT + r"\(1980,\)"),
        (lambda odds: odds.judge(**UNIT, built=1980.5), BUILT + "1980.5"),
        (lambda odds: odds.judge(**UNIT, seen_on="soon"), r"`seen_on` must be a date .*; got 'soon'\."),
        (lambda odds: odds.judge(**UNIT, signs={"ruts": "maybe"}),
         r"offer Larkov T1, column ruts: read as a sign: 'maybe' is not one of yes, no"),
        (lambda odds: odds.judge(**UNIT, signs=["rust"]), r"`signs` must say .*; got \['rust'\]\."),
        (lambda odds: odds.judge(**UNIT, asked=20, signs={"asked": 5}),
         r"A sign cannot be called 'asked': offers have .* `benchodds rename` gives it another\."),
        (lambda odds: odds.plan(**UNIT, found=["belt"]), r"`found` gives states by component, .*; got \['belt'\]\."),
        (lambda odds: odds.save("nowhere/odds.json"), r"nowhere/odds\.json cannot be written: [Nn]o such"),
        (lambda odds: odds.plan(**UNIT, signs={"family": "yes"}), "A sign cannot be called 'family'"),
        (lambda odds: odds.judge(pd.DataFrame([{**UNIT, "offer": 7}])),
         r"Column offer of the frame holds numbers, .*; read it as text: pd\.read_csv\(\.\.\., dtype=\{'offer': str\}\)\."),
        (lambda odds: odds.judge([UNIT, 5]), r"Rows are a data frame, or cells by column .*; got 5\."),
        (lambda odds: odds.judge(5), r"Rows are .*; got 5\."),
        (lambda _: rel.load({"jobs": "1"}), r"Rows are .*; got '1'\."),
        (lambda odds: odds.plan(), PLAN),
        (lambda odds: odds.plan(built=1980), PLAN),
        (lambda odds: odds.plan("23", family="Larkov T1"), PLAN),
        (lambda odds: odds.plan("23", built=1980), PLAN),
        (lambda odds: odds.plan(99), "There is no open job '99'; known: 23"),
        (lambda odds: odds.plan(1), "Job 1 is finished"),
    ],
)  # fmt: skip
def test_what_cannot_be_answered_is_refused(odds, ask, message):
    with pytest.raises(rel.BenchoddsError, match=message):
        ask(odds)
