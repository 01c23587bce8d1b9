"""How numbers, names and findings are said, and HTML that is safe to show: one phrase for one thing."""

import datetime
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

# How numbers and findings are said: plain, short, the same on every page.


NOTHING = "–"
HARD_SPACE = "\u00a0"
INTERVAL = f"90{HARD_SPACE}% interval"


def is_known(value: object) -> bool:
    """Tell whether a value is there: not None, not NaN, not an empty text."""
    if value is None or value == "":
        return False
    return not (isinstance(value, float) and math.isnan(value))


def share(value: float | None) -> str:
    r"""Say a probability in whole percent; near the ends as a bound, never as certainty.

    Examples
    --------
    >>> share(0.347), share(0.001), share(0.999)
    ('35\xa0%', 'under 1\xa0%', 'over 99\xa0%')
    """
    if value is None or not is_known(value):
        return NOTHING
    if value < 0.005:
        return f"under 1{HARD_SPACE}%"
    if value >= 0.995:
        return f"over 99{HARD_SPACE}%"
    return f"{_rounded(100 * value)}{HARD_SPACE}%"


def span(low: float | None, high: float | None) -> str:
    """Say the interval of a probability in whole percent, ``21 to 50 %``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    ends = dict.fromkeys((_rounded(100 * low), _rounded(100 * high)))
    return f"{' to '.join(map(str, ends))}{HARD_SPACE}%"


def money(value: float | None, currency: str) -> str:
    """Say an amount in whole units of the currency, with a real minus sign."""
    if value is None or not is_known(value):
        return NOTHING
    whole = _rounded(value)
    return f"{'−' if whole < 0 else ''}{abs(whole):,}".replace(",", "\u202f") + f"{HARD_SPACE}{currency}"


def money_span(low: float | None, high: float | None, currency: str) -> str:
    """Say a range of amounts, ``−20 to 85 EUR``."""
    if low is None or high is None or not (is_known(low) and is_known(high)):
        return NOTHING
    return f"{money(low, currency).removesuffix(currency).strip()} to {money(high, currency)}"


def hours(value: float | None) -> str:
    """Say bench time to a tenth of an hour below ten hours, in whole hours above."""
    if value is None or not is_known(value):
        return NOTHING
    said = f"{value:.1f}".removesuffix(".0") if value < 10 else str(_rounded(value))
    return f"{said}{HARD_SPACE}h"


def years(value: float | None) -> str:
    """Say an age or a life in whole years; more than two centuries is only a bound."""
    if value is None or not is_known(value):
        return NOTHING
    if value > 200:
        return f"over 200{HARD_SPACE}years"
    said = f"{value:.1f}".removesuffix(".0") if value < 3 else str(_rounded(value))
    return f"{said}{HARD_SPACE}{'year' if said == '1' else 'years'}"


def limit(ceiling: float | None, currency: str) -> str:
    r"""Say a price to go up to: whole units, rounded down; one below zero is no price at all.

    Examples
    --------
    >>> limit(40.9, "EUR"), limit(0.4, "EUR"), limit(-3.0, "EUR")
    ('40\xa0EUR', 'only for free', 'not even for free')
    """
    if ceiling is None or not is_known(ceiling):
        return NOTHING
    if ceiling < 1:
        return "only for free" if ceiling >= 0 else "not even for free"
    return money(math.floor(ceiling), currency)


def in_hundred(value: float | None) -> str:
    r"""Say a chance as cases in a hundred, ``34 in 100``; near the ends as a bound.

    Examples
    --------
    >>> in_hundred(0.336), in_hundred(0.001)
    ('34 in\xa0100', 'under 1 in\xa0100')
    """
    return share(value).replace(f"{HARD_SPACE}%", f" in{HARD_SPACE}100")


def counted(number: int, one: str, many: str = "") -> str:
    """Say a count with its noun, ``1 job`` or ``12 jobs``; none is ``no jobs``."""
    noun = one if number == 1 else (many or f"{one}s")
    return f"{f'{number:,}'.replace(',', chr(0x202F)) if number else 'no'} {noun}"


def capital(said: str) -> str:
    """Begin a sentence: only the first letter changes."""
    return said[:1].upper() + said[1:]


def listed(items: Sequence[str], joint: str = "and") -> str:
    """Join items for a sentence, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def _rounded(value: float) -> int:
    """Round half away from zero, as people do; never gives minus zero."""
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


# Rows of the ledger in words: a window of years, what was found, which signs were seen.


def window(first: float, last: float) -> str:
    """Say a window of production years, ``1979`` or ``1979 to 1984``; empty if nothing is known.

    Examples
    --------
    >>> window(1979, 1984), window(1979, 1979), window(float("nan"), 1984)
    ('1979 to 1984', '1979', 'until 1984')
    """
    ends = [f"{each:.0f}" if is_known(each) else "" for each in (float(first), float(last))]
    if all(ends):
        return ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    return f"from {ends[0]}" if ends[0] else (f"until {ends[1]}" if ends[1] else "")


def found_by_job(findings: pd.DataFrame) -> dict[str, str]:
    """Say for each job what was found: failed parts first, then worn ones, then how many were sound."""
    parts: dict[str, list[str]] = {job: [] for job in sorted(findings["job"].unique())}
    for found in ("failed", "worn"):
        for row in findings[findings["found"] == found].itertuples():
            parts[row.job].append(_part(row))
    for job, sound in findings.loc[findings["found"] == "sound", "job"].value_counts().items():
        parts[str(job)].append(f"{sound} sound")
    return {job: "; ".join(said) for job, said in parts.items()}


def _part(row: object) -> str:
    place = f" ({row.position})" if row.position else ""  # type: ignore[attr-defined]
    action = row.action  # type: ignore[attr-defined]
    done = f", {action}" if is_known(action) and action != "none" else ""
    late = " during work" if row.arose == "during work" else ""  # type: ignore[attr-defined]
    return f"{row.component}{place} {row.found}{late}{done}"  # type: ignore[attr-defined]


# Pieces of HTML that are safe to show: everything from the ledger is escaped here.


@dataclass(frozen=True)
class Shown:
    """A finished piece of a page: markup whose text is escaped, and that a notebook shows as it is."""

    html: str

    def _repr_html_(self) -> str:
        return self.html

    def __repr__(self) -> str:
        return f"<part of a page, {len(self.html)} characters>"


def text(value: object) -> str:
    """Escape one value for use between tags or inside a quoted attribute."""
    return escape(str(value), quote=True)


def name(value: object) -> str:
    """Show a name from the ledger: escaped, and kept apart from the direction of the text around it."""
    return f"<bdi>{text(value)}</bdi>"


def on_phone(word: str) -> str:
    """Say what a number is where the head of its column is out of sight; plain text."""
    return f'<span class="narrow">{text(word)} </span>'


def unbroken(value: object) -> str:
    """Show a job number or a date that no line may break."""
    return f'<bdi class="unbroken">{text(value)}</bdi>'


def days(first: datetime.date, last: datetime.date) -> Markup:
    """Say from which day to which, as markup that breaks no date."""
    return Markup(" to ").join(Markup(unbroken(f"{day:%Y-%m-%d}")) for day in dict.fromkeys((first, last)))


def link(target: str, label: str) -> str:
    """Link to another page; `label` is markup, `target` a relative address made by us."""
    return f'<a href="{text(target)}">{label}</a>'


def paragraph(*sentences: str, kind: str = "") -> str:
    """Put sentences (markup) into one paragraph; empty ones are left out, and so is an empty paragraph."""
    said = " ".join(sentence for sentence in sentences if sentence)
    if not said:
        return ""
    return f'<p class="{kind}">{said}</p>' if kind else f"<p>{said}</p>"


def bullets(items: list[str], kind: str = "") -> str:
    """List of markup items; nothing where there is none."""
    if not items:
        return ""
    attribute = f' class="{kind}"' if kind else ""
    return f"<ul{attribute}>" + "".join(f"<li>{item}</li>" for item in items) + "</ul>"


def section(anchor: str, heading: str, *parts: str) -> Shown:
    """One section of a page under a second-level heading; `parts` are markup."""
    inside = "\n".join(part for part in parts if part)
    return Shown(
        f'<section aria-labelledby="{anchor}">\n<h2 id="{anchor}">{text(heading)}</h2>\n{inside}\n</section>'
    )


def fold(summary: str, *parts: str, anchor: str = "", prints: bool = False) -> str:
    """Put markup behind a line that opens it; `summary` is plain text."""
    inside = "\n".join(part for part in parts if part)
    named = f' id="{anchor}"' if anchor else ""
    kind = ' class="prints"' if prints else ""
    return f"<details{named}{kind}><summary>{text(summary)}</summary>\n{inside}\n</details>"


# Each verdict has a mark of its own, so that it is read without colour too.
_MARKS = {
    "take": '<circle cx="8" cy="8" r="6.5" fill="currentColor"/>',
    "haggle": '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="1.8"/>'
    '<path d="M8 2a6 6 0 0 1 0 12z" fill="currentColor"/>',
    "try one": '<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="1.8"/>'
    '<circle cx="8" cy="8" r="2.2" fill="currentColor"/>',
    "skip": '<path d="M3 3l10 10M13 3L3 13" fill="none" stroke="currentColor" stroke-width="2.6"/>',
}


def verdict_mark(verdict: str) -> str:
    """Show a verdict as its mark and its word."""
    kind = verdict.replace(" ", "-")
    mark = f'<svg viewBox="0 0 16 16" width="14" height="14" aria-hidden="true">{_MARKS[verdict]}</svg>'
    return f'<span class="verdict {kind}">{mark} {verdict}</span>'


# Tables of the report: a caption that says what they hold, units in the heads, numbers to the right.


Row = Any  # one row of a data frame, as `itertuples` gives it


@dataclass(frozen=True)
class Field:
    """One column of a table on a page."""

    head: str  # plain text, with the unit
    show: Callable[[Row], str]  # from a row of the frame to markup
    kind: str = "text"  # or number; long, a text that may take room; wide, a drawing that takes what is left
    leads: bool = False  # on a phone a row becomes two lines; this one stays on the first, beside the name
    short: str | None = None  # stands before it on the second line, where that is not the head


def label(head: str, column: str) -> Field:
    """Show a text from the ledger."""
    return Field(head, lambda row: _said(getattr(row, column), name))


def number(
    head: str, column: str, show: Callable[[float], str] = "{:.0f}".format, *, leads: bool = False
) -> Field:
    """Show a number by one of the rules above."""

    def shown(row: Row) -> str:
        return _said(getattr(row, column), lambda value: text(show(value)))

    return Field(head, shown, "number", leads)


def amount(head: str, column: str, currency: str, *, leads: bool = False) -> Field:
    """Show money in whole units."""
    return number(head, column, lambda value: money(value, currency), leads=leads)


def table(
    frame: pd.DataFrame,
    fields: Sequence[Field],
    *,
    caption: str,
    says: str = "",
    groups: Sequence[tuple[str, Sequence[bool]]] = (),
    kind: str = "",
) -> str:
    """Set a data frame as a table whose first column heads the rows."""
    heads = "".join(f'<th scope="col"{_number(each)}>{text(each.head)}</th>' for each in fields)
    bodies = []
    for head, rows in groups or [("", [True] * len(frame))]:
        above = (
            f'<tr class="group"><th scope="rowgroup" colspan="{len(fields)}">{head}</th></tr>\n'
            if head
            else ""
        )
        lines = [f"<tr>{_cells(row, fields)}</tr>" for row in frame[list(rows)].itertuples(index=False)]
        bodies.append(f"<tbody>\n{above}{chr(10).join(lines)}\n</tbody>")
    inside = f"{_caption(caption, says)}<thead><tr>{heads}</tr></thead>\n{chr(10).join(bodies)}"
    return f'<table class="{f"rows {kind}".strip()}">{inside}</table>'


def _cells(row: Row, fields: Sequence[Field]) -> str:
    first, rest = fields[0], fields[1:]
    cells = [f'<th scope="row">{first.show(row)}</th>']
    for each in rest:
        head = each.head if each.short is None else each.short
        kind = f"{'text ' if each.kind == 'long' else ''}{each.kind}{' leads' if each.leads else ''}"
        cells.append(f'<td class="{kind}" data-head="{text(head)}">{each.show(row)}</td>')
    return "".join(cells)


def _caption(caption: str, says: str) -> str:
    below = f"<span>{text(says)}</span>" if says else ""
    return f"<caption><div><strong>{text(caption)}</strong>{below}</div></caption>"


def _number(field: Field) -> str:
    return ' class="number"' if field.kind == "number" else ""


def _said(value: object, show: Callable[[Any], str]) -> str:
    return show(value) if is_known(value) else NOTHING


# File names of pages: readable, the same on every system, never two pages on one file.


_RESERVED = {"con", "prn", "aux", "nul"} | {f"{each}{i}" for each in ("com", "lpt") for i in range(10)}
_LONGEST = 60


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Give each name a file name of its own, without the ending.

    Examples
    --------
    >>> slugs(["Tarnwick T2", "Dallow 80"])
    {'Tarnwick T2': 'tarnwick-t2', 'Dallow 80': 'dallow-80'}
    """
    plain = {each: _plain(each) for each in names}
    taken = Counter(plain.values())
    return {
        each: base if taken[base] == 1 and _is_enough(each, base) else _marked(each, base)
        for each, base in plain.items()
    }


def _plain(name: str) -> str:
    spread = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", spread.lower()).strip("-")


def _is_enough(name: str, base: str) -> bool:
    letters = sum(each.isalnum() for each in name)
    kept = sum(each.isalnum() for each in base)
    return kept >= letters > 0 and len(base) <= _LONGEST and base not in _RESERVED


def _marked(name: str, base: str) -> str:
    mark = sha256(name.encode()).hexdigest()[:8]
    return f"{base[:_LONGEST].strip('-')}-{mark}".lstrip("-")


# ---- Numbers rounded once, to what can honestly be told of them


def rounded(frame: pd.DataFrame, **digits: int) -> pd.DataFrame:
    """Round columns to what a page shows of them, so that what cannot be seen changes no page."""
    return frame.assign(**{each: frame[each].astype(float).round(to) + 0.0 for each, to in digits.items()})


def coarse(frame: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Round probabilities to what can honestly be told of them: 5 %, or 1 % below 10 and above 90 %."""
    out = {}
    for each in columns:
        value = frame[each].to_numpy(dtype=float)
        inner = (value > 0.1) & (value < 0.9)
        out[each] = np.round(np.where(inner, np.round(value * 20) / 20, np.round(value, 2)), 2) + 0.0
    return frame.assign(**out)
