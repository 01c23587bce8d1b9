"""Tables of the report: a caption that says what they hold, units in the heads, numbers to the right."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from reliability.report import words
from reliability.report.html import link, name, sideways, text

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
    both = [name(each) for each in (row.chief_risk, row.rival_risk) if words.is_known(each)]
    return " and ".join(both)


def linked(head: str, column: str) -> Field:
    """Show a name from the ledger, as a link where the row's ``page`` holds an address."""

    def show(row: Row) -> str:
        named = name(getattr(row, column))
        return link(row.page, named) if words.is_known(row.page) else named

    return Field(head, show)


def amount(head: str, column: str, currency: str) -> Field:
    """Show money in whole units."""
    return Field(head, lambda row: text(words.money(getattr(row, column), currency)), "number")


def number(head: str, column: str, show: Callable[[float], str] = "{:.0f}".format) -> Field:
    """Show a number by a rule of `words`."""
    return Field(head, lambda row: _said(getattr(row, column), lambda value: text(show(value))), "number")


def chance(head: str, mean: str, low: str = "", high: str = "") -> Field:
    """Show a probability in percent, with its interval in small print where there is one."""

    def show(row: Row) -> str:
        value = text(words.share(getattr(row, mean)))
        if not low or not words.is_known(getattr(row, low)):
            return value
        return f"{value}<small>{text(words.span(getattr(row, low), getattr(row, high)))}</small>"

    return Field(head, show, "number")


def age(head: str, value: str, low: str, high: str) -> Field:
    """Show an age in years, with its interval in small print where there is one."""

    def show(row: Row) -> str:
        said = _said(getattr(row, value), lambda each: text(words.years(each)))
        ends = getattr(row, low), getattr(row, high)
        small = f"<small>{text(words.years_span(*ends))}</small>" if any(map(words.is_known, ends)) else ""
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
    if not words.is_known(value):
        return f'<td class="heat">{words.NOTHING}</td>'
    # Tenths keep the text readable on every tint: the darkest one is 55 % of the full colour.
    tint = f"background: color-mix(in srgb, var(--heat) {5.5 * round(10 * value):.0f}%, var(--card))"
    below = "".join(f"<small>{text(line)}</small>" for line in remark.split("; "))
    return f'<td class="heat" style="{tint}">{text(words.share(value))}{below}</td>'


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
    return show(value) if words.is_known(value) else words.NOTHING
