"""The pictures of the report: each answers one question and shows the records behind it as marks.

All are SVG of our own in the colours of the style sheet, light or dark. They are as wide as their frame, with
places in percent, marks and letters in pixels: a letter is as large on a phone as on a desk.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup, escape

from reliability.report.format import HARD_SPACE, is_known, money

# ---- Axes, and the few shapes that everything is drawn with


@dataclass(frozen=True)
class Scale:
    """A straight axis: its ends, and the round numbers written along it."""

    low: float
    high: float
    ticks: tuple[float, ...] = ()

    def at(self, value: float) -> float:
        """Place of a value in percent of the width; beyond an end, that end."""
        return round(100 * min(max((value - self.low) / (self.high - self.low), 0.0), 1.0), 1)


_SHARES = Scale(0.0, 1.0)


def round_numbers(low: float, high: float, most: int = 5, least: float = 0.0) -> tuple[float, ...]:
    """Give round numbers about evenly spread from just below one number to just above another."""
    raw = max((high - low) / most, least)
    power = 10.0 ** np.floor(np.log10(raw))
    steps = [each * power for each in (0.5, 1, 2, 5, 10) if each * power >= least]
    at = next(i for i, step in enumerate(steps) if step >= raw * (1 - 1e-9))
    for step in steps[at::-1]:
        first, last = np.floor(low / step + 1e-9), np.ceil(high / step - 1e-9)
        if np.floor(high / step + 1e-9) - np.ceil(low / step - 1e-9) >= 2:  # three of them between the ends
            break
    return tuple(float(i * step) for i in np.arange(first, last + 1))


def scale_of(*values: float) -> Scale:
    """Give an axis that holds 0 and some values (NaN apart) between round numbers."""
    known = [0.0, *(value for value in values if np.isfinite(value))]
    ticks = round_numbers(min(known), max(max(known), min(known) + 1.0))
    return Scale(ticks[0], ticks[-1], ticks)


def _between(low: float, high: float, most: int, least: float) -> Scale:
    """Give an axis with just these ends, and the round numbers between them."""
    return Scale(low, high, tuple(t for t in round_numbers(low, high, most, least) if low <= t <= high))


def _line(x1: float, x2: float, y1: float, y2: float, kind: str = "rail") -> str:
    return f'<line x1="{x1}%" x2="{x2}%" y1="{y1}" y2="{y2}" class="{kind}"/>'


def _block(left: float, right: float, y: float, height: float, kind: str) -> str:
    return f'<rect x="{left}%" width="{round(right - left, 1)}%" y="{y}" height="{height}" class="{kind}"/>'


def _shape(path: str, x: float, y: float, kind: str) -> str:
    """Put a path somewhere: it has no places in percent, but a drawing inside the drawing has."""
    return f'<svg x="{x}%" y="{y}" overflow="visible"><path d="{path}" class="{kind}"/></svg>'


def _words(said: str, x: float | str, y: float, anchor: str = "middle", kind: str = "") -> str:
    at, look = (x if isinstance(x, str) else f"{x}%"), f' class="{kind}"' if kind else ""
    return f'<text x="{at}" y="{y}" text-anchor="{anchor}"{look}>{escape(said)}</text>'


def _svg(kind: str, height: int, inside: Iterable[str], alt: str = "") -> Markup:
    named = f'role="img" aria-label="{escape(alt)}"' if alt else 'aria-hidden="true"'
    return Markup(f'<svg class="{kind}" width="100%" height="{height}" {named}>{"".join(inside)}</svg>')


# ---- Cells of tables


_MIDDLE, _CELL = 9, 18


def interval_cell(
    mean: float,
    low: float,
    high: float,
    *,
    found: float = np.nan,
    is_own: bool = True,
    radius: float = 5.0,
) -> Markup:
    """Draw a share: dot and 90 % interval from 0 to 100 %, a tick for what was found."""
    x, tick = _SHARES.at(mean), _SHARES.at(found) if is_known(found) else None
    look = f'r="{radius}" class="full"' if is_own else 'r="4.3" class="open"'
    return _svg("interval", _CELL, [
        _line(0, 100, _MIDDLE, _MIDDLE),
        _line(_SHARES.at(low), _SHARES.at(high), _MIDDLE, _MIDDLE, "interval"),
        "" if tick is None else _line(tick, tick, 1, 17, "ink tick"),
        f'<circle cx="{x}%" cy="{_MIDDLE}" {look}/>',
    ])  # fmt: skip


def price_cell(paid: float, ceiling: float, scale: Scale) -> Markup:
    """Draw two prices: what is paid, a ring, and the ceiling, a diamond; none where that is below zero."""
    parts = [_line(0, 100, _MIDDLE, _MIDDLE)]
    worth = ceiling if ceiling >= 0 else np.nan
    if is_known(paid) and is_known(worth):
        left, right = sorted((scale.at(paid), scale.at(worth)))
        parts.append(_line(left, right, _MIDDLE, _MIDDLE, "interval" if worth >= paid else "interval short"))
    if is_known(worth):
        parts.append(
            _shape("M0-6 6 0 0 6-6 0z", scale.at(worth), _MIDDLE, "other" if worth < paid else "full")
        )
    if is_known(paid):
        parts.append(f'<circle cx="{scale.at(paid)}%" cy="{_MIDDLE}" r="4.5" class="open ink"/>')
    return _svg("interval", _CELL, parts)


def bar_cell(value: float, scale: Scale) -> Markup:
    """Draw an amount as a bar from 0, to the left where it is a loss."""
    zero, bar = scale.at(0), ""
    if is_known(value):
        left, right = sorted((zero, scale.at(value)))
        bar = _block(left, right, 4, 10, "bad" if value < 0 else "full")
    return _svg("interval", _CELL, [_line(zero, zero, 0, _CELL), bar])


PARTS = ("full", "open", "other", "bad")
"""Looks of the parts of a stacked bar, in order; each has a rim, so that they part in print."""


def stacked_cell(counts: Sequence[int], most: int) -> Markup:
    """Draw counts as the parts of one bar, on an axis from 0 to `most`."""
    ends = [Scale(0.0, float(most)).at(each) for each in np.cumsum([0, *counts])]
    spans = zip(counts, ends, ends[1:], PARTS, strict=False)
    parts = (_block(left, right, 2, 14, f"part {look}") for n, left, right, look in spans if n)
    return _svg("interval", _CELL, parts)


# ---- Amounts as marks, those of about the same value stacked over an axis of money


_DOTS = {
    "full": '<circle cx="{x}%" cy="{y}" r="4.5" class="full"/>',
    "open": '<circle cx="{x}%" cy="{y}" r="3.8" class="open"/>',
    "other": '<rect x="{x}%" y="{y}" width="8" height="8" transform="translate(-4 -4)" class="other"/>',
    "open other": '<rect x="{x}%" y="{y}" width="7" height="7" transform="translate(-3.5 -3.5)" '
    'class="open other"/>',
}
"""Marks of equal value are stacked in this order, from the axis up: round and square are told apart without
colour."""

_KEY_MARKS = {
    **{each: drawn.format(x=50, y=8) for each, drawn in _DOTS.items()},
    **{f"part {each}": f'<rect x="1" y="1" width="12" height="10" class="part {each}"/>' for each in PARTS},
    "step": '<path d="M1 11H9V4H21" class="step"/>',
    "pooled": '<path d="M1 12Q12 12 21 3" class="pooled"/>',
    "line": '<path d="M1 12Q12 12 21 3" class="model"/>',
    "failed": '<path d="M7 4l8 8M15 4l-8 8" class="failed"/>',
    "sound": '<circle cx="11" cy="8" r="4" class="sound"/>',
    "today": '<path d="M11 1V14" class="today"/>',
}


def key(entries: Mapping[str, str]) -> Markup:
    """Explain the marks of a group of pictures once, in words; marks as in the drawings."""
    shown = []
    for mark, says in entries.items():
        width, height = (14, 12) if mark.startswith("part") else (22, 15)
        size = f'viewBox="0 0 {width} {height}" width="{width}" height="{height}"'
        drawn = f'<svg {size} class="curves" aria-hidden="true">{_KEY_MARKS[mark]}</svg>'
        shown.append(f"<li>{drawn}{escape(says)}</li>")
    return Markup(f'<ul class="key">{"".join(shown)}</ul>')


_PITCH, _MOST_STACKED = 11, 14
_COLUMNS = {"desk": (54, 6.5), "phone": (26, 3.2)}
"""Columns of dots across the width of a desk's page and of a phone's, and pixels in a percent of it."""


def dots(
    frame: pd.DataFrame,  # value, dot (a mark of the key): one dot per row
    scale: Scale,
    *,
    currency: str,
    alt: str,
    zones: Sequence[tuple[str, float]] = (),  # what to do up to which price
    paid: float = np.nan,  # the price usually paid
) -> Markup:
    """Stack one dot per row over an axis of money, at two widths of which one is shown."""
    drawn = []
    each = per_dot(frame, scale)
    for width, (columns, room) in _COLUMNS.items():
        marks = _stacked(frame, scale, columns, each)
        height = _PITCH * int(marks["up"].max() + 1 if len(marks) else 0) + 6
        base = height + (22 if zones else 0)
        parts = [_DOTS[row.dot].format(x=row.x, y=height - 6 - _PITCH * row.up) for row in marks.itertuples()]
        parts += _zones(zones, scale, room, height, paid) if zones else [_line(0, 100, base, base)]
        if scale.low < 0:
            zero = scale.at(0.0)
            parts.append(_line(zero, zero, 0, base, "ink"))
        for value in _apart([*(round(end) for _, end in zones[:-1]), scale.high, *scale.ticks], scale):
            said = money(value, currency if value == scale.high else "")
            parts.append(_words(said, *_anchored(scale.at(value), base + 15)))
        if is_known(paid):
            x = scale.at(paid)
            parts.append(_line(x, x, height - 2, base + 1, "ink tick"))
            parts.append(_words(f"usually paid {money(paid)}", *_anchored(x, base + 31), "ink"))
        drawn.append(_svg(f"marks {width}", base + (36 if is_known(paid) else 20), parts, alt))
    return Markup("").join(drawn)


def per_dot(frame: pd.DataFrame, scale: Scale) -> int:
    """Tell how many rows one dot stands for, at most: 1 unless stacks would grow too high."""
    heights = (_stacked(frame, scale, columns)["up"].max() + 1 for columns, _ in _COLUMNS.values())
    return max(1, int(np.ceil(max(heights) / _MOST_STACKED))) if len(frame) else 1


def _stacked(frame: pd.DataFrame, scale: Scale, columns: int, each: int = 1) -> pd.DataFrame:
    """Put one mark for up to so many rows of a dot into a column: dot, x, up (its place in the stack)."""
    place = np.array([scale.at(value) for value in frame["value"]])
    column = np.minimum(np.floor(place / 100 * columns), columns - 1)
    marks = pd.DataFrame({
        "x": np.round(100 * (column + 0.5) / columns, 1),
        "dot": pd.Categorical(frame["dot"], categories=list(_DOTS)),
    }).sort_values(["x", "dot"])  # fmt: skip
    marks = marks[marks.groupby(["x", "dot"], observed=True).cumcount() % each == 0]
    return marks.assign(up=marks.groupby("x").cumcount())


def _zones(zones: Sequence[tuple[str, float]], scale: Scale, room: float, y: int, paid: float) -> list[str]:
    parts, start, tick = [], 0.0, scale.at(paid) if is_known(paid) else 0.0
    for verdict, price in [*zones[:-1], (zones[-1][0], scale.high)]:
        left, right = scale.at(start), scale.at(price)
        kind = f"zone {verdict.replace(' ', '-')}"
        parts.append(_block(left, right, y, 18, kind))
        if left < tick < right:  # the word stands beside it
            left, right = (left, tick) if tick - left > right - tick else (tick, right)
        if (right - left) * room > 7.5 * len(verdict) + 6:  # else its bounds and the sentence above must do
            parts.append(_words(verdict, round((left + right) / 2, 1), y + 13, kind=kind))
        start = price
    return parts


def _apart(values: Sequence[float], scale: Scale) -> list[float]:
    """Keep the numbers that can stand beside each other on a phone; earlier ones come first."""
    kept: list[float] = []
    for value in values:
        # The last number carries the currency, and ends where the axis does.
        if all(abs(scale.at(value) - scale.at(other)) >= (22 if scale.high in (value, other) else 12)
               for other in kept):  # fmt: skip
            kept.append(value)
    return kept


def _anchored(x: float, y: float) -> tuple[float, float, str]:
    """Give words near an end of the axis the anchor with which they stay inside."""
    return x, y, "start" if x < 12 else "end" if x > 84 else "middle"


# ---- Curves over axes: they lie in a drawing within, stretched to its frame; lines keep their width


_TOP, _HEIGHT, _FINE = 24, 176, 1000
_PERCENT = f"{HARD_SPACE}%"


@dataclass(frozen=True)
class _Frame:
    """Axes of a picture with curves; a value is placed by them."""

    x: Scale
    y: Scale

    def down(self, value: float) -> float:
        """Place of a value in pixels from the top."""
        return round(_TOP + _HEIGHT * (1 - self.y.at(value) / 100), 1)

    def path(self, x: Any, y: Any, kind: str, end: str = "") -> str:
        """Join points by a line."""
        across, up = (
            np.clip((np.asarray(values, dtype=float) - axis.low) / (axis.high - axis.low), 0.0, 1.0)
            for values, axis in ((x, self.x), (y, self.y))
        )
        places = zip(_FINE * across, _FINE * (1 - up), strict=True)
        return (
            f'<path d="M{" ".join(f"{left:.0f} {down:.0f}" for left, down in places)}{end}" class="{kind}"/>'
        )

    def steps(self, x: Any, y: Any, kind: str) -> str:
        """Draw what stays as it is from each place to the next."""
        return self.path(np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1], kind)

    def band(self, x: Any, low: Any, high: Any, kind: str) -> str:
        """Fill what lies between two lines."""
        return self.path([*x, *x[::-1]], [*low, *high[::-1]], f"{kind} band", "z")

    def upright(self, value: float | None) -> str:
        """Draw a dashed line over the whole height; nothing where there is no place for it."""
        if value is None or not np.isfinite(value):
            return ""
        return _line(self.x.at(value), self.x.at(value), _TOP, _TOP + _HEIGHT, "today")

    def marks(self, records: pd.DataFrame) -> str:
        """Put records (x, y, count, is_failed) down as rings and crosses that grow with their count."""
        parts = []
        for row in records.itertuples():
            r, x, y = (
                round(0.55 * np.sqrt(16 + 10 * np.sqrt(row.count)), 1),
                self.x.at(row.x),
                self.down(row.y),
            )
            if row.is_failed:
                parts.append(_shape(f"M-{r}-{r} {r} {r}M{r}-{r}-{r} {r}", x, y, "failed"))
            else:
                parts.append(f'<circle cx="{x}%" cy="{y}" r="{r}" class="sound"/>')
        return "".join(parts)

    def picture(
        self,
        curves: str,
        marks: str,
        *,
        title: str,
        alt: str,
        says: str = "",
        across: str,  # what the axes are called
        up: str,
        below: Mapping[float, str] | None = None,  # written under the numbers of the level axis
        unit: str = "",  # follows those of the upright one
    ) -> Markup:
        """Set curves and marks between the axes, with a title, a reading help and a text of its own."""
        parts, base = [], _TOP + _HEIGHT
        for value in self.y.ticks:
            y = self.down(value)
            said = f"{value * (100 if unit else 1):.0f}{unit}"
            parts += [_line(0, 100, y, y, "grid"), _words(said, "-6", y + 4, "end")]
        for value in self.x.ticks:
            x = self.x.at(value)
            parts += [_line(x, x, _TOP, base, "grid"), _words(f"{value:.0f}", x, base + 16)]
            parts += [_words(below[value], x, base + 31)] if below else []
        foot = base + (47 if below else 33)
        parts += [_words(up, "-42", 12, "start"), _words(across, "100%", foot, "end")]
        parts.append(
            f'<svg y="{_TOP}" width="100%" height="{_HEIGHT}" viewBox="0 0 {_FINE} {_FINE}" '
            f'preserveAspectRatio="none">{curves}</svg>{marks}'
        )
        drawn = _svg("plot curves", foot + 6, parts, alt)
        head = f"<figcaption><strong>{escape(title)}</strong>{escape(says)}</figcaption>"
        return Markup(f"<figure>\n{head}\n{drawn}\n</figure>")


def life_curve(
    *,
    steps: pd.DataFrame,  # age_years, failed: the curve without a model; may be empty
    marks: pd.DataFrame,  # age_years, is_failed, count: the records
    pooled: pd.DataFrame,  # age_years, failed, low, high: what all families give, to the end of the axis
    model: pd.DataFrame | None = None,  # the same from these records alone; the band is then theirs
    last_record: float = np.inf,  # beyond it curves are dashed; the step ends here
    today_years: float | None = None,  # age of a usual unit today
    **words: Any,  # title, alt, says
) -> Markup:
    """Draw the share failed by age: models over their model-free twin, with the records as marks."""
    models = {"pooled": pooled} if model is None else {"pooled": pooled, "model": model}
    kind, band = list(models.items())[-1]
    end = float(pooled["age_years"].max())
    ticks = tuple(float(each) for each in range(0, int(end) + 1, 10 if end < 90 else 20))
    frame = _Frame(Scale(0.0, end, ticks), Scale(-0.16, 1.16, (0.0, 0.25, 0.5, 0.75, 1.0)))
    ages, low, high = (band[each].to_numpy() for each in ("age_years", "low", "high"))
    curves = [frame.band(ages, low, high, kind)]
    for kind, curve in models.items():
        # Both pieces meet at the last record.
        ages = np.union1d(curve["age_years"], [min(last_record, end)])
        failed = np.interp(ages, curve["age_years"], curve["failed"])
        for here, dash in ((ages <= last_record, ""), (ages >= last_record, " dashed")):
            if here.sum() > 1:
                curves.append(frame.path(ages[here], failed[here], kind + dash))
    if len(steps):
        last = max(min(last_record, float(marks["age_years"].max())), steps["age_years"].iloc[-1])
        ends = np.append(steps["failed"], steps["failed"].iloc[-1])
        curves.append(frame.steps(np.append(steps["age_years"], last), ends, "step"))
    # Failed records above 100 %, sound ones below 0 %; neighbours of a year would be printed on each other.
    step = max(2.0, np.ceil(marks["age_years"].max() / 26)) if len(marks) else 2.0
    binned = marks.assign(
        x=step * (marks["age_years"] / step).round(), y=np.where(marks["is_failed"], 1.08, -0.08)
    )
    binned = binned.groupby(["is_failed", "x", "y"], as_index=False)["count"].sum()
    drawn = frame.upright(today_years) + frame.marks(binned)
    words |= {"across": "Age in years", "up": "Failed by this age", "unit": _PERCENT}
    return frame.picture("".join(curves), drawn, **words)


def years(marks: pd.DataFrame, *, change_year: float, **words: Any) -> Markup:
    """Set age at inspection against production year, each record a mark."""
    ends = (
        _between(marks[each].min() - 1.0, marks[each].max() + 1.0, 5, 1.0) for each in ("year", "age_years")
    )
    frame = _Frame(*ends)
    placed = marks.assign(x=marks["year"], y=marks["age_years"]).sort_values("is_failed", kind="stable")
    drawn = frame.upright(change_year - 0.5) + frame.marks(placed)
    return frame.picture("", drawn, across="Year of production", up="Age at inspection in years", **words)


def comebacks(curve: pd.DataFrame, watched: np.ndarray, **words: Any) -> Markup:
    """Draw the share of repaired units that came back, by days since they were sold."""
    end = float(max(watched.max(), 1.0))
    top = min(1.0, 1.1 * float(np.nanmax(curve[["failed", "high"]].to_numpy(), initial=0.2)))
    frame = _Frame(_between(0.0, end, 4, 1.0), _between(0.0, top, 5, 0.01))
    band = curve.dropna(subset=["low", "high"])
    x = np.repeat(band["days"].to_numpy(), 2)[1:]
    low, high = (np.repeat(band[each].to_numpy(), 2)[:-1] for each in ("low", "high"))
    drawn = frame.band(x, low, high, "pooled") if len(band) else ""
    drawn += frame.steps([*curve["days"], end], [*curve["failed"], curve["failed"].iloc[-1]], "pooled")
    words["below"] = {day: f"{(watched >= day).sum()}" for day in frame.x.ticks}
    across = "Days since the sale; units still watched"
    return frame.picture(drawn, "", across=across, up="Came back", unit=_PERCENT, **words)
