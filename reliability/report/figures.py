"""The pictures of the report: each answers one question and shows the records behind it as marks."""

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from io import BytesIO
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, MultipleLocator, PercentFormatter

from reliability.report import format
from reliability.report.format import text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# From a matplotlib figure to a picture inside the page that follows its colours, light or dark.


# Name of a colour in the style sheet -> the hex code by which the drawing knows it. Each code is used once.
INK, SOFT, LINE = "#1d2731", "#55616d", "#d8d4c9"
MODEL, OTHER, THIRD, CARD = "#16557f", "#9a5800", "#713a75", "#ffffff"
_STYLE_NAMES = {
    INK: "ink",
    SOFT: "soft",
    LINE: "line",
    MODEL: "model",
    OTHER: "other",
    THIRD: "third",
    CARD: "card",
}

_SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "benchodds",
    "text.parse_math": False,
    "font.family": ["DejaVu Sans"],
    "font.size": 12,
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": SOFT,
    "axes.facecolor": "none",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": LINE,
    "grid.linewidth": 0.7,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "figure.facecolor": "none",
    "legend.frameon": False,
}

_LETTERS = re.compile(r"font-family: [^;\"]*;? ?")


@contextmanager
def drawing(bottom: float = 0.2) -> Iterator[tuple[Figure, "Axes"]]:
    """Give an empty figure with one pair of axes in the report's look."""
    with mpl.rc_context():
        # Neither the reader's own settings nor what another library has set may change a page.
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        # Small, so that its letters are large; fixed margins, for to measure them takes as long as to draw.
        figure = Figure(figsize=(4.2, 2.9))
        frame = {"left": 0.2, "right": 0.97, "bottom": bottom, "top": 0.97}
        yield figure, figure.subplots(gridspec_kw=frame)


def picture(figure: Figure, *, title: str, alt: str, says: str = "") -> str:
    """Close a figure: its title and reading help as text, the drawing as SVG with a text of its own."""
    memory = BytesIO()
    blank = {"Date": None, "Creator": None, "Format": None, "Type": None}
    # Not `savefig`: it draws everything once before, to find out what is laid out anyway as it is drawn.
    FigureCanvasSVG(figure).print_svg(memory, metadata=blank)
    svg = _tidied(memory.getvalue().decode("utf-8"), alt)
    return f"<figure>\n<figcaption><strong>{text(title)}</strong>{says}</figcaption>\n{svg}\n</figure>"


def _tidied(svg: str, alt: str) -> str:
    """Strip what a page does not need, and name the parts so that two pictures never share a name."""
    body = svg[svg.index("<svg") :]
    box = re.search(r'viewBox="([^"]*)"', body)
    if box is None:
        raise ValueError("matplotlib wrote a picture without a viewBox")
    inside = body[body.index(">") + 1 : body.rindex("</svg>")]
    inside = re.sub(r"<metadata>.*?</metadata>", "", inside, flags=re.DOTALL)
    inside = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", inside, flags=re.DOTALL)
    inside = re.sub(r"<!--.*?-->", "", inside, flags=re.DOTALL)
    inside = _LETTERS.sub("", _own_names(inside).replace("xlink:href", "href"))
    for code, name in _STYLE_NAMES.items():
        inside = inside.replace(code, f"var(--{name}, {code})")
    lines = "\n".join(line.strip() for line in inside.splitlines() if line.strip())
    return f'<svg class="plot" viewBox="{box[1]}" role="img" aria-label="{text(alt)}">\n{lines}\n</svg>'


def _own_names(inside: str) -> str:
    """Keep only the identifiers that something refers to, each with a mark of this one picture."""
    mark = sha256(inside.encode()).hexdigest()[:8]
    used = set(re.findall(r'(?:href="#|url\(#)([^")]+)', inside))
    inside = re.sub(r' id="([^"]+)"', lambda found: found[0] if found[1] in used else "", inside)
    return re.sub(r'( id="|href="#|url\(#)', rf"\g<1>{mark}-", inside)


# Simple marks, as SVG that is as wide as its frame: places in percent, marks and letters in pixels, so that a
# letter is as large on a phone as on a desk.


@dataclass(frozen=True)
class Scale:
    """A straight axis: its ends, and the round numbers written along it."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def at(self, value: float) -> float:
        """Place of a value in percent of the width; beyond an end, that end."""
        return round(100 * min(max((value - self.low) / (self.high - self.low), 0.0), 1.0), 1)


def scale_of(*values: float) -> Scale:
    """Give an axis that holds 0 and some values (NaN apart) between round numbers."""
    known = [0.0, *(value for value in values if np.isfinite(value))]
    ends = min(known), max(max(known), min(known) + 1.0)
    ticks = MaxNLocator(nbins=5, steps=[1, 2, 5, 10], min_n_ticks=3).tick_values(*ends)
    return Scale(float(ticks[0]), float(ticks[-1]), tuple(map(float, ticks)))


_DOTS = {
    "full": '<circle cx="{x}%" cy="{y}" r="4.5" class="full"/>',
    "open": '<circle cx="{x}%" cy="{y}" r="3.8" class="open"/>',
    "other": '<rect x="{x}%" y="{y}" width="8" height="8" transform="translate(-4 -4)" class="other"/>',
    "open other": '<rect x="{x}%" y="{y}" width="7" height="7" transform="translate(-3.5 -3.5)" '
    'class="open other"/>',
}
"""Marks of equal value are stacked in this order, from the axis up: round and square are told apart without
colour."""

_PITCH, _MOST_STACKED = 11, 14
_COLUMNS = {"desk": 54, "phone": 26}
"""Columns of dots across the width of a desk's page, and of a phone's."""


def dots(frame: pd.DataFrame, scale: Scale, *, currency: str, alt: str) -> str:
    """Stack one dot per row over an axis of money, those of about the same value on each other."""
    return "".join(_dot_plot(frame, scale, width, currency, alt) for width in _COLUMNS)


def price_line(
    frame: pd.DataFrame,
    zones: Sequence[tuple[str, float]],
    scale: Scale,
    *,
    currency: str,
    alt: str,
    paid: float = np.nan,
) -> str:
    """Draw what to do at each price, with the price usually paid and every unit bought as a dot above."""
    return "".join(_dot_plot(frame, scale, width, currency, alt, zones, paid) for width in _COLUMNS)


def per_dot(frame: pd.DataFrame, scale: Scale) -> int:
    """Tell how many rows one dot stands for, at most: 1 unless stacks would grow too high."""
    stacks = [_stacks(frame, scale, columns) for columns in _COLUMNS.values()]
    tallest = max(each.groupby("column")["n"].sum().max() for each in stacks)
    return max(1, int(np.ceil(tallest / _MOST_STACKED)))


def _stacks(frame: pd.DataFrame, scale: Scale, columns: int) -> pd.DataFrame:
    """Count rows by column and dot: column, dot, n."""
    place = np.array([scale.at(value) for value in frame["value"]])
    column = np.minimum(np.floor(place / 100 * columns), columns - 1)
    dot = pd.Categorical(frame["dot"], categories=list(_DOTS))
    counts = pd.DataFrame({"column": column, "dot": dot}).value_counts().rename("n").reset_index()
    return counts.sort_values(["column", "dot"], ignore_index=True)


def _dot_plot(
    frame: pd.DataFrame,
    scale: Scale,
    width: str,
    currency: str,
    alt: str,
    zones: Sequence[tuple[str, float]] = (),
    paid: float = np.nan,
) -> str:
    columns, each = _COLUMNS[width], per_dot(frame, scale) if len(frame) else 1
    stacks = _stacks(frame, scale, columns).assign(drawn=lambda some: np.ceil(some["n"] / each).astype(int))
    height = _PITCH * int(stacks.groupby("column")["drawn"].sum().max() if len(stacks) else 0) + 6
    parts, level = [], dict.fromkeys(stacks["column"], 0)
    for row in stacks.itertuples():
        for _ in range(row.drawn):
            y = height - 6 - _PITCH * level[row.column]
            parts.append(_DOTS[row.dot].format(x=round(100 * (row.column + 0.5) / columns, 1), y=y))
            level[row.column] += 1
    bar = 22 if zones else 0
    base = height + bar
    parts += _zones(zones, scale, width, height) if zones else [_line(0, 100, base)]
    if scale.low < 0:
        x = scale.at(0.0)
        parts.append(f'<line x1="{x}%" x2="{x}%" y1="0" y2="{base}" class="ink"/>')
    bounds = [round(end) for _, end in zones[:-1]]
    for value in _apart([*bounds, scale.high, *scale.ticks], scale):
        said = format.money(value, currency) if value == scale.high else format.money(value, "").strip()
        parts.append(_words(said, scale.at(value), base + 15))
    if format.is_known(paid):
        x = scale.at(paid)
        parts.append(f'<line x1="{x}%" x2="{x}%" y1="{height - 2}" y2="{base + 1}" class="ink tick"/>')
        parts.append(_words(f"usually paid {format.money(paid, '').strip()}", x, base + 31, "ink"))
    total = base + (36 if format.is_known(paid) else 20)
    return _svg(f"marks {width}", total, alt, "".join(parts))


def _zones(zones: Sequence[tuple[str, float]], scale: Scale, width: str, y: int) -> list[str]:
    parts, start, room = [], 0.0, {"desk": 6.5, "phone": 3.2}[width]
    for verdict, price in [*zones[:-1], (zones[-1][0], scale.high)]:
        left, right = scale.at(start), scale.at(price)
        kind = verdict.replace(" ", "-")
        parts.append(
            f'<rect x="{left}%" width="{round(right - left, 1)}%" y="{y}" height="18" class="zone {kind}"/>'
        )
        if (right - left) * room > 7.5 * len(verdict) + 6:  # else its bounds and the sentence above must do
            x = round((left + right) / 2, 1)
            parts.append(
                f'<text x="{x}%" y="{y + 13}" text-anchor="middle" class="zone {kind}">{verdict}</text>'
            )
        start = price
    return parts


def _apart(values: Sequence[float], scale: Scale) -> list[float]:
    """Keep the numbers that can stand beside each other on a phone; earlier ones come first."""
    kept: list[float] = []
    for value in values:
        # The last number carries the currency, and ends where the axis does.
        room = [22 if scale.high in (value, other) else 12 for other in kept]
        if all(
            abs(scale.at(value) - scale.at(other)) >= each for other, each in zip(kept, room, strict=True)
        ):
            kept.append(value)
    return kept


def _words(said: str, x: float, y: int, kind: str = "") -> str:
    anchor = "start" if x < 12 else ("end" if x > 84 else "middle")
    return f'<text x="{x}%" y="{y}" text-anchor="{anchor}" class="{kind}">{text(said)}</text>'


def _line(start: float, end: float, y: float, kind: str = "rail") -> str:
    return f'<line x1="{start}%" x2="{end}%" y1="{y}" y2="{y}" class="{kind}"/>'


def _svg(kind: str, height: int, alt: str, inside: str) -> str:
    named = f'role="img" aria-label="{text(alt)}"' if alt else 'aria-hidden="true"'
    return f'<svg class="{kind}" width="100%" height="{height}" {named}>{inside}</svg>'


def interval_cell(
    mean: float,
    low: float,
    high: float,
    *,
    found: float = np.nan,
    is_own: bool = True,
    radius: float = 5.0,
    alt: str = "",
) -> str:
    """Draw a share for a table cell: dot and 90 % interval from 0 to 100 %, a tick for what was found."""
    axis = Scale(0.0, 1.0, ())
    x = axis.at(mean)
    parts = [_line(0, 100, 9), _line(axis.at(low), axis.at(high), 9, "interval")]
    if format.is_known(found):
        parts.append(f'<line x1="{axis.at(found)}%" x2="{axis.at(found)}%" y1="1" y2="17" class="ink tick"/>')
    parts.append(
        f'<circle cx="{x}%" cy="9" r="{radius if is_own else 4.3}" class="{"full" if is_own else "open"}"/>'
    )
    return _svg("interval", 18, alt, "".join(parts))


def price_cell(paid: float, ceiling: float, scale: Scale, *, alt: str = "") -> str:
    """Draw two prices for a cell of a table: what is paid, a ring, and the ceiling, a diamond."""
    parts = [_line(0, 100, 9)]
    if format.is_known(paid) and format.is_known(ceiling):
        left, right = sorted((scale.at(paid), scale.at(ceiling)))
        parts.append(_line(left, right, 9, "interval" if ceiling >= paid else "interval short"))
    if scale.low < 0:
        parts.append(f'<line x1="{scale.at(0)}%" x2="{scale.at(0)}%" y1="1" y2="17" class="rail"/>')
    if format.is_known(ceiling):
        kind = "full" if not ceiling < paid else "other"
        # A drawing inside the drawing: a path has no places in percent, but its frame has.
        mark = f'<path d="M0-6 6 0 0 6-6 0z" class="{kind}"/>'
        parts.append(f'<svg x="{scale.at(ceiling)}%" y="9" overflow="visible">{mark}</svg>')
    if format.is_known(paid):
        parts.append(f'<circle cx="{scale.at(paid)}%" cy="9" r="4.5" class="open ink"/>')
    return _svg("interval", 18, alt, "".join(parts))


def bar_cell(value: float, scale: Scale) -> str:
    """Draw an amount for a cell of a table: a bar from 0, to the left where it is a loss."""
    zero = scale.at(0)
    axis = f'<line x1="{zero}%" x2="{zero}%" y1="0" y2="18" class="rail"/>'
    if not format.is_known(value):
        return _svg("interval", 18, "", axis)
    left, right = sorted((zero, scale.at(value)))
    width = round(right - left, 1)
    bar = f'<rect x="{left}%" width="{width}%" y="4" height="10" class="{"bad" if value < 0 else "full"}"/>'
    return _svg("interval", 18, "", axis + bar)


_PARTS = ("full", "open", "other", "bad")
"""Looks of the parts of a stacked bar, in order; each has a rim, so that they part in print."""


def stacked_cell(counts: Sequence[int], most: int) -> str:
    """Draw counts for a cell of a table: the parts of one bar, on an axis from 0 to `most`."""
    axis, start, parts = Scale(0.0, float(most), ()), 0, []
    for count, look in zip(counts, _PARTS, strict=True):
        left, right = axis.at(start), axis.at(start + count)
        if count:
            width = round(right - left, 1)
            parts.append(f'<rect x="{left}%" width="{width}%" y="2" height="14" class="part {look}"/>')
        start += count
    return _svg("interval", 18, "", "".join(parts))


def part_key(names: Sequence[str]) -> str:
    """Explain the parts of stacked bars, in their order; plain text."""
    shown = [
        f'<li><svg width="14" height="12" aria-hidden="true"><rect x="1" y="1" width="12" height="10" '
        f'class="part {look}"/></svg>{text(each)}</li>'
        for each, look in zip(names, _PARTS, strict=True)
    ]
    return f'<ul class="key">{"".join(shown)}</ul>'


def fault_map(
    failed: pd.DataFrame,
    records: pd.DataFrame,
    *,
    rows: Mapping[str, str],
    columns: Mapping[str, str],
    caption: str,
    says: str,
) -> str:
    """Set chances as a grid: a stronger colour is likelier, a larger dot has more records behind it.

    Parameters
    ----------
    failed : DataFrame
        Chance by family (index) and component (columns); NaN where a family has no such component.
    records : DataFrame
        Records behind each, in the same shape.
    rows, columns : mapping
        Markup that names each family and component.
    caption, says : str
        As in `reliability.report.format.table`.
    """
    heads = "".join(f'<th scope="col"><span>{columns[each]}</span></th>' for each in failed.columns)
    lines, most = [], int(records.to_numpy().max(initial=1))
    for each in failed.index:
        cells = "".join(
            _fault(failed.at[each, column], int(records.at[each, column]), most, str(column))
            for column in failed.columns
        )
        lines.append(f'<tr><th scope="row">{rows[each]}</th>{cells}</tr>')
    head = f'<thead><tr><th scope="col">Family</th>{heads}</tr></thead>'
    told = f"<caption><strong>{text(caption)}</strong><span>{text(says)}</span></caption>"
    return f'<table class="faults">{told}{head}\n<tbody>\n' + "\n".join(lines) + "\n</tbody></table>"


def _fault(chance: float, records: int, most: int, component: str) -> str:
    if not format.is_known(chance):
        return '<td class="none"></td>'
    # Tenths keep the text readable on every tint: the strongest one is 55 % of the full colour.
    tint = f"background: color-mix(in srgb, var(--heat) {5.5 * round(10 * chance):.0f}%, var(--card))"
    size = max(6.5 * np.sqrt(records / most), 1.0)
    dot = f'<circle cx="7" cy="7" r="{size:.1f}"/>' if records else '<circle cx="7" cy="7" r="2" class="no"/>'
    said = (
        format.share(chance)
        .removesuffix(f"{format.HARD_SPACE}%")
        .replace("under ", "<")
        .replace("over ", ">")
    )
    return (
        f'<td style="{tint}"><span class="narrow">{format.name(component)} </span>{text(said)}'
        f'<svg width="14" height="14" aria-hidden="true">{dot}</svg>'
        f'<span class="hidden"> % failed, {format.counted(records, "record")}</span></td>'
    )


def count_dots(number: int, most: int = 40) -> str:
    """Show a small count as that many dots with the number, the more the smaller; above `most` the number."""
    if not 0 < number <= most:
        return str(number or "none")
    pitch = min(11.0, 88 / number)
    drawn = "".join(
        f'<circle cx="{pitch * (i + 0.5):.1f}" cy="6" r="{0.41 * pitch:.1f}" class="bad"/>'
        for i in range(number)
    )
    size = f'width="{pitch * number:.0f}" height="12"'
    return f'<span class="count"><svg class="count" {size} aria-hidden="true">{drawn}</svg> {number}</span>'


# The pictures of the report. Each answers one question and shows the records behind it as marks.


_KEY_MARKS = {
    "step": f'<path d="M1 11H9V4H21" fill="none" stroke="var(--ink, {INK})" stroke-width="1.6"/>',
    "pooled": f'<path d="M1 12Q12 12 21 3" fill="none" stroke="var(--third, {THIRD})" stroke-width="2"/>',
    "line": f'<path d="M1 12Q12 12 21 3" fill="none" stroke="var(--model, {MODEL})" stroke-width="2.4"/>',
    "band": f'<rect x="1" y="2" width="20" height="10" fill="var(--model, {MODEL})" opacity=".25"/>',
    "failed": f'<path d="M7 4l8 8M15 4l-8 8" stroke="var(--other, {OTHER})" stroke-width="2"/>',
    "sound": f'<circle cx="11" cy="8" r="4" fill="none" stroke="var(--ink, {INK})" stroke-width="1.6"/>',
    "today": f'<path d="M11 1V14" stroke="var(--soft, {SOFT})" stroke-width="1.6" stroke-dasharray="2 2"/>',
}


def key(**entries: str) -> str:
    """Explain the marks of a group of pictures once, in words; names as in the drawings."""
    marks = {**_KEY_MARKS, **{each: drawn.format(x=50, y=8) for each, drawn in _DOTS.items()}}
    shown = [
        f'<li><svg viewBox="0 0 22 15" width="22" height="15" aria-hidden="true">{marks[mark]}</svg>'
        f"{text(says)}</li>"
        for mark, says in entries.items()
    ]
    return f'<ul class="key">{"".join(shown)}</ul>'


def life_curve(
    *,
    title: str,
    alt: str,
    says: str = "",
    steps: pd.DataFrame,
    marks: pd.DataFrame,
    pooled: pd.DataFrame,
    model: pd.DataFrame | None = None,
    last_record: float = np.inf,
    today_years: float | None = None,
    last_age: float | None = None,
) -> str:
    """Draw the share failed by age: models over their model-free twin, with the records as marks.

    Parameters
    ----------
    title, alt, says : str
        As in `picture`.
    steps : DataFrame
        ``age_years``, ``failed``: the curve without a model; may be empty.
    marks : DataFrame
        ``age_years``, ``is_failed``, ``count``: the records, failed ones on the upper rail, sound ones on
        the lower.
    pooled, model : DataFrame
        ``age_years``, ``failed``, ``low``, ``high``: the curve that all families give, and that of these
        records alone; the band is that of the latter where there is one.
    last_record : float
        Age beyond which curves are dashed, for no record lies there; the step ends here.
    today_years : float, optional
        Age of a usual unit today, drawn as an upright line.
    last_age : float, optional
        End of the axis, where several pictures share one.
    """
    curves = [(pooled, THIRD, 1.8)] + ([] if model is None else [(model, MODEL, 2.4)])
    with drawing() as (figure, axes):
        band, colour, _ = curves[-1]
        axes.fill_between(band.age_years, band.low, band.high, color=colour, alpha=0.18, linewidth=0)
        for curve, colour, width in curves:
            for is_seen, style in ((True, "solid"), (False, (0, (3, 2)))):
                # Both pieces meet at the last record.
                ages = np.union1d(curve.age_years, [min(last_record, curve.age_years.max())])
                ages = ages[ages <= last_record] if is_seen else ages[ages >= last_record]
                if ages.size > 1:
                    failed = np.interp(ages, curve.age_years, curve.failed)
                    axes.plot(ages, failed, color=colour, linewidth=width, linestyle=style)
        if len(steps):
            end = min(last_record, float(marks.age_years.max()))
            ends = [*steps.age_years, max(end, steps.age_years.iloc[-1])]
            axes.step(ends, [*steps.failed, steps.failed.iloc[-1]], where="post", color=INK, linewidth=1.3)
        _rails(axes, marks)
        if today_years is not None and np.isfinite(today_years):
            axes.axvline(today_years, color=SOFT, linewidth=1.2, linestyle=(0, (3, 3)))
        _share_axis(axes)
        axes.set_xlabel("Age in years")
        axes.set_xlim(0, last_age)
        axes.xaxis.set_major_locator(MultipleLocator(10))
        return picture(figure, title=title, alt=alt, says=says)


def _rails(axes: "Axes", marks: pd.DataFrame) -> None:
    """Put failed records above 100 %, sound ones below 0 %."""
    # Neighbours of a year would be printed on each other.
    step = max(2.0, np.ceil(marks.age_years.max() / 26)) if len(marks) else 2.0
    binned = marks.assign(age_years=step * (marks.age_years / step).round())
    binned = binned.groupby(["age_years", "is_failed"], as_index=False)["count"].sum()
    for is_failed, height in ((True, 1.08), (False, -0.08)):
        some = binned[binned.is_failed == is_failed]
        _marks(axes, some.age_years, np.full(len(some), height), some["count"], is_failed)


def _marks(axes: "Axes", x: Any, y: Any, count: pd.Series, is_failed: bool) -> None:
    """Put records down as crosses (failed) or rings (sound); a mark grows with what it stands for."""
    look: dict[str, Any] = {"marker": "o", "facecolors": "none", "edgecolors": INK, "linewidths": 1.1}
    if is_failed:
        look = {"marker": "x", "color": OTHER, "linewidths": 1.5}
    if len(count):
        axes.scatter(x, y, s=16 + 10 * np.sqrt(count), **look)


def years(marks: pd.DataFrame, *, change_year: float | None, title: str, alt: str, says: str = "") -> str:
    """Set age at inspection against production year, each record a mark.

    Parameters
    ----------
    marks : DataFrame
        ``year``, ``age_years``, ``is_failed``, ``count``.
    change_year : float, optional
        First year of the later cohort, where a change stands out.
    title, alt, says : str
        As in `picture`.
    """
    with drawing() as (figure, axes):
        for is_failed in (False, True):
            some = marks[marks.is_failed == is_failed]
            _marks(axes, some.year, some.age_years, some["count"], is_failed)
        if change_year is not None:
            axes.axvline(change_year - 0.5, color=SOFT, linewidth=1.2, linestyle=(0, (3, 3)))
        axes.set_xlabel("Year of production")
        axes.set_ylabel("Age at inspection in years")
        axes.xaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        axes.yaxis.set_major_locator(MaxNLocator(nbins=6, integer=True))
        axes.margins(0.08)
        return picture(figure, title=title, alt=alt, says=says)


def _share_axis(axes: "Axes") -> None:
    axes.set_ylim(-0.16, 1.16)
    axes.set_yticks([0, 0.25, 0.5, 0.75, 1])
    axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0, symbol=f"{format.HARD_SPACE}%"))
    axes.set_ylabel("Failed by this age")


def comebacks(curve: pd.DataFrame, watched: np.ndarray, *, title: str, alt: str, says: str = "") -> str:
    """Draw the share of repaired units that came back, by days since they were sold.

    Parameters
    ----------
    curve : DataFrame
        ``days``, ``failed``, ``low``, ``high``; NaN in the band where there is none.
    watched : ndarray
        Days after which the last was heard of each unit: how many are still watched is written below.
    title, alt, says : str
        As in `picture`.
    """
    with drawing(bottom=0.26) as (figure, axes):
        band = curve.dropna(subset=["low", "high"])
        axes.fill_between(band.days, band.low, band.high, step="post", color=THIRD, alpha=0.2, linewidth=0)
        end = float(watched.max())
        axes.step(
            [*curve.days, end],
            [*curve.failed, curve.failed.iloc[-1]],
            where="post",
            color=THIRD,
            linewidth=2.2,
        )
        top = float(np.nanmax(curve[["failed", "high"]].to_numpy(), initial=0.2))
        axes.set_ylim(0, min(1.0, 1.1 * top))
        axes.set_xlim(left=0)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f} %"))
        axes.set_ylabel("Came back")
        axes.set_xlabel("Days since the sale; units still watched")
        axes.xaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda day, _: f"{day:.0f}\n{(watched >= day).sum()}"))
        return picture(figure, title=title, alt=alt, says=says)
