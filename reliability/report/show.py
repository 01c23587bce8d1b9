"""One piece of a page, as a cell of a notebook shows it: content in, set by the template of its page."""

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup

from reliability.report import figures, format

if TYPE_CHECKING:
    from reliability.report.data import ReportData

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class Shown:
    """A finished piece of a page: markup whose text is escaped, and that a notebook shows as it is."""

    html: str
    is_demo: bool = False

    def _repr_html_(self) -> str:
        return self.html

    def _repr_mimebundle_(self, **_: Any) -> dict[str, str]:
        """Give what JupyterLab shows: with the style of a page, without links, for no page lies beside it."""
        unlinked = re.sub(r"</?a\b[^>]*>", "", self.html)
        mark = (
            "<p class='demo'><strong>DEMO</strong> Invented records: add yours.</p>" if self.is_demo else ""
        )
        return {
            "text/html": f'<div class="page-part"><style>{_notebook_style()}</style>{mark}{unlinked}</div>'
        }

    def __repr__(self) -> str:
        return f"<part of a page, {len(self.html)} characters>"


def show(report: "ReportData", page: str, part: str, /, **content: Any) -> Shown:
    """Set one part of a page: the block of its name in the page's template, which sees the content."""
    # Pages of families and components lie in folders of their own.
    known = {"report": report, "up": "../" if page in ("family", "component") else "", **content}
    macros = templates().get_template("parts/macros.html.j2").make_module(known)
    known |= {name: macro for name, macro in vars(macros).items() if not name.startswith("_")}
    template = templates().get_template(f"parts/{page}.html.j2")
    return Shown("".join(template.blocks[part](template.new_context(known))).strip())


@cache
def templates() -> Environment:
    """Give the templates of pages and card: text is escaped, a name that is missing is an error."""
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.do"],
    )
    made.globals |= {"figures": figures, "format": format}
    made.filters |= {name: say for name, say in vars(format).items() if callable(say)}
    made.filters |= {"family": _family, "component": _component, "named": _named, "columns": _columns}
    amounts = (format.money, format.money_span, format.limit, format.set_at)
    made.filters |= {each.__name__: _in_currency(each) for each in amounts}
    return made


def style_sheet(name: str) -> str:
    """Give a style sheet, behind what pages and card have in common."""
    return "\n".join((TEMPLATES / each).read_text("utf-8").strip() for each in ("base.css", name))


@cache
def _notebook_style() -> str:
    """Give the style of pages for parts alone: ahead of JupyterLab's own rules, and dark where it is dark."""
    own = "table { table-layout: auto; } tbody tr { background: none; }"  # what it does to tables of its own
    style = style_sheet("style.css").replace(":root", "&").replace("html {", "& {")
    dark = "body[data-jp-theme-light=false] &"
    return f".page-part.page-part {{ {own} {style.replace('@media (prefers-color-scheme: dark)', dark)} }}"


# ---- Filters that know the report: links to its pages, amounts in its currency


@pass_context
def _family(context: Context, family: str) -> Markup:
    """Show a family's name as a link to its page."""
    page = context["up"] + context["report"].family_pages[family]
    return Markup('<a href="{}">{}</a>').format(page, format.name(family))


@pass_context
def _component(context: Context, component: str) -> Markup:
    """Show a component's name, as a link where it was ever named, so that it has a page."""
    page, shown = context["report"].component_pages.get(component), format.name(component)
    return Markup('<a href="{}{}">{}</a>').format(context["up"], page, shown) if page else shown


def _in_currency(say: Callable[..., str]) -> Callable[..., str]:
    """Let a filter say amounts in the currency of the report."""

    @pass_context
    def said(context: Context, *amounts: float | None) -> str:
        return say(*amounts, context["report"].currency)

    return said


# ---- Filters for lists


def _named(names: Any, joint: str = "and", *, capital: bool = False) -> Markup:
    """List names of the ledger for a sentence, ``a, b and c``; one that begins it gets a capital."""
    said = [str(each) for each in names]
    if capital:
        said[:1] = map(format.capital, said[:1])
    return Markup(format.listed([format.name(each) for each in said], joint))


def _columns(heads: list[str]) -> list[list[str]]:
    """Take heads of a table apart, ``head|kind|short``; `short` is what a phone shows of it."""
    parts = [each.split("|") for each in heads]
    return [[*each, *("", "text", each[0])[len(each) :]] for each in parts]
