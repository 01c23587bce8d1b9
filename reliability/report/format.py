"""How numbers, names and findings are said, alike on pages, the card and the form."""

import datetime
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Sequence
from hashlib import sha256

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

NOTHING = "–"
HARD_SPACE = "\u00a0"


def is_known(value: object) -> bool:
    """Tell whether a value is there: not None, not NaN, not an empty text."""
    return value is not None and value != "" and not (isinstance(value, float) and math.isnan(value))


# ---- Numbers; None and NaN are said as a dash


def share(value: float | None) -> str:
    """Say a probability in whole percent; near the ends as a bound (``under 1 %``), never as certainty."""
    if value is None or not is_known(value):
        return NOTHING
    bound = "under 1" if value < 0.005 else "over 99" if value >= 0.995 else ""
    return f"{bound or _rounded(100 * value)}{HARD_SPACE}%"


def in_hundred(value: float | None) -> str:
    """Say a chance as cases in a hundred, ``34 in 100``; near the ends as a bound."""
    return share(value).replace(f"{HARD_SPACE}%", f" in{HARD_SPACE}100")


def span(low: float | None, high: float | None) -> str:
    """Say the interval of a probability in whole percent, ``21 to 50 %``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    ends = dict.fromkeys((_rounded(100 * low), _rounded(100 * high)))
    return f"{' to '.join(map(str, ends))}{HARD_SPACE}%"


def money(value: float | None, currency: str = "") -> str:
    """Say an amount in whole units of the currency, with a real minus sign; or the bare number."""
    if value is None or not is_known(value):
        return NOTHING
    whole = _rounded(value)
    said = f"{'−' if whole < 0 else ''}{_grouped(abs(whole))}"
    return f"{said}{HARD_SPACE}{currency}" if currency else said


def set_at(value: float, currency: str) -> str:
    """Say an amount that somebody set, such as the worth of an hour: with its decimals, if it has any."""
    said = next(said for digits in (0, 2, 3) if float(said := f"{value:.{digits}f}") == value or digits == 3)
    whole, _, decimals = said.partition(".")
    return f"{_grouped(int(whole))}{decimals and '.'}{decimals}{HARD_SPACE}{currency}"


def money_span(low: float | None, high: float | None, currency: str) -> str:
    """Say a range of amounts, ``−20 to 85 EUR``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    return f"{money(low)} to {money(high, currency)}"


def limit(ceiling: float | None, currency: str = "") -> str:
    """Say a price to go up to: whole units, rounded down; one below zero is no price at all."""
    if ceiling is None or not is_known(ceiling):
        return NOTHING
    if ceiling < 1:
        return "only for free" if ceiling >= 0 else "not even for free"
    return money(math.floor(ceiling), currency)


def hours(value: float | None) -> str:
    """Say bench time to a tenth of an hour below ten hours, in whole hours above."""
    return NOTHING if value is None or not is_known(value) else f"{_short(value, 10)}{HARD_SPACE}h"


def years(value: float | None) -> str:
    """Say an age or a life in whole years; more than two centuries is only a bound."""
    if value is None or not is_known(value):
        return NOTHING
    said = "over 200" if value > 200 else _short(value, 3)
    return f"{said}{HARD_SPACE}{'year' if said == '1' else 'years'}"


def expected(jobs: float) -> str:
    """Say a sum of chances: to a tenth where it is small."""
    return f"{jobs:.1f}" if jobs < 10 else whole(jobs)


def whole(value: float) -> str:
    """Say a number without its decimals."""
    return f"{value:.0f}"


def counted(number: int, one: str, many: str = "") -> str:
    """Say a count with its noun, ``1 job`` or ``12 jobs``; none is ``no jobs``."""
    return f"{_grouped(number) if number else 'no'} {one if number == 1 else (many or f'{one}s')}"


def times(count: int) -> str:
    """Say how often, ``once``, ``twice`` or ``3 times``."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _short(value: float, below: float) -> str:
    """Write a number to a tenth below some number, else whole."""
    return f"{value:.1f}".removesuffix(".0") if value < below else str(_rounded(value))


def _grouped(number: int) -> str:
    return f"{number:,}".replace(",", "\u202f")


def _rounded(value: float) -> int:
    """Round half away from zero, as people do; never gives minus zero."""
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


def rounded(frame: pd.DataFrame, **digits: int) -> pd.DataFrame:
    """Round columns to what a page shows of them, so that what cannot be seen changes no page."""
    return frame.assign(**{each: frame[each].astype(float).round(to) + 0.0 for each, to in digits.items()})


def coarse(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Round probabilities to what can honestly be told of them: 5 %, or 1 % below 10 and above 90 %."""
    value = frame[list(columns)].to_numpy(dtype=float)
    inner = (value > 0.1) & (value < 0.9)
    told = np.round(np.where(inner, np.round(value * 20) / 20, np.round(value, 2)), 2) + 0.0
    return frame.assign(**dict(zip(columns, told.T, strict=True)))


# ---- Words: sentences, windows of years


def capital(said: str) -> str:
    """Begin a sentence: only the first letter changes."""
    return said[:1].upper() + said[1:]


def listed(items: Sequence[str], joint: str = "and") -> str:
    """Join items for a sentence, ``a, b and c``."""
    return f"{', '.join(items[:-1])} {joint} {items[-1]}" if len(items) > 1 else "".join(items)


def window(first: float, last: float) -> str:
    """Say a window of production years, ``1979`` or ``1979 to 1984``; empty if nothing is known."""
    low, high = (f"{each:.0f}" if is_known(each) else "" for each in (float(first), float(last)))
    if low and high:
        return low if low == high else f"{low} to {high}"
    return f"from {low}" if low else f"until {high}" if high else ""


# ---- Markup: everything from the ledger is escaped here


def text(value: object) -> Markup:
    """Escape one value for use between tags or inside a quoted attribute."""
    return escape(str(value))


def name(value: object) -> Markup:
    """Show a name from the ledger: escaped, and kept apart from the direction of the text around it."""
    return Markup("<bdi>{}</bdi>").format(value) if is_known(value) else Markup(NOTHING)


def unbroken(value: object) -> Markup:
    """Show a job number or a date that no line may break."""
    return Markup('<bdi class="unbroken">{}</bdi>').format(value)


def day(value: datetime.date) -> Markup:
    """Show a day that no line may break."""
    return unbroken(f"{value:%Y-%m-%d}")


def days(first: datetime.date, last: datetime.date) -> Markup:
    """Say from which day to which."""
    return Markup(" to ").join(day(each) for each in dict.fromkeys((first, last)))


def paragraph(*sentences: str, kind: str = "") -> str:
    """Put sentences (markup) into one paragraph; empty ones are left out, and so is an empty paragraph."""
    said = " ".join(sentence for sentence in sentences if sentence)
    attribute = f' class="{kind}"' if kind else ""
    return f"<p{attribute}>{said}</p>" if said else ""


def bullets(items: Sequence[str]) -> str:
    """List of markup items; nothing where there is none."""
    return f"<ul>{''.join(f'<li>{item}</li>' for item in items)}</ul>" if items else ""


# Each verdict has a mark of its own, so that it is read without colour too.
_RING = '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="1.8"/>'
_MARKS = {
    "take": '<circle cx="8" cy="8" r="6.5" fill="currentColor"/>',
    "haggle": _RING + '<path d="M8 2a6 6 0 0 1 0 12z" fill="currentColor"/>',
    "try one": _RING + '<circle cx="8" cy="8" r="2.2" fill="currentColor"/>',
    "skip": '<path d="M3 3l10 10M13 3L3 13" fill="none" stroke="currentColor" stroke-width="2.6"/>',
}


def verdict_mark(verdict: str) -> Markup:
    """Show a verdict as its mark and its word."""
    kind = verdict.replace(" ", "-")
    mark = f'<svg viewBox="0 0 16 16" width="14" height="14" aria-hidden="true">{_MARKS[verdict]}</svg>'
    return Markup(f'<span class="verdict {kind}">{mark} {verdict}</span>')


# ---- File names of pages: readable, the same on every system, never two pages on one file


_RESERVED = {"con", "prn", "aux", "nul"} | {f"{each}{i}" for each in ("com", "lpt") for i in range(10)}
_LONGEST = 60


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Give each name a file name of its own, without the ending."""
    slugs = {}
    for each in names:
        spread = unicodedata.normalize("NFKD", each).encode("ascii", "ignore").decode()
        slugs[each] = re.sub(r"[^a-z0-9]+", "-", spread.lower()).strip("-")
    taken = Counter(slugs.values())
    for each, base in slugs.items():
        letters, kept = (sum(letter.isalnum() for letter in said) for said in (each, base))
        is_enough = kept >= letters > 0 and len(base) <= _LONGEST and base not in _RESERVED
        if not is_enough or taken[base] > 1:  # a digest of the name tells it apart
            digest = sha256(each.encode()).hexdigest()[:8]
            slugs[each] = f"{base[:_LONGEST].strip('-')}-{digest}".lstrip("-")
    return slugs
