import itertools
import sqlite3

import pytest

from reliability.records.checks import Settings
from reliability.records.database import METADATA, SQL_TABLES
from reliability.records.tables import SETTINGS, TABLES
from tests.conftest import run_python

# The documented names, typed out once more: a renamed column must not pass unseen.
COLUMNS = {
    "settings": "setting* value*",
    "families": "family* kind* maker first_year last_year working_price priced_on price_spread notes",
    "models": "model* family* first_year last_year",
    "lots": "lot* price* bought_on remarks",
    "jobs": "job* family* model lot built_from built_to year_basis taken_in* closed outcome* bought_for "
    "hours other_costs sold_for sold_on salvage_value ended_by ended_why origin remarks",
    "findings": "job* component* position found* original fitted_from fitted_to arose failed_from failed_to "
    "action part_cost part_source",
    "signs": "job* sign* seen*",
    "followups": "job* checked_on* working* failed_on component hours cost",
    "parts": "component* family obtainable* price pack_size per_unit as_of",
    "hearsay": "family kind component age_years share_failed share_repaired worth_jobs* told_by",
    "sightings": "sighting* seen_on* place family model kind built_from built_to asked verdict ceiling job "
    "left_because",
    "sighting_signs": "sighting* sign* seen*",
    "shelf": "part* component* family job worth kept_on* used_in gone_on",
    "spending": "spent_on* what* amount hours",
}
POOLS = {
    "year": [None, 1979, 1985, 2026],
    "date": [None, "2026-05", "2026-05-17", "1985-12-31", "1985-12"],
    "text": [None, "x"],
}
FRAMES = ["pandas", "numpy", "scipy"]
RULES = [(table, rule) for table in TABLES.values() for rule in table.rules]


def test_tables_have_exactly_the_documented_columns():
    told = {
        name: " ".join(column.name + "*" * column.required for column in table)
        for name, table in TABLES.items()
    }
    assert told == COLUMNS


def test_database_has_exactly_the_documented_columns():
    assert {name: [c.name for c in SQL_TABLES[name].columns] for name in TABLES} == {
        name: list(table.names) for name, table in TABLES.items()
    }


def test_each_table_refers_only_to_earlier_ones():
    for position, table in enumerate(TABLES.values()):
        assert set(table.references.values()) <= set(list(TABLES)[:position])


def test_check_names_are_readable_unique_and_short_enough_for_every_database():
    names = [c.name for table in METADATA.tables.values() for c in table.constraints if c.name]
    assert len(set(names)) == len(names)
    assert all(name.replace("_", "a").isalnum() and len(name) <= 63 for name in names)
    assert {"jobs_taken_in_to_closed", "jobs_outcome_allowed", "findings_arose_fixes_found"} <= set(names)


@pytest.mark.parametrize(("table", "rule"), RULES, ids=lambda value: getattr(value, "name", ""))
def test_a_rule_says_the_same_in_python_and_in_sql(table, rule):
    pools = [POOLS.get(column.kind, [None, *column.allowed] if column.allowed else [None, 1.0])
             for column in map(table.__getitem__, rule.columns)]  # fmt: skip
    connection = sqlite3.connect(":memory:")
    seen = set()
    for values in itertools.product(*pools):
        row = dict(zip(rule.columns, values, strict=True))
        if any(row[name] is None and table[name].required for name in row):
            continue
        given = ", ".join(f"? AS {name}" for name in row)
        [(answer,)] = connection.execute(f"SELECT {rule.sql} FROM (SELECT {given})", values)
        assert rule.holds(row) == (answer != 0), row
        seen.add(answer != 0)
    connection.close()
    assert seen == {True, False}


def test_settings_of_data_frames_are_the_documented_ones_with_their_defaults():
    no_number = ["typing"]  # how somebody types is no part of what is worked out
    assert list(SETTINGS) == [*Settings.__dataclass_fields__, *no_number]
    defaults = [
        {"setting": name, "value": c.default} for name, c in SETTINGS.items() if c.default is not None
    ]
    assert Settings.from_rows(defaults) == Settings()


@pytest.mark.parametrize(("module", "heavy"), [("tables", ["sqlalchemy", *FRAMES]), ("ledger", FRAMES),
                                                ("package", FRAMES)])  # fmt: skip
def test_nothing_heavy_is_loaded(module, heavy):
    code = f"import sys, reliability.records.{module}; print([m for m in {heavy} if m in sys.modules])"
    assert run_python(code) == "[]\n"
