"""The one description of every table: columns, allowed values, keys, references, rules.

SQL columns and CHECKs, the Table Schema of exported packages, data-frame types, the checks of
every row and the reference page all come from here. Nothing heavy is imported.
"""

from reliability.records.columns import (
    KINDS,
    Column,
    Table,
    choice,
    date,
    hours,
    money,
    must,
    pieces,
    share,
    text,
    year,
)
from reliability.records.reference import markdown
from reliability.records.rules import (
    dates_in_order,
    empty_exactly_where,
    exactly_one,
    if_then,
    needs,
    never_where,
    only_where,
    together,
    year_by_date,
    years_in_order,
)
from reliability.records.vocabulary import (
    ACTIONS,
    AROSE,
    ENDED_WHY,
    FOUND,
    OUTCOMES,
    SETTINGS,
    UNREPAIRED,
    USUAL_COMPONENTS,
    USUAL_SIGNS,
    YEAR_BASES,
    YES_NO,
    usual_components,
)

__all__ = [
    "KINDS",
    "SETTINGS",
    "TABLES",
    "USUAL_COMPONENTS",
    "USUAL_SIGNS",
    "Column",
    "Table",
    "as_markdown",
    "usual_components",
]

# fmt: off
FAMILIES = Table(
    "families",
    "Models that share a mechanism or a chassis, and so their weak spots.",
    (
        must("family", "name of the family"),
        must("kind", "tape deck, turntable, receiver and so on"),
        text("maker", "who made it"),
        year("first_year", "first year of production"),
        year("last_year", "last year of production"),
        money("working_price", "what the owner thinks a serviced, working unit fetches"),
        date("priced_on", "when that estimate was made"),
        Column("price_spread", "number", "relative standard deviation of that price; empty counts as 0.25",
               minimum=0, maximum=5),
        text("notes", "anything else, several lines if need be", multiline=True),
    ),
    ("family",),
    {},
    (years_in_order("first_year", "last_year"), needs("priced_on", "working_price"),
     needs("price_spread", "working_price")),
)

MODELS = Table(
    "models",
    "Names on front panels, and the family each belongs to.",
    (
        must("model", "name on the front panel"),
        must("family", "the family it belongs to"),
        year("first_year", "first year of production"),
        year("last_year", "last year of production"),
    ),
    ("model",),
    {"family": "families"},
    (years_in_order("first_year", "last_year"),),
)

JOBS = Table(
    "jobs",
    "One unit's passage over the bench.",
    (
        must("job", "the bench's number, given in sequence at intake and never used again: "
              "an optional prefix, then digits"),
        must("family", "the family of the unit"),
        text("model", "name on the front panel"),
        text("lot", "units bought together for one price share a lot"),
        year("built_from", "first year in which the unit can have been made"),
        year("built_to", "last year in which it can have been made; equal to built_from if known"),
        choice("year_basis", YEAR_BASES, "where the year comes from"),
        date("taken_in", "when the unit came to the bench", required=True),
        date("closed", "when the job ended"),
        choice("outcome", OUTCOMES, "donor: kept for parts; sold as is: sold or given away unrepaired; "
                "open: not finished", required=True),
        money("bought_for", "what the unit cost"),
        hours("hours", "bench time to the end of the job"),
        money("other_costs", "postage, travel, consumables: what no single component caused"),
        money("sold_for", "what the unit was sold for; empty while unsold or kept"),
        date("sold_on", "when it was sold"),
        money("salvage_value", "the parts kept, at what buying them used would cost"),
        text("ended_by",
             "component that ended a job without a repair; counts as failed, with or without a finding"),
        choice("ended_why", ENDED_WHY, "why the job ended without a repair"),
        text("origin", "empty for this bench's own jobs, else the source that it was imported from"),
        text("remarks", "anything else, several lines if need be", multiline=True),
    ),
    ("job",),
    {"family": "families"},
    (
        years_in_order("built_from", "built_to"),
        needs("year_basis", "built_from", "built_to"),
        year_by_date("built_from", "taken_in"),
        year_by_date("built_to", "taken_in"),
        dates_in_order("taken_in", "closed"),
        empty_exactly_where("closed", "outcome", "open"),
        only_where("sold_for", "outcome", "repaired", "sold as is"),
        only_where("sold_on", "outcome", "repaired", "sold as is"),
        dates_in_order("taken_in", "sold_on"),
        never_where("salvage_value", "outcome", "open"),
        only_where("ended_by", "outcome", *UNREPAIRED),
        only_where("ended_why", "outcome", *UNREPAIRED),
    ),
)

FINDINGS = Table(
    "findings",
    "What state a component was in. A component without a row was not examined; soundness is written down.",
    (
        must("job", "the job"),
        must("component", "belt, pinch roller, motor and so on; an open list"),
        text("position", "left, right and so on, where a unit has several", default=""),
        choice("found", FOUND, "worn: it works, but a careful bench replaces it", required=True),
        choice("original", ("yes", "no", "unknown"), "whether it is the part the unit was built with; "
                "empty counts as unknown, which is taken as original and flagged"),
        year("fitted_from", "first year in which a part that is not original can have been fitted"),
        year("fitted_to", "last year in which it can have been fitted"),
        choice("arose", AROSE, "during work: alive at the unit's age, it failed on the bench",
               default="as received"),
        date("failed_from", "earliest day on which it can have failed"),
        date("failed_to", "latest day on which it can have failed"),
        choice("action", ACTIONS, "what was done; no part: no replacement could be had; "
                "none on a failed part: never tried"),
        money("part_cost", "what the part cost; a salvaged one at what buying it used would cost"),
        choice("part_source", ("new", "salvaged"), "where the part came from"),
    ),
    ("job", "component", "position", "arose"),
    {"job": "jobs"},
    (
        only_where("fitted_from", "original", "no"),
        only_where("fitted_to", "original", "no"),
        years_in_order("fitted_from", "fitted_to"),
        if_then("arose", "during work", "found", "failed", "it died on the bench"),
        only_where("failed_from", "found", "failed"),
        only_where("failed_to", "found", "failed"),
        dates_in_order("failed_from", "failed_to"),
        never_where("part_cost", "action", "none", "no part"),
        never_where("part_source", "action", "none", "no part"),
    ),
)

SIGNS = Table(
    "signs",
    "What could be seen before any tool was picked up. A sign without a row was not looked for.",
    (
        must("job", "the job"),
        must("sign", "rust, no power, hum and so on; an open list"),
        choice("seen", YES_NO, "whether it was there", required=True),
    ),
    ("job", "sign"),
    {"job": "jobs"},
)

FOLLOWUPS = Table(
    "followups",
    "What became of a repaired unit.",
    (
        must("job", "the job"),
        date("checked_on", "when somebody looked or asked", required=True),
        choice("working", YES_NO, "whether it worked then", required=True),
        date("failed_on", "when it failed, if the day is known"),
        text("component", "what failed"),
        hours("hours", "bench time that the check or the second repair took"),
        money("cost", "what it cost beside time"),
    ),
    ("job", "checked_on"),
    {"job": "jobs"},
    (
        only_where("failed_on", "working", "no"),
        only_where("component", "working", "no"),
        dates_in_order("failed_on", "checked_on"),
    ),
)

PARTS = Table(
    "parts",
    "What a repair can draw on. The row of a family comes before the general row.",
    (
        must("component", "the component"),
        text("family", "the family that the row is for; empty: every family without a row of its own"),
        choice("obtainable", ("yes", "salvage only", "no"), "whether a replacement can be had",
               required=True),
        money("price", "price of one pack, or of one piece where pack_size is empty"),
        pieces("pack_size", "pieces in one pack; empty counts as 1"),
        pieces("per_unit", "pieces that one unit needs; empty counts as 1"),
        date("as_of", "when this was looked up"),
    ),
    ("component", "family"),
    {"family": "families"},
)

HEARSAY = Table(
    "hearsay",
    "What the trade says before the bench has seen it; kept apart from records and weighed like them.",
    (
        text("family", "the family that it is about"),
        text("kind", "or the kind that it is about"),
        text("component", "the component, for a share of failed parts"),
        Column("age_years", "number", "age of the part", above=0, maximum=200, unit="years"),
        share("share_failed", "share of original parts that have failed by that age"),
        share("share_repaired", "share of units that can be repaired"),
        Column("worth_jobs", "number", "how many records it is worth", required=True,
               above=0, maximum=1_000_000, unit="jobs"),
        text("told_by", "who says so"),
    ),
    ("family", "kind", "component", "age_years", "told_by"),
    {"family": "families"},
    (
        exactly_one("family", "kind"),
        exactly_one("share_failed", "share_repaired"),
        together("component", "share_failed"),
        together("age_years", "share_failed"),
    ),
)

SETTINGS_TABLE = Table(
    "settings",
    "What holds for the whole ledger; see the list of settings.",
    (must("setting", "its name"), must("value", "its value")),
    ("setting",),
    {},
)

# fmt: on

#: Every table by name, in an order in which each refers only to earlier ones.
TABLES: dict[str, Table] = {
    table.name: table
    for table in (SETTINGS_TABLE, FAMILIES, MODELS, JOBS, FINDINGS, SIGNS, FOLLOWUPS, PARTS, HEARSAY)
}


def as_markdown() -> str:
    """Write the reference page of every table, column and rule."""
    return markdown(TABLES, SETTINGS)
