"""Write the page of all tables, data/README.md; run by `make tables`."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from reliability.records.checks import TIES
from reliability.records.tables import KINDS, SETTINGS, TABLES, Column, Table
from reliability.records.values import bounds
from reliability.worth.judging import OFFER_COLUMNS

PAGE = Path(__file__).parents[1] / "data" / "README.md"
HEAD = """# Tables of a ledger

What every part of the project reads and writes: names and rules are the same in the database, in CSV
files (RFC 4180, UTF-8, one file a table), in job sheets, in data frames and in reports. This page is
made from `reliability/records/tables.py` by `make tables`; a test holds the two together.

"""


#: Rules across rows that are not between a job and one row of it.
MORE_RULES: tuple[tuple[str, str], ...] = (
    ("jobs", "a job of this bench has an optional prefix and then digits as its number"),
    (
        "jobs",
        "digits that begin with a year from 1950 to 2099 and go on for two places or more begin anew "
        "each year, such as 20240001; anything else is counted on",
    ),
    ("jobs", "a model that the ledger knows belongs to the family of the job, when the job is written"),
    ("settings", "setting is one of the listed settings, and value is what that setting allows"),
    ("settings", "the currency does not change once the ledger holds an amount"),
)
#: How a CSV file is read, rule by rule.
CSV_RULES = (
    "UTF-8, with or without a byte-order mark; lines end in CRLF or LF; columns in any order. A byte that is "
    "not UTF-8 is a fault of its cell.",
    "Cells are trimmed; rows without any content are skipped; a line break inside quotation marks belongs "
    "to the text, where texts may have several lines.",
    "A header that is no column is a fault; a sheet with headers of its own comes in by a reading plan "
    "(`import --draft`, `--plan`).",
    "Semicolons and decimal commas only where they are announced (`--semicolons`, `--decimal-comma`). No "
    "date and no number is guessed: 03/04/2024 is a fault.",
    "A text that begins with = + - or @ stays a text. Exports put an apostrophe before it, so that no "
    "spreadsheet takes it for a formula; imports take that apostrophe off.",
    "The error of a spreadsheet formula, such as #NAME?, is a fault in every column, and so is ???? for a "
    "year: leave the cell empty.",
    "The year 1900 is allowed, and `check` asks whether it stands for a year that is not known; it asks "
    "about units above a hundred years of age, too.",
    "Two rows of one file with the same key are a fault. A row that the ledger holds is passed over if it is "
    "equal. If it differs, it is a fault, or a correction with `--correct`: then the columns of the key and "
    "those that change are enough.",
    "A kind that the ledger has never seen, and a component or sign that is nearly a known one, are asked "
    "about: `--new NAME` says that they are meant.",
    "`datapackage.json` may name withdrawn jobs (`withdrawnJobs`): numbers that were given out "
    "and are no gap.",
    "Every row that is read is imported, or in the ledger already, or named with what is wrong. One fault, "
    "and nothing is imported.",
)


def tables_page() -> str:
    """Write the page: one heading a table."""
    lines = [
        "A cell may be empty unless its column is marked *; empty means not known, never zero and never no. "
        "Texts are trimmed and otherwise kept as they are. How cells are written:",
        "",
        *(f"- **{kind}**: {how}" for kind, how in KINDS.items()),
        "",
        "How a CSV file is read:",
        "",
        *(f"- {rule}" for rule in CSV_RULES),
        "",
    ]
    for table in TABLES.values():
        lines += _table(table)
        if table.name == "settings":
            lines += [*_columns(SETTINGS.values(), "setting"), ""]
    return HEAD + "\n".join([*lines, *offers_section()])


def _table(table: Table) -> Iterator[str]:
    yield f"### {table.name}"
    yield ""
    yield table.meaning
    yield ""
    yield from _columns(table.columns, "column")
    yield ""
    yield "Rules:"
    yield ""
    yield f"- no two rows have the same {', '.join(table.key)}"
    yield from (f"- {column} is a row of {other}" for column, other in table.references.items())
    yield from (f"- {rule.statement}" for rule in table.rules)
    yield from (f"- {tie.statement}" for tie in TIES if tie.table == table.name)
    yield from (f"- {statement}" for name, statement in MORE_RULES if name == table.name)
    yield ""


def _columns(columns: Iterable[Column], heading: str) -> Iterator[str]:
    yield f"| {heading} | kind | meaning | allowed |"
    yield "|---|---|---|---|"
    for column in columns:
        name = column.name + ("*" if column.required else "")
        unit = f", {column.unit}" if column.unit and column.unit != "currency" else ""
        yield f"| {name} | {column.kind}{unit} | {column.meaning} | {_allowed(column)} |"


def _allowed(column: Column) -> str:
    parts = [", ".join(column.allowed), bounds(column)]
    if column.default:
        parts.append(f"empty: {column.default}")
    return "; ".join(part for part in parts if part)


def offers_section() -> Iterator[str]:
    """Describe the file that `judge` reads."""
    yield "### offers.csv"
    yield ""
    yield (
        "What `judge` reads: one row for each unit on offer, in any file. It is no table of the ledger. "
        "Beside these columns, every other one is a sign, each cell yes, no or empty (nobody looked). At "
        "least one of family, model and kind is needed. A pocket card saves such a file, and "
        "`data/demo/offers.csv` is one."
    )
    yield ""
    yield from _columns(OFFER_COLUMNS, "column")
    yield ""


if __name__ == "__main__":
    PAGE.write_text(tables_page(), encoding="utf-8")
