"""Rows of open repair data for tests. Makers, groups and texts are invented.

The columns and words are those of the Open Repair Data Standard, versions 0.1 to 0.3.
"""

import csv

from reliability.records.open_repair import COLUMNS

V01 = ["id", "data_provider", "country", "product_category", "brand", "year_of_manufacture", "repair_status",
       "event_date", "problem"]  # fmt: skip
V02 = [name for name in COLUMNS if name != "product_category_id"]
ROW = {
    "id": "mendit_1", "data_provider": "Mend It", "country": "NLD",
    "partner_product_category": "Koffiezetter",
    "product_category": "Coffee maker", "product_category_id": "36", "brand": "Tarnwick",
    "year_of_manufacture": "2010", "product_age": "11", "repair_status": "Fixed", "group_identifier": "Werft",
    "event_date": "2021-05-08", "problem": "Pomp vervangen, doet het weer",
}  # fmt: skip


def jobs(ledger):
    return {row["job"]: row for row in ledger.rows("jobs")}


def write_repairs(folder, *rows, columns=COLUMNS, name="repairs.csv", encoding="utf-8", delimiter=","):
    """Write rows, each given by what differs from a usual one, as a file of open repair data."""
    path = folder / name
    path.parent.mkdir(exist_ok=True)
    with path.open("w", encoding=encoding, errors="surrogateescape", newline="") as stream:
        writer = csv.DictWriter(stream, columns, extrasaction="ignore", delimiter=delimiter)
        writer.writeheader()
        writer.writerows(
            {**ROW, "id": f"mendit_{n}", "problem": f"fault {n}", **row} for n, row in enumerate(rows, 1)
        )
    return path
