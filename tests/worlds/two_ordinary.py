"""Two ordinary benches: a retired technician who sells on, and an evening hobbyist who keeps a quarter.

Nobody sees how a unit was used and stored. Given these and its year, each part has a Weibull life, is worn
from four fifths of it on, and may have been renewed by an earlier owner. Signs come from failed parts, from
worn ones less, use, damp and nothing. Units are given up at once or mended part by part, as far as it goes.
What is true of an offer is an exact sum over years, use, storage and the states of all parts.
"""

import datetime
from types import SimpleNamespace as Space

import numpy as np

from tests.worlds import Drawn, settings_rows, truth_row

PARTS = {  # shape, life in years, power of use, life in damp, share renewed, hours, cost, log odds of mending
    "belt": (4.5, 34, 0.0, 0.95, 0.20, 0.8, 7, 3.5),
    "pinch roller": (3.5, 46, 0.3, 0.95, 0.10, 0.6, 9, 2.8),
    "gear": (3.0, 62, 0.3, 1.0, 0.02, 1.6, 14, 0.3),
    "motor": (2.2, 95, 0.5, 0.8, 0.02, 1.2, 22, 0.5),
    "head": (3.0, 75, 0.8, 0.9, 0.02, 0.9, 28, 0.2),
    "capacitor": (3.0, 58, 0.2, 0.9, 0.06, 1.1, 6, 1.8),
    "switch": (2.5, 58, 0.2, 0.75, 0.02, 0.8, 4, 1.7),
    "laser": (2.8, 44, 0.8, 0.95, 0.05, 1.1, 26, 0.4),
    "tonearm": (1.3, 130, 0.3, 0.9, 0.01, 1.2, 24, 0.2),
    "cartridge": (2.5, 36, 0.7, 1.0, 0.40, 0.3, 19, 3.2),
}
KINDS = {  # parts in the order in which they are seen to
    "tape deck": ("belt", "pinch roller", "capacitor", "head", "gear"),
    "turntable": ("belt", "motor", "switch", "cartridge", "tonearm"),
    "disc player": ("belt", "capacitor", "motor", "gear", "laser"),
}
SIGNS = {  # how often from nothing, heavy use, damp, each failed part; the first three need a socket
    "no power": (0.03, 0, 0, {"capacitor": 0.4, "switch": 0.4}),
    "dead transport": (0.05, 0, 0, {"belt": 0.75, "motor": 0.8, "gear": 0.5}),
    "skips": (0.06, 0, 0, {"laser": 0.75, "cartridge": 0.4, "tonearm": 0.5}),
    "rust": (0.04, 0, 0.55, {}),
    "worn front": (0.1, 0.6, 0, {}),
}
USE, DAMP = np.repeat([0.6, 1.0, 1.6], 2), np.tile([False, True], 3)  # six classes of units
LOOKS = np.where(USE > 1, 0.86, 1.03)  # what they do to the price
GONE = np.array([1, 0.1, 0.3, 0.5, 0.7, 0.9])  # age of a part as share of its unit's: original, renewed
STATES = np.indices((3,) * 5).reshape(5, -1).T  # all that a unit's parts can be: sound, worn, failed
OUTCOMES = ("donor", "scrapped", "sold as is")
WHY = ("parts too expensive", "too worn", "no information", "cannot be opened", "no equipment")

TECHNICIAN = Space(  # pairs of shares: if not so, if so (signs: there; lost: repaired)
    families=(  # name, kind, years of production, price, shares of those met at first and at last
        ("Corvelle T-3", "tape deck", 1978, 1983, 95, 5, 3),
        ("Corvelle T-7", "tape deck", 1983, 1988, 140, 3, 4),
        ("Harnwick DX", "tape deck", 1986, 1993, 110, 3, 5),
        ("Lindquell P1", "turntable", 1974, 1981, 120, 4, 3),
        ("Lindquell P5", "turntable", 1979, 1986, 180, 2, 2),
        ("Bramsen Direct", "turntable", 1976, 1982, 230, 0.7, 1.5),
        ("Harnwick CD", "disc player", 1987, 1994, 75, 3, 2),
        ("Tessaro 16", "disc player", 1989, 1997, 130, 1, 3),
    ),
    **dict(start=2018.2, years=6.5, jobs=(182, 248), classes=np.outer([1, 2, 1], [4, 1]).ravel() / 20),
    **dict(skill=0.1, learnt=0.6, scarcer=-0.06, dearer=0.03, limit=0.4),  # log odds; prices a year
    settings={"currency": "EUR", "hour_rate": 6, "selling_fee": 0.11, "disposal_cost": 0},
    **dict(endings=(0.55, 0.2, 0.25), year_told=(0.5, 0.3, 0.2), shuns={"rust": 0.5, "worn front": 0.2}),
    **dict(signs=dict.fromkeys(SIGNS, (0.85, 0.92)), lost=(0.1, 0.03), noted=0.9, sound_told=0.6, kept=0.06),
)
HOBBYIST = Space(
    families=(
        ("Quillon K2", "tape deck", 1981, 1987, 60, 5, 5),
        ("Quillon K8", "tape deck", 1986, 1992, 105, 4, 4),
        ("Ferring Auto", "turntable", 1977, 1985, 85, 3, 3),
        ("Ferring Disc", "disc player", 1990, 1999, 65, 2, 2),
        ("Maristo 100", "disc player", 1992, 2001, 90, 1, 1),
    ),
    **dict(start=2020.6, years=4.5, jobs=(68, 91), classes=np.outer([2, 5, 3], [7, 3]).ravel() / 100),
    settings={"currency": "EUR", "hour_rate": 0, "selling_fee": 0.05, "disposal_cost": 2},
    **dict(skill=-0.3, learnt=0, scarcer=0, dearer=0, shuns={"rust": 0.4, "no power": 0.5}, kept=0.25),
    **dict(endings=(0.5, 0.4, 0.1), signs=dict.fromkeys(("no power", "dead transport", "rust"), (0.55, 0.9))),
    **dict(lost=(0.06, 0.02), noted=0.65, sound_told=0.3, year_told=(0.3, 0.35, 0.35), limit=0.35),
)
VARIANTS = ("technician", "hobbyist")


def family(rng, bench, name, kind, first, last, price, *shares):
    """A family as this world has it: how its parts last and mend, and its price, differ from the usual."""
    f = Space(name=name, kind=kind, years=np.arange(first, last + 1), shares=shares, parts=KINDS[kind])
    f.shape, life, use, damp, f.renewed, hours, f.cost, mended = np.array([PARTS[p] for p in f.parts]).T
    f.scale = life * np.exp(rng.normal(0, 0.18, 5)) * USE[:, None] ** -use * np.where(DAMP[:, None], damp, 1)
    f.scarce = mended < 1  # such parts are hard to get, and for some families not made any more
    f.none_left = f.scarce & (rng.random(5) < 0.2)
    f.mended = mended + rng.normal(0, 0.5, 5) - 2.5 * f.none_left
    f.hours, f.price = hours * np.exp(rng.normal(0, 0.2)), price * np.exp(rng.normal(0, 0.12))
    f.made = np.hanning(len(f.years) + 2)[1:-1] / (len(f.years) + 1) * 2  # rises and falls
    f.signs = [s for s in bench.signs if not SIGNS[s][3] or set(SIGNS[s][3]) & set(f.parts)]
    return f


def shows(sign, f, state):
    """Chance that the sign is there: classes × states."""
    nothing, heavy, damp, causes = SIGNS[sign]
    strength = np.array([causes.get(p, 0) for p in f.parts])
    calm = np.prod(1 - strength * np.array([0, 0.25, 1])[state], axis=1)
    return 1 - (1 - nothing) * ((1 - heavy * (USE > 1)) * (1 - damp * DAMP))[:, None] * calm


def passage(bench, f, state, looks, when, rng=None):
    """A unit on the bench: what is expected of each state, or one course drawn if there is an `rng`."""
    p, since, failed = Space(noise=np.ones(3), other=4.0), when - bench.start, state == 2
    p.price, p.ending, faults = f.price * (1 + bench.dearer) ** (when - 2024), bench.endings, failed.sum(1)
    p.gave_up = 0.03 + 0.97 * (faults > 0) / (1 + np.exp(5.5 - 0.8 * faults - 4 * failed @ f.cost / p.price))
    skill = bench.skill + bench.learnt * (1 - np.exp(-since / 2)) + bench.scarcer * since * f.scarce
    mended = 1 / (1 + np.exp(-f.mended - skill))
    if rng:
        p.gave_up, mended = rng.random(1) < p.gave_up, rng.random(5) < mended
        p.noise, p.other, p.ending = rng.gamma(12, 1 / 12, 3), rng.gamma(2, 2), rng.multinomial(1, p.ending)
    going = np.cumprod(np.column_stack([1.0 - p.gave_up, 1 - failed * (1 - mended)]), axis=1)
    p.ends, p.repaired = going[:, :-1] - going[:, 1:], going[:, -1]
    p.hours = 0.7 + p.noise[0] * (going[:, :-1] * (state > 0)) @ f.hours
    cost = p.noise[1] * (going[:, :-1] * (failed * mended + 0.7 * (state == 1))) @ f.cost
    p.sale = (p.repaired + (1 - p.repaired) * p.ending[2] * 0.18) * p.price * p.noise[2] * looks
    p.salvage = (1 - p.repaired) * p.ending[0] * 0.3 * p.price * (state < 2).mean(1)
    spent = cost + p.other + (1 - p.repaired) * p.ending[1] * bench.settings["disposal_cost"]
    spent = spent + p.hours * bench.settings["hour_rate"]
    p.gain = p.sale * (1 - bench.settings["selling_fee"]) + p.salvage - spent
    return p


def truth(bench, f, row, when):
    """What is true of an offer for one who knows all but this unit."""
    inside = (f.years >= (row["built_from"] or 0)) & (f.years <= (row["built_to"] or 9999))
    share = np.where(GONE == 1, 1 - f.renewed[:, None], f.renewed[:, None] / 5)
    lived = (when - f.years[inside] - 0.5)[:, None, None, None] * GONE / f.scale[..., None]
    failed, worn = (-(share * np.expm1(-((lived / x) ** f.shape[:, None]))).sum(-1) for x in (1, 0.8))
    weight = f.made[inside, None, None] * bench.classes[:, None]  # years × classes × states
    for k in range(5):
        three = np.stack([1 - worn, worn - failed, failed], -1)[:, :, k, None]
        weight = (weight[..., None] * three).reshape(*weight.shape[:2], -1)
    weight = weight.sum(0)
    for sign in f.signs:
        there = shows(sign, f, STATES)
        weight = weight * {"yes": there, "no": 1 - there, None: 1}[row[sign]]
    weight /= weight.sum()
    p = passage(bench, f, STATES, LOOKS[:, None], when)
    risk = f.parts[(weight.sum(0) @ p.ends).argmax()]
    return {"chance": (weight * p.repaired).sum(), "worth": (weight * p.gain).sum(), "risk": risk}


def unit(rng, bench, families, when):
    """A unit met at a sale, and what becomes of it on this bench."""
    share = np.array([np.interp(when, (bench.start, bench.start + bench.years), f.shares) for f in families])
    f = families[rng.choice(len(families), p=share / share.sum())]
    year, kind = int(rng.choice(f.years, p=f.made)), rng.choice(6, p=bench.classes)
    u = Space(f=f, when=when, gone=np.where(rng.random(5) < f.renewed, rng.choice(GONE[1:], 5), 1.0))
    used = (when - year - 0.5) * u.gone / (f.scale[kind] * rng.weibull(f.shape))
    u.state = ((used > 0.8) * 1 + (used > 1))[None]
    u.signs = {s: "yes" if rng.random() < shows(s, f, u.state)[kind, 0] else "no" for s in f.signs}
    block = f.years[(f.years - f.years[0]) // 3 == (year - f.years[0]) // 3]  # told in blocks of three years
    told = ((year, year), (int(block[0]), int(block[-1])), (None, None))[rng.choice(3, p=bench.year_told)]
    u.built = dict(zip(("built_from", "built_to"), told, strict=True))
    u.course = passage(bench, f, u.state, LOOKS[kind], when, rng)
    u.asked = float(np.ceil(u.course.price * 0.25 * np.exp(rng.normal(0, 0.45))))
    shunned = any(u.signs.get(s) == "yes" and rng.random() < p for s, p in bench.shuns.items())
    u.wanted = u.asked < bench.limit * u.course.price and not shunned
    return u


def date(when):
    return (datetime.date(1970, 1, 1) + datetime.timedelta(days=int((when - 1970) * 365.25))).isoformat()


def write(rng, bench, tables, u, job, stop):
    """Write a job up as this owner does: some numbers, signs and sound parts never get into the ledger."""

    def noted(value, share=bench.noted):
        return value if rng.random() < share else None

    f, p, closed = u.f, u.course, u.when + rng.gamma(1.2, 35 / 365)
    ended, outcome = p.ends[0].any(), "repaired" if p.repaired else OUTCOMES[p.ending.argmax()]
    row = {"job": job, "family": f.name, "outcome": "open", "taken_in": date(u.when)}
    row |= u.built | {"bought_for": noted(round(u.asked * rng.uniform(0.8, 1)), 0.93)}
    tables["jobs"].append(row)
    signs = [s for s, seen in u.signs.items() if noted(s, bench.signs[s][seen == "yes"])]
    tables["signs"] += [{"job": job, "sign": s, "seen": u.signs[s]} for s in signs]
    if closed > stop:
        return
    row |= {"closed": date(closed), "outcome": outcome}
    row |= {"hours": noted(round(float(p.hours[0]), 1)), "other_costs": noted(round(p.other, 2))}
    sold, last = closed + rng.exponential(50 / 365), int(p.ends.argmax()) if ended else 4
    if outcome in ("repaired", "sold as is") and sold < stop and rng.random() > bench.kept * p.repaired[0]:
        row |= {"sold_for": noted(round(p.sale[0]), 0.93), "sold_on": date(sold)}
    if not p.repaired:
        row["salvage_value"] = noted(round(p.salvage[0])) if outcome == "donor" else None
        why = "parts not available" if f.none_left[last] else str(rng.choice(WHY))
        row["ended_why"] = noted("not worth it" if p.gave_up else why)
        row["ended_by"] = noted(f.parts[last], 0.9) if ended else None
    for k in range(last + 1):
        found, lost = u.state[0, k], p.ends[0, k] > 0
        if rng.random() < (bench.sound_told, 0.8, 0.95)[found] * (0.6 if p.gave_up else 1):
            row = {"job": job, "component": f.parts[k], "found": ("sound", "worn", "failed")[found]}
            row["original"] = noted("yes" if u.gone[k] == 1 else "no", 0.8)
            renewed = found > 0 and not p.gave_up and not lost
            row["action"] = "replaced" if renewed else "no part" if lost and f.none_left[k] else "none"
            cost = round(f.cost[k] * p.noise[1] * (1, 0.7, 1)[found], 2)
            row["part_cost"] = noted(cost) if renewed else None
            tables["findings"].append(row)


def draw(variant: str, seed: int, offers: int = 200) -> Drawn:
    """One of the two benches, its ledger, and what its owner meets in the four weeks after."""
    rng, bench = np.random.default_rng(seed), (TECHNICIAN, HOBBYIST)[VARIANTS.index(variant)]
    families, stop = [family(rng, bench, *row) for row in bench.families], bench.start + bench.years
    tables = {"jobs": [], "signs": [], "findings": [], "families": []}
    for f in families:
        price = round(f.price * np.exp(rng.normal(0, 0.1))) if rng.random() < 0.8 else None
        row = {"family": f.name, "kind": f.kind, "first_year": int(f.years[0]), "last_year": int(f.years[-1])}
        tables["families"].append(row | {"working_price": price})
    for number, share in enumerate(np.sort(rng.random(rng.integers(*bench.jobs))), 1):
        while not (u := unit(rng, bench, families, bench.start + bench.years * share)).wanted:
            continue
        if rng.random() > bench.lost[int(u.course.repaired[0])]:
            write(rng, bench, tables, u, f"{number:03d}", stop)
    tables["settings"] = settings_rows(**bench.settings)
    rows, told = [], []
    for number in range(1, offers + 1):
        u = unit(rng, bench, families, stop + rng.uniform(1, 28) / 365.25)
        row = {"offer": f"o{number}", "family": u.f.name, "asked": u.asked, "seen_on": date(u.when)} | u.built
        plain = tuple(SIGNS)[3:] if rng.random() < 0.4 else SIGNS  # no socket: nobody sees whether it runs
        seen = {s: v for s, v in u.signs.items() if s in plain and rng.random() < 0.9}
        rows.append(row | dict.fromkeys(bench.signs) | seen)
        came = {"repaired": u.course.repaired[0], "brought": u.course.gain[0]}
        told.append(truth_row(rows[-1], **truth(bench, u.f, rows[-1], u.when), **came))
    return Drawn(tables, rows, told, datetime.date.fromisoformat(date(stop + 28 / 365.25)))
