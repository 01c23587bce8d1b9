"""The pocket card: one HTML file that judges units on a phone without signal."""

import base64
import datetime
import json
from hashlib import sha256
from typing import TYPE_CHECKING, Any

import numpy as np
from markupsafe import Markup
from numpy.typing import ArrayLike, NDArray

from reliability import __version__
from reliability.records.tables import LEFT_BECAUSE
from reliability.records.values import LONGEST_LINE, MOST_MINOR_UNITS, SPREADSHEET_ERRORS
from reliability.report.format import is_known, limit
from reliability.report.run import whose
from reliability.report.show import TEMPLATES, style_sheet, templates
from reliability.worth import judging, odds
from reliability.worth.appraiser import ESTIMATES, SPREADS, TOO_MANY, Appraiser
from reliability.worth.plan import all_cautions

if TYPE_CHECKING:
    from reliability.records.frames import Records

# What the pocket card carries: the appraiser's export, packed for a phone without losing a digit.


DOUBLES = (
    "working_price",
    "price_doubt",
    "offers_expected",
    "reference_age",
    "reference_year",
    "first_year",
    "last_year",
    "oldest_seen",
    "kind_jobs",
    "other_unrepaired",
)
"""Numbers of an entry that keep double precision, in the order in which they are packed."""


def card_data(appraiser: Appraiser, day: datetime.date) -> dict[str, Any]:
    """Pack all that judging needs."""
    export = appraiser.to_export()
    shared = {name: values for name, values in export["shared"].items() if name != "draws"}
    draws, place = export["shared"]["draws"], {family: i for i, family in enumerate(export["families"])}
    points, at = np.unique(np.array(draws, dtype=float), return_inverse=True)
    places = _packed(at.ravel(), "u1")
    return {
        "day": day.isoformat(),
        "as_of": export["as_of"],
        "currency": export["currency"],
        "terms": export["terms"],
        "uncounted": appraiser.tally.jobs_missing if appraiser.tally.gaps == TOO_MANY else 0,
        # All columns of the states of knowledge hold the same points, no more than a byte can count.
        "shared": {**shared, "draws": {"points": points.tolist(), "rows": len(draws), "places": places}},
        "families": [_packed_entry(name, entry) for name, entry in export["families"].items()],
        "kinds": [_packed_entry(name, entry) for name, entry in export["kinds"].items()],
        "models": [[model, place[family]] for model, family in export["models"].items()],
        "folds": _folds(),
        "rules": _rules(),
    }


def _packed_entry(name: str, entry: dict[str, Any]) -> list[Any]:
    """Pack what is known of a family or kind, in the order in which the card's script unpacks it."""
    lives = entry["lives"]
    changes = [[i, year] for i, year in enumerate(lives["change_year"]) if year is not None]
    singles = [entry[each] for each in ESTIMATES]
    singles += [entry[each][part] for each in SPREADS for part in ("mean", "doubt", "spread")]
    for life, repair, cost in zip(lives["life"], lives["repair"], entry["part_cost"], strict=True):
        singles += [*life, *repair, cost]
    for i, _ in changes:
        singles += lives["life_after"][i]
    doubles = _packed([entry[each] for each in DOUBLES], "<f8")
    told = [entry[each] for each in ("kind", "evidence", "jobs_seen", "open_jobs")]
    return [name, *told, lives["components"], changes, doubles, _packed(singles, "<f4")]


def _packed(values: ArrayLike, form: str) -> str:
    """Write numbers as base64; None becomes NaN."""
    array: NDArray[Any] = np.array(values, dtype=float).astype(form)
    return base64.b64encode(array.tobytes()).decode("ascii")


def _folds() -> dict[str, str]:
    """List the letters that lose their case other than by being written small; browsers know no others."""
    letters = map(chr, range(0x20000))  # no character from there on has an upper and a lower case
    return {each: each.casefold() for each in letters if each.casefold() != each.lower()}


def _rules() -> dict[str, Any]:
    """Collect the fixed numbers of the appraisal and the bounds of an offer's cells."""
    year = judging.OFFERS["built_from"]
    return {
        "common": odds.COMMON_DIMENSIONS,
        "tiny": odds.TINY,
        "logit_slope": odds.LOGIT_SLOPE,
        "nodes": odds.NODES.tolist(),
        "node_weights": odds.NODE_WEIGHTS.tolist(),
        "most_seen": odds.MOST_SEEN,
        "cases": odds.CASES.tolist(),
        "few_jobs": judging.FEW_JOBS,
        "ways": [judging.TRY, judging.BREAK, judging.PASS_ON],
        "least_bins": judging.LEAST_BINS,
        "longest_window": judging.LONGEST_WINDOW,
        "most_years": odds.MOST_YEARS,
        "columns": list(judging.NAMES),
        "left_because": LEFT_BECAUSE,
        "years": [year.minimum, year.maximum],
        "most_money": MOST_MINOR_UNITS / 100,
        "longest_line": LONGEST_LINE,
        "spreadsheet_errors": sorted(SPREADSHEET_ERRORS),
    }


# The printed side: families by verdict, found by name, with the price to go up to.


HEADINGS = {
    "take": "at the price usually paid",
    "haggle": "usually a little dearer than it is worth",
    "try one": "the first job would teach enough",
    "skip": "at the price usually paid",
    "": "No usual price, no verdict",
}


# The page: words, styles, scripts and numbers in one file.


SCRIPTS = "numbers data odds appraisal names offers judging lots telling finder list looked_at form".split()
"""Sources of the card's script, in the order in which they are joined."""


def make_card(
    appraiser: Appraiser, records: "Records", *, as_of: datetime.date | None = None, demo: bool = False
) -> str:
    """Make the card for a day; that of the odds if none is given."""
    from reliability.worth.review import ranking, signs_by_worth

    day = as_of or appraiser.as_of
    table = ranking(appraiser, records, as_of=day)
    # Families by name, as one looks them up.
    listed = table.assign(verdict=table["verdict"].fillna(""), folded=table["family"].str.casefold())
    sources = ((TEMPLATES / "card" / f"{each}.js").read_text("utf-8") for each in SCRIPTS)
    lines = (line.strip() for source in sources for line in source.splitlines())
    joined = "\n".join(line for line in lines if line and not line.startswith("//"))
    script = f'(() => {{\n"use strict";\n{joined}\n}})();'
    style = "\n".join(line.strip() for line in style_sheet("card/card.css").splitlines())
    numbers = {
        **card_data(appraiser, day),
        "demo": demo,
        "words": {"below_zero": limit(-1.0), "below_one": limit(0.0)},  # where there is nothing to pay
        "looks": {kind: signs_by_worth(appraiser, records, kind, as_of=day) for kind in appraiser.kinds},
        "usual": {row.family: row.usual_price for row in table.itertuples() if is_known(row.usual_price)},
    }
    packed = json.dumps(numbers, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for each in "<\u2028\u2029":  # nothing in it can end the script that it stands in
        packed = packed.replace(each, f"\\u{ord(each):04x}")
    template = templates().get_template("card/card.html.j2")
    return template.render(
        style=Markup(style),
        script=Markup(script),
        style_hash=_hash(style),
        script_hash=_hash(script),
        numbers=Markup(packed),
        headings=HEADINGS,
        listed=listed.sort_values(["folded", "family"]),
        demo=demo,
        day=day.isoformat(),
        ledger=whose(records, demo),
        appraiser=appraiser,
        cautions=all_cautions(),
        version=__version__,
    )


def _hash(text: str) -> str:
    """Give what the content security policy calls a source that it trusts."""
    return f"sha256-{base64.b64encode(sha256(text.encode('utf-8')).digest()).decode('ascii')}"
