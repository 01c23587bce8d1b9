"""The demo: a made-up workshop, its ledger of eight years, units on offer, and the page beside them."""

import csv
import datetime as dt
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from reliability.records.package import DEMO, described_in
from tests.packages import write_package
from tests.simulate.fleet import (
    SETTINGS,
    Row,
    hearsay_row,
    market_levels,
    run_bench,
    truth_row,
    unwritten_jobs,
)
from tests.simulate.truth import appraise
from tests.simulate.world import CAREFUL, CARELESS, KINDS, Dice, Family, Part, World, decimal_year

# The families of the demo: invented makers, one lesson each.


PARTS_GONE_LONG_AGO, LASERS_GONE = 2010.0, 2019.75


def _family(
    kind: str, name: str, maker: str, years: tuple[int, int], price: float, *,
    parts: Mapping[str, Mapping[str, Any]] | None = None, without: tuple[str, ...] = (), **more: Any,
) -> Family:  # fmt: skip
    """Take what is usual of the kind and change what is special about this family."""
    changes = parts or {}
    usual = KINDS[kind]
    own: list[Part] = [
        replace(part, **changes.get(part.name, {})) for part in usual.parts if part.name not in without
    ]
    more["models"] = tuple(f"{name.split()[0]} {code}" for code in more["models"])
    defaults: dict[str, Any] = {
        "owner_price": price, "damp_share": 0.18, "base_hours": usual.base_hours, "salvage": 0.12 * price,
        "as_is": 0.1 * price,
    }  # fmt: skip
    return Family(
        name=name, kind=kind, maker=maker, first_year=years[0], last_year=years[1], parts=tuple(own),
        signs=usual.signs, price=price, **{**defaults, **more},
    )  # fmt: skip


def demo_families() -> tuple[Family, ...]:
    """Return the fourteen families; `popularity` is about the number of their jobs."""
    return (*_tape_decks(), *_turntables(), *_disc_players(), *_receivers())


def _tape_decks() -> tuple[Family, ...]:
    gone = ((0.0, "yes"), (PARTS_GONE_LONG_AGO, "no"))
    scarce = ((0.0, "yes"), (2016.0, "salvage only"))
    return (
        _family(
            "tape deck", "Obbelin 310", "Obbelin Strake", (1979, 1986), 220,
            parts={"gear": {"scale": 95.0}, "belt": {"scale": 22.0}, "head": {"scale": 85.0},
                   "display": {"dies": 0.05}},
            popularity=60, ask=36, models=("310", "310 S", "312"), priced_on="2025-04", drift=0.02,
            notes="Plain belt drive. New belts and rollers are easy to get.",
        ),
        _family(
            "tape deck", "Obbelin 550", "Obbelin Strake", (1982, 1990), 390, owner_price=420,
            parts={"motor": {"price": 45.0, "skill": 0.85}, "head": {"price": 70.0, "scale": 75.0}},
            popularity=24, ask=140, models=("550", "560"), priced_on="2025-10", price_spread=0.2, drift=0.035,
            base_hours=1.6, notes="Three heads, two motors.",
        ),
        _family(
            "tape deck", "Pellowick 22", "Pellowick Drunn", (1979, 1988), 280,
            parts={"gear": {"scale": 90.0, "shape": 5.0, "change_year": 1984, "change_factor": 0.38,
                            "supply": gone, "rebuild": 0.12}},
            popularity=50, ask=28, models=("22", "22 B", "24"), priced_on="2024-09",
            notes="Cam gear of the mechanism differs between early and late ones.",
        ),
        _family(
            "tape deck", "Yarrowen C7", "Yarrowen Skett", (1985, 1992), 110, owner_price=125,
            parts={"gear": {"scale": 36.0, "shape": 6.0, "supply": gone, "rebuild": 0.05},
                   "display": {"scale": 60.0}},
            popularity=27, ask=14, models=("C7", "C7 X"), priced_on="2023-05", drift=-0.02,
            notes="Gears turn to crumbs.",
        ),
        _family(
            "tape deck", "Fennimoor Reel 4", "Fennimoor Cask", (1971, 1978), 520, owner_price=480,
            parts={"capacitor": {"scale": 50.0}, "motor": {"price": 60.0}, "head": {"supply": scarce},
                   "belt": {"scale": 30.0, "price": 16.0}},
            without=("gear", "display"), popularity=9, ask=125, models=("Reel 4",), priced_on="2025-02",
            base_hours=2.6, other_costs=28.0, price_noise=0.3, notes="Heavy; fetched by car.",
        ),
    )  # fmt: skip


def _turntables() -> tuple[Family, ...]:
    return (
        _family(
            "turntable", "Hulverby D2", "Hulverby Ostrel", (1977, 1984), 240,
            parts={"motor": {"scale": 140.0, "skill": 0.55, "find": 0.7,
                             "supply": ((0.0, "yes"), (2015.0, "salvage only"))},
                   "capacitor": {"scale": 50.0, "skill": 0.97}},
            without=("belt",), popularity=48, ask=90, models=("D2", "D3"), priced_on="2025-06", drift=0.03,
            notes="Direct drive.",
        ),
        _family(
            "turntable", "Hulverby B1", "Hulverby Ostrel", (1980, 1988), 135,
            parts={"belt": {"scale": 20.0}, "tonearm": {"scale": 70.0, "dies": 0.05}},
            popularity=19, ask=20, models=("B1",), priced_on="2024-03",
            notes="Cheap belt drive; the cartridge is half of its price.",
        ),
        _family(
            "turntable", "Crowmarl 60", "Mubbeldon Crowmarl", (1964, 1973), 360, owner_price=330,
            parts={"bearing": {"scale": 70.0}, "motor": {"rebuild": 0.6, "skill": 0.85},
                   "belt": {"name": "idler", "scale": 30.0, "refit": 0.15, "price": 22.0, "rebuild": 0.8}},
            popularity=7, ask=90, models=("60", "60 L"), priced_on="2024-11", price_noise=0.28,
            notes="Idler drive; idlers can be rebuilt.",
        ),
    )  # fmt: skip


def _disc_players() -> tuple[Family, ...]:
    """Return the weak kind: cheap, with lasers that wear out and cannot be replaced."""
    lasers_gone = ((0.0, "yes"), (LASERS_GONE, "no"))
    return (
        _family(
            "disc player", "Tavisk 100", "Tavisk Morrandel", (1986, 1993), 140,
            parts={"laser": {"scale": 38.0, "supply": lasers_gone, "rebuild": 0.02}},
            popularity=32, ask=26, models=("100", "110"), priced_on="2024-06", drift=-0.01,
            notes="The laser is no longer made.",
        ),
        _family(
            "disc player", "Tavisk 700", "Tavisk Morrandel", (1989, 1996), 95, owner_price=110,
            parts={"laser": {"price": 78.0, "scale": 34.0, "too_dear": True}},
            popularity=15, ask=12, models=("700",), priced_on="2023-10", drift=-0.03,
            notes="A laser costs about what the working unit fetches.",
        ),
        _family(
            "disc player", "Ploverine P5", "Ploverine Addick", (1990, 1998), 160,
            parts={"laser": {"scale": 45.0, "price": 26.0}},
            popularity=4, ask=24, models=("P5", "P6"), priced_on="2025-01",
        ),
    )  # fmt: skip


def _receivers() -> tuple[Family, ...]:
    return (
        _family(
            "receiver", "Pellowick R40", "Pellowick Drunn", (1974, 1981), 340, owner_price=315,
            parts={"capacitor": {"scale": 52.0}, "relay": {"scale": 46.0}},
            popularity=40, ask=110, models=("R40", "R45", "R50"), priced_on="2025-08", drift=0.03,
            notes="Much sold; capacitors and relay contacts as a matter of course.",
        ),
        _family(
            "receiver", "Ploverine 2020", "Ploverine Addick", (1978, 1984), 320, owner_price=340,
            parts={"output stage": {"scale": 62.0, "price": 58.0, "skill": 0.6,
                                    "supply": ((0.0, "yes"), (2013.0, "salvage only"))},
                   "switch": {"scale": 42.0, "dies": 0.15, "skill": 0.7}},
            popularity=12, ask=75, models=("2020", "2025"), priced_on="2024-12", base_hours=1.8,
            notes="Output modules fail and are dear; push buttons break when touched.",
        ),
        _family(
            "receiver", "Obbelin R9", "Obbelin Strake", (1981, 1987), 260,
            popularity=0, ask=60, models=("R9", "R9 E"), priced_on="2026-02",
            notes="Offered now and then; none has been on the bench.",
        ),
    )  # fmt: skip


# Units on offer in the weeks after the demo's last job, plain ones and awkward ones.


#: Written by hand, and the source of itself: plain cases of the families with many jobs, with and without bad
#: signs; a family before and after its gear material changed, and a window across the change; a family without a
#: job, no price asked, a sign that nobody ever wrote down, families unknown to the ledger with and without a kind.
OFFERS = Path(__file__).parents[2] / "data" / "demo" / "offers.csv"


# The page beside the demo: that it is invented, how it was made, what is true in it.


PAGE = """# The demo: a workshop that does not exist

Everything in this folder is invented: the harbour town of Skerrowhaven, its workshop with three
benches, makers, models, prices and people. It shows what a ledger of the documented tables looks
like after eight years, and gives the reports something to report. Any likeness to a real maker or
model would be chance. Lives, hours and prices are common practice, no source.

The files are written by

    python -m tests.simulate demo --out data/demo

from a fixed seed; the same command gives the same bytes. `offers.csv` holds units on offer after
the last job, plain ones and awkward ones, for `benchodds judge data/demo/offers.csv --out verdicts.csv`.

The ledger holds {finished} finished jobs and {unfinished} open ones from {first} to {last}. The numbers have
{lost} gaps: jobs that nobody wrote up, {lost_repaired} of them repaired. One job in four was written by a
careless hand that leaves out sound parts, hours and costs.

## What is true of the families

For a unit of unknown year at which nobody has looked, at the end of the ledger: the chance of a
repair, what the unit is worth in EUR if it costs nothing, the price usually asked, the gain to be
expected at it (an hour counts {hour_rate} EUR, selling costs a tenth), and the components that most
often end the job.

| family | kind | jobs | chance | worth | asked | gain | ends the job |
|---|---|---:|---:|---:|---:|---:|---|
{families}

## What there is to find

- **Pellowick 22**: from {change_year} on the cam gear is of a softer material. By now
  {early} of the gears made before have failed, and {late} of those made since; there are no
  new ones. Units built before are worth taking, later ones are not.
- **Yarrowen C7**: the gears crumble ({crumbs} have failed) and cannot be had.
- **Tavisk 100**: the laser could be bought until the autumn of 2019. Repairs before that say
  little about today.
- **Tavisk 700**: a laser costs about what the working unit fetches. The bench gives up, rightly.
- **Hulverby B1** can mostly be repaired and still loses money: parts and time eat the price.
- **Obbelin 550** and **Pellowick R40** are dear and worth it; the owner's estimates of some prices
  are off, and prices have drifted by up to {drift} a year.
- **Ploverine 2020**: output modules are dear and scarce, and push buttons die under the hand.
- **Obbelin R9** has never been on the bench; it is like the other receivers.
- **Disc players** are the weak kind.
- About {damp} of all units were stored damp. That shortens the lives of most components at once
  and lowers the price; rust and a damp store tell of it, not always.
- Signs have false alarms and misses, and often nobody looked. Years are known, known as a window,
  guessed (one guess in five is wrong) or unknown.
- Parts that look original are not always; the two sides of a receiver often fail together.
- Some seasons go better than others, and the bench slowly learns.
- Hearsay: what is said of the gears of Yarrowen C7 and of Ploverine P5 is about right. "The
  gears of Pellowick 22 never fail" and "half of the Obbelin R9 cannot be saved" are wrong.

## What is true of the offers

Given what each offer shows: the chance of a repair, the price at which the expected gain is the
{margin} EUR that a job must promise, and the component most likely to end it. Offers of families that
the ledger does not know have no truth here.

| offer | family | asked | chance | worth up to | chief risk |
|---|---|---:|---:|---:|---|
{offers}
"""


def demo_page(world: World, rows: dict[str, list[Row]], unwritten: tuple[int, int]) -> str:
    """Fill the page from the truth of the world and the rows that were drawn."""
    when = decimal_year(world.end)
    late, crumbs = world.family("Pellowick 22"), world.family("Yarrowen C7")
    change = late.part("gear").change_year or late.first_year
    jobs = rows["jobs"]
    return PAGE.format(
        finished=sum(job["outcome"] != "open" for job in jobs),
        unfinished=sum(job["outcome"] == "open" for job in jobs),
        first=str(jobs[0]["taken_in"])[:7],
        last=world.end.isoformat()[:7],
        lost=unwritten[0],
        lost_repaired=unwritten[1],
        hour_rate=f"{world.amount('hour_rate'):g}",
        margin=f"{world.amount('margin'):g}",
        offers="\n".join(_offer_lines(world)),
        families="\n".join(_family_line(world, family, jobs, when) for family in world.families),
        change_year=change,
        early=_failed(late, "gear", range(late.first_year, change), when),
        late=_failed(late, "gear", range(change, late.last_year + 1), when),
        crumbs=_failed(crumbs, "gear", crumbs.years, when),
        drift=f"{max(abs(family.drift) for family in world.families):.1%}",
        damp=f"{world.families[0].damp_share:.0%}",
    )


def _family_line(world: World, family: Family, jobs: list[Row], when: float) -> str:
    truth = appraise(world, family, when=when)
    finished = sum(job["family"] == family.name and job["outcome"] != "open" for job in jobs)
    worst = sorted(truth.ends_by.items(), key=lambda item: -item[1])[:2]
    ends = ", ".join(f"{name} {chance:.0%}" for name, chance in worst)
    money = f"{truth.worth:.0f} | {family.ask:.0f} | {truth.worth - family.ask:.0f}"
    return f"| {family.name} | {family.kind} | {finished} | {truth.success:.0%} | {money} | {ends} |"


def _offer_lines(world: World) -> list[str]:
    families = {family.name: family for family in world.families}
    families |= {model: family for family in world.families for model in family.models}
    lines = []
    for cells in csv.DictReader(OFFERS.read_text(encoding="utf-8").splitlines()):
        offer: Row = {name: cell or None for name, cell in cells.items()}
        family = families.get(str(offer["family"] or offer["model"]))
        if family:
            truth = truth_row(world, offer, family, None)
            money = f"{cells['asked']} | {truth['success_chance']:.0%} | {truth['ceiling']:.0f}"
            lines.append(f"| {offer['offer']} | {family.name} | {money} | {truth['chief_risk']} |")
    return lines


def _failed(family: Family, component: str, years: range | tuple[int, ...], when: float) -> str:
    """Share of the original parts built in `years` that have failed, over all storage."""
    part, damp = family.part(component), family.damp_share
    shares = [
        (1 - damp) * part.failed_by(year, when, False) + damp * part.failed_by(year, when, True)
        for year in years
    ]
    return f"{sum(shares) / len(shares):.0%}"


# The demo: a made-up workshop, its ledger of eight years and units on offer.


DEMO_SEED = 20261071
MARKET_SEED = 7  # apart, so that another ledger can be drawn from the same truth
DEMO_JOBS = 300


def demo_world() -> World:
    """Return the truth of the demo."""
    families = demo_families()
    start, end = dt.date(2018, 1, 10), dt.date(2026, 10, 31)
    kinds = sorted({family.kind for family in families})
    own: dict[str, float | str] = {"hour_rate": 6.0, "selling_fee": 0.1, "disposal_cost": 5.0, "margin": 5.0}
    world = World(
        name="demo",
        families=families,
        settings={**SETTINGS, **own},
        start=start,
        end=end,
        market=market_levels(kinds, start, end, Dice(MARKET_SEED, "market")),
        season_sd=0.25,
        learning=0.02,
        careful=replace(CAREFUL, lost_failed=0.05),
        careless=replace(CARELESS, lost_failed=0.15),
        careless_share=0.25,
        job_prefix="B",
        usual_jobs=DEMO_JOBS,
    )
    return replace(world, hearsay=_hearsay(world))


def _hearsay(world: World) -> tuple[Mapping[str, float | str | None], ...]:
    """Say what the trade says: right of two families, wrong of two others."""
    collectors, trader = "a circle of collectors", "the trader at the flea market"
    late, crumbs = world.family("Pellowick 22"), world.family("Yarrowen C7")
    return (
        hearsay_row(world, crumbs, crumbs.part("gear"), 0.2, 4, collectors),
        hearsay_row(world, late, late.part("gear"), -2.5, 3, trader),
        hearsay_row(world, world.family("Obbelin R9"), None, -1.2, 3, trader),
        hearsay_row(world, world.family("Ploverine P5"), None, 0.1, 2, collectors),
    )


def write_demo(out: Path) -> None:
    """Write the demo as a CSV data package, with the offers and a page on what is true of it.

    An earlier demo in the folder is replaced; one that holds something else is refused.
    """
    world, offers = demo_world(), OFFERS.read_bytes()
    rows = run_bench(world, DEMO_JOBS, DEMO_SEED)
    page = demo_page(world, rows, unwritten_jobs(world, DEMO_JOBS, DEMO_SEED))
    if described_in(out).get(DEMO) is True:
        shutil.rmtree(out)
    write_package(rows, out, demo=True)
    (out / "offers.csv").write_bytes(offers)
    (out / "README.md").write_text(page, encoding="utf-8", newline="\n")
