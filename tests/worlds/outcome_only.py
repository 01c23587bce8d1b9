"""A bench that writes down how a job went, and hardly why.

What drives outcomes. No component has a life here. Whether a unit is repaired is a coin whose odds add up, on
the logit scale, from the quality of its maker (a maker builds several families, of several kinds), of its
family, and of its kind; from a weak wave of age, good and bad vintages, neither rising nor falling; from the
state of the goods at the sales in that year (it wanders, and forgets half of itself in four years); from what
the owner has learnt since the first job (fast at first, then less); and from signs. A sign means something
else in each kind: for most pairs little, for some a lot, and not always for the worse, for a dead receiver
may need a fuse where a dead video recorder needs a miracle. Behind the signs stands how the unit was kept
(indoors, in a shed, or already opened by somebody), which nobody tells; it makes signs come together and
lowers the odds by itself. A sign counts whether or not anybody looked. Rust, residue and missing parts also
lower what a repaired unit fetches.

What can be looked at. Where the seller has no socket nothing electrical is seen, and on a dead unit neither
hum nor the transport can be tried. So what is left open depends on what was seen, never on what stayed
hidden.

What is recorded. Family, kind, mostly the maker, outcome, dates, most prices paid and fetched; hours and
costs now and then, and every cost in one lump, parts included. Failed jobs stay on the bench for longer than
repaired ones, so the open ones are the worse ones and the finished jobs of the last months look too good.

What is wrong in the records. Signs are written in half of the jobs, seldom in the early years (when the owner
was worse, too), and a "no" is written less often than a "yes". The owner's price estimates lean to one side,
and some are missing. What the trade says is bent. Sellers know a little: they ask more for what looks
likelier to come right.

Variants. "outcomes only": some 300 jobs, no component and no year of production anywhere in the jobs. "small
bench": the same with 60 jobs of 12 families. "ended by": 350 jobs, most failures name a component that ended
them, drawn by shares of the kind which signs tilt a little and age not at all; half of the years known.
"harmless gaps": 300 jobs numbered by a booklet that serves other things too, so thousands of numbers lack,
and not one job.
"""

import datetime
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import expit, softmax

from tests.worlds import Drawn, even, iso, settings_rows, truth_row

VARIANTS: tuple[str, ...] = ("outcomes only", "small bench", "ended by", "harmless gaps")

Array = NDArray[Any]
Rng = np.random.Generator
Row = dict[str, Any]
Bag = SimpleNamespace  # a trade (arrays by family unless said otherwise), or units (arrays by unit)

# jobs, families in the tables, makers, years, share of jobs and of offers with years, share of failures named
SIZES = {
    "outcomes only": (300, 26, 7, 8.0, 0.0, 0.2, 0.0),
    "small bench": (60, 12, 4, 4.5, 0.0, 0.2, 0.0),
    "ended by": (350, 26, 7, 8.0, 0.5, 0.5, 0.85),
    "harmless gaps": (300, 26, 7, 8.0, 0.0, 0.2, 0.0),
}
KINDS = ("tape deck", "turntable", "receiver", "video recorder")
SPANS = ((1974, 1992), (1972, 1988), (1973, 1992), (1980, 1995))
SIGNS = ("no power", "dead transport", "hum", "rust", "damp store", "sticky residue", "missing parts")
ELECTRICAL = np.arange(len(SIGNS)) < 3
COMMON = np.array([0.22, 0.30, 0.15, 0.16, 0.14, 0.20, 0.12])
AGEING = np.array([0.01, 0.02, 0.02, 0.02, 0.0, 0.04, 0.0])  # logit of a sign, by year of age
BLEMISH = np.array([0, 0, 0, 0.12, 0, 0.04, 0.15])  # share of the price that a sign costs
KEPT = np.array(  # logit of each sign by way of keeping: indoors, in a shed, opened by somebody
    [[0, 0, 0, -0.5, -1.2, 0, -0.5], [0.3, 0.4, 0.3, 1.6, 2.3, 0.3, 0.2], [0.6, 0.6, 0.3, 0, 0, -0.3, 2]]
)
COMBOS = (np.arange(2 ** len(SIGNS))[:, None] >> np.arange(len(SIGNS)) & 1).astype(bool)
PARTS = ("belt", "idler", "head", "motor", "capacitor", "regulator", "switch", "display", "gear", "bearing")
BUILT_OF = ((0, 1, 2, 3, 4, 8), (0, 3, 4, 6, 9), (4, 5, 6, 7), (0, 2, 3, 5, 7, 8))
FAILED = np.array(["donor", "scrapped", "sold as is"])
WHYS = ("parts not available", "parts too expensive", "cannot be opened", "too worn", "not worth it")
HEADS = ("Vorl", "Quamb", "Bresk", "Ilzen", "Dof", "Murl", "Skev", "Plind", "Zarb", "Onth", "Fruk", "Yeld")
TAILS = ("ick", "ode", "ambe", "ulo", "eth", "anor", "ump", "ixa")
FIRST_SEASON = 2010


def _pick(rng: Rng, shares: Array) -> Array:
    """Index drawn by the shares in each row."""
    return (rng.random(len(shares))[:, None] > shares.cumsum(1)[:, :-1]).sum(1)


def _noise(rng: Rng, cv: Array | float, n: int) -> Array:
    """Positive noise of mean one."""
    s = np.sqrt(np.log1p(np.square(cv)))
    return np.exp(rng.normal(0.0, 1.0, n) * s - s**2 / 2)


def _outcomes(rng: Rng, t: Bag, n: int, n_makers: int) -> None:
    """What drives outcomes; the level is shifted later, by the bench's jobs."""
    shape = (len(KINDS), len(SIGNS))
    t.level = rng.normal(0, 0.6, n_makers)[t.maker] + rng.normal(0, 0.4, len(KINDS))[t.kind]
    t.level += rng.normal(0, 0.55, n)
    strong = np.where(rng.random(shape) < 0.45, rng.normal(-0.3, 1.1, shape), rng.normal(0, 0.15, shape))
    t.effect = rng.normal(-0.35, 0.35, len(SIGNS)) + strong  # kind by sign
    t.common = np.log(COMMON / (1 - COMMON)) + rng.normal(0, 0.35, shape)  # kind by sign, logit
    t.common[KINDS.index("receiver"), SIGNS.index("dead transport")] = -60.0  # it has none
    t.kept = rng.dirichlet([7, 3, 2.5], len(KINDS))  # kind by way of keeping
    t.harm = np.array([0.0, -rng.uniform(0.1, 0.8), -rng.uniform(0.5, 1.4)])  # by way of keeping
    t.wave = rng.uniform([0.2, 14.0, 0.0], [0.45, 26.0, 2 * np.pi])  # size, period, phase
    t.learn = rng.uniform([0.5, 1.0], [1.2, 3.0])  # size, years
    t.season, rho = rng.normal(0, 0.45, 2026 - FIRST_SEASON), 0.5**0.25  # by year
    for i in range(1, len(t.season)):
        t.season[i] = rho * t.season[i - 1] + np.sqrt(1 - rho**2) * t.season[i]
    t.causes = np.full((len(KINDS), len(PARTS) + 1), -np.inf)  # kind by component and "nothing named", logit
    for kind, built_of in enumerate(BUILT_OF):
        t.causes[kind, [*built_of, -1]] = rng.normal(0, 0.9, len(built_of) + 1)
    t.tilt = rng.normal(0, 0.35, (len(SIGNS), len(PARTS) + 1))


def _trade(rng: Rng, variant: str) -> Bag:
    """Every parameter of the trade; its last family is in no table, the one before it never came up."""
    _, n, n_makers, years, *_, named = SIZES[variant]
    n, n_kinds = n + 1, len(KINDS)
    t = Bag(variant=variant, named=named, kind=rng.permutation(np.arange(n) % n_kinds))
    t.maker = rng.permutation(np.arange(n) % n_makers)
    t.makers = [HEADS[h] + rng.choice(TAILS) for h in rng.permutation(len(HEADS))[:n_makers]]
    codes = [
        f"{'DPRV'[k]}{c}" for k, c in zip(t.kind, rng.permutation(np.arange(110, 990, 10)), strict=False)
    ]
    t.names = [f"{t.makers[m]} {c}" for m, c in zip(t.maker, codes, strict=True)]
    spans = np.array(SPANS)[t.kind]
    t.first = spans[:, 0] + (rng.random(n) * (spans[:, 1] - spans[:, 0] - 4)).astype(int)
    t.last = np.minimum(t.first + rng.integers(4, 12, n), 1999)
    t.popularity = rng.permutation(1.0 / np.arange(1, n + 1) ** 0.8) * (np.arange(n) < n - 2)
    t.popularity /= t.popularity.sum()
    t.price = rng.uniform(80, 170, n_kinds)[t.kind] * np.exp(rng.normal(0, 0.4, n))
    t.spread = rng.uniform(0.15, 0.35, n)
    t.salvage = t.price * rng.uniform(0.08, 0.28, n_makers)[t.maker]
    work = rng.uniform([1.5, 2.0, 2.0, 5.0], [3.5, 4.5, 7.0, 18.0], (n_kinds, 4))[t.kind]
    work *= np.exp(rng.normal(0, 0.2, (n, 4)))
    t.hours, t.costs = work[:, :2], work[:, 2:]  # by (failed, repaired)
    t.ends = rng.dirichlet([5, 3, 2.5], n_kinds)[t.kind]  # by FAILED
    t.hour_rate, t.fee = float(rng.integers(3, 9)), float(rng.integers(5, 14)) / 100
    t.disposal, t.margin = float(rng.integers(0, 6)), float(rng.choice([0, 0, 5, 8]))
    t.guess = t.price * np.exp(rng.normal(0.06, 0.1) + rng.normal(0, 0.15, n))
    t.as_of = datetime.date(2025, 11, 30).toordinal() - int(rng.integers(0, 200))
    t.start = t.as_of - int(365.25 * years)
    _outcomes(rng, t, n, n_makers)
    return t


def _age(day: Array, built: Array) -> Array:
    """Age in years on a day, from the middle of the year of production."""
    return 1969.5 + (day - datetime.date(1970, 1, 1).toordinal()) / 365.25 - built


def _sign_odds(t: Bag, kind: Array, kept: Array, age: Array) -> Array:
    """Chance of each sign (last axis), from the kind, the keeping and the age."""
    return expit(t.common[kind] + KEPT[kept] + AGEING * (age[..., None] - 32.0))


def _learnt(t: Bag, day: Array) -> Array:
    """Share of what there is to learn that the owner has learnt by a day."""
    return 1.0 - np.exp(-(day - t.start) / 365.25 / t.learn[1])


def _logit(t: Bag, u: Bag, kept: Array, age: Array, signs: Array) -> Array:
    """Logit of a repair: of all units, or of one over arrays of its hidden things."""
    wave = t.wave[0] * np.sin(2 * np.pi * age / t.wave[1] + t.wave[2])
    marks = (t.effect[t.kind[u.family]] * signs).sum(-1)
    when = t.season[u.year - FIRST_SEASON] + t.learn[0] * _learnt(t, u.day)
    return t.level[u.family] + t.harm[kept] + wave + marks + when


def _units(rng: Rng, t: Bag, share: Array, day: Array, dated: float) -> Bag:
    """Units as the market brings them on these days, and what of them can be looked at."""
    n = len(day)
    u = Bag(day=day, family=rng.choice(len(share), n, p=share), known=rng.random(n) < dated)
    u.year = np.array([datetime.date.fromordinal(int(d)).year for d in day])
    kind, first, last = t.kind[u.family], t.first[u.family], t.last[u.family]
    built = first + (rng.random(n) * (last - first + 1)).astype(int)
    block, exact = built // 4 * 4, rng.random(n) < 0.55  # else the four years of a serial number's range
    u.low = np.where(u.known, np.where(exact, built, np.maximum(first, block)), first)
    u.high = np.where(u.known, np.where(exact, built, np.minimum(last, block + 3)), last)
    kept, age = _pick(rng, t.kept[kind]), _age(day, built)
    u.signs = rng.random((n, len(SIGNS))) < _sign_odds(t, kind, kept, age)
    u.logit = _logit(t, u, kept, age, u.signs)
    u.looked = rng.random(u.signs.shape) < 0.88
    u.looked[rng.random(n) < 0.18] &= ~ELECTRICAL  # no socket
    u.looked[:, 1:3] &= (u.looked[:, 0] & ~u.signs[:, 0])[:, None]  # dead: nothing more to be tried
    u.looked[:, 1] &= kind != KINDS.index("receiver")
    return u


def _judge_one(t: Bag, u: Bag, i: int) -> tuple[float, float, Array]:
    """One unit over all it may hide: chance, the same times what blemishes leave, chance by cause."""
    one = Bag(family=u.family[i], day=u.day[i], year=u.year[i])
    combos = COMBOS[((COMBOS == u.signs[i]) | ~u.looked[i]).all(1)]
    kind, kept = t.kind[one.family], np.arange(len(KEPT))[:, None]
    age = _age(one.day, np.arange(u.low[i], u.high[i] + 1))[None]
    seen = combos[:, None, None, :]
    q = _sign_odds(t, kind, kept, age)
    weight = np.where(seen, q, 1.0 - q).prod(-1) * t.kept[kind][:, None]
    weight /= weight.sum()
    chance = expit(_logit(t, one, kept, age, seen))
    right, wrong = (weight * chance).sum((1, 2)), (weight * (1.0 - chance)).sum((1, 2))
    ends = softmax(t.causes[kind] + combos @ t.tilt, axis=1)
    return right.sum(), right @ (1.0 - BLEMISH * combos).prod(1), wrong @ ends


def _judge(t: Bag, u: Bag) -> None:
    """Add what is true of each unit given its row: chance, causes, worth before the price paid."""
    chance, fetches, causes = zip(*(_judge_one(t, u, i) for i in range(len(u.day))), strict=True)
    f, u.chance, u.causes = u.family, np.array(chance), np.array(causes)
    effort = t.hours[f] * _speed(t, u)[:, None] * t.hour_rate + t.costs[f]
    rest = t.salvage[f] * (t.ends[f, 0] + 0.6 * t.ends[f, 2] * (1 - t.fee)) - t.ends[f, 1] * t.disposal
    u.worth = t.price[f] * np.array(fetches) * (1 - t.fee) - u.chance * effort[:, 1]
    u.worth += (1 - u.chance) * (rest - effort[:, 0])


def _speed(t: Bag, u: Bag) -> Array:
    """Hours shrink while the owner learns."""
    return np.exp(-0.3 * _learnt(t, u.day))


def _happen(rng: Rng, t: Bag, u: Bag) -> None:
    """Draw what becomes of the units, and its money before the price paid."""
    n, f = len(u.day), u.family
    u.repaired = rng.random(n) < expit(u.logit)
    u.outcome = np.where(u.repaired, "repaired", FAILED[_pick(rng, t.ends[f])])
    u.hours = t.hours[f, u.repaired.astype(int)] * _speed(t, u) * _noise(rng, 0.6, n)
    u.costs = t.costs[f, u.repaired.astype(int)] * _noise(rng, 0.7, n)
    full = t.price[f] * (1.0 - BLEMISH * u.signs).prod(1) * _noise(rng, t.spread[f], n)
    passed = (u.outcome == "sold as is") * 0.6 * t.salvage[f] * _noise(rng, 0.4, n)
    u.sale = np.where(u.repaired, full, passed)
    u.salvage = (u.outcome == "donor") * t.salvage[f] * _noise(rng, 0.5, n)
    u.gain = u.sale * (1 - t.fee) + u.salvage - u.hours * t.hour_rate - u.costs
    u.gain -= t.disposal * (u.outcome == "scrapped")
    u.cause = _pick(rng, softmax(t.causes[t.kind[f]] + u.signs @ t.tilt, axis=1))


def _asking(rng: Rng, t: Bag, u: Bag) -> Array:
    """Prices asked, up to a common factor: sellers know the family and guess at the rest."""
    return t.price[u.family] * np.exp(0.8 * (u.chance - 0.55) + rng.normal(0, 0.5, len(u.day)))


def _maybe(rng: Rng, share: float, **cells: Any) -> Row:
    """These cells in that share of the rows, else nothing."""
    return cells if rng.random() < share else {}


def _family_row(rng: Rng, t: Bag, i: int) -> Row:
    """A family as the owner keeps it: maker, span and price where known."""
    row = {"family": t.names[i], "kind": KINDS[t.kind[i]]} | _maybe(rng, 0.85, maker=t.makers[t.maker[i]])
    row |= _maybe(rng, 0.55, first_year=int(t.first[i]), last_year=int(t.last[i]))
    price, priced_on = float(5 * max(1, round(t.guess[i] / 5))), iso(rng.integers(t.start, t.as_of))
    return row | _maybe(rng, 0.75, working_price=price, priced_on=priced_on)


def _years(u: Bag, i: int) -> Row:
    """Window of years, where known."""
    return {"built_from": int(u.low[i]), "built_to": int(u.high[i])} if u.known[i] else {}


def _end_row(rng: Rng, t: Bag, u: Bag, i: int) -> Row:
    """How a failed job ended, where the owner names it, and what was kept of the unit."""
    row = _maybe(rng, 0.55, salvage_value=round(u.salvage[i])) if u.outcome[i] == "donor" else {}
    if rng.random() >= t.named:
        return row
    if u.cause[i] == len(PARTS):
        return row | {"ended_why": "not worth it"}
    return row | {"ended_by": PARTS[u.cause[i]]} | _maybe(rng, 0.6, ended_why=str(rng.choice(WHYS)))


def _job_row(rng: Rng, t: Bag, u: Bag, i: int) -> Row:
    """One job; failures take longer, some units are kept or unsold, much is not written."""
    name, day, outcome = t.names[u.family[i]], int(u.day[i]), str(u.outcome[i])
    row = {"job": u.number[i], "family": name, "taken_in": iso(day)} | _years(u, i)
    row |= _maybe(rng, 0.3, model=f"{name} S") | _maybe(rng, 0.85, bought_for=float(u.paid[i]))
    closed = day + int(rng.lognormal(np.log(30.0 if u.repaired[i] else 60.0), 0.8))
    if closed > t.as_of:
        return row | {"outcome": "open"}
    row |= {"outcome": outcome, "closed": iso(closed)}
    row |= _maybe(rng, 0.35, hours=max(0.5, round(2 * u.hours[i]) / 2))
    row |= _maybe(rng, 0.3, other_costs=round(float(u.costs[i]), 2))
    sold_on, sells = closed + int(rng.exponential(40.0)), {"repaired": 0.78, "sold as is": 0.7}
    if sold_on <= t.as_of:
        price = float(max(1, round(u.sale[i])))
        row |= _maybe(rng, sells.get(outcome, 0.0), sold_for=price, sold_on=iso(sold_on))
    return row if u.repaired[i] else row | _end_row(rng, t, u, i)


def _number(rng: Rng, t: Bag, n: int) -> list[str]:
    """Job numbers in sequence, or from a booklet that serves other things too."""
    if t.variant != "harmless gaps":
        return [str(i + 1) for i in range(n)]
    skipped = rng.poisson(rng.exponential(1.0, n) * rng.choice([0.0, 12.0, 90.0], n, p=[0.3, 0.6, 0.1]))
    return [f"B-{i:05d}" for i in np.cumsum(1 + skipped)]


def _sign_rows(rng: Rng, t: Bag, u: Bag) -> list[Row]:
    """Signs written in half of the jobs: more in later years, and a "no" less often than a "yes"."""
    writes = rng.random(len(u.day)) < 0.2 + 0.65 * (u.day - t.start) / (t.as_of - t.start)
    written = rng.random(u.signs.shape) < np.where(u.signs, 0.95, 0.75)
    cells = np.argwhere(written & u.looked & writes[:, None])
    return [
        {"job": u.number[i], "sign": SIGNS[s], "seen": "yes" if u.signs[i, s] else "no"} for i, s in cells
    ]


def _followups(rng: Rng, t: Bag, jobs: list[Row]) -> list[Row]:
    """A few checks after the sale."""
    sold = [row for row in jobs if row["outcome"] == "repaired" and row["sold_on"] and rng.random() < 0.08]
    days = [datetime.date.fromisoformat(r["sold_on"]).toordinal() + int(rng.integers(30, 400)) for r in sold]
    works = np.where(rng.random(len(sold)) < 0.88, "yes", "no").tolist()
    rows = zip(sold, days, works, strict=True)
    return [{"job": r["job"], "checked_on": iso(d), "working": w} for r, d, w in rows if d <= t.as_of]


def _asides(rng: Rng, t: Bag) -> dict[str, list[Row]]:
    """What the trade says of two kinds, bent; what parts can be had, if parts are named; settings."""
    hearsay, parts = [], []
    for kind in rng.permutation(len(KINDS))[:2]:
        said = round(float(expit(t.level[t.kind == kind].mean() + rng.normal(0.3, 0.6))), 2)
        row = {"kind": KINDS[kind], "share_repaired": said, "told_by": "the stall opposite"}
        hearsay.append(row | {"worth_jobs": float(rng.integers(2, 6))})
    for part in PARTS if t.named else ():
        had = str(rng.choice(["yes", "salvage only", "no"], p=[0.6, 0.3, 0.1]))
        price = None if had == "no" else float(rng.integers(3, 25))
        parts.append({"component": part, "obtainable": had, "price": price})
    told = {"hour_rate": t.hour_rate, "selling_fee": t.fee, "disposal_cost": t.disposal, "margin": t.margin}
    return {"parts": parts, "hearsay": hearsay, "settings": settings_rows(currency="EUR", **told)}


def _offer(t: Bag, u: Bag, i: int) -> Row:
    """An offer as the owner meets it; a family in no table comes with its kind and a guessed price."""
    f = u.family[i]
    guess = {"kind": KINDS[t.kind[f]], "working_price": float(5 * max(1, round(t.guess[f] / 5)))}
    row = dict.fromkeys(("offer", "family", "kind", "working_price", "built_from", "built_to"))
    row |= {"offer": f"o{i + 1}", "family": t.names[f]} | (guess if f == len(t.names) - 1 else {})
    row |= _years(u, i) | {"asked": float(u.asked[i]), "seen_on": iso(u.day[i])}
    seen = zip(SIGNS, u.looked[i], u.signs[i], strict=True)
    return row | {s: ("yes" if x else "no") if looked else None for s, looked, x in seen}


def _truth(t: Bag, u: Bag, i: int, offer: Row) -> Row:
    """What is true of an offer, and one outcome of it."""
    risk = PARTS[u.causes[i, :-1].argmax()] if t.named else None
    so = {"chance": u.chance[i], "worth": u.worth[i], "margin": t.margin, "risk": risk}
    return truth_row(offer, **so, repaired=u.repaired[i], brought=u.gain[i])


def draw(variant: str, seed: int, n_offers: int = 300) -> Drawn:
    """Draw one bench's ledger and units on offer, with what is true of them."""
    n_jobs, *_, dated, dated_offers, _named = SIZES[variant]
    rng = np.random.default_rng([seed, VARIANTS.index(variant), 7701])
    t = _trade(rng, variant)
    bench = _units(rng, t, t.popularity, np.sort(rng.integers(t.start, t.as_of - 7, n_jobs)), dated)
    target = rng.uniform(0.45, 0.65)  # share of the bench's jobs that come right
    shift = brentq(lambda b: expit(bench.logit + b).mean() - target, -8.0, 8.0)
    t.level, bench.logit = t.level + shift, bench.logit + shift
    share = 0.95 * t.popularity + 0.025 * (t.popularity == 0)
    units = _units(rng, t, share, t.as_of - rng.integers(0, 15, n_offers), dated_offers)
    for u in (bench, units):
        _judge(t, u)
        _happen(rng, t, u)
    raw = _asking(rng, t, units)
    dear = np.quantile((units.worth - t.margin) / raw, 1.0 - rng.uniform(0.35, 0.48))
    units.asked = np.maximum(1.0, np.round(max(0.05, dear) * raw))
    bench.paid = np.maximum(1.0, np.round(0.9 * max(0.05, dear) * _asking(rng, t, bench)))
    bench.number = _number(rng, t, n_jobs)
    jobs = even([_job_row(rng, t, bench, i) for i in range(n_jobs)])
    tables = {
        "families": even([_family_row(rng, t, i) for i in range(len(t.names) - 1)]),
        "models": [{"model": f"{name} S", "family": name} for name in t.names[:-1]],
        "jobs": jobs,
        "findings": [],
        "signs": _sign_rows(rng, t, bench),
        "followups": _followups(rng, t, jobs),
    }
    offers = [_offer(t, units, i) for i in range(n_offers)]
    truth = [_truth(t, units, i, offer) for i, offer in enumerate(offers)]
    return Drawn(tables | _asides(rng, t), offers, truth, datetime.date.fromordinal(t.as_of))
