"""The rows of a whole package against each other, one by one as they are read."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from reliability.records.csv_files import CsvTable, Layout
from reliability.records.currencies import EXPONENTS
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.ties import Complaint, JobFacts, Known, all_sound, job_facts
from reliability.records.values import Value

Row = Mapping[str, Value]

_UNREADABLE = JobFacts(None, None, None, None, None)


def currency_in(files: Mapping[str, Path], layout: Layout | None = None) -> str | None:
    """Read the currency that a package states; None if it states none that exists."""
    if "settings" not in files:
        return None
    for line in CsvTable(files["settings"], TABLES["settings"], 2, layout).lines():
        if line.row.get("setting") == "currency" and line.row["value"] in EXPONENTS:
            return str(line.row["value"])
    return None


def exponent_in(files: Mapping[str, Path], layout: Layout | None = None) -> int:
    """Tell how many decimals amounts in a package may have."""
    return EXPONENTS[currency_in(files, layout) or str(SETTINGS["currency"].default)]


@dataclass
class PackageCheck:
    """What has been read so far, for checking what comes next.

    Rows are to be given in the order of `TABLES`, so that each refers only to earlier ones.

    Parameters
    ----------
    known : Known
        Families and jobs that exist already; extended row by row. Models are left open: one may
        have been given to another family since its jobs were written, which is doubtful, not wrong.
    """

    known: Known = field(default_factory=lambda: Known(families=set(), jobs={}))
    _lines: dict[str, dict[tuple[Value, ...], int]] = field(default_factory=dict)
    _ended: dict[str, tuple[int, str]] = field(default_factory=dict)
    _states: dict[str, set[str]] = field(default_factory=dict)

    def complaints(self, name: str, row: Row, line: int) -> list[Complaint]:
        """Check a row that is clean in itself, and remember it."""
        table = TABLES[name]
        found = self.known.complaints(table, row)
        key = tuple(row[part] for part in table.key)
        lines = self._lines.setdefault(name, {})
        if (first := lines.setdefault(key, line)) != line:
            shown = ", ".join(f"{part} {'empty' if row[part] is None else row[part]!r}" for part in table.key)
            found.append((table.key[0], f"line {first} has the same {shown}"))
        self.remember(name, row)
        if name == "jobs" and row["ended_by"]:
            place, component = self._ended.get(str(row["job"]), (0, str(row["ended_by"])))
            self._ended[str(row["job"])] = (place or line, component)
        elif (
            name == "findings"
            and (ended := self._ended.get(str(row["job"])))
            and ended[1] == row["component"]
        ):
            self._states.setdefault(str(row["job"]), set()).add(str(row["found"]))
        return found

    def remember(self, name: str, row: Row, *, readable: bool = True) -> None:
        """Take note of a name, also of a row with faults: what refers to it is not at fault."""
        key = row.get(TABLES[name].key[0])
        if not isinstance(key, str):
            return
        if name == "families":
            self.known.families.add(key)  # type: ignore[union-attr]
        elif name == "jobs" and self.known.jobs is not None:
            self.known.jobs[key] = job_facts(row) if readable else _UNREADABLE

    def remember_end(self, job: str, component: str, states: Iterable[str]) -> None:
        """Take note of an earlier job that a component ended, and of what was found of that component."""
        self._ended[job] = (0, component)
        self._states.setdefault(job, set()).update(states)

    def ended_by_sound(self) -> list[tuple[str, int, Complaint]]:
        """Complain of jobs ended by a component that was only found sound; ask after all findings.

        Returns
        -------
        list of (str, int, Complaint)
            The job, its line (0 if it came from elsewhere), the column and the message.
        """
        return [
            (job, line, complaint)
            for job, (line, component) in self._ended.items()
            if (complaint := all_sound(component, self._states.get(job, ())))
        ]
