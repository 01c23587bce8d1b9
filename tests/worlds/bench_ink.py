"""A bench that writes down what it finds in ink, and what it has heard about parts in pencil.

The owner repairs tape decks, video recorders and receivers. Nearly every finding is written, most years are
known, no number is missing. What decides a job is whether the failed parts can be had for that family, and
how their lives end, which follows no textbook:

* rubber (belt, idler, pinch roller) has lognormal lives; one unit in six had all of it renewed years ago;
* electronics die early or late: some units were put away with a fault when young, later age comes fast;
* gears are of good or bad batches: good ones hardly ever crack, bad ones all within a few years of each
  other. In some families the bad batches belong to a few years of production, in others to any year;
* motors and heads last for certain up to some age, then go at a steady pace, and some never do.

Units slept on a shelf, in a hot attic (cracks gears, dries rubber, yellows the case) or in a damp cellar
(wears motors and heads, leaves rust); electronics suffer in both. All parts of a unit share that.

A failed part is sought; if none is got it may be rebuilt; else the job ends. Some evenings the owner is in a
hurry and asks in one shop only: then parts that could be had are not found, several in the same job, and the
record says "no part" just as where none exists. Worn rubber is renewed if a part turns up; if not, the
finding may say so as well, and the job goes on. Worn gears may break under the screwdriver.

The `parts` table holds opinions. A general row tells how it stands with the one family that the owner had in
mind; many rows are undated, prices are off, and an optimist or a pessimist got the wrong ones wrong:

* ``wrong notes``: general and own rows are wrong in a third of cases;
* ``no notes``: there are none;
* ``supply runs out``: suppliers close within the ledger's time (for most of their families at once), and
  single stocks sell out; notes are dated and were mostly right on their day, some are stale;
* ``few families``: four families (and a stranger on offer), general notes only, a fifth of them wrong.

One family on offer is unknown to the ledger, and another is hardly ever in it (seldom, in ``few families``).
"""

import datetime
import itertools
from types import SimpleNamespace
from typing import Any

import numpy as np
from scipy.special import ndtr

from tests.worlds import Drawn, settings_rows, truth_row

Rng = np.random.Generator
World = SimpleNamespace  # one trade: its families and whatever they share
Unit = SimpleNamespace  # as it comes in: family, year, states, age of its rubber where renewed, signs seen
VARIANTS: tuple[str, ...] = ("wrong notes", "no notes", "supply runs out", "few families")

AS_OF = datetime.date(2026, 4, 18)
START = datetime.date(2019, 2, 3)
KINDS: dict[str, list[str]] = {  # rubber first
    "tape deck": ["belt", "pinch roller", "idler", "capacitor", "gear", "motor", "head"],
    "video recorder": ["belt", "idler", "regulator", "gear", "motor", "display", "head"],
    "receiver": ["regulator", "capacitor", "relay", "switch", "display"],
}
WORTH = {"tape deck": 170.0, "video recorder": 150.0, "receiver": 200.0}
RUBBER = ("belt", "pinch roller", "idler")
LEVELS = ("yes", "salvage only", "no")
GET = np.array([[0.97, 0.76, 0.0], [0.52, 0.30, 0.0]])  # chance to find a part: calm or in a hurry, by supply
FIT = np.array([0.97, 0.88, 0.88])  # and that the part then does its work
STRESS = {  # how fast a part ages on the shelf, in the attic, in the cellar
    "rubber": (0.90, 1.22, 1.05),
    "electronics": (0.95, 1.10, 1.10),
    "gear": (0.92, 1.25, 0.95),
    "steady": (0.92, 0.95, 1.30),
}
# form of life, typical life, supply (yes, salvage only, no), rebuilt by hand, price, hours, breaks when worn
COMPONENTS: dict[str, tuple[str, float, tuple[float, float, float], float, float, float, float]] = {
    "belt": ("rubber", 31.0, (0.82, 0.06, 0.12), 0.15, 6.0, 0.8, 0.02),
    "pinch roller": ("rubber", 48.0, (0.55, 0.20, 0.25), 0.45, 14.0, 0.6, 0.02),
    "idler": ("rubber", 42.0, (0.50, 0.20, 0.30), 0.50, 12.0, 0.9, 0.03),
    "gear": ("gear", 23.0, (0.35, 0.30, 0.35), 0.25, 16.0, 2.0, 0.25),
    "motor": ("steady", 110.0, (0.20, 0.50, 0.30), 0.40, 30.0, 1.2, 0.03),
    "regulator": ("electronics", 47.0, (0.65, 0.10, 0.25), 0.45, 8.0, 0.8, 0.03),
    "capacitor": ("electronics", 41.0, (0.90, 0.02, 0.08), 0.35, 8.0, 1.1, 0.02),
    "relay": ("electronics", 44.0, (0.55, 0.15, 0.30), 0.45, 9.0, 0.6, 0.03),
    "switch": ("electronics", 42.0, (0.35, 0.30, 0.35), 0.55, 13.0, 1.0, 0.10),
    "display": ("electronics", 56.0, (0.15, 0.40, 0.45), 0.10, 28.0, 1.4, 0.10),
    "head": ("steady", 140.0, (0.15, 0.50, 0.35), 0.05, 40.0, 1.5, 0.02),
}
NAMES = tuple(COMPONENTS)
# seen anyway on the shelf, in the attic, in the cellar; and by components that have failed (half, if worn)
SIGNS: dict[str, tuple[tuple[float, float, float], dict[str, float]]] = {
    "no power": ((0.03, 0.03, 0.05), {"regulator": 0.8, "switch": 0.25, "relay": 0.3, "capacitor": 0.15}),
    "dead transport": ((0.03, 0.04, 0.05), {"belt": 0.6, "idler": 0.4, "gear": 0.65, "motor": 0.8}),
    "sticky residue": ((0.03, 0.08, 0.04), {"belt": 0.6, "pinch roller": 0.35}),
    "hum": ((0.04, 0.04, 0.06), {"capacitor": 0.6, "regulator": 0.2}),
    "dim display": ((0.03, 0.05, 0.05), {"display": 0.75}),
    "rust": ((0.03, 0.04, 0.55), {}),
    "yellowed case": ((0.10, 0.60, 0.10), {}),
}
KIND_SIGNS: dict[str, list[str]] = {
    "tape deck": ["dead transport", "sticky residue", "hum", "rust", "yellowed case"],
    "video recorder": ["no power", "dead transport", "dim display", "rust", "yellowed case"],
    "receiver": ["no power", "hum", "dim display", "rust", "yellowed case"],
}
STATES = {k: np.array(list(itertools.product(range(3), repeat=len(c)))) for k, c in KINDS.items()}
FOUND = ("sound", "worn", "failed")
OTHER_ENDS = ("cannot be opened", "no information", "not worth it", "no equipment")


class Family(SimpleNamespace):
    """What is true of one family; dictionaries by component."""

    def supply_at(self, component: str, day: datetime.date) -> int:
        """How the component could be had on a day."""
        since, level = self.gone.get(component, (datetime.date.max, 0))
        return level if day >= since else self.supply[component]

    def too_dear(self, component: str) -> float:
        """Chance that the owner turns down the price of a part."""
        return float(np.clip(0.5 * (self.cost[component] / self.price - 0.2), 0.0, 0.4))

    def salvage(self, states: np.ndarray) -> np.ndarray:
        """Mean worth of the parts of a broken-up unit, by the states of its components (last axis)."""
        worth = [self.cost[c] * (0.05 if self.supply[c] == 0 else 0.3) for c in KINDS[self.kind]]
        return 0.05 * self.price + (states == 0) @ np.array(worth)


def _age(year: int, day: datetime.date) -> float:
    """Years since the middle of the year of production."""
    return (day - datetime.date(year, 7, 2)).days / 365.25


def _failed(family: Family, component: str, year: int, age: np.ndarray) -> np.ndarray:
    """Share that has failed by an age, stress included in the age."""
    life, form = family.life[component], COMPONENTS[component][0]
    if form == "rubber":
        return ndtr(np.log(age / life) / 0.30)
    if form == "electronics":
        return 1.0 - np.exp(-0.05 * (1.0 - np.exp(-age / 1.5)) - 0.0008 * age - (age / life) ** 8)
    if form == "steady":
        return np.clip((age - 12.0) / life, 0.0, 0.85)
    low, high = family.bad_years
    bad = family.bad_share[0] if low <= year <= high else family.bad_share[1]
    return bad * ndtr((age - life) / 3.5) + (1.0 - bad) * 0.08 * np.clip(age / 50.0, 0.0, 1.0) ** 2


def _state_chances(family: Family, component: str, year: int, age: np.ndarray) -> np.ndarray:
    """Chances of sound, worn, failed (last axis) on the shelf, in the attic, in the cellar (last but one)."""
    stressed = np.asarray(age)[..., None] * np.array(STRESS[COMPONENTS[component][0]])
    failed = _failed(family, component, year, stressed)
    worn = np.maximum(_failed(family, component, year, 1.25 * stressed) - failed, 0.0)
    return np.stack([1.0 - failed - worn, worn, failed], axis=-1)


def _product(start: np.ndarray, chances: list[np.ndarray]) -> np.ndarray:
    """Chances of all combinations of states, storage by storage."""
    for more in chances:
        start = (start[:, :, None] * more[:, None, :]).reshape(3, -1)
    return start


def _joint(world: World, family: Family, year: int) -> np.ndarray:
    """Chances of each storage and each combination of states (3 × combinations), on the day of the offers."""
    age, start = np.array(_age(year, AS_OF)), world.storage[:, None]
    rubber = [c for c in KINDS[family.kind] if c in RUBBER]
    rest = [_state_chances(family, c, year, age) for c in KINDS[family.kind] if c not in RUBBER]
    total = (1.0 - world.renewed) * _product(start, [_state_chances(family, c, year, age) for c in rubber])
    renewed = [_state_chances(family, c, year, np.arange(1.0, 13.0)) for c in rubber]
    for i in range(12):
        total = total + world.renewed / 12.0 * _product(start, [chances[i] for chances in renewed])
    return _product(total, rest)


def _sign_chances(kind: str, strength: dict[str, float]) -> np.ndarray:
    """Chance of each sign of a kind, by storage and states (signs × 3 × combinations)."""
    states = STATES[kind]
    rows = []
    for sign in KIND_SIGNS[kind]:
        anyway, causes = SIGNS[sign]
        quiet = np.ones(len(states))
        for i, component in enumerate(KINDS[kind]):
            weight = min(causes.get(component, 0.0) * strength[sign], 0.95)
            quiet = quiet * np.array([1.0, 1.0 - weight / 2, 1.0 - weight])[states[:, i]]
        rows.append(1.0 - (1.0 - np.array(anyway))[:, None] * quiet[None, :])
    return np.array(rows)


def _prospects(world: World, family: Family) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Chance of a repair, mean gain before the purchase, what ends it, by combination of states."""
    states = STATES[family.kind]
    success, spent = np.zeros(len(states)), np.zeros(len(states))
    ends = np.zeros((len(KINDS[family.kind]), len(states)))
    for hurry, weight in enumerate((1.0 - world.hurry, world.hurry)):
        alive = np.full(len(states), 1.0 - world.other_end)
        used = np.full(len(states), 1.5 * world.rate + 6.0)
        for i, component in enumerate(KINDS[family.kind]):
            form, *_, hours, breaks = COMPONENTS[component]
            supply = family.supply_at(component, AS_OF)
            got = GET[hurry, supply] * (1.0 - family.too_dear(component))
            lost = 1.0 - got * FIT[supply] - (1.0 - got) * family.rebuild[component]
            worn = (states[:, i] == 1) * (1.0 - breaks)
            need = (states[:, i] == 2) + (states[:, i] == 1) * breaks
            buys = need + worn * (form == "rubber")
            used += alive * buys * got * family.cost[component]
            used += alive * world.rate * (need * hours * (1.6 - 0.6 * got) + 0.3 * worn)
            ends[i] += weight * alive * need * lost
            alive = alive * (1.0 - need * lost)
        success += weight * alive
        spent += weight * used
    net = family.price * (1.0 - world.fee)
    left_as_is = np.full(len(states), 0.12 * net)
    left = world.ends @ np.array([family.salvage(states), np.full(len(states), -world.disposal), left_as_is])
    return success, success * net + (1.0 - success) * left - spent, ends


def _lognormal(rng: Rng, mean: float, sigma: float) -> float:
    """One positive number with that mean."""
    return float(mean * np.exp(rng.normal(-0.5 * sigma**2, sigma)))


def _names(rng: Rng, count: int) -> list[str]:
    """Names that exist nowhere."""
    heads = ("Brun", "Tosk", "Velm", "Quor", "Hosk", "Mirl", "Dorv", "Yelt", "Zarn")
    makers = [head + tail for head in heads for tail in ("dle", "wick", "sken", "quil")]
    return [f"{makers[i]} {rng.integers(2, 99) * 10}" for i in rng.permutation(len(makers))[:count]]


def _family(rng: Rng, kind: str, name: str) -> Family:
    """Draw one family of a kind."""
    first = int(rng.integers(1975, 1997))
    last = first + int(rng.integers(3, 9))
    run = int(rng.integers(first, last))
    by_years = rng.random() < 0.5
    share = float(rng.beta(1.2, 2.0))
    ease = rng.uniform(0.4, 1.5)
    parts = KINDS[kind]
    return Family(
        name=name,
        kind=kind,
        first=first,
        last=last,
        price=float(WORTH[kind] * np.exp(rng.normal(0.0, 0.35))),
        popularity=float(rng.gamma(2.0)) + 0.3,
        bad_years=(run, run + 1 + int(rng.random() < 0.5)),
        bad_share=(0.9, 0.08)
        if by_years
        else (share, share),  # of gears made within those years, and outside
        life={c: float(COMPONENTS[c][1] * np.exp(rng.normal(0.0, 0.18))) for c in parts},
        cost={c: float(COMPONENTS[c][4] * np.exp(rng.normal(0.0, 0.35))) for c in parts},
        rebuild={c: float(min(COMPONENTS[c][3] * ease, 0.85)) for c in parts},
        supply={c: int(rng.choice(3, p=COMPONENTS[c][2])) for c in parts},
        gone={},  # sold out since a day, and how it is since
    )


def _run_out(rng: Rng, families: list[Family]) -> None:
    """Close some suppliers, and sell out some single stocks."""
    days = [
        START + datetime.timedelta(int(d)) for d in (AS_OF - START).days * rng.uniform(0.15, 0.92, len(NAMES))
    ]
    closed = {c: day for c, day in zip(NAMES, days, strict=True) if rng.random() < 0.35}
    for family, component in [(f, c) for f in families for c in f.supply if f.supply[c] == 0]:
        level = 1 if rng.random() < 0.4 else 2
        if component in closed and rng.random() < 0.75:
            family.gone[component] = (closed[component], level)
        elif rng.random() < 0.12:
            family.gone[component] = (days[int(rng.integers(len(days)))], level)


def _world(rng: Rng, variant: str) -> World:
    """Draw a trade; the last family is a stranger to the ledger, the one before it is rare."""
    known = 4 if variant == "few families" else int(rng.integers(8, 14))
    kinds = list(KINDS) + [str(k) for k in rng.choice(list(KINDS), known - 2)]
    families = [_family(rng, k, name) for k, name in zip(kinds, _names(rng, len(kinds)), strict=True)]
    families[-2].popularity = 0.05 if known > 4 else 0.4
    families[-1].popularity = 0.0
    if variant == "supply runs out":
        _run_out(rng, families)
    strength = {sign: float(rng.uniform(0.75, 1.2)) for sign in SIGNS}
    return World(
        families=families,
        storage=rng.dirichlet((11.0, 4.0, 5.0)),
        renewed=float(rng.uniform(0.10, 0.22)),  # units whose rubber was renewed before
        hurry=float(rng.uniform(0.12, 0.30)),
        other_end=float(rng.uniform(0.02, 0.07)),
        ends=rng.dirichlet((5.0, 3.0, 2.0)),  # donor, scrapped, sold as is, of what was not repaired
        spread=float(rng.uniform(0.15, 0.30)),
        rate=float(rng.integers(4, 9)),
        fee=float(rng.choice([0.0, 0.08, 0.12])),
        disposal=float(rng.integers(1, 5)),
        signs={kind: _sign_chances(kind, strength) for kind in KINDS},  # of each, by storage and states
        asked_share=0.3,
    )


def _unit(rng: Rng, world: World, family: Family, day: datetime.date) -> Unit:
    """Draw one unit from the market."""
    year = int(rng.integers(family.first, family.last + 1))
    storage = int(rng.choice(3, p=world.storage))
    fitted = int(rng.integers(1, 13)) if rng.random() < world.renewed else None
    states = []
    for component in KINDS[family.kind]:
        age = float(fitted) if fitted is not None and component in RUBBER else _age(year, day)
        states.append(int(rng.choice(3, p=_state_chances(family, component, year, np.array(age))[storage])))
    row = int(np.dot(states, 3 ** np.arange(len(states))[::-1]))
    chances = world.signs[family.kind][:, storage, row]
    seen = {sign: bool(rng.random() < p) for sign, p in zip(KIND_SIGNS[family.kind], chances, strict=True)}
    return Unit(family=family, year=year, states=np.array(states), fitted=fitted, seen=seen)


def _window(rng: Rng, unit: Unit, exact: float) -> tuple[int | None, int | None]:
    """Years as written: known, a window (its years equally likely), or nothing."""
    draw = rng.random()
    if draw < exact:
        return unit.year, unit.year
    if draw > 0.96:
        return None, None
    width = int(rng.integers(1, 5))
    start = unit.year - int(rng.integers(0, width + 1))
    return max(start, unit.family.first), min(start + width, unit.family.last)


def _attempt(
    rng: Rng, world: World, family: Family, component: str, day: datetime.date, hurry: int
) -> tuple[str, float, str | None, str | None]:
    """Mend a failed part: what was done, its cost, where the part came from, why the job ended."""
    supply = family.supply_at(component, day)
    found = rng.random() < GET[hurry, supply]
    dear = rng.random() < family.too_dear(component)
    if found and not dear:
        end = None if rng.random() < FIT[supply] else str(rng.choice(["died on the bench", "too worn"]))
        source = "salvaged" if supply else "new"
        return "replaced", _lognormal(rng, family.cost[component], 0.25), source, end
    if rng.random() < family.rebuild[component]:
        return "rebuilt", 0.0, None, None
    if found:
        return "none", 0.0, None, "parts too expensive"
    return "no part", 0.0, None, "parts not available"


def _work(rng: Rng, world: World, unit: Unit, day: datetime.date) -> tuple[dict[str, Any], dict[str, Any]]:
    """Pass a unit over the bench: what the job row says of it, and the rest."""
    family, hours, parts, why, ended = unit.family, 1.5, 0.0, None, None
    hurry = int(rng.random() < world.hurry)
    if rng.random() < world.other_end:
        why = str(rng.choice(OTHER_ENDS))
    findings = []
    for component, state in zip(KINDS[family.kind], unit.states, strict=True):
        form, *_, need, breaks = COMPONENTS[component]
        row: dict[str, Any] = {"component": component, "found": FOUND[state], "arose": None, "action": "none"}
        findings.append(row)
        if why is not None or state == 0:
            continue
        if state == 1 and rng.random() < breaks:
            row = {"component": component, "found": "failed", "arose": "during work", "action": "none"}
            findings.append(row)
        elif state == 1:
            hours += 0.3
            row["action"] = "serviced"
            if form == "rubber":
                action, cost, source, _ = _attempt(rng, world, family, component, day, hurry)
                parts += cost
                quiet = action == "rebuilt" or (action == "no part" and rng.random() < 0.6)
                row |= {"action": "serviced"} if quiet or action == "none" else {"action": action}
                row |= {"part_cost": round(cost, 2), "part_source": source} if cost else {}
            continue
        action, cost, source, why = _attempt(rng, world, family, component, day, hurry)
        hours += need * (1.0 if action == "replaced" else 1.6)
        parts += cost
        row |= {"action": action, "part_cost": round(cost, 2) if cost else None, "part_source": source}
        ended = component if why else None
    outcome = str(rng.choice(("donor", "scrapped", "sold as is"), p=world.ends)) if why else "repaired"
    price = {"repaired": family.price, "sold as is": 0.12 * family.price}.get(outcome, 0.0)
    sale = round(_lognormal(rng, price, world.spread), 2) if price else 0.0
    kept = round(_lognormal(rng, float(family.salvage(unit.states)), 0.3), 2) if outcome == "donor" else None
    hours, other = round(_lognormal(rng, hours, 0.3), 2), round(float(rng.gamma(2.0, 3.0)), 2)
    gain = sale * (1.0 - world.fee) + (kept or 0.0) - (outcome == "scrapped") * world.disposal
    written = {"outcome": outcome, "hours": hours, "other_costs": other, "salvage_value": kept}
    gain -= hours * world.rate + other + parts
    return written, {"findings": findings, "why": why, "ended": ended, "sale": sale, "gain": gain}


def _maybe(rng: Rng, value: Any, chance: float) -> Any:
    """The value, if it was written down."""
    return value if rng.random() < chance else None


def _job_rows(
    rng: Rng, world: World, unit: Unit, job: str, day: datetime.date
) -> dict[str, list[dict[str, Any]]]:
    """Rows of all tables that one job leaves behind."""
    written, work = _work(rng, world, unit, day)
    closed = day + datetime.timedelta(int(rng.gamma(1.5, 20.0)))
    sold = closed + datetime.timedelta(int(rng.gamma(1.5, 25.0)))
    low, high = _window(rng, unit, 0.86)
    bought = max(round(unit.family.price * world.asked_share * float(np.exp(rng.normal(-0.2, 0.4)))), 1)
    row: dict[str, Any] = {
        "job": job,
        "family": unit.family.name,
        "taken_in": day.isoformat(),
        "outcome": "open",
    }
    row |= {"built_from": low, "built_to": high, "bought_for": _maybe(rng, bought, 0.97)}
    row["year_basis"] = None if low is None else "serial number" if low == high else "guess"
    looked = [(sign, ("no", "yes")[seen]) for sign, seen in unit.seen.items() if rng.random() < 0.88]
    signs = [{"job": job, "sign": sign, "seen": seen} for sign, seen in looked]
    if closed > AS_OF:
        return {"jobs": [row], "signs": signs}
    row |= {"closed": closed.isoformat()} | written
    row |= {k: _maybe(rng, written[k], chance) for k, chance in (("hours", 0.92), ("other_costs", 0.8))}
    if work["why"] and rng.random() < 0.9:
        row |= {"ended_by": work["ended"], "ended_why": work["why"]}
    if work["sale"] and sold <= AS_OF and rng.random() < 0.9:
        row |= {"sold_for": work["sale"], "sold_on": sold.isoformat()}
    kept = [f for f in work["findings"] if f["component"] == work["ended"] or rng.random() < 0.96]
    findings = [{"job": job} | f | _originality(rng, unit, f["component"], day) for f in kept]
    return {"jobs": [row], "signs": signs, "findings": findings}


def _originality(rng: Rng, unit: Unit, component: str, day: datetime.date) -> dict[str, Any]:
    """Whether a part is the one it was built with, as far as the owner wrote it."""
    if component not in RUBBER or unit.fitted is None:
        return {"original": _maybe(rng, "yes", 0.9)}
    if rng.random() < 0.2:
        return {"original": "unknown"}
    year = (day - datetime.timedelta(int(unit.fitted * 365.25))).year
    return {"original": "no"} | ({"fitted_from": year - 1, "fitted_to": year} if rng.random() < 0.7 else {})


def _note(rng: Rng, family: Family, component: str, wrong: float, hope: float) -> dict[str, Any]:
    """What the owner believes of a part, thinking of one family."""
    day = START + datetime.timedelta(int((AS_OF - START).days * rng.uniform(0.05, 0.97)))
    level = family.supply_at(component, day)
    if rng.random() < wrong:
        others = [i for i in range(3) if i != level]
        level = min(others) if rng.random() < hope else max(others)
    price = round(_lognormal(rng, family.cost[component], 0.45), 2) if level < 2 else None
    as_of = day.isoformat()[: 10 if rng.random() < 0.6 else 7]
    return {
        "component": component,
        "obtainable": LEVELS[level],
        "price": _maybe(rng, price, 0.7),
        "as_of": as_of,
    }


def _notes(rng: Rng, world: World, variant: str) -> list[dict[str, Any]]:
    """The table of parts: general opinions, and own ones of some families."""
    if variant == "no notes":
        return []
    wrong = {"wrong notes": 1.0 / 3.0, "supply runs out": 0.08, "few families": 0.2}[variant]
    hope = float(rng.uniform(0.2, 0.8))
    known = world.families[:-1]
    rows = []
    for component in NAMES:
        users = [f for f in known if component in KINDS[f.kind]]
        if users and rng.random() < 0.75:
            weight = np.array([f.popularity for f in users])
            family = users[int(rng.choice(len(users), p=weight / weight.sum()))]
            rows.append({"family": None} | _note(rng, family, component, wrong, hope))
        for family in users if variant != "few families" else []:
            if rng.random() < 0.35:
                rows.append({"family": family.name} | _note(rng, family, component, wrong, hope))
    undated = 0.0 if variant == "supply runs out" else 0.6
    return [row | ({"as_of": None} if rng.random() < undated else {}) for row in rows]


def _family_row(rng: Rng, family: Family) -> dict[str, Any]:
    """A family as the owner wrote it down."""
    row: dict[str, Any] = {"family": family.name, "kind": family.kind, "maker": family.name.split()[0]}
    row |= {"first_year": family.first, "last_year": family.last}
    if rng.random() < 0.75:
        row |= {"working_price": round(_lognormal(rng, family.price, 0.12), 0), "priced_on": "2024-11-05"}
    return row


def _tables(rng: Rng, world: World, variant: str) -> dict[str, list[dict[str, Any]]]:
    """The whole ledger."""
    count = 255 if variant == "few families" else int(rng.integers(270, 350))
    days = np.sort(rng.integers(0, (AS_OF - START).days, count))
    weight = np.array([f.popularity for f in world.families])
    tables: dict[str, list[dict[str, Any]]] = {
        "families": [_family_row(rng, f) for f in world.families[:-1]],
        "settings": settings_rows(
            currency="EUR", hour_rate=world.rate, selling_fee=world.fee, disposal_cost=world.disposal
        ),
        "parts": _notes(rng, world, variant),
    }
    for number, after in enumerate(days, start=1):
        day = START + datetime.timedelta(int(after))
        family = world.families[int(rng.choice(len(weight), p=weight / weight.sum()))]
        for table, rows in _job_rows(rng, world, _unit(rng, world, family, day), str(number), day).items():
            tables.setdefault(table, []).extend(rows)
    return tables


def _offer(rng: Rng, world: World, unit: Unit, name: str) -> dict[str, Any]:
    """One unit as it stands at the sale, but for the price."""
    low, high = _window(rng, unit, 0.8)
    row: dict[str, Any] = {"offer": name, "family": unit.family.name, "built_from": low, "built_to": high}
    if unit.family is world.families[-1]:
        row |= {"kind": unit.family.kind, "working_price": round(_lognormal(rng, unit.family.price, 0.12), 0)}
        row |= {"built_from": low or unit.family.first, "built_to": high or unit.family.last}
    looked = {s: _maybe(rng, "yes" if v else "no", 0.85) for s, v in unit.seen.items()}
    return row | {"seen_on": AS_OF.isoformat()} | dict.fromkeys(SIGNS) | looked


def _truth(
    world: World, family: Family, row: dict[str, Any], known: dict[Any, Any]
) -> tuple[float, float, str]:
    """Odds, gain before the purchase and chief risk, over all that the row does not show."""
    years = range(row["built_from"] or family.first, (row["built_to"] or family.last) + 1)
    for year in years:
        if (family.name, year) not in known:
            known[family.name, year] = _joint(world, family, year)
    weight = np.sum([known[family.name, year] for year in years], axis=0)
    for sign, chance in zip(KIND_SIGNS[family.kind], world.signs[family.kind], strict=True):
        if row[sign] is not None:
            weight = weight * (chance if row[sign] == "yes" else 1.0 - chance)
    by_state = weight.sum(axis=0) / weight.sum()
    if family.name not in known:
        known[family.name] = _prospects(world, family)
    success, worth, ends = known[family.name]
    chief = KINDS[family.kind][int(np.argmax(ends @ by_state))]
    return float(by_state @ success), float(by_state @ worth), chief


def _bearable(world: World) -> bool:
    """Whether anybody would keep such a bench: neither hopeless nor too easy."""
    rates = [
        _joint(world, f, (f.first + f.last) // 2).sum(axis=0) @ _prospects(world, f)[0]
        for f in world.families
    ]
    return 0.42 < np.average(rates, weights=[f.popularity for f in world.families]) < 0.72


def draw(variant: str, seed: int, n_offers: int = 300) -> Drawn:
    """Draw a trade, its ledger, and units on offer with what is true of them."""
    rng = np.random.default_rng([seed, VARIANTS.index(variant), 7411])
    world = _world(rng, variant)
    while not _bearable(world):
        world = _world(rng, variant)
    weight = np.array([f.popularity for f in world.families])
    weight = 0.93 * weight / weight.sum()
    weight[-2:] += (0.04, 0.03)
    picks = rng.choice(len(weight), n_offers, p=weight / weight.sum())
    units = [_unit(rng, world, world.families[int(i)], AS_OF) for i in picks]
    offers = [_offer(rng, world, unit, f"O{i}") for i, unit in enumerate(units, start=1)]
    known: dict[Any, Any] = {}
    told = [_truth(world, unit.family, row, known) for unit, row in zip(units, offers, strict=True)]
    chances, worth, _ = map(np.array, zip(*told, strict=True))
    hunch = np.array([u.family.price for u in units]) * (chances / chances.mean()) ** 0.3
    hunch = hunch * np.exp(rng.normal(0.0, 0.5, n_offers))
    ratio = worth / hunch
    world.asked_share = float(np.clip(np.quantile(ratio, rng.uniform(0.52, 0.65)), 0.02, 0.6))
    truth = []
    for unit, offer, price, (chance, mean, risk) in zip(units, offers, hunch, told, strict=True):
        offer["asked"] = max(round(float(price) * world.asked_share), 1)
        written, work = _work(rng, world, unit, AS_OF)
        came = {"repaired": written["outcome"] == "repaired", "brought": work["gain"]}
        truth.append(truth_row(offer, chance=chance, worth=mean, risk=risk, **came))
    return Drawn(_tables(rng, world, variant), offers, truth, AS_OF)
