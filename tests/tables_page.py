"""Write the page of all tables, data/README.md; run by `make tables`."""

from pathlib import Path

from reliability.records.tables import as_markdown

PAGE = Path(__file__).parents[1] / "data" / "README.md"
HEAD = """# Tables of a ledger

What every part of the project reads and writes: names and rules are the same in the database, in CSV
files (RFC 4180, UTF-8, one file a table), in job sheets, in data frames and in reports. This page is
made from `reliability/records/tables.py` by `make tables`; a test holds the two together.

"""


def tables_page() -> str:
    return HEAD + as_markdown().rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(tables_page(), encoding="utf-8")
