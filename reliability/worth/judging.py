"""Offers in, verdicts out: one row each, none depending on another."""

import datetime
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reliability.errors import Fault, InvalidInput, nearest, refuse, unknown
from reliability.life.lives import age_at
from reliability.records.checks import Complaint, Line, clean_row
from reliability.records.frames import plain_rows
from reliability.records.package import csv_lines, raw_rows, restored, write_table
from reliability.records.tables import LEFT_BECAUSE, Column, Rule, Table, at_least_one, full_date, needs
from reliability.records.values import clean_text
from reliability.worth import odds
from reliability.worth.appraiser import TOO_MANY, Appraiser, Tally
from reliability.worth.odds import Appraisal, FamilyEntry, Floats, Terms, Unit

ReadOffer = tuple[str, dict[str, Any], Sequence[Complaint]]  # its place, its row, complaints by column

# ---- Units on offer: reading them, and turning each into what an appraisal needs

#: Years a production window may span before it is taken for a slip of the pen.
LONGEST_WINDOW = 60
OFFER_COLUMNS = (
    Column("offer", "text", "name or number of the offer; the number of its row where it is empty"),
    Column("family", "text", "model family"),
    Column("model", "text", "name on the front panel"),
    Column("kind", "text", "for a family that the ledger does not know"),
    Column("working_price", "money", "what a working unit fetches, in place of the family's", above=0),
    Column("built_from", "year", "first possible production year", minimum=1800, maximum=2100),
    Column("built_to", "year", "last possible production year", minimum=1800, maximum=2100),
    Column("asked", "money", "price asked; empty: only chance and ceiling are wanted", minimum=0),
    Column("seen_on", "date", "day of the sale"),
    Column("lot", "text", "units that are offered together for one price"),
    Column("lot_asked", "money", "price asked for the whole lot, stated on one of its rows", minimum=0),
    Column("bought", "text", "yes, or the job that it became"),
    Column("left_because", "choice", "why it was not bought", allowed=LEFT_BECAUSE),
)
OFFERS = Table(
    "offers", "One unit on offer.", OFFER_COLUMNS, ("offer",), {},
    (  # they lie in no database, and need no SQL
        at_least_one("family", "model", "kind"),
        Rule("window", "built_to", ("built_from", "built_to"),
             f"the years run forwards and span at most {LONGEST_WINDOW} years",
             lambda row: None in (row["built_from"], row["built_to"])
             or 0 <= row["built_to"] - row["built_from"] <= LONGEST_WINDOW, ""),
        needs("lot_asked", "lot"),
        Rule("left", "left_because", ("left_because", "bought"),
             "left_because is given only where bought is empty or no",
             lambda row: row["left_because"] is None or row["bought"] in (None, "no"), ""),
    ),
)  # fmt: skip
NAMES = OFFERS.names
MOST_OFFERS_BYTES = 20_000_000


def read_offers(path: Path) -> pd.DataFrame:
    """Read an offers file: documented columns, then the signs; text or None, float or NaN, datetime64."""
    if not path.is_file():
        raise InvalidInput(f"{path} is not a file.")
    if path.stat().st_size > MOST_OFFERS_BYTES:
        said = f"has more than {MOST_OFFERS_BYTES:,} bytes, which no list of offers has"
        raise InvalidInput(f"{path.name} {said}.")
    header = [clean_text(cell) for cell in next(raw_rows(path, ",", []), (1, list[str]()))[1]]
    table = _with_signs(header)
    lines = list(csv_lines(path, table))
    if "" in header:
        lines = [Line(f"{path.name}, line 1", None, [("", "a column has no name")])]
    elif {"family", "model", "kind"}.isdisjoint(header) and all(line.row is not None for line in lines):
        found = f"there is no column family, model or kind; found: {', '.join(header) or 'nothing'}"
        lines = [Line(f"{path.name}, line 1", None, [("", found)])]
    read = [(line.place, *(({}, [*line.complaints]) if line.complaints else clean_row(table, line.row or {})))
            for line in lines]  # fmt: skip
    return _offers_table(path.name, read, header).rename(columns=restored)


def offers_from(rows: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Check offers that come from elsewhere than a file; the same rules, places named by offer."""
    names = [name for row in rows for name in row]
    table = _with_signs(names)
    read = [(f"offer {row.get('offer') or i}", *clean_row(table, row))
            for i, row in enumerate(plain_rows(rows), 1)]  # fmt: skip
    return _offers_table("offers", read, names)


def with_signs(unit: Mapping[str, Any], signs: Mapping[str, Any]) -> dict[str, Any]:
    """Put the signs of one unit beside its columns; no sign may pass for one of these."""
    if not isinstance(signs, Mapping):
        raise InvalidInput(f"`signs` must say yes or no by sign, such as {{'rust': 'yes'}}; got {signs!r}.")
    for name in signs:
        if name in NAMES:
            told = f"A sign cannot be called {name!r}: offers have a column of this name."
            raise InvalidInput(f"{told} `benchodds rename` gives it another.")
    return {**unit, **signs}


def _with_signs(names: Iterable[str]) -> Table:
    signs = [name for name in dict.fromkeys(names) if name not in ("", *NAMES)]
    choices = (Column(name, "choice", "seen at the sale", allowed=("yes", "no")) for name in signs)
    return replace(OFFERS, columns=(*OFFER_COLUMNS, *choices))


def lot_called(lot: str) -> str:
    """Name a lot in a sentence; the card's are called "lot 1" already."""
    return lot if lot.casefold().startswith("lot") else f"lot {lot}"


def _offers_table(file: str, read: Iterable[ReadOffer], header: Sequence[str]) -> pd.DataFrame:
    """Refuse faulty offers, also names used twice and lots whose price is unclear; lay out the others."""
    rows, faults, asked = [], list[Fault](), defaultdict[str, set[float]](set)
    for place, row, complaints in read:
        for name, message in complaints:
            near = nearest(name, NAMES).replace("Did you mean", "Did you mean the column")
            is_sign = name not in ("", *NAMES)
            faults.append(Fault(place, name, f"read as a sign: {message}{near}" if is_sign else message))
        if row:
            rows.append(row)
            first, last = row["built_from"], row["built_to"]
            row["offer"] = row["offer"] or str(len(rows))
            row["built_from"], row["built_to"] = first or last, last or first
            if row["lot"] is not None and row["lot_asked"] is not None:
                asked[row["lot"]].add(row["lot_asked"])
    counts = Counter(row["offer"] for row in rows)
    told = [("offer", f"{name!r} is used {n} times") for name, n in sorted(counts.items()) if n > 1]
    for lot, prices in asked.items():
        if len(prices) > 1:
            said = " and ".join(f"{price:g}" for price in sorted(prices))
            told.append(("lot_asked", f"{lot_called(lot)} has one price; found {said}"))
    refuse([*faults, *(Fault(file, *each) for each in told)], "Nothing was judged or written.")
    signs = [name for name in dict.fromkeys(header) if name not in NAMES]
    table = pd.DataFrame(rows, columns=[*NAMES, *signs], dtype=object)
    for name in ("working_price", "built_from", "built_to", "asked", "lot_asked"):
        table[name] = pd.to_numeric(table[name]).astype(float)
    days = [day and full_date(day) for day in table["seen_on"]]
    table["seen_on"] = pd.to_datetime(pd.Series(days, dtype=object), format="%Y-%m-%d")
    texts = [column.name for column in OFFER_COLUMNS if column.kind in ("text", "choice")]
    return table.astype(dict.fromkeys([*texts, *signs], object))


def plain_offers(
    offers: pd.DataFrame, verdicts: pd.DataFrame, day: datetime.date
) -> list[tuple[dict[str, Any], dict[str, str]]]:
    """Take offers apart into plain values and signs, with what was said of them, for the ledger to keep."""
    seen = []
    for offer, said in zip(plain_rows(offers), verdicts.to_dict("records"), strict=True):
        row = {name: offer[name] for name in NAMES} | {"seen_on": (offer["seen_on"] or day).isoformat()}
        row |= {"verdict": said["verdict"], "ceiling": round(float(said["ceiling"]), 2)}
        signs = {name: str(cell) for name, cell in offer.items() if name not in NAMES and cell is not None}
        seen.append((row, signs))
    return seen


def find_entry(offer: Mapping[str, Any], appraiser: Appraiser) -> tuple[FamilyEntry, list[str]]:
    """Find what the ledger knows of an offer, and say what it does not know."""
    (family, notes), kind = _named_family(offer, appraiser), offer["kind"]
    if family is not None and family in appraiser.families:
        entry = appraiser.families[family]
        if kind is not None and kind != entry.kind:
            raise _contradicts(offer, f"family {family!r} is of kind {entry.kind!r} in the ledger", kind)
        return entry, notes
    if family is not None:
        _ask_if_near(offer, "family", [*appraiser.families, *appraiser.models])
        notes.append(f"unknown family {family}")
    if kind in appraiser.kinds and kind:
        return appraiser.kinds[kind], [*notes, f"judged from all of kind {kind}"]
    if kind is not None:
        _ask_if_near(offer, "kind", [name for name in appraiser.kinds if name])
        notes.append(f"unknown kind {kind}")
    return appraiser.kinds[""], [*notes, "judged from all kinds"]


def _named_family(offer: Mapping[str, Any], appraiser: Appraiser) -> tuple[str | None, list[str]]:
    """Find the family that an offer names itself or by its model, and say which model is not known."""
    family, model = offer["family"], offer["model"]
    its_family = appraiser.models.get(model)
    if model is None or its_family is not None:
        if None not in (family, its_family) and family != its_family:
            raise _contradicts(offer, f"the ledger has model {model!r} in family {its_family!r}", family)
        return its_family or family, []
    if family is None:
        if model in appraiser.families:
            return model, []
        _ask_if_near(offer, "model", [*appraiser.models, *appraiser.families])
    return family, [f"unknown model {model}"]


def _contradicts(offer: Mapping[str, Any], known: str, said: str) -> InvalidInput:
    both = f"{known}, but the offer says {said!r}"
    return InvalidInput(f"Offer {offer['offer']}: {both}. Correct one of the two.")


def _ask_if_near(offer: Mapping[str, Any], column: str, known: Iterable[str]) -> None:
    """Refuse what is nearly a known name, unless the offer describes a unit that is new to the ledger."""
    name, is_kind = offer[column], column == "kind"
    is_described = offer["kind"] is not None and not np.isnan(offer["working_price"])
    if (is_kind or not is_described) and (near := nearest(name, known)):
        new = "leave it out" if is_kind else "if it is new indeed, give its kind and a working_price"
        said = f"the ledger has no {column} {name!r}.{near} Correct it, or {new}."
        raise InvalidInput(f"Offer {offer['offer']}: {said}")


def read_unit(
    offer: Mapping[str, Any], entry: FamilyEntry, appraiser: Appraiser, as_of: datetime.date
) -> tuple[Unit, list[str]]:
    """Turn an offer into ages, signs and price."""
    seen_on = as_of if pd.isna(offer["seen_on"]) else offer["seen_on"].date()
    first, last, notes = offer["built_from"], offer["built_to"], []
    if np.isnan(first):
        years = odds.assumed_years(entry.first_year, entry.last_year, entry.reference_year, seen_on.year)
        last = min(entry.last_year, float(seen_on.year))
        span = f"{years[0]:.0f}" if years.size == 1 else f"{entry.first_year:.0f} to {last:.0f}"
        notes.append(f"production year not given, {span} assumed")
    elif last > seen_on.year:
        said = f"built in {last:.0f}, after the day it was seen ({seen_on})"
        raise InvalidInput(f"Offer {offer['offer']}: {said}. Correct built_to or seen_on.")
    else:
        years = np.arange(first, last + 1)
    ages = age_at(np.full(years.size, np.datetime64(seen_on)), years)
    if not np.isnan(entry.oldest_seen) and ages.mean() > entry.oldest_seen + 1:
        notes.append(f"older than any on record ({entry.oldest_seen:.0f} years)")
    known = {*NAMES, *appraiser.shared.signs}
    strange = [name for name in offer if name not in known and offer[name] is not None]
    notes += [f"sign {name} is on no record, ignored" for name in strange]
    signs = _sign_values(offer, appraiser)
    if np.count_nonzero(signs == 1.0) > odds.MOST_SEEN:
        notes.append(f"components judged by the {odds.MOST_SEEN} signs that tell most of them")
    weight = np.full(years.size, 1.0 / years.size)
    return Unit(ages, years, weight, signs, float(offer["working_price"])), notes


def _sign_values(seen: Mapping[str, Any], appraiser: Appraiser) -> Floats:
    """Put signs in numbers: 1 seen, 0 not seen, NaN nobody looked; ndarray, shape (n_signs,)."""
    values = {"yes": 1.0, "no": 0.0}
    return np.array([values.get(str(seen.get(name)), np.nan) for name in appraiser.shared.signs], np.float64)


def usual_unit(entry: FamilyEntry, appraiser: Appraiser, day: datetime.date) -> Unit:
    """Give a unit of which nothing is known but whose it is: of one of its years, no sign looked for."""
    nothing = {**dict.fromkeys(NAMES), "built_from": np.nan, "working_price": np.nan, "seen_on": pd.NaT}
    return read_unit(nothing, entry, appraiser, day)[0]


def entry_of(appraiser: Appraiser, family: str) -> FamilyEntry:
    """Give what is known of a family of the ledger."""
    if family not in appraiser.families:
        raise unknown("The ledger holds no family", family, appraiser.families)
    return appraiser.families[family]


def unit_of(
    appraiser: Appraiser, family: str, *, built_from: int | None = None, built_to: int | None = None,
    signs: Mapping[str, str] | None = None, seen_on: datetime.date | None = None,
) -> tuple[FamilyEntry, Unit, list[str]]:  # fmt: skip
    """Describe a unit of a family of the ledger, seen on the appraiser's day unless it is said when."""
    entry = entry_of(appraiser, family)
    row: dict[str, Any] = {"offer": family, "family": family, "seen_on": seen_on}
    row |= {"built_from": built_from, "built_to": built_to}
    offer = offers_from([with_signs(row, signs or {})]).to_dict("records")[0]
    return entry, *read_unit(offer, entry, appraiser, appraiser.as_of)


# ---- From an appraisal and an asked price to one of four words

#: Below this many jobs of a family its records are few, and trying one can be worth its price.
TAKE, HAGGLE, TRY_ONE, SKIP = "take", "haggle", "try one", "skip"
FEW_JOBS = 10


def cents(amount: float) -> float:
    """Round money to two decimals, halves up, as a browser does it too."""
    return float(np.floor(amount * 100.0 + 0.5) / 100.0)


def weighted_quantile(values: Floats, weights: Floats, share: float) -> float:
    """Smallest value with at least `share` of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weights[order])
    at = min(int(np.searchsorted(total, share * total[-1] - 1e-12)), values.size - 1)
    return float(values[order][at])


def ceiling_price(gain_free: Floats, terms: Terms) -> float:
    """Highest price at which the verdict is take; below 0 where even a gift would cost money."""
    mean = cents(float(gain_free.mean())) - terms.margin
    if terms.caution > 0:
        mean = min(mean, float(np.quantile(gain_free, 1.0 - terms.caution)) - terms.margin)
    return cents(mean)


def lesson_worth(entry: FamilyEntry, appraisal: Appraisal, terms: Terms, asked: float) -> float:
    """Worth of what one more job would teach."""
    # Preposterior analysis over the two outcomes of the job: each reweighs the states of knowledge by the
    # chance that they gave it (Raiffa, Schlaifer, Applied Statistical Decision Theory, Harvard, 1961, ch. 4).
    over_margin = appraisal.gain_free - asked - terms.margin
    repaired = float((appraisal.success * over_margin).mean())
    unrepaired = float(((1.0 - appraisal.success) * over_margin).mean())
    # The rise in gain if it is known which of the two holds before deciding.
    return entry.offers_expected * max(0.0, min(repaired, -unrepaired), min(unrepaired, -repaired))


def decide(entry: FamilyEntry, appraisal: Appraisal, terms: Terms, asked: float, ceiling: float) -> str:
    """Choose the verdict."""
    promised = cents(float(appraisal.gain_free.mean())) - terms.margin
    founded = ceiling if entry.kind_jobs > 0 else -np.inf  # without a finished job of its kind none is taken
    lessons = [lesson_worth(entry, appraisal, terms, asked)] if can_teach(entry) else []
    return choose(founded, ceiling, promised, lessons, terms, asked)


def can_teach(entry: FamilyEntry) -> bool:
    """Tell whether one more job of a family could teach anything: few were seen, and none is open."""
    return entry.jobs_seen < FEW_JOBS and entry.open_jobs == 0


def choose(
    ceiling: float, worth: float, promised: float, lessons: Sequence[float], terms: Terms, asked: float
) -> str:
    """Choose the word for one unit or for a lot."""
    if asked <= ceiling:
        return TAKE
    if 0 < ceiling and asked <= ceiling * (1.0 + terms.haggle_room):
        return HAGGLE
    pays = asked <= worth or sum(lessons) > max(0.0, asked - promised)
    return TRY_ONE if lessons and pays else SKIP


# ---- Units that are offered together for one price: each is tried, broken for parts, or passed on

#: Bins of an amount at least, in which the gains of several units are added up.
TRY, BREAK, PASS_ON = "try", "break for parts", "pass on"
LEAST_BINS = 2048


@dataclass(frozen=True)
class LotUnit:
    """One unit of a lot, and the best that can be done with it."""

    entry: FamilyEntry
    appraisal: Appraisal
    share: float  # what it costs of the lot's price; NaN: none is asked
    way: str  # TRY, BREAK at once, or PASS_ON for nothing
    worth: float  # what it adds to the highest price for the lot, 0 or more
    gain_free: float  # its mean gain at a price of 0
    cases: Floats  # (n_draws, n_cases): gains at a price of 0 by state of knowledge
    case_weight: Floats  # sums to 1 in each state

    @property
    def name(self) -> str:
        """What it shares its doubts with."""
        return f"{self.entry.kind}\n{self.entry.family}"


def lot_unit(
    entry: FamilyEntry, shared: odds.Shared, terms: Terms, appraisal: Appraisal, share: float
) -> LotUnit:
    """Choose what to do with a unit of a lot; broken for parts it brings what a plan says of stopping."""
    parts = entry.remains.drawn(shared.draws[:, 2]) - entry.other_unrepaired
    tried, broken = ceiling_price(appraisal.gain_free, terms), ceiling_price(parts, terms)
    n = len(parts)
    way, worth, gain, cases = PASS_ON, 0.0, 0.0, np.zeros((n, 1))
    if max(tried, broken) > 0:
        way, worth, free = (TRY, tried, appraisal.gain_free) if tried >= broken else (BREAK, broken, parts)
        gain, cases = cents(float(free.mean())), parts[:, None] + entry.remains.spread * odds.CASES
    if way == TRY:
        cases, weight = appraisal.cases.reshape(n, -1), n * appraisal.case_weight.reshape(n, -1)
    else:
        weight = np.full(cases.shape, 1.0 / cases.shape[1])
    return LotUnit(entry, appraisal, share, way, worth, gain, cases, weight)


def lot_chance_of_loss(units: Sequence[LotUnit], asked: float) -> float:
    """Chance that all units of a lot together bring less than it costs."""
    units = [unit for unit in units if unit.way != PASS_ON]
    if not units:
        return float(asked > 0)
    if len(units) == 1:
        return float(units[0].case_weight[units[0].cases < asked].sum() / len(units[0].cases))
    lows = [float(unit.cases.min()) for unit in units]
    span = sum(float(unit.cases.max()) for unit in units) - sum(lows)
    bins = LEAST_BINS
    while bins < 4 * (len(units) + 2):
        bins *= 2
    width = max(span, 1e-9) / (bins - len(units) - 2)
    by_family: dict[str, NDArray[np.complex128]] = {}
    for unit, low in zip(units, lows, strict=True):
        at = (unit.cases - low) / width
        below = np.floor(at).astype(np.int64)
        share = np.zeros((len(at), bins))
        rows = np.arange(len(at))[:, None]
        np.add.at(share, (rows, below), unit.case_weight * (1.0 - (at - below)))
        np.add.at(share, (rows, below + 1), unit.case_weight * (at - below))
        by_family[unit.name] = by_family.get(unit.name, np.ones(1)) * np.fft.rfft(share, axis=1)
    whole = np.prod([wave.mean(axis=0) for wave in by_family.values()], axis=0)
    chance = np.fft.irfft(whole, bins)
    until = (asked - sum(lows)) / width - np.arange(bins)
    return float(np.clip(chance @ np.clip(until + 0.5, 0.0, 1.0), 0.0, 1.0))


def lot_ceiling(units: Sequence[LotUnit]) -> float:
    """Highest price at which a lot is one to take: units of kinds without a finished job are no ground."""
    return cents(sum(unit.worth for unit in units if unit.entry.kind_jobs > 0))


def decide_lot(units: Sequence[LotUnit], terms: Terms, asked: float) -> str:
    """Choose the verdict on a lot."""
    lessons: dict[str, float] = {}  # of each family one is enough
    for unit in units:
        if can_teach(unit.entry):
            lesson = lesson_worth(unit.entry, unit.appraisal, terms, unit.share)
            lessons[unit.name] = max(lesson, lessons.get(unit.name, 0.0))
    promised = sum(unit.gain_free - terms.margin for unit in units if unit.way != PASS_ON)
    worth = cents(sum(unit.worth for unit in units))
    return choose(lot_ceiling(units), worth, promised, [*lessons.values()], terms, asked)


# ---- Offers in, verdicts out: one row each, none depending on another

VERDICT_COLUMNS = (
    "offer", "verdict", "ceiling", "expected_gain", "gain_low", "gain_high", "chance_of_loss",
    "success_chance", "success_low", "success_high", "hours", "chief_risk", "jobs_seen", "evidence", "note",
    "lot_ceiling", "lot_expected_gain", "lot_chance_of_loss", "worth",
)  # fmt: skip
MONEY = ("ceiling", "expected_gain", "gain_low", "gain_high", "lot_ceiling", "lot_expected_gain", "worth")
TEXTS = ("offer", "verdict", "chief_risk", "evidence", "note")


class _Judged(NamedTuple):
    """A unit on offer, and its row of verdicts."""

    offer: Mapping[str, Any]
    entry: FamilyEntry
    unit: Unit
    appraisal: Appraisal
    row: dict[str, Any]


def judge(offers: pd.DataFrame, appraiser: Appraiser, *, as_of: datetime.date | None = None) -> pd.DataFrame:
    """Judge units on offer."""
    judged, faults = list[_Judged](), []
    for offer in offers.to_dict("records"):
        try:
            judged.append(_judge_one(offer, appraiser, as_of or appraiser.as_of))
        except InvalidInput as error:
            faults.append(error.message)
    refuse(faults, "Nothing was judged or written.")
    for lot in dict.fromkeys(each.offer["lot"] for each in judged if each.offer["lot"] is not None):
        _judge_lot(lot, [each for each in judged if each.offer["lot"] == lot], appraiser)
    table = pd.DataFrame([each.row for each in judged], columns=list(VERDICT_COLUMNS))
    kinds: dict[str, type] = {**dict.fromkeys(VERDICT_COLUMNS, float), **dict.fromkeys(TEXTS, object)}
    return table.astype(kinds | {"jobs_seen": int})


def _judge_one(offer: Mapping[str, Any], appraiser: Appraiser, day: datetime.date) -> _Judged:
    entry, notes = find_entry(offer, appraiser)
    unit, more = read_unit(offer, entry, appraiser, day)
    appraisal = odds.appraise(entry, appraiser.shared, appraiser.terms, unit)
    row = verdict_row(entry, appraisal, appraiser, float(offer["asked"]))
    if row["rival_risk"]:
        more.append(f"{row['chief_risk']} and {row['rival_risk']} end as many jobs")
    more += standing_notes(entry, appraiser.tally)
    if entry.price_doubt > 0 and np.isnan(unit.working_price):
        more.append(f"no working price given, {entry.working_price:.0f} {appraiser.currency} assumed")
    row = {"offer": offer["offer"], **row, "note": "; ".join([*notes, *more])}
    return _Judged(offer, entry, unit, appraisal, row)


def _judge_lot(lot: str, members: Sequence[_Judged], appraiser: Appraiser) -> None:
    """Write into the rows of a lot what it is worth as a whole, and what its units are worth singly."""
    prices = [float(each.offer["lot_asked"]) for each in members]
    asked = next((price for price in prices if not np.isnan(price)), np.nan)
    own = np.array([each.unit.working_price for each in members])
    price = np.where(np.isnan(own), [each.entry.working_price for each in members], own)
    if any(np.isnan(own) & [each.entry.price_doubt > 0 for each in members]):
        price = np.ones(len(members))
    terms = appraiser.terms
    units = [
        lot_unit(each.entry, appraiser.shared, terms, each.appraisal, asked * weight / price.sum())
        for each, weight in zip(members, price, strict=True)
    ]
    whole: dict[str, Any] = {"lot_ceiling": lot_ceiling(units)}
    if not np.isnan(asked):
        whole["verdict"] = decide_lot(units, terms, asked)
        whole["lot_expected_gain"] = cents(sum(unit.gain_free for unit in units) - asked)
        whole["lot_chance_of_loss"] = round(lot_chance_of_loss(units, asked), 4)
    over = cents(sum(unit.worth for unit in units)) - asked
    # Which units to buy one by one, where prices of their own are asked and that is worth more.
    chosen = [
        (str(each.offer["offer"]), float(each.offer["asked"]), unit)
        for each, unit in zip(members, units, strict=True)
        if unit.worth > each.offer["asked"] and unit.entry.kind_jobs > 0
    ]
    singly = ""
    if sum(unit.worth - price for _, price, unit in chosen) > max(over, 0.0):
        names, paid = ", ".join(name for name, *_ in chosen), sum(price for _, price, _ in chosen)
        gain = sum(unit.gain_free for *_, unit in chosen) - paid
        singly = f"better bought singly: {names} for {paid:.2f} {appraiser.currency}, mean gain {gain:.2f}"
    for each, unit in zip(members, units, strict=True):
        notes = (each.row["note"], f"{lot_called(lot)}: {unit.way}", singly)
        part = unit.worth if unit.entry.kind_jobs > 0 else 0.0  # else it is no ground for the lot's ceiling
        each.row.update(whole, worth=part, note="; ".join(filter(None, notes)))


def verdict_row(
    entry: FamilyEntry, appraisal: Appraisal, appraiser: Appraiser, asked: float
) -> dict[str, Any]:
    """Fill the columns of one verdict."""
    ceiling = ceiling_price(appraisal.gain_free, appraiser.terms)
    chief, rival = chief_risks(entry, appraisal, appraiser)
    low, high = np.quantile(appraisal.success, (0.05, 0.95))
    row: dict[str, Any] = {
        "verdict": None, "ceiling": ceiling,
        **dict.fromkeys(("expected_gain", "gain_low", "gain_high", "chance_of_loss"), np.nan),
        "success_chance": round(float(appraisal.success.mean()), 4),
        "success_low": round(float(low), 4), "success_high": round(float(high), 4),
        "hours": round(appraisal.hours, 2), "chief_risk": chief, "rival_risk": rival,
        "jobs_seen": entry.jobs_seen, "evidence": entry.evidence,
    }  # fmt: skip
    if not np.isnan(asked):
        gains = appraisal.cases - asked
        row["verdict"] = decide(entry, appraisal, appraiser.terms, asked, ceiling)
        row["expected_gain"] = cents(cents(float(appraisal.gain_free.mean())) - asked)
        row["gain_low"] = cents(weighted_quantile(gains, appraisal.case_weight, 0.1))
        row["gain_high"] = cents(weighted_quantile(gains, appraisal.case_weight, 0.9))
        row["chance_of_loss"] = round(float(appraisal.case_weight[gains < 0].sum()), 4)
    return row


def chief_risks(
    entry: FamilyEntry, appraisal: Appraisal, appraiser: Appraiser
) -> tuple[str | None, str | None]:
    """Name the component likeliest to end the job, and the next one where both do to a whole percent."""
    names, ends = appraiser.components_of(entry), appraisal.states.ends
    known = [i for i, name in enumerate(names) if name in appraiser.shared.known_components]
    first = sorted(known, key=lambda i: -ends[i])[:2]
    whole = [np.floor(100.0 * ends[i] + 0.5) for i in first]
    is_tied = len(first) == 2 and whole[0] == whole[1] > 0
    return names[first[0]] if first else None, names[first[1]] if is_tied else None


NOTHING_BEHIND = "no finished job of its kind stands behind this"


def standing_notes(entry: FamilyEntry, tally: Tally) -> list[str]:
    """Say what holds for every verdict of such an entry: that nothing stands behind it; uncounted gaps."""
    notes = [] if entry.kind_jobs else [f"{NOTHING_BEHIND}: at most one to try"]
    return [*notes, *gaps_notes(tally)]


def gaps_notes(tally: Tally) -> list[str]:
    """Say that gaps are too many to be counted, where they are; list of str, at most one."""
    if tally.gaps != TOO_MANY:
        return []
    numbers = "1 job number is" if tally.jobs_missing == 1 else f"{tally.jobs_missing} job numbers are"
    return [f"{numbers} missing and not counted while count_gaps is not set"]


def write_verdicts(verdicts: pd.DataFrame, path: Path) -> None:
    """Write verdicts as CSV (RFC 4180, UTF-8); the file is replaced in one step."""
    shown = verdicts.copy()
    for name in MONEY:
        shown[name] = [Decimal(f"{value:.2f}") if np.isfinite(value) else None for value in verdicts[name]]
    write_table(path, shown.columns, shown.itertuples(index=False))


# ---- What a unit fetches once it works


def price_to_ask(appraiser: Appraiser, document: Mapping[str, Any]) -> tuple[float, str]:
    """Tell what the unit of a job fetches once it works: the mean, and what 80 % of such sales fetch."""
    entry = entry_of(appraiser, str(document["job"]["family"]))
    signs = _sign_values({row["sign"]: row["seen"] for row in document["signs"]}, appraiser)
    unit = replace(usual_unit(entry, appraiser, appraiser.as_of), signs=signs)
    price, log_ratio = odds.price_draws(entry, appraiser.shared, unit)
    sales = (price * np.exp(log_ratio[:, None] + entry.ratio.spread * odds.CASES)).ravel()
    mean = odds.mean_price(entry, appraiser.shared, unit).mean()
    low, high = np.quantile(sales, [0.1, 0.9])
    given = "" if entry.price_doubt == 0 else f"; no working price given, {entry.working_price:.0f} assumed"
    return float(mean), f"80 % of such sales: {low:.2f} to {high:.2f}{given}"
