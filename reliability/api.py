"""What `import reliability` offers: lives of components with their labels, odds and verdicts."""

import datetime
import json
from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from numbers import Integral
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from reliability.errors import BenchoddsError as BenchoddsError
from reliability.errors import InvalidInput, counted, reason, unknown
from reliability.life.curves import Curve, fit_curve
from reliability.life.lives import LifeRecords, observe
from reliability.life.pooling import PooledLives
from reliability.life.pooling import pool as pool
from reliability.life.weibull import WeibullFit, weibull_fits
from reliability.records.files import fresh_file
from reliability.records.frames import Day, Records, Rows, Source, load, plain_rows, read_day
from reliability.records.ledger import open_ledger as open_ledger
from reliability.worth.appraiser import Appraiser, fit_appraiser, last_day, revived
from reliability.worth.bench import read_bench
from reliability.worth.judging import judge, offers_from, read_offers, with_signs
from reliability.worth.lives import (
    family_components,
    kind_components,
    later,
    pool_lives,
    unit_findings,
    worst_findings,
)
from reliability.worth.plan import Plan, plan_job, plan_unit
from reliability.worth.review import ranking
from reliability.worth.stock import stock

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# ---- Lives of components, family by family


class _Result(ABC):
    """What all results have in common: a table with labels, shown in notebooks."""

    @abstractmethod
    def table(self) -> pd.DataFrame:
        """Give the result as a table."""

    def _repr_html_(self) -> str:
        return _html(self, self.table())


def _html(result: object, table: pd.DataFrame) -> str:
    shown = table.to_html(index=False, na_rep="", float_format="{:.4g}".format, border=0)
    return f"<p>{escape(repr(result))}</p>\n{shown}"


def lives(
    records: Source,
    component: str | Sequence[str] | None = None,
    family: str | Sequence[str] | None = None,
    *,
    event: str = "failed",
) -> "Lives":
    """Gather how long components lasted in the units of this bench.

    Parameters
    ----------
    records : Records, or what `load` takes
    component, family : str or sequence of str, optional
        Only these; all that there are records of if not given.
    event : {"failed", "needs work"}
        What ends a life; a worn part needs work.

    Returns
    -------
    Lives
        Of the worst position of each component. Imported jobs count only where lives are pooled.

    Raises
    ------
    UnknownName
        If there are no records of a component or family.
    InvalidInput
        If the event is not one of the two, or no finding tells anything.

    Examples
    --------
    >>> belts = lives("data/demo", "belt", ["Obbelin 310", "Tavisk 700"])
    >>> belts
    Lives (failed) of belt in 2 families
    >>> belts.table()[["family", "n_failed", "n_sound", "oldest_years"]].round(1)
            family  n_failed  n_sound  oldest_years
    0  Obbelin 310        40        3          47.1
    1   Tavisk 700         9        0          36.4
    """
    ledger = load(records)
    seen = observe(ledger.jobs, worst_findings(ledger.findings), ledger.families, event=event)
    table, where = seen.table[seen.table["own"]], "No records of"
    components, families = ((each,) if isinstance(each, str) else each for each in (component, family))
    for column, names in (("component", components), ("family", families)):
        for name in names or ():
            if name not in set(table[column]):
                raise unknown(f"{where} {column}", name, table[column])
        if names is not None:
            table, where = table[table[column].isin(names)], f"{where} {' or '.join(names)} in"
    if table.empty:
        said = ", ".join(f"{reason}: {n}" for reason, n in seen.left_out.items() if n)
        raise InvalidInput(f"No finding of this bench tells anything ({said or 'there is none'}).")
    life_records, labels = replace(seen, table=table).life_records(("component", "family", "kind"))
    labels = labels.drop(columns="stratum")
    return Lives(event, labels, life_records, seen.left_out, ledger, families)


@dataclass(frozen=True, eq=False, repr=False)
class Lives(_Result):
    """How long components lasted, by component and family; made by `lives`.

    Attributes
    ----------
    event : str
        What ends a life.
    labels : DataFrame
        component, family, kind: one row per life that is fitted by itself.
    records : LifeRecords
        Intervals of age, years; `stratum` is the row in `labels`.
    left_out : Series of int
        How many findings of the ledger say nothing about lives, by reason.
    """

    event: str
    labels: pd.DataFrame
    records: LifeRecords
    left_out: pd.Series
    _ledger: Records = field(repr=False)
    _families: Sequence[str] | None = None

    def __repr__(self) -> str:
        return f"Lives ({self.event}) of {_said(self.labels)}"

    def table(self) -> pd.DataFrame:
        """Count the records.

        Returns
        -------
        DataFrame
            component, family, kind, n_failed, n_sound, oldest_years (greatest age at which one was seen).
        """
        failed = np.isfinite(self.records.upper)
        age = np.where(failed, self.records.upper, self.records.lower)
        rows = pd.DataFrame({"stratum": self.records.stratum, "age": age, "failed": failed})
        oldest = rows.groupby("stratum")["age"].max()
        is_failed = rows[~pd.Series(self.records.record).duplicated()].groupby("stratum")["failed"]
        n_failed = is_failed.sum().astype(int)
        return self.labels.assign(n_failed=n_failed, n_sound=is_failed.size() - n_failed, oldest_years=oldest)

    def weibull(self, *, level: float = 0.90) -> "WeibullLives":
        """Fit a Weibull life to each, from its own records alone.

        Parameters
        ----------
        level : float
            Confidence level of the intervals.

        Examples
        --------
        >>> fitted = lives("data/demo", "belt").weibull()
        >>> fitted.table().set_index("family")["status"].value_counts().to_dict()
        {'ok': 5, 'one age fits all': 2, 'all failed': 2}
        """
        return WeibullLives(self, weibull_fits(self.records, level=level))

    def curve(self, *, level: float = 0.90, has_band: bool = True) -> "LifeCurves":
        """Draw the curve of each without assuming a form, from its own records alone.

        Parameters
        ----------
        level : float
            Probability that the band promises at each age.
        has_band : bool
            False leaves the band out, which takes most of the time.

        Examples
        --------
        >>> curves = lives("data/demo", "belt", "Obbelin 310").curve()
        >>> curves.table()[["family", "age_years", "failed", "low", "high"]].round(1).head(3)
                family  age_years  failed  low  high
        0  Obbelin 310        0.0     0.0  0.0   0.0
        1  Obbelin 310       12.3     0.3  0.0   0.7
        2  Obbelin 310       23.2     0.9  0.1   1.0
        """
        each = (self.records.subset(self.records.stratum == row) for row in range(len(self.labels)))
        return LifeCurves(self, tuple(fit_curve(one, level=level, has_band=has_band) for one in each))

    def pooled(self) -> "PooledFamilies":
        """Pool the families: what all of them, imported jobs and hearsay say of each. Verdicts rest on these.

        A component of which the job of a repaired unit says nothing counts as sound here: more records may
        stand behind a life than in `table`.

        Raises
        ------
        InvalidInput
            If the event is "needs work".

        Examples
        --------
        >>> pooled = lives("data/demo", "belt").pooled()
        >>> spread = pooled.table().set_index("family")["log_scale_sd"]
        >>> bool(spread["Ploverine P5"] > spread["Obbelin 310"])  # 1 record; 43
        True
        """
        if self.event != "failed":
            raise InvalidInput(
                f"Lives are pooled for the event 'failed', which verdicts use; these are for {self.event!r}."
            )
        bench = read_bench(self._ledger, last_day(self._ledger))
        findings = unit_findings(bench, family_components(bench, kind_components(bench)))
        components = list(self.labels["component"].unique())
        # Components are pooled one by one: the others would change nothing here.
        return PooledFamilies(self, *pool_lives(bench, findings[findings["component"].isin(components)]))


def _said(labels: pd.DataFrame) -> str:
    """Name what a result is about."""
    parts, families = labels["component"].unique(), labels["family"].unique()
    said = parts[0] if len(parts) == 1 else f"{len(parts)} components"
    return f"{said} in {families[0] if len(families) == 1 else f'{len(families)} families'}"


def _lines(labels: pd.DataFrame) -> list[str]:
    """Name each line of a picture by what tells it from the others."""
    names = ("component", "family", "built")
    columns = [name for name in names if name in labels and labels[name].nunique() > 1]
    rows = labels[columns or ["family"]].itertuples(index=False)
    return [", ".join(str(cell) for cell in row if cell) for row in rows]


_POINTS = 49


def _fill(axes: "Axes", ages: np.ndarray, low: np.ndarray, high: np.ndarray, **look: Any) -> None:
    """Draw the band of the line that was drawn last."""
    axes.fill_between(ages, low, high, color=axes.lines[-1].get_color(), alpha=0.2, linewidth=0, **look)


@dataclass(frozen=True, eq=False, repr=False)
class _Curves(_Result):
    """What curves of the share failed have in common: a picture."""

    lives: Lives

    def plot(self, axes: "Axes | None" = None) -> "Axes":
        """Draw the share failed by age; a single life with its band.

        A Weibull life is drawn over its nonparametric curve, dashed beyond the oldest record; one that has no
        estimate keeps its steps, and the legend says why.

        Parameters
        ----------
        axes : matplotlib Axes, optional
            Where to draw; new ones if not given.

        Returns
        -------
        Axes
        """
        import seaborn
        from matplotlib import pyplot
        from matplotlib.ticker import PercentFormatter

        if axes is None:
            with seaborn.axes_style("whitegrid"):
                axes = pyplot.subplots()[1]
            axes.set_title(_said(self.lives.labels))
        # Also those who see red and green alike can tell these apart.
        axes.set_prop_cycle(color=seaborn.color_palette("colorblind"))
        self._draw(axes)
        axes.set_xlabel("Age in years")
        axes.set_ylabel(f"{self.lives.event.capitalize()} by this age")
        axes.set_ylim(-0.02, 1.02)
        axes.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
        axes.set_xlim(left=0)
        axes.legend()
        return axes

    @abstractmethod
    def _draw(self, axes: "Axes") -> None: ...


@dataclass(frozen=True, eq=False, repr=False)
class WeibullLives(_Curves):
    """Weibull lives by component and family; made by `Lives.weibull`.

    Attributes
    ----------
    lives : Lives
        The records, with their labels.
    fit : WeibullFit
        The fits, in the order of ``lives.labels``.
    """

    fit: WeibullFit

    def __repr__(self) -> str:
        estimated = f"{int(self.fit.usable.sum())} of {self.fit.usable.size} estimated"
        return f"Weibull lives ({self.lives.event}) of {_said(self.lives.labels)}, {estimated}"

    def table(self) -> pd.DataFrame:
        """Give the estimates with their intervals.

        Returns
        -------
        DataFrame
            component, family, kind, status ("ok", or why there is no estimate), n_failed, n_sound; shape,
            scale_years, b10_years and b50_years (ages by which 10 and 50 % have failed), each with its
            low and high end. NaN where the status is not "ok".
        """
        names = ["status", "n_failed", "n_sound", "shape", "shape_low", "shape_high"]
        names += ["scale_years", "scale_low_years", "scale_high_years"]
        frame = self.lives.labels.join(self.fit.table()[names]).round({"n_failed": 6, "n_sound": 6})
        for share in (10, 50):
            for end, column in zip(("", "_low", "_high"), self.fit.life(share / 100), strict=True):
                frame[f"b{share}{end}_years"] = column
        return frame

    def _draw(self, axes: "Axes") -> None:
        self.lives.curve(level=self.fit.level, has_band=False)._draw(axes, named=False)
        oldest = self.lives.table()["oldest_years"].to_numpy()
        until = np.linspace(0, oldest, _POINTS)
        beyond = np.linspace(oldest, np.full(oldest.size, 1.1 * oldest.max()), _POINTS)
        drawn, dashed = (np.array([self.fit.failed_by(age)[0] for age in ages]) for ages in (until, beyond))
        steps = axes.lines[-oldest.size :]
        for i, name in enumerate(_lines(self.lives.labels)):
            said = name if self.fit.usable[i] else f"{name} ({self.fit.status[i]})"
            look: dict[str, Any] = {"color": steps[i].get_color(), "linewidth": 2}
            axes.plot(until[:, i], drawn[:, i], label=said, **look)
            axes.plot(beyond[:, i], dashed[:, i], linestyle="--", **look)
        if oldest.size == 1 and self.fit.usable[0]:
            ages = np.append(until, beyond)
            _, low, high = self.fit.failed_by(ages[None])
            _fill(axes, ages, low[0], high[0])


@dataclass(frozen=True, eq=False, repr=False)
class LifeCurves(_Curves):
    """Curves without a model, by component and family; made by `Lives.curve`.

    Attributes
    ----------
    lives : Lives
        The records, with their labels.
    curves : tuple of Curve
        In the order of ``lives.labels``; each knows its method and status.
    """

    curves: tuple[Curve, ...]

    def __repr__(self) -> str:
        methods = ", ".join(sorted({curve.method for curve in self.curves}))
        return f"Curves ({self.lives.event}; {methods}) of {_said(self.lives.labels)}"

    def table(self) -> pd.DataFrame:
        """Give every age at which a curve is determined.

        Returns
        -------
        DataFrame
            component, family, kind, method, status, and the columns of `Curve.table`.
        """
        method, status = zip(*((curve.method, curve.status) for curve in self.curves), strict=True)
        labels = self.lives.labels.assign(method=method, status=status)
        steps = pd.concat([curve.table() for curve in self.curves], keys=labels.index)
        return labels.join(steps.droplevel(1)).reset_index(drop=True)

    def _draw(self, axes: "Axes", *, named: bool = True) -> None:
        for name, curve in zip(_lines(self.lives.labels), self.curves, strict=True):
            label = name if named else None
            axes.step(curve.age_years, curve.failed, where="post", linewidth=1.2, label=label)
        if named and len(self.curves) == 1:
            _fill(axes, curve.age_years, curve.low, curve.high, step="post")


@dataclass(frozen=True, eq=False, repr=False)
class PooledFamilies(_Curves):
    """Lives of components pooled over families; made by `Lives.pooled`.

    A family whose component changed in a production year stands there twice: `built` tells the units
    made before it from those made since.

    Attributes
    ----------
    lives : Lives
        The records that were asked for.
    pooled : PooledLives
        The posterior, which also answers for families that nobody has seen.
    changes : dict of (str, str) to float
        First production year of the later lives, by family and component.
    """

    pooled: PooledLives
    changes: Mapping[tuple[str, str], float]

    def __repr__(self) -> str:
        return f"Pooled lives (failed) of {_said(self.table())}"

    def table(self) -> pd.DataFrame:
        """Sum each life up.

        Returns
        -------
        DataFrame
            component, family, built (empty, or "before" or "from" a year), kind, n_records, mean_year,
            scale_years, shape, and the rest of `PooledLives.table`.
        """
        table = self.pooled.table()
        table = table[table["component"].isin(self.lives.labels["component"])]
        family = table["family"].replace({later(family): family for family, _ in self.changes})
        years = [self.changes.get(pair) for pair in zip(family, table["component"], strict=True)]
        sides = np.where(table["family"] == family, "before", "from")
        built = [f"{side} {year:.0f}" if year else "" for side, year in zip(sides, years, strict=True)]
        table = table.assign(family=family)
        table.insert(2, "built", built)
        if self.lives._families is not None:
            table = table[table["family"].isin(self.lives._families)]
        return table.sort_values(["component", "family", "built"], kind="stable", ignore_index=True)

    def _draw(self, axes: "Axes") -> None:
        rows, ages = self.table(), np.linspace(0, self.lives.table()["oldest_years"].max(), _POINTS)
        is_later = rows["built"].str.startswith("from")
        label = rows["family"].mask(is_later, rows["family"].map(later)).to_numpy(object)[:, None]
        component = rows["component"].to_numpy(object)[:, None]
        failed, low, high = self.pooled.failed_by(component, label, ages)
        for name, line in zip(_lines(rows), failed, strict=True):
            axes.plot(ages, line, linewidth=2, label=name)
        if len(rows) == 1:
            _fill(axes, ages, low[0], high[0])


# ---- Odds: everything fitted at once, and what it answers


def fit(records: Source, *, as_of: Day | None = None) -> "Odds":
    """Fit lives, odds, prices and costs of all families.

    Parameters
    ----------
    records : Records, or what `load` takes
    as_of : datetime.date or str, optional
        What happened later is ignored; the last date on record if not given.

    Returns
    -------
    Odds
        The same for the same records and day.

    Examples
    --------
    >>> fit(records)
    Odds of 14 families as of 2026-10-31
    """
    known = load(records, as_of=as_of)
    last, day = last_day(known), read_day("as_of", as_of)
    return Odds(fit_appraiser(known, last if day is None else min(day, last)), known)


@dataclass(frozen=True, eq=False, repr=False)
class Odds:
    """What a bench's records say of the units that it may buy; made by `fit`.

    Attributes
    ----------
    appraiser : Appraiser
        The fitted numbers.
    records : Records
        What they were fitted to.
    """

    appraiser: Appraiser
    records: Records

    @property
    def as_of(self) -> datetime.date:
        """Day of the appraisal."""
        return self.appraiser.as_of

    @property
    def families(self) -> tuple[str, ...]:
        """Families that the records name."""
        return tuple(self.appraiser.families)

    def __repr__(self) -> str:
        return f"Odds of {counted(len(self.families), 'family', 'families')} as of {self.as_of}"

    def _repr_html_(self) -> str:
        return _html(self, self.ranking())

    def judge(
        self,
        offers: "str | Path | Rows | Mapping[str, Any] | None" = None,
        *,
        family: str | None = None,
        model: str | None = None,
        kind: str | None = None,
        built: int | tuple[int, int] | None = None,
        working_price: float | None = None,
        asked: float | None = None,
        signs: Mapping[str, Any] | None = None,
        seen_on: Day | None = None,
    ) -> pd.DataFrame:
        """Judge units on offer: many of a file or of rows, or one that keywords describe.

        Parameters
        ----------
        offers : str, Path, DataFrame, sequence of mapping or mapping, optional
            A CSV file of offers, or its rows: offer (numbered if it is missing), family, model, kind,
            working_price, built_from, built_to, asked, seen_on, and a column per sign.
        family, model, kind : str, optional
            Of the one unit; at least one of them.
        built : int or (int, int), optional
            Production year, or first and last possible one.
        working_price : float, optional
            What a working one fetches, in place of the family's price.
        asked : float, optional
            Price asked. Without it there is a ceiling, but no verdict.
        signs : mapping of str to {"yes", "no", True, False}, optional
            What was looked at, and seen or not.
        seen_on : datetime.date or str, optional
            Day of the sale; the day of the odds if not given.

        Returns
        -------
        DataFrame
            One row per offer: offer, verdict, ceiling, expected_gain, gain_low, gain_high (80 % of what this
            one may bring), chance_of_loss, success_chance, success_low, success_high (90 % of what is not
            known of that chance), hours, chief_risk, jobs_seen, evidence, note.

        Raises
        ------
        InvalidInput
            With every fault of the offers; or if both offers and keywords are given, or neither.

        Examples
        --------
        >>> verdict = odds.judge(family="Obbelin 310", built=1982, asked=25, signs={"no power": "no"})
        >>> verdict["verdict"].tolist()
        ['take']
        >>> len(odds.judge("data/demo/offers.csv"))
        26
        """
        unit = {
            "family": family, "model": model, "kind": kind, "working_price": working_price, "asked": asked,
            "seen_on": read_day("seen_on", seen_on), **_window(built),
        }  # fmt: skip
        unit = with_signs(unit, signs or {})
        is_described = any(value is not None for value in unit.values())
        if is_described == (offers is not None):
            raise InvalidInput(
                "`judge` takes offers (a CSV file, a data frame or rows) or one unit by keywords, such as "
                f"family=..., asked=...; it got {'both' if is_described else 'neither'}."
            )
        if isinstance(offers, str | Path):
            table = read_offers(Path(offers))
        elif offers is None:
            table = offers_from(plain_rows([{"offer": family or model or kind, **unit}]))
        else:
            rows = plain_rows([offers] if isinstance(offers, Mapping) else offers)
            table = offers_from([{"offer": str(i), **row} for i, row in enumerate(rows, 1)])
        return judge(table, self.appraiser)

    def ranking(self, *, as_of: Day | None = None) -> pd.DataFrame:
        """Judge a usual unit of every family at the price usually asked for one.

        Parameters
        ----------
        as_of : datetime.date or str, optional
            Day of the sale; the day of the odds if not given.

        Returns
        -------
        DataFrame
            `reliability.worth.review.RANKING_COLUMNS`, takes first, then by mean gain.

        Examples
        --------
        >>> best = odds.ranking().iloc[0]
        >>> best["verdict"], bool(best["usual_price"] <= best["ceiling"])
        ('take', True)
        """
        return ranking(self.appraiser, self.records, as_of=read_day("as_of", as_of))

    def plan(
        self,
        job: str | int | None = None,
        *,
        family: str | None = None,
        built: int | tuple[int, int] | None = None,
        signs: Mapping[str, Any] | None = None,
        found: Mapping[str, str] | None = None,
        seen_on: Day | None = None,
    ) -> Plan:
        """Plan the work on a unit: what to look at next, and when to stop.

        Parameters
        ----------
        job : str or int, optional
            Number of an open job, whose findings and signs are on record.
        family, built, signs, seen_on : optional
            In place of a job: the unit, as for `judge`.
        found : mapping of str to str, optional
            What was found so far: "sound", "worn", "failed", "mended" or "no part" by component.

        Returns
        -------
        Plan

        Raises
        ------
        UnknownName
            If there is no such job, family or component.
        InvalidInput
            If the job is finished; or if both a job and a unit are given, or neither.

        Examples
        --------
        >>> plan = odds.plan(family="Obbelin 310", built=1982, found={"belt": "mended"})
        >>> "belt" in set(plan.table()["component"])
        False
        """
        unit: dict[str, Any] = {"signs": signs, "found": found, "seen_on": read_day("seen_on", seen_on)}
        unit |= _window(built)
        is_described = any(value is not None for value in unit.values())
        if (family is None) == (job is None) or (job is not None and is_described):
            raise InvalidInput(
                "`plan` takes the number of an open job, or a unit: its family, and what is known of it by "
                "further keywords; not both."
            )
        if job is None:
            return plan_unit(self.appraiser, family=str(family), **unit)
        jobs = self.records.jobs
        here = jobs[jobs["job"] == str(job)]
        if here.empty:
            raise unknown("There is no open job", str(job), jobs.loc[jobs["outcome"] == "open", "job"])
        parts = {name: getattr(self.records, name) for name in ("findings", "signs")}
        rows = {name: plain_rows(frame[frame["job"] == str(job)]) for name, frame in parts.items()}
        return plan_job(self.appraiser, {"job": plain_rows(here)[0], **rows})

    def stock(self) -> pd.DataFrame:
        """List the parts that the units of the next year are likely to need.

        Returns
        -------
        DataFrame
            `reliability.worth.stock.STOCK_COLUMNS`, most needed first.

        Examples
        --------
        >>> odds.stock()["component"].iloc[0]
        'belt'
        """
        return stock(self.appraiser, self.records)

    def save(self, path: str | Path) -> None:
        """Keep the fitted numbers in a file that only its owner may read.

        Parameters
        ----------
        path : str or Path
            Replaced in one step.

        Raises
        ------
        InvalidInput
            If it cannot be written.
        """
        try:
            with fresh_file(Path(path), private=True) as draft:
                draft.stream.write(json.dumps(self.appraiser.to_export()).encode())
        except OSError as error:
            raise InvalidInput(f"{path} cannot be written: {reason(error)}.") from None

    @classmethod
    def load(cls, path: str | Path, records: Source) -> "Odds":
        """Take odds that were kept, if they were fitted to the same records.

        Parameters
        ----------
        path : str or Path
            Written by `save`.
        records : Records, or what `reliability.load` takes

        Raises
        ------
        InvalidInput
            If the file is none of `save`, another version wrote it, or the records are others.
        """
        file, known = Path(path), load(records)
        try:
            fitted = revived(json.loads(file.read_bytes()))
        except (OSError, AttributeError, KeyError, TypeError, ValueError) as error:
            told = reason(error) if isinstance(error, OSError) else "it holds no odds of this version"
            raise InvalidInput(f"{file.name} cannot be read: {told}. Fit the odds anew.") from None
        if fitted.fingerprint != known.fingerprint():
            raise InvalidInput(f"{file.name} was fitted to other records. Fit the odds anew.")
        return cls(fitted, known)


def _window(built: int | tuple[int, int] | None) -> dict[str, int | None]:
    """Read a production year, or a window of them."""
    if built is None or isinstance(built, Integral):
        return {"built_from": built, "built_to": built}
    if not isinstance(built, tuple | list) or len(built) != 2:
        raise InvalidInput(
            f"`built` must be a year such as 1982, or two such as (1979, 1984); got {built!r}."
        )
    return {"built_from": built[0], "built_to": built[1]}
