"""Compare what is kept with what is made now: one table of tolerances, differences in words."""

import csv
import difflib
import io
import math
import re
from collections.abc import Callable

Row = dict[str, str]
Near = Callable[[str, Row, Row], bool]
HAGGLE_ROOM = 0.25  # the default, which no ledger of the verdicts changes
TIE = re.compile(r"(?:; )?([^;]+) and ([^;]+) end as many jobs")
NUMBER = re.compile(r"(-?\d+(?:\.\d+)?(?: %| EUR| in 100)?)")
#: Commands whose output tells estimates: decimals, percents and amounts may move by one in the last digit.
ESTIMATING = ("judge", "ranking", "plan", "stock", "lives", "next", "report")


def same(name: str, old: Row, new: Row) -> bool:
    return old[name] == new[name]


def within(room: Callable[[str, Row], float]) -> Near:
    """Allow a number to move by so much; an empty cell stays empty."""

    def near(name: str, old: Row, new: Row) -> bool:
        moved = abs(float(old[name] or "nan") - float(new[name] or "nan"))
        return same(name, old, new) or moved <= room(name, old) + 1e-12

    return near


def money(_: str, row: Row) -> float:
    """Amount by which money may move: 0.0003 of the range that holds 80 % of the gains, or two cents."""
    low, high = (row["gain_low"], row["gain_high"]) if row["asked"] else ("0", row["ceiling"])
    return max(0.0003 * abs(float(high) - float(low)), 0.02)


def near_verdict(name: str, old: Row, new: Row) -> bool:
    said = {old[name], new[name]}
    edge = 1.0 if "take" in said else 1.0 + HAGGLE_ROOM if "haggle" in said else math.nan
    off = abs(float(old["asked"] or "nan") - edge * float(old["ceiling"]))
    return same(name, old, new) or off <= edge * money(name, old)


def near_risk(name: str, old: Row, new: Row) -> bool:
    ties = [set(found.groups()) for row in (old, new) if (found := TIE.search(row["note"]))]
    return same(name, old, new) or any({old[name], new[name]} <= tie for tie in ties)


def near_note(name: str, old: Row, new: Row) -> bool:
    return near_text(*(TIE.sub("", row[name]).strip("; ") for row in (old, new)))


#: What may move. Other kernels of the linear algebra library, without wide registers, moved 3 of some 2,700
#: numbers of the verdicts, each by one in its last digit, and no fit in twelve digits. The room beyond is for
#: another order of sums and other steps of a search: a prior mean moved by 6 % is told for the demo already.
EXACT = (same, "nothing: a name, a count or what was asked")
CHANCE = (within(lambda *_: 0.0003), "0.0003, three of its last digit")
MONEY = (within(money), "0.0003 of the range of the gain, as much as a chance; two cents at least")
FITTED = (within(lambda name, row: 1e-6 * abs(float(row[name] or 0))), "1e-6 of it; searches end well below")
TOLERANCES: dict[str, tuple[Near, str]] = {
    "verdict": (near_verdict, "another one only where the price asked is at its threshold"),
    **dict.fromkeys(("ceiling", "expected_gain", "gain_low", "gain_high"), MONEY),
    **dict.fromkeys(("chance_of_loss", "success_chance", "success_low", "success_high"), CHANCE),
    "hours": (within(lambda *_: 0.02), "0.02, a minute: two of its last digit"),
    "chief_risk": (near_risk, "another one only where the note names both as tied"),
    "note": (near_note, "a tie that comes or goes; decimals and percents by one in the last digit"),
    **dict.fromkeys(("shape", "scale", "log_likelihood", "failed_by_30_low", "failed_by_30_high"), FITTED),
}  # fmt: skip


def near_text(old: str, new: str) -> bool:
    a, b = NUMBER.split(old), NUMBER.split(new)
    if a[1::2] == b[1::2]:
        return old == new
    if len(a) != len(b) or [" ".join(w.split()) for w in a[::2]] != [" ".join(w.split()) for w in b[::2]]:
        return False
    return all(x == y or near_number(x, y) for x, y in zip(a[1::2], b[1::2], strict=True))


def near_number(old: str, new: str) -> bool:
    (number, *unit), (other, *its_unit) = (each.split(" ", 1) for each in (old, new))
    if unit != its_unit or not ("." in number or unit):
        return False
    return abs(float(number) - float(other)) <= 1.001 * 10.0 ** -len(number.partition(".")[2])


def differences(file: str, old: str, new: str, *, exact: bool = False) -> list[str]:
    """Say what differs beyond the tolerances, or at all if `exact`: an entry for each column or command."""
    if not (old and new):
        return [f"{file} is {'no longer made' if old else 'new'}"]
    if file.endswith(".csv") and "/export/" not in file:
        return [f"{file}, {said}" for said in table_differences(old, new, exact)]
    if file.endswith(".txt"):
        return [f"{file}, {said}" for said in said_differences(old, new, exact)]
    return [f"{file}: {line}" for line in difflib.unified_diff(old.split("\n"), new.split("\n"), n=0)][2:]


def table_differences(old: str, new: str, exact: bool) -> list[str]:
    before, after = (list(csv.DictReader(io.StringIO(text, newline=""))) for text in (old, new))
    heads = [text.partition("\n")[0] for text in (old, new)]
    key = heads[0].partition(",")[0]
    if heads[0] != heads[1] or [row[key] for row in before] != [row[key] for row in after]:
        return [f"other columns or rows: {len(before)} of {heads[0]} -> {len(after)} of {heads[1]}"]
    said = []
    for name in heads[0].split(","):
        near, why = (same, "") if exact else TOLERANCES.get(name, EXACT)
        pairs = zip(before, after, strict=True)
        if off := [(a, b) for a, b in pairs if not near(name, a, b)]:
            shown = "; ".join(f"{a[key]}: {a[name] or 'empty'} -> {b[name] or 'empty'}" for a, b in off[:5])
            rule = f" (allowed: {why})" if why else ""
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
