"""Ledgers, offers and a browser for the tests of the pocket card."""

import random
import shutil
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from reliability.records.files import replace_file
from reliability.records.frames import Records, records_from_rows
from reliability.report.card import make_card
from reliability.worth.appraiser import Appraiser, fit_appraiser

CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
#: What marks tests that drive a browser.
BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed"),
    # Playwright's own event loop is closed when its process ends.
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]

# Names that try to be markup, to be cut, to fill the page and to turn its direction.
EVIL = "<script>alert('x')</script> \"T2\" & <b onmouseover=alert(2)>co</b> </script>"
LONG = "Tarnwick" + "interminable" * 14
TURNED = "טייפ דק 80 (B)"
FORMULA = "=1+1 Straße?"
PARTS = ("belt", "gear", "<i>motor</i>", "relay")
SIGNS = ("=damp", "<em>rust</em>", "no power", "constructor")


@dataclass(frozen=True)
class Card:
    """A card on disk, and what it was made from."""

    path: Path
    appraiser: Appraiser
    records: Records


def make_card_of(records, path, **more):
    """Fit a ledger as of its last day and write its card."""
    appraiser = fit_appraiser(records, records.last_date())
    replace_file(path, make_card(appraiser, records, **more))
    return Card(path, appraiser, records)


def nasty_rows():
    """Write a small ledger whose names try to break a page, with caution, a warranty and free time.

    Some families have no years, no price or no job, and one ended before it began.
    """
    families = [
        {"family": EVIL, "kind": "tape deck", "first_year": 1976, "last_year": 1984},
        {"family": LONG, "kind": "tape deck", "first_year": 1970, "last_year": 1990, "working_price": 150},
        {"family": TURNED, "kind": "turntable <u>", "first_year": 1979, "last_year": 1979},
        {"family": FORMULA, "kind": "tape deck", "working_price": 80.5},
        {"family": "constructor", "kind": "'quoted' kind", "first_year": 1995, "last_year": 1971},
        {"family": "STRASSE", "kind": "turntable <u>", "first_year": 1990},
    ]
    models = [{"model": "-X 'nine'", "family": EVIL}, {"model": TURNED, "family": LONG}]
    models.append({"model": "7", "family": "constructor"})
    jobs, findings, signs = [], [], []
    for i in range(60):
        job, year, family = str(i + 1 + (i > 40)), 1972 + i % 14, (EVIL, LONG, LONG, FORMULA)[i % 4]
        gear_fails = (i * 7) % 10 < (8 if year >= 1980 else 2)
        repaired = not (gear_fails and i % 3)
        ending = {"outcome": "repaired", "sold_for": 90 + 3 * i} if repaired else {"outcome": "donor"}
        day = f"20{22 + i // 20}-{1 + i % 12:02}-1{i % 10}"
        row = {
            "job": job, "family": family, "built_from": year, "built_to": year + i % 3, "bought_for": 5 + i,
        }  # fmt: skip
        row |= {"taken_in": day, "closed": day, "hours": 2 + i % 4, **ending}
        jobs.append(row if repaired else row | {"ended_by": "gear", "salvage_value": 12})
        for j, part in enumerate(PARTS):
            failed = gear_fails if part == "gear" else (i * 3 + j * 5) % 11 > 7
            found = {
                "job": job,
                "component": part,
                "found": "failed" if failed else "sound",
                "original": "yes",
            }
            mended = failed and repaired
            findings.append(
                found | ({"action": "replaced", "part_cost": 4 + j} if mended else {"action": "none"})
            )
        signs += [
            {"job": job, "sign": sign, "seen": "yes" if (i * (k + 2) + k) % 5 < 2 or not repaired else "no"}
            for k, sign in enumerate(SIGNS)
            if (i + k) % 3
        ]
    settings = {
        "caution": "0.7", "margin": "7.5", "selling_fee": "0.13", "hour_rate": "0", "warranty_days": "120",
    }  # fmt: skip
    settings |= {"haggle_room": "0.4", "offers_expected": "40", "disposal_cost": "2.35"}
    checks = [{"job": "1", "checked_on": "2022-03-01", "working": "no", "hours": 2, "cost": 9.5}]
    hearsay = [{"family": "constructor", "component": "gear", "age_years": 30, "share_failed": 0.9}]
    return {
        "families": families,
        "models": models,
        "jobs": jobs,
        "findings": findings,
        "signs": signs,
        "followups": checks,
        "hearsay": [row | {"worth_jobs": 200} for row in hearsay],
        "settings": [{"setting": name, "value": value} for name, value in settings.items()],
    }


def nasty_records():
    """Give that ledger."""
    return records_from_rows(nasty_rows())


def random_offers(appraiser, number, seed):
    """Draw offers of every sort, as the texts of an offers file."""
    dice = random.Random(seed)
    return [{"offer": f"{seed}-{i}", **_random_unit(appraiser, dice)} for i in range(number)]


def _random_unit(appraiser, dice):
    families, kinds = list(appraiser.families), [kind for kind in appraiser.kinds if kind]
    near = [name[1:] + "x" for name in families if len(name) < 200] + ["obbelin31O", "strasze"]
    described = {"kind": dice.choice([*kinds, "radio"]), "working_price": f"{dice.uniform(20, 500):.1f}"}
    unit = dice.choice(
        [
            lambda: {"family": dice.choice(families)},
            lambda: {"family": dice.choice(families)},
            lambda: {"model": dice.choice([*appraiser.models, *families])},
            lambda: {"family": dice.choice(near), **described},
            lambda: {"family": dice.choice(["Skolm 1", "x"]), "kind": dice.choice([*kinds, "", "radio"])},
            lambda: {"kind": dice.choice(kinds), "model": dice.choice(["", "M 9"])},
        ]
    )()
    first = dice.randint(1955, 2024)
    if dice.random() < 0.55:
        unit["built_from"] = str(first)
    if dice.random() < 0.45:
        unit["built_to"] = str(min(first + dice.choice([0, 1, 4, 12, 60]), 2025))
    if dice.random() < 0.85:
        unit["asked"] = dice.choice(["0", str(dice.randint(1, 60)), f"{dice.uniform(1, 400):.2f}"])
    if dice.random() < 0.3:
        unit["working_price"] = f"{dice.uniform(20, 500):.1f}"
    if "built_from" not in unit and "built_to" not in unit and dice.random() < 0.2:
        unit["seen_on"] = "1971-03-05"  # before most families were built
    elif dice.random() < 0.5:
        unit["seen_on"] = dice.choice(["2025-01-01", "2025-12-31", "2026-02", "2028-02-29", "2040-07-15"])
    for sign in [*appraiser.shared.signs, "moon phase"]:
        unit[sign] = dice.choice(["", "yes", "no"]) if sign != "moon phase" or dice.random() < 0.1 else ""
    return unit


@contextmanager
def chromium():
    """Open Chromium."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        try:
            yield browser
        finally:
            browser.close()


def choose(page, name):
    page.fill("#name", name)
    page.press("#name", "Tab")


def tick(page, sign, answer):
    page.get_by_role("radiogroup", name=sign, exact=True).get_by_label(answer, exact=True).check()


def settle(page):
    """Wait until the form has judged what was entered last; a later timer of a page never comes first."""
    page.evaluate("() => new Promise((done) => setTimeout(done, 80))")


def fill_in(page, cells, signs):
    """Enter an offer the way a person does."""
    if page.inner_text("#act") == "Next":
        page.click("#act")
    for fold in ("#others", "#more"):
        page.locator(fold).evaluate("fold => { fold.open = true; }")
    choose(page, cells.get("family") or cells.get("model") or "")
    settle(page)
    if page.is_enabled("#kind"):
        page.select_option("#kind", cells.get("kind", ""))
    for field in ("built_from", "built_to", "asked", "working_price"):
        page.fill(f"#{field}", cells.get(field, ""))
    for sign in signs:
        tick(page, sign, {"": "not looked"}.get(cells.get(sign, ""), cells.get(sign, "")))
    page.locator("#seen_on").evaluate(
        "(field, day) => { field.value = day; field.dispatchEvent(new Event('input', {bubbles: true})); }",
        cells.get("seen_on", ""),
    )
    settle(page)
