"""The command `benchodds`: parse the line, call the room that does the work, print its answer.

Everything numerical is imported inside the commands, so that writing down a job does not wait for it.
"""

import datetime
import errno
import os
import re
import sys
from collections.abc import Callable, Collection, Iterable
from decimal import Decimal
from functools import partial, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from reliability import __version__, terminal
from reliability.cluster import CLUSTER_HELP, executor_for
from reliability.errors import (
    BenchoddsError,
    InvalidInput,
    Refused,
    nearest,
    question,
    reason,
    some,
    unknown,
    unseen,
)
from reliability.records.files import MOST_TOML_BYTES
from reliability.records.sheet import (
    JobSheet,
    amendment,
    blank_sheet,
    load_sheet,
    open_jobs,
    read_sheet,
    read_window,
    write_up,
)
from reliability.records.tables import (
    AT_INTAKE,
    LEFT_BECAUSE,
    SETTINGS,
    TABLES,
    USUAL_COMPONENTS,
    YES_NO,
    Column,
    usual_components,
)
from reliability.records.values import clean_text, read_value, write_value
from reliability.terminal import Bench, Said, counted, give, note, rows_of, tell, told_of, written_to

if TYPE_CHECKING:
    import pandas as pd

    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger
    from reliability.records.package import ImportSummary
    from reliability.worth.appraiser import Appraiser

DEFAULT_LEDGER = "data/bench.db"


# ---- The command itself


class Commands(click.Group):
    """The commands in the order of the work; our errors are shown as plain messages."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Give the commands in the order of the work, not of the alphabet."""
        return list(self.commands)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command; a fault that the user can mend becomes its message and exit code 1."""
        try:
            return super().invoke(ctx)
        except BenchoddsError as error:
            note(str(error))
        except OSError as error:
            if error.errno == errno.EPIPE:  # whoever read what is printed has gone
                raise
            place = f"{error.filename} " if error.filename else "A file "
            note(
                f"{place}cannot be read or written: {reason(error)}. What was told before that is done; look "
                "with `benchodds check` and `show` before you try again."
            )
        ctx.exit(1)


def examples(*lines: str) -> str:
    r"""Word the examples at the foot of a command's help, one to a line; ``\b`` keeps click from wrapping."""
    return "\b\nFor example:\n" + "\n".join(f"  benchodds {line}" for line in lines)


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog=examples(
        'intake "Tarnwick T2" --price 25 --year 1979    # a unit comes in and gets its number',
        "add deck.toml                                  # it leaves the bench",
        "COMMAND --help                                 # each command explains itself",
    ),
)
@click.option("--ledger", metavar="URL", envvar="BENCHODDS_LEDGER", default=DEFAULT_LEDGER, show_default=True,
              show_envvar=True, help="The ledger: a file, or the URL of a shared database.")  # fmt: skip
@click.version_option(__version__, prog_name="benchodds")
@click.pass_context
def main(ctx: click.Context, ledger: str) -> None:
    """Turn a repair bench's finished jobs into odds: what to buy, at what price, what to leave."""
    # Our matrices are small: more threads of the linear algebra library would only wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    ctx.obj = Bench(ledger)


def command(
    *lines: str, name: str | None = None, of: click.Group = main, on: str = "", **more: Any
) -> Callable[[Callable[..., Said]], Any]:
    """Make a function a command, with examples for its help; what it gives is printed.

    Its first argument is the bench, or where `on` is ``read``, ``write`` or ``make``, the ledger, opened so.
    """

    def made(function: Callable[..., Said]) -> Any:
        @wraps(function)
        def run(bench: Bench, /, *args: Any, **given: Any) -> None:
            if on:
                bench.run(lambda ledger: function(ledger, *args, **given), on)
            else:
                tell(function(bench, *args, **given))

        epilog = examples(*lines) if lines else None
        return (of.group if more else of.command)(name, epilog=epilog, **more)(click.pass_obj(run))

    return made


# ---- What several commands need: options, and the ways of writing a year, a sign, a day, an amount


class Read(click.ParamType):
    """What a function of ours reads; its message where it refuses."""

    def __init__(self, name: str, read: Callable[[str], Any]) -> None:
        self.name, self._read = name, read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the value."""
        try:
            return self._read(value)
        except Refused as error:
            self.fail(error.message, param, ctx)


def read_new_file(value: str) -> Path:
    """Read the path of a file to be written: its folder is asked for before anything is worked out."""
    path = Path(str(click.Path(dir_okay=False, writable=True).convert(value, None, None)))
    if not path.parent.is_dir():
        raise Refused(f"the folder {str(path.parent)!r} does not exist")
    return path


def cell(column: Column) -> click.ParamType:
    """Read a value as in a job sheet; only the ledger knows, and says, how many decimals its currency has."""
    if column.allowed:
        return click.Choice(column.allowed)
    return Read(column.kind, lambda text: read_value(column, text, exponent=3))


def read_text(value: str) -> str:
    """Read a text: an accent that stands by itself is joined to its letter, as in the ledger."""
    text = clean_text(value)
    if not text.isascii() and (strange := re.search("[\ud800-\udfff]", text)):
        raise Refused(f"{text[: strange.start()]!r} is followed by a byte that is no letter in UTF-8")
    if "\0" in text:
        raise Refused("a text cannot hold the character U+0000")
    return text


def read_pair(value: str, such: str, allowed: Collection[str] = ()) -> tuple[str, str]:
    """Read a name and what is said of it: ``rust=yes``, ``belt=failed``."""
    name, _, said = map(clean_text, value.partition("="))
    if not name or not said or (allowed and said not in allowed):
        raise Refused(f"{value!r} is not written as {such}")
    return name, said


def read_full_day(value: str) -> datetime.date:
    """Read a day, or a month that stands for its middle."""
    day = str(read_value(TABLES["jobs"]["taken_in"], value))
    return datetime.date.fromisoformat(day if len(day) == 10 else f"{day}-16")


MONEY = cell(TABLES["lots"]["price"])
NAME = Read("text", read_text)
WINDOW = Read("year", read_window)
SIGN = Read(
    "sign=yes|no",
    partial(read_pair, such="rust=yes or rust=no; leave out what nobody looked for", allowed=YES_NO),
)
FOUND = Read("component=state", partial(read_pair, such="belt=failed"))
DAY = cell(TABLES["jobs"]["taken_in"])
FULL_DAY = Read("date", read_full_day)
PATH = click.Path(path_type=Path)
FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
NEW_FILE = Read("file", read_new_file)
SHEET = click.Path(exists=True, dir_okay=False, allow_dash=True)


def option(*names: str, help: str, type: Any = NAME, **more: Any) -> Callable[[Any], Any]:
    """Give a command an option, a text unless another type is said."""
    return click.option(*names, help=help, type=type, **more)


def many(*names: str, help: str, type: Any = NAME, **more: Any) -> Callable[[Any], Any]:
    """Give a command an option that may be repeated."""
    return click.option(*names, help=f"{help}; repeatable.", type=type, multiple=True, **more)


def told_once(_: object, __: object, pairs: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """Refuse two answers about one thing."""
    names = [name for name, _ in pairs]
    for name in names:
        if names.count(name) > 1:
            raise click.BadParameter(f"{name!r} is told {names.count(name)} times")
    return pairs


def flag(*names: str, help: str) -> Callable[[Any], Any]:
    """Give a command an option without a value."""
    return click.option(*names, help=help, is_flag=True)


def argument(name: str, type: Any = NAME, **more: Any) -> Callable[[Any], Any]:
    """Give a command an argument, a text unless another type is said."""
    return click.argument(name, type=type, **more)


def columns(table: str, *specs: str) -> Callable[[Any], Any]:
    """Give a command an option for each of these columns: ``kind``, or ``-k --kind kind`` to name it so.

    What it takes and what its help tells is in the description of the table; ``built`` is a window of years.
    """

    def add_options(command: Any) -> Any:
        for spec in reversed(specs):
            *names, name = spec.split()
            names = names or [f"--{name.replace('_', '-')}"]
            type: click.ParamType = WINDOW
            told = "year of production, or a window such as 1978-1981"
            if name != "built":
                type, told = cell(TABLES[table][name]), TABLES[table][name].meaning
            command = option(*names, name, type=type, help=f"{told[0].upper()}{told[1:]}.")(command)
        return command

    return add_options


def today() -> datetime.date:
    """Give the day on which the command runs."""
    return datetime.date.today()


def on_option(name: str, help: str = "When; today otherwise.") -> Callable[[Any], Any]:
    """Give a command the option `--on`: the day of what it records, today otherwise."""
    return option("--on", name, type=DAY, default=lambda: today().isoformat(), help=help)


def as_of_option(help: str) -> Callable[[Any], Any]:
    """Give a command the option `--as-of`."""
    return option("--as-of", type=FULL_DAY, help=help)


LATER_IGNORED = "What happened later is ignored."
OUT = option("--out", type=NEW_FILE, help="File for the table, as CSV.")
SIGNS = many("-s", "--sign", "signs", type=SIGN, callback=told_once, help="A sign, such as rust=yes")
NEW = many("--new", "new_names", metavar="NAME",
           help="A kind, component or sign that the ledger has never seen, and that is meant so")  # fmt: skip
NEW_COMPONENT = many("--new-component", "new_components", metavar="NAME",
                     help="A component that the ledger has never seen, and that is meant so")  # fmt: skip
WHY = option("--why", default="", metavar="REASON", help="Kept beside the version.")
EMPTY = many("--empty", "emptied", metavar="COLUMN", help="Empty a column")
REMOVE = flag("--remove", help="Take the row out; its versions are kept.")
VERSIONS = flag("--history", help="Show every version, with when and why it was written.")
OPEN_REPAIR = click.Choice(["open-repair"])


def fitted(ledger: "Ledger", as_of: datetime.date | None = None) -> tuple["Appraiser", "Records"]:
    """Give the odds of the ledger, and the records that they come from."""
    from reliability.records.frames import read_records
    from reliability.worth.appraiser import appraiser_of

    return appraiser_of(ledger, as_of=as_of, warn=note), read_records(ledger, as_of=as_of)


def sheet_from(path: str) -> JobSheet:
    """Read a job sheet from a file, or where its path is a dash from standard input."""
    if path == "-":
        return read_sheet(sys.stdin.buffer.read(MOST_TOML_BYTES + 1), "standard input")
    return load_sheet(path)


def kinds_of(ledger: "Ledger") -> dict[str, str]:
    """Give the kind of every family that the ledger holds."""
    return {str(row["family"]): str(row["kind"]) for row in ledger.rows("families")}


# ---- A unit comes to the bench, is written up, and what becomes known of it later


@command('intake "Tarnwick T2" --price 25 --year 1979 --sign rust=yes',
         'intake "Dallow 80" -p 40 -y 1978-1981 -s "no power=yes" --new-family --kind receiver',
         on="make")  # fmt: skip
@argument("family")
@columns("jobs", "-p --price bought_for", "-m --model model", "-y --year --built built", "year_basis")
@SIGNS
@columns("jobs", "lot")
@option("--lot-price", type=MONEY, help="What a lot cost that the ledger does not know yet.")
@on_option("taken_in", "When the unit came; today otherwise.")
@columns("jobs", "remarks")
@flag("--new-family", help="The ledger does not know FAMILY yet; needs --kind.")
@columns("families", "kind", "maker", "working_price")
@NEW
def intake(ledger: "Ledger", signs: tuple[tuple[str, str], ...], **given: Any) -> Said:
    """Take a unit in: get the number to write on its label.

    Only FAMILY is needed. Tell what was seen before any tool was picked up.
    """
    described = {name: given[name] for name in ("kind", "maker", "working_price")}
    family = lot = None
    if given["new_family"]:
        if described["kind"] is None:
            raise click.UsageError('--new-family needs --kind, such as --kind "tape deck".')
        priced_on = None if described["working_price"] is None else today().isoformat()
        family = {"family": given["family"], **described, "priced_on": priced_on}
    elif any(value is not None for value in described.values()):
        raise click.UsageError("--kind, --maker and --working-price describe a --new-family.")
    if given["lot_price"] is not None:
        if given["lot"] is None:
            raise click.UsageError("--lot-price is the price of a lot: name it by --lot.")
        lot = {"lot": given["lot"], "price": given["lot_price"], "bought_on": given["taken_in"]}
    if given["lot"] is not None and given["bought_for"] is not None:
        raise click.UsageError("--price is that of one unit; the units of a --lot share its --lot-price.")
    given["built_from"], given["built_to"] = given["built"] or (None, None)
    job = {name: given[name] for name in (*AT_INTAKE, "remarks")}
    seen = [{"sign": sign, "seen": each} for sign, each in signs]
    document = {"job": job, "findings": [], "signs": seen, "followups": []}
    sheet = JobSheet("", document, family, new_lot=lot, comes_in=True)
    (written,) = write_up(ledger, [sheet], new_names=given["new_names"])
    return told_of(written, f"taken in {job['taken_in']}")


@command('blank "Tarnwick T2" > deck.toml', 'blank "Tarnwick T2" --job 17', on="read")
@argument("family")
@option("--job", help="The open job that the sheet is to finish.")
def blank(ledger: "Ledger", family: str, job: str | None) -> Said:
    """Print an empty job sheet for FAMILY.

    It has the usual components of its kind. Where one unit of the family is open, it carries its number.
    """
    kinds = kinds_of(ledger)
    if family not in kinds:
        raise InvalidInput(f"The ledger holds no family {family!r}; it holds {some(kinds)}."
                           f"{nearest(family, kinds)}")  # fmt: skip
    waiting = [str(row["job"]) for row in open_jobs(ledger, family)]
    if job is not None and job not in waiting:
        raise InvalidInput(f"Job {job} is no open job of {family!r}; open: {some(waiting)}.")
    if job is None and len(waiting) == 1:
        job = waiting[0]
    usual, signs = usual_components(kinds[family]), ledger.names("sign")
    return blank_sheet(family, kinds[family], usual, signs, job=job, still_open=waiting).removesuffix("\n")


@command("add deck.toml", "add --ask", 'blank "Tarnwick T2" > deck.toml')
@argument("sheets", nargs=-1, type=SHEET, metavar="SHEET.toml ...")
@flag("--ask", help="Ask for everything, step by step; Ctrl-C leaves nothing behind.")
@NEW_COMPONENT
@NEW
def add(bench: Bench, sheets: tuple[str, ...], ask: bool, **new: Any) -> None:
    """Append finished jobs, or finish open ones.

    All SHEETs are checked first: if any has a fault, all faults are listed and none is written. One that
    bears the number of an open job finishes it. A dash reads one sheet from standard input.
    `benchodds blank FAMILY` prints a sheet to fill in.
    """
    if ask == bool(sheets) or (ask and any(new.values())):
        raise click.UsageError("Name the sheets to add, or write --ask alone.")
    read, unreadable = [], []
    if ask:
        from reliability.ask import ask_for_job

        if (told := ask_for_job(bench, today())) is None:
            return
        read, new = [told.sheet], {"new_components": told.new_components}
    for path in sheets:
        try:
            read.append(sheet_from(path))
        except InvalidInput as error:
            unreadable.append(str(error))

    def written(ledger: "Ledger") -> Said:
        done = write_up(ledger, read, today=today(), unreadable=unreadable, **new)
        return [line for each in done for line in told_of(each, each.outcome)]

    bench.run(written, "make")


@command('amend 17 --set outcome=donor --set ended_by=gear --why "gear broke after all"',
         'amend 17 looked.toml --why "looked again"', on="write")  # fmt: skip
@argument("job")
@argument("sheet", required=False, type=SHEET)
@many("--set", "settings", metavar="COLUMN=VALUE",
      help="A column of the job; nothing after the = empties it")  # fmt: skip
@flag("--withdraw", help="Take the whole job out; its versions are kept.")
@NEW_COMPONENT
@NEW
@option("--why", required=True, metavar="REASON", help="Kept beside the old version.")
def amend(ledger: "Ledger", job: str, withdraw: bool, why: str, new_components: tuple[str, ...],
          new_names: tuple[str, ...], settings: tuple[str, ...], sheet: str | None) -> Said:  # fmt: skip
    """Correct a job; every version is kept.

    The version before stays, with the time and the reason. Only what is named changes. Findings and signs
    are corrected by SHEET, a job sheet of what changes; a dash reads it from standard input. Such as:

    \b
        failed = ["belt"]
        [[finding]]
        component = "head"
        position = "left"
        found = ""          # takes the finding out
        [signs]
        rust = "no"
        hum = ""            # takes the sign out
    """  # noqa: D301
    if withdraw == bool(settings or sheet):
        raise click.UsageError("Say what changes: --set or a sheet; or --withdraw alone.")
    if withdraw:
        ledger.withdraw(job, reason=why)
        return f"Job {job} was withdrawn; its versions stay: benchodds show {job} --history"
    read = sheet_from(sheet) if sheet else None
    for row in read.document["signs"] if read else ():
        if asked := question("sign", row["sign"], ledger.names("sign"), new_names):
            raise InvalidInput(f"{asked}. Nothing was written.")
    with ledger.writing():
        old = ledger.job(job)
        kind = kinds_of(ledger).get(old["job"]["family"], "")
        changes = amendment(old, kind, settings=settings, sheet=read)
        version = ledger.amend(job, changes, reason=why, new_components=new_components)
    return f"Job {job}: version {version} was written ({why})"


@command("sold 17 160", "sold 17 160 --on 2026-05-17", on="write")
@argument("job")
@argument("price", type=MONEY)
@on_option("day", "Day or month of the sale; today otherwise.")
def sold(ledger: "Ledger", job: str, price: Decimal, day: str) -> Said:
    """Record that the unit of JOB was sold, for PRICE."""
    # What is to be told is read before: once the sale is written, nothing can fail any more.
    currency = ledger.setting("currency")
    row = ledger.sold(job, price, day)
    return f"Job {job}: {row['family']}, sold for {row['sold_for']} {currency} on {day}"


@command("followup 17 --working yes",
         "followup 17 --working no --component belt --failed-on 2026-05-17 --hours 0.5",
         on="write")  # fmt: skip
@argument("job")
@option("--working", type=click.Choice(YES_NO), required=True, help="Whether the unit worked.")
@on_option("checked_on", "Day or month of the check; today otherwise.")
@columns("followups", "failed_on", "component", "hours", "cost")
@NEW_COMPONENT
def followup(ledger: "Ledger", job: str, new_components: tuple[str, ...], **row: Any) -> Said:
    """Record a check after the sale.

    The unit was seen again, or asked about.
    """
    family = ledger.job(job)["job"]["family"]
    ledger.followup(job, row, new_components=new_components)
    state = "working" if row["working"] == "yes" else "not working"
    return f"Job {job}: {family}, {state} on {row['checked_on']}"


@command("show 17", "show 17 --history", on="read")
@argument("job")
@VERSIONS
@flag("--price", help="Work out the price to ask, where that takes a while, too.")
def show(ledger: "Ledger", job: str, history: bool, price: bool) -> Said:
    """Show what the ledger holds of JOB.

    Of a unit that is not sold yet, the price to ask is told too.
    """
    if history:
        return terminal.version_lines(ledger.history(job))
    document, currency = ledger.job(job), str(ledger.setting("currency"))
    lines, row = terminal.job_lines(document, currency), document["job"]
    lines += terminal.shelf_lines(ledger.rows("shelf"), str(row["job"]), currency)
    if row["lot"]:
        from reliability.records.frames import read_records

        jobs = read_records(ledger).jobs.set_index("job")["bought_for"]
        lines.append(f"Share of the price of its lot: {jobs[row['job']]:.2f} {currency}")
    is_sold = row["sold_for"] is not None or row["sold_on"] is not None
    if row["origin"] or row["outcome"] not in ("open", "repaired") or is_sold:
        gone = "No price to ask: it is sold, was given up, or is another bench's."
        return [*lines, gone] if price else lines
    from reliability.worth.appraiser import appraiser_of, kept_appraiser

    appraiser = appraiser_of(ledger, warn=note) if price else kept_appraiser(ledger)
    if appraiser is None:
        return [*lines, f"Price to ask: benchodds show {row['job']} --price"]
    from reliability.worth.judging import price_to_ask

    asked, between = price_to_ask(appraiser, document)
    return [*lines, f"Price to ask: {asked:.2f} {currency} once it works ({between})"]


# ---- Settings, families, parts and hearsay are shown, added and corrected; a name is mended everywhere


#: What is told of a price today is of today.
_DATED = {"families": ({"working_price"}, "priced_on"), "parts": ({"price", "obtainable"}, "as_of")}


def _reference(bench: Bench, table: str, key: dict[str, Any], label: str, given: dict[str, Any]) -> None:
    """Show rows of a table, the versions of one, or write its next one, as the options say."""
    names = [name for name in TABLES[table].names if name not in key]
    changed = {name: given[name] for name in names if given.get(name) is not None}
    emptied = set(given.get("emptied", ()))
    for name in emptied:
        if name not in names:
            raise unknown("--empty: there is no such column", name, names)
    writes = bool(changed or emptied or given["remove"])
    if not any(key.values()) and (writes or given["history"]):
        raise click.UsageError(f"Name the {TABLES[table].key[0]}.")
    if given["history"]:
        bench.run(lambda ledger: _versions(ledger, table, key, label), "read")
    elif not writes:
        bench.run(lambda ledger: _shown_rows(ledger, table, key), "read")
    else:
        told, day = _DATED.get(table, (set(), ""))
        if told & changed.keys():
            changed.setdefault(day, today().isoformat())
        elif told & emptied and table == "families":  # what is said of a price goes with it
            emptied |= {day, "price_spread"} - changed.keys()
        if twice := emptied & changed.keys():
            raise click.UsageError(f"{min(twice)} is given and emptied; write one or the other.")
        if given["remove"] and (changed or emptied):
            raise click.UsageError("--remove takes the whole row out; leave out what it would say.")
        row = {**key, **changed, **dict.fromkeys(emptied)}
        # The currency has to be said before the first amount is.
        on = "make" if table == "settings" and changed else "write"
        bench.run(lambda ledger: _corrected(ledger, table, row, key, label, given), on)


def _corrected(ledger: "Ledger", table: str, row: dict[str, Any], key: dict[str, Any], label: str,
               given: dict[str, Any]) -> Said:  # fmt: skip
    """Write one version of a reference row, or take the row out, and say what changed."""
    _ask_unseen(ledger, table, {**given, **key})
    old, new = ledger.correct(table, row, reason=given["why"], remove=given["remove"])
    if new is not None:
        told = "; ".join(terminal.changes(terminal.row_cells(old or key), terminal.row_cells(new)))
        return f"{label}: {told.removeprefix('value: ').removeprefix('value = ')}"
    told = "taken out"
    if table == "settings":
        told = f"the default holds again, {SETTINGS[label].default or 'worked out'}"
    return f"{label}: {told}; its versions are kept"


def _ask_unseen(ledger: "Ledger", table: str, given: dict[str, Any]) -> None:
    """Ask about names that the ledger has never seen."""
    if table == "families" and given["new_family"] == (given["family"] in (known := ledger.names("family"))):
        name = str(given["family"])
        raise InvalidInput(
            f"The ledger knows the family {name!r} already; leave out --new-family. Nothing was written."
            if name in known
            else f"The ledger holds no family {name!r}; it holds {some(known)}.{nearest(name, known)} "
            "If it is new, say so: --new-family --kind KIND. Nothing was written."
        )
    kinds = {*ledger.names("kind"), *USUAL_COMPONENTS} - {"other"}
    for what, seen in (("component", ledger.names("component")), ("kind", sorted(kinds))):
        named = given.get(what)
        if named is not None and named not in (*seen, *given.get("new_names", ())):
            raise InvalidInput(f"{unseen(what, named, seen)}. Nothing was written.")


def _versions(ledger: "Ledger", table: str, key: dict[str, Any], label: str) -> Said:
    from reliability.records.database import key_text

    versions = ledger.history(key_text(TABLES[table], key), table)
    if not versions:
        raise InvalidInput(f"{label}: the ledger keeps no version of it.")
    return terminal.version_lines(versions, gone="taken out")


def _shown_rows(ledger: "Ledger", table: str, key: dict[str, Any]) -> Said:
    """Set the rows with this key as a table; tell all of one family, its models too."""
    wanted = {name: value for name, value in key.items() if value is not None}
    held = ledger.rows(table)
    rows = [row for row in held if all(row[name] == wanted[name] for name in wanted)]
    names, family = TABLES[table].names, wanted.get("family")
    if table != "families":
        told = " and ".join(f"{name} {write_value(value)}" for name, value in wanted.items())
        nothing = f"No row of {table}{f' with {told}' if told else ''}"
        return terminal.rows_table(table, rows, names) if rows else nothing
    if family is None:
        return terminal.rows_table(table, rows, names[:-2])
    if not rows:
        raise unknown("The ledger holds no family", family, [str(row["family"]) for row in held])
    models = [str(row["model"]) for row in ledger.rows("models") if row["family"] == family]
    lines = [f"Family {family}"]
    lines += terminal.row_lines("families", rows[0], str(ledger.setting("currency")), ["family"])
    return [*lines, f"  {'models':<15}{', '.join(models)}"] if models else lines


@command("set", "set hour_rate 12", "set hour_rate --history", name="set")
@argument("name", required=False)
@argument("value", required=False)
@flag("--default", help="Go back to the default of the setting.")
@WHY
@VERSIONS
def set_setting(bench: Bench, name: str | None, value: str | None, default: bool, **given: Any) -> None:
    """Show settings, or change one.

    All are shown, or the one of NAME; a VALUE changes it. Every version is kept. The list says what each
    setting means, and which are not set: their defaults hold.
    """
    if (value is not None) + default + given["history"] > 1 or (
        name is None and any((default, *given.values()))
    ):
        raise click.UsageError("Write a NAME and then a VALUE, --default or --history, one of them.")
    if name is not None and name not in SETTINGS:
        raise unknown("There is no setting", name, SETTINGS)
    if value is not None or default or given["history"]:
        key = {"setting": name}
        return _reference(bench, "settings", key, str(name), {**given, "value": value, "remove": default})

    def listed(ledger: "Ledger") -> Said:
        stated = {str(row["setting"]): str(row["value"]) for row in ledger.rows("settings")}
        rows = [[each, stated.get(each, setting.default or ""), "" if each in stated else "not set",
                 setting.meaning] for each, setting in SETTINGS.items() if name in (None, each)]  # fmt: skip
        return terminal.text_table(rows, ["setting", "value", "", "meaning"], ["setting", "", "meaning"])

    return bench.run(listed, "read")


@command("family", 'family "Tarnwick T2" --working-price 160',
         'family "Dallow 80" --new-family --kind receiver')  # fmt: skip
@argument("name", required=False)
@columns("families", *TABLES["families"].names[1:])
@flag("--new-family", help="The ledger does not know NAME yet; needs --kind.")
@NEW
@EMPTY
@REMOVE
@WHY
@VERSIONS
def family(bench: Bench, name: str | None, **given: Any) -> None:
    """Show families, add one, or correct one.

    All are shown, or the one of NAME; values correct it. Every version is kept. A working price is dated
    today unless --priced-on says otherwise.
    """
    _reference(bench, "families", {"family": name}, f"Family {name}", given)


@command("part belt", "part belt --obtainable yes --price 4",
         'part belt --family "Tarnwick T2" --price 9 --as-of 2026-11-01')  # fmt: skip
@argument("component", required=False)
@columns("parts", *TABLES["parts"].names[1:])
@NEW
@EMPTY
@REMOVE
@WHY
@VERSIONS
def part(bench: Bench, component: str | None, **given: Any) -> None:
    """Show what parts can be had, add one, or correct one.

    The replacements of COMPONENT are shown, or all; values add or correct one. The row of a --family comes
    before the general one. A row is dated today unless --as-of says otherwise. Every version is kept.
    """
    label = f"Part {component}" + (f" of {given['family']}" if given["family"] else "")
    _reference(bench, "parts", {"component": component, "family": given["family"]}, label, given)


@command("heard",
         "heard --kind radio --component tube --age-years 60 --share-failed 0.3 --worth-jobs 5",
         'heard --family "Tarnwick T2" --share-repaired 0.6 --worth-jobs 3')  # fmt: skip
@columns("hearsay", *TABLES["hearsay"].names)
@NEW
@REMOVE
@WHY
@VERSIONS
def heard(bench: Bench, **given: Any) -> None:
    """Show what the trade says, add to it, or correct it.

    All of it is shown, or what the options name; a share or a weight adds or corrects. It is about a family
    or a kind: either the share of a component that has failed by an age, or the share of units that can be
    repaired. --worth-jobs says how many records it is worth. What differs in family, kind, component, age or
    teller is another row. Every version is kept.
    """
    key = {name: given[name] for name in TABLES["hearsay"].key}
    label = f"Heard of {', '.join(write_value(value) for value in key.values() if value is not None)}"
    _reference(bench, "hearsay", key, label, given)


@command('rename component "pinch roler" "pinch roller" --merge',
         'rename family "Tarnwick T-2" "Tarnwick T2"', on="write")  # fmt: skip
@argument("what", type=click.Choice(("family", "model", "kind", "component", "sign")))
@argument("old")
@argument("new")
@flag("--merge", help="NEW is there already: put the two together.")
@WHY
def rename(ledger: "Ledger", what: str, old: str, new: str, merge: bool, why: str) -> Said:
    """Rename a family, model, kind, component or sign.

    OLD becomes NEW in every row that names it; the versions before are kept. Two families or models are
    merged once they agree in kind or family: the row of NEW stands, and what the other says besides (years,
    price) is dropped and told. Where both stand in one job and say different things, the jobs are named, and
    nothing is written.
    """
    done, dropped = ledger.rename(what, old, new, merge=merge, reason=why)
    rows = ", ".join(rows_of(count, table) for table, count in done.items())
    said = [f"{what} {old} {'merged into' if merge else 'renamed'} {new}: {rows}"]
    return said + [f"Dropped with {old}: {'; '.join(dropped)}"] * bool(dropped)


# ---- CSV files and sheets into the ledger, and out of it; copies


@command("import data/demo",
         "import from-my-ledger --dry-run",
         "import jobs-2025.xlsx --draft plan.toml",
         "import jobs-2025.xlsx --plan plan.toml",
         "import repair-events.csv --standard open-repair",
         "import jobs-2025.xlsx --take-back", name="import")  # fmt: skip
@argument("path", type=PATH)
@flag("--dry-run", help="Check everything, write nothing.")
@option("--draft", type=NEW_FILE, metavar="PLAN",
        help="Import nothing: propose how to read a sheet, and write that to PLAN.")  # fmt: skip
@option("--plan", type=FILE, help="Read a sheet (CSV, XLSX, ODS) as this plan says.")
@option("--standard", type=OPEN_REPAIR, help="PATH holds open repair data, versions 0.1 to 0.3.")
@many("--kind", "kinds", help="Open repair data: a kind that the ledger has no family of yet")
@flag("--take-back", help="Take out again what was imported from PATH, unless it was changed since.")
@flag("--semicolons", help="Cells are divided by semicolons.")
@flag("--decimal-comma", help="Numbers are written with a decimal comma.")
@flag("--correct", help="Rows that differ are corrections; the versions before are kept.")
@NEW
@WHY
def import_folder(bench: Bench, path: Path, dry_run: bool, **given: Any) -> Said:
    """Import CSV files, or a sheet by a reading plan.

    PATH is a folder of CSV files named after the tables, with or without datapackage.json, or one CSV file
    that has the columns of a table. A file that is named after a table holds that table; any other holds
    jobs, whose families the ledger must know.

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
    ways = _ways(given)
    if given["draft"]:
        return _drafted(bench, path, given["draft"])
    if given["take_back"]:
        from reliability.records.package import take_back_import

        def taken_back(ledger: "Ledger") -> Said:
            gone = take_back_import(ledger, f"imported from {path.name}", dry_run=dry_run)
            told = ", ".join(rows_of(count, table) for table, count in gone.items())
            return f"{told} {'would be ' if dry_run else ''}taken back; their versions are kept"

        bench.run(taken_back, "read" if dry_run else "write")
        return None
    from reliability.records.package import DEMO, described_in

    if not ways and described_in(path if path.is_dir() else path.parent).get(DEMO) is True:
        _refuse_demo(bench, path)
    bring_in, correct = _importer(path, given), given["correct"]
    if bench.is_missing and not correct:
        from reliability.records.ledger import trial_ledger

        with trial_ledger() as trial:  # a fault leaves no empty ledger behind
            summary = bring_in(trial, dry_run=True)
    if not (bench.is_missing and dry_run and not correct):
        with bench.ledger(create=not (dry_run or correct)) as ledger:
            summary = bring_in(ledger, dry_run=dry_run)
    is_new = not dry_run and (summary.changes or any(summary.written.values()))
    lines = terminal.import_lines(summary, "would be" if dry_run else "")
    return [*lines, f"Written to {bench.shown}"] if is_new else lines


def _ways(given: dict[str, Any]) -> list[str]:
    """Name the ways of importing that were asked for; at most one goes."""
    ways = [name for name in ("draft", "plan", "standard", "take_back") if given[name]]
    told = " and ".join(f"--{name.replace('_', '-')}" for name in ways)
    for is_wrong, message in (
        (len(ways) > 1, f"{told} do not go together."),
        (given["kinds"] and not given["standard"], "--kind belongs to --standard open-repair."),
        ((given["plan"] or given["draft"]) and (given["semicolons"] or given["decimal_comma"]),
         "A plan says how its sheet is written: leave out --semicolons, --decimal-comma."),
        (given["correct"] and ways,
         "--correct takes tables of a ledger as they are; it goes with none of the others."),
    ):  # fmt: skip
        if is_wrong:
            raise click.UsageError(message)
    return ways


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


def _importer(path: Path, given: dict[str, Any]) -> "Callable[..., ImportSummary]":
    """Choose what reads the path; it is given the ledger, and `dry_run`."""
    from reliability.records.package import Layout

    layout = Layout(";" if given["semicolons"] else ",", given["decimal_comma"])
    why = given["why"] or f"{'corrected' if given['correct'] else 'imported'} from {path.name}"
    if given["plan"]:
        from reliability.records.reading_plan import import_by_plan

        return partial(import_by_plan, path, given["plan"], reason=why, new_names=given["new_names"])
    if given["standard"]:
        from reliability.records.open_repair import import_open_repair

        return partial(import_open_repair, path, layout=layout, kinds=given["kinds"], reason=why)
    from reliability.records.package import import_package, import_table

    how = {"layout": layout, "reason": why, "correct": given["correct"], "new_names": given["new_names"]}
    if path.is_dir() or not path.is_file():
        return partial(import_package, path, **how)
    return partial(import_table, path, path.stem if path.stem in TABLES else "jobs", **how)


def _drafted(bench: Bench, path: Path, draft: Path) -> Said:
    from reliability.records.files import fresh_file
    from reliability.records.reading_plan_draft import draft_plan

    families: dict[str, str] = {}
    if not bench.is_missing:
        with bench.ledger() as ledger:
            families = kinds_of(ledger)
    text = draft_plan(path, families)
    with written_to(draft):
        try:
            with fresh_file(draft, replace=False) as file:
                file.stream.write(text.encode())
        except FileExistsError:
            told = f"{draft} is there already, perhaps with your answers; name another."
            raise InvalidInput(told) from None
    count = text.count("# QUESTION: ")
    return f"{draft}: how {path.name} can be read, with {counted(count, 'question')} to answer"


@command("export my-ledger-as-csv",
         'export to-share --standard open-repair --provider "Corner bench" --country BEL',
         name="export", on="read")  # fmt: skip
@argument("folder", type=PATH)
@flag("--history", help="Write every version of everything too, to history.csv.")
@option("--standard", type=OPEN_REPAIR,
        help="Write finished jobs as open repair data, version 0.3, without money.")  # fmt: skip
@option("--provider", help="Open repair data: the name that they are published under.")
@option("--country", help="Open repair data: three-letter code of the country.")
def export_folder(
    ledger: "Ledger", folder: Path, history: bool, standard: str | None, **named: str | None
) -> Said:
    """Export the ledger as CSV files.

    FOLDER, new or empty, gets a CSV file for each table, and a datapackage.json; importing it gives an equal
    ledger. With --history, history.csv lies beside the tables; it is for reading, an import passes it over.
    """
    from reliability.records.package import export_package

    if standard and history:
        raise click.UsageError("Open repair data have no history; leave out --history.")
    if not standard and any(named.values()):
        raise click.UsageError("--provider and --country belong to --standard open-repair.")
    if not standard:
        count = export_package(ledger, folder, history=history)
        return f"{counted(count, 'job')}, with all that is known of them: {folder}"
    from reliability.records.open_repair import DEFAULT_PROVIDER, export_open_repair

    provider, country = named["provider"] or DEFAULT_PROVIDER, named["country"] or ""
    written, still_open = export_open_repair(ledger, folder, provider=provider, country=country)
    left = f", {still_open} still open and left out" if still_open else ""
    return f"{counted(written, 'job')} as open repair data{left}: {folder}"


@command("archive for-the-others", "lives --archive for-the-others", on="read")
@argument("folder", type=PATH)
def archive(ledger: "Ledger", folder: Path) -> Said:
    """Write the findings as a Parquet archive.

    FOLDER gets one file, findings.parquet, of what the lives of parts need: findings, years, days, families;
    no money, no remarks. Those of many benches can be read together by `lives --archive`. Jobs that were
    imported from elsewhere are left out, so that nothing counts twice. Needs the extra `scale`.
    """
    from reliability.records.archive import write_archive

    jobs, findings, imported = write_archive(ledger, folder)
    left = [f"  {counted(imported, 'imported job')} left out"] if imported else []
    return [f"{counted(findings, 'finding')} in {counted(jobs, 'job')}: {folder}", *left]


@command("check", on="read")
def check(ledger: "Ledger") -> None:
    """Verify the ledger, and name what is doubtful in it.

    Ends with 1 if a rule is broken; rows that are allowed but doubtful are only named.
    """
    problems, count = ledger.check(), len(ledger.rows("jobs"))
    broken, doubtful = ([each for each in problems if each.grave == grave] for grave in (True, False))
    for heading, found in (("Broken", broken), ("Worth a second look", doubtful)):
        if found:
            tell("\n  ".join([f"{heading}:", *map(str, found)]))
    tell(f"{counted(count, 'job')}: {len(broken)} broken, {len(doubtful)} worth a second look")
    if broken:
        click.get_current_context().exit(1)


@command("backup bench-copy.db", on="read")
@argument("file", type=PATH)
def backup(ledger: "Ledger", file: Path) -> Said:
    """Write a consistent copy of the ledger.

    FILE is a whole ledger, also while others write to the one that is copied.
    """
    ledger.backup(file)
    return f"Copied to {file}"


# ---- What to take, at what price, and what to leave


@command("judge offers.csv --out verdicts.csv",
         'judge --family "Tarnwick T2" --built 1978-1981 --asked 25 --sign rust=yes')  # fmt: skip
@argument("offers", required=False, type=FILE)
@option("--out", type=NEW_FILE, help="File for the verdicts, as CSV.")
@columns("sightings", "family", "model", "kind")
@columns("families", "working_price")
@columns("sightings", "--built --year built", "--asked --price asked")
@SIGNS
@as_of_option(f"Day of the sale where an offer names none; today otherwise. {LATER_IGNORED}")
def judge(
    bench: Bench, offers: Path | None, out: Path | None, as_of: datetime.date | None, **unit: Any
) -> Said:
    """Take, haggle, try one or skip: verdicts on units on offer.

    OFFERS, a CSV file, is judged, or one unit that the options describe.

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
    name = unit["family"] or unit["model"] or unit["kind"]
    if described and not name:
        raise click.UsageError("A unit needs --family, --model or --kind.")
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.judging import judge as judge_offers
    from reliability.worth.judging import offers_from, read_offers, with_signs, write_verdicts

    if offers is not None:
        table = read_offers(offers)
    else:
        first, last = unit.pop("built") or (None, None)
        row = {"offer": name, "built_from": first, "built_to": last}
        signs = dict(unit.pop("signs"))
        table = offers_from([with_signs({**unit, **row}, signs)])
    with bench.ledger() as ledger:
        appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
    verdicts = judge_offers(table, appraiser, as_of=as_of or today())
    terms, currency = appraiser.terms, appraiser.currency
    settings = (
        f"hour_rate {terms.hour_rate:.2f} {currency}, selling_fee {terms.selling_fee:g}, margin "
        f"{terms.margin:.2f} {currency}; `benchodds set` changes them"
    )
    if out is None and described:
        return terminal.verdict_lines(verdicts.iloc[0], unit["asked"], currency, settings)
    if out is not None:
        with written_to(out):
            write_verdicts(verdicts, out)
    counts = verdicts["verdict"].fillna("without a price").value_counts()
    order = ("take", "haggle", "try one", "skip", "without a price")
    said = ", ".join(f"{counts[each]} {each}" for each in order if each in counts)
    judged = f"{len(verdicts)} judged{f' ({said})' if said else ''}{'' if out is None else f': {out}'}"
    shown = [] if out is not None else [terminal.verdict_table(verdicts)]
    return [*shown, f"Judged with {settings}", judged]


@command("saw looked-at.csv", 'saw looked-at.csv --place "fair at Hollin" --rest "too dear"',
         'saw --take-out "2026-11-21 fair at Hollin unit 3"')  # fmt: skip
@argument("offers", type=FILE, required=False)
@option("--place", help="Where they were seen.")
@option("--on", "day", type=FULL_DAY, help="When, where a row does not say; today otherwise.")
@option("--rest", type=click.Choice(LEFT_BECAUSE),
        help="Why the others were left, where the file does not say.")  # fmt: skip
@option("--take-out", help="Take out a unit that was written down by mistake: its name in the ledger.")
def saw(
    bench: Bench, offers: Path | None, place: str | None, day: datetime.date | None, rest: str | None,
    take_out: str | None,
) -> None:  # fmt: skip
    """Record what was looked at; what was bought is taken in.

    OFFERS is as `judge` reads it, such as the file that the card saves. Rows whose `bought` is yes are taken
    in, a lot as a whole, and get their numbers; the others stay with the price asked and why they were left.
    A later file of the same units, with more filled in, goes on from there.
    """
    from reliability.records.sheet import record_sightings
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.judging import judge as judge_offers
    from reliability.worth.judging import plain_offers, read_offers

    if (offers is None) == (take_out is None):
        raise click.UsageError("Say which OFFERS were looked at, or what to take out.")
    if offers is None:

        def taken_out(ledger: "Ledger") -> Said:
            ledger.correct("sightings", {"sighting": take_out}, reason="written down by mistake", remove=True)
            return f"{take_out} was taken out; its versions are kept."

        return bench.run(taken_out, "write")
    table, seen_on = read_offers(offers), day or today()
    if rest is not None:
        undecided = table["left_because"].isna() & (table["bought"].isna() | (table["bought"] == "no"))
        table.loc[undecided, "left_because"] = rest

    def written(ledger: "Ledger") -> Said:
        verdicts = judge_offers(table, appraiser_of(ledger, warn=note), as_of=seen_on)
        recorded = record_sightings(ledger, plain_offers(table, verdicts, seen_on), place=place)
        counts = {"taken in": sum(each.taken_in for each in recorded),
                  "left": sum(each.left_because is not None for each in recorded),
                  "not decided": sum(each.job is None and each.left_because is None for each in recorded),
                  "known as a job": sum(bool(each.job) and not each.taken_in for each in recorded),
                  }  # fmt: skip
        told = ", ".join(f"{count} {what}" for what, count in counts.items() if count)
        if held := sum(each.is_held for each in recorded):
            told += f"; {held} in the ledger already"
        return [*(f"Job {each.job}: {each.offer}, taken in" for each in recorded if each.taken_in),
                f"{counted(len(recorded), 'unit')} looked at{f': {told}' if told else ''}"]  # fmt: skip

    return bench.run(written, "make")


@command("ranking", "ranking --out ranking.csv", on="read")
@OUT
@as_of_option(f"Day that the ranking is for; today otherwise. {LATER_IGNORED}")
def ranking(ledger: "Ledger", out: Path | None, as_of: datetime.date | None) -> Said:
    """Which families to take, to haggle over, to skip.

    Each is ranked at its usual price; a family without one has a ceiling, but no verdict.
    """
    from reliability.worth.review import ranking as rank

    appraiser, records = fitted(ledger, as_of)
    table = rank(appraiser, records, as_of=as_of or today())
    return give(table, terminal.ranking_table(table, appraiser.currency), out, "family", "families")


@command('lives --family "Tarnwick T2"',
         "lives --component belt --out belts.csv",
         "lives --archive ours --archive theirs --processes 4")  # fmt: skip
@many("--family", "families", help="Only this family")
@many("--component", "components", help="Only this component")
@option("--event", type=click.Choice(("failed", "needs work")), default="failed", show_default=True,
        help="What ends a life; a worn part needs work.")  # fmt: skip
@option("--cohort", type=click.IntRange(1, 50),
        help="Tell production years apart, in cohorts of so many years.")  # fmt: skip
@many("--archive", "archives", type=PATH, help="Of this archive, or folder of them, instead of the ledger")
@flag("--counted", help="Of a large ledger: counted by its database, without prices and odds.")
@flag("--no-intervals", help="If counted: no intervals of a family's own lives.")
@option("--processes", type=click.IntRange(1), default=1, help="If counted: how many are at work.")
@option("--cluster", metavar="ADDRESS", help=f"If counted: {CLUSTER_HELP}")
@OUT
@as_of_option(LATER_IGNORED)
def lives(bench: Bench, event: str, out: Path | None, **how: Any) -> Said:
    """How long components last, family by family.

    Where a family's own records cannot give a life, the column says why; the share failed by
    today's age is told from all families together. With --archive or --counted, today is the last
    day on which any unit was taken in, and a usual unit is one of the family's mean production year.
    """
    cohort, as_of = how["cohort"], how["as_of"]
    if how["archives"] or how["counted"]:
        if cohort is not None or as_of is not None or (how["archives"] and how["counted"]):
            raise click.UsageError("--cohort, --as-of, --counted and --archive do not go together.")
        table = _counted_lives(bench, event, how)
    else:
        if how["no_intervals"] or how["cluster"] is not None or how["processes"] > 1:
            raise click.UsageError(
                "--no-intervals, --processes and --cluster go with --archive or --counted."
            )
        from reliability.report.lives import lives_table

        with bench.ledger() as ledger:
            appraiser, records = fitted(ledger, as_of)
        table = lives_table(records, appraiser, event=event, cohort_years=cohort)
    for column, wanted in (("family", how["families"]), ("component", how["components"])):
        _refuse_unrecorded(column, wanted, set(table[column]))
        if wanted:
            table = table[table[column].isin(wanted)]
    return give(table, terminal.lives_text(table), out, "life", "lives")


def _refuse_unrecorded(column: str, wanted: Iterable[str], known: Collection[str]) -> None:
    for name in wanted:
        if name not in known:
            raise unknown(f"No records of {column}", name, known)


def _counted_lives(bench: Bench, event: str, how: dict[str, Any]) -> "pd.DataFrame":
    """Count the findings of archives, or of the ledger by its database; fit and pool them."""
    from reliability.life.bulk import count_findings, lives_of_counts
    from reliability.records.archive import archives_in, ledger_findings, open_archives
    from reliability.report.lives import LIVES_COLUMNS
    from reliability.worth.lives import worst_findings

    if how["archives"]:
        files = archives_in(how["archives"])
        counts = count_findings(open_archives(files), event=event, worst=worst_findings)
        origin = counted(len(files), "archive")
    else:
        with bench.ledger() as ledger:
            counts = count_findings(ledger_findings(ledger), event=event, worst=worst_findings)
            origin = ledger.name
        if not counts.components.size:
            raise InvalidInput(f"{origin} holds no finding of its own yet.")
    left_out = ", ".join(f"{reason}: {n}" for reason, n in counts.left_out.items() if n)
    if not counts.n_findings:
        raise InvalidInput(f"No finding of {origin} tells anything about lives ({left_out}).")
    _refuse_unrecorded("component", how["components"], counts.components)
    with executor_for(how["cluster"], how["processes"]) as executor:
        said = f"; left out: {left_out}" if left_out else ""
        note(f"{counted(counts.n_findings, 'finding')} counted from {origin}{said}")
        intervals = not how["no_intervals"]
        table = lives_of_counts(counts, components=how["components"], intervals=intervals, executor=executor)
    return table.reindex(columns=list(LIVES_COLUMNS))


# ---- What to do next, and what to have at hand


@command("next", "next --all", "next --out todo.csv", name="next", on="read")
@flag("--all", "every", help="Every row, not only what fits on one screen.")
@OUT
def next_(ledger: "Ledger", every: bool, out: Path | None) -> Said:
    """Say what to do next: on the bench, unsold, after sales.

    Open jobs come first, by what an hour of going on is worth; then jobs that have been open for long, units
    that do not sell, checks due within the warranty, sales without a price, and units that were looked at
    and neither bought nor left.
    """
    from reliability.worth.next_steps import kept_outlooks, next_steps

    appraiser, records = fitted(ledger)
    table = next_steps(appraiser, records, kept_outlooks(ledger, appraiser, records), today())
    return give(table, terminal.next_text(table, appraiser.currency, every=every), out, "row")


@command("plan 17", 'plan --family "Tarnwick T2" --built 1979 --sign rust=yes --found belt=failed', on="read")
@argument("job", required=False)
@option("--family", help="In place of a job: the family of the unit.")
@columns("jobs", "--built --year built")
@SIGNS
@many("--found", type=FOUND, callback=told_once, help="What was found so far, such as belt=failed")
@option("--out", type=NEW_FILE, help="File for the moves, as CSV.")
def plan(ledger: "Ledger", job: str | None, family: str | None, out: Path | None, **unit: Any) -> Said:
    """Say what to look at next on a unit, and when to stop.

    JOB is an open job; what the ledger holds of its findings and signs is used. What was paid and
    the hours already spent never count: only what is still to come.
    """
    if (job is None) == (family is None):
        raise click.UsageError("Name an open job, or a family by --family; not both.")
    if job is not None and any(value not in (None, ()) for value in unit.values()):
        raise click.UsageError("--built, --sign and --found describe a unit of --family; a job has its own.")
    from reliability.worth.appraiser import appraiser_of
    from reliability.worth.plan import plan_job, plan_unit

    appraiser = appraiser_of(ledger, warn=note)
    if job is not None:
        planned = plan_job(appraiser, ledger.job(job))
    else:
        first, last = unit["built"] or (None, None)
        signs, found = dict(unit["signs"]), dict(unit["found"])
        planned = plan_unit(appraiser, family=str(family), built_from=first, built_to=last, signs=signs,
                            found=found, seen_on=today())  # fmt: skip
    if out is not None:
        terminal.write_table(planned.moves, out)
    return terminal.plan_lines(planned)


@command("stock", "stock --out order.csv", on="read")
@OUT
@as_of_option(LATER_IGNORED)
def stock(ledger: "Ledger", out: Path | None, as_of: datetime.date | None) -> Said:
    """Parts that the next year is likely to need.

    They are told in packs, less what is on the shelf. Units are taken to come in as they have so far.
    """
    from reliability.worth.stock import stock as parts_needed

    appraiser, records = fitted(ledger, as_of)
    table = parts_needed(appraiser, records)
    return give(table, terminal.stock_text(table, appraiser.currency), out, "part")


@command("shelf", "shelf keep motor --job 17 --worth 12", "shelf use 31 --job 40", "shelf out 31",
         invoke_without_command=True)  # fmt: skip
def shelf(bench: Bench) -> None:
    """Parts kept for a later job: list, keep, use, throw out.

    Without a command, what lies there is shown. A donor's sheet keeps parts by `kept`, and a finding takes
    one by `from = 31`. What the part is worth the donor gained, and the job that takes it pays.
    """
    if click.get_current_context().invoked_subcommand is None:
        bench.run(terminal.shelf_text, "read")


@command(name="keep", of=shelf, on="write")
@argument("component")
@columns("shelf", "job", "family", "worth")
@on_option("kept_on")
@flag("--new-component", help="The ledger has never seen such a component.")
def shelf_keep(ledger: "Ledger", component: str, new_component: bool, **row: Any) -> Said:
    """Put a COMPONENT on the shelf; tell the number to write on it."""
    new = [component] if new_component else []
    number = ledger.keep_part({**row, "component": component}, new_components=new)
    return f"Part {number}: {component}"


@command(name="use", of=shelf, on="write")
@argument("part", type=int)
@option("--job", required=True, help="The job that it goes into.")
@option("--position", default="", help="Where, in a unit that has several.")
@option("--found", type=click.Choice(("failed", "worn")), default="failed", show_default=True,
        help="What it replaces, where the job says nothing of that yet.")  # fmt: skip
@on_option("day")
def shelf_use(ledger: "Ledger", part: int, job: str, position: str, found: str, day: str) -> Said:
    """Fit PART in a job, which pays what it is worth."""
    ledger.use_part(part, job, day, position=position, found=found)
    name = str(ledger.shelf()[part]["component"])
    its = next(row for row in ledger.job(job)["findings"]
               if (row["component"], row["position"]) == (name, position))  # fmt: skip
    return f"Part {part} went into job {job}, whose finding says: {name} {its['found']}, {its['action']}"


@command(name="out", of=shelf, on="write")
@argument("part", type=int)
@on_option("day")
def shelf_out(ledger: "Ledger", part: int, day: str) -> Said:
    """Throw PART out."""
    ledger.drop_part(part, day)
    return f"Part {part} was thrown out"


@command('spend "fair at Hollin" --amount 18 --hours 5', "spend")
@argument("what", required=False)
@columns("spending", "-a --amount amount", "hours")
@option("--on", "spent_on", type=DAY, help="When; today otherwise.")
def spend(bench: Bench, what: str | None, **given: Any) -> None:
    """Record money or hours not tied to a job.

    WHAT they were spent on: travel, tools, fees. Without it, what was spent is listed. It enters no ceiling
    and no verdict: a unit is worth the same however far the way to it was.
    """
    if what is None:
        if any(value is not None for value in given.values()):
            raise click.UsageError("Say WHAT it was spent on.")
        return bench.run(terminal.spending_text, "read")
    row = {**given, "what": what, "spent_on": given["spent_on"] or today().isoformat()}

    def is_it(held: dict[str, Any]) -> bool:
        return all(held[name] == row[name] for name in ("spent_on", "what"))

    def written(ledger: "Ledger") -> Said:
        if any(map(is_it, ledger.rows("spending"))):
            raise InvalidInput(f"{what!r} on {row['spent_on']} is in the ledger already; if this was "
                               "something else, say so in its name. Nothing was written.")  # fmt: skip
        ledger.put("spending", [row], reason="spent")
        return terminal.spending_text(ledger, is_it)

    return bench.run(written, "make")


# ---- Pages, and the card for the phone


@command("report --all", 'report --family "Tarnwick T2" --pdf')
@many("--family", "families", help="Only the page of this family, and the first page")
@flag("--all", "every", help="Every page; the default without --family.")
@flag("--pdf", help="Print the pages to PDF as well; needs Chromium.")
@option("--out", type=click.Path(file_okay=False, path_type=Path), default=Path("reports"),
        show_default=True, help="Folder of the pages.")  # fmt: skip
@as_of_option("The day the pages speak for; the last one on record otherwise.")
@option("--cluster", metavar="ADDRESS", help=CLUSTER_HELP)
def report(bench: Bench, every: bool, out: Path, cluster: str | None, pdf: bool, **how: Any) -> Said:
    """Regenerate the pages whose content changed.

    The others are left untouched. Where there is no ledger of your own yet, the pages are made from the demo
    and say so.
    """
    if every and how["families"]:
        raise click.UsageError("--all makes every page, --family some of them; write one or the other.")
    from reliability.report.run import content_of, make_pages, print_pages, still_shown

    how["families"], as_of = how["families"] or None, how["as_of"]

    def odds() -> "Appraiser":
        from reliability.records.ledger import open_ledger
        from reliability.worth.appraiser import appraiser_of

        with open_ledger(bench.url) as ledger:  # what is to be told of it was told when it was read
            return appraiser_of(ledger, warn=note)

    made = still_shown(bench.url, out, **how)
    if made is None:
        content = content_of(bench.url)
        records, demo = own_or_demo(bench, "the pages are made from the demo, and say DEMO", as_of)
        with executor_for(cluster, 1, left="Each page is whole, the old one or the new one") as executor:
            how["content"], how["odds"] = "" if demo else content, None if demo or as_of else odds
            made = make_pages(records, out, **how, demo=demo, executor=executor)
    for remark in made.remarks:
        note(remark)
    parts = [f"{counted(len(made.made), 'page')} made", f"{len(made.kept)} unchanged"]
    parts += [f"{len(made.removed)} removed"] if made.removed else []
    if pdf and (printed := print_pages(out, [*made.made, *made.kept])):
        parts += [f"{len(printed)} printed"]
    day = f" as of {as_of}" if as_of else ""
    return f"{', '.join(parts)}{day}: {out / 'index.html'}"


def own_or_demo(bench: Bench, remark: str, as_of: datetime.date | None) -> tuple["Records", bool]:
    """Read the ledger; the demo where none was named and none has a job yet."""
    from reliability.records.frames import load, read_records

    source = click.get_current_context().find_root().get_parameter_source("ledger")
    named = source is not ParameterSource.DEFAULT
    if named or not bench.is_missing:
        with bench.ledger() as ledger:
            records = read_records(ledger, as_of=as_of)
        if named or not records.jobs.empty:
            return records, False
    from reliability.report.data import DEMO

    reason = "does not exist" if bench.is_missing else "holds no job"
    note(f"{bench.url} {reason}: {remark}")
    return load(DEMO, as_of=as_of), True


@command("card", "card --out sale.html --as-of 2026-11-25")
@option("--out", type=click.Path(dir_okay=False, path_type=Path), default=Path("reports/card.html"),
        show_default=True, help="File of the card.")  # fmt: skip
@as_of_option(f"Day of the sale; the last one on record otherwise. {LATER_IGNORED}")
def card(bench: Bench, out: Path, as_of: datetime.date | None) -> Said:
    """Write the pocket card: verdicts on a phone without signal.

    It is one file that judges units at a sale as `judge` does. Send it to the phone and open it in a
    browser: type part of a name, the year, the price and what can be seen. What was looked at is saved as an
    offers.csv for `judge`. Printed, it is the list of what to take, up to which price, and what to skip.
    Without a ledger of your own it is made from the demo and says so.
    """
    from reliability.records.files import replace_file
    from reliability.report.card import make_card
    from reliability.worth.appraiser import appraiser_of, fit_appraiser, last_day

    records, demo = own_or_demo(bench, "the card is made from the demo, and says DEMO", as_of)
    if demo:
        last = last_day(records)
        appraiser = fit_appraiser(records, min(last, as_of) if as_of else last)
    else:
        with bench.ledger() as ledger:
            appraiser = appraiser_of(ledger, as_of=as_of, warn=note)
    page = make_card(appraiser, records, as_of=as_of, demo=demo)
    with written_to(out):
        replace_file(out, page)
    families = counted(len(appraiser.families), "family", "families")
    jobs = counted(appraiser.tally.jobs_finished, "finished job")
    return f"Card of {families}, {jobs} up to {appraiser.as_of}, {len(page.encode()) / 1000:.0f} kB: {out}"


if __name__ == "__main__":
    main()
