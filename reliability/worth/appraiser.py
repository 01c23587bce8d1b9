"""Everything fitted, in its order, once, and kept on disk: what judges offers and feeds the pages."""

import datetime
import json
import os
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args, get_origin

import numpy as np
from threadpoolctl import threadpool_limits

from reliability.errors import InvalidInput, reason
from reliability.records.files import belongs_to_user, digest, fresh_file, own_folder
from reliability.records.ledger import ledger_mark
from reliability.worth import odds

# What fits is loaded where it is used: a kept appraiser judges without all that, and starts sooner.
if TYPE_CHECKING:
    import pandas as pd

    from reliability.life.pooling import PooledLives
    from reliability.records.frames import Records
    from reliability.records.ledger import Ledger
    from reliability.worth.bench import Bench

#: Raised when what is kept on disk changes its meaning.
FORMAT = 6

COUNTED, LEFT_OUT, TOO_MANY = "counted", "left out", "too many"

#: What of a `FamilyEntry` was estimated, beside its lives and part costs: rounded to single precision.
ESTIMATES = ("shift", "shift_se", "own_weight", "hours_repaired", "hours_unrepaired")
SPREADS = ("ratio", "remains", "costs_repaired", "costs_unrepaired")


@dataclass(frozen=True)
class Tally:
    """What the records hold, for pages and notes."""

    jobs_finished: int
    jobs_imported: int
    jobs_open: int
    jobs_missing: int
    gaps: str  # missing numbers are COUNTED, LEFT_OUT by a setting, or TOO_MANY before one is made
    repaired: int


@dataclass(frozen=True)
class Appraiser:
    """Fitted odds, prices and costs of every family of a ledger."""

    as_of: datetime.date
    fingerprint: str  # of the records it was fitted on
    currency: str
    terms: odds.Terms
    shared: odds.Shared
    families: Mapping[str, odds.FamilyEntry]
    kinds: Mapping[str, odds.FamilyEntry]  # an unknown family of each kind; "" is an unknown kind
    models: Mapping[str, str]  # family of each model
    tally: Tally

    def components_of(self, entry: odds.FamilyEntry) -> list[str]:
        """Names of the components that units of an entry are judged by."""
        return [self.shared.components[c] for c in entry.lives.components]

    def to_export(self) -> dict[str, Any]:
        """Plain numbers, lists and texts: what is kept on disk, and enough to judge in a browser."""
        return {"format": FORMAT, **_plain(self)}


# ---- The order in which the pieces are fitted: lives, mending, signs, outcomes, money

OWN_RECORDS, FEW_RECORDS, POOLED_ONLY, HEARSAY = "own records", "few records", "pooled only", "hearsay"


# More threads of the linear algebra library would only wait for each other: the matrices are small.
@threadpool_limits.wrap(limits=1)
def fit_appraiser(records: "Records", as_of: datetime.date) -> Appraiser:
    """Fit lives, odds, prices and costs of all families, as the bench was on a day."""
    from reliability.worth import money, recalibration
    from reliability.worth.bench import arrived_states, read_bench
    from reliability.worth.lives import (
        family_components,
        kind_components,
        lives_of,
        pool_lives,
        unit_findings,
    )
    from reliability.worth.supply import fit_repairability, read_supply, trials

    bench = read_bench(records, as_of)
    known, settings, slots = bench.records, bench.records.settings, bench.slots
    lists = kind_components(bench)
    components = tuple(dict.fromkeys(c for names in lists.values() for c in names))
    of_family = family_components(bench, lists)
    owners = zip(slots["family"], slots["kind"], strict=True)
    names = [of_family.get(family, lists[kind]) for family, kind in owners]
    findings = unit_findings(bench, of_family)
    supply = read_supply(known, bench.jobs[bench.jobs["own"]], components)
    mending = fit_repairability(trials(bench.jobs, known.findings), components, bench.families, supply)
    pooled, changes = pool_lives(bench, findings)
    ends = np.cumsum([len(each) for each in names])
    family_at = np.repeat(slots["family_at"].to_numpy(), np.diff(ends, prepend=0))
    places = np.array([components.index(name) for each in names for name in each])
    repair = mending.of(family_at, places, np.array([np.inf]))[0]
    columns = (places, *lives_of(pooled, changes, slots, names), repair)
    of_each = zip(*(np.split(column, ends[:-1]) for column in columns), strict=True)
    lives = [odds.FamilyLives(*each) for each in of_each]
    arrived = arrived_states(bench, findings, components)
    ages = recalibration.ages_of_jobs(bench, np.asarray(np.isfinite(arrived).any(axis=1)))
    shared = _fit_states(bench, pooled, lives, components, arrived, ages)
    signs = odds.centred_signs(bench.sign_values, shared)
    usual = recalibration.usual_log_odds(bench, lives, shared)
    price = money.working_prices(bench)
    news = money.purchase_news(bench, price, usual["log_odds"].to_numpy())
    chain = recalibration.chain_log_odds(bench, lives, mending, shared, ages)
    age = (ages["weight"] * ages["age_years"]).groupby(ages["at"]).sum().reindex(range(len(chain)))
    outcomes = recalibration.gather_outcomes(bench, chain, age.to_numpy(), usual["log_odds"].to_numpy())
    of_slots, of_all = recalibration.fit_recalibration(bench, outcomes, signs, news, usual)
    amounts, shared_amounts, parts = money.fit_amounts(bench, signs, components, price, news)
    shared = replace(shared, **of_all, **shared_amounts)
    by_slot: dict[str, Any] = {**amounts, **of_slots, "reference_age": usual["age_years"].to_numpy()}
    by_slot |= {"lives": lives, "part_cost": np.split(parts.of(family_at, places), ends[:-1])}
    entries = [
        _in_singles(odds.FamilyEntry(**told, **{name: values[i] for name, values in by_slot.items()}))
        for i, told in enumerate(_told_of(bench).to_dict("records"))
    ]
    own = bench.jobs["own"]
    gaps = COUNTED if bench.gaps_count else LEFT_OUT if settings.count_gaps else TOO_MANY
    terms = odds.Terms(settings.hour_rate, settings.selling_fee, settings.margin, settings.caution,
                       settings.haggle_room, money.comeback_cost(bench))  # fmt: skip
    tally = Tally(
        jobs_finished=int(own.sum()), jobs_imported=int((~own).sum()), jobs_open=len(bench.open_jobs),
        jobs_missing=bench.n_missing, gaps=gaps, repaired=int(bench.jobs.loc[own, "repaired"].sum()),
    )  # fmt: skip
    return Appraiser(
        as_of=as_of,
        fingerprint=records.fingerprint(),
        currency=settings.currency,
        terms=terms,
        shared=shared,
        families={entry.family: entry for entry in entries if entry.family},
        kinds={entry.kind: entry for entry in entries if not entry.family},
        models=dict(zip(known.models["model"], known.models["family"], strict=True)),
        tally=tally,
    )


def _in_singles(entry: odds.FamilyEntry) -> odds.FamilyEntry:
    """Round what was estimated to single precision: no more is known, and the card has room for no more."""

    def rounded(value: Any) -> Any:
        if isinstance(value, odds.Spread | odds.FamilyLives):
            return replace(value, **{name: rounded(each) for name, each in vars(value).items()})
        return np.float32(value).astype(float) if np.asarray(value).dtype == float else value

    estimated = (*ESTIMATES, *SPREADS, "part_cost", "lives")
    return replace(entry, **{name: rounded(getattr(entry, name)) for name in estimated})


def _told_of(bench: "Bench") -> "pd.DataFrame":
    """Tell what stands behind each slot: names, years, jobs seen, units to come, evidence."""
    from reliability.worth.judging import FEW_JOBS
    from reliability.worth.supply import ORIGIN_DISCOUNT

    slots, own, other = bench.slots, bench.jobs[bench.jobs["own"]], bench.jobs[~bench.jobs["own"]]

    def count(jobs: "pd.DataFrame", whose: str) -> "pd.Series[int]":
        return slots[whose].map(jobs[whose].value_counts()).fillna(0).astype(int)

    seen, of_kind = count(own, "family"), count(own, "kind")
    rate = np.append(bench.seen_per_year, np.zeros(len(slots) - len(bench.families)))
    usual = rate[rate > 0].mean() if (rate > 0).any() else 1.0
    stated = bench.records.settings.offers_expected
    pooled = of_kind + ORIGIN_DISCOUNT * count(other, "kind")
    pooled.iloc[-1] = len(own) + ORIGIN_DISCOUNT * len(other)  # an unknown kind is judged from all
    table = slots[["family", "kind", "first_year", "last_year"]].assign(
        reference_year=slots["mean_year"], oldest_seen=slots["oldest"], jobs_seen=seen, kind_jobs=of_kind,
        open_jobs=count(bench.open_jobs, "family"),
        offers_expected=np.where(rate > 0, rate, usual) if stated is None else float(stated),
    )  # fmt: skip
    heard = bench.records.hearsay.to_dict("records")

    def evidence(family: str, kind: str, n: int, pooled: float) -> str:
        if n > 0:
            return OWN_RECORDS if n >= FEW_JOBS else FEW_RECORDS
        # What weighs on one component is not what weighs on another: the loudest voice is compared.
        worth: Counter[str | None] = Counter()
        for row in heard:
            if row["family"] == family or (row["family"] is None and row["kind"] == kind):
                worth[row["component"]] += row["worth_jobs"]
        return HEARSAY if max(worth.values(), default=0.0) > pooled else POOLED_ONLY

    told = zip(slots["family"], slots["kind"], seen, pooled, strict=True)
    return table.assign(evidence=[evidence(*each) for each in told])


def _fit_states(
    bench: "Bench", pooled: "PooledLives", lives: list[odds.FamilyLives], components: tuple[str, ...],
    arrived: odds.Floats, ages: "pd.DataFrame",
) -> odds.Shared:  # fmt: skip
    """Fit signs, storage and deaths on the bench, given lives by age and family alone."""
    from scipy.special import expit

    from reliability.worth.lives import year_effect
    from reliability.worth.money import collateral_shares
    from reliability.worth.recalibration import blocks
    from reliability.worth.signs import fit_sign_causes

    slope, reference = np.array([year_effect(pooled, c) for c in components]).T
    shared = replace(
        odds.nothing_shared(components, bench.signs, bench.kinds, max(f.components.size for f in lives)),
        reference_year=reference,
        year_slope=slope,
        collateral=collateral_shares(bench.records.findings, components),
        known_components=tuple(sorted(bench.records.named_components())),
    )
    failed_odds = np.full(arrived.shape, np.nan)
    for family_at, rows in ages.groupby("family_at"):
        family = lives[family_at]
        at, unit = np.unique(rows["at"], return_inverse=True)
        age, year, weight = (rows[name].to_numpy() for name in ("age_years", "year", "weight"))
        mean = np.zeros((at.size, family.components.size))
        for some in blocks(family, shared, age.size):
            p = expit(odds.component_odds(family, shared, age[some], year[some])).mean(axis=0)
            np.add.at(mean, unit[some], p * weight[some, None])
        failed_odds[np.ix_(at, family.components)] = odds.log_odds(mean)
    arrived[np.isnan(failed_odds)] = np.nan
    return replace(shared, **fit_sign_causes(arrived, failed_odds, bench.sign_values))


# ---- What is kept on disk


def revived(plain: Any) -> Appraiser:
    """Turn what `Appraiser.to_export` gave back into an appraiser."""
    if not isinstance(plain, dict) or plain.get("format") != FORMAT:
        raise ValueError("was kept by another version")
    found: Appraiser = _revived(Appraiser, plain)
    return found


def _plain(value: Any) -> Any:
    """Turn results into what JSON holds; numbers keep every digit, NaN becomes null."""
    if isinstance(value, np.ndarray):
        plain = value.astype(object)
        plain[np.isnan(value)] = None
        return plain.tolist()
    if isinstance(value, float):
        return None if np.isnan(value) else value
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, datetime.date):
        return value.isoformat()
    named = value if isinstance(value, Mapping) else getattr(value, "__dict__", None)
    return value if named is None else {name: _plain(each) for name, each in named.items()}


def _revived(kind: Any, plain: Any) -> Any:
    """Turn plain values back into what a field of this type holds."""
    if is_dataclass(kind):
        return kind(**{field.name: _revived(field.type, plain[field.name]) for field in fields(kind)})  # type: ignore[operator]
    if kind is datetime.date:
        return datetime.date.fromisoformat(plain)
    if kind is float:
        return np.nan if plain is None else plain
    origin, of = get_origin(kind), get_args(kind)
    if origin is np.ndarray:
        return np.array(plain, dtype=get_args(of[1])[0])
    if origin is Mapping:
        return {name: _revived(of[1], each) for name, each in plain.items()}
    return tuple(plain) if origin is tuple else plain


PACKAGE = Path(__file__).parents[1]
MOST_KEPT = 40


def kept(
    folder: Path | None, key: Sequence[object], make: Callable[[], Any], *,
    read: Callable[[Any], Any] = lambda plain: plain, write: Callable[[Any], Any] = lambda made: made,
    warn: Callable[[str], object] = lambda _: None,
) -> Any:  # fmt: skip
    """Give what is kept under a key, with every digit, or make it and keep it; the ones used last stay."""
    # `folder`: nothing is kept without one; `key`: all that the content depends on beside the code that fits;
    # `make`: where it gives None, that is not kept.
    if folder is None:
        return make()
    named = json.dumps([*map(str, key), digest(PACKAGE, "records/*.py", "life/*.py", "worth/*.py")])
    path = folder / f"{sha256(named.encode()).hexdigest()[:32]}.json"
    if path.exists() and not belongs_to_user(folder, path):
        warn(f"Odds kept in {folder} are not used, for others may write there: they are fitted anew.")
    elif path.exists():
        with suppress(OSError, AttributeError, KeyError, TypeError, ValueError):  # damaged: made again
            found = read(json.loads(path.read_text("utf-8")))
            os.utime(path)
            return found
    if (made := make()) is None:
        return None
    try:
        own_folder(folder)
        with fresh_file(path, private=True) as draft:
            draft.stream.write(json.dumps(write(made)).encode())
        by_use = sorted(folder.glob("*.json"), key=lambda file: file.stat().st_mtime_ns, reverse=True)
        for file in by_use[MOST_KEPT:]:
            file.unlink(missing_ok=True)
    except OSError as error:
        warn(f"The odds could not be kept in {folder} ({reason(error)}): the next run fits them again.")
    return made


kept_odds = partial(kept, read=revived, write=Appraiser.to_export)


def kept_folder(ledger: "Ledger") -> Path:
    """Give the folder for what can be made again: beside the ledger's file, else in `data`."""
    return (Path("data") if "://" in ledger.name else Path(ledger.name).parent) / ".benchodds"


def last_day(records: "Records") -> datetime.date:
    """Give the last date that the records hold; today where they hold none."""
    try:
        return records.last_date()
    except InvalidInput:
        return datetime.date.today()


def kept_appraiser(ledger: "Ledger") -> Appraiser | None:
    """Give the appraiser that is kept of a ledger as it is now; None where it would have to be fitted."""
    found: Appraiser | None = kept_odds(kept_folder(ledger), [ledger_mark(ledger)], lambda: None)
    return found


def appraiser_of(
    ledger: "Ledger", *, as_of: datetime.date | None = None, warn: Callable[[str], object] = print
) -> Appraiser:
    """Fit an appraiser to a ledger, or take the kept one if nothing was written since."""
    mark, found = ledger_mark(ledger), kept_appraiser(ledger)
    corrected = as_of is not None and ledger.changed_since(as_of)
    if found is not None and (as_of is None or as_of >= found.as_of) and not corrected:
        return found
    # Loaded here: a kept appraiser is enough for a verdict, and starts sooner.
    from reliability.records.frames import read_records

    records = read_records(ledger)
    day = last_day(records)
    if as_of is not None and (as_of < day or corrected):
        return fit_appraiser(read_records(ledger, as_of=as_of), min(as_of, day))
    make = partial(fit_appraiser, records, day)
    fitted: Appraiser = kept_odds(kept_folder(ledger), [mark], make, warn=warn)
    return fitted
