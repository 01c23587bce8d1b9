"""Closed lists of words, the settings, and the components and signs that a bench usually meets."""

from reliability.records.columns import Column

YES_NO = ("yes", "no")
OUTCOMES = ("repaired", "donor", "scrapped", "sold as is", "open")
FOUND = ("sound", "worn", "failed")
AROSE = ("as received", "during work")
ACTIONS = ("none", "serviced", "replaced", "rebuilt", "no part")
YEAR_BASES = ("nameplate", "date code", "serial number", "document", "guess")
ENDED_WHY = (
    "parts not available",
    "parts too expensive",
    "cannot be opened",
    "no information",
    "no equipment",
    "too worn",
    "died on the bench",
    "not worth it",
)
UNREPAIRED = ("donor", "scrapped", "sold as is")

#: What `settings` may hold. An empty default means that it is worked out from the ledger.
SETTINGS: dict[str, Column] = {
    column.name: column
    for column in (
        Column("currency", "text", "ISO 4217 code of all amounts", default="EUR"),
        Column("hour_rate", "money", "worth of an hour; 0: time is free", minimum=0, default="0",
               unit="currency/h"),
        Column("selling_fee", "number", "share of every sale price that selling costs",
               minimum=0, maximum=1, default="0"),
        Column("disposal_cost", "money", "cost of a scrapped unit", minimum=0, default="0", unit="currency"),
        Column("margin", "money", "gain that a job must promise", minimum=0, default="0", unit="currency"),
        Column("caution", "number", "how sure the expected gain must be to reach the margin",
               minimum=0, maximum=0.95, default="0"),
        Column("haggle_room", "number", "share above the ceiling at which haggling is worth a try",
               minimum=0, maximum=10, default="0.25"),
        Column("offers_expected", "number", "units of one family expected on offer in the next year; "
               "empty: as many as were taken in per year so far", minimum=0, maximum=1_000_000, unit="units"),
        Column("warranty_days", "count", "days after a sale in which a comeback costs the bench",
               minimum=0, maximum=36_500, default="0", unit="days"),
        Column("gap_repaired_share", "number", "share of the jobs that nobody wrote up which were repaired; "
               "empty: none, with the doubt that this leaves", minimum=0, maximum=1),
        Column("count_gaps", "choice", "whether gaps in the job numbers count as jobs that nobody wrote up; "
               "empty: yes, unless they outnumber half of the written jobs", allowed=("yes", "no")),
    )
}  # fmt: skip

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
    "no power",
    "dead transport",
    "rust",
    "sticky residue",
    "burnt smell",
    "hum",
    "missing parts",
    "damp store",
)


def usual_components(kind: str | None) -> tuple[str, ...]:
    """Components that a unit of this kind usually has; the general list for an unlisted kind."""
    return USUAL_COMPONENTS.get(kind or "other", USUAL_COMPONENTS["other"])
