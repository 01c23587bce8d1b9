"""The one description of every table: columns, allowed values, keys, references, rules.

The database schema, the data package, the CSV columns, the data frames, the checks of
every row and the page of the tables all come from here. Nothing heavy is imported.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

# Rules between the columns of one row, each stated once for Python, SQL and the reader.

Row = Mapping[str, Any]


@dataclass(frozen=True)
class Rule:
    """One statement that must hold within every row of a table."""

    name: str  # with the table's name in front it names the CHECK in the database
    column: str  # beside which a fault is shown
    columns: tuple[str, ...]  # that it looks at
    statement: str
    holds: Callable[[Row], bool]  # an empty cell is None
    sql: str  # the same for SQLite and PostgreSQL; true or NULL where it holds


def date_not_before(later: str, earlier: str) -> bool:
    """Tell whether one ISO date can be on or after another; a month alone may be any day of it."""
    return later[: len(earlier)] >= earlier[: len(later)]


def full_date(date: str) -> str:
    """Give the day that a date stands for: a month alone stands for its 16th."""
    return date if len(date) == 10 else f"{date}-16"


def quoted(values: Iterable[object]) -> str:
    """Write words as a list in SQL."""
    return ", ".join("'" + str(value).replace("'", "''") + "'" for value in values)


def stating(
    name: str, statement: str, sql: str, holds: Callable[[Any, Any, tuple[str, ...]], bool], beside: int = 0
) -> Callable[..., Rule]:
    """Make what states one sort of rule of two columns by a test of their cells, and of words if it has any.

    In its texts {0} and {1} are the names of the columns, {words} and {listed} the words; a fault is shown
    beside the column of number `beside`.
    """

    def rule(first: str, second: str, *words: str) -> Rule:
        more = {"words": " or ".join(words), "listed": quoted(words)}
        named, said, tested = (text.format(first, second, **more) for text in (name, statement, sql))
        columns = (first, second)
        return Rule(
            named, columns[beside], columns, said, lambda row: holds(row[first], row[second], words), tested
        )

    return rule


# fmt: off
years_in_order = stating(
    "{0}_to_{1}", "{1} is not below {0}", "{0} <= {1}",
    lambda first, last, _: first is None or last is None or first <= last, beside=1)
dates_in_order = stating(
    "{0}_to_{1}", "{1} is on or after {0}",
    "substr({1}, 1, length({0})) >= substr({0}, 1, length({1}))",
    lambda first, last, _: first is None or last is None or date_not_before(last, first), beside=1)
year_by_date = stating(
    "{0}_by_{1}", "{0} is not after the year of {1}", "{0} <= CAST(substr({1}, 1, 4) AS INTEGER)",
    lambda year, date, _: year is None or date is None or year <= int(date[:4]))
only_where = stating(
    "{0}_only_where_{1}", "{0} is given only where {1} is {words}",
    "{0} IS NULL OR coalesce({1}, '') IN ({listed})",
    lambda cell, other, words: cell is None or other in words)
never_where = stating(
    "{0}_never_where_{1}", "{0} is empty where {1} is {words}",
    "{0} IS NULL OR coalesce({1}, '') NOT IN ({listed})",
    lambda cell, other, words: cell is None or other not in words)
empty_exactly_where = stating(
    "{0}_empty_where_{words}", "{0} is empty where {1} is {words}, and only there",
    "({0} IS NULL) = ({1} = {listed})",
    lambda cell, other, words: (cell is None) == (other in words))
exactly_one = stating(
    "either_{0}_or_{1}", "exactly one of {0} and {1} is given", "({0} IS NULL) <> ({1} IS NULL)",
    lambda one, other, _: (one is None) != (other is None))
not_both = stating(
    "{0}_or_{1}", "{0} and {1} are not both given ({words})", "{0} IS NULL OR {1} IS NULL",
    lambda one, other, _: one is None or other is None)
together = stating(
    "{0}_with_{1}", "{0} and {1} are given together or not at all", "({0} IS NULL) = ({1} IS NULL)",
    lambda one, other, _: (one is None) == (other is None))
# fmt: on


def needs(column: str, *others: str) -> Rule:
    """State that a column says something only beside at least one of the others."""
    return Rule(
        f"{column}_needs_{others[0]}", column, (column, *others),
        f"{column} is given only beside {' or '.join(others)}",
        lambda row: row[column] is None or any(row[other] is not None for other in others),
        " OR ".join([f"{column} IS NULL", *(f"{other} IS NOT NULL" for other in others)]),
    )  # fmt: skip


def at_least_one(*columns: str) -> Rule:
    """State that of some columns one or more are filled."""
    return Rule(
        f"one_of_{'_'.join(columns)}", columns[0], columns, f"at least one of {', '.join(columns)} is given",
        lambda row: any(row[column] is not None for column in columns),
        " OR ".join(f"{column} IS NOT NULL" for column in columns),
    )  # fmt: skip


# What a column and a table are, and how the tables' columns are written down.

FIRST_YEAR, LAST_YEAR = 1800, 2100
MOST_HOURS = 10_000

#: Kinds of cell that hold numbers.
NUMERIC = ("year", "count", "money", "hours", "number")
#: Kinds of cell, and how each is written. `choice` is a text out of a closed list.
KINDS = {
    "text": "text, one line unless stated",
    "choice": "one of the listed words",
    "year": "four digits",
    "date": "2026-05-17, or 2026-05 where only the month is known",
    "money": "plain decimal in the ledger's currency, no more decimals than it has",
    "hours": "decimal hours",
    "number": "plain decimal",
    "count": "whole number",
}


@dataclass(frozen=True, eq=False)
class Column:
    """One column of one table: of the database, CSV files, data frames and job sheets."""

    name: str
    kind: str  # one of `KINDS`
    meaning: str  # of a filled cell
    required: bool = False
    allowed: tuple[str, ...] = ()  # empty for open lists
    minimum: float | None = None
    maximum: float | None = None
    above: float | None = None  # not included
    unit: str = ""
    default: str | None = None  # stored in place of an empty cell, where that is not "not known"
    multiline: bool = False


@dataclass(frozen=True)
class Table:
    """One table."""

    name: str
    meaning: str  # of one row
    columns: tuple[Column, ...]  # in the order in which they are exported
    key: tuple[str, ...]  # no two rows share it
    #: A column to the table whose key, of one column, it must hold.
    references: Mapping[str, str] = field(default_factory=dict)
    rules: tuple[Rule, ...] = ()

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    def __getitem__(self, name: str) -> Column:
        return next(column for column in self.columns if column.name == name)

    def __iter__(self) -> Iterator[Column]:
        return iter(self.columns)


_FOLDING = re.compile("_(only_where|never_where|empty_where|needs|fixes|or)_")


def may_be_filled(table: Table, column: str, row: Row) -> bool:
    """Tell whether a column can say anything beside what the others of its row say."""
    values = [word for word in table[column].allowed if word != table[column].default] or ["0"]
    rules = [rule for rule in table.rules if column in rule.columns and _FOLDING.search(rule.name)]
    whole = {**dict.fromkeys(table.names), **row}
    return all(any(rule.holds({**whole, column: value}) for value in values) for rule in rules)


def of_kind(kind: str, **usually: Any) -> Callable[..., Column]:
    """Make what describes the usual columns of a kind: name, meaning, and what is unlike the others."""
    return lambda name, meaning, **more: Column(name, kind, meaning, **usually | more)


text, choice, date = of_kind("text"), of_kind("choice"), of_kind("date")
must = of_kind("text", required=True)
year = of_kind("year", minimum=FIRST_YEAR, maximum=LAST_YEAR)
money = of_kind("money", minimum=0, unit="currency")
hours = of_kind("hours", minimum=0, maximum=MOST_HOURS, unit="h")
share = of_kind("number", minimum=0, maximum=1)
pieces = of_kind("count", minimum=1, maximum=100_000, unit="pieces")


# Closed lists of words, the settings, and the components and signs that a bench usually meets.

YES_NO = ("yes", "no")
OUTCOMES = ("repaired", "donor", "scrapped", "sold as is", "open")
FOUND = ("sound", "worn", "failed")
AROSE = ("as received", "during work")
ACTIONS = ("none", "serviced", "replaced", "rebuilt", "no part")
YEAR_BASES = ("nameplate", "date code", "serial number", "document", "guess")
ENDED_WHY = (
    "parts not available", "parts too expensive", "cannot be opened", "no information", "no equipment",
    "too worn", "died on the bench", "not worth it",
)  # fmt: skip
UNREPAIRED = ("donor", "scrapped", "sold as is")
VERDICTS = ("take", "haggle", "try one", "skip")
LEFT_BECAUSE = ("too dear", "poor odds", "no room", "gone", "other")

#: What `settings` may hold. An empty default means that it is worked out from the ledger.
SETTINGS: dict[str, Column] = {column.name: column for column in (
    text("currency", "ISO 4217 code of all amounts", default="EUR"),
    money("hour_rate", "worth of an hour; 0: time is free", default="0", unit="currency/h"),
    share("selling_fee", "share of every sale price that selling costs", default="0"),
    money("disposal_cost", "cost of a scrapped unit", default="0"),
    money("margin", "gain that a job must promise", default="0"),
    share("caution", "how sure the mean gain must be to reach the margin", maximum=0.95, default="0"),
    share("haggle_room", "share above the ceiling at which haggling is worth a try", maximum=10,
          default="0.25"),
    share("offers_expected", "units of one family expected on offer in the next year; empty: as many as were "
          "seen or taken in per year so far", maximum=1_000_000, unit="units"),
    pieces("warranty_days", "days after a sale in which a comeback costs the bench", minimum=0,
           maximum=36_500, default="0", unit="days"),
    share("gap_repaired_share", "share of the jobs that nobody wrote up which were repaired; empty: most "
          "likely none, at most as many as of the written ones"),
    choice("count_gaps", "whether gaps in the job numbers count as jobs that nobody wrote up; empty: yes, "
           "unless they outnumber half of the written jobs", allowed=YES_NO),
    hours("selling_hours", "hours that the sale of one unit takes: photographs, listing, packing, post",
          default="0"),
    choice("typing", "how answers at a prompt may be written; plain: 25.50, 2026-11-24, 2; comma: also "
           "25,50, 24.11.2026, 2h", allowed=("plain", "comma"), default="plain"),
)}  # fmt: skip

#: Components worth a look, by kind of unit; "other" stands for kinds that are not listed.
#: Common practice, no source.
USUAL_COMPONENTS: dict[str, tuple[str, ...]] = {
    "tape deck": ("belt", "pinch roller", "idler", "gear", "motor", "head", "capacitor", "switch"),
    "turntable": ("belt", "idler", "motor", "bearing", "tonearm", "cartridge", "capacitor", "switch"),
    "disc player": ("laser", "belt", "gear", "motor", "capacitor", "regulator", "switch", "display"),
    "receiver": ("capacitor", "regulator", "output stage", "relay", "potentiometer", "switch", "display"),
    "amplifier": ("capacitor", "regulator", "output stage", "relay", "potentiometer", "switch"),
    "radio": ("capacitor", "tube", "dial cord", "potentiometer", "switch", "speaker"),
    "video recorder": ("belt", "pinch roller", "idler", "gear", "motor", "head", "capacitor", "regulator"),
    "loudspeaker": ("surround", "driver", "crossover", "capacitor"),
    "other": ("belt", "gear", "motor", "regulator", "capacitor", "switch", "display"),
}

#: Signs worth a look before buying. Common practice, no source.
USUAL_SIGNS: tuple[str, ...] = (
    "no power", "dead transport", "rust", "sticky residue", "burnt smell", "hum", "missing parts",
    "damp store",
)  # fmt: skip

#: Names that are known without ever having been seen, by what they are the names of.
USUAL_NAMES: dict[str, frozenset[str]] = {
    "component": frozenset(name for names in USUAL_COMPONENTS.values() for name in names),
    "sign": frozenset(USUAL_SIGNS), "kind": frozenset(USUAL_COMPONENTS) - {"other"},
}  # fmt: skip


def usual_components(kind: str | None) -> tuple[str, ...]:
    """Components that a unit of this kind usually has; the general list for an unlisted kind."""
    return USUAL_COMPONENTS.get(kind or "other", USUAL_COMPONENTS["other"])


# The one description of every table: columns, allowed values, keys, references, rules.

# fmt: off
#: Every table by name, in an order in which each refers only to earlier ones.
TABLES: dict[str, Table] = {table.name: table for table in (
    Table("settings", "What holds for the whole ledger; see the list of settings.", (
        must("setting", "its name"), must("value", "its value"),
    ), key=("setting",)),
    Table("families", "Models that share a mechanism or a chassis, and so their weak spots.", (
        must("family", "name of the family"),
        must("kind", "tape deck, turntable, receiver and so on"),
        text("maker", "who made it"),
        year("first_year", "first year of production"),
        year("last_year", "last year of production"),
        money("working_price", "what the owner thinks a serviced, working unit fetches"),
        date("priced_on", "when that estimate was made"),
        Column("price_spread", "number", "relative standard deviation of that price; empty counts "
               "as 0.25", minimum=0, maximum=5),
        text("notes", "anything else, several lines if need be", multiline=True),
    ), key=("family",), rules=(
        years_in_order("first_year", "last_year"), needs("priced_on", "working_price"),
        needs("price_spread", "working_price"),
    )),
    Table("models", "Names on front panels, and the family each belongs to.", (
        must("model", "name on the front panel"),
        must("family", "the family it belongs to"),
        year("first_year", "first year of production"),
        year("last_year", "last year of production"),
    ), key=("model",), references={"family": "families"}, rules=(years_in_order("first_year", "last_year"),)),
    Table("lots", "Units that were bought together for one price.", (
        must("lot", "its name"),
        money("price", "what all of them cost together", required=True),
        date("bought_on", "when they were bought"),
        text("remarks", "anything else, several lines if need be", multiline=True),
    ), key=("lot",)),
    Table("jobs", "One unit's passage over the bench.", (
        must("job", "the bench's number, given in sequence at intake and never used again: "
              "an optional prefix, then digits"),
        must("family", "the family of the unit"),
        text("model", "name on the front panel"),
        text("lot", "the lot that it was bought in, together with others for one price"),
        year("built_from", "first year in which the unit can have been made"),
        year("built_to", "last year in which it can have been made; equal to built_from if known"),
        choice("year_basis", "where the year comes from", allowed=YEAR_BASES),
        date("taken_in", "when the unit came to the bench", required=True),
        date("closed", "when the job ended"),
        choice("outcome", "donor: kept for parts; sold as is: sold or given away unrepaired; "
                "open: not finished", required=True, allowed=OUTCOMES),
        money("bought_for", "what the unit cost; empty in a lot, whose price its units share in "
              "proportion to their working prices, equally where one is not stated"),
        hours("hours", "bench time to the end of the job"),
        money("other_costs", "postage, travel, consumables: what no single component caused"),
        money("sold_for", "what the unit was sold for; empty while unsold or kept"),
        date("sold_on", "when it was sold"),
        money("salvage_value", "the parts kept, at what buying them used would cost; empty: the worth of "
              "those that were put on the shelf"),
        text("ended_by",
             "component that ended a job without a repair; counts as failed, with or without a finding"),
        choice("ended_why", "why the job ended without a repair", allowed=ENDED_WHY),
        text("origin", "empty for this bench's own jobs, else the source that it was imported from"),
        text("remarks", "anything else, several lines if need be", multiline=True),
    ), key=("job",), references={"family": "families", "lot": "lots"}, rules=(
        not_both("lot", "bought_for", "the units of a lot share its price"),
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
    )),
    Table("findings",
          "What state a component was in. A component without a row was not examined; soundness is written "
          "down.", (
        must("job", "the job"),
        must("component", "belt, pinch roller, motor and so on; an open list"),
        text("position", "left, right and so on, where a unit has several", default=""),
        choice("found", "worn: it works, but a careful bench replaces it", required=True, allowed=FOUND),
        choice("original", "whether it is the part the unit was built with; "
                "empty counts as unknown, which is taken as original and flagged",
               allowed=("yes", "no", "unknown")),
        year("fitted_from", "first year in which a part that is not original can have been fitted"),
        year("fitted_to", "last year in which it can have been fitted"),
        choice("arose", "during work: alive at the unit's age, it failed on the bench",
               default="as received", allowed=AROSE),
        date("failed_from", "earliest day on which it can have failed"),
        date("failed_to", "latest day on which it can have failed"),
        choice("action", "what was done; no part: no replacement could be had; "
                "none on a failed part: never tried", allowed=ACTIONS),
        money("part_cost", "what the part cost; a salvaged one at what buying it used would cost"),
        choice("part_source", "where the part came from", allowed=("new", "salvaged")),
    ), key=("job", "component", "position", "arose"), references={"job": "jobs"}, rules=(
        only_where("fitted_from", "original", "no"),
        only_where("fitted_to", "original", "no"),
        years_in_order("fitted_from", "fitted_to"),
        Rule("arose_fixes_found", "found", ("arose", "found"),
             "where arose is during work, found is failed (it died on the bench)",
             lambda row: row["arose"] != "during work" or row["found"] == "failed",
             "coalesce(arose, '') <> 'during work' OR coalesce(found, '') = 'failed'"),
        only_where("failed_from", "found", "failed"),
        only_where("failed_to", "found", "failed"),
        dates_in_order("failed_from", "failed_to"),
        never_where("part_cost", "action", "none", "no part"),
        never_where("part_source", "action", "none", "no part"),
    )),
    Table("signs",
          "What could be seen before any tool was picked up. A sign without a row was not looked for.", (
        must("job", "the job"),
        must("sign", "rust, no power, hum and so on; an open list"),
        choice("seen", "whether it was there", required=True, allowed=YES_NO),
    ), key=("job", "sign"), references={"job": "jobs"}),
    Table("followups", "What became of a repaired unit.", (
        must("job", "the job"),
        date("checked_on", "when somebody looked or asked", required=True),
        choice("working", "whether it worked then", required=True, allowed=YES_NO),
        date("failed_on", "when it failed, if the day is known"),
        text("component", "what failed"),
        hours("hours", "bench time that the check or the second repair took"),
        money("cost", "what it cost beside time"),
    ), key=("job", "checked_on"), references={"job": "jobs"}, rules=(
        only_where("failed_on", "working", "no"),
        only_where("component", "working", "no"),
        dates_in_order("failed_on", "checked_on"),
    )),
    Table("parts", "What a repair can draw on. The row of a family comes before the general row.", (
        must("component", "the component"),
        text("family", "the family that the row is for; empty: every family without a row of its own"),
        choice("obtainable", "whether a replacement can be had",
               required=True, allowed=("yes", "salvage only", "no")),
        money("price", "price of one pack, or of one piece where pack_size is empty"),
        pieces("pack_size", "pieces in one pack; empty counts as 1"),
        pieces("per_unit", "pieces that one unit needs; empty counts as 1"),
        date("as_of", "when this was looked up"),
    ), key=("component", "family"), references={"family": "families"}),
    Table("hearsay",
          "What the trade says before the bench has seen it; kept apart from records and weighed like "
          "them.", (
        text("family", "the family that it is about"),
        text("kind", "or the kind that it is about"),
        text("component", "the component, for a share of failed parts"),
        Column("age_years", "number", "age of the part", above=0, maximum=200, unit="years"),
        share("share_failed", "share of original parts that have failed by that age"),
        share("share_repaired", "share of units that can be repaired"),
        Column("worth_jobs", "number", "how many records it is worth", required=True,
               above=0, maximum=1_000_000, unit="jobs"),
        text("told_by", "who says so"),
    ), key=("family", "kind", "component", "age_years", "told_by"), references={"family": "families"}, rules=(
        exactly_one("family", "kind"),
        exactly_one("share_failed", "share_repaired"),
        together("component", "share_failed"),
        together("age_years", "share_failed"),
    )),
    Table("sightings",
          "A unit that was looked at, bought or not. It is not decided while job and left_because are "
          "empty.", (
        must("sighting", "its name: the day, the place, and what the offer was called there"),
        date("seen_on", "when it was seen", required=True),
        text("place", "where it was seen"),
        text("family", "its family, which the ledger need not know"),
        text("model", "name on the front panel"),
        text("kind", "its kind"),
        year("built_from", "first year in which it can have been made"),
        year("built_to", "last year in which it can have been made"),
        money("asked", "the price asked; empty where none was, or one for a whole lot"),
        choice("verdict", "what the odds of that time said", allowed=VERDICTS),
        Column("ceiling", "money", "the highest price at which they would have said take",
               unit="currency"),
        text("job", "the job that it became, if it was bought"),
        choice("left_because", "why it was left", allowed=LEFT_BECAUSE),
    ), key=("sighting",), references={"job": "jobs"}, rules=(
        at_least_one("family", "model", "kind"),
        years_in_order("built_from", "built_to"),
        year_by_date("built_from", "seen_on"),
        year_by_date("built_to", "seen_on"),
        not_both("job", "left_because", "what was bought was not left"),
    )),
    Table("sighting_signs",
          "What could be seen of a unit that was looked at. A sign without a row was not looked for.", (
        must("sighting", "the unit that was looked at"),
        must("sign", "rust, no power, hum and so on; an open list"),
        choice("seen", "whether it was there", required=True, allowed=YES_NO),
    ), key=("sighting", "sign"), references={"sighting": "sightings"}),
    Table("shelf", "A part that was kept for a later job. It lies on the shelf while gone_on is empty.", (
        Column("part", "count", "its number, given in sequence and never used again", required=True,
               minimum=1, maximum=1_000_000_000),
        must("component", "what it is"),
        text("family", "the family that it fits; empty: any"),
        text("job", "the job of the unit that it was taken from"),
        money("worth", "what buying it used would cost"),
        date("kept_on", "when it was put on the shelf", required=True),
        text("used_in", "the job that it went into; empty where it was thrown out"),
        date("gone_on", "when it went"),
    ), key=("part",), references={"family": "families", "job": "jobs", "used_in": "jobs"},
       rules=(dates_in_order("kept_on", "gone_on"), needs("used_in", "gone_on"))),
    Table("spending", "Money or hours that no single job caused: travel, tools, fees.", (
        date("spent_on", "when", required=True),
        must("what", "what for"),
        money("amount", "how much"),
        hours("hours", "how many hours"),
    ), key=("spent_on", "what"), rules=(at_least_one("amount", "hours"),)),
)}

#: What is told of a job when its unit comes, and what when it leaves; remarks at any time.
AT_INTAKE = ("family", "model", "lot", "built_from", "built_to", "year_basis", "taken_in", "bought_for")
AT_THE_END = ("outcome", "closed", "hours", "other_costs", "sold_for", "sold_on", "salvage_value",
              "ended_by", "ended_why")
# fmt: on
