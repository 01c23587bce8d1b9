"""A trade steered by what no ledger shows: who sold the unit, and whether its parts could be had that year.

What drives outcomes. Units come from three sorts of seller. An estate clear-out sells what nobody
touched: rubber gone, the rest mostly sound, often from a damp store, no mains to try it. A tinkerer has
opened his: some rubber is new, but he may have botched it, and a botched unit is seldom saved, whatever
its components are like. A dealer tested his and did the easy repairs: what is still wrong is the hard
kind, was given up once already, and the case was wiped so that residue and rust do not show. So the same
dead transport is a cheap belt from one seller and a hopeless gear from another. Which signs can be
looked at differs by seller (an empty cell is a trace of who sold it), and so do the price asked and what
the working unit fetches. The mix of sellers differs by kind and drifts from estates to dealers. Parts
come and go by family and component: made at first, gone for years (a salvaged one may turn up), then,
for some, reproduced, dearer and a little worse: a rate learnt in the lean years is wrong afterwards.
Damp and a smoker's household are hidden too; smoke means nothing, but in 'strong sign' it ends most jobs
of one kind (tar where nobody can get at it) and none of the others.

What is recorded. Jobs, most of their signs, years as windows, hours of three jobs in four, what was
sold. Some families lack their span or an estimated price, and estimates are off. A note on a part tells
its state on the day of the note, up to three years ago. Nobody checks on sold units. The tenth family is
hardly ever met; one family on offer is not in the ledger at all.

What is wrong in the records. Findings exist in 60 % of jobs, a tenth of the components left out, 5 %
misread (sound for failed and the reverse). A "no" among the signs is not always written. What ended a
job is missing in a third. In the long ledgers a tenth of the failures are a gap in the numbers. The
owner leaves what is asked at nearly the price of a working unit. Of the tellers of hearsay some are
right, others off by the same amount in whatever they tell; in 'bad hearsay' all say the opposite of what
is so.

The true odds know family, window of years, day and signs (also which were not looked at), but draw
nothing from the price asked. They are exact: every hidden state of a unit is enumerated.
"""

import datetime
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from tests.worlds import Drawn, even, settings_rows, truth_row

VARIANTS: tuple[str, ...] = ("mid ledger", "cold start", "bad hearsay", "strong sign")
# jobs taken in, years of records, share of part notes, rows of hearsay, share of failures left as a gap
KEPT = {
    "mid ledger": (310, 7.0, 0.5, 8, 0.1),
    "cold start": (25, 0.9, 0.9, 16, 0.0),
    "bad hearsay": (40, 1.4, 0.5, 16, 0.0),
    "strong sign": (365, 7.0, 0.5, 8, 0.1),
}
ESTATE, TINKERER, DEALER = 0, 1, 2
KINDS = {
    "tape deck": ("belt", "idler", "pinch roller", "gear", "motor", "head", "capacitor"),
    "turntable": ("belt", "motor", "regulator", "switch"),
    "receiver": ("capacitor", "regulator", "switch", "display"),
    "video recorder": ("belt", "idler", "pinch roller", "gear", "head", "regulator", "display"),
}
RUBBER = ("belt", "idler", "pinch roller")
# life in years (63 % have failed), its shape, price of the part, hours, chance that the work on it comes off
PARTS = {
    "belt": (33.0, 3.5, 7.0, 0.7, 0.98),
    "idler": (40.0, 3.0, 9.0, 0.8, 0.96),
    "pinch roller": (46.0, 3.0, 11.0, 0.5, 0.97),
    "gear": (55.0, 2.5, 12.0, 1.6, 0.86),
    "motor": (72.0, 2.0, 22.0, 1.2, 0.85),
    "head": (78.0, 2.2, 28.0, 1.1, 0.82),
    "capacitor": (56.0, 2.5, 5.0, 1.3, 0.93),
    "regulator": (66.0, 1.8, 8.0, 1.4, 0.88),
    "switch": (58.0, 2.0, 9.0, 0.9, 0.9),
    "display": (82.0, 2.4, 26.0, 1.0, 0.72),
}
# how often a sign shows without a cause, and through each cause
SIGNS: dict[str, tuple[float, dict[str, float]]] = {
    "no power": (0.04, {"regulator": 0.75, "switch": 0.35, "capacitor": 0.15, "botch": 0.3}),
    "dead transport": (0.05, {"belt": 0.75, "idler": 0.55, "motor": 0.8, "gear": 0.65, "botch": 0.25}),
    "hum": (0.07, {"capacitor": 0.7, "regulator": 0.3}),
    "rust": (0.08, {"damp": 0.6}),
    "damp store": (0.05, {"damp": 0.65}),
    "sticky residue": (0.06, {"belt": 0.55, "pinch roller": 0.4, "idler": 0.3}),
    "missing parts": (0.06, {"botch": 0.4}),
    "tobacco smell": (0.03, {"smoke": 0.93}),
}
POWERED, WIPED = (
    ("no power", "dead transport", "hum"),
    ("rust", "sticky residue", "damp store", "missing parts"),
)
NAMES = """Quorvane Tavrick Ublisk Zellwick Karnoby Yelver Fendrow Grausk Hobrant Ilvane Juddlo Lorvex Nimbrel
    Plovek Rastrun Skelvo Tromfel Wendrix Drelmo Ostrix""".split()
PATIENCE = np.array([1.0, 1.0, 1.0, 0.85, 0.6, 0.4, 0.3, 0.2])  # by the number of failed components
Array = NDArray[Any]
Row = dict[str, Any]
Tables = dict[str, list[Row]]


class Hidden(NamedTuple):
    """What nobody sees of some units, one row each: whose, where from, and the failed components."""

    seller: Array
    damp: Array
    botch: Array
    smoke: Array
    failed: Array


class Family:
    """One family as it is; arrays run over its components, years count from the day of judging."""

    def __init__(self, rng: np.random.Generator, name: str, kind: str, known: bool) -> None:
        """Draw it."""
        self.name, self.kind, self.maker, self.known = f"{name} {rng.integers(2, 99) * 10}", kind, name, known
        self.first = int(rng.integers(1974, 1992))
        self.last = self.first + int(rng.integers(4, 9))
        self.parts, n = KINDS[kind], len(KINDS[kind])
        life, self.shape, cost, self.part_hours, self.ease = np.array([PARTS[p] for p in self.parts]).T
        self.life, self.cost = life * np.exp(rng.normal(0, 0.3, n)), cost * np.exp(rng.normal(0, 0.4, n))
        self.rubber = np.array([p in RUBBER for p in self.parts])
        self.worn = np.where(self.rubber, 0.35, 0.12)  # of those that have not failed
        self.rots = np.array([p in (*RUBBER, "switch", "motor") for p in self.parts])
        self.gone = np.where(rng.random(n) < 0.6, -rng.uniform(0.2, 9, n), 99)
        self.back = self.gone + np.where(rng.random(n) < 0.6, rng.uniform(1, 6, n), 99)
        self.turns_up = rng.uniform(0.08, 0.5, n)  # a salvaged part, while new ones are gone
        self.price, self.spread = float(np.exp(rng.normal(5.45, 0.35))), float(rng.uniform(0.15, 0.35))
        self.told_price = round(self.price * float(np.exp(rng.normal(0.05, 0.18))))
        self.salvage, self.hours = self.price * rng.uniform(0.06, 0.2), rng.uniform(1, 2.5)
        self.signs = [s for s in SIGNS if s != "dead transport" or kind != "receiver"]

    def market(self, when: float) -> Array:
        """State of the market for each part: 0 made, 1 gone, 2 reproduced."""
        return np.where(when < self.gone, 0, np.where(when < self.back, 1, 2))

    def dues(self, when: float) -> Array:
        """Price of each part at a time, salvaged where new ones are gone."""
        return self.cost * np.array([1.0, 1.6, 1.9])[self.market(when)]

    def lattice(self) -> Hidden:
        """List every hidden state."""
        cells = np.indices((3, 2, 2, 2) + (2,) * len(self.parts)).reshape(4 + len(self.parts), -1)
        return Hidden(cells[0], cells[1], cells[2], cells[3], cells[4:].T.astype(bool))


class World:
    """Every parameter of one trade."""

    def __init__(self, rng: np.random.Generator, variant: str) -> None:
        """Draw ten families, one that the ledger does not know, and all the rest."""
        kinds = rng.permutation([*KINDS, *KINDS, *rng.permutation([*KINDS])[:3]])
        names = rng.permutation(NAMES)
        self.families = [Family(rng, str(names[i]), str(k), i < 10) for i, k in enumerate(kinds)]
        self.popular = np.append(rng.dirichlet(np.full(9, 3.0)) * 0.92, [0.04, 0.04])
        share = {k: float(self.popular[kinds == k].sum()) for k in KINDS}
        self.tar = {k: 0.9 * (variant == "strong sign" and share[k] == max(share.values())) for k in KINDS}
        self.as_of = datetime.date(2024, 3, 1) + datetime.timedelta(days=int(rng.integers(0, 500)))
        self.mix = {k: (rng.dirichlet([9, 5, 3]), rng.dirichlet([6, 5, 6])) for k in KINDS}  # then and now
        self.damp = np.array([rng.uniform(0.3, 0.5), rng.uniform(0.15, 0.3), rng.uniform(0.03, 0.1)])
        self.botch, self.smoke = np.array([0.02, rng.uniform(0.55, 0.75), 0.04]), rng.uniform(0.3, 0.45)
        # by seller: hazard of hard parts and rubber; whether unpowered and powered signs can be looked at
        self.wear = np.array([[0.5, 1.3], [0.9, 0.6], [2.2, 0.15]]) * np.exp(rng.normal(0, 0.15, (3, 2)))
        self.looked = np.array([[0.92, rng.uniform(0.2, 0.4)], [0.88, 0.8], [rng.uniform(0.5, 0.7), 0.97]])
        self.fetches = np.array([1.08, 0.9, 1])
        self.asks = np.array([0.75, 1.05, 1.2]) * np.exp(rng.normal(0, 0.1, 3))
        self.damp_wear, self.saved, self.wiped = rng.uniform([1.5, 0.05, 0.2], [2.2, 0.2, 0.5])
        causes = ((s, c, v) for s, (_, by) in SIGNS.items() for c, v in by.items())
        self.strength = {(s, c): expit(logit(v) + rng.normal(0, 0.3)) for s, c, v in causes}
        self.rate, self.fee = float(rng.choice([0, 4, 6, 8])), float(rng.choice([0, 0.08, 0.12]))
        self.disposal, self.margin = float(rng.choice([0, 3, 5])), float(rng.choice([0, 5, 10]))
        self.fate = rng.dirichlet([5, 3, 2])  # donor, scrapped, sold as is
        self.level, self.skill = 1.0, 1.0
        self._train(rng.uniform(0.42, 0.66))

    def _train(self, target: float) -> None:
        """Make the bench as able as repairing this share of the market takes, where it can be."""
        states = [(self.prior(f, 0).mean(axis=0), f, f.lattice()) for f in self.families]
        low, high = 0.05, 8.0
        for _ in range(10):
            self.skill = float(np.sqrt(low * high))
            done = self.popular @ [p @ self.stages(f, h, 0).prod(axis=1) for p, f, h in states]
            low, high = (self.skill, high) if done > target else (low, self.skill)

    def day(self, when: float) -> datetime.date:
        """Date of so many years from the day of judging."""
        return self.as_of + datetime.timedelta(days=round(when * 365.25))

    def age(self, year: int, when: float) -> float:
        """Age at a time of what was built in that year."""
        return self.as_of.year + self.as_of.timetuple().tm_yday / 365.25 + when - year - 0.5

    def sellers(self, family: Family, when: float) -> Array:
        """Mix of sellers of that kind at a time."""
        then, now = self.mix[family.kind]
        return now + (then - now) * min(-when / 7, 1)

    def failing(self, family: Family, seller: Array, damp: Array, age: float) -> Array:
        """Chance that each component has failed, by seller, store and age."""
        hazard = (age / family.life) ** family.shape * self.wear[seller][:, family.rubber.astype(int)]
        return 1 - np.exp(-hazard * np.where(family.rots & (damp[:, None] == 1), self.damp_wear, 1))

    def prior(self, family: Family, when: float) -> Array:
        """Chance of each hidden state, one row per year of production."""
        h = family.lattice()
        base = self.sellers(family, when)[h.seller] * np.where(h.smoke == 1, self.smoke, 1 - self.smoke)
        base *= np.where(h.damp == 1, self.damp[h.seller], 1 - self.damp[h.seller])
        base *= np.where(h.botch == 1, self.botch[h.seller], 1 - self.botch[h.seller])
        years = range(family.first, family.last + 1)
        failing = (self.failing(family, h.seller, h.damp, self.age(y, when)) for y in years)
        return np.array([base * np.where(h.failed, p, 1 - p).prod(axis=1) for p in failing])

    def stages(self, family: Family, h: Hidden, when: float) -> Array:
        """Chance of passing each stage: botch, tar, every component, patience, no slip on the bench."""
        had = np.choose(family.market(when), [np.ones(len(family.parts)), family.turns_up, 0.9])
        refused = np.where(~family.rubber & (h.seller[:, None] == DEALER), 0.7, 1)
        fix = np.where(h.failed, (refused * family.ease * had) ** self.skill, 1)
        botch, tar = np.where(h.botch == 1, self.saved, 1), 1 - h.smoke * self.tar[family.kind]
        return np.column_stack([botch, tar, fix, PATIENCE[h.failed.sum(axis=1)], np.full(len(botch), 0.97)])

    def shows(self, family: Family, h: Hidden) -> Array:
        """Chance that each sign of the kind shows to who looks."""
        causes = {p: h.failed[:, i] for i, p in enumerate(family.parts)}
        causes |= {"damp": h.damp, "botch": h.botch, "smoke": h.smoke}
        columns = []
        for sign in family.signs:
            there = [1 - causes[c] * self.strength[sign, c] for c in SIGNS[sign][1] if c in causes]
            shown = 1 - (1 - SIGNS[sign][0]) * np.prod(there, axis=0)
            columns.append(shown * np.where((h.seller == DEALER) & (sign in WIPED), self.wiped, 1))
        return np.column_stack(columns)

    def looks(self, family: Family, h: Hidden) -> Array:
        """Chance that each sign can be looked at."""
        return self.looked[h.seller][:, [int(s in POWERED) for s in family.signs]]

    def means(self, family: Family, h: Hidden) -> tuple[Array, Array]:
        """Mean hours of a repair that succeeds, and mean worth of the parts where none did."""
        hours = family.hours + h.failed @ family.part_hours + h.botch
        return hours, family.salvage * np.where(h.botch == 1, 0.5, 1)

    def worth(self, family: Family, h: Hidden, when: float) -> tuple[Array, Array]:
        """Mean gain before the price paid, of a unit repaired and of one that was not."""
        dues, (hours, salvage) = family.dues(when), self.means(family, h)
        won = family.price * self.fetches[h.seller] * (1 - self.fee)
        lost = (self.fate[0] + self.fate[2] * (1 - self.fee)) * salvage - self.fate[1] * self.disposal
        won = won - np.where(h.failed, dues, family.worn * dues).sum(axis=1) - hours * self.rate - 5
        return won, lost - 0.3 * (h.failed @ dues) - 0.7 * hours * self.rate - 3


def _unit(world: World, rng: np.random.Generator, family: Family, when: float) -> Row:
    """Draw one unit from the market, with all that is hidden, and what becomes of it."""
    year = int(rng.integers(family.first, family.last + 1))
    seller = rng.choice(3, 1, p=world.sellers(family, when))
    flags = [world.damp[seller[0]], world.botch[seller[0]], world.smoke]
    damp, botch, smoke = (rng.random((3, 1)) < np.array(flags)[:, None]).astype(int)
    failing = world.failing(family, seller, damp, world.age(year, when))
    h = Hidden(seller, damp, botch, smoke, rng.random(failing.shape) < failing)
    seen = rng.random(len(family.signs)) < world.shows(family, h)[0]
    looked = rng.random(len(seen)) < world.looks(family, h)[0]
    signs = {s: "yes" if y else "no" for s, y, there in zip(family.signs, seen, looked, strict=True) if there}
    passed = rng.random(len(family.parts) + 4) < world.stages(family, h, when)[0]
    width = int(rng.choice([9, 1, 2, 3], p=[0.1, 0.5, 0.25, 0.15]))  # 9: the year is not known at all
    low = family.first + (year - family.first) // width * width
    knows = 0.88 ** h.failed.sum() if seller[0] == DEALER else 0.8 ** (signs.get("no power") == "yes")
    unit: Row = {"family": family, "hidden": h, "signs": signs, "when": when}
    unit |= {"low": low, "high": min(low + width - 1, family.last), "dated": width < 9}
    unit["asked"] = family.price * float(world.asks[seller[0]] * knows * np.exp(rng.normal(-0.1, 0.45)))
    return _money(world, rng, unit | {"stage": None if passed.all() else int(np.argmin(passed))})


def _money(world: World, rng: np.random.Generator, unit: Row) -> Row:
    """Add what the job of this unit costs and brings."""
    family, h, won = unit["family"], unit["hidden"], unit["stage"] is None
    sd = np.array([0.35, 0.4, 0.5, family.spread])
    hours, salvage, other, sale = np.exp(rng.normal(-sd * sd / 2, sd))  # each of mean one
    unit["fate"] = "repaired" if won else str(rng.choice(["donor", "scrapped", "sold as is"], p=world.fate))
    unit["states"] = np.where(h.failed[0], 2, rng.random(len(family.parts)) < family.worn)
    dues, (mean_hours, mean_salvage) = family.dues(unit["when"]), world.means(family, h)
    unit["hours"] = float(mean_hours[0] * hours * (1 if won else 0.7))
    unit["spent"] = float(dues @ (unit["states"] > 0) if won else 0.3 * dues @ h.failed[0])
    unit["other"] = float(other * (5 if won else 3))
    salvage = float(salvage * mean_salvage[0])
    sales = {"repaired": float(family.price * world.fetches[h.seller[0]] * sale), "sold as is": salvage}
    unit["sale"], unit["kept"] = sales.get(unit["fate"], 0.0), salvage * (unit["fate"] == "donor")
    costs = unit["hours"] * world.rate + unit["other"] + unit["spent"]
    costs += world.disposal if unit["fate"] == "scrapped" else 0
    return unit | {"gain": unit["sale"] * (1 - world.fee) + unit["kept"] - costs}


def _true(world: World, units: list[Row]) -> tuple[Array, Array, list[str]]:
    """Work out odds, mean gain before the price, and chief risk of units from their rows alone."""
    chance, worth, chief = np.zeros(len(units)), np.zeros(len(units)), [""] * len(units)
    for family in world.families:
        h = family.lattice()
        prior, shows, looks = world.prior(family, 0), world.shows(family, h), world.looks(family, h)
        stages, (won, lost) = world.stages(family, h, 0), world.worth(family, h, 0)
        done, ends = stages.prod(axis=1), stages.cumprod(axis=1)[:, 1:-3] * (1 - stages[:, 2:-2])
        for i, unit in ((i, u) for i, u in enumerate(units) if u["family"] is family):
            weight = prior[unit["low"] - family.first : unit["high"] - family.first + 1].mean(axis=0)
            for j, told in enumerate(map(unit["signs"].get, family.signs)):
                given = shows[:, j] if told == "yes" else 1 - shows[:, j]
                weight = weight * (looks[:, j] * given if told else 1 - looks[:, j])
            weight = weight / weight.sum()
            chance[i], worth[i] = weight @ done, weight @ (done * won + (1 - done) * lost)
            chief[i] = family.parts[int(np.argmax(weight @ ends))]
    return chance, worth, chief


def _ended(rng: np.random.Generator, unit: Row) -> tuple[str | None, str | None]:
    """Tell what ended a job, and why."""
    stage, last = unit["stage"], len(unit["family"].parts) + 2
    if stage is None or stage >= last:
        return None, None if stage is None else "not worth it" if stage == last else "died on the bench"
    if stage < 2:
        return None, str(rng.choice(["cannot be opened", "no information"])) if stage == 0 else "too worn"
    lack = unit["family"].market(unit["when"])[stage - 2] == 1
    why = "parts not available" if lack else rng.choice(["too worn", "no equipment", "parts too expensive"])
    return unit["family"].parts[stage - 2], str(why)


def _findings(world: World, rng: np.random.Generator, job: str, unit: Row) -> list[Row]:
    """Write down what was found, a tenth left out and 5 % misread."""
    rows: list[Row] = []
    family, year = unit["family"], world.day(unit["when"]).year
    for i, part in enumerate(family.parts):
        fatal, gone = unit["stage"] == i + 2, family.market(unit["when"])[i] == 1
        found = ("sound", "worn", "failed")[unit["states"][i]]
        misread, left_out = rng.random(2) < [0.05, 0.1]
        if left_out and not fatal:
            continue
        if misread and not fatal:
            found = "failed" if found == "sound" else "sound"
        row: Row = {"job": job, "component": part, "position": "", "found": found, "arose": "as received"}
        row |= {"original": str(rng.choice(["yes", "unknown"], p=[0.85, 0.15])), "action": "none"}
        if part in RUBBER and found == "sound" and unit["hidden"].seller[0] != ESTATE and rng.random() < 0.5:
            row |= {"original": "no", "fitted_from": year - int(rng.integers(2, 8)), "fitted_to": year - 1}
        if unit["stage"] is None and found != "sound":
            row |= {"action": "replaced", "part_cost": round(float(family.dues(unit["when"])[i]), 2)}
            row["part_source"] = "salvaged" if gone else "new"
        elif found == "failed" and unit["stage"] is not None and (unit["stage"] > i + 2 or (fatal and gone)):
            row["action"] = "no part" if fatal else "serviced"
        rows.append(row)
    return rows


def _job(world: World, rng: np.random.Generator, job: str, unit: Row) -> Tables:
    """Write up one unit, as far as this owner does."""
    taken = world.day(unit["when"])
    closed, on = taken + np.cumsum(1 + rng.gamma(1.4, [16.0, 24.0])).astype(int) * datetime.timedelta(days=1)
    row: Row = {"job": job, "family": unit["family"].name, "taken_in": taken.isoformat(), "outcome": "open"}
    row |= {"built_from": unit["low"], "built_to": unit["high"]} if unit["dated"] else {}
    row["bought_for"] = round(unit["asked"] * rng.uniform(0.85, 1), 1)
    told = [(s, v) for s, v in unit["signs"].items() if v == "yes" or rng.random() < 0.85]
    signs = [{"job": job, "sign": s, "seen": v} for s, v in told if rng.random() < 0.95]
    if closed > world.as_of:
        return {"jobs": [row], "signs": signs}
    findings = _findings(world, rng, job, unit) if rng.random() < 0.6 else []
    lumped = 0 if findings and unit["stage"] is None else unit["spent"]
    by, why = _ended(rng, unit)
    row |= {"closed": closed.isoformat(), "outcome": unit["fate"]}
    if unit["sale"] and on <= world.as_of and rng.random() < 0.9:
        row |= {"sold_for": round(unit["sale"], 2), "sold_on": on.isoformat()}
    more = {"hours": round(unit["hours"], 2), "other_costs": round(unit["other"] + lumped, 2), "ended_by": by}
    more |= {"ended_why": why, "salvage_value": round(unit["kept"], 1) or None}
    noted = rng.random(5) < [0.75, 0.8, 0.7, 0.65, 0.8]
    row |= {k: v for (k, v), there in zip(more.items(), noted, strict=True) if there}
    return {"jobs": [row], "signs": signs, "findings": findings}


def _ledger(world: World, rng: np.random.Generator, variant: str) -> Tables:
    """Let the owner buy and repair for years, and write it up."""
    n, years, _, _, unwritten = KEPT[variant]
    tables: Tables = {"jobs": [], "signs": [], "findings": []}
    chances = np.append(world.popular[:9], 0.004)
    form = str(rng.choice(["T-{:04d}", "{}"]))
    for number, when in enumerate(np.sort(-rng.uniform(0.005, years, n)), 1):
        unit: Row = {}
        while not unit or unit["asked"] > 0.85 * unit["family"].price:
            unit = _unit(world, rng, world.families[rng.choice(10, p=chances / chances.sum())], float(when))
            unit["asked"] *= world.level
        if unit["stage"] is None or rng.random() >= unwritten:
            for table, rows in _job(world, rng, form.format(number), unit).items():
                tables[table] += rows
    return tables


def _described(world: World, rng: np.random.Generator, variant: str) -> Tables:
    """Describe the families as the owner knows them, and the parts as somebody once asked for them."""
    tables: Tables = {"families": [], "parts": []}
    for family in world.families[:10]:
        row: Row = {"family": family.name, "kind": family.kind, "maker": family.maker}
        row |= {"first_year": family.first, "last_year": family.last} if rng.random() < 0.85 else {}
        priced = {
            "working_price": family.told_price,
            "priced_on": world.day(-rng.uniform(0.1, 2)).isoformat(),
        }
        tables["families"].append(row | (priced if rng.random() < 0.75 else {}))
        for i in np.flatnonzero((family.gone < 50) & (rng.random(len(family.parts)) < KEPT[variant][2])):
            when = -float(rng.uniform(0.02, 3))
            lack = "salvage only" if family.turns_up[i] > 0.25 else "no"
            row = {"component": family.parts[i], "family": family.name, "as_of": world.day(when).isoformat()}
            row["obtainable"] = ("yes", lack, "yes")[family.market(when)[i]]
            price = {} if row["obtainable"] == "no" else {"price": round(float(family.dues(when)[i]), 1)}
            tables["parts"].append(row | price)
    return tables


def _claims(world: World, rng: np.random.Generator) -> list[tuple[Row, str, float]]:
    """List what could be told of kinds, then of families and their components, with what is so."""
    claims: list[tuple[Row, str, float]] = []
    by_kind: dict[str, list[float]] = {}
    for family in world.families[:10]:
        h, prior = family.lattice(), world.prior(family, 0).mean(axis=0)
        so = float(prior @ world.stages(family, h, 0).prod(axis=1))
        by_kind.setdefault(family.kind, []).append(so)
        age, i = int(rng.choice([30, 35, 40])), int(rng.integers(len(family.parts)))
        of = {"family": family.name, "component": family.parts[i], "age_years": age}
        failed = float(prior @ world.failing(family, h.seller, h.damp, age)[:, i])
        claims += [({"family": family.name}, "share_repaired", so), (of, "share_failed", failed)]
    told = [({"kind": k}, "share_repaired", float(np.mean(v))) for k, v in by_kind.items()]
    return told + [claims[i] for i in rng.permutation(len(claims))]


def _hearsay(world: World, rng: np.random.Generator, variant: str) -> list[Row]:
    """Let tellers speak: some right, some off throughout, or all of them the wrong way round."""
    names = rng.permutation(["stall keeper", "old fitter", "club sheet", "swap board"])
    tellers = dict(zip(names, [0, 0, 1.4, -1.4], strict=True))
    claims, rows = _claims(world, rng), []
    usual = {key: np.mean([logit(so) for _, k, so in claims if k == key]) for _, key, _ in claims}
    for of, key, so in claims[: KEPT[variant][3]]:
        teller = str(rng.choice([*tellers]))
        said = logit(so) + tellers[teller] + rng.normal(0, 0.15)
        if variant == "bad hearsay":
            off = logit(so) - usual[key]
            said = usual[key] - np.sign(off) * max(0.7, 1.5 * abs(off))
        share = round(float(np.clip(expit(said), 0.02, 0.98)), 2)
        rows.append(of | {key: share, "worth_jobs": int(rng.integers(3, 13)), "told_by": teller})
    return rows


def draw(variant: str, seed: int, n_offers: int = 300) -> Drawn:
    """Draw the trade, its ledger, units on offer, and what is true of them."""
    rng = np.random.default_rng([seed, VARIANTS.index(variant)])
    world = World(rng, variant)
    picks = rng.choice(len(world.families), size=n_offers, p=world.popular)
    units = [_unit(world, rng, world.families[i], 0.0) for i in picks]
    chance, worth, chief = _true(world, units)
    fair = (worth - world.margin) / [u["asked"] for u in units]
    world.level = max(float(np.quantile(fair, 1 - rng.uniform(0.36, 0.48))), 0.05)
    offers, truth = [], []
    for i, unit in enumerate(units):
        family, asked, name = unit["family"], round(unit["asked"] * world.level, 1), f"offer {i + 1}"
        row = {"offer": name, "family": family.name, "kind": None, "working_price": None}
        row |= {} if family.known else {"kind": family.kind, "working_price": family.told_price}
        row["built_from"], row["built_to"] = (unit["low"], unit["high"]) if unit["dated"] else (None, None)
        row |= {"asked": asked, "seen_on": world.as_of.isoformat()}
        offers.append(row | {s: unit["signs"].get(s) for s in SIGNS})
        came = {"repaired": unit["stage"] is None, "brought": unit["gain"]}
        so = {"chance": chance[i], "worth": worth[i], "risk": chief[i], "margin": world.margin}
        truth.append(truth_row(row, **so, **came))
    settings = {"currency": "EUR", "hour_rate": world.rate, "selling_fee": world.fee}
    settings |= {"disposal_cost": world.disposal, "margin": world.margin}
    tables = _described(world, rng, variant) | _ledger(world, rng, variant)
    tables["hearsay"] = _hearsay(world, rng, variant)
    tables["settings"] = settings_rows(**settings)
    return Drawn({name: even(rows) for name, rows in tables.items()}, offers, truth, world.as_of)
