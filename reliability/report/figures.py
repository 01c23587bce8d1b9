"""The pictures of the report. Each answers one question and shows the records behind it as marks."""

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from matplotlib.ticker import FuncFormatter, MaxNLocator, PercentFormatter

from reliability.report import words
from reliability.report.drawing import CARD, INK, MODEL, OTHER, SOFT, THIRD, drawing, picture
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
    with drawing(4.4, 3.6) as (figure, axes):
        axes.plot([0, 1], [0, 1], color=SOFT, linewidth=1.2, linestyle=(0, (3, 3)))
        axes.vlines(groups.forecast, groups.low, groups.high, color=MODEL, linewidth=2.4, alpha=0.55)
        axes.scatter(groups.forecast, groups.repaired, s=46, color=MODEL, zorder=3)
        for side in (axes.xaxis, axes.yaxis):
            side.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.set_xlim(-0.02, 1.02)
        axes.set_ylim(-0.02, 1.02)
        axes.set_xlabel("Forecast chance of a repair")
        axes.set_ylabel("Repaired")
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
        _group_axis(axes, frame.group, place)
        axes.set_xlabel(label)
        if is_share:
            axes.set_xlim(-0.02, 1.02)
            axes.xaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        return picture(figure, title=title, alt=alt, says=says, wide=True)


def _group_axis(axes: "Axes", names: pd.Series, place: np.ndarray) -> None:
    axes.set_yticks(place, [words.shortened(each, 22) for each in names], color=INK)
    axes.set_ylim(-0.7, len(place) - 0.3)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="y", visible=False)


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
        _group_axis(axes, frame.family, place)
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
    import seaborn as sns  # it takes a second to load, and only this picture needs it

    order = [
        each for each in ("repaired", "sold as is", "donor", "scrapped") if (frame.outcome == each).any()
    ]
    with drawing(4.6, 1.0 + 0.5 * len(order)) as (figure, axes):
        axes.axvline(0, color=SOFT, linewidth=1.2)
        sns.stripplot(
            data=frame,
            x="gain",
            y="outcome",
            order=order,
            jitter=False,
            size=7,
            color=MODEL,
            alpha=0.45,
            ax=axes,
        )
        look: dict[str, Any] = {
            "marker": "|",
            "markersize": 26,
            "markeredgewidth": 3.5,
            "color": OTHER,
            "linestyle": "none",
        }
        sns.pointplot(
            data=frame, x="gain", y="outcome", order=order, estimator="median", errorbar=None, ax=axes, **look
        )
        axes.set_ylabel("")
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
