"""The demo: a made-up workshop, its ledger of eight years and units on offer."""

import csv
import datetime as dt
import io
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from reliability.records.package import write_package
from reliability.simulate.demo_families import demo_families
from reliability.simulate.demo_offers import OFFERS
from reliability.simulate.demo_page import demo_page
from reliability.simulate.dice import Dice
from reliability.simulate.fleet import Rows, run_bench, unwritten_jobs
from reliability.simulate.habits import CAREFUL, CARELESS
from reliability.simulate.make import SETTINGS, hearsay_row, market_levels
from reliability.simulate.world import World

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


def demo_rows() -> Rows:
    """Draw the ledger of the demo: rows of every documented table."""
    return run_bench(demo_world(), DEMO_JOBS, DEMO_SEED)


def write_demo(out: Path) -> None:
    """Write the demo as a CSV data package, with the offers and a page on what is true of it.

    Parameters
    ----------
    out : Path
        Folder; it is made if it does not exist, an earlier demo in it is replaced.

    Raises
    ------
    InvalidInput
        If the folder holds something else.
    """
    world, rows = demo_world(), demo_rows()
    write_package(rows, out)
    (out / "offers.csv").write_bytes(_offers_text().encode())
    page = demo_page(world, rows, unwritten_jobs(world, DEMO_JOBS, DEMO_SEED))
    (out / "README.md").write_text(page, encoding="utf-8", newline="\n")


def _offers_text() -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(OFFERS[0]), lineterminator="\r\n")
    writer.writeheader()
    for row in OFFERS:
        cells = {name: f"{value:g}" if isinstance(value, float) else value for name, value in row.items()}
        writer.writerow(cells)
    return text.getvalue()
