"""Fields of the form: a widget with its label above it, and room for what is wrong below it."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

import ipywidgets as widgets  # type: ignore[import-untyped]

from reliability.records.values import clean_text
from reliability.report.html import bullets, text

# Colours of JupyterLab itself, so that the form is dark where the rest is; a fault has a mark and
# words as well as its colour.
STYLE = """<style>
.bench-form { max-width: 62rem; }
.bench-form h3 { font-size: 1.05rem; margin: 1.1rem 0 .2rem; padding-top: .6rem;
  border-top: 1px solid var(--jp-border-color1, #999); }
.bench-form p, .bench-form li { font-size: .95rem; line-height: 1.45; margin: .25rem 0; max-width: 46rem;
  overflow-wrap: anywhere; }
.bench-form .bench-field, .bench-form .widget-vbox, .bench-form .widget-gridbox { overflow: visible; }
.bench-form .widget-gridbox { margin: .3rem 0; }
.bench-form > .bench-field, .bench-form .widget-vbox > .bench-field { margin: .3rem 0 !important; }
.bench-form .bench-field > .jupyter-widgets.widget-inline-hbox { flex-direction: column; align-items: stretch;
  width: auto; height: auto; margin: 0; }
.bench-form .bench-field .widget-label { width: auto; min-width: 0; max-width: none; height: auto;
  text-align: left; line-height: 1.3; font-size: .85rem; padding: 0 0 .15rem;
  color: var(--jp-ui-font-color1, #333);
  white-space: normal; overflow: visible; }
.bench-form .bench-field input[type=text], .bench-form .bench-field select { flex: none; width: 100%;
  height: 1.9rem; box-sizing: border-box; font-size: .95rem; }
.bench-form .bench-field.widget-checkbox, .bench-form .bench-tick > .widget-checkbox { width: auto; }
.bench-form .bench-faulty input, .bench-form .bench-faulty select, .bench-form .bench-faulty textarea {
  border: 2px solid var(--jp-error-color1, #b00020); }
.bench-form p.bench-wrong { color: var(--jp-error-color0, #9b0019); font-size: .85rem;
  line-height: 1.35; margin: .15rem 0 0; }
.bench-form .bench-caution { border-left: 5px solid #c77700; padding: .35rem .8rem; margin: .3rem 0 .6rem; }
.bench-form .bench-refused { border: 2px solid var(--jp-error-color1, #b00020); padding: .4rem .8rem; }
.bench-form .bench-done { border: 2px solid var(--jp-brand-color1, #1976d2); padding: .4rem .8rem; }
.bench-form p.bench-number { font-size: 1.25rem; font-weight: 600; }
.bench-form p.bench-soft { color: var(--jp-ui-font-color1, #444); font-size: .9rem; }
.bench-form table.bench-change { border-collapse: collapse; margin: .5rem 0; font-size: .95rem; }
.bench-form .bench-change caption { text-align: left; font-weight: 600; padding-bottom: .3rem;
  color: inherit; }
.bench-form .bench-change th, .bench-form .bench-change td { padding: .25rem .9rem .25rem 0; text-align: left;
  border-bottom: 1px solid var(--jp-border-color2, #ccc); vertical-align: top; }
</style>"""

NOT_SAID = "–"


class Field:
    """A labelled widget and the faults of what stands in it.

    Parameters
    ----------
    widget : ipywidgets.DOMWidget
        With its label as `description`.
    kind : str
        Class of the box around it, beside ``bench-field``.
    """

    def __init__(self, widget: Any, kind: str = "") -> None:
        self.widget = widget
        self._blank = widget.value
        self._wrong = widgets.HTML(layout=widgets.Layout(display="none"))
        self.box = widgets.VBox([widget, self._wrong], layout=widgets.Layout(margin="0"))
        self.box.add_class("bench-field")
        if kind:
            self.box.add_class(kind)

    @property
    def label(self) -> str:
        """What the field asks for."""
        return str(self.widget.description)

    @property
    def value(self) -> str | None:
        """What stands in it, without the space around it; None where that is nothing."""
        return clean_text(str(self.widget.value or "")) or None

    @property
    def is_ticked(self) -> bool:
        """Whether a tick box is ticked."""
        return self.widget.value is True

    def put(self, value: object) -> None:
        """Fill the field; None makes it blank."""
        self.widget.value = self._blank if value is None else value

    def clear(self) -> None:
        """Make it as it was at first."""
        self.widget.value = self._blank
        self.complain(())

    def show(self, is_shown: bool) -> None:
        """Show it or take it away."""
        self.box.layout.display = None if is_shown else "none"

    def complain(self, messages: Sequence[str]) -> None:
        """Show beside the field what is wrong with it; nothing takes earlier complaints away."""
        self._wrong.value = "".join(f'<p class="bench-wrong">✗ {text(each)}</p>' for each in messages)
        self._wrong.layout.display = None if messages else "none"
        (self.box.add_class if messages else self.box.remove_class)("bench-faulty")

    def on_change(self, act: Callable[[], object]) -> None:
        """Do something whenever another value stands in it."""
        self.widget.observe(lambda _: act(), names="value")


def line(label: str, *, hint: str = "", value: str = "") -> Field:
    """Make a field for one line of text."""
    return Field(widgets.Text(value=value, description=label, placeholder=hint, style=_style()))


def lines(label: str) -> Field:
    """Make a field for several lines."""
    return Field(widgets.Textarea(description=label, rows=2, style=_style()))


def offered(label: str, names: Iterable[str], *, hint: str = "") -> Field:
    """Make a field that offers names and takes others, too."""
    return Field(widgets.Combobox(description=label, options=tuple(names), placeholder=hint, style=_style()))


def choice(label: str, options: Iterable[str | tuple[str, str]], *, blank: str = NOT_SAID) -> Field:
    """Make a field for one word of a closed list, or for none."""
    listed = [(each, each) if isinstance(each, str) else each for each in options]
    first = [(blank, "")] if blank else []
    return Field(widgets.Dropdown(description=label, options=[*first, *listed], style=_style()))


def tick(label: str) -> Field:
    """Make a box to be ticked."""
    return Field(widgets.Checkbox(value=False, description=label, indent=False, style=_style()), "bench-tick")


def _style() -> dict[str, str]:
    return {"description_width": "initial"}


def heading(said: str, *more: str) -> Any:
    """Make a heading with paragraphs (markup) below it."""
    return widgets.HTML(f"<h3>{text(said)}</h3>{''.join(more)}")


def grid(fields: Iterable[Field], width: str = "13rem") -> Any:
    """Lay fields out in as many columns as there is room for."""
    return boxes([field.box for field in fields], width)


def boxes(children: Sequence[Any], width: str = "10rem") -> Any:
    """Lay widgets out in as many columns as there is room for."""
    columns = f"repeat(auto-fill, minmax({width}, 1fr))"
    layout = widgets.Layout(
        grid_template_columns=columns, grid_gap=".55rem 1rem", width="100%", overflow="visible"
    )
    return widgets.GridBox(list(children), layout=layout)


def refused(count: int, others: Sequence[str], labels: Sequence[str]) -> str:
    """Say that nothing was written and where the faults are; markup."""
    head = f"{count} fault{'' if count == 1 else 's'} found; nothing was written."
    beside = f" See beside: {', '.join(labels)}." if labels else ""
    listed = bullets([text(each) for each in others])
    return f'<div class="bench-refused" role="alert"><p>✗ {text(head)}{text(beside)}</p>{listed}</div>'
