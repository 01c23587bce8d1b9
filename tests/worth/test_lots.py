"""Units that are offered together for one price, held against every way of dealing with them."""

from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pytest

from reliability.terminal import verdict_table
from reliability.worth.judging import (
    VERDICT_COLUMNS,
    find_entry,
    judge,
    offers_from,
    read_unit,
    write_verdicts,
)
from reliability.worth.odds import CASES, appraise

LOT = ("lot_ceiling", "lot_expected_gain", "lot_chance_of_loss", "worth")
RUSTY, SOUND = {"rust": "yes"}, {"rust": "no"}


def offer(name, family="Larkov T1", **more):
    return {"offer": name, "family": family, "built_from": 1983, "built_to": 1983, **more}


def lot(*rows, price=None, name="box"):
    rows = [{"lot": name, **row} for row in rows]
    rows[0]["lot_asked"] = None if price is None else round(float(price), 2)
    return rows


def parts(appraiser, row):
    """The unit's entry, appraisal, and what parts bring at once: by state of knowledge, and case by case."""
    (checked,) = offers_from([row]).to_dict("records")
    entry, _ = find_entry(checked, appraiser)
    unit, _ = read_unit(checked, entry, appraiser, appraiser.as_of)
    broken = entry.remains.mean + entry.remains.doubt * appraiser.shared.draws[:, 2] - entry.other_unrepaired
    return entry, appraise(entry, appraiser.shared, appraiser.terms, unit), broken


def cents(value):
    return np.floor(100 * value + 0.5) / 100


def with_terms(appraiser, **terms):
    return replace(appraiser, terms=replace(appraiser.terms, **terms))


def dear(appraiser, family, **amounts):
    """The same appraiser with other amounts for one family."""
    entry = replace(appraiser.families[family], **amounts)
    return replace(appraiser, families={**appraiser.families, family: entry})


@pytest.fixture(scope="module")
def three(bench_appraiser):
    """A bench on which trying a T1 pays, a T2 is best broken for parts, and a T3 is best passed on."""
    t2, t3 = (bench_appraiser.families[name] for name in ("Larkov T2", "Larkov T3"))
    found = dear(bench_appraiser, "Larkov T2", working_price=15.0, remains=replace(t2.remains, mean=14.0))
    return dear(found, "Larkov T3", working_price=5.0, remains=replace(t3.remains, mean=-3.0))


UNITS = [offer("a", **SOUND), offer("b", **RUSTY), offer("c", "Larkov T2"), offer("d", "Larkov T3", **RUSTY)]


@pytest.mark.parametrize("margin", [0.0, 4.0])
def test_the_ceiling_is_the_best_of_all_ways_of_dealing_with_the_units(three, margin):
    appraiser = with_terms(three, margin=margin)
    table = judge(offers_from(lot(*UNITS, price=60)), appraiser)
    best, gain = -np.inf, None
    ways = []
    for row in UNITS:
        _, appraisal, broken = parts(appraiser, row)
        ways.append((cents(appraisal.gain_free.mean()), cents(broken.mean()), None))
    for choice in product(*ways):
        value = sum(each - margin for each in choice if each is not None)
        if value > best:
            best, gain = value, sum(each for each in choice if each is not None)
    assert table["lot_ceiling"].tolist() == pytest.approx([best] * 4, abs=0.005)
    assert table["lot_expected_gain"].tolist() == pytest.approx([gain - 60] * 4, abs=0.005)
    assert table["worth"].sum() == pytest.approx(table.loc[0, "lot_ceiling"], abs=0.005)
    assert [note.split("lot box: ")[1] for note in table["note"]] == [
        "try",
        "try",
        "break for parts",
        "pass on",
    ]


def sums_below(asked, *groups):
    """Chance that sums fall below a price: units of a group share a state, groups vary on their own."""
    whole, weights = np.zeros(1), np.ones(1)
    for units in groups:
        values, chance = [], []
        for s in range(len(units[0][0])):
            some, of_some = np.zeros(1), np.ones(1) / len(units[0][0])
            for cases, weight in units:
                some = (some[:, None] + cases[s]).ravel()
                of_some = (of_some[:, None] * weight[s]).ravel()
            values.append(some)
            chance.append(of_some)
        values, chance = np.concatenate(values), np.concatenate(chance)
        if len(groups) > 1 and whole.size > 1:
            order = np.argsort(values)
            until = np.concatenate([[0.0], np.cumsum(chance[order])])
            return float(weights @ until[np.searchsorted(values[order], asked - whole, side="left")])
        whole, weights = values, chance
    return float(weights[whole < asked].sum())


def tried(appraiser, row):
    _, appraisal, _ = parts(appraiser, row)
    n = len(appraisal.success)
    return appraisal.cases.reshape(n, -1), n * appraisal.case_weight.reshape(n, -1)


def broken_up(appraiser, row):
    entry, _, broken = parts(appraiser, row)
    cases = broken[:, None] + entry.remains.spread * CASES
    return cases, np.full(cases.shape, 1 / len(CASES))


def chance_of_loss(appraiser, price, *rows):
    (chance,) = set(judge(offers_from(lot(*rows, price=price)), appraiser)["lot_chance_of_loss"])
    return chance


@pytest.mark.parametrize("price", [5, 40, 80, 120])
def test_the_chance_of_a_loss_is_that_of_all_sums(three, price):
    a, b, c, d = UNITS
    one, other, third = tried(three, a), tried(three, b), broken_up(three, c)
    assert chance_of_loss(three, price, a, b) == pytest.approx(sums_below(price, [one, other]), abs=0.004)
    assert chance_of_loss(three, price, a, c) == pytest.approx(sums_below(price, [one], [third]), abs=0.004)
    assert chance_of_loss(three, price, a, b, c, d) == pytest.approx(
        sums_below(price, [one, other], [third]), abs=0.004
    )
    alone = judge(offers_from([{**a, "asked": price}]), three).loc[0, "chance_of_loss"]
    assert chance_of_loss(three, price, a) == alone
    assert chance_of_loss(three, price, a, d) == alone


@pytest.mark.parametrize(("price", "loss"), [(0, 0.0), (3, 1.0)])
def test_a_lot_of_nothing_worth_having(three, price, loss):
    table = judge(offers_from(lot(offer("d", "Larkov T3", **RUSTY), price=price)), three)
    assert table.loc[0, list(LOT)].tolist() == [0.0, -price, loss, 0.0]


def test_units_of_which_the_bench_finished_none_are_no_ground_to_take_a_lot(bench_appraiser):
    new = {**offer("new", None, kind="radio", working_price=400.0), **SOUND}
    (checked,) = offers_from([new]).to_dict("records")
    entry, _ = find_entry(checked, bench_appraiser)
    assert entry.kind_jobs == 0
    table = judge(offers_from(lot(offer("a", **SOUND), new)), bench_appraiser)
    known, unknown = table["worth"]
    assert unknown > 0 < known
    assert table["lot_ceiling"].tolist() == [known, known]
    for price, word in ((known, "take"), (known + 1, "haggle"), (1.25 * known + 1, "try one")):
        table = judge(offers_from(lot(offer("a", **SOUND), new, price=price)), bench_appraiser)
        assert set(table["verdict"]) == {word}


def test_a_lot_of_little_known_families_is_one_to_try_if_that_teaches_enough(bench_appraiser):
    eager = dear(bench_appraiser, "Larkov T3", shift_se=2.0, offers_expected=5_000.0)
    eager = with_terms(eager, haggle_room=0.0)
    rows = [offer("a", "Larkov T3"), offer("b", "Larkov T3")]
    ceiling = judge(offers_from(lot(*rows)), eager).loc[0, "lot_ceiling"]
    price = 1.01 * ceiling
    assert judge(offers_from(lot(*rows, price=price)), eager).loc[0, "verdict"] == "try one"
    few_come = dear(eager, "Larkov T3", offers_expected=0.0)
    assert judge(offers_from(lot(*rows, price=price)), few_come).loc[0, "verdict"] == "skip"
    open_one = dear(eager, "Larkov T3", open_jobs=1)
    assert judge(offers_from(lot(*rows, price=price)), open_one).loc[0, "verdict"] == "skip"


def best_subset(appraiser, rows, worth):
    """Best value over the margin of any subset at its single prices, and the gain of that subset."""
    subsets = [some for k in range(len(rows) + 1) for some in combinations(range(len(rows)), k)]
    return max(
        (sum(worth[i] - rows[i]["asked"] for i in some), some)
        for some in subsets
        if all("asked" in rows[i] for i in some)
    )


@pytest.mark.parametrize("prices", [(30, 20, 6, 1), (60, 60, 60, 60), (10, 90, 3, 0.5), (30, None, 6, None)])
@pytest.mark.parametrize("price", [0.5, 50, 200])
def test_the_best_subset_at_single_prices_is_told_where_it_is_worth_more(three, prices, price):
    rows = [{**row, **({"asked": p} if p is not None else {})} for row, p in zip(UNITS, prices, strict=True)]
    table = judge(offers_from(lot(*rows, price=price)), three)
    worth = table["worth"].to_numpy()
    value, chosen = best_subset(three, rows, worth)
    told = {note.split("better bought singly: ")[1] for note in table["note"] if "singly" in note}
    if value <= max(table.loc[0, "lot_ceiling"] - price, 0.0):
        assert told == set()
        return
    names, paid = ", ".join(rows[i]["offer"] for i in chosen), sum(rows[i]["asked"] for i in chosen)
    assert told == {f"{names} for {paid:.2f} EUR, mean gain {sum(worth[i] for i in chosen) - paid:.2f}"}


def test_lots_in_files_and_at_the_terminal(three, tmp_path):
    table = judge(offers_from([*lot(*UNITS, price=50), offer("x", asked=20)]), three)
    write_verdicts(table, tmp_path / "verdicts.csv")
    lines = (tmp_path / "verdicts.csv").read_text().splitlines()
    assert lines[0].split(",") == list(VERDICT_COLUMNS)
    assert lines[1].split(",")[-4:] == [f"{table.loc[0, name]:.2f}" if name != "lot_chance_of_loss" else
                                        f"{table.loc[0, name]}" for name in LOT]  # fmt: skip
    assert lines[5].endswith(",,,,")
    assert "lot ceiling  lot gain  lot loss" in verdict_table(table)
    assert "lot ceiling" not in verdict_table(judge(offers_from([offer("x")]), three))
