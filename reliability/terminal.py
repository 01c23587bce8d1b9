"""Jobs, verdicts, rankings and lives in words and tables, for the terminal."""

import math
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from reliability.errors import InvalidInput, LedgerError, Refused, counted, reason, some
from reliability.records.checks import JobDocument
from reliability.records.tables import SETTINGS, TABLES
from reliability.records.values import clean_text, exponent_of, read_setting, write_value

if TYPE_CHECKING:
    import pandas as pd

    from reliability.records.ledger import Ledger
    from reliability.records.package import ImportSummary
    from reliability.records.sheet import Written
    from reliability.worth.plan import Plan

# ---- A job in words


_IN_HEAD = {
    "findings": ("component", "position", "found", "arose"),
    "followups": ("checked_on", "working"),
}
_PARTS = {"findings": "Findings", "signs": "Signs", "followups": "Follow-ups"}


def job_lines(document: JobDocument, currency: str) -> list[str]:
    """Word a whole job: only what is known."""
    job = document["job"]
    lines = [f"Job {job['job']}: {job['family']}, {job['outcome']}"]
    lines += row_lines("jobs", job, currency, leave_out=("job", "family", "outcome"))
    for part, heading in _PARTS.items():
        if document[part]:
            lines.append(f"{heading}:")
            lines += [f"  {_row(part, row, currency)}" for row in document[part]]
    return lines


def row_lines(
    table: str, row: Mapping[str, Any], currency: str, leave_out: Sequence[str] = ()
) -> Iterator[str]:
    """Word the filled cells of a row, one to a line."""
    for column in TABLES[table]:
        if column.name not in leave_out and row[column.name] is not None:
            said = _cell(table, column.name, row[column.name], currency).replace("\n", "\n" + " " * 17)
            yield f"  {column.name:<15}{said}"


def _row(part: str, row: Mapping[str, Any], currency: str) -> str:
    if part == "signs":
        return f"{row['sign']}: {row['seen']}"
    if part == "followups":
        head = f"{row['checked_on']}: {'working' if row['working'] == 'yes' else 'not working'}"
    else:
        place = f" ({row['position']})" if row["position"] else ""
        during = ", during work" if row["arose"] == "during work" else ""
        head = f"{row['component']}{place}: {row['found']}{during}"
    more = [f"{name} {_cell(part, name, value, currency)}" for name, value in row.items()
            if value is not None and name not in _IN_HEAD[part]]  # fmt: skip
    return ", ".join([head, *more])


def _cell(table: str, name: str, value: Any, currency: str) -> str:
    unit = {"money": f" {currency}", "hours": " h"}.get(TABLES[table][name].kind, "")
    return f"{write_value(value)}{unit}"


def version_lines(versions: Sequence[Mapping[str, Any]], gone: str = "withdrawn") -> list[str]:
    """Word every version of a job or a row, oldest first, by what it changed."""
    lines: list[str] = []
    before: dict[str, str] = {}
    for version in versions:
        lines.append(f"Version {version['version']}, {version['written_at']}: {version['reason']}")
        if version["damage"]:
            lines.append(f"  {version['damage']}")
            continue
        if version["content"] is None:
            lines.append(f"  {gone}")
            before = {}
            continue
        cells = _cells(version["content"])
        lines += [f"  {line}" for line in changes(before, cells)]
        before = cells
    return lines


def row_cells(row: Mapping[str, Any]) -> dict[str, str]:
    """Give every filled cell of a row as text."""
    return {name: write_value(value) for name, value in row.items() if value is not None}


def _cells(document: JobDocument) -> dict[str, str]:
    """Every filled cell of a job, or of a row, under one name."""
    if not isinstance(document.get("job"), dict):
        return row_cells(document)
    cells = row_cells(document["job"])
    for part, named_by in (("findings", "component"), ("signs", "sign"), ("followups", "checked_on")):
        for row in document[part]:
            arose = "during work" if row.get("arose") == "during work" else ""
            owner = ":".join(filter(None, (str(row[named_by]), row.get("position"), arose)))
            for name, value in row.items():
                if value is not None and name not in (named_by, "position", "arose"):
                    cells[f"{owner}.{name}"] = write_value(value)
    return cells


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    """Word what differs between two states of a job or a row, cell by cell."""
    lines = []
    for name, value in after.items():
        if name not in before:
            lines.append(f"{name} = {value}")
        elif before[name] != value:
            lines.append(f"{name}: {before[name]} -> {value}")
    return lines + [f"{name}: {value} -> (empty)" for name, value in before.items() if name not in after]


# ---- Verdicts, rankings and lives in words and tables


NOTHING = "-"
TEXT, AMOUNT, TENTHS, SHARE, COUNT = "", ".2f", ".1f", "share", "count"


def worded(value: Any, form: str = "") -> str:
    """Word a cell as a format says, or as `SHARE` or `COUNT`."""
    if value is None or value != value:
        return NOTHING
    if form == SHARE:  # in whole percent; near the ends as a bound, never as certainty
        bound = "< 1" if value < 0.005 else "> 99" if value >= 0.995 else ""
        return f"{bound or format(100 * value, '.0f')} %"
    if form == COUNT:  # hearsay and imported records may count in part
        form = ".3g" if value < 100 else ".0f"
    return "no end" if value == math.inf else format(value, form)


def text_table(rows: Sequence[Sequence[str]], heads: Sequence[str], texts: Sequence[str]) -> str:
    """Set a table in columns: texts to the left, numbers to the right."""
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]

    def line(cells: Sequence[str]) -> str:
        parts = [cell.ljust(width) if head in texts else cell.rjust(width)
                 for cell, width, head in zip(cells, widths, heads, strict=True)]  # fmt: skip
        return "  ".join(parts).rstrip()

    return "\n".join(line(row) for row in (heads, *rows))


Columns = Sequence[tuple[str, str, str]]
"""Name in the data frame, head of the column, and how `worded` words a cell."""


def _table(frame: "pd.DataFrame", columns: Columns) -> str:
    rows = [[worded(row[name], form) for name, _, form in columns] for row in frame.to_dict("records")]
    texts = [head for _, head, form in columns if form == TEXT]
    return text_table(rows, [head for _, head, _ in columns], texts)


_ODDS: Columns = (
    ("ceiling", "ceiling", AMOUNT), ("expected_gain", "mean gain", AMOUNT),
    ("chance_of_loss", "loss", SHARE), ("success_chance", "repair", SHARE), ("hours", "hours", TENTHS),
    ("chief_risk", "chief risk", TEXT), ("jobs_seen", "jobs", COUNT), ("evidence", "evidence", TEXT),
)  # fmt: skip
_VERDICT: Columns = (("offer", "offer", TEXT), ("verdict", "verdict", TEXT), *_ODDS)
_LOT: Columns = (
    ("worth", "worth", AMOUNT), ("lot_ceiling", "lot ceiling", AMOUNT),
    ("lot_expected_gain", "lot gain", AMOUNT), ("lot_chance_of_loss", "lot loss", SHARE),
)  # fmt: skip
_RANKING: Columns = (
    ("family", "family", TEXT), ("verdict", "verdict", TEXT), ("usual_price", "usual price", AMOUNT),
    *_ODDS, ("left", "left", COUNT), ("left_gain", "their gain", AMOUNT),
)  # fmt: skip
_LIVES: Columns = (
    ("component", "component", TEXT), ("family", "family", TEXT), ("n_failed", "failed", COUNT),
    ("n_sound", "sound", COUNT), ("b10_years", "B10 years", TENTHS), ("b50_years", "B50 years", TENTHS),
    ("age_years", "age today", TENTHS), ("failed", "failed today", SHARE), ("failed_low", "from", SHARE),
    ("failed_high", "to", SHARE), ("status", "own records", TEXT),
)  # fmt: skip

_COHORT: Columns = (("built_from", "built from", COUNT), ("built_to", "to", COUNT))

_MOVES: Columns = (
    ("move", "move", TEXT), ("component", "component", TEXT), ("failed", "failed", SHARE),
    ("ends_job", "ends the job", SHARE), ("look_cost", "look", AMOUNT), ("mend_cost", "mend", AMOUNT),
    ("gain", "gain of going on", AMOUNT), ("if_failed", "if it has failed", TEXT),
)  # fmt: skip
_STOCK: Columns = (
    ("component", "component", TEXT), ("family", "family", TEXT), ("units", "units", TENTHS),
    ("pieces", "pieces", TENTHS), ("cover", "enough", COUNT), ("on_shelf", "kept", COUNT),
    ("packs", "packs", COUNT), ("cost", "cost", AMOUNT), ("advice", "advice", TEXT),
)  # fmt: skip


def verdict_table(verdicts: "pd.DataFrame") -> str:
    """Set verdicts on many units as a table, with what must be known of single ones below."""
    notes = [f"  {row['offer']}: {row['note']}" for row in verdicts.to_dict("records") if row["note"]]
    columns = _VERDICT if verdicts["lot_ceiling"].isna().all() else (*_VERDICT, *_LOT)
    return "\n".join([_table(verdicts, columns), *(["", "Notes:", *notes] if notes else [])])


def ranking_table(table: "pd.DataFrame", currency: str) -> str:
    """Set the families side by side, at the price usually asked."""
    risks = [" and ".join(filter(None, pair)) or None
             for pair in zip(table["chief_risk"], table["rival_risk"], strict=True)]  # fmt: skip
    left = table["left"].sum() > 0
    said = _table(table.assign(chief_risk=risks), _RANKING if left else _RANKING[:-2])
    head = f"Amounts in {currency}; each family at the price usually {'asked' if left else 'paid'} for one."
    if left:
        head += (
            "\nLeft: units that were seen and not bought; their gain is what they would have brought by "
            "today's odds.\nThese hold for units like those that were bought: what was left may have been "
            "worse than it looked."
        )
    return f"{head}\n{said}"


def lives_text(table: "pd.DataFrame") -> str:
    """Set the lives of components as a table."""
    own = "B10, B50: years by which 10 and 50 % have failed, from a family's own records."
    today = "Failed today: a usual unit at today's age, from all families together, 90 % interval."
    columns = _LIVES if table["built_from"].isna().all() else (*_LIVES[:2], *_COHORT, *_LIVES[2:])
    return "\n".join((own, today, _table(table, columns)))


def verdict_lines(verdict: "pd.Series", asked: Decimal | None, currency: str, settings: str) -> list[str]:
    """Say the verdict on one unit: the answer first, then why, and with which settings."""
    forms = {name: form for name, _, form in _ODDS}
    forms |= {"gain_low": AMOUNT, "gain_high": AMOUNT, "success_low": SHARE, "success_high": SHARE}
    said = {name: worded(verdict[name], form) for name, form in forms.items()}
    between = f"90 % interval {said['success_low']} to {said['success_high']}"
    jobs = counted(int(verdict["jobs_seen"]), "finished job")
    rows = [("ceiling", f"{said['ceiling']} {currency}")]
    head = f"{verdict['offer']}: no price asked, no verdict"
    if asked is not None:
        head = f"{str(verdict['verdict']).upper()}: {verdict['offer']} at {asked:.2f} {currency}"
        such = f"80 % of such units: {said['gain_low']} to {said['gain_high']}"
        rows += [
            ("mean gain", f"{said['expected_gain']} {currency} ({such})"),
            ("chance of a loss", said["chance_of_loss"]),
        ]
    rows += [
        ("chance of a repair", f"{said['success_chance']} ({between})"),
        ("bench hours", said["hours"]),
        ("chief risk", said["chief_risk"]),
        ("settings", settings),
        ("evidence", f"{verdict['evidence']}: {jobs} of the family"),
    ]
    rows += [("note", verdict["note"])] if verdict["note"] else []
    return [head, *(f"  {name:<20}{told}" for name, told in rows)]


def plan_lines(plan: "Plan") -> list[str]:
    """Say what to do now, then the moves in their order, what was assumed, and what can hurt."""
    lines = [plan.sentence]
    if len(plan.moves):
        lines += ["", f"As long as everything turns out well; amounts in {plan.currency}:"]
        lines += [
            _table(plan.moves, _MOVES),
            f"Chance that all of it works out: {worded(plan.success, SHARE)}",
        ]
    for heading, said in (("Notes:", plan.notes), ("Take care:", plan.cautions)):
        if said:
            lines += ["", heading, *(f"  {each}" for each in said)]
    return lines


def stock_text(table: "pd.DataFrame", currency: str) -> str:
    """Set the parts to hold as a table."""
    if table.empty:
        return "No part is likely to be needed: no unit is expected, or none of its parts."
    head = f"Parts of the next year; enough: pieces that suffice with 90 %; amounts in {currency}."
    return f"{head}\n{_table(table, _STOCK)}"


MOST_SHOWN = 5
"""Rows of one topic that fit on one screen with the others."""


def next_text(table: "pd.DataFrame", currency: str, *, every: bool = False) -> str:
    """Word what to do next, topic by topic."""
    if table.empty:
        return "Nothing is open, unsold for long, due for a check or undecided."
    lines = []
    for topic, rows in table.groupby("topic", sort=False):
        lines.append(f"{str(topic).capitalize()}:")
        shown = rows if every else rows.head(MOST_SHOWN)
        for row in shown.to_dict("records"):
            rate = "" if math.isnan(row["per_hour"]) else f", {row['per_hour']:.2f} {currency} an hour"
            lines.append(f"  {row['what']}, {row['family']}, {row['days']:.0f} days{rate}: {row['advice']}")
        if len(rows) > len(shown):
            lines.append(f"  and {len(rows) - len(shown)} more: benchodds next --all")
    return "\n".join(lines)


def shelf_text(ledger: "Ledger") -> str:
    """Set what lies on the shelf as a table."""
    rows = [row for row in ledger.rows("shelf") if row["gone_on"] is None]
    if not rows:
        return "Nothing lies on the shelf."
    worth = f"worth in {ledger.setting('currency')}"
    heads = {"part": "part", "component": "component", "family": "fits", "worth": worth, "job": "of job"}
    return rows_table("shelf", rows, heads | {"kept_on": "since"}, NOTHING)


def shelf_lines(rows: Sequence[Mapping[str, Any]], job: str, currency: str) -> list[str]:
    """Word the parts that were kept of a job, and those of the shelf that went into it."""
    lines = []
    for heading, column in (("Kept for the shelf", "job"), ("Taken from the shelf", "used_in")):
        found = [row for row in rows if row[column] == job]
        for row in found:
            worth = "" if row["worth"] is None else f", worth {write_value(row['worth'])} {currency}"
            went = f", went into job {row['used_in']}" if row["used_in"] else ", thrown out"
            went = went if row["gone_on"] and column == "job" else ""
            lines.append(f"  part {row['part']}: {row['component']}{worth}{went}")
        if found:
            lines.insert(-len(found), f"{heading}:")
    return lines


def rows_table(
    table: str, rows: Sequence[Mapping[str, Any]], heads: Mapping[str, str] | Iterable[str], nothing: str = ""
) -> str:
    """Set columns of rows of the ledger as a table, under heads of their own where these are told."""
    named, left = {name: name for name in heads}, ["text", "choice"]
    if isinstance(heads, Mapping):
        named, left = {**heads}, [*left, "date"]
    texts = [head for name, head in named.items() if TABLES[table][name].kind in left]
    cells = [[nothing if row[name] is None else write_value(row[name]) for name in named] for row in rows]
    return text_table(cells, list(named.values()), texts)


def import_lines(summary: "ImportSummary", would_be: str) -> list[str]:
    """Word what an import wrote, or would write."""
    lines = [*summary.changes]
    if summary.changes:
        lines.append(" ".join(filter(None, [counted(len(summary.changes), "row"), would_be, "corrected"])))
    rows = ", ".join(rows_of(count, table) for table, count in summary.written.items() if count)
    if rows or not summary.changes:
        lines.append(" ".join(filter(None, [rows or "Nothing new", would_be, "imported"])))
    held = sum(summary.equal.values())
    more = [f"{counted(held, 'row')} in the ledger already"] if held else []
    more += [f"{counted(count, 'row')} left out: {why}" for why, count in summary.left_out.items()]
    more += [f"new {kind}: {some(names)}" for kind, names in summary.new_names.items() if names]
    return lines + [f"  {line}" for line in (*more, *summary.remarks)]


def spending_text(ledger: "Ledger", is_meant: Callable[[dict[str, Any]], bool] = lambda _: True) -> str:
    """Set what was spent, or some of it, as a table, with its sum where there are several rows."""
    rows: list[dict[str, Any]] = [row for row in ledger.rows("spending") if is_meant(row)]
    if not rows:
        return "Nothing is written down as spent beside the jobs."
    if len(rows) > 1:
        sums = {name: sum(row[name] or 0 for row in rows) for name in ("amount", "hours")}
        rows.append({"spent_on": "in all", "what": "", **sums})
    heads = {"spent_on": "day", "what": "what", "amount": str(ledger.setting("currency")), "hours": "hours"}
    return rows_table("spending", rows, heads)


def write_table(table: "pd.DataFrame", path: Path) -> None:
    """Write a table as CSV; the file is replaced in one step."""
    from reliability.records.package import write_table as write_rows

    with written_to(path):
        write_rows(path, table.columns, table.itertuples(index=False))


def give(table: "pd.DataFrame", text: str, out: Path | None, noun: str, several: str = "") -> str:
    """Give a table in words, or write it to a file and say how much that is."""
    if out is None:
        return text
    write_table(table, out)
    return f"{counted(len(table), noun, several)}: {out}"


def told_of(written: "Written", what: str) -> list[str]:
    """Word what went into the ledger: one line, then what was assumed or is new."""
    return [f"Job {written.job}: {written.family}, {what}", *(f"  {note}" for note in written.notes)]


def rows_of(number: int, table: str) -> str:
    """Word a number of rows of a table, such as ``1 family``."""
    named = {"families": "family"}.get(table, table.removesuffix("s")) if number == 1 else table
    return f"{number} {named.replace('_', ' ')}"


Said = str | list[str] | None
"""What a command has to say: a text, its lines, or nothing more."""


def tell(said: Said) -> None:
    """Print what a command has to say; a damaged text may hold what is no letter."""
    if said is not None:
        text = said if isinstance(said, str) else "\n".join(said)
        click.echo(text.encode("utf-8", "backslashreplace").decode())


def note(message: str) -> None:
    """Tell something on the side, on standard error."""
    click.echo(message, err=True)


@contextmanager
def written_to(path: Path) -> Iterator[None]:
    """Turn what the system refuses while a file is written into one clear message."""
    try:
        yield
    except OSError as error:
        raise InvalidInput(f"{path} cannot be written: {reason(error)}.") from None


_NARROW = 30


def ask(question: str, read: Callable[[str], Any], offered: Sequence[str] = (), default: str = "") -> Any:
    """Ask until the answer can be read, after numbering what is offered."""
    if offered:
        numbered = [f"{number} {choice}" for number, choice in enumerate(offered, 1)]
        between = "\n  " if max(map(len, offered)) > _NARROW else "   "
        click.echo(("\n  " if between.startswith("\n") else "  ") + between.join(numbered))

    def checked(answer: str) -> Any:
        try:
            return read(clean_text(answer))
        except Refused as error:
            raise click.UsageError(error.message) from None

    return click.prompt(question, default=default, show_default=bool(default), value_proc=checked)


# ---- The ledger that a command works on


DECISIVE = ("hour_rate", "selling_fee", "margin")
"""Settings that decide a verdict, and that nobody can guess."""


def settle(ledger: "Ledger") -> None:
    """Ask once for the settings that decide a verdict and that a new ledger does not say; else name them."""
    stated = {row["setting"] for row in ledger.rows("settings")}
    if "currency" not in stated:
        such = "before the first one, another currency can be set: benchodds set currency CODE"
        click.echo(f"Amounts are in {ledger.setting('currency')}; {such}")
    if not (left := [name for name in DECISIVE if name not in stated]):
        return
    if not sys.stdin.isatty():
        are = "is not set and counts" if len(left) == 1 else "are not set and count"
        click.echo(f"{', '.join(left)} {are} as 0 in every verdict: benchodds set {left[0]} VALUE")
        return
    click.echo("What every verdict rests on, asked once; Enter stands for 0, benchodds set changes it later.")
    exponent, rows = exponent_of(str(ledger.setting("currency"))), []
    for name in left:
        read = partial(read_setting, SETTINGS[name], exponent=exponent)
        rows.append({"setting": name, "value": ask(f"{name} ({SETTINGS[name].meaning})", read, default="0")})
    ledger.put("settings", rows, reason="asked on a new ledger")


@dataclass(frozen=True)
class Bench:
    """What the command line knows before a command runs: the ledger, a file or the URL of a database."""

    url: str

    @property
    def is_missing(self) -> bool:
        """Whether the ledger is a file that is still to be made."""
        try:
            return "://" not in self.url and not Path(self.url).exists()
        except OSError as error:
            raise LedgerError(f"The ledger {self.url[:100]} cannot be opened: {reason(error)}.") from None

    @property
    def shown(self) -> str:
        """Where the ledger is, without any password."""
        from reliability.records.database import parse_url, shown_url

        return shown_url(parse_url(self.url))

    @contextmanager
    def ledger(self, *, create: bool = False, write: bool = False) -> Iterator["Ledger"]:
        """Open the ledger; say so where one is made, and whether anything was written to it."""
        from reliability.records.ledger import ledger_mark, open_ledger

        is_new = create and self.is_missing
        with open_ledger(self.url, create=create) as ledger:
            if is_new:
                from reliability.records.files import who_reads

                click.echo(f"A new ledger was made: {ledger.name} ({who_reads(Path(ledger.name))})")
            for each in ledger.notes:
                note(each)
            demo = ", which holds the demo" if write and ledger.holds_demo else ""
            before = ledger_mark(ledger) if write else ""
            yield ledger
            if write and ledger_mark(ledger) == before:
                click.echo(f"Nothing new: nothing was written to {self.shown}")
            elif write:
                click.echo(f"Written to {self.shown}{demo}")
            if is_new:
                settle(ledger)

    def run(self, work: Callable[["Ledger"], Said], on: str) -> None:
        """Open the ledger to ``read``, ``write`` or ``make`` it, and print what the work has to say.

        Where it is still to be made, the work is tried on another one first: a fault leaves none behind.
        """
        if on == "make" and self.is_missing:
            from reliability.records.ledger import trial_ledger

            with trial_ledger() as trial:
                work(trial)
        with self.ledger(create=on == "make", write=on != "read") as ledger:
            tell(work(ledger))
