"""The demo: a made-up workshop, its ledger of eight years and units on offer."""

import csv
import datetime as dt
import io
import json
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from reliability.records.tables import TABLES
from reliability.simulate.demo_families import demo_families
from reliability.simulate.demo_offers import OFFERS
from reliability.simulate.dice import Dice
from reliability.simulate.fleet import Rows, run_bench
from reliability.simulate.make import SETTINGS, hearsay_row, market_levels
from reliability.simulate.recorder import Row
from reliability.simulate.world import CAREFUL, CARELESS, World

DEMO_SEED = 20261031
DEMO_JOBS = 300


def demo_world() -> World:
    """Return the truth of the demo."""
    families = demo_families()
    start, end = dt.date(2018, 1, 10), dt.date(2026, 10, 31)
    kinds = sorted({family.kind for family in families})
    world = World(
        name="demo",
        families=families,
        settings={**SETTINGS, "hour_rate": 6.0, "selling_fee": 0.1, "disposal_cost": 5.0, "margin": 5.0},
        start=start,
        end=end,
        market=market_levels(kinds, start, end, Dice(DEMO_SEED, "market")),
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
    """What the trade says: right of two families, wrong of two others."""
    gears, trader = "a forum of collectors", "the trader at the flea market"
    late, crumbs = world.family("Pellowick 22"), world.family("Yarrowen C7")
    return (
        hearsay_row(world, crumbs, crumbs.part("gear"), 0.2, 4, gears),
        hearsay_row(world, late, late.part("gear"), -2.5, 3, trader),
        hearsay_row(world, world.family("Obbelin R9"), None, -1.2, 3, trader),
        hearsay_row(world, world.family("Ploverine P5"), None, 0.1, 2, gears),
    )


def demo_rows() -> Rows:
    """Draw the ledger of the demo: rows of every documented table."""
    return run_bench(demo_world(), DEMO_JOBS, DEMO_SEED)


def write_demo(out: Path) -> None:
    """Write the demo as a CSV data package, with the offers and a page on what it is.

    Parameters
    ----------
    out : Path
        Folder; it is made if it does not exist, files of the same names are replaced.
    """
    out.mkdir(parents=True, exist_ok=True)
    rows = demo_rows()
    resources = []
    for name, table in TABLES.items():
        _write(out / f"{name}.csv", table.names, rows.get(name, []))
        resources.append({"name": name, "path": f"{name}.csv"})
    (out / "datapackage.json").write_text(
        json.dumps({"name": "demo", "resources": resources}, indent=2) + "\n"
    )
    _write(out / "offers.csv", list(OFFERS[0]), OFFERS)


def _write(path: Path, names: Iterable[str], rows: Iterable[Row]) -> None:
    text = io.StringIO()
    writer = csv.DictWriter(text, list(names), lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow(
            {k: "" if v is None else f"{v:g}" if isinstance(v, float) else v for k, v in row.items()}
        )
    path.write_bytes(text.getvalue().encode())
