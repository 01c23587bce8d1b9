"""The pictures of money and of what became of units: prices, gains, comebacks, forecasts."""

import numpy as np
import pandas as pd
from matplotlib.ticker import FuncFormatter, PercentFormatter

from reliability.report.drawing import CARD, INK, MODEL, OTHER, SOFT, THIRD, drawing, picture
from reliability.report.figures import group_axis


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
