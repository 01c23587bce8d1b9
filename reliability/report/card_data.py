"""What the pocket card carries: the appraiser's export, packed for a phone without losing a digit."""

import base64
import datetime
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from reliability.records.values import LONGEST_LINE, MOST_MINOR_UNITS, SPREADSHEET_ERRORS
from reliability.worth.appraisal import CASES, FEW_JOBS, MOST_YEARS
from reliability.worth.appraiser import ESTIMATES, SPREADS, TOO_MANY, Appraiser
from reliability.worth.judging import LONGEST_WINDOW, NAMES, OFFER_COLUMNS
from reliability.worth.odds import COMMON_DIMENSIONS, LOGIT_SLOPE, MOST_SEEN, NODE_WEIGHTS, NODES, TINY

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
)
"""Numbers of an entry that keep double precision, in the order in which they are packed."""

_LAST_WITH_CASE = 0x20000
"""No character from here on has an upper and a lower case."""


def card_data(appraiser: Appraiser, day: datetime.date) -> dict[str, Any]:
    """Pack all that judging needs.

    Parameters
    ----------
    appraiser : Appraiser
    day : datetime.date
        Day of the sale where an offer does not say.

    Returns
    -------
    dict
        JSON-able. Families and kinds are lists ``[name, kind, evidence, jobs_seen, open_jobs, components,
        changes, doubles, singles]``; the last two are little-endian numbers in base64: `DOUBLES`; then what
        the appraiser holds in single precision: `ESTIMATES`; `SPREADS`, each as mean, doubt and
        spread; component by component the life (5), the repair (2) and the part cost; the lives
        after a change (5 for each component that has one).
    """
    export = appraiser.to_export()
    shared = {name: values for name, values in export["shared"].items() if name != "draws"}
    place = {family: i for i, family in enumerate(export["families"])}
    return {
        "day": day.isoformat(),
        "as_of": export["as_of"],
        "currency": export["currency"],
        "terms": export["terms"],
        "uncounted": appraiser.tally.jobs_missing if appraiser.tally.gaps == TOO_MANY else 0,
        "shared": {**shared, "draws": _packed_draws(export["shared"]["draws"])},
        "families": [_packed_entry(name, entry) for name, entry in export["families"].items()],
        "kinds": [_packed_entry(name, entry) for name, entry in export["kinds"].items()],
        "models": [[model, place[family]] for model, family in export["models"].items()],
        "folds": _folds(),
        "rules": _rules(),
    }


def _packed_entry(name: str, entry: dict[str, Any]) -> list[Any]:
    lives = entry["lives"]
    changed = [i for i, year in enumerate(lives["change_year"]) if year is not None]
    doubles = [entry[each] for each in DOUBLES]
    singles = [entry[each] for each in ESTIMATES]
    singles += [entry[each][part] for each in SPREADS for part in ("mean", "doubt", "spread")]
    singles += [
        number
        for life, repair, cost in zip(lives["life"], lives["repair"], entry["part_cost"], strict=True)
        for number in (*life, *repair, cost)
    ]
    singles += [number for i in changed for number in lives["life_after"][i]]
    return [
        name,
        entry["kind"],
        entry["evidence"],
        entry["jobs_seen"],
        entry["open_jobs"],
        lives["components"],
        [[i, lives["change_year"][i]] for i in changed],
        _packed(doubles, "<f8"),
        _packed(singles, "<f4"),
    ]


def _packed_draws(draws: Sequence[Sequence[float]]) -> dict[str, Any]:
    """Pack the states of knowledge: all columns hold the same points, only their order differs."""
    table = np.array(draws, dtype=float)
    points = np.unique(table)
    places = np.searchsorted(points, table)
    return {
        "points": points.tolist(),
        "rows": len(table),
        "places": _packed(places.ravel(), "<u2" if points.size > 256 else "u1"),
        "wide": points.size > 256,
    }


def _packed(values: ArrayLike, form: str) -> str:
    """Write numbers as base64; None becomes NaN."""
    array: NDArray[Any] = np.array(values, dtype=float).astype(form)
    return base64.b64encode(array.tobytes()).decode("ascii")


def _folds() -> dict[str, str]:
    """List the characters that lose their case otherwise than by being written small.

    A browser knows no case folding; with this list it finds near names as the command line does.
    """
    return {
        letter: letter.casefold()
        for letter in map(chr, range(_LAST_WITH_CASE))
        if letter.casefold() != letter.lower()
    }


def _rules() -> dict[str, Any]:
    """Collect the fixed numbers of the appraisal and the bounds of an offer's cells."""
    year = OFFER_COLUMNS[NAMES.index("built_from")]
    return {
        "common": COMMON_DIMENSIONS,
        "tiny": TINY,
        "logit_slope": LOGIT_SLOPE,
        "nodes": NODES.tolist(),
        "node_weights": NODE_WEIGHTS.tolist(),
        "most_seen": MOST_SEEN,
        "cases": CASES.tolist(),
        "few_jobs": FEW_JOBS,
        "longest_window": LONGEST_WINDOW,
        "most_years": MOST_YEARS,
        "columns": list(NAMES),
        "years": [year.minimum, year.maximum],
        "most_money": MOST_MINOR_UNITS / 100,
        "longest_line": LONGEST_LINE,
        "spreadsheet_errors": sorted(SPREADSHEET_ERRORS),
    }
