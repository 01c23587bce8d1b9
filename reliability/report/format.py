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

import pandas as pd

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
    return f"{_rounded(100 * low)} to {_rounded(100 * high)}{HARD_SPACE}%"


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


def years_span(low: float | None, high: float | None) -> str:
    """Say a range of ages, ``11 to 19 years``; an end that is not known is none."""
    upper = years(high) if high is not None and is_known(high) else "no end"
    if low is None or not is_known(low):
        return f"up to {upper}"
    return f"{years(low).partition(HARD_SPACE)[0]} to {upper}"


def counted(number: int, one: str, many: str = "") -> str:
    """Say a count with its noun, ``1 job`` or ``12 jobs``; none is ``no jobs``."""
    noun = one if number == 1 else (many or f"{one}s")
    return f"{number or 'no'} {noun}"


def listed(items: Sequence[str], joint: str = "and") -> str:
    """Join items for a sentence, ``a, b and c``."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {joint} {items[-1]}"


def day(value: datetime.date | None) -> str:
    """Say a date the way it stands in the ledger, ``2026-05-17``."""
    return value.isoformat() if value is not None else NOTHING


def shortened(value: str, most: int = 28) -> str:
    """Cut a long name for a picture; the full one stands in the table beside it."""
    return value if len(value) <= most else value[: most - 1].rstrip() + "…"


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
    """Say for each job what was found: failed parts first, then worn ones, then how many were sound.

    Parameters
    ----------
    findings : DataFrame
        The documented table.

    Returns
    -------
    dict
        Job -> text such as ``belt failed, replaced; gear worn; 6 sound``.
    """
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


def signs_by_job(signs: pd.DataFrame) -> dict[str, str]:
    """Say for each job which signs were seen, or that somebody looked and saw none.

    Parameters
    ----------
    signs : DataFrame
        The documented table.

    Returns
    -------
    dict
        Job -> text such as ``rust, hum`` or ``none seen``; jobs at which nobody looked are missing.
    """
    said = {}
    for job, rows in signs.groupby("job", sort=True):
        said[str(job)] = ", ".join(rows.sign[rows.seen == "yes"]) or "none seen"
    return said


# Pieces of HTML that are safe to show: everything from the ledger is escaped here.


@dataclass(frozen=True)
class Shown:
    """A finished piece of a page.

    A notebook shows it as the value of a cell, and the exporter takes it over as it is.

    Parameters
    ----------
    html : str
        Markup whose text is already escaped.
    """

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


def sideways(inside: str, label: str) -> str:
    """Region of its own that scrolls sideways and can be reached by keyboard; `label` is plain text."""
    return f'<div class="scroll" role="region" tabindex="0" aria-label="{text(label)}">{inside}</div>'


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
    """Show a verdict as its mark and its word.

    Raises
    ------
    KeyError
        If the verdict is not one of take, haggle, try one, skip.
    """
    kind = verdict.replace(" ", "-")
    mark = f'<svg viewBox="0 0 16 16" width="14" height="14" aria-hidden="true">{_MARKS[verdict]}</svg>'
    return f'<span class="verdict {kind}">{mark} {verdict}</span>'


# Tables of the report: a caption that says what they hold, units in the heads, numbers to the right.


Row = Any  # one row of a data frame, as `itertuples` gives it


@dataclass(frozen=True)
class Field:
    """One column of a table on a page.

    Parameters
    ----------
    head : str
        What stands above it, with its unit; plain text.
    show : callable
        From a row of the frame to markup.
    kind : {"text", "number", "long"}
        How it is set: ``long`` is a text that may take room.
    """

    head: str
    show: Callable[[Row], str]
    kind: str = "text"


def label(head: str, column: str, *, kind: str = "text") -> Field:
    """Show a text from the ledger."""
    return Field(head, lambda row: _said(getattr(row, column), name), kind)


def risks(row: Any) -> str:
    """Name the chief risk, and a component that ends as many jobs; "" where none is known."""
    both = [name(each) for each in (row.chief_risk, row.rival_risk) if is_known(each)]
    return " and ".join(both)


def linked(head: str, column: str) -> Field:
    """Show a name from the ledger, as a link where the row's ``page`` holds an address."""

    def show(row: Row) -> str:
        named = name(getattr(row, column))
        return link(row.page, named) if is_known(row.page) else named

    return Field(head, show)


def amount(head: str, column: str, currency: str) -> Field:
    """Show money in whole units."""
    return Field(head, lambda row: text(money(getattr(row, column), currency)), "number")


def number(head: str, column: str, show: Callable[[float], str] = "{:.0f}".format) -> Field:
    """Show a number by a rule of `words`."""
    return Field(head, lambda row: _said(getattr(row, column), lambda value: text(show(value))), "number")


def chance(head: str, mean: str, low: str = "", high: str = "") -> Field:
    """Show a probability in percent, with its interval in small print where there is one."""

    def show(row: Row) -> str:
        value = text(share(getattr(row, mean)))
        if not low or not is_known(getattr(row, low)):
            return value
        return f"{value}<small>{text(span(getattr(row, low), getattr(row, high)))}</small>"

    return Field(head, show, "number")


def age(head: str, value: str, low: str, high: str) -> Field:
    """Show an age in years, with its interval in small print where there is one."""

    def show(row: Row) -> str:
        said = _said(getattr(row, value), lambda each: text(years(each)))
        ends = getattr(row, low), getattr(row, high)
        small = f"<small>{text(years_span(*ends))}</small>" if any(map(is_known, ends)) else ""
        return said + small

    return Field(head, show, "number")


def table(frame: pd.DataFrame, fields: Sequence[Field], *, caption: str, says: str = "") -> str:
    """Set a data frame as a table whose first column heads the rows.

    Parameters
    ----------
    frame : DataFrame
        One row per row.
    fields : sequence of Field
        The columns to show.
    caption : str
        What the table holds; plain text.
    says : str
        How to read it; plain text under the caption.

    Returns
    -------
    str
        A region that scrolls sideways by itself where the table is wider than the page.
    """
    heads = "".join(f'<th scope="col"{_number(each)}>{text(each.head)}</th>' for each in fields)
    rows = "\n".join(f"<tr>{_cells(row, fields)}</tr>" for row in frame.itertuples(index=False))
    inside = f"{_caption(caption, says)}<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody>"
    return sideways(f"<table>{inside}</table>", caption)


def heat_map(
    shares: pd.DataFrame,
    remarks: pd.DataFrame,
    *,
    caption: str,
    says: str = "",
    row_head: str,
    links: dict[str, str],
) -> str:
    """Set probabilities as a grid whose cells are the darker the likelier; each cell says its number.

    Parameters
    ----------
    shares : DataFrame
        Probability for each row name (index) and column name; NaN where there is nothing to say.
    remarks : DataFrame
        Short texts for the small print of each cell, set apart by ``; ``, in the same shape.
    caption, says : str
        As in `table`.
    row_head : str
        What the rows are; plain text.
    links : dict
        Row or column name -> relative address of its page.

    Returns
    -------
    str
        A region as `table` gives it.
    """
    heads = "".join(f'<th scope="col">{_linked(each, links)}</th>' for each in shares.columns)
    rows = []
    for each in shares.index:
        cells = "".join(map(_heat, shares.loc[each], remarks.loc[each]))
        rows.append(f'<tr><th scope="row">{_linked(each, links)}</th>{cells}</tr>')
    head = f'<thead><tr><th scope="col">{text(row_head)}</th>{heads}</tr></thead>'
    inside = f"{_caption(caption, says)}{head}\n<tbody>\n" + "\n".join(rows) + "\n</tbody>"
    return sideways(f'<table class="map">{inside}</table>', caption)


def _heat(value: float, remark: str) -> str:
    if not is_known(value):
        return f'<td class="heat">{NOTHING}</td>'
    # Tenths keep the text readable on every tint: the darkest one is 55 % of the full colour.
    tint = f"background: color-mix(in srgb, var(--heat) {5.5 * round(10 * value):.0f}%, var(--card))"
    below = "".join(f"<small>{text(line)}</small>" for line in remark.split("; "))
    return f'<td class="heat" style="{tint}">{text(share(value))}{below}</td>'


def _linked(each: str, links: dict[str, str]) -> str:
    return f'<a href="{text(links[each])}">{name(each)}</a>' if each in links else name(each)


def _cells(row: Row, fields: Sequence[Field]) -> str:
    first, rest = fields[0], fields[1:]
    return f'<th scope="row">{first.show(row)}</th>' + "".join(
        f'<td class="{"text long" if each.kind == "long" else each.kind}">{each.show(row)}</td>'
        for each in rest
    )


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

    Parameters
    ----------
    names : iterable of str
        Names as the ledger writes them.

    Returns
    -------
    dict
        Name -> lower-case letters, digits and hyphens. A name that would lose its meaning (no Latin
        letter, too long) or share its file with another one carries a few digits of its own checksum.

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


# What can hurt when a unit is opened. Common practice of the trade, no source; local rules come first.


_FIRST = (
    "Local codes come first: in many places some of this work is reserved for licensed people. "
    "If you are not sure that you may do it, or can, leave it.",
    "Mains voltage kills. Pull the plug before opening; test through an isolating transformer (behind it a "
    "residual-current device no longer helps you), with one hand, and not alone.",
    "Capacitors keep their charge after the plug is out. Discharge the large ones through a resistor and "
    "measure before you touch anything.",
    "Solvents, contact sprays and rust removers burn skin and lungs, and some catch fire: gloves, glasses, "
    "open window, no flame; never mix them.",
    "Worn parts, batteries, solvents and old lamps are waste of their own kind: take them to a collection "
    "point, not to the bin.",
)
_BY_WORD = (
    (
        ("disc", "cd", "laser"),
        "The laser of a disc player is invisible and harms the eye: never look into a running pick-up.",
    ),
    (
        ("receiver", "amplifier", "tuner", "radio", "valve"),
        "Power stages hold dangerous voltage and heat sinks burn: let them cool, then measure.",
    ),
    (
        ("tape", "turntable", "record", "cassette"),
        "Moving parts catch hair, sleeves and fingers: work on a running transport with tools only.",
    ),
    (
        ("television", "monitor", "tube", "microwave"),
        "High-voltage parts hold a deadly charge for days: leave them to trained people.",
    ),
)


def cautions(kind: str = "") -> tuple[str, ...]:
    """Give the cautions for a kind of unit, the general ones first.

    Parameters
    ----------
    kind : str
        Kind as the ledger writes it; empty for pages about all kinds.

    Returns
    -------
    tuple of str
        Plain sentences.
    """
    said = kind.lower()
    return _FIRST + tuple(
        caution for words, caution in _BY_WORD if not said or any(word in said for word in words)
    )
