"""Pieces of HTML that are safe to show: everything from the ledger is escaped here.

Nothing else in the room builds markup from text, so a family called ``<script>`` stays a name.
"""

from dataclasses import dataclass
from html import escape


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
