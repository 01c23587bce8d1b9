"""The pictures of the report: each answers one question and shows the records behind it as marks."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from io import BytesIO
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, PercentFormatter

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
    "font.size": 10.5,
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
def drawing(width_inches: float = 4.4, height_inches: float = 3.0) -> Iterator[tuple[Figure, "Axes"]]:
    """Give an empty figure with one pair of axes in the report's look.

    Yields
    ------
    Figure, Axes
        Both are drawn with the settings of the report as long as the block lasts.
    """
    with mpl.rc_context():
        # Neither the reader's own settings nor what another library has set may change a page.
        mpl.rcdefaults()
        mpl.rcParams.update(_SETTINGS)
        figure = Figure(figsize=(width_inches, height_inches), layout="constrained")
        yield figure, figure.subplots()


def picture(figure: Figure, *, title: str, alt: str, says: str = "", wide: bool = False) -> str:
    """Close a figure: its title and reading help as text, the drawing as SVG with a text of its own.

    Parameters
    ----------
    figure : Figure
        Drawn inside `drawing`.
    title : str
        The question that the figure answers; plain text.
    alt : str
        What the figure shows, for those who cannot see it; plain text.
    says : str
        One sentence on how to read it; markup.
    wide : bool
        For figures that need the breadth of a page.

    Returns
    -------
    str
        A ``figure`` element.
    """
    memory = BytesIO()
    blank = {"Date": None, "Creator": None, "Format": None, "Type": None}
    # Not `savefig`: it draws everything once before, to find out what is laid out anyway as it is drawn.
    FigureCanvasSVG(figure).print_svg(memory, metadata=blank)
    svg = _tidied(memory.getvalue().decode("utf-8"), alt)
    kind = ' class="wide"' if wide else ""
    return f"<figure{kind}>\n<figcaption><strong>{text(title)}</strong>{says}</figcaption>\n{svg}\n</figure>"


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


# The pictures of the report. Each answers one question and shows the records behind it as marks.


_KEY_MARKS = {
    "step": f'<path d="M1 11H9V4H21" fill="none" stroke="var(--ink, {INK})" stroke-width="1.6"/>',
    "line": f'<path d="M1 12Q12 12 21 3" fill="none" stroke="var(--model, {MODEL})" stroke-width="2.4"/>',
    "band": f'<rect x="1" y="2" width="20" height="10" fill="var(--model, {MODEL})" opacity=".25"/>',
    "failed": f'<path d="M7 4l8 8M15 4l-8 8" stroke="var(--other, {OTHER})" stroke-width="2"/>',
    "sound": f'<circle cx="11" cy="8" r="4" fill="none" stroke="var(--ink, {INK})" stroke-width="1.6"/>',
    "today": f'<path d="M11 1V14" stroke="var(--soft, {SOFT})" stroke-width="1.6" stroke-dasharray="2 2"/>',
}


def key(**entries: str) -> str:
    """Explain the marks of a group of pictures once, in words; names as in the drawings.

    Parameters
    ----------
    **entries : str
        Mark (step, line, band, failed, sound, today) and what it stands for (plain text).
    """
    shown = [
        f'<li><svg viewBox="0 0 22 15" width="22" height="15" aria-hidden="true">{_KEY_MARKS[mark]}</svg>'
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
    model: pd.DataFrame,
    marks: pd.DataFrame,
    today_years: float | None = None,
) -> str:
    """Draw the share failed by age: a model over its model-free twin, with the records as marks.

    Parameters
    ----------
    title, alt, says : str
        As in `picture`.
    steps : DataFrame
        ``age_years``, ``failed``: the curve without a model; may be empty.
    model : DataFrame
        ``age_years``, ``failed``, ``low``, ``high``: the smooth curve and its band; may be empty.
    marks : DataFrame
        ``age_years``, ``is_failed``, ``count``: the records, failed ones on the upper rail, sound ones on
        the lower.
    today_years : float, optional
        Age of a typical unit today, drawn as a dashed line.

    Returns
    -------
    str
        A ``figure`` element.
    """
    with drawing() as (figure, axes):
        if len(model):
            axes.fill_between(model.age_years, model.low, model.high, color=MODEL, alpha=0.2, linewidth=0)
            axes.plot(model.age_years, model.failed, color=MODEL, linewidth=2.4)
        if len(steps):
            axes.step(steps.age_years, steps.failed, where="post", color=INK, linewidth=1.3)
        _rails(axes, marks)
        if today_years is not None and np.isfinite(today_years):
            axes.axvline(today_years, color=SOFT, linewidth=1.2, linestyle=(0, (3, 3)))
        _share_axis(axes)
        axes.set_xlabel("Age in years")
        axes.set_xlim(left=0)
        axes.xaxis.set_major_locator(MaxNLocator(nbins=7, integer=True))
        return picture(figure, title=title, alt=alt, says=says)


def _rails(axes: "Axes", marks: pd.DataFrame) -> None:
    """Put failed records above 100 %, sound ones below 0 %."""
    for is_failed, height in ((True, 1.08), (False, -0.08)):
        some = marks[marks.is_failed == is_failed]
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

    Returns
    -------
    str
        A ``figure`` element.
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
    axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
    axes.set_ylabel("Failed by this age")


def intervals(
    frame: pd.DataFrame, *, title: str, alt: str, says: str = "", label: str, is_share: bool = True
) -> str:
    """Compare groups: one row each, a dot for the estimate and a line for its interval.

    Parameters
    ----------
    frame : DataFrame
        ``group``, ``mean``, ``low``, ``high``, ``records``; drawn from the top in the given order. Groups
        without a record of their own get a hollow dot.
    title, alt, says : str
        As in `picture`.
    label : str
        What the horizontal axis measures, with its unit.
    is_share : bool
        Show the axis as percent from 0 to 100.

    Returns
    -------
    str
        A ``figure`` element.
    """
    with drawing(4.8, 0.9 + 0.34 * len(frame)) as (figure, axes):
        place = np.arange(len(frame))[::-1]
        axes.hlines(place, frame.low, frame.high, color=MODEL, linewidth=2.4, alpha=0.55)
        own = frame.records.to_numpy() > 0
        axes.scatter(frame["mean"][own], place[own], s=46, color=MODEL, zorder=3)
        axes.scatter(
            frame["mean"][~own],
            place[~own],
            s=40,
            facecolors=CARD,
            edgecolors=MODEL,
            linewidths=1.6,
            zorder=3,
        )
        group_axis(axes, frame.group, place)
        axes.set_xlabel(label)
        if is_share:
            axes.set_xlim(-0.02, 1.02)
            axes.xaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        return picture(figure, title=title, alt=alt, says=says, wide=True)


def group_axis(axes: "Axes", names: pd.Series, place: np.ndarray) -> None:
    """Name the rows of a picture that compares groups; long names are cut."""
    axes.set_yticks(place, [format.shortened(each, 22) for each in names], color=INK)
    axes.set_ylim(-0.7, len(place) - 0.3)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", visible=False)


# The pictures of money and of what became of units: prices, gains, comebacks, forecasts.


def price_gaps(frame: pd.DataFrame, *, currency: str, title: str, alt: str, says: str = "") -> str:
    """Set the price usually asked against the ceiling, family by family.

    Parameters
    ----------
    frame : DataFrame
        ``family``, ``asked``, ``ceiling``; the line between them is blue where the ceiling is the higher one.
    currency : str
        Unit of the axis.
    title, alt, says : str
        As in `picture`.

    Returns
    -------
    str
        A ``figure`` element.
    """
    with drawing(4.8, 0.9 + 0.34 * len(frame)) as (figure, axes):
        place = np.arange(len(frame))[::-1]
        worth_it = (frame.ceiling >= frame.asked).to_numpy()
        for some, colour, style in ((worth_it, MODEL, "solid"), (~worth_it, OTHER, (0, (2, 1.5)))):
            axes.hlines(
                place[some],
                frame.asked[some],
                frame.ceiling[some],
                color=colour,
                linewidth=3,
                alpha=0.6,
                linestyle=style,
            )
            axes.scatter(frame.ceiling[some], place[some], marker="D", s=42, color=colour, zorder=3)
        axes.scatter(frame.asked, place, s=40, facecolors=CARD, edgecolors=INK, linewidths=1.4, zorder=4)
        group_axis(axes, frame.family, place)
        axes.set_xlabel(currency)
        axes.axvline(0, color=SOFT, linewidth=1.2)
        axes.margins(x=0.05)
        return picture(figure, title=title, alt=alt, says=says, wide=True)


def gains(frame: pd.DataFrame, *, currency: str, title: str, alt: str, says: str = "") -> str:
    """Show what each finished job brought, by how it ended.

    Parameters
    ----------
    frame : DataFrame
        ``outcome``, ``gain``: one row per job.
    currency : str
        Unit of the axis.
    title, alt, says : str
        As in `picture`.

    Returns
    -------
    str
        A ``figure`` element.
    """
    order = [
        each for each in ("repaired", "sold as is", "donor", "scrapped") if (frame.outcome == each).any()
    ]
    with drawing(4.6, 1.0 + 0.5 * len(order)) as (figure, axes):
        axes.axvline(0, color=SOFT, linewidth=1.2)
        place = frame.outcome.map(order.index)
        axes.scatter(frame.gain, place, s=49, color=MODEL, alpha=0.45, linewidths=0, zorder=3)
        middle = frame.gain.groupby(place).median()
        axes.plot(
            middle,
            middle.index,
            linestyle="none",
            marker="|",
            markersize=26,
            markeredgewidth=3.5,
            color=OTHER,
        )
        axes.set_yticks(range(len(order)), order)
        axes.set_ylim(len(order) - 0.5, -0.5)
        axes.set_xlabel(f"Gain of the job in {currency}")
        axes.tick_params(axis="y", length=0, labelcolor=INK)
        axes.grid(axis="y", visible=False)
        return picture(figure, title=title, alt=alt, says=says)


def comebacks(curve: pd.DataFrame, *, title: str, alt: str, says: str = "") -> str:
    """Draw the share of repaired units that came back, by days since they were sold.

    Parameters
    ----------
    curve : DataFrame
        ``days``, ``failed``, ``low``, ``high``; NaN in the band where there is none.
    title, alt, says : str
        As in `picture`.

    Returns
    -------
    str
        A ``figure`` element.
    """
    with drawing() as (figure, axes):
        band = curve.dropna(subset=["low", "high"])
        axes.fill_between(band.days, band.low, band.high, step="post", color=THIRD, alpha=0.2, linewidth=0)
        axes.step(curve.days, curve.failed, where="post", color=THIRD, linewidth=2.2)
        top = float(np.nanmax(curve[["failed", "high"]].to_numpy(), initial=0.2))
        axes.set_ylim(0, min(1.0, 1.1 * top))
        axes.set_xlim(left=0)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{100 * value:.0f} %"))
        axes.set_ylabel("Came back")
        axes.set_xlabel("Days since the sale")
        return picture(figure, title=title, alt=alt, says=says)


def forecasts(groups: pd.DataFrame, *, title: str, alt: str, says: str = "") -> str:
    """Set what came of jobs against their forecast chance, in groups of rising forecast.

    Parameters
    ----------
    groups : DataFrame
        ``forecast``, ``repaired``, ``low``, ``high``, ``n_jobs``.
    title, alt, says : str
        As in `picture`.

    Returns
    -------
    str
        A ``figure`` element.
    """
    import seaborn as sns  # it takes a second to load, and only this picture needs it

    with drawing(4.4, 3.6) as (figure, axes):
        axes.plot([0, 1], [0, 1], color=SOFT, linewidth=1.2, linestyle=(0, (3, 3)))
        axes.vlines(groups.forecast, groups.low, groups.high, color=MODEL, linewidth=2.4, alpha=0.55)
        sns.scatterplot(
            groups, x="forecast", y="repaired", s=46, color=MODEL, edgecolor="none", zorder=3, ax=axes
        )
        for side in (axes.xaxis, axes.yaxis):
            side.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.02, 1.02)
        axes.set_xlabel("Forecast chance of a repair")
        axes.set_ylabel("Repaired")
        return picture(figure, title=title, alt=alt, says=says)
