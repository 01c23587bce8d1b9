"""The pictures of the report: each answers one question and shows the records behind it as marks."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from reliability.report import format
from reliability.report.format import text

# All pictures are SVG of our own in the colours of the style sheet, light or dark. They are as wide as their
# frame, with places in percent, marks and letters in pixels: a letter is as large on a phone as on a desk.


@dataclass(frozen=True)
class Scale:
    """A straight axis: its ends, and the round numbers written along it."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def at(self, value: float) -> float:
        """Place of a value in percent of the width; beyond an end, that end."""
        return round(100 * min(max((value - self.low) / (self.high - self.low), 0.0), 1.0), 1)


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


def dots(
    frame: pd.DataFrame,
    scale: Scale,
    *,
    currency: str,
    alt: str,
    zones: Sequence[tuple[str, float]] = (),  # what to do up to which price
    paid: float = np.nan,  # the price usually paid
) -> str:
    """Stack one dot per row over an axis of money, those of about the same value on each other."""
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
    zones: Sequence[tuple[str, float]],
    paid: float,
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
    parts += (
        _zones(zones, scale, width, height, scale.at(paid) if format.is_known(paid) else 0.0)
        if zones
        else [_line(0, 100, base)]
    )
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


def _zones(zones: Sequence[tuple[str, float]], scale: Scale, width: str, y: int, tick: float) -> list[str]:
    parts, start, room = [], 0.0, {"desk": 6.5, "phone": 3.2}[width]
    for verdict, price in [*zones[:-1], (zones[-1][0], scale.high)]:
        left, right = scale.at(start), scale.at(price)
        kind = verdict.replace(" ", "-")
        parts.append(
            f'<rect x="{left}%" width="{round(right - left, 1)}%" y="{y}" height="18" class="zone {kind}"/>'
        )
        if left < tick < right:  # the word stands beside it
            left, right = (left, tick) if tick - left > right - tick else (tick, right)
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
    return _svg("interval", 18, "", "".join(parts))


def price_cell(paid: float, ceiling: float, scale: Scale) -> str:
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
    return _svg("interval", 18, "", "".join(parts))


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
    failed: pd.DataFrame,  # chance by family (index) and component (columns); NaN where it has none
    records: pd.DataFrame,  # records behind each, in the same shape
    *,
    rows: Mapping[str, str],  # markup that names each family, and each component
    columns: Mapping[str, str],
    caption: str,
    says: str,
) -> str:
    """Set chances as a grid: a stronger colour is likelier, a larger dot has more records behind it."""
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


# Curves over axes. The curves lie in a drawing within, stretched to its frame; their lines keep their width.


_KEY_MARKS = {
    "step": '<path d="M1 11H9V4H21" class="step"/>',
    "pooled": '<path d="M1 12Q12 12 21 3" class="pooled"/>',
    "line": '<path d="M1 12Q12 12 21 3" class="model"/>',
    "failed": '<path d="M7 4l8 8M15 4l-8 8" class="failed"/>',
    "sound": '<circle cx="11" cy="8" r="4" class="sound"/>',
    "today": '<path d="M11 1V14" class="today"/>',
}


def key(**entries: str) -> str:
    """Explain the marks of a group of pictures once, in words; names as in the drawings."""
    marks = {**_KEY_MARKS, **{each: drawn.format(x=50, y=8) for each, drawn in _DOTS.items()}}
    shown = [
        f'<li><svg viewBox="0 0 22 15" width="22" height="15" class="curves" aria-hidden="true">'
        f"{marks[mark]}</svg>{text(says)}</li>"
        for mark, says in entries.items()
    ]
    return f'<ul class="key">{"".join(shown)}</ul>'


_TOP, _HEIGHT, _FINE = 24, 176, 1000


@dataclass(frozen=True)
class _Frame:
    """Axes of a picture with curves; a value is placed by them."""

    x: Scale
    y: Scale

    def down(self, value: float) -> float:
        """Place of a value in pixels from the top."""
        return round(_TOP + _HEIGHT * (1 - self.y.at(value) / 100), 1)

    def path(self, x: Iterable[float], y: Iterable[float], kind: str) -> str:
        """Join points by a line."""
        return f'<path d="M{self._points(x, y)}" class="{kind}"/>'

    def steps(self, x: Sequence[float], y: Sequence[float], kind: str) -> str:
        """Draw what stays as it is from each place to the next."""
        return self.path(np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1], kind)

    def band(self, x: Sequence[float], low: Sequence[float], high: Sequence[float], kind: str) -> str:
        """Fill what lies between two lines."""
        around = self._points([*x, *reversed(x)], [*low, *reversed(high)])
        return f'<path d="M{around}z" class="{kind} band"/>'

    def upright(self, value: float) -> str:
        """Draw a dashed line over the whole height."""
        place = f'x1="{self.x.at(value)}%" x2="{self.x.at(value)}%"'
        return f'<line {place} y1="{_TOP}" y2="{_TOP + _HEIGHT}" class="today"/>'

    def marks(self, x: Iterable[float], y: Iterable[float], count: Iterable[float], *, failed: bool) -> str:
        """Put records down as crosses (failed) or rings (sound); a mark grows with what it stands for."""
        parts = []
        for across, up, n in zip(x, y, count, strict=True):
            r, place = round(0.55 * np.sqrt(16 + 10 * np.sqrt(n)), 1), f"{self.x.at(across)}%"
            if failed:
                cross = f'<path d="M-{r}-{r} {r} {r}M{r}-{r}-{r} {r}" class="failed"/>'
                parts.append(f'<svg x="{place}" y="{self.down(up)}" overflow="visible">{cross}</svg>')
            else:
                parts.append(f'<circle cx="{place}" cy="{self.down(up)}" r="{r}" class="sound"/>')
        return "".join(parts)

    def _points(self, x: Iterable[float], y: Iterable[float]) -> str:
        return " ".join(
            f"{round(_FINE * self.x.at(across) / 100)} {round(_FINE * (1 - self.y.at(up) / 100))}"
            for across, up in zip(x, y, strict=True)
        )

    def picture(
        self,
        curves: str,
        marks: str,
        *,
        title: str,
        alt: str,
        says: str,
        across: str,  # what the axes are called
        up: str,
        below: Mapping[float, str] | None = None,  # written under the numbers of the level axis
        unit: str = "",  # follows those of the upright one
    ) -> str:
        """Set curves and marks between the axes, with a title, a reading help and a text of its own."""
        parts, base = [], _TOP + _HEIGHT
        for value in self.y.ticks:
            y = self.down(value)
            parts.append(_line(0, 100, y, "grid"))
            parts.append(
                f'<text x="-6" y="{y + 4}" text-anchor="end">{value * (100 if unit else 1):.0f}{unit}</text>'
            )
        for value in self.x.ticks:
            x = self.x.at(value)
            parts.append(f'<line x1="{x}%" x2="{x}%" y1="{_TOP}" y2="{base}" class="grid"/>')
            parts.append(f'<text x="{x}%" y="{base + 16}" text-anchor="middle">{value:.0f}</text>')
            if below:
                parts.append(
                    f'<text x="{x}%" y="{base + 31}" text-anchor="middle">{text(below[value])}</text>'
                )
        foot = base + (47 if below else 33)
        parts.append(f'<text x="-42" y="12">{text(up)}</text>')
        parts.append(f'<text x="100%" y="{foot}" text-anchor="end">{text(across)}</text>')
        within = (
            f'<svg y="{_TOP}" width="100%" height="{_HEIGHT}" viewBox="0 0 {_FINE} {_FINE}" '
            f'preserveAspectRatio="none">{curves}</svg>'
        )
        drawn = _svg("plot curves", foot + 6, alt, "".join(parts) + within + marks)
        return f"<figure>\n<figcaption><strong>{text(title)}</strong>{says}</figcaption>\n{drawn}\n</figure>"


def life_curve(
    *,
    title: str,
    alt: str,
    says: str = "",
    steps: pd.DataFrame,  # age_years, failed: the curve without a model; may be empty
    marks: pd.DataFrame,  # age_years, is_failed, count: the records
    pooled: pd.DataFrame,  # age_years, failed, low, high: what all families give
    model: pd.DataFrame | None = None,  # the same from these records alone; the band is then theirs
    last_record: float = np.inf,  # beyond it curves are dashed; the step ends here
    today_years: float | None = None,  # age of a usual unit today
    last_age: float | None = None,  # end of the axis, where several pictures share one
) -> str:
    """Draw the share failed by age: models over their model-free twin, with the records as marks."""
    models = {"pooled": pooled} if model is None else {"pooled": pooled, "model": model}
    kind, band = list(models.items())[-1]
    end = last_age or max(curve["age_years"].max() for curve in models.values())
    ticks = tuple(float(each) for each in range(0, int(end) + 1, 10 if end < 90 else 20))
    frame = _Frame(Scale(0.0, end, ticks), Scale(-0.16, 1.16, (0.0, 0.25, 0.5, 0.75, 1.0)))
    curves = [frame.band(list(band["age_years"]), list(band["low"]), list(band["high"]), kind)]
    for kind, curve in models.items():
        # Both pieces meet at the last record.
        ages = np.union1d(curve["age_years"], [min(last_record, end)])
        failed = np.interp(ages, curve["age_years"], curve["failed"])
        for here, dash in ((ages <= last_record, ""), (ages >= last_record, " dashed")):
            if here.sum() > 1:
                curves.append(frame.path(ages[here], failed[here], kind + dash))
    if len(steps):
        last = max(min(last_record, float(marks["age_years"].max())), steps["age_years"].iloc[-1])
        curves.append(
            frame.steps([*steps["age_years"], last], [*steps["failed"], steps["failed"].iloc[-1]], "step")
        )
    drawn = frame.upright(today_years) if today_years is not None and np.isfinite(today_years) else ""
    # Failed records above 100 %, sound ones below 0 %; neighbours of a year would be printed on each other.
    step = max(2.0, np.ceil(marks["age_years"].max() / 26)) if len(marks) else 2.0
    binned = marks.assign(age_years=step * (marks["age_years"] / step).round())
    binned = binned.groupby(["age_years", "is_failed"], as_index=False)["count"].sum()
    for is_failed, height in ((True, 1.08), (False, -0.08)):
        some = binned[binned["is_failed"] == is_failed]
        drawn += frame.marks(some["age_years"], [height] * len(some), some["count"], failed=is_failed)
    return frame.picture(
        "".join(curves),
        drawn,
        title=title,
        alt=alt,
        says=says,
        across="Age in years",
        up="Failed by this age",
        unit=f"{format.HARD_SPACE}%",
    )


def years(marks: pd.DataFrame, *, change_year: float, title: str, alt: str, says: str = "") -> str:
    """Set age at inspection against production year, each record a mark."""
    ends = []
    for column in ("year", "age_years"):
        low, high = marks[column].min() - 1.0, marks[column].max() + 1.0
        ticks = tuple(each for each in round_numbers(low, high, 5, 1.0) if low <= each <= high)
        ends.append(Scale(low, high, ticks))
    frame = _Frame(*ends)
    drawn = frame.upright(change_year - 0.5)
    for is_failed in (False, True):
        some = marks[marks["is_failed"] == is_failed]
        drawn += frame.marks(some["year"], some["age_years"], some["count"], failed=is_failed)
    across, up = "Year of production", "Age at inspection in years"
    return frame.picture("", drawn, title=title, alt=alt, says=says, across=across, up=up)


def comebacks(curve: pd.DataFrame, watched: np.ndarray, *, title: str, alt: str, says: str = "") -> str:
    """Draw the share of repaired units that came back, by days since they were sold."""
    end = float(max(watched.max(), 1.0))
    top = min(1.0, 1.1 * float(np.nanmax(curve[["failed", "high"]].to_numpy(), initial=0.2)))
    days = tuple(each for each in round_numbers(0.0, end, 4, 1.0) if each <= end)
    shares = tuple(each for each in round_numbers(0.0, top, 5, 0.01) if each <= top)
    frame = _Frame(Scale(0.0, end, days), Scale(0.0, top, shares))
    band = curve.dropna(subset=["low", "high"])
    x = np.repeat(band["days"], 2)[1:]
    low, high = (np.repeat(band[each], 2)[:-1] for each in ("low", "high"))
    curves = frame.band(list(x), list(low), list(high), "pooled") if len(band) else ""
    curves += frame.steps([*curve["days"], end], [*curve["failed"], curve["failed"].iloc[-1]], "pooled")
    return frame.picture(
        curves,
        "",
        title=title,
        alt=alt,
        says=says,
        across="Days since the sale; units still watched",
        up="Came back",
        below={day: f"{(watched >= day).sum()}" for day in days},
        unit=f"{format.HARD_SPACE}%",
    )
