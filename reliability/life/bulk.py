"""Findings by the million: read by a database engine in memory, cut into pieces, fitted by any executor.

Nearly every finding is told by its component and family, the years in which its part can have begun its
life, its age in months, and whether the event had happened: SQL works these out. What needs more
(days of failure, a component that ended a job against its finding, several positions) goes through `observe`
itself and is kept apart, row by row.
"""

from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import InvalidInput
from reliability.life import lives
from reliability.life.lives import MONTHS, FloatArray, LifeRecords, age_at, spread_years
from reliability.life.pooling import pool
from reliability.life.weibull import weibull_fits

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

ObjectArray = NDArray[np.object_]
Worst = Callable[[pd.DataFrame], pd.DataFrame]

#: Columns of `observe`'s table that a fit needs.
APART = ("component", "family", "kind", "year", "weight", "record", "lower", "upper", "fitted")

# ---- What findings say of lives, counted


@dataclass(frozen=True, eq=False)
class Piece:
    """Counted lives of one component in some families, small enough to be sent to a fit."""

    component: str
    families: ObjectArray  # (n_strata,)
    kinds: ObjectArray  # (n_strata,)
    counted: dict[str, NDArray[Any]]
    apart: pd.DataFrame

    def lives(self) -> tuple[LifeRecords, FloatArray]:
        """Life records, windows as equally likely alternatives; and the year that each row assumes."""
        counted, apart = self.counted, self.apart
        first = counted["first"].astype(float)
        source, year, weight = spread_years(first, counted["last"].astype(float))
        age = np.maximum(counted["months"][source] - MONTHS * (year - first[source]), 1) / MONTHS
        happened = counted["happened"][source]
        # Pieces number the records of `apart` by themselves: only their order counts here.
        record = first.size + pd.factorize(apart["record"])[0]
        stratum = pd.Index(self.families).get_indexer(apart["family"])
        lower = np.append(np.where(happened, 0.0, age), apart["lower"])
        upper = np.append(np.where(happened, age, np.inf), apart["upper"])
        stratum, record = np.append(counted["stratum"][source], stratum), np.append(source, record)
        weight = np.append(weight, apart["weight"])
        records = LifeRecords(lower, upper, stratum=stratum, record=record, weight=weight)
        return records, np.append(year, apart["year"].astype(float))


@dataclass(frozen=True, eq=False)
class Counts:
    """What findings say of lives."""

    event: str  # what ends a life
    components: ObjectArray  # names, sorted
    families: ObjectArray  # (n_families,), sorted
    kinds: ObjectArray  # (n_families,)
    # Each (n_lives,): columns of `Piece.counted`, sorted by stratum, which is here the position of the
    # component times the number of families, plus the position of the family.
    counted: dict[str, NDArray[Any]]
    apart: pd.DataFrame  # `APART` of the findings that `observe` was asked of
    left_out: pd.Series  # this and the next as in `Observations`
    assumed: pd.Series
    last_day: np.datetime64  # on which a unit was taken in; NaT if there was none

    @property
    def n_findings(self) -> int:
        """How many findings say something of lives."""
        return self.counted["stratum"].size + int(self.apart["record"].nunique())

    def mean_years(self) -> FloatArray:
        """Mean production year of the parts of each family, parts fitted later left out."""
        size = self.families.size
        family = self.counted["stratum"] % max(size, 1)
        built = self.apart[~self.apart["fitted"].astype(bool)]
        family = np.append(family, pd.Index(self.families).get_indexer(built["family"]))
        weight = np.append(~self.counted["fitted"], built["weight"].astype(float))
        middle = (self.counted["first"].astype(float) + self.counted["last"]) / 2
        year = np.append(middle, built["year"].astype(float))
        with np.errstate(invalid="ignore"):  # nothing over nothing is not known
            return np.asarray(np.bincount(family, weight * year, size) / np.bincount(family, weight, size))

    def pieces(self, most: int | None = None) -> Iterator[Piece]:
        """Cut into pieces to be fitted by themselves, none across two components."""
        n_families, stratum = self.families.size, self.counted["stratum"]
        apart = pd.Index(self.components).get_indexer(self.apart["component"]) * n_families
        apart += pd.Index(self.families).get_indexer(self.apart["family"])
        strata = np.union1d(np.unique(stratum), np.unique(apart))
        for i, component in enumerate(self.components):
            mine = strata[slice(*np.searchsorted(strata, (i * n_families, (i + 1) * n_families)))]
            for start in range(0, mine.size, most or max(mine.size, 1)):
                part = mine[start : start + (most or mine.size)]
                cut = slice(*np.searchsorted(stratum, (part[0], part[-1] + 1)))
                counted = {name: values[cut] for name, values in self.counted.items()}
                counted["stratum"] = np.searchsorted(part, counted["stratum"]).astype(np.int32)
                families, kinds = (each[part - i * n_families] for each in (self.families, self.kinds))
                told_apart = self.apart[(apart >= part[0]) & (apart <= part[-1])]
                yield Piece(str(component), families, kinds, counted, told_apart)


def count_findings(
    findings: "DuckDBPyConnection", *, event: str = "failed", worst: Worst | None = None
) -> Counts:
    """Count findings by the lives that they tell of."""
    ask = findings.execute
    kind_of = _kinds(findings)
    days = ask("SELECT DISTINCT taken_in FROM findings").fetchnumpy()["taken_in"].astype("datetime64[D]")
    ask(_SPECIAL)
    seen = _observed(findings, event, worst)
    named = {"component": [row[0] for row in ask(_COMPONENTS).fetchall()], "family": kind_of}
    components, families = (
        np.array(sorted({*seen.table[name], *names}), dtype=object) for name, names in named.items()
    )
    for name, each in (("components", components), ("families", families)):
        _put(findings, name, pd.DataFrame({"name": each, "id": np.arange(each.size, dtype=np.int64)}))
    years = days.astype("datetime64[Y]").astype(np.int64) + 1970
    since = lives.since_middle(lives.decimal_year(days), np.zeros(days.size)) * MONTHS
    since = np.rint(since).astype(np.int64)
    _put(findings, "days", pd.DataFrame({"day": days.astype("datetime64[s]"), "year": years, "since": since}))
    happened = "found <> 'sound'" if event == "needs work" else "found = 'failed'"
    columns = ask(_LIVES.format(happened=happened, n_families=max(families.size, 1))).fetchnumpy()
    told = columns.pop("told")
    left_out, assumed = seen.left_out.copy(), seen.assumed.copy()
    for code, reason in enumerate(lives.LEFT_OUT[:4]):
        left_out[reason] += np.count_nonzero(told == code)
    used = told >= _USED
    assumed["original not known, taken as original"] += np.count_nonzero(told[used] & 1)
    assumed["production year taken from the family's span"] += np.count_nonzero(told[used] & 2)
    # Sorted by halves of 16 bits each, which numpy does in one pass over each; what is left out comes last.
    n_strata = components.size * families.size
    key = np.where(used, columns["stratum"], n_strata)
    halves = [
        ((key >> shift) & 0xFFFF).astype(np.uint16) for shift in range(0, n_strata.bit_length() or 1, 16)
    ]
    order = np.lexsort(halves)[: np.count_nonzero(used)]
    kinds = np.array([kind_of[each] for each in families], dtype=object)
    counted = {name: np.asarray(values)[order] for name, values in columns.items()}
    last_day = days.max() if days.size else np.datetime64("NaT", "D")
    told_apart = seen.table[list(APART)]
    return Counts(event, components, families, kinds, counted, told_apart, left_out, assumed, last_day)


# Findings that do not say all by themselves: several of a component in one job (then one of them has a
# position or arose on the bench), of the component that ended the job though not found failed, or dated.
_SPECIAL = """
CREATE OR REPLACE TEMP TABLE special AS
WITH marked AS (SELECT DISTINCT job, component FROM findings WHERE position <> '' OR arose = 'during work'),
several AS (SELECT job, component FROM findings SEMI JOIN marked USING (job, component)
            GROUP BY 1, 2 HAVING count(*) > 1)
SELECT job, component FROM several
UNION
SELECT job, component FROM findings
WHERE component = ended_by AND found <> 'failed' OR failed_from IS NOT NULL OR failed_to IS NOT NULL
"""

_ROWS = """
SELECT findings.* FROM findings SEMI JOIN special USING (job, component)
ORDER BY job, component, position, arose
"""

# Jobs that a component ended of which there is no finding.
_IMPLIED = """
SELECT job FROM findings WHERE ended_by IS NOT NULL
GROUP BY job HAVING NOT coalesce(bool_or(component = ended_by), false)
"""

_COMPONENTS = "SELECT DISTINCT component FROM findings WHERE component IS NOT NULL"

# The rules are those by which `observe` dates the begin of a life, in their order. `told` is why one is left
# out (its place in `LEFT_OUT`), or `_USED` with a bit for each thing that was assumed.
_USED = 8
_LIVES = f"""
WITH built AS (
    SELECT findings.* EXCLUDE (first_year, last_year), days.year AS taken_year, days.since,
           coalesce(built_from, first_year) AS opened, coalesce(built_to, last_year) AS closed,
           original IS NOT DISTINCT FROM 'no' AS fitted
    FROM findings JOIN days ON days.day = findings.taken_in ANTI JOIN special USING (job, component)
    WHERE component IS NOT NULL
), windows AS (
    SELECT *, CASE WHEN opened + closed IS NOT NULL THEN opened END AS built_first,
           CASE WHEN opened + closed IS NOT NULL THEN least(closed, taken_year) END AS built_last
    FROM built
), starts AS (
    SELECT *,
           CASE WHEN NOT fitted OR fitted_from IS NULL THEN built_first
                ELSE greatest(fitted_from, built_first) END AS first,
           CASE WHEN NOT fitted THEN built_last WHEN fitted_to IS NULL THEN taken_year
                ELSE least(fitted_to, taken_year) END AS last
    FROM windows
)
SELECT components.id * {{n_families}} + families.id AS stratum,
    CAST(coalesce(first, 0) AS SMALLINT) AS first, CAST(coalesce(last, 0) AS SMALLINT) AS last,
    CAST(coalesce(greatest(since - {MONTHS} * first, 1), 0) AS INTEGER) AS months, fitted,
    {{happened}} AND arose IS DISTINCT FROM 'during work' AS happened,
    CAST(CASE
        WHEN NOT fitted AND (first IS NULL OR last IS NULL) THEN 0
        WHEN NOT fitted AND first > last THEN 1
        WHEN fitted AND (fitted_from IS NULL AND fitted_to IS NULL OR first IS NULL OR last IS NULL) THEN 2
        WHEN fitted AND first > last THEN 3
        ELSE {_USED} + CASE WHEN NOT fitted AND original IS DISTINCT FROM 'yes' THEN 1 ELSE 0 END
            + CASE WHEN NOT fitted AND built_from IS NULL AND built_to IS NULL
              THEN 2 ELSE 0 END
    END AS TINYINT) AS told
FROM starts JOIN components ON components.name = starts.component
    JOIN families ON families.name = starts.family
"""


def _put(connection: "DuckDBPyConnection", name: str, frame: pd.DataFrame) -> None:
    connection.register("given", frame)
    connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM given")
    connection.unregister("given")


def _kinds(connection: "DuckDBPyConnection") -> dict[str, str]:
    """Kind of each family."""
    pairs = connection.execute("SELECT DISTINCT family, kind FROM findings ORDER BY 1, 2").fetchall()
    kinds: dict[str, str] = {}
    for family, kind in pairs:
        if kinds.setdefault(family, kind) != kind:
            raise InvalidInput(
                f"A family belongs to one kind; {family!r} is said to be {kinds[family]!r} and {kind!r}."
            )
    return kinds


def _observed(connection: "DuckDBPyConnection", event: str, worst: Worst | None) -> lives.Observations:
    """Ask `observe` of the findings that need it."""
    ask = connection.execute
    implied = {row[0] for row in ask(_IMPLIED).fetchall()}
    rows = ask(_ROWS).df()
    _put(connection, "implied", pd.DataFrame({"job": np.array(sorted(implied), dtype=object)}))
    units = ask("SELECT DISTINCT ON (job) findings.* FROM findings SEMI JOIN implied USING (job)").df()
    units = pd.concat([rows, units]).drop_duplicates("job").assign(origin=None)
    texts = [name for name in units.columns if units[name].dtype == object or str(units[name].dtype) == "str"]
    for frame in (rows, units):
        for name in texts:
            if name in frame:
                frame[name] = frame[name].astype(object).where(frame[name].notna(), None)
        for name in ("taken_in", "failed_from", "failed_to"):
            frame[name] = pd.to_datetime(frame[name]).astype("datetime64[ns]")
        for name in ("first_year", "last_year", "built_from", "built_to", "fitted_from", "fitted_to"):
            frame[name] = frame[name].astype(float)
    # Elsewhere the finding of the component that ended the job says so itself, and is counted by itself.
    needed = implied | set(rows.loc[rows["component"].eq(rows["ended_by"]), "job"])
    units.loc[~units["job"].isin(needed), ["ended_by", "ended_why"]] = None
    families = units.drop_duplicates("family")[["family", "kind", "first_year", "last_year"]]
    told = rows[list(lives.FINDING_COLUMNS)]
    told = worst(told) if worst and len(told) else told
    return lives.observe(units.reset_index(drop=True), told, families, event=event)


# ---- Work that can be spread over processes or machines: fits of pieces, pools of components
# Everything here takes a `concurrent.futures.Executor`, or None to do the work in this process. The pieces
# are cut the same way in either case and put together in their order, so the answers are the same too.

#: Strata that are fitted at once: a piece of so many weighs about a megabyte.
STRATA_PER_PIECE = 1_000
_AHEAD = 16
LIFE_COLUMNS = (
    "component", "family", "kind", "n_failed", "n_sound", "status", "shape", "shape_low", "shape_high",
    "b10_years", "b10_low_years", "b10_high_years", "b50_years", "b50_low_years", "b50_high_years",
    "age_years", "failed_own", "failed_own_low", "failed_own_high", "failed", "failed_low", "failed_high",
)  # fmt: skip

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def spread(
    function: Callable[[Item], Answer], items: Iterable[Item], executor: Executor | None = None,
    *, ahead: int = _AHEAD,
) -> Iterator[Answer]:  # fmt: skip
    """Apply a function to each item; the answers come in the order of the items."""
    if executor is None:
        yield from map(function, items)
        return
    under_way: deque[Future[Answer]] = deque()
    for item in items:
        under_way.append(executor.submit(function, item))
        if len(under_way) >= ahead:
            yield under_way.popleft().result()
    while under_way:
        yield under_way.popleft().result()


# A piece, and at which age of units of which production year its families are looked at
_Asked: TypeAlias = tuple[Piece, FloatArray, FloatArray]


def lives_of_counts(
    counts: Counts, *, components: Collection[str] = (), intervals: bool = True, level: float = 0.90,
    executor: Executor | None = None,
) -> pd.DataFrame:  # fmt: skip
    """Tell the life of every component in every family: from its own findings, and pooled.

    The rows have `LIFE_COLUMNS`, sorted by component and family. `age_years` is the age, on the last day on
    which any unit was taken in, of a unit of the family's mean production year; `failed_own` the share that
    has failed by then from the family's own findings, `failed` from all families together. NaN where the
    year, or an estimate, is not known.
    """
    year = counts.mean_years()
    age = age_at(np.full(year.size, counts.last_day), year)
    families = pd.Index(counts.families)

    def wanted(most: int | None) -> Iterator[_Asked]:
        for piece in counts.pieces(most):
            if not components or piece.component in components:
                at = families.get_indexer(piece.families)
                yield piece, age[at], year[at]

    fit = partial(_own_lives, level=level, intervals=intervals)
    own = list(spread(fit, wanted(STRATA_PER_PIECE), executor))
    if not own:
        return pd.DataFrame(columns=list(LIFE_COLUMNS))
    pooled = list(spread(partial(_pooled_lives, level=level), wanted(None), executor))
    table = pd.concat(own, ignore_index=True)
    both = table.merge(pd.concat(pooled), on=["component", "family"], validate="one_to_one")
    return both[list(LIFE_COLUMNS)]


def _own_lives(asked: _Asked, *, level: float, intervals: bool) -> pd.DataFrame:
    """Fit each family by itself."""
    piece, age_years, _ = asked
    fit = weibull_fits(piece.lives()[0], level=level)
    columns = {
        "component": piece.component, "family": piece.families, "kind": piece.kinds,
        "n_failed": fit.n_failed, "n_sound": fit.n_sound, "status": fit.status, "age_years": age_years,
    }  # fmt: skip
    z = {"b10": -np.log1p(-0.10), "b50": -np.log1p(-0.50)}
    estimates = {f"{name}_years": fit.scale * part ** (1 / fit.shape) for name, part in z.items()}
    ends = dict.fromkeys(LIFE_COLUMNS[6:15], np.nan) | {"shape": fit.shape, **estimates}
    own = np.full((3, piece.families.size), np.nan)
    own[0] = -np.expm1(-((age_years / fit.scale) ** fit.shape))
    if intervals:
        _, ends["shape_low"], ends["shape_high"] = fit.shape_interval()
        for name, share in (("b10", 0.10), ("b50", 0.50)):
            _, ends[f"{name}_low_years"], ends[f"{name}_high_years"] = fit.life(share)
        own = np.where(np.isfinite(age_years), fit.failed_by(np.nan_to_num(age_years)), np.nan)
    shares = dict(zip(("failed_own", "failed_own_low", "failed_own_high"), own, strict=True))
    return pd.DataFrame(columns | ends | shares)


def _pooled_lives(asked: _Asked, *, level: float) -> pd.DataFrame:
    """Pool one component over its families, and look at each at its age."""
    piece, age_years, year = asked
    records, built = piece.lives()
    at, names = records.stratum, np.full(len(records), piece.component, dtype=object)
    pooled = pool(records, component=names, family=piece.families[at], kind=piece.kinds[at], year=built)
    known = np.isfinite(age_years)
    shares = np.full((3, piece.families.size), np.nan)
    if known.any():
        kinds = piece.kinds[known]
        asked_of = piece.component, piece.families[known], age_years[known]
        shares[:, known] = pooled.failed_by(*asked_of, year=year[known], kind=kinds, level=level)
    named = dict(zip(("failed", "failed_low", "failed_high"), shares, strict=True))
    return pd.DataFrame({"component": piece.component, "family": piece.families, **named})
