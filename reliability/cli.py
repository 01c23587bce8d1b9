"""The command `benchodds`: parse the line, call the room that does the work, print its answer.

Everything numerical is imported inside the commands, so that writing down a job does not wait for it.
"""

import datetime
import errno
import os
import re
import sys
import tempfile
from collections.abc import Callable, Collection, Iterable
from decimal import Decimal
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from reliability import __version__
from reliability.cluster import cluster_option, executor_for
from reliability.errors import BenchoddsError, InvalidInput, reason, unknown
from reliability.records.sheet import read_window
from reliability.records.tables import LEFT_BECAUSE, SETTINGS, TABLES, USUAL_COMPONENTS, YEAR_BASES, Column
from reliability.records.values import (
    Refused,
    clean_text,
    near_twin,
    nearest,
    read_value,
    some,
    unseen,
    write_value,
)
from reliability.terminal import Bench, counted, note, rows_of, say, written_to

if TYPE_CHECKING:
    import pandas as pd

    from reliability.life.bulk import Counts
    from reliability.records.frames import Records
    from reliability.records.importing import ImportSummary
    from reliability.records.ledger import Ledger
    from reliability.records.sheet import JobSheet
    from reliability.report.run import PagesMade
    from reliability.worth.appraiser import Appraiser
    from reliability.worth.plan import Plan

# What several commands need: the ledger, and the ways of writing a year, a sign, a day, an amount.


class Name(click.types.StringParamType):
    """A text: an accent that stands by itself is joined to its letter, as in the ledger."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Read the text."""
        text: str = clean_text(super().convert(value, param, ctx))
        if not text.isascii() and (strange := re.search("[\ud800-\udfff]", text)):
            self.fail(
                f"{text[: strange.start()]!r} is followed by a byte that is no letter in UTF-8", param, ctx
            )
        if "\0" in text:
            self.fail("a text cannot hold the character U+0000", param, ctx)
        return text


class Cell(click.ParamType):
    """A value that is written as in a job sheet.

    Parameters
    ----------
    column : Column
        What it may be; its name is shown in the help.
    """

    def __init__(self, column: Column) -> None:
        self.name = column.name
        self._column = column

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the value as its column says."""
        try:
            # Three decimals: only the ledger knows how many its currency has, and it says so.
            return read_value(self._column, value, exponent=3)
        except Refused as error:
            self.fail(error.message, param, ctx)


class Window(click.ParamType):
    """A year, or the first and last of several: ``1979`` or ``1978-1981``."""

    name = "year"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, int]:
        """Read the years, both included."""
        try:
            return read_window(value)
        except Refused as error:
            self.fail(error.message, param, ctx)


class Sign(click.ParamType):
    """A sign and whether it was seen: ``rust=yes``."""

    name = "sign=yes|no"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Read the sign and the answer."""
        sign, _, seen = map(clean_text, value.partition("="))
        if not sign or seen not in ("yes", "no"):
            self.fail(f"{value!r} is not written as rust=yes or rust=no; leave out what nobody looked for",
                      param, ctx)  # fmt: skip
        return sign, seen


class NewFile(click.Path):
    """A file to be written, in a folder that is there: asked before anything is worked out for it."""

    def __init__(self) -> None:
        super().__init__(dir_okay=False, writable=True, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the path."""
        path = Path(str(super().convert(value, param, ctx)))
        if not path.parent.is_dir():
            self.fail(f"the folder {str(path.parent)!r} does not exist", param, ctx)
        return path


MONEY = Cell(Column("amount", "money", "an amount", minimum=0))
HOURS = Cell(Column("hours", "hours", "bench time", minimum=0))
NAME = Name()
DAY = Cell(Column("date", "date", "a day, or a month where the day is not known"))
WINDOW = Window()
SIGN = Sign()
NEW_FILE = NewFile()
NEW = click.option(
    "--new", "new_names", multiple=True, metavar="NAME",
    help="A kind, component or sign that the ledger has never seen, and that is meant so; repeatable.",
)  # fmt: skip


def today() -> datetime.date:
    """Give the day on which the command runs."""
    return datetime.date.today()


def sign_rows(signs: Iterable[tuple[str, str]]) -> list[dict[str, str]]:
    """Turn what was given as ``--sign rust=yes`` into rows of signs."""
    return [{"sign": sign, "seen": seen} for sign, seen in signs]


def example(*lines: str) -> str:
    r"""Word the examples at the foot of a command's help, one to a line; ``\b`` keeps click from wrapping."""
    return "\b\nFor example:\n" + "\n".join(f"  {line}" for line in lines)


def full_day(
    _ctx: click.Context | None, _param: click.Parameter | None, value: str | None
) -> datetime.date | None:
    """Turn a day, or a month that stands for its middle, into a date."""
    if value is None:
        return None
    return datetime.date.fromisoformat(value if len(value) == 10 else f"{value}-16")


# `intake`: a unit comes to the bench and gets its number.


@click.command(
    epilog=example(
        'benchodds intake "Tarnwick T2" --price 25 --year 1979 --sign rust=yes',
        'benchodds intake "Dallow 80" -p 40 -y 1978-1981 -s "no power=yes" --new-family --kind receiver',
    )
)
@click.argument("family")
@click.option("-p", "--price", type=MONEY, help="What the unit cost.")
@click.option("-m", "--model", help="Name on the front panel.")
@click.option(
    "-y", "--year", "--built", "year", type=WINDOW, help="Year of production, or a window such as 1978-1981."
)
@click.option("--year-basis", type=click.Choice(YEAR_BASES), help="Where the year comes from.")
@click.option(
    "-s",
    "--sign",
    "signs",
    type=SIGN,
    multiple=True,
    help="What could be seen, such as rust=yes; repeatable.",
)
@click.option("--lot", help="The lot that it came in, where several were bought for one price.")
@click.option("--lot-price", type=MONEY, help="What a lot cost that the ledger does not know yet.")
@click.option("--on", "taken_in", type=DAY, help="When the unit came; today otherwise.")
@click.option("--remarks", help="Anything else.")
@click.option("--new-family", is_flag=True, help="The ledger does not know FAMILY yet; needs --kind.")
@click.option("--kind", help="Kind of a new family: tape deck, turntable, receiver ...")
@click.option("--maker", help="Maker of a new family.")
@click.option("--working-price", type=MONEY, help="What you think a serviced unit of a new family fetches.")
@NEW
@click.pass_obj
def intake(bench: Bench, family: str, signs: tuple[tuple[str, str], ...], **given: Any) -> None:
    """Take a unit in: get the number to write on its label.

    Only FAMILY is needed. Tell what was seen before any tool was picked up.
    """
    from reliability.records.sheet import check_unit, take_in

    described = _family_row(family, given)
    lot = None
    if given["lot_price"] is not None:
        if given["lot"] is None:
            raise click.UsageError("--lot-price is the price of a lot: name it by --lot.")
        lot = {
            "lot": given["lot"],
            "price": given["lot_price"],
            "bought_on": given["taken_in"] or today().isoformat(),
        }
    if given["lot"] is not None and given["price"] is not None:
        raise click.UsageError("--price is that of one unit; the units of a --lot share its --lot-price.")
    job = {name: given[name] for name in ("model", "lot", "year_basis", "remarks")}
    job |= {"family": family, "bought_for": given["price"]}
    job["taken_in"] = given["taken_in"] or today().isoformat()
    job["built_from"], job["built_to"] = given["year"] or (None, None)
    document = {"job": job, "signs": sign_rows(signs)}
    new_names = given["new_names"]
    if bench.is_missing:
        # A fault leaves no empty ledger behind.
        check_unit(None, document, described, new_names=new_names, new_lot=lot)
    with bench.ledger(create=True, write=True) as ledger:
        written = take_in(ledger, document, new_family=described, new_names=new_names, new_lot=lot)
        say(written, f"taken in {job['taken_in']}")


def _family_row(family: str, given: dict[str, Any]) -> dict[str, Any] | None:
    row = {name: given[name] for name in ("kind", "maker", "working_price")}
    if not given["new_family"]:
        if any(value is not None for value in row.values()):
            raise click.UsageError("--kind, --maker and --working-price describe a --new-family.")
        return None
    if row["kind"] is None:
        raise click.UsageError('--new-family needs --kind, such as --kind "tape deck".')
    priced_on = None if row["working_price"] is None else today().isoformat()
    return {"family": family, **row, "priced_on": priced_on}


# `show` and `blank`: look at a job; print an empty sheet.


@click.command(
    short_help="Show what the ledger holds of JOB.",
    epilog=example("benchodds show 17", "benchodds show 17 --history"),
)
@click.argument("job")
@click.option("--history", is_flag=True, help="Every version, with when and why it was written.")
@click.option("--price", is_flag=True, help="Work out the price to ask, where that takes a while, too.")
@click.pass_obj
def show(bench: Bench, job: str, history: bool, price: bool) -> None:
    """Show what the ledger holds of JOB, and the price to ask for a unit that is not sold yet."""
    from reliability.terminal import job_lines, version_lines

    with bench.ledger() as ledger:
        currency = str(ledger.setting("currency"))
        if history:
            lines = version_lines(ledger.history(job))
        else:
            document = ledger.job(job)
            lines = job_lines(document, currency) + _price_lines(ledger, document, currency, price)
    # A damaged text may hold what is no letter.
    click.echo("\n".join(lines).encode("utf-8", "backslashreplace").decode())


def _price_lines(ledger: "Ledger", document: dict[str, Any], currency: str, wanted: bool) -> list[str]:
    """Word the price to ask for a unit that works, or may work yet, and is not sold."""
    row = document["job"]
    is_sold = row["sold_for"] is not None or row["sold_on"] is not None
    if row["origin"] or row["outcome"] not in ("open", "repaired") or is_sold:
        return ["No price to ask: it is sold, was given up, or is another bench's."] if wanted else []
    from reliability.worth.appraiser import appraiser_of, kept_appraiser

    appraiser = appraiser_of(ledger, warn=note) if wanted else kept_appraiser(ledger)
    if appraiser is None:
        return [f"Price to ask: benchodds show {row['job']} --price"]
    from reliability.worth.judging import price_to_ask

    asked = price_to_ask(appraiser, document)
    between = f"80 % of such sales: {asked.low:.2f} to {asked.high:.2f}"
    return [f"Price to ask: {asked.mean:.2f} {currency} once it works ({between})"]


@click.command(
    short_help="Print an empty job sheet.",
    epilog=example('benchodds blank "Tarnwick T2" > deck.toml', 'benchodds blank "Tarnwick T2" --job 17'),
)
@click.argument("family")
@click.option("--job", help="The open job that the sheet is to finish.")
@click.pass_obj
def blank(bench: Bench, family: str, job: str | None) -> None:
    """Print an empty job sheet for FAMILY, with the usual components of its kind.

    Where one unit of the family is open, the sheet carries its number.
    """
    from reliability.records.sheet import blank_sheet, open_jobs
    from reliability.records.tables import usual_components
    from reliability.records.values import nearest, some

    with bench.ledger() as ledger:
        kinds = {str(row["family"]): str(row["kind"]) for row in ledger.rows("families")}
        if family not in kinds:
            raise InvalidInput(f"The ledger holds no family {family!r}; it holds {some(kinds)}."
                               f"{nearest(family, kinds)}")  # fmt: skip
        waiting = [str(row["job"]) for row in open_jobs(ledger, family)]
        signs = ledger.names("sign")
    if job is not None and job not in waiting:
        raise InvalidInput(f"Job {job} is no open job of {family!r}; open: {some(waiting)}.")
    if job is None and len(waiting) == 1:
        job = waiting[0]
    sheet = blank_sheet(
        family, kinds[family], usual_components(kinds[family]), signs, job=job, still_open=waiting
    )
    click.echo(sheet, nl=False)


# `add`: finished jobs go into the ledger.


@click.command(
    short_help="Append finished jobs, or finish open ones.",
    epilog=example(
        "benchodds add deck.toml", "benchodds add --ask", 'benchodds blank "Tarnwick T2" > deck.toml'
    ),
)
@click.argument(
    "sheets",
    nargs=-1,
    type=click.Path(exists=True, dir_okay=False, allow_dash=True),
    metavar="SHEET.toml ...",
)
@click.option("--ask", is_flag=True, help="Ask for everything, step by step; Ctrl-C leaves nothing behind.")
@click.option(
    "--new-component",
    "new_components",
    multiple=True,
    metavar="NAME",
    help="A component that the ledger has never seen, and that is no slip of the pen; repeatable.",
)
@NEW
@click.pass_obj
def add(
    bench: Bench,
    sheets: tuple[str, ...],
    ask: bool,
    new_components: tuple[str, ...],
    new_names: tuple[str, ...],
) -> None:
    """Append finished jobs, or finish the open ones that the sheets name.

    All sheets are checked first: if any has a fault, all faults are listed and none is written.
    A dash reads one sheet from standard input. `benchodds blank FAMILY` prints a sheet to fill in.
    """
    if ask == bool(sheets) or (ask and (new_components or new_names)):
        raise click.UsageError("Name the sheets to add, or write --ask alone.")
    if ask:
        from reliability.ask import ask_for_job

        ask_for_job(bench, today())
        return
    from reliability.records.sheet import check_sheets, write_up

    read, unreadable = _read(sheets)
    given: dict[str, Any] = {"today": today(), "new_components": new_components, "new_names": new_names,
                             "unreadable": unreadable}  # fmt: skip
    if bench.is_missing:
        check_sheets(None, read, **given)  # a fault leaves no empty ledger behind
    with bench.ledger(create=True, write=True) as ledger:
        for written in write_up(ledger, read, **given):
            say(written, written.outcome)


def _read(paths: tuple[str, ...]) -> tuple[list["JobSheet"], list[str]]:
    """Read every sheet that can be read; say what is wrong with the others."""
    from reliability.errors import InvalidInput
    from reliability.records.sheet import decode_sheet, load_sheet

    read: list[JobSheet] = []
    unreadable: list[str] = []
    for path in paths:
        try:
            if path == "-":
                read.append(decode_sheet(sys.stdin.buffer.read(), "standard input"))
            else:
                read.append(load_sheet(path))
        except InvalidInput as error:
            unreadable.append(str(error))
    return read, unreadable


# `amend`, `sold`, `followup`: what becomes known of a job after it was written down.


@click.command(
    short_help="Correct a job; every version is kept.",
    epilog=example(
        'benchodds amend 17 --set outcome=donor --set ended_by=gear --why "gear broke after all"',
        'benchodds amend 17 --set belt.found=failed --set "head:left.found=worn" --why "looked again"',
    ),
)
@click.argument("job")
@click.argument("sheet", required=False, type=click.Path(exists=True, dir_okay=False))
@click.option(
    "--set", "settings", multiple=True, metavar="NAME=VALUE",
    help="A column of the job, or COMPONENT.COLUMN or COMPONENT:POSITION.COLUMN of a finding; "
    "nothing after the = empties it. Repeatable.",
)  # fmt: skip
@click.option("-s", "--sign", "signs", type=SIGN, multiple=True, help="A sign, such as rust=no; repeatable.")
@click.option("--drop", "drops", multiple=True, metavar="COMPONENT[:POSITION]", help="Take a finding out.")
@click.option("--drop-sign", "drop_signs", multiple=True, metavar="SIGN", help="Take a sign out.")
@click.option("--withdraw", is_flag=True, help="Take the whole job out; its versions are kept.")
@click.option("--new-component", "new_components", multiple=True, metavar="NAME",
              help="A component that the ledger has never seen.")  # fmt: skip
@NEW
@click.option("--why", required=True, metavar="REASON", help="Kept beside the old version.")
@click.pass_obj
def amend(bench: Bench, job: str, sheet: str | None, withdraw: bool, why: str, **given: Any) -> None:
    """Correct a job. The version before is kept, with the time and the reason.

    Only what is named changes; SHEET is a job sheet that holds the corrections.
    """
    from reliability.records.sheet import Amendment

    amendment = Amendment.of(given["settings"], given["signs"], given["drops"], given["drop_signs"], sheet)
    if withdraw != amendment.is_empty:
        raise click.UsageError("Say what changes: --set, --sign, --drop, --drop-sign or a sheet; "
                               "or --withdraw alone.")  # fmt: skip
    with bench.ledger(write=True) as ledger:
        if withdraw:
            ledger.withdraw(job, reason=why)
            click.echo(f"Job {job} was withdrawn; its versions stay: benchodds show {job} --history")
            return
        signs = ledger.names("sign")
        for sign, _ in given["signs"]:
            if near_twin(sign, signs):
                refuse_unseen("sign", sign, signs, given["new_names"])
        old = ledger.job(job)
        kinds = {row["family"]: str(row["kind"]) for row in ledger.rows("families")}
        changes = amendment.changes(old, kinds.get(old["job"]["family"], ""))
        version = ledger.amend(job, changes, reason=why, new_components=given["new_components"])
        click.echo(f"Job {job}: version {version} was written ({why})")


@click.command(epilog=example("benchodds sold 17 160", "benchodds sold 17 160 --on 2026-05-17"))
@click.argument("job")
@click.argument("price", type=MONEY)
@click.option("--on", "day", type=DAY, help="Day or month of the sale; today otherwise.")
@click.pass_obj
def sold(bench: Bench, job: str, price: Decimal, day: str | None) -> None:
    """Record that the unit of JOB was sold, for PRICE."""
    day = day or today().isoformat()
    with bench.ledger(write=True) as ledger:
        # What is to be told is read before: once the sale is written, nothing can fail any more.
        currency = ledger.setting("currency")
        row = ledger.sold(job, price, day)
        click.echo(f"Job {job}: {row['family']}, sold for {row['sold_for']} {currency} on {day}")


@click.command(
    short_help="Record a check after the sale.",
    epilog=example(
        "benchodds followup 17 --working yes",
        "benchodds followup 17 --working no --component belt --failed-on 2026-05-17 --hours 0.5",
    ),
)
@click.argument("job")
@click.option("--working", type=click.Choice(("yes", "no")), required=True, help="Whether the unit worked.")
@click.option("--on", "checked_on", type=DAY, help="Day or month of the check; today otherwise.")
@click.option("--failed-on", type=DAY, help="When it failed, if the day is known.")
@click.option("--component", metavar="NAME", help="What failed.")
@click.option("--hours", type=HOURS, help="Bench time that it took.")
@click.option("--cost", type=MONEY, help="What it cost beside time.")
@click.option("--new-component", "new_components", multiple=True, metavar="NAME",
              help="A component that the ledger has never seen.")  # fmt: skip
@click.pass_obj
def followup(bench: Bench, job: str, new_components: tuple[str, ...], **given: Any) -> None:
    """Record what became of a repaired unit: it was seen, or asked about."""
    row = {**given, "checked_on": given["checked_on"] or today().isoformat()}
    with bench.ledger(write=True) as ledger:
        family = ledger.job(job)["job"]["family"]
        ledger.followup(job, row, new_components=new_components)
        state = "working" if given["working"] == "yes" else "not working"
        click.echo(f"Job {job}: {family}, {state} on {row['checked_on']}")


# `set`, `family`, `part`, `heard`: settings, families, parts and hearsay are shown, added and corrected.


def column_options(table: str, *names: str) -> Callable[[Any], Any]:
    """Give a command an option for each of these columns, read as its column says."""

    def add_options(command: Any) -> Any:
        for name in reversed(names):
            column = TABLES[table][name]
            flag = f"--{name.replace('_', '-')}"
            told = f"{column.meaning[0].upper()}{column.meaning[1:]}."
            command = click.option(flag, name, type=Cell(column), help=told)(command)
        return command

    return add_options


WHY = click.option("--why", default="", metavar="REASON", help="Kept beside the version.")
EMPTY = click.option(
    "--empty", "emptied", multiple=True, metavar="COLUMN", help="Empty a column; repeatable."
)
REMOVE = click.option("--remove", is_flag=True, help="Take the row out; its versions are kept.")
VERSIONS = click.option(
    "--history", is_flag=True, help="Show every version, with when and why it was written."
)


def kinds_known(ledger: "Ledger") -> list[str]:
    """List the kinds of unit that the ledger holds, and those that have usual components."""
    return sorted({*ledger.names("kind"), *USUAL_COMPONENTS} - {"other"})


def refuse_unseen(what: str, name: str | None, known: Collection[str], new: Collection[str]) -> None:
    """Ask about a name that the ledger has never seen, unless it is said to be new."""
    if name is not None and name not in known and name not in map(clean_text, new):
        raise InvalidInput(f"{unseen(what, name, known)}. Nothing was written.")


#: What is told of a price today is of today.
_DATED = {"families": ({"working_price"}, "priced_on"), "parts": ({"price", "obtainable"}, "as_of")}


def _reference(
    bench: Bench,
    table: str,
    key: dict[str, Any],
    label: str,
    given: dict[str, Any],
    *,
    show: Callable[[], None],
    seen: "Callable[[Ledger], None]",
) -> None:
    """Show rows of a table, the versions of one, or write its next one, as the options say."""
    columns = TABLES[table]
    changed = {name: given[name] for name in columns.names if name not in key and given[name] is not None}
    emptied = set(given.get("emptied", ()))
    for name in emptied:
        if name not in columns.names or name in key:
            raise unknown("--empty: there is no such column", name, set(columns.names) - set(key))
    if (changed or emptied or given["remove"] or given["history"]) and not any(key.values()):
        raise click.UsageError(f"Name the {columns.key[0]}.")
    if given["history"]:
        _versions(bench, table, key, label)
    elif changed or emptied or given["remove"]:
        told, day = _DATED.get(table, (set(), ""))
        if told & changed.keys():
            changed.setdefault(day, today().isoformat())
        elif told & emptied and table == "families":  # what is said of a price goes with it
            emptied |= {day, "price_spread"} - changed.keys()
        if twice := emptied & changed.keys():
            raise click.UsageError(f"{min(twice)} is given and emptied; write one or the other.")
        _correct(bench, table, key, {**changed, **dict.fromkeys(emptied)}, label, given, seen)
    else:
        show()


def _correct(
    bench: Bench,
    table: str,
    key: dict[str, Any],
    changed: dict[str, Any],
    label: str,
    given: dict[str, Any],
    seen: "Callable[[Ledger], None] | None" = None,
) -> None:
    """Write one version of a reference row, or take the row out, and say what changed."""
    from reliability.terminal import changes, row_cells

    if given["remove"] and changed:
        raise click.UsageError("--remove takes the whole row out; leave out what it would say.")
    with bench.ledger(write=True) as ledger:
        if seen is not None:
            seen(ledger)
        old, new = ledger.correct(table, {**key, **changed}, reason=given["why"], remove=given["remove"])
        if new is not None:
            told = "; ".join(changes(row_cells(old or key), row_cells(new)))
            click.echo(f"{label}: {told.removeprefix('value: ').removeprefix('value = ')}")
            return
        told = "taken out"
        if table == "settings":
            told = f"the default holds again, {SETTINGS[label].default or 'worked out'}"
        click.echo(f"{label}: {told}; its versions are kept")


def _versions(bench: Bench, table: str, key: dict[str, Any], label: str) -> None:
    from reliability.records.database import key_text
    from reliability.terminal import version_lines

    with bench.ledger() as ledger:
        versions = ledger.history(key_text(TABLES[table], key), table)
    if not versions:
        raise InvalidInput(f"{label}: the ledger keeps no version of it.")
    click.echo("\n".join(version_lines(versions, gone="taken out")))


@click.command(
    name="set",
    short_help="Show settings, or change one.",
    epilog=example("benchodds set", "benchodds set hour_rate 12", "benchodds set hour_rate --history"),
)
@click.argument("name", required=False)
@click.argument("value", required=False)
@click.option("--default", is_flag=True, help="Go back to the default of the setting.")
@WHY
@VERSIONS
@click.pass_obj
def set_setting(
    bench: Bench, name: str | None, value: str | None, default: bool, why: str, history: bool
) -> None:
    """Show all settings, or the one of NAME; with VALUE, change it. Every version is kept.

    The list says what each setting means, and which are not set: their defaults hold.
    """
    if (value is not None) + default + history > 1 or (name is None and (default or history or why)):
        raise click.UsageError("Write a NAME and then a VALUE, --default or --history, one of them.")
    if name is not None and name not in SETTINGS:
        raise unknown("There is no setting", name, SETTINGS)
    if history:
        _versions(bench, "settings", {"setting": name}, str(name))
    elif value is not None or default:
        changed = {} if default else {"value": value}
        _correct(bench, "settings", {"setting": name}, changed, str(name), {"why": why, "remove": default})
    else:
        _show_settings(bench, list(SETTINGS) if name is None else [name])


def _show_settings(bench: Bench, names: list[str]) -> None:
    from reliability.terminal import text_table

    with bench.ledger() as ledger:
        stated = {str(row["setting"]): str(row["value"]) for row in ledger.rows("settings")}
    rows = [
        [name, stated.get(name, SETTINGS[name].default or ""), "" if name in stated else "not set",
         SETTINGS[name].meaning]
        for name in names
    ]  # fmt: skip
    click.echo(text_table(rows, ["setting", "value", "", "meaning"], ["setting", "", "meaning"]))


@click.command(
    short_help="Show families, add one, or correct one.",
    epilog=example(
        "benchodds family",
        'benchodds family "Tarnwick T2" --working-price 160',
        'benchodds family "Dallow 80" --new-family --kind receiver',
    ),
)
@click.argument("name", required=False)
@column_options("families", *TABLES["families"].names[1:])
@click.option("--new-family", is_flag=True, help="The ledger does not know NAME yet; needs --kind.")
@NEW
@EMPTY
@REMOVE
@WHY
@VERSIONS
@click.pass_obj
def family(bench: Bench, name: str | None, **given: Any) -> None:
    """Show all families, or the one of NAME; with values, correct it. Every version is kept.

    A working price is of today unless --priced-on says otherwise.
    """

    def seen(ledger: "Ledger") -> None:
        known = ledger.names("family")
        if given["new_family"] == (name in known):
            raise InvalidInput(
                f"The ledger knows the family {name!r} already; leave out --new-family. Nothing was written."
                if name in known
                else f"The ledger holds no family {name!r}; it holds {some(known)}."
                f"{nearest(str(name), known)} If it is new, say so: --new-family --kind KIND. "
                "Nothing was written."
            )
        refuse_unseen("kind", given["kind"], kinds_known(ledger), given["new_names"])

    _reference(bench, "families", {"family": name}, f"Family {name}", given,
               show=lambda: _show_families(bench, name), seen=seen)  # fmt: skip


def _show_families(bench: Bench, name: str | None) -> None:
    from reliability.terminal import row_lines, text_table

    with bench.ledger() as ledger:
        currency, rows = str(ledger.setting("currency")), ledger.rows("families")
        models = [str(row["model"]) for row in ledger.rows("models") if row["family"] == name]
    if name is not None:
        found = [row for row in rows if row["family"] == name]
        if not found:
            raise unknown("The ledger holds no family", name, [str(row["family"]) for row in rows])
        click.echo("\n".join([f"Family {name}", *row_lines("families", found[0], currency, ["family"])]))
        if models:
            click.echo(f"  {'models':<15}{', '.join(models)}")
        return
    heads = ["family", "kind", "maker", "first_year", "last_year", "working_price", "priced_on"]
    click.echo(text_table([[write_value(row[head]) for head in heads] for row in rows], heads, heads[:3]))


@click.command(
    short_help="Show what parts can be had, add one, or correct one.",
    epilog=example(
        "benchodds part belt",
        "benchodds part belt --obtainable yes --price 4",
        'benchodds part belt --family "Tarnwick T2" --price 9 --as-of 2026-11-01',
    ),
)
@click.argument("component", required=False)
@column_options("parts", *TABLES["parts"].names[1:])
@NEW
@EMPTY
@REMOVE
@WHY
@VERSIONS
@click.pass_obj
def part(bench: Bench, component: str | None, **given: Any) -> None:
    """Show what is known of replacements of COMPONENT, or of all; with values, add or correct one.

    The row of a --family comes before the general one. What is told today is of today unless --as-of
    says otherwise. Every version is kept.
    """
    key = {"component": component, "family": given["family"]}
    label = f"Part {component}" + (f" of {given['family']}" if given["family"] else "")

    def seen(ledger: "Ledger") -> None:
        refuse_unseen("component", component, ledger.names("component"), given["new_names"])

    _reference(bench, "parts", key, label, given, show=lambda: _show_rows(bench, "parts", key), seen=seen)


@click.command(
    short_help="Show what the trade says, add to it, or correct it.",
    epilog=example(
        "benchodds heard",
        "benchodds heard --kind radio --component tube --age-years 60 --share-failed 0.3 --worth-jobs 5",
        'benchodds heard --family "Tarnwick T2" --share-repaired 0.6 --worth-jobs 3',
    ),
)
@column_options("hearsay", *TABLES["hearsay"].names)
@NEW
@REMOVE
@WHY
@VERSIONS
@click.pass_obj
def heard(bench: Bench, **given: Any) -> None:
    """Show hearsay, all of it or what the options name; with a share or a weight, add or correct it.

    It is about a family or a kind: either the share of a component that has failed by an age, or the
    share of units that can be repaired. --worth-jobs says how many records it is worth. What differs in
    family, kind, component, age or teller is another row. Every version is kept.
    """
    key = {name: given[name] for name in TABLES["hearsay"].key}
    label = f"Heard of {', '.join(write_value(value) for value in key.values() if value is not None)}"

    def seen(ledger: "Ledger") -> None:
        refuse_unseen("component", given["component"], ledger.names("component"), given["new_names"])
        refuse_unseen("kind", given["kind"], kinds_known(ledger), given["new_names"])

    _reference(bench, "hearsay", key, label, given, show=lambda: _show_rows(bench, "hearsay", key), seen=seen)


def _show_rows(bench: Bench, table: str, key: dict[str, Any]) -> None:
    from reliability.terminal import text_table

    wanted = {name: value for name, value in key.items() if value is not None}
    with bench.ledger() as ledger:
        rows = [row for row in ledger.rows(table) if all(row[name] == wanted[name] for name in wanted)]
    if not rows:
        told = ", ".join(f"{name} {write_value(value)}" for name, value in wanted.items())
        click.echo(f"No row of {table}{f' with {told}' if told else ''}")
        return
    columns = TABLES[table]
    texts = [column.name for column in columns if column.kind in ("text", "choice")]
    cells = [[write_value(row[name]) for name in columns.names] for row in rows]
    click.echo(text_table(cells, columns.names, texts))


# `rename`: a name is mended everywhere at once.


@click.command(
    short_help="Rename a family, model, kind, component or sign.",
    epilog=example(
        'benchodds rename component "pinch roler" "pinch roller" --merge',
        'benchodds rename family "Tarnwick T-2" "Tarnwick T2"',
    ),
)
@click.argument("what", type=click.Choice(("family", "model", "kind", "component", "sign")))
@click.argument("old")
@click.argument("new")
@click.option("--merge", is_flag=True, help="NEW is there already: put the two together.")
@WHY
@click.pass_obj
def rename(bench: Bench, what: str, old: str, new: str, merge: bool, why: str) -> None:
    """Rename OLD to NEW in every row that names it; the versions before are kept.

    Two families or models are merged once they agree in kind or family. Where both stand in one job and
    say different things, the jobs are named, and nothing is written.
    """
    with bench.ledger(write=True) as ledger:
        done = ledger.rename(what, old, new, merge=merge, reason=why)
        rows = ", ".join(rows_of(count, table) for table, count in done.items())
        click.echo(f"{what} {old} {'merged into' if merge else 'renamed'} {new}: {rows}")


# `import` and `export`: CSV files into the ledger, and out of it.


@click.command(
    name="import",
    short_help="Import CSV files, or a sheet by a reading plan.",
    epilog=example(
        "benchodds import data/demo",
        "benchodds import from-my-ledger --dry-run",
        "benchodds import jobs-2025.xlsx --draft plan.toml",
        "benchodds import jobs-2025.xlsx --plan plan.toml",
        "benchodds import repair-events.csv --standard open-repair",
        "benchodds import jobs-2025.xlsx --take-back",
    ),
)
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--dry-run", is_flag=True, help="Check everything, write nothing.")
@click.option("--draft", type=NEW_FILE, metavar="PLAN",
              help="Import nothing: propose how to read a sheet, and write that to PLAN.")  # fmt: skip
@click.option("--plan", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="Read a sheet (CSV, XLSX, ODS) as this plan says.")  # fmt: skip
@click.option("--standard", type=click.Choice(["open-repair"]),
              help="PATH holds open repair data, versions 0.1 to 0.3.")  # fmt: skip
@click.option("--kind", "kinds", multiple=True,
              help="Open repair data: a kind that the ledger has no family of yet; repeatable.")  # fmt: skip
@click.option("--take-back", is_flag=True,
              help="Take out again what was imported from PATH, unless it was changed since.")  # fmt: skip
@click.option("--semicolons", is_flag=True, help="Cells are divided by semicolons.")
@click.option("--decimal-comma", is_flag=True, help="Numbers are written with a decimal comma.")
@click.option(
    "--correct", is_flag=True, help="Rows that differ are corrections; the versions before are kept."
)
@NEW
@WHY
@click.pass_obj
def import_folder(bench: Bench, path: Path, dry_run: bool, **given: Any) -> None:
    """Import PATH: a folder of CSV files named after the tables, with or without datapackage.json.

    PATH may also be one CSV file that has the columns of a table. A file that is named after a table
    holds that table; any other holds jobs, whose families the ledger must know.

    A sheet as you keep it (CSV of any make, XLSX, ODS) is read by a plan. --draft writes a proposal, with a
    question for what cannot be told; answer those, then --plan follows it.

    With --standard open-repair, PATH is a CSV file of the Open Repair Data Standard or a folder of them.
    Their jobs bear an origin and are never counted as this bench's own. Only kinds that the ledger has a
    family of are taken in, and those named by --kind.

    Every fault of every file is listed, and then nothing is imported. Rows that the ledger holds
    already are passed over; where they differ, --correct takes them for corrections and lists the changes
    first. A file of corrections needs the columns that tell its rows apart, and those that change; what
    it leaves out stays.
    """
    plan, draft, standard = given["plan"], given["draft"], given["standard"]
    ways = [name for name in ("draft", "plan", "standard", "take_back") if given[name]]
    if len(ways) > 1:
        told = " and ".join(f"--{name.replace('_', '-')}" for name in ways)
        raise click.UsageError(f"{told} do not go together.")
    if given["kinds"] and not standard:
        raise click.UsageError("--kind belongs to --standard open-repair.")
    if (plan or draft) and (given["semicolons"] or given["decimal_comma"]):
        raise click.UsageError(
            "A plan says how its sheet is written: leave out --semicolons, --decimal-comma."
        )
    if given["correct"] and ways:
        raise click.UsageError(
            "--correct takes tables of a ledger as they are; it goes with none of the others."
        )
    if draft:
        _draft(bench, path, draft)
        return
    if given["take_back"]:
        _take_back(bench, path, dry_run)
        return
    from reliability.records.package import is_demo

    if not ways and is_demo(path if path.is_dir() else path.parent):
        _refuse_demo(bench, path)
    summary = _run(bench, _importer(path, plan, standard, given), dry_run, given["correct"])
    _tell(summary, "would be" if dry_run else "")
    if not dry_run and (summary.changes or any(summary.written.values())):
        click.echo(f"Written to {bench.shown}")


def _refuse_demo(bench: Bench, path: Path) -> None:
    """Keep the invented units of the demo out of a ledger of one's own."""
    own = Path(bench.shown).absolute() == Path(DEFAULT_LEDGER).absolute()
    if not own and not bench.is_missing:
        with bench.ledger() as ledger:
            own = not (ledger.is_empty or ledger.holds_demo)
    if own:
        raise InvalidInput(
            f"{path} is the demo, and {bench.shown} is for units of your own. Try it in another ledger: "
            f"benchodds --ledger data/trial.db import {path}. Nothing was imported."
        )


def _importer(
    path: Path, plan: Path | None, standard: str | None, given: dict[str, Any]
) -> "Callable[[Ledger, bool], ImportSummary]":
    from reliability.records.importing import import_package, import_table
    from reliability.records.package import Layout

    layout = Layout(";" if given["semicolons"] else ",", given["decimal_comma"])
    why = given["why"] or f"{'corrected' if given['correct'] else 'imported'} from {path.name}"
    how: dict[str, Any] = {
        "layout": layout,
        "reason": why,
        "correct": given["correct"],
        "new_names": [clean_text(name) for name in given["new_names"]],
    }

    def bring_in(ledger: "Ledger", dry: bool) -> "ImportSummary":
        if plan:
            from reliability.records.reading_plan import import_by_plan

            return import_by_plan(path, plan, ledger, reason=why, dry_run=dry)
        if standard:
            from reliability.records.open_repair import import_open_repair

            return import_open_repair(
                path, ledger, layout=layout, kinds=given["kinds"], reason=why, dry_run=dry
            )
        if path.is_dir() or not path.is_file():
            return import_package(path, ledger, dry_run=dry, **how)
        table = path.stem if path.stem in TABLES else "jobs"
        return import_table(path, table, ledger, dry_run=dry, **how)

    return bring_in


def _draft(bench: Bench, path: Path, draft: Path) -> None:
    from reliability.records.files import fresh_file
    from reliability.records.reading_plan_draft import draft_plan

    families: dict[str, str] = {}
    if not bench.is_missing:
        with bench.ledger() as ledger:
            families = {str(row["family"]): str(row["kind"]) for row in ledger.rows("families")}
    text = draft_plan(path, families)
    try:
        with fresh_file(draft, replace=False) as file:
            file.stream.write(text.encode())
    except FileExistsError:
        raise InvalidInput(f"{draft} is there already, perhaps with your answers; name another.") from None
    except OSError as error:
        raise InvalidInput(f"{draft} cannot be written: {reason(error)}.") from None
    count = text.count("# QUESTION: ")
    click.echo(f"{draft}: how {path.name} can be read, with {counted(count, 'question')} to answer")


def _take_back(bench: Bench, path: Path, dry_run: bool) -> None:
    from reliability.records.importing import take_back_import

    with bench.ledger() as ledger:
        gone = take_back_import(ledger, f"imported from {path.name}", dry_run=dry_run)
    done = "would be taken back" if dry_run else "taken back"
    told = ", ".join(rows_of(count, table) for table, count in gone.items())
    click.echo(f"{told} {done}; their versions are kept")


def _run(
    bench: Bench, bring_in: "Callable[[Ledger, bool], ImportSummary]", dry_run: bool, correct: bool
) -> "ImportSummary":
    from reliability.records.ledger import open_ledger

    if bench.is_missing and not correct:
        # Tried on a ledger that is thrown away: a fault leaves no empty ledger behind.
        with tempfile.TemporaryDirectory() as folder, open_ledger(f"{folder}/trial.db", create=True) as trial:
            summary = bring_in(trial, True)
        if dry_run:
            return summary
    with bench.ledger(create=not (dry_run or correct)) as ledger:
        return bring_in(ledger, dry_run)


def _tell(summary: "ImportSummary", would_be: str) -> None:
    for change in summary.changes:
        click.echo(change)
    rows = [rows_of(count, table) for table, count in summary.written.items() if count]
    if summary.changes:
        click.echo(" ".join(filter(None, [counted(len(summary.changes), "row"), would_be, "corrected"])))
    if rows or not summary.changes:
        click.echo(" ".join(filter(None, [", ".join(rows) or "Nothing new", would_be, "imported"])))
    held = sum(summary.equal.values())
    if held:
        click.echo(f"  {counted(held, 'row')} in the ledger already")
    for why, count in summary.left_out.items():
        click.echo(f"  {counted(count, 'row')} left out: {why}")
    for kind, names in summary.new_names.items():
        if names:
            click.echo(f"  new {kind}: {some(names)}")
    for remark in summary.remarks:
        click.echo(f"  {remark}")


@click.command(
    name="export",
    short_help="Export the ledger as CSV files.",
    epilog=example(
        "benchodds export my-ledger-as-csv",
        'benchodds export to-share --standard open-repair --provider "Corner bench" --country BEL',
    ),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--history", is_flag=True, help="Write every version of everything too, to history.csv.")
@click.option("--replace", is_flag=True, help="FOLDER holds an earlier export: write over it.")
@click.option("--standard", type=click.Choice(["open-repair"]),
              help="Write finished jobs as open repair data, version 0.3, without money.")  # fmt: skip
@click.option("--provider", help="Open repair data: the name that they are published under.")
@click.option("--country", help="Open repair data: three-letter code of the country.")
@click.pass_obj
def export_folder(
    bench: Bench,
    folder: Path,
    history: bool,
    replace: bool,
    standard: str | None,
    provider: str | None,
    country: str | None,
) -> None:
    """Export the ledger to FOLDER: a CSV file for each table, and a datapackage.json.

    Importing the folder gives an equal ledger. With --history, history.csv lies beside the tables; it
    is for reading, an import passes it over.
    """
    from reliability.records.package import export_package, package_name

    if standard and history:
        raise click.UsageError("Open repair data have no history; leave out --history.")
    if not standard and (provider or country):
        raise click.UsageError("--provider and --country belong to --standard open-repair.")
    if not replace and package_name(folder) is not None:
        raise InvalidInput(
            f"{folder} holds an earlier export; name another folder, or write over it with --replace. "
            "Nothing was written."
        )
    if standard:
        _share(bench, folder, provider, country)
        return
    with bench.ledger() as ledger:
        count = export_package(ledger, folder, history=history)
    click.echo(f"{counted(count, 'job')}, with all that is known of them: {folder}")


def _share(bench: Bench, folder: Path, provider: str | None, country: str | None) -> None:
    from reliability.records.open_repair import DEFAULT_PROVIDER, export_open_repair

    with bench.ledger() as ledger:
        done = export_open_repair(
            ledger, folder, provider=provider or DEFAULT_PROVIDER, country=country or ""
        )
    open_ones = f", {done.still_open} still open and left out" if done.still_open else ""
    click.echo(f"{counted(done.written, 'job')} as open repair data{open_ones}: {folder}")


# `check` and `backup`: whether the ledger is whole, and a copy of it.


@click.command(epilog=example("benchodds check"))
@click.pass_context
def check(ctx: click.Context) -> None:
    """Verify the ledger, and name what is doubtful in it.

    Ends with 1 if a rule is broken; rows that are allowed but doubtful are only named.
    """
    bench: Bench = ctx.obj
    with bench.ledger() as ledger:
        problems = ledger.check()
        count = len(ledger.rows("jobs"))
    broken = [problem for problem in problems if problem.grave]
    doubtful = [problem for problem in problems if not problem.grave]
    for heading, found in (("Broken", broken), ("Worth a second look", doubtful)):
        if found:
            click.echo(f"{heading}:")
            for problem in found:
                click.echo(f"  {problem}")
    click.echo(f"{counted(count, 'job')}: {len(broken)} broken, {len(doubtful)} worth a second look")
    if broken:
        ctx.exit(1)


@click.command(
    short_help="Write a consistent copy of the ledger.", epilog=example("benchodds backup bench-copy.db")
)
@click.argument("file", type=click.Path(path_type=Path))
@click.pass_obj
def backup(bench: Bench, file: Path) -> None:
    """Write a consistent copy of the ledger to FILE, also while others write to it."""
    with bench.ledger() as ledger:
        ledger.backup(file)
    click.echo(f"Copied to {file}")


# `archive`: the findings of the ledger as Parquet files, for many benches together.


@click.command(
    short_help="Write the findings as a Parquet archive.",
    epilog=example("benchodds archive for-the-others", "benchodds lives --archive for-the-others"),
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.pass_obj
def archive(bench: Bench, folder: Path) -> None:
    """Write to FOLDER what the lives of parts need: findings, years, days, families; no money, no remarks.

    Archives of many benches can be read together by ``lives --archive``. Jobs that were imported from
    elsewhere are left out, so that nothing counts twice. Needs the extra `scale`.
    """
    from reliability.records.archive import write_archive

    with bench.ledger() as ledger:
        written = write_archive(ledger, folder)
    click.echo(f"{counted(written.findings, 'finding')} in {counted(written.jobs, 'job')}: {folder}")
    if written.imported_jobs:
        click.echo(f"  {counted(written.imported_jobs, 'imported job')} left out")


# `judge` and `ranking`: what to take, at what price, and what to leave.


AS_OF = "Day of the sale where an offer names none; today otherwise. What happened later is ignored."


@click.command(
    short_help="Take, haggle, try one or skip: verdicts on units on offer.",
    epilog=example(
        "benchodds judge offers.csv --out verdicts.csv",
        'benchodds judge --family "Tarnwick T2" --built 1978-1981 --asked 25 --sign rust=yes',
    ),
)
@click.argument("offers", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--out", type=NEW_FILE, help="File for the verdicts, as CSV.")
@click.option("--family", help="One unit: its family.")
@click.option("--model", help="One unit: the name on its front panel.")
@click.option("--kind", help="One unit: its kind, for a family that the ledger does not know.")
@click.option(
    "--working-price", type=MONEY, help="One unit: what it fetches once serviced, where that is unknown."
)
@click.option("--built", "--year", "built", type=WINDOW, help="One unit: year of production, or a window.")
@click.option("--asked", "--price", "asked", type=MONEY, help="One unit: the price asked.")
@click.option(
    "-s", "--sign", "signs", type=SIGN, multiple=True, help="One unit: a sign, rust=yes; repeatable."
)
@click.option("--as-of", type=DAY, callback=full_day, help=AS_OF)
@click.pass_obj
def judge(
    bench: Bench, offers: Path | None, out: Path | None, as_of: datetime.date | None, **unit: Any
) -> None:
    """Judge the units of OFFERS, a CSV file, or one unit that the options describe.

    OFFERS has one line for each unit and these columns, in any order: offer (a name; the number of the row
    where there is none), family or model, kind and working_price (for a family that the ledger does not
    know), built_from, built_to, asked, seen_on; then one column for each sign, each yes, no or empty.
    data/README.md tells all of them.

    The verdict is take, haggle, try one or skip; the ceiling is the highest price at which it is
    take. Without a price asked, only the chance of a repair and the ceiling are told.
    """
    described = any(value not in (None, ()) for value in unit.values())
    if (offers is None) != described:
        raise click.UsageError(
            "Name a file of offers, or describe one unit by --family or --model; not both."
        )
    if described and not (unit["family"] or unit["model"] or unit["kind"]):
        raise click.UsageError("A unit needs --family, --model or --kind.")
    from reliability.worth.judging import judge as judge_offers
    from reliability.worth.judging import offers_from, read_offers, write_verdicts

    table = read_offers(offers) if offers is not None else offers_from([_offer(unit)])
    appraiser = _appraiser(bench, as_of)
    verdicts = judge_offers(table, appraiser, as_of=as_of or datetime.date.today())
    terms, currency = appraiser.terms, appraiser.currency
    settings = (
        f"hour_rate {terms.hour_rate:.2f} {currency}, selling_fee {terms.selling_fee:g}, margin "
        f"{terms.margin:.2f} {currency}; `benchodds set` changes them"
    )
    if out is not None:
        with written_to(out):
            write_verdicts(verdicts, out)
        click.echo(f"Judged with {settings}")
        click.echo(f"{_verdict_summary(verdicts)}: {out}")
    elif described:
        from reliability.terminal import verdict_lines

        click.echo("\n".join(verdict_lines(verdicts.iloc[0], unit["asked"], currency, settings)))
    else:
        from reliability.terminal import verdict_table

        click.echo(verdict_table(verdicts))
        click.echo(f"Judged with {settings}")
        click.echo(_verdict_summary(verdicts))


def _offer(unit: dict[str, Any]) -> dict[str, Any]:
    named = ("family", "model", "kind", "working_price", "asked")
    first, last = unit["built"] or (None, None)
    label = unit["family"] or unit["model"] or unit["kind"]
    row = {"offer": label, "built_from": first, "built_to": last, **{name: unit[name] for name in named}}
    return row | dict(unit["signs"])


def _verdict_summary(verdicts: "pd.DataFrame") -> str:
    counts = verdicts["verdict"].fillna("without a price").value_counts()
    order = ("take", "haggle", "try one", "skip", "without a price")
    said = [f"{counts[each]} {each}" for each in order if each in counts]
    return f"{len(verdicts)} judged ({', '.join(said)})" if said else "0 judged"


def _appraiser(bench: Bench, as_of: datetime.date | None) -> "Appraiser":
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        return appraiser_of(ledger, as_of=as_of, warn=note)


@click.command(
    short_help="Which families to take, to haggle over, to skip.",
    epilog=example("benchodds ranking", "benchodds ranking --out ranking.csv"),
)
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help=AS_OF)
@click.pass_obj
def ranking(bench: Bench, out: Path | None, as_of: datetime.date | None) -> None:
    """Rank the families: which to take, to haggle over, to skip, at the price usually asked.

    A family without a usual price has a ceiling, but no verdict.
    """
    from reliability.records.frames import read_records
    from reliability.terminal import ranking_table, write_table
    from reliability.worth.review import ranking as rank

    appraiser = _appraiser(bench, as_of)
    with bench.ledger() as ledger:
        records = read_records(ledger, as_of=as_of)
    table = rank(appraiser, records, as_of=as_of or datetime.date.today())
    if out is None:
        click.echo(ranking_table(table, appraiser.currency))
    else:
        with written_to(out):
            write_table(table, out)
        click.echo(f"{len(table)} families: {out}")


# `lives`: how long components last.


@click.command(
    short_help="How long components last, family by family.",
    epilog=example(
        'benchodds lives --family "Tarnwick T2"',
        "benchodds lives --component belt --out belts.csv",
        "benchodds lives --archive ours --archive theirs --processes 4",
    ),
)
@click.option("--family", "families", multiple=True, help="Only this family; repeatable.")
@click.option("--component", "components", multiple=True, help="Only this component; repeatable.")
@click.option(
    "--event",
    type=click.Choice(("failed", "needs work")),
    default="failed",
    show_default=True,
    help="What ends a life; a worn part needs work.",
)
@click.option(
    "--cohort",
    type=click.IntRange(1, 50),
    help="Tell production years apart, in cohorts of so many years.",
)
@click.option(
    "--archive",
    "archives",
    type=click.Path(path_type=Path),
    multiple=True,
    help="Of these archives instead of the ledger; repeatable.",
)
@click.option(
    "--counted", is_flag=True, help="Of a large ledger: counted by its database, without prices and odds."
)
@click.option("--no-intervals", is_flag=True, help="If counted: no intervals of a family's own lives.")
@click.option("--processes", type=click.IntRange(1), default=1, help="If counted: how many are at work.")
@cluster_option("If counted: ")
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help="What happened later is ignored.")
@click.pass_obj
def lives(
    bench: Bench,
    families: tuple[str, ...],
    components: tuple[str, ...],
    event: str,
    cohort: int | None,
    archives: tuple[Path, ...],
    counted: bool,
    no_intervals: bool,
    processes: int,
    cluster: str | None,
    out: Path | None,
    as_of: datetime.date | None,
) -> None:
    """Tell how long each component lasts in each family that this bench has records of.

    Where a family's own records cannot give a life, the column says why; the share failed by
    today's age is told from all families together. With --archive or --counted, today is the last
    day on which any unit was taken in, and a usual unit is one of the family's mean production year.
    """
    from reliability.errors import unknown
    from reliability.terminal import lives_text, write_table

    if archives or counted:
        if cohort is not None or as_of is not None or (archives and counted):
            raise click.UsageError("--cohort, --as-of, --counted and --archive do not go together.")
        table = counted_lives(
            bench,
            archives,
            event=event,
            components=components,
            intervals=not no_intervals,
            cluster=cluster,
            processes=processes,
        )
    else:
        if no_intervals or cluster is not None or processes > 1:
            raise click.UsageError(
                "--no-intervals, --processes and --cluster go with --archive or --counted."
            )
        table = _lives_of_ledger(bench, event, cohort, as_of)
    for column, wanted in (("family", families), ("component", components)):
        for name in wanted:
            if name not in set(table[column]):
                raise unknown(f"No records of {column}", name, table[column])
        if wanted:
            table = table[table[column].isin(wanted)]
    if out is None:
        click.echo(lives_text(table))
        return
    with written_to(out):
        write_table(table, out)
    click.echo(f"{len(table)} {'life' if len(table) == 1 else 'lives'}: {out}")


def _lives_of_ledger(
    bench: Bench, event: str, cohort: int | None, as_of: datetime.date | None
) -> "pd.DataFrame":
    from reliability.records.frames import read_records
    from reliability.report.lives import lives_table
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
        records = read_records(ledger, as_of=as_of)
    return lives_table(records, appraiser, event=event, cohort_years=cohort)


# `lives --archive` and `lives --counted`: lives of more findings than fit in memory at once.


def counted_lives(
    bench: Bench,
    folders: Collection[Path],
    *,
    event: str,
    components: Collection[str],
    intervals: bool,
    cluster: str | None,
    processes: int,
) -> "pd.DataFrame":
    """Count the findings of archives, or of the ledger by its database; fit and pool them."""
    from reliability.cluster import executor_for
    from reliability.errors import InvalidInput, unknown
    from reliability.life.bulk import lives_of_counts
    from reliability.report.lives import LIVES_COLUMNS

    counts, origin = _counted(bench, folders, event)
    with executor_for(cluster, processes) as executor:
        left_out = ", ".join(f"{reason}: {n}" for reason, n in counts.left_out.items() if n)
        if not counts.n_findings:
            raise InvalidInput(f"No finding of {origin} tells anything about lives ({left_out}).")
        for name in components:
            if name not in counts.components:
                raise unknown("No records of component", name, counts.components)
        said = f"; left out: {left_out}" if left_out else ""
        note(f"{counted(counts.n_findings, 'finding')} counted from {origin}{said}")
        table = lives_of_counts(counts, components=components, intervals=intervals, executor=executor)
    return table.reindex(columns=list(LIVES_COLUMNS))


def _counted(bench: Bench, folders: Collection[Path], event: str) -> tuple["Counts", str]:
    """Count, and say where the findings came from."""
    from reliability.errors import InvalidInput
    from reliability.life.bulk import count_findings
    from reliability.records.archive import ledger_findings, open_archives
    from reliability.worth.lives import worst_findings

    if folders:
        counts = count_findings(open_archives(folders), event=event, worst=worst_findings)
        return counts, counted(len(folders), "archive")
    with bench.ledger() as ledger:
        counts = count_findings(ledger_findings(ledger), event=event, worst=worst_findings)
        if not counts.components.size:
            raise InvalidInput(f"{ledger.name} holds no finding of its own yet.")
        return counts, ledger.name


# `plan` and `stock`: what to look at next, and which parts to have at hand.


class Found(click.ParamType):
    """A component and what was found: ``belt=failed``."""

    name = "component=state"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[str, str]:
        """Read the component and the state."""
        component, _, state = map(clean_text, value.partition("="))
        if not component or not state:
            self.fail(f"{value!r} is not written as belt=failed", param, ctx)
        return component, state


@click.command(
    short_help="What to look at next on a unit, and when to stop.",
    epilog=example(
        "benchodds plan 17",
        'benchodds plan --family "Tarnwick T2" --built 1979 --sign rust=yes --found belt=failed',
    ),
)
@click.argument("job", required=False)
@click.option("--family", help="In place of a job: the family of the unit.")
@click.option("--built", "--year", "built", type=WINDOW, help="Year of production, or a window.")
@click.option("-s", "--sign", "signs", type=SIGN, multiple=True, help="A sign, such as rust=yes; repeatable.")
@click.option(
    "--found", type=Found(), multiple=True, help="What was found so far, such as belt=failed; repeatable."
)
@click.option("--out", type=NEW_FILE, help="File for the moves, as CSV.")
@click.pass_obj
def plan(bench: Bench, job: str | None, family: str | None, out: Path | None, **unit: Any) -> None:
    """Plan the work on a unit: what to look at first, and when to stop.

    JOB is an open job; what the ledger holds of its findings and signs is used. What was paid and
    the hours already spent never count: only what is still to come.
    """
    if (job is None) == (family is None):
        raise click.UsageError("Name an open job, or a family by --family; not both.")
    if job is not None and any(value not in (None, ()) for value in unit.values()):
        raise click.UsageError("--built, --sign and --found describe a unit of --family; a job has its own.")
    from reliability.terminal import plan_lines, write_table
    from reliability.worth.appraiser import appraiser_of

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, warn=note)
        planned = _plan(ledger, appraiser, job, family, unit)
    click.echo("\n".join(plan_lines(planned)))
    if out is not None:
        with written_to(out):
            write_table(planned.moves, out)


def _plan(
    ledger: "Ledger", appraiser: "Appraiser", job: str | None, family: str | None, unit: dict[str, Any]
) -> "Plan":
    from reliability.worth.plan import plan_job, plan_unit

    if job is not None:
        return plan_job(appraiser, ledger.job(job))
    first, last = unit["built"] or (None, None)
    return plan_unit(
        appraiser,
        family=str(family),
        built_from=first,
        built_to=last,
        signs=dict(unit["signs"]),
        found=dict(unit["found"]),
        seen_on=datetime.date.today(),
    )


@click.command(
    short_help="Parts that the next year is likely to need.",
    epilog=example("benchodds stock", "benchodds stock --out order.csv"),
)
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.option("--as-of", type=DAY, callback=full_day, help="What happened later is ignored.")
@click.pass_obj
def stock(bench: Bench, out: Path | None, as_of: datetime.date | None) -> None:
    """List the parts that the jobs of the next year are likely to need, in packs, less what is on the shelf.

    Units are taken to come in as they have so far.
    """
    from reliability.records.frames import read_records
    from reliability.terminal import stock_text, write_table
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.stock import stock as parts_needed

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
        records = read_records(ledger, as_of=as_of)
    table = parts_needed(appraiser, records)
    if out is None:
        click.echo(stock_text(table, appraiser.currency))
        return
    with written_to(out):
        write_table(table, out)
    click.echo(f"{len(table)} {'part' if len(table) == 1 else 'parts'}: {out}")


# `next`: what to do next.


@click.command(
    name="next",
    short_help="What to do next: on the bench, unsold, after sales.",
    epilog=example("benchodds next", "benchodds next --all", "benchodds next --out todo.csv"),
)
@click.option("--all", "every", is_flag=True, help="Every row, not only what fits on one screen.")
@click.option("--out", type=NEW_FILE, help="File for the table, as CSV.")
@click.pass_obj
def next_(bench: Bench, every: bool, out: Path | None) -> None:
    """Tell what to do next.

    Open jobs come first, by what an hour of going on is worth; then jobs that have been open for long, units
    that do not sell, checks due within the warranty, sales without a price, and units that were looked at
    and neither bought nor left.
    """
    from reliability.records.frames import read_records
    from reliability.terminal import next_text, write_table
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.next_steps import kept_outlooks, next_steps

    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, warn=note)
        records = read_records(ledger)
        table = next_steps(appraiser, records, kept_outlooks(ledger, appraiser, records), today())
    if out is None:
        click.echo(next_text(table, appraiser.currency, every=every))
        return
    with written_to(out):
        write_table(table, out)
    click.echo(f"{counted(len(table), 'row')}: {out}")


# `shelf`: parts kept for a later job.


@click.group(
    invoke_without_command=True,
    short_help="Parts kept for a later job: list, keep, use, throw out.",
    epilog=example(
        "benchodds shelf",
        "benchodds shelf keep motor --job 17 --worth 12",
        "benchodds shelf use 31 --job 40",
        "benchodds shelf out 31",
    ),
)
@click.pass_context
def shelf(ctx: click.Context) -> None:
    """Parts kept for a later job: without a command, what lies there.

    A donor's sheet keeps parts by `kept`, and a finding takes one by `from = 31`. What the part is worth the
    donor gained, and the job that takes it pays.
    """
    if ctx.invoked_subcommand is None:
        from reliability.terminal import shelf_text

        bench: Bench = ctx.obj
        with bench.ledger() as ledger:
            lying = [row for row in ledger.rows("shelf") if row["gone_on"] is None]
            click.echo(shelf_text(lying, str(ledger.setting("currency"))))


@shelf.command(name="keep")
@click.argument("component", type=NAME)
@click.option("--job", type=NAME, help="The job of the unit that it comes from.")
@click.option("--family", type=NAME, help="What it fits, where that is not the family of --job; else any.")
@click.option("--worth", type=MONEY, help="What buying it used would cost.")
@click.option("--on", "kept_on", type=DAY, help="When; today otherwise.")
@click.option("--new-component", is_flag=True, help="The ledger has never seen such a component.")
@click.pass_obj
def shelf_keep(bench: Bench, component: str, new_component: bool, **row: Any) -> None:
    """Put a COMPONENT on the shelf; tell the number to write on it."""
    row |= {"component": component, "kept_on": row["kept_on"] or today().isoformat()}
    with bench.ledger(write=True) as ledger:
        number = ledger.keep_part(row, new_components=[component] if new_component else [])
        click.echo(f"Part {number}: {component}")


@shelf.command(name="use")
@click.argument("part", type=int)
@click.option("--job", type=NAME, required=True, help="The job that it goes into.")
@click.option("--position", type=NAME, default="", help="Where, in a unit that has several.")
@click.option("--found", type=click.Choice(("failed", "worn")), default="failed", show_default=True,
              help="What it replaces, where the job says nothing of that yet.")  # fmt: skip
@click.option("--on", "day", type=DAY, help="When; today otherwise.")
@click.pass_obj
def shelf_use(bench: Bench, part: int, job: str, position: str, found: str, day: str | None) -> None:
    """Fit PART in a job, which pays what it is worth."""
    with bench.ledger(write=True) as ledger:
        ledger.use_part(part, job, day or today().isoformat(), position=position, found=found)
        click.echo(f"Part {part} went into job {job}")


@shelf.command(name="out")
@click.argument("part", type=int)
@click.option("--on", "day", type=DAY, help="When; today otherwise.")
@click.pass_obj
def shelf_out(bench: Bench, part: int, day: str | None) -> None:
    """Throw PART out."""
    with bench.ledger(write=True) as ledger:
        ledger.drop_part(part, day or today().isoformat())
        click.echo(f"Part {part} was thrown out")


# `saw`: what was looked at, bought or not.


@click.command(
    short_help="Record what was looked at; what was bought is taken in.",
    epilog=example(
        "benchodds saw looked-at.csv",
        'benchodds saw looked-at.csv --place "fair at Hollin" --rest "too dear"',
    ),
)
@click.argument("offers", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--place", help="Where they were seen.")
@click.option(
    "--on", "day", type=DAY, callback=full_day, help="When, where a row does not say; today otherwise."
)
@click.option(
    "--rest", type=click.Choice(LEFT_BECAUSE), help="Why those were left that the file says nothing of."
)
@click.pass_obj
def saw(bench: Bench, offers: Path, place: str | None, day: datetime.date | None, rest: str | None) -> None:
    """Record what was looked at: OFFERS as `judge` reads it, such as the file that the card saves.

    Rows whose `bought` is yes are taken in, a lot as a whole, and get their numbers; the others stay with
    the price asked and why they were left. A later file of the same units, with more filled in, goes on
    from there.
    """
    from reliability.records.ledger import HELD, record_sightings
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.judging import judge as judge_offers
    from reliability.worth.judging import plain_offers, read_offers

    table, seen_on = read_offers(offers), day or today()
    if rest is not None:
        undecided = table["left_because"].isna() & (table["bought"].isna() | (table["bought"] == "no"))
        table.loc[undecided, "left_because"] = rest
    with bench.ledger(create=True, write=True) as ledger:
        verdicts = judge_offers(table, appraiser_of(ledger, warn=note), as_of=seen_on)
        rows = plain_offers(table, verdicts, seen_on)
        recorded = record_sightings(ledger, rows, place=place)
        for each in recorded:
            if each.taken_in:
                click.echo(f"Job {each.job}: {each.offer}, taken in")
        counts = {"taken in": sum(each.taken_in for each in recorded),
                  "left": sum(each.left_because is not None for each in recorded),
                  "not decided": sum(each.job is None and each.left_because is None for each in recorded),
                  "in the ledger already": sum(each.state == HELD for each in recorded)}  # fmt: skip
        told = ", ".join(f"{count} {what}" for what, count in counts.items() if count)
        click.echo(f"{counted(len(recorded), 'unit')} looked at{f': {told}' if told else ''}")


# `spend`: money or hours that no single job caused.


@click.command(
    short_help="Record money or hours not tied to a job.",
    epilog=example('benchodds spend "fair at Hollin" --amount 18 --hours 5', "benchodds spend"),
)
@click.argument("what", required=False)
@click.option("-a", "--amount", type=MONEY, help="How much.")
@click.option("--hours", type=HOURS, help="How many hours.")
@click.option("--on", "spent_on", type=DAY, help="When; today otherwise.")
@click.pass_obj
def spend(bench: Bench, what: str | None, spent_on: str | None, **given: Any) -> None:
    """Record what was spent on WHAT: travel, tools, fees, hours. Without WHAT, list what was spent.

    It enters no ceiling and no verdict: a unit is worth the same however far the way to it was.
    """
    from reliability.terminal import spending_text

    if what is None:
        if spent_on is not None or any(value is not None for value in given.values()):
            raise click.UsageError("Say WHAT it was spent on.")
        with bench.ledger() as ledger:
            click.echo(spending_text(ledger.rows("spending"), str(ledger.setting("currency"))))
        return
    row = {"spent_on": spent_on or today().isoformat(), "what": what, **given}
    with bench.ledger(create=True, write=True) as ledger:
        currency = str(ledger.setting("currency"))
        key = (row["spent_on"], what)
        if any((old["spent_on"], old["what"]) == key for old in ledger.rows("spending")):
            raise InvalidInput(f"{what!r} on {row['spent_on']} is in the ledger already; if this was "
                               "something else, say so in its name. Nothing was written.")  # fmt: skip
        ledger.put("spending", [row], reason="spent")
        written = [new for new in ledger.rows("spending") if (new["spent_on"], new["what"]) == key]
        click.echo(spending_text(written, currency))


# `report`: regenerate the pages.


@click.command(
    short_help="Regenerate the pages whose content changed.",
    epilog=example("benchodds report --all", 'benchodds report --family "Tarnwick T2" --pdf'),
)
@click.option("--family", "families", multiple=True, help="Only the page of this family, and the first page; "
              "repeatable.")  # fmt: skip
@click.option("--all", "every", is_flag=True, help="Every page; so it is without --family, too.")
@click.option("--pdf", is_flag=True, help="Print the pages to PDF as well; needs Chromium.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("reports"),
    show_default=True,
    help="Folder of the pages.",
)
@click.option(
    "--as-of",
    type=DAY,
    callback=full_day,
    help="The day the pages speak for; the last one on record otherwise.",
)
@cluster_option()
@click.pass_context
def report(ctx: click.Context, families: tuple[str, ...], every: bool, **given: Any) -> None:
    """Regenerate the pages whose content changed; the others are left untouched.

    Where there is no ledger of your own yet, the pages are made from the demo and say so.
    """
    if every and families:
        raise click.UsageError("--all makes every page, --family some of them; write one or the other.")
    from reliability.report.run import make_pages

    out, as_of = given["out"], given["as_of"]
    records, demo = own_or_demo(ctx, "the pages are made from the demo, and say DEMO", as_of)
    with executor_for(
        given["cluster"],
        1,
        left="Each page is whole, the old one or the new one",
    ) as executor:
        made = make_pages(
            records,
            out,
            families=families or None,
            demo=demo,
            pdf=given["pdf"],
            as_of=as_of,
            executor=executor,
        )
    for remark in made.remarks:
        note(remark)
    click.echo(_pages_summary(made, out, as_of))


def own_or_demo(
    ctx: click.Context, remark: str, as_of: datetime.date | None = None
) -> tuple["Records", bool]:
    """Read the ledger; the demo where none was named and none has a job yet."""
    from reliability.records.frames import read_records

    bench: Bench = ctx.obj
    named = ctx.find_root().get_parameter_source("ledger") is not ParameterSource.DEFAULT
    if not (bench.is_missing and not named):
        with bench.ledger() as ledger:
            records = read_records(ledger, as_of=as_of)
        if named or not records.jobs.empty:
            return records, False
    from reliability.records.package import load_package_records
    from reliability.report.data import DEMO

    reason = "does not exist" if bench.is_missing else "holds no job"
    note(f"{bench.url} {reason}: {remark}")
    return load_package_records(DEMO), True


def _pages_summary(made: "PagesMade", out: Path, as_of: datetime.date | None) -> str:
    parts = [f"{counted(len(made.made), 'page')} made", f"{len(made.kept)} unchanged"]
    if made.removed:
        parts.append(f"{len(made.removed)} removed")
    if made.printed:
        parts.append(f"{len(made.printed)} printed")
    day = f" as of {as_of}" if as_of else ""
    return f"{', '.join(parts)}{day}: {out / 'index.html'}"


# `card`: the pocket card for the phone.


MOST_BYTES = 300_000
"""A card that is larger is slow to open on an old phone (common practice, no source)."""


@click.command(
    short_help="The pocket card: verdicts on a phone without signal.",
    epilog=example("benchodds card", "benchodds card --out sale.html --as-of 2026-11-25"),
)
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("reports/card.html"),
    show_default=True,
    help="File of the card.",
)
@click.option(
    "--as-of",
    type=DAY,
    callback=full_day,
    help="Day of the sale; the last one on record otherwise. What happened later is ignored.",
)
@click.pass_context
def card(ctx: click.Context, out: Path, as_of: datetime.date | None) -> None:
    """Write the pocket card: one file that judges units at a sale as `judge` does, without signal.

    Send it to the phone and open it in a browser: type part of a name, the year, the price and
    what can be seen. What was looked at is saved as an offers.csv for `judge`. Printed, it is the list of
    what to take, up to which price, and what to skip. Without a ledger of your own it is made
    from the demo and says so.
    """
    from reliability.records.frames import known_by
    from reliability.report.card import write_card
    from reliability.worth.appraiser import appraiser_of, fit_appraiser, last_day

    bench: Bench = ctx.obj
    records, demo = own_or_demo(ctx, "the card is made from the demo, and says DEMO", as_of)
    records = known_by(records, as_of) if as_of is not None else records
    if demo:
        last = last_day(records)
        appraiser = fit_appraiser(records, min(last, as_of) if as_of else last)
    else:
        with bench.ledger() as ledger:
            appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
    with written_to(out):
        size = write_card(appraiser, records, out, as_of=as_of, demo=demo)
    if size > MOST_BYTES:
        note(f"{out} is large for a phone: {size / 1000:.0f} kB.")
    families = "1 family" if len(appraiser.families) == 1 else f"{len(appraiser.families)} families"
    jobs = counted(appraiser.tally.jobs_finished, "finished job")
    click.echo(f"Card of {families}, {jobs} up to {appraiser.as_of}, {size / 1000:.0f} kB: {out}")


# The command `benchodds`: parse the line, call the room that does the work, print its answer.


DEFAULT_LEDGER = "data/bench.db"


class Refusal(click.ClickException):
    """A fault that the user can mend, shown as it is; ends with exit code 1."""

    exit_code = 1

    def show(self, file: IO[Any] | None = None) -> None:
        """Print the message and its faults to standard error."""
        click.echo(self.message, file=file, err=True)


class Commands(click.Group):
    """The commands in the order of the work; our errors are shown as plain messages."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the commands in the order of the work, not of the alphabet."""
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; an error of ours becomes its message and exit code 1."""
        try:
            return super().invoke(ctx)
        except BenchoddsError as error:
            raise Refusal(str(error)) from error
        except OSError as error:
            if error.errno == errno.EPIPE:  # whoever read what is printed has gone
                raise
            place = f"{error.filename} " if error.filename else "A file "
            raise Refusal(
                f"{place}cannot be read or written: {reason(error)}. What was told before that is done; look "
                "with `benchodds check` and `show` before you try again."
            ) from error


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=example(
        'benchodds intake "Tarnwick T2" --price 25 --year 1979    # a unit comes in and gets its number',
        "benchodds add deck.toml                                  # it leaves the bench",
        "benchodds COMMAND --help                                 # each command explains itself",
    ),
)
@click.option(
    "--ledger",
    metavar="URL",
    envvar="BENCHODDS_LEDGER",
    default=DEFAULT_LEDGER,
    show_default=True,
    show_envvar=True,
    help="The ledger: a file, or the URL of a shared database.",
)
@click.version_option(__version__, prog_name="benchodds")
@click.pass_context
def main(ctx: click.Context, ledger: str) -> None:
    """Turn a repair bench's finished jobs into odds: what to buy, at what price, what to leave."""
    # Our matrices are small: more threads of the linear algebra library would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    ctx.obj = Bench(ledger)


# The way of a unit over the bench, then what is learned from it: the order of the help page.
COMMANDS: dict[str, click.Command] = {
    str(command.name): command
    for command in (
        intake,
        blank,
        add,
        amend,
        sold,
        followup,
        show,
        set_setting,
        family,
        part,
        heard,
        rename,
        import_folder,
        export_folder,
        archive,
        check,
        backup,
        judge,
        saw,
        ranking,
        lives,
        next_,
        plan,
        stock,
        shelf,
        spend,
        report,
        card,
    )
}
for _command in COMMANDS.values():
    main.add_command(_command)
    for _parameter in _command.params:
        if type(_parameter.type) is click.types.StringParamType:
            _parameter.type = NAME


if __name__ == "__main__":
    main()
