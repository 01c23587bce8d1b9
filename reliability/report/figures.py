"""The pictures of the report. Each answers one question and shows the records behind it as marks."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator, PercentFormatter

from reliability.report import words
from reliability.report.drawing import CARD, INK, MODEL, OTHER, SOFT, drawing, picture
from reliability.report.html import text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

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
    axes.set_yticks(place, [words.shortened(each, 22) for each in names], color=INK)
    axes.set_ylim(-0.7, len(place) - 0.3)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", visible=False)
