"""Compare what is kept with what is made now: one table of tolerances, differences in words."""

import csv
import difflib
import io
import re
from collections.abc import Callable
from itertools import groupby

Row = dict[str, str]
Near = Callable[[str, Row, Row], bool]
HAGGLE_ROOM = 0.25  # the default, which no ledger of the verdicts changes


def number(cell: str) -> float:
    return float(cell or "nan")


def within(size: float, relative: bool = False) -> Near:
    """Allow a number to move by a size, or by that share of itself; an empty cell stays empty."""

    def near(name: str, old: Row, new: Row) -> bool:
        a, b = number(old[name]), number(new[name])
        return old[name] == new[name] or abs(a - b) <= size * (abs(a) if relative else 1.0) + 1e-12

    return near


def price_room(row: Row) -> float:
    """Amount by which money may move: 0.002 of the range that holds 80 % of the gains, at least a cent."""
    spread = number(row["gain_high"]) - number(row["gain_low"]) if row["asked"] else abs(number(row["ceiling"]))
    return max(0.002 * spread, 0.01)


def near_money(name: str, old: Row, new: Row) -> bool:
    return within(price_room(old))(name, old, new)


def near_verdict(name: str, old: Row, new: Row) -> bool:
    """Allow another verdict only where the price asked lies at the threshold between the two."""
    off = {"take": 1.0, "haggle": 1.0 + HAGGLE_ROOM}
    crossed = {off[verdict] for verdict in (old[name], new[name]) if verdict in off}
    threshold = min(crossed, default=0.0) * number(old["ceiling"])
    return old[name] == new[name] or (
        len({old[name], new[name]} & set(off)) > 0
        and abs(number(old["asked"]) - threshold) <= (1 + HAGGLE_ROOM) * price_room(old)
    )


TIE = re.compile(r"(?:; )?([^;]+) and ([^;]+) end as many jobs")


def near_risk(name: str, old: Row, new: Row) -> bool:
    """Allow another chief risk where the note names both as ending as many jobs."""
    tied = [{row[name], *(found.groups() if (found := TIE.search(row["note"])) else ())} for row in (old, new)]
    return tied[0] <= tied[1] or tied[1] <= tied[0]


def near_note(name: str, old: Row, new: Row) -> bool:
    return near_text(*(TIE.sub("", row[name]).strip("; ") for row in (old, new)))


def same(name: str, old: Row, new: Row) -> bool:
    return old[name] == new[name]


#: Tolerances. Other kernels of the linear algebra library without wide registers moved 3 of 2,500 numbers of the
#: verdicts, each by one in its last digit, and no fit in twelve digits; the room beyond that is for another
#: order of sums and other steps of a search, and is far below what a ledger can tell.
EXACT = (same, "a name, a count or what was asked: nothing is worked out")
CHANCE = (within(0.002), "20 times the rounding noise; the narrowest 90 % interval is some 0.1 wide")
MONEY = (near_money, "what 0.002 of a chance move where success and failure lie an 80 % range apart")
FITTED = (within(1e-6, relative=True), "searches end at 1e-9; ends of a flat profile are known less well")
TOLERANCES: dict[str, tuple[Near, str]] = {
    "verdict": (near_verdict, "as told, unless the price asked lies within the room for money of its threshold"),
    **dict.fromkeys(("ceiling", "expected_gain", "gain_low", "gain_high"), MONEY),
    **dict.fromkeys(("chance_of_loss", "success_chance", "success_low", "success_high"), CHANCE),
    "hours": (within(0.02), "two of its last digit, about a minute"),
    "chief_risk": (near_risk, "as told, or tied with it by the note"),
    "note": (near_note, "as told; a tie may come or go, amounts by one in the last digit"),
    **dict.fromkeys(("shape", "scale", "log_likelihood", "failed_by_30_low", "failed_by_30_high"), FITTED),
}
#: Commands whose output tells estimates: decimals and percents may move by one in the last digit.
ESTIMATING = ("judge", "ranking", "plan", "stock", "lives")
NUMBER = re.compile(r"(-?\d+(?:\.\d+)?(?: %)?)")


def near_text(old: str, new: str) -> bool:
    a, b = NUMBER.split(old), NUMBER.split(new)
    if a[1::2] == b[1::2]:
        return old == new
    if len(a) != len(b) or [" ".join(w.split()) for w in a[::2]] != [" ".join(w.split()) for w in b[::2]]:
        return False
    return all(x == y or near_number(x, y) for x, y in zip(a[1::2], b[1::2], strict=True))


def near_number(old: str, new: str) -> bool:
    if not ("." in old or "%" in old) or ("%" in old) != ("%" in new):
        return False
    digits = len(old.rstrip(" %").partition(".")[2])
    return abs(float(old.rstrip(" %")) - float(new.rstrip(" %"))) <= 1.001 * 10.0**-digits


def differences(file: str, old: str, new: str, *, exact: bool = False) -> list[str]:
    """Say what differs beyond the tolerances (all that differs if `exact`), a line for each column or command."""
    if not (old and new):
        return [f"{file} is {'no longer made' if old else 'new'}"]
    if file.endswith(".csv") and "/export/" not in file:
        return [f"{file}, {said}" for said in table_differences(old, new, exact)]
    if file.endswith(".txt"):
        return [f"{file}, {said}" for said in said_differences(old, new, exact)]
    return [f"{file}: {line}" for line in difflib.unified_diff(old.split("\n"), new.split("\n"), n=0)][2:]


def table_differences(old: str, new: str, exact: bool) -> list[str]:
    before, after = (list(csv.DictReader(io.StringIO(text, newline=""))) for text in (old, new))
    columns = list(before[0]) if before else []
    key = columns[0]
    if not after or list(after[0]) != columns or [r[key] for r in before] != [r[key] for r in after]:
        return [f"other columns or rows: {len(before)} rows of {columns} -> {len(after)} of {list(after[:1])}"]
    said = []
    for name in columns:
        near, why = TOLERANCES.get(name, EXACT)
        off = [(a, b) for a, b in zip(before, after, strict=True) if not (same if exact else near)(name, a, b)]
        if off:
            shown = "; ".join(f"{a[key]}: {a[name] or 'empty'} -> {b[name] or 'empty'}" for a, b in off[:5])
            rule = "" if exact else f" (allowed: {why})"
            said.append(f"{name} differs in {len(off)} of {len(before)} rows: {shown}{rule}")
    return said


def said_differences(old: str, new: str, exact: bool) -> list[str]:
    before, after = (re.split(r"^(?=\$ )", text, flags=re.M) for text in (old, new))
    said = []
    for a, b in zip(before, after, strict=True):
        words = a.split()
        near = near_text if not exact and words[2:3] and words[2] in ESTIMATING else str.__eq__
        lines = a.splitlines(), b.splitlines()
        if len(lines[0]) == len(lines[1]) and all(map(near, *lines)):
            continue
        changed = [line for line in difflib.ndiff(*lines) if line[0] in "+-"]
        said.append("\n    ".join([lines[0][0], *changed[:20]]))
    return said
