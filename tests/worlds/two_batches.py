"""A bench whose owner's patience decides as much as the units do, in a trade of two batches.

Units. Every family was changed once, in a year of its own: some parts of the later batch live much longer or
shorter; the name on the front changed a little before or after. Some units were serviced years ago (rubber
and capacitors of mediocre make), others were tinkered with (nothing new, slower to put right, more of it
breaks): both look "opened before". Where a unit was stored stays hidden. Damp, an attic and a living room
(which means use) each age other parts, all at once, and show in several signs; damp also slows the work and
lowers the price.

Owner. A job ends when a part cannot be had, when something dies on the bench, or, mostly, when the hours
needed pass what the owner has patience for. Patience grows with what he believes the family fetches (he is
wrong about some), is short for kinds he dislikes, and grows over the years, while the hours shrink and
hopeless units are dropped sooner: the early records are of another man. Such jobs end "not worth it": no
component ended them.

Records. ``ended_by`` is loose: often the most visible part, which may only have been worn. Sound parts are
written down in part or never; whether a part is original and when another was fitted mostly is not; guessed
years may be off; jobs that fail stay open longer. Who writes only what was bad also omits half of the signs
that were absent. Where failures stay unwritten it is the jobs given up that are most often missing.
"""

import datetime
from types import SimpleNamespace as Bag
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.worlds import Drawn, even, iso, settings_rows, truth_row

VARIANTS: tuple[str, ...] = (
    "gives up early",
    "only bad parts written",
    "many families",
    "failures unwritten",
)

Array = NDArray[Any]
Rng = np.random.Generator
Rows = list[dict[str, Any]]

AS_OF, STARTED, JOBS = datetime.date(2026, 5, 31), datetime.date(2015, 9, 1), 300
MAKERS = "Brandle Ostrik Velmora Hurvane Tessolin Pralko Mundrey Karvost Delphane Wexmoor".split()
# Median life, shape, ageing class, hours, price, replaced in a service, how visible, share that can be had.
PARTS = {
    "belt": (34, 3.5, 0, 0.7, 4, 1, 9, 0.98),
    "idler": (40, 3.0, 0, 0.8, 6, 1, 7, 0.97),
    "pinch roller": (48, 3.0, 0, 0.7, 9, 1, 8, 0.97),
    "gear": (52, 4.0, 1, 2.2, 9, 0, 4, 0.85),
    "motor": (66, 2.2, 2, 1.6, 14, 0, 6, 0.88),
    "head": (56, 2.2, 2, 1.5, 16, 0, 3, 0.85),
    "laser": (44, 2.5, 2, 1.5, 18, 0, 3, 0.8),
    "capacitor": (46, 3.0, 3, 2.0, 5, 1, 1, 0.99),
    "regulator": (60, 1.8, 3, 1.8, 5, 0, 0, 0.97),
    "display": (66, 2.2, 3, 2.2, 15, 0, 5, 0.75),
    "switch": (44, 2.2, 4, 1.1, 3, 0, 5, 0.95),
    "relay": (52, 2.5, 4, 0.9, 6, 0, 2, 0.95),
}
NAMES = tuple(PARTS)
LIFE, SHAPE, AGEING, EFFORT, COST, REFRESHED, SHOWS, HAD = np.array(list(PARTS.values()), dtype=float).T
KINDS = {
    "tape deck": ("belt", "idler", "pinch roller", "gear", "motor", "head", "capacitor"),
    "turntable": ("belt", "gear", "motor", "regulator", "switch"),
    "receiver": ("capacitor", "regulator", "display", "switch", "relay"),
    "video recorder": ("belt", "idler", "gear", "motor", "head", "capacitor", "regulator"),
    "disc player": ("belt", "gear", "laser", "capacitor", "display", "switch"),
}
# Sign: how it follows from what failed, and its own chance by storage (living room, attic, damp).
SIGNS: dict[str, tuple[dict[str, float], tuple[float, ...]]] = {
    "no power": ({"regulator": 0.75, "capacitor": 0.2, "switch": 0.3, "relay": 0.2}, (0.02, 0.03, 0.05)),
    "dead transport": ({"belt": 0.75, "idler": 0.3, "motor": 0.8, "gear": 0.55}, (0.02, 0.03, 0.05)),
    "hum": ({"capacitor": 0.6, "regulator": 0.15}, (0.04, 0.04, 0.08)),
    "dim display": ({"display": 0.8}, (0.03, 0.08, 0.08)),
    "scratchy controls": ({"switch": 0.65}, (0.08, 0.15, 0.4)),
    "sticky residue": ({"belt": 0.45, "idler": 0.25}, (0.01, 0.15, 0.04)),
    "rust": ({}, (0.03, 0.1, 0.6)),
    "damp store": ({}, (0.02, 0.06, 0.6)),
    "opened before": ({}, (0.04, 0.04, 0.04)),
}
# What each sign leaves of the price asked.
OFF = np.array([0.65, 0.75, 0.85, 0.85, 0.95, 0.9, 0.85, 0.85, 0.95])
# A unit's past: untouched, serviced so many years ago, tinkered with.
PAST, FITTED, PAST_STARTS = np.array([0, 1, 1, 1, 1, 2]), np.array([0, 2, 6, 11, 17, 0]), [0, 1, 5]
NO_PART, DIED, GIVEN_UP = 1, 2, 3
HOURS_NOISE, PATIENCE_NOISE, LOST_HOURS, RENEWED, SOON = 0.35, 0.3, 0.6, 0.6, 1.25
# Habits of the owner and of the market, each drawn between two bounds.
HABITS = """price_power 0.4 0.8, growth 0.6 1.1, learning 0.15 0.3, sooner 0.3 0.6, bought_anyway 0.2 0.5,
aftermarket 0.55 0.9, refresh 0.6 0.95, damp_slow 1.1 1.3, damp_sale 0.75 0.92, tinker_slow 1.3 1.7,
salvage 0.12 0.25, as_is 0.1 0.2, donor 0.4 0.65, passed_on 0.1 0.25, other 3 9,
hour_rate 4 9, selling_fee 0.06 0.13, disposal_cost 1 5, worth_taking 0.34 0.5"""


def _pick(rng: Rng, chances: Array) -> Array:
    """One column for each row of chances."""
    edges = np.cumsum(chances, axis=1)
    return (rng.random((len(chances), 1)) * edges[:, -1:] > edges[:, :-1]).sum(axis=1)


def _noise(rng: Rng, spread: Any, size: Any) -> Array:
    """Lognormal factors with a mean of one."""
    return np.exp(rng.normal(0.0, 1.0, size) * spread - np.square(spread) / 2)


def _families(rng: Rng, count: int) -> dict[str, Any]:
    """Draw the families; the last is never in the ledger, the one before hardly ever."""
    makers, numbers = rng.choice(rng.permutation(MAKERS)[:6], count), rng.choice(900, count, replace=False)
    kind = np.concatenate([rng.permutation(5), rng.choice(5, count - 5, p=rng.dirichlet(np.full(5, 4.0)))])
    price = np.array([150, 120, 160, 105, 110])[kind] * np.exp(rng.normal(0, 0.45, count))
    first = rng.integers(1971, 1985, count) + np.array([0, 0, 0, 4, 9])[kind]
    span, shape = np.minimum(rng.integers(5, 12, count), 1998 - first), (count, len(NAMES))
    popularity = 1 / np.arange(1, count + 1) ** 0.8
    popularity[-2:] = popularity[-3] / 8, 0.0
    changed = np.exp(rng.choice([-1, 1], shape) * rng.uniform(0.35, 0.8, shape))
    return {
        "names": [f"{m} {n + 100}" for m, n in zip(makers, numbers, strict=True)],
        "makers": makers.tolist(),
        "kind": kind,
        "price": price,
        "believed": price * np.exp(rng.normal(rng.normal(0.05, 0.08), 0.22, count)),
        "spread": rng.uniform(0.15, 0.35, count),
        "first": first,
        "change": first + np.clip(np.rint(span * rng.uniform(0.25, 0.75, count)).astype(int), 2, None),
        "last": first + span,
        "renamed": rng.integers(-1, 3, count),
        "popularity": popularity / popularity.sum(),
        "base_hours": rng.uniform(0.8, 1.8, count),
        "has": np.array([[n in parts for n in NAMES] for parts in KINDS.values()], dtype=float)[kind],
        "life": LIFE * np.exp(rng.normal(0, 0.12, shape[1]) + rng.normal(0, 0.22, shape)),
        "batch": np.where(rng.random(shape) < 0.35, changed, np.exp(rng.normal(0, 0.08, shape))),
        "obtainable": rng.beta(HAD * 5, (1 - HAD) * 5, shape),
        "part_price": COST * np.exp(rng.normal(0, 0.35, shape)),
        "effort": EFFORT * np.exp(rng.normal(0, 0.25, shape)),
    }


def _world(rng: Rng, variant: str) -> Bag:
    """Draw every parameter of one trade: by family and component, by kind, and the rest."""
    early = variant == "gives up early"
    temper = rng.uniform(5.5, 7.0) * rng.uniform(0.85, 1.15, 5) * (0.9 if early else 1.0)
    temper[rng.choice(5, 2, replace=False)] *= 0.55 if early else 0.75
    ageing = [[0.9, 0.95, 1.35, 0.85, 0.85], [1.3, 1.2, 0.75, 1.15, 1.0], [1.1, 0.9, 1.15, 1.2, 1.6]]
    ageing = np.array(ageing) * np.exp(rng.normal(0, 0.08, (3, 5)))
    past, left = rng.dirichlet([62, 20, 18]), rng.dirichlet([12, 16, 14, 10])
    weight = np.array([[follows.get(n, 0.0) for n in NAMES] for follows, _ in SIGNS.values()])
    alone = np.array([of for _, of in SIGNS.values()]) * rng.uniform(0.75, 1.3, (len(SIGNS), 3))
    alone = np.repeat(alone[:, :, None], 3, axis=2)
    alone[-1, :, 1:] = rng.uniform([0.35, 0.6], [0.6, 0.9])
    bounds = [habit.split() for habit in HABITS.split(",")]
    habits = {name: round(float(rng.uniform(float(a), float(b))), 2) for name, a, b in bounds}
    if early:
        habits["price_power"] = round(habits["price_power"] + 0.4, 2)
    shows = [[not of or not of.keys().isdisjoint(p) for of, _ in SIGNS.values()] for p in KINDS.values()]
    return Bag(
        variant=variant,
        temper=temper,
        stored=rng.dirichlet([9, 6, 5], 5),
        past=np.concatenate([[past[0]], past[1] * left, [past[2]]]),
        ageing=ageing[:, AGEING.astype(int)],
        dies=rng.uniform(0.003, 0.015, len(NAMES)) * np.where(AGEING == 2, 1, 1.5),
        sign_weight=np.clip(weight * rng.uniform(0.75, 1.15, weight.shape), 0, 0.93),
        sign_alone=alone,
        sign_kind=np.array(shows),
        **habits,
        **_families(rng, 47 if variant == "many families" else 12),
    )


def _failing(w: Bag, u: Bag, new: Array) -> tuple[Array, Array]:
    """Chance of each component having failed, and of being worn if not; `new`: chance of a later one."""
    late = (u.year >= w.change[u.family])[:, None]
    old = u.age[:, None] * w.ageing[u.storage] / (w.life[u.family] * np.where(late, w.batch[u.family], 1.0))
    fresh = FITTED[u.past][:, None] * w.ageing[u.storage] / (w.life[u.family] * w.aftermarket)

    def gone(stretch: float) -> Array:
        by = [0.97 * (1 - 0.5 ** ((stretch * x) ** SHAPE)) for x in (old, fresh)]
        return w.has[u.family] * ((1 - new) * by[0] + new * by[1])

    failed = gone(1.0)
    return failed, (gone(SOON) - failed) / (1 - failed)


def _renewal(w: Bag, past: Array) -> Array:
    """Chance of each component having been replaced before."""
    return (PAST[past] == 1)[:, None] * REFRESHED * w.refresh


def _showing(w: Bag, failed: Array, storage: Array, history: Array) -> Array:
    """Chance of each sign."""
    return 1 - (1 - w.sign_alone[:, storage, history].T) * np.exp(failed @ np.log1p(-w.sign_weight).T)


def _limits(
    w: Bag, family: Array, failed: Array, storage: Array, history: Array, grown: Any
) -> tuple[Array, Array, Array]:
    """Medians of the hours needed and of those there is patience for; chance of each part dying."""
    slow = np.where(storage == 2, w.damp_slow, 1) * np.where(history == 2, w.tinker_slow, 1)
    hours = (w.base_hours[family] + (failed * w.effort[family]).sum(-1)) * slow * (1 - w.learning * grown)
    liking = w.temper[w.kind[family]] * (w.believed[family] / 120) ** w.price_power
    frail = (1 - failed) * w.dies * w.has[family] * np.where(history == 2, 2.5, 1.0)[:, None]
    return hours, liking * (1 + w.growth * (grown - 0.6)), frail


def _grown(years: Any) -> Any:
    """How far the owner has learnt, 0 to 1, after years at the bench."""
    return 1 - np.exp(-np.asarray(years) / 4)


def _come_up(w: Bag, rng: Rng, family: Array, seen: Array) -> Bag:
    """Draw units from the market; a sign is -1 where nobody looked."""
    count, shape = len(family), (len(family), len(NAMES))
    year, storage = rng.integers(w.first[family], w.last[family] + 1), _pick(rng, w.stored[w.kind[family]])
    past = _pick(rng, np.tile(w.past, (count, 1)))
    u = Bag(family=family, year=year, age=seen - year, storage=storage, past=past)
    u.replaced = (rng.random(shape) < _renewal(w, past)) & (w.has[family] > 0)
    failing, wearing = _failing(w, u, u.replaced)
    u.failed = rng.random(shape) < failing
    u.worn = ~u.failed & (rng.random(shape) < wearing)
    chance = _showing(w, u.failed.astype(float), storage, PAST[past])
    unseen = (rng.random(chance.shape) > 0.83) | ~w.sign_kind[w.kind[family]]
    u.signs = np.where(unseen, -1, rng.random(chance.shape) < chance)
    return u


def _work(w: Bag, rng: Rng, u: Bag, grown: Array) -> Bag:
    """Put units on the bench; `gain` is without what was paid."""
    count, shape, f = len(u.family), u.failed.shape, u.family
    hours, patience, frail = _limits(w, f, u.failed.astype(float), u.storage, PAST[u.past], grown)
    hours = hours * np.exp(rng.normal(0, HOURS_NOISE, count))
    patience = patience * np.exp(rng.normal(0, PATIENCE_NOISE, count))
    missing, died = u.failed & (rng.random(shape) > w.obtainable[f]), rng.random(shape) < frail
    reason = np.select([died.any(1), missing.any(1), patience < hours], [DIED, NO_PART, GIVEN_UP], 0)
    spent = np.where(reason == GIVEN_UP, patience * (1 - w.sooner * grown), hours)
    spent = np.where((reason == NO_PART) | (reason == DIED), LOST_HOURS * np.minimum(hours, patience), spent)
    renewed = (reason == 0)[:, None] & u.worn & (rng.random(shape) < RENEWED)
    bought = (reason == 0) | ((reason == GIVEN_UP) & (rng.random(count) < w.bought_anyway))
    costs = w.part_price[f] * _noise(rng, 0.3, shape) * ((u.failed & bought[:, None]) | renewed)
    fate = 1 + _pick(rng, np.tile([w.donor, w.passed_on, 1 - w.donor - w.passed_on], (count, 1)))
    fate = np.where(reason == 0, 0, fate)
    fetched = w.price[f] * np.where(u.storage == 2, w.damp_sale, 1.0) * _noise(rng, w.spread[f], count)
    sale = np.select([fate == 0, fate == 2], [fetched, w.price[f] * w.as_is * _noise(rng, 0.4, count)], 0.0)
    left = 1 - u.failed.sum(1) / (w.has[f].sum(1) + 1)
    salvage = np.where(fate == 1, w.price[f] * w.salvage * left * _noise(rng, 0.4, count), 0.0)
    other = w.other * _noise(rng, 0.5, count)
    gain = sale * (1 - w.selling_fee) + salvage - spent * w.hour_rate - other - costs.sum(1)
    gain = gain - np.where(fate == 3, w.disposal_cost, 0.0)
    done = Bag(reason=reason, hours=spent, missing=missing, died=died, costs=costs, other=other)
    done.sale, done.fate, done.salvage, done.gain = sale, fate, salvage, gain
    return done


def _ends(
    w: Bag, f: int, failed: Array, storage: Array, history: Array, grown: float
) -> tuple[Array, Array, Array]:
    """Chance of a repair, mean gain before worn parts, and blame by component, for each state of a unit."""
    needed, limit, frail = _limits(w, np.full(len(failed), f), failed, storage, history, grown)
    gap, both = np.log(limit / needed), np.hypot(HOURS_NOISE, PATIENCE_NOISE)
    within = ndtr(gap / both)
    worked = needed * np.exp(HOURS_NOISE**2 / 2) * ndtr((gap - HOURS_NOISE**2) / both)
    given = limit * np.exp(PATIENCE_NOISE**2 / 2) * ndtr((-gap - PATIENCE_NOISE**2) / both)
    clear = np.where(failed > 0, w.obtainable[f], 1.0).prod(axis=1) * (1 - frail).prod(axis=1)
    repaired = clear * within
    hours = clear * (worked + (1 - w.sooner * grown) * given) + (1 - clear) * LOST_HOURS * (worked + given)
    parts = failed @ w.part_price[f] * clear * (within + (1 - within) * w.bought_anyway)
    keeps, left = 1 - w.selling_fee, 1 - failed.sum(1) / (w.has[f].sum() + 1)
    fetched = w.price[f] * np.where(storage == 2, w.damp_sale, 1.0) * keeps
    lost = w.price[f] * (w.donor * w.salvage * left + w.passed_on * w.as_is * keeps)
    lost = lost - (1 - w.donor - w.passed_on) * w.disposal_cost
    gain = repaired * fetched + (1 - repaired) * lost - hours * w.hour_rate - w.other - parts
    load = failed * w.effort[f]
    tired = (clear * (1 - within) / np.maximum(load.sum(1), 1e-9))[:, None] * load
    return repaired, gain, failed * (1 - w.obtainable[f]) + frail + tired


def _enumerate(w: Bag, f: int, grown: float) -> Bag:
    """All states of a unit of a family: by year, storage, history and the set of failed components."""
    own = np.flatnonzero(w.has[f])
    sets = np.zeros((2 ** len(own), len(NAMES)))
    sets[:, own] = np.arange(len(sets))[:, None] >> np.arange(len(own)) & 1
    years = np.arange(w.first[f], w.last[f] + 1)
    grid = np.meshgrid(years, np.arange(3), np.arange(len(PAST)), indexing="ij")
    year, storage, past = (x.ravel() for x in grid)
    u = Bag(family=np.full(len(year), f), year=year, age=AS_OF.year - year, storage=storage, past=past)
    failing, wearing = _failing(w, u, _renewal(w, past))
    p = failing[:, own]
    states = np.exp(np.log(p) @ sets[:, own].T + np.log1p(-p) @ (1 - sets[:, own].T))
    weight = states * (w.stored[w.kind[f]][storage] * w.past[past])[:, None]
    cost = weight * ((wearing * w.part_price[f] * RENEWED) @ (1 - sets).T)
    shape = (len(years), 3, len(PAST), len(sets))
    weight, cost = (np.add.reduceat(x.reshape(shape), PAST_STARTS, axis=2) for x in (weight, cost))
    nine = np.repeat(np.arange(9), len(sets))
    every = (np.tile(sets, (9, 1)), nine // 3, nine % 3)
    ends = (*_ends(w, f, *every, grown), _showing(w, *every))
    repaired, gain, blame, signs = (x.reshape(3, 3, len(sets), *x.shape[1:]) for x in ends)
    return Bag(weight=weight, cost=cost, repaired=repaired, gain=gain, blame=blame, signs=signs)


def _judge(o: Bag, begin: int, end: int, signs: Array) -> tuple[float, float, str]:
    """Chance of a repair, mean gain before the price, and chief risk, given what a row shows."""
    told = np.flatnonzero(signs >= 0)
    likely = np.prod(np.where(signs[told] == 1, o.signs[..., told], 1 - o.signs[..., told]), axis=-1)
    weight, cost = (x[begin : end + 1].sum(0) * likely for x in (o.weight, o.cost))
    gain = (weight * o.gain - cost * o.repaired).sum() / weight.sum()
    blame = np.einsum("abs,absc->c", weight, o.blame)
    return float((weight * o.repaired).sum() / weight.sum()), float(gain), NAMES[int(np.argmax(blame))]


def _window(w: Bag, rng: Rng, f: int, year: int) -> tuple[int, int] | None:
    """The year built as far as it can be told: exactly, within a few years, or not at all."""
    luck, width = rng.random(), int(rng.integers(3, 6))
    width = 1 if luck < 0.48 else width
    start = year - int(rng.integers(width))
    return (max(start, int(w.first[f])), min(start + width - 1, int(w.last[f]))) if luck < 0.85 else None


def _asking(w: Bag, rng: Rng, u: Bag) -> Array:
    """What sellers ask, but for the level of the market: they know the family and see what a buyer sees."""
    return w.price[u.family] * np.where(u.signs == 1, OFF, 1.0).prod(axis=1) * _noise(rng, 0.5, len(u.family))


def _offers(w: Bag, rng: Rng, count: int) -> tuple[Rows, Rows, float]:
    """Units on offer, what is true of them, and the level of the market's prices."""
    wanted = w.popularity + np.where(np.arange(len(w.names)) >= len(w.names) - 2, 0.035, 0.0)
    family = rng.choice(len(wanted), count, p=wanted / wanted.sum())
    grown = float(_grown((AS_OF - STARTED).days / 365.25))
    u = _come_up(w, rng, family, np.full(count, AS_OF.year))
    done, asking = _work(w, rng, u, np.full(count, grown)), _asking(w, rng, u)
    odds = {f: _enumerate(w, f, grown) for f in set(family.tolist())}
    offers: Rows = []
    so: Rows = []
    for i, f in enumerate(family.tolist()):
        first, last, stranger = int(w.first[f]), int(w.last[f]), f == len(wanted) - 1
        window = _window(w, rng, f, int(u.year[i]))
        begin, end = window or (first, last)
        chance, gain, risk = _judge(odds[f], begin - first, end - first, u.signs[i])
        row = {"offer": f"o{i + 1}", "family": w.names[f], "kind": None, "working_price": None}
        if stranger:
            row |= {"kind": list(KINDS)[w.kind[f]], "working_price": round(float(w.believed[f]))}
        told = window is not None or stranger
        row |= {"built_from": begin if told else None, "built_to": end if told else None}
        offers.append(row | {"asked": None, "seen_on": AS_OF.isoformat()})
        offers[-1] |= {s: {1: "yes", 0: "no"}.get(v) for s, v in zip(SIGNS, u.signs[i].tolist(), strict=True)}
        so.append({"chance": chance, "worth": gain, "risk": risk})
    ratios = np.array([each["worth"] for each in so]) / asking
    level = max(float(np.quantile(ratios, 1 - w.worth_taking)), 0.03)
    for i, row in enumerate(offers):
        row["asked"] = round(float(asking[i] * level), 2)
        so[i] = truth_row(row, **so[i], repaired=done.reason[i] == 0, brought=done.gain[i])
    return offers, so, level


def _told(value: Any, known: Any = True) -> float | None:
    """An amount as written down, or nothing."""
    return round(float(value), 2) if known else None


def _named(w: Bag, rng: Rng, u: Bag, done: Bag, i: int) -> tuple[str | None, str | None]:
    """What the owner says ended a job, and why."""
    faulty = np.flatnonzero(u.failed[i] | u.worn[i])
    visible = NAMES[faulty[np.argmax(SHOWS[faulty])]] if len(faulty) else None
    honest, luck = rng.random(2)
    if done.reason[i] == GIVEN_UP:
        why = "not worth it" if luck < 0.85 else ("too worn" if luck < 0.93 else None)
        return (visible if honest < (0.2 if w.variant == "gives up early" else 0.45) else None), why
    cause = NAMES[int(np.argmax((done.missing if done.reason[i] == NO_PART else done.died)[i]))]
    why = "parts too expensive" if luck < 0.2 else "parts not available"
    return (cause if honest < 0.55 else visible), ("died on the bench" if done.reason[i] == DIED else why)


def _origin(rng: Rng, u: Bag, i: int, c: int) -> dict[str, Any]:
    """Whether a part is the original one and when it was fitted, as far as anybody wrote it down."""
    luck, early, late = rng.random(), int(rng.integers(3)), int(rng.integers(3))
    if not u.replaced[i, c]:
        return {"original": "yes" if luck < 0.4 else ("unknown" if luck < 0.5 else None)}
    fitted = int(u.year[i] + u.age[i] - FITTED[u.past[i]])
    span = {"fitted_from": fitted - early, "fitted_to": min(fitted + late, int(u.year[i] + u.age[i]))}
    if luck < 0.55:
        return {"original": "no"} | (span if luck < 0.35 and span["fitted_from"] > u.year[i] + 8 else {})
    return {"original": "yes" if luck > 0.93 else None}


def _findings(w: Bag, rng: Rng, u: Bag, done: Bag, i: int, blamed: str | None) -> Rows:
    """What the owner wrote down of the components of one job."""
    fine, rows = done.reason[i] == 0, []
    sound = 0.0 if w.variant == "only bad parts written" else (0.7 if fine else 0.3)
    for c in np.flatnonzero(w.has[u.family[i]]).tolist():
        chance, state = (0.9 if fine else 0.4, "worn") if u.worn[i, c] else (sound, "sound")
        if u.failed[i, c]:
            chance, state = (0.97 if fine or done.missing[i, c] else 0.55), "failed"
        row = {"component": NAMES[c], "found": state, "action": "none"} | _origin(rng, u, i, c)
        if done.died[i, c] and done.reason[i] == DIED:
            chance, died = 1.0, {"found": "failed", "arose": "during work", "action": "none"}
            row = {"component": NAMES[c]} | died
        elif done.costs[i, c] > 0:
            row |= {"action": "replaced", "part_cost": _told(done.costs[i, c], rng.random() < 0.85)}
            row["part_source"] = "salvaged" if w.obtainable[u.family[i], c] < 0.6 else "new"
        elif done.missing[i, c]:
            row["action"] = "no part"
        if rng.random() < chance and (row["found"] == "failed" or NAMES[c] != blamed):
            rows.append(row)
    return rows


def _unwritten(w: Bag, rng: Rng, reason: Array, is_open: Array) -> Array:
    """Jobs that were never written up: a third of the failures where the trade is like that."""
    lost = np.zeros(len(is_open), dtype=bool)
    if w.variant == "failures unwritten":
        failed = np.flatnonzero((reason > 0) & ~is_open)
        odds = np.array([0.0, 0.5, 0.7, 1.6])[reason[failed]]
        lost[rng.choice(failed, round(len(failed) / 3), replace=False, p=odds / odds.sum())] = True
    return lost


def _intake(w: Bag, rng: Rng, f: int, year: int) -> dict[str, Any]:
    """Family, name on the front and year built as written; a guessed year may be off."""
    mark = w.names[f] + (" mk II" if year >= w.change[f] + w.renamed[f] else "")
    row: dict[str, Any] = {"family": w.names[f], "model": mark if rng.random() < 0.5 else None}
    window = _window(w, rng, f, year)
    if window is None:
        return row
    bases = ["date code", "serial number"] if window[0] == window[1] else ["guess", "document"]
    basis = bases[int(rng.integers(2))]
    off = int(rng.choice([-3, 3])) if basis == "guess" and rng.random() < 0.25 else 0
    begin, end = (int(np.clip(y + off, w.first[f], w.last[f])) for y in window)
    return row | {"built_from": begin, "built_to": end, "year_basis": basis}


def _closing(rng: Rng, done: Bag, i: int, closed: float) -> dict[str, Any]:
    """Columns of a job that are known once it is finished."""
    fate = ("repaired", "donor", "sold as is", "scrapped")[done.fate[i]]
    sold_on = closed + 3 + rng.exponential(60 if fate == "repaired" else 15)
    sold = done.sale[i] > 0 and sold_on < AS_OF.toordinal() and rng.random() < 0.9
    row = {"closed": iso(closed), "outcome": fate, "hours": _told(done.hours[i], rng.random() < 0.8)}
    row |= {"other_costs": _told(done.other[i], rng.random() < 0.75), "sold_for": _told(done.sale[i], sold)}
    row |= {"sold_on": iso(sold_on) if sold else None}
    return row | {"salvage_value": _told(done.salvage[i], fate == "donor" and rng.random() < 0.7)}


def _ledger(w: Bag, rng: Rng, level: float) -> dict[str, Rows]:
    """The bench's records of its jobs."""
    unwritten, hides_no = w.variant == "failures unwritten", w.variant == "only bad parts written"
    count, start = round(JOBS * 1.17) if unwritten else JOBS, STARTED.toordinal()
    taken = start + np.sort(rng.beta(1.3, 1.0, count)) * (AS_OF.toordinal() - start - 2)
    family = rng.choice(len(w.popularity), count, p=w.popularity)
    u = _come_up(w, rng, family, np.array([datetime.date.fromordinal(int(t)).year for t in taken]))
    done = _work(w, rng, u, _grown((taken - start) / 365.25))
    paid = _asking(w, rng, u) * level * rng.uniform(0.5, 1.0, count)
    closed = taken + 2 + rng.gamma(2.0, 9.0, count) * np.where(done.reason > 0, 2.0, 1.0)
    is_open = closed > AS_OF.toordinal()
    jobs: Rows = []
    findings: Rows = []
    signs: Rows = []
    for i in np.flatnonzero(~_unwritten(w, rng, done.reason, is_open)).tolist():
        job = {"job": f"T-{i + 1:04d}" if unwritten else str(i + 1)}
        row = job | _intake(w, rng, int(family[i]), int(u.year[i])) | {"taken_in": iso(taken[i])}
        row |= {"outcome": "open", "bought_for": _told(paid[i], rng.random() < 0.93)}
        if not is_open[i]:
            row |= _closing(rng, done, i, closed[i])
            by, why = _named(w, rng, u, done, i) if done.reason[i] else (None, None)
            row |= {"ended_by": by, "ended_why": why}
            findings += [job | found for found in _findings(w, rng, u, done, i, by)]
        jobs.append(row)
        for sign, seen, luck in zip(SIGNS, u.signs[i].tolist(), rng.random(len(SIGNS)), strict=True):
            if seen == 1 or (seen == 0 and not (hides_no and luck < 0.5)):
                signs.append(job | {"sign": sign, "seen": "yes" if seen else "no"})
    return {"jobs": jobs, "findings": findings, "signs": signs}


def _lists(w: Bag, rng: Rng) -> dict[str, Rows]:
    """Families, models, parts and settings as the owner keeps them; the last family is not known to him."""
    families, models, parts = [], [], []
    for f, name in enumerate(w.names[:-1]):
        first, turn, last = int(w.first[f]), int(w.change[f] + w.renamed[f]), int(w.last[f])
        row = {"family": name, "kind": list(KINDS)[w.kind[f]], "maker": w.makers[f]}
        row |= {"first_year": first, "last_year": last}
        if rng.random() < 0.9:
            row["working_price"] = round(float(w.believed[f]))
            row["price_spread"] = _told(w.spread[f], rng.random() < 0.4)
        families.append(row)
        marks = ((name, first, min(turn - 1, last)), (f"{name} mk II", turn, last))
        spans = [{"model": m, "first_year": a, "last_year": b} for m, a, b in marks if a <= b]
        models += [span | {"family": name} for span in spans]
        for c in np.flatnonzero((w.has[f] > 0) & (rng.random(len(NAMES)) < 0.3)).tolist():
            seems = w.obtainable[f, c] + rng.normal(0, 0.12)
            had = "yes" if seems > 0.75 else ("salvage only" if seems > 0.3 else "no")
            price = _told(w.part_price[f, c], had != "no")
            parts.append({"component": NAMES[c], "family": name, "obtainable": had, "price": price})
    stated = ("hour_rate", "selling_fee", "disposal_cost")
    settings = settings_rows(currency="EUR", **{name: vars(w)[name] for name in stated})
    return {"families": families, "models": models, "parts": parts, "settings": settings}


def draw(variant: str, seed: int, n_offers: int = 300) -> Drawn:
    """Draw one bench of this trade, units on offer to it, and what is true of them."""
    rng = np.random.default_rng([seed, VARIANTS.index(variant)])
    w = _world(rng, variant)
    offers, truth, level = _offers(w, rng, n_offers)
    tables = _lists(w, rng) | _ledger(w, rng, level)
    return Drawn({name: even(rows) for name, rows in tables.items()}, offers, truth, AS_OF)
