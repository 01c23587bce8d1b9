"""Four benches whose units were put away for a reason, and whose ledgers were written after supper.

A unit is lived through, seen, bought or left, worked on until it runs or something ends that, sold or broken.
The odds told of an offer are means over lives drawn afresh, weighed by how well each fits the row, up to an
error of 0.0027. The price asked tells nothing that the rest of the row does not.
"""
# ruff: noqa: RUF012
# fmt: off

import datetime
import math
import zlib
from collections import Counter, defaultdict
from types import SimpleNamespace
from typing import Any

import numpy as np

from tests.worlds import Drawn, iso, settings_rows, truth_row

TODAY, YEAR = datetime.date(2025, 11, 3).toordinal(), 365.25
MAKERS = ("Orvalle", "Teskund", "Brimdal", "Halvekk", "Quenbor", "Sorvitz", "Dunholt", "Velkria", "Ostrell")
SETTINGS = "currency hour_rate selling_fee disposal_cost margin selling_hours warranty_days".split()
SUPPLY = (("yes", "too worn"), ("salvage only", "parts too expensive"), ("no", "parts not available"))


def _bent(rng: np.random.Generator, spread: float, n: Any = None) -> Any:
    return np.exp(spread * rng.standard_normal(n))


def _any(base: float, *causes: tuple[Any, float]) -> Any:  # causes: where, and how likely a sign of it is
    return 1 - (1 - base) * math.prod(1 - odds * where for where, odds in causes)


class Bench:
    """What benches share; each lives its units through on its own, and differs in these habits."""
    kinds: dict[str, tuple[float, float, int, int]]  # share of families, price, years of launch
    parts: tuple[tuple[str, float, float, float], ...]  # name, hours, cost, odds of being stuck
    signs: dict[str, float]  # and how far each puts the buyer off, the newcomer less
    pace, lag, years_open, crowding = 20.0, 40.0, 6.0, 1.0  # mean days to the end of a job, and on to a sale
    careful, fragile, slip = 1.0, -1, 0.0  # share of worn parts replaced; the part that slipping hands break
    novice, learnt, step_hours = 0.3, 40.0, 0.25  # how much worse newcomers fare; jobs of a kind that mend it
    patience, restless, late = (5.0, 0.03), 0.0, 1  # hours, and more for money; how much less in summer
    trend, season, step_money = 0.0, 0.0, 1  # of prices: a year, and at Christmas over midsummer
    change, fashion, strange = (-1, 0.0, 0.0, 0), 0.0, 0.0  # part, odds before, families, days it took
    donors, as_is, wreck, spare = 0.5, 0.2, 0.15, 0.25  # fates of the given up; worth as it is, and as parts
    cheap, haggle, other, comeback = 0.25, 0.1, 4.0, (1.5, 6.0)  # comeback: hours, cost
    grain, wrong_year = (0.6, 0.3), 0.0  # odds of one year, of three years; of the ledger being off by three
    kept, hoards, written = 9.0, False, (0.95, 0.98)  # keeps what is so fine; writes up failures, repairs
    note = {"hours": 0.9, "sound": 0.8, "sign": 0.9, "working_price": 0.8}  # odds of being filled in; else 1

    def __init__(self, variant: str, seed: int) -> None:
        self.root = [zlib.crc32(variant.encode()), seed]
        self.rng = rng = np.random.default_rng(self.root)
        self.all, self.shelf, self.stock, self.jobs_of = [], [], defaultdict(list), Counter()
        mix, (part, before, share, days) = np.array([row[0] for row in self.kinds.values()]), self.change
        for rank in range(int(rng.integers(*self.families, endpoint=True))):
            kind = list(self.kinds)[rank if rank < len(mix) else rng.choice(len(mix), p=mix)]
            f = SimpleNamespace(kind=kind, maker=str(rng.choice(MAKERS)), share=(rank + 1) ** -self.crowding)
            f.name = f"{f.maker} {f.kind[0].upper()}{rank * 7 + int(rng.integers(10, 17))}"
            f.years = int(rng.integers(*self.kinds[kind][2:], endpoint=True)) + np.arange(rng.integers(3, 12))
            made = 1 - 0.7 * np.abs(np.linspace(-1, 1, len(f.years)))
            f.made, f.price = made / made.sum(), self.kinds[kind][1] * _bent(rng, 0.4)
            f.hard, f.life, f.quirk = _bent(rng, 0.25), _bent(rng, 0.3, (len(self.parts), 1)), rng.random(4)
            f.supply = (part, before, TODAY - 400 - int(days * f.quirk[1]) if f.quirk[0] < share else TODAY)
            f.jump, f.jumps_on = (1.7 if f.quirk[2] < self.fashion else 1), TODAY - 99 - int(900 * f.quirk[1])
            f.listed = f.quirk[3] >= self.strange
            self.all.append(f)

    def level(self, f: Any, day: Any) -> Any:
        """Prices of a day: a trend up to now, a season, a jump when a family comes into fashion."""
        wave = 1 + self.season * np.cos(2 * np.pi * (day / YEAR + 0.08))
        return (1 + self.trend) ** (np.minimum(day - TODAY, 0) / YEAR) * wave * f.jump ** (day > f.jumps_on)

    def unit(self, f: Any, built: np.ndarray, day: float, rng: np.random.Generator) -> SimpleNamespace:
        """Live units through, from their years of production to a day; 0 sound, 1 worn, 2 failed."""
        n, age = len(built), np.maximum(1970 + (day - 719163) / YEAR - built - 0.5, 1 / 12)
        u = SimpleNamespace(n=n, built=built, age=age, state=np.zeros((len(self.parts), n), int))
        u.passes, u.back, u.harder, u.refit = np.ones(n), np.zeros(n), np.ones(n), np.zeros(n)
        u.days, u.lag = 3 + rng.exponential(self.pace, n), rng.exponential(self.lag, n)
        u.slow, u.cond, (late, before, last) = _bent(rng, 0.3, n), _bent(rng, 0.2, n), f.supply
        u.stuck = [before if c == late and day <= last else part[3] for c, part in enumerate(self.parts)]
        u.yes, u.look = ([x + np.zeros(n) for x in odds] for odds in self.live(f, u, rng))
        u.sale, sound = f.price * self.level(f, day + u.days + u.lag) * u.cond, (u.state < 2).mean(0)
        u.salvage, donor = np.round(f.price * self.spare * sound), np.minimum(self.donors * 1.6 * sound, 0.95)
        u.fates = np.array([donor, (1 - donor) * self.as_is])  # what is left is scrapped
        return u

    def work(self, f: Any, u: SimpleNamespace, day: float) -> SimpleNamespace:
        """Follow the job part by part: odds of its end at each, hours and money spent by then."""
        count, green = len(self.parts), self.novice * math.exp(-self.jobs_of[f.kind] / self.learnt)
        w = SimpleNamespace(ends=np.zeros((3, count, u.n)), hours=[], paid=[])  # stuck, impatient, slipped
        limit = self.patience[0] + self.patience[1] * f.price * self.level(f, day)
        limit *= 1 - self.restless * (0.5 - 0.5 * math.cos(2 * math.pi * (day / YEAR + 0.08)))
        w.done, spent, paid = np.ones(u.n), np.zeros(u.n), np.zeros(u.n)
        for c, (name, hours, cost, _) in enumerate(self.parts):
            stuck = u.stuck[c] * (0.15 if self.stock[f.name, name] else 1) * (1 + green) * f.hard * u.harder
            bad, worn = u.state[c] == 2, u.state[c] == 1
            effort = bad + 0.6 * self.careful * worn + 0.12
            spent = spent + f.hard * u.slow * hours * effort * (1 + green / 2)
            w.hours, w.paid = [*w.hours, spent], [*w.paid, paid]
            breaks = (bad | worn) & (u.state[self.fragile] < 2) & (c != self.fragile)
            w.ends[2, c] = w.done * breaks * self.slip * (1 + 2 * green)
            w.ends[1, c] = (w.done - w.ends[2, c]) * bad / (1 + np.exp((limit - spent) / (0.15 * limit)))
            w.ends[0, c] = (w.done - w.ends[2, c] - w.ends[1, c]) * bad * np.minimum(stuck, 0.97)
            w.done, paid = w.done - w.ends[:, c].sum(0), paid + cost * (bad + self.careful * worn)
        w.hours, w.paid = np.array([*w.hours, spent]), np.array([*w.paid, paid])
        return w

    def settle(self, u: SimpleNamespace, w: SimpleNamespace) -> np.ndarray:
        _, rate, fee, disposal, _, selling, _ = self.settings
        good = u.sale * (1 - fee) - selling * rate - u.back * (self.comeback[0] * rate + self.comeback[1])
        whole, burnt = self.wreck * u.sale * (1 - fee) - selling * rate, rate * w.hours + w.paid
        bad = u.fates[0] * u.salvage + u.fates[1] * whole - (1 - u.fates.sum(0)) * disposal
        return w.done * (good - burnt[-1]) + (w.ends.sum(0) * (bad - burnt[:-1])).sum(0) - self.other

    def meet(self, day: float, rng: np.random.Generator) -> Any:
        """Stand before a unit at a sale: its family, itself, its years, what it shows, the price asked."""
        odds = np.array([f.share * f.jump ** (day > f.jumps_on) for f in self.all])
        odds *= [f.listed or rng is not self.rng for f in self.all]  # strangers turn up only now
        f = self.all[int(rng.choice(len(odds), p=odds / odds.sum()))]
        u, seen = self.unit(f, rng.choice(f.years, 1, p=f.made), day, rng), {}
        if rng.random() > u.passes[0]:
            return self.meet(day, rng)
        for name, yes, look in zip(self.signs, u.yes, u.look, strict=True):
            seen[name] = ("no", "yes")[int(rng.random() < yes[0])] if rng.random() < look[0] else None
        draw, built, low = rng.random(), int(u.built[0]), int(u.built[0] - (u.built[0] - f.years[0]) % 3)
        window = (built, built) if draw < self.grain[0] else (low, min(low + 2, int(f.years[-1])))
        asked = f.price * self.level(f, day - 150) * self.cheap * _bent(rng, 0.45)  # sellers lag behind
        asked = self.step_money * round(asked * 0.8 ** list(seen.values()).count("yes") / self.step_money)
        return f, u, window if draw < sum(self.grain) else (None, None), seen, float(max(asked, 1))

    def finish(self, f: Any, u: SimpleNamespace, day: float, rng: np.random.Generator) -> SimpleNamespace:
        w, count = self.work(f, u, day), len(self.parts)
        odds, fates = np.append(w.ends.ravel(), w.done), [*u.fates[:, 0], 1 - u.fates.sum()]
        k, fate = int(rng.choice(len(odds), p=odds)), int(rng.choice(3, p=fates))
        r = SimpleNamespace(repaired=k == 3 * count, way=k // count, at=k % count if k < 3 * count else count)
        w.ends, w.done = np.eye(len(odds))[k, :-1].reshape(w.ends.shape), np.array([float(r.repaired)])
        r.outcome = "repaired" if r.repaired else ("donor", "sold as is", "scrapped")[fate]
        u.fates, u.back = np.eye(3)[:2, [fate]], (rng.random(1) < u.back).astype(float)
        u.sale, other, r.hours = u.sale * rng.gamma(40) / 40, self.other * rng.gamma(6) / 6, w.hours[r.at, 0]
        r.other, r.gain = other, float(self.settle(u, w)[0] + self.other - other)
        r.price = u.sale[0] * self.wreck ** (not r.repaired)
        return r

    def history(self) -> dict[str, list[dict[str, Any]]]:
        rng, step, t = self.rng, self.step_money, defaultdict(list)
        days = np.sort(rng.random(int(rng.integers(*self.jobs, endpoint=True))) ** 0.85 - 1)
        for number, day in enumerate((TODAY - 1 + days * self.years_open * YEAR).astype(int).tolist(), 1):
            keen = -1.0
            while keen < rng.random():
                f, u, window, seen, asked = self.meet(day, rng)
                wary = 1 - math.exp(-self.jobs_of[f.kind] / self.learnt)
                keen = math.prod(1 - wary * self.signs[sign] for sign in seen if seen[sign] == "yes")
                keen /= 1 + math.exp(3 * (asked / (f.price * self.level(f, day) * self.cheap) - 1.1))
            r = self.finish(f, u, day, rng)
            self.jobs_of[f.kind] += 1
            if rng.random() < self.written[r.repaired]:
                row = {"job": f"{number:04d}", "family": f.name, "taken_in": iso(day)}
                row["bought_for"] = float(step * round(asked * (1 - 2 * self.haggle * rng.random()) / step))
                self.write(t, f, u, r, row, day, window, seen)
        for f in (f for f in self.all if f.listed):
            row, day = {"family": f.name, "kind": f.kind, "maker": f.maker}, TODAY - int(rng.integers(9, 700))
            row |= {"first_year": int(f.years[0]), "last_year": int(f.years[-1])}
            row["working_price"] = float(round(f.price * self.level(f, day) * rng.gamma(40) / 40))
            row = {cell: value for cell, value in row.items() if rng.random() < self.note.get(cell, 1.0)}
            t["families"].append(row | ({"priced_on": iso(day)} if "working_price" in row else {}))
        t["parts"] = [dict(component=x, obtainable=SUPPLY[int(3*o)][0], price=c) for x, _, c, o in self.parts]
        t["settings"] = settings_rows(**dict(zip(SETTINGS, self.settings, strict=True)))
        return dict(t) | ({"shelf": self.shelf} if self.shelf else {})

    def write(self, t: Any, f: Any, u: Any, r: Any, row: Any, day: int, window: Any, seen: Any) -> None:
        rng, job, noted = self.rng, {"job": row["job"]}, lambda x: self.rng.random() < self.note.get(x, 1.0)
        closed, step = -(-(day + int(u.days[0])) // self.late) * self.late, self.step_money
        sold, off = closed + int(u.lag[0]), int(rng.choice([-3, 3])) * (rng.random() < self.wrong_year)
        row |= {"built_from": window[0] + off, "built_to": window[1] + off} if window[0] else {}
        t["signs"] += [job | {"sign": sign, "seen": x} for sign, x in seen.items() if x and noted("sign")]
        if closed > TODAY:
            return t["jobs"].append(row | {"outcome": "open"})
        row |= {"closed": iso(closed), "outcome": r.outcome, "other_costs": round(r.other, 1)}
        row["hours"] = self.step_hours * max(round(r.hours / self.step_hours), 1)
        if sold <= TODAY and ((r.repaired and u.cond[0] < self.kept) or r.outcome == "sold as is"):
            row |= {"sold_for": float(step * max(round(r.price / step), 1)), "sold_on": iso(sold)}
            if r.repaired and 50 < min(self.settings[6], TODAY - sold) and rng.random() < 0.5 + u.back[0]:
                back = {"hours": self.comeback[0], "cost": self.comeback[1]} if u.back[0] else {}
                back |= {"checked_on": iso(sold + 50), "working": "no" if back else "yes"}
                t["followups"].append(job | back)
        row |= {"salvage_value": float(u.salvage[0])} if r.outcome == "donor" else {}
        if not r.repaired:
            row["ended_why"] = (SUPPLY[int(3 * u.stuck[r.at])][1], "not worth it", "died on the bench")[r.way]
            row["ended_by"] = self.parts[self.fragile if r.way == 2 else r.at][0]
            died = {"component": row["ended_by"], "position": "", "arose": "during work", "found": "failed"}
            t["findings"] += [job | died | {"action": "none"}] * (r.way == 2)
        t["jobs"].append({name: cell for name, cell in row.items() if noted(name)})
        t["findings"] += [x for x in self.examined(f, u, r, row, day) if noted(x["found"])]

    def examined(self, f: Any, u: Any, r: Any, row: Any, day: int) -> Any:
        """Look at part after part to the end of the job, take from the shelf, put on it."""
        rng, year = self.rng, int(row["taken_in"][:4]) - math.ceil(u.refit[0])
        for c, (name, _, cost, stuck) in enumerate(self.parts[: r.at + 1]):
            state, stock = u.state[c, 0], self.stock[f.name, name]
            find = {"job": row["job"], "component": name, "position": "", "arose": "as received"}
            find["action"] = "no part" if row.get("ended_why") == SUPPLY[2][1] and c == r.at else "none"
            if u.refit[0] and c == 0:
                find |= {"original": "no", "fitted_from": year - 1, "fitted_to": year}
            if c < r.at and rng.random() < (0, self.careful, 1)[state]:
                find |= {"action": "replaced", "part_cost": float(cost)}
            if c < r.at and state == 2 and stock:
                stock.pop(0).update(used_in=row["job"], gone_on=row["closed"])
            if self.hoards and r.outcome == "donor" and state == 0 and stuck > 0.3:
                part = {"part": len(self.shelf) + 1, "component": name, "family": f.name, "job": row["job"]}
                part |= {"worth": float(cost // 2), "kept_on": iso(day), "used_in": None, "gone_on": None}
                self.shelf, _ = [*self.shelf, part], stock.append(part)
            yield find | {"found": ("sound", "worn", "failed")[state]}

    def told(self, f: Any, window: Any, seen: Any, day: int, rng: Any) -> dict[str, Any]:
        """Say what is true of a unit of which only this is seen."""
        made = f.made * (f.years >= (window[0] or 0)) * (f.years <= (window[1] or 9999))
        total, square, sums, squares = 0.0, 0.0, 0.0, 0.0
        for _ in range(60):
            u = self.unit(f, rng.choice(f.years, 4000, p=made / made.sum()), day, rng)
            weight, w = u.passes, self.work(f, u, day)
            for value, yes, look in zip(seen.values(), u.yes, u.look, strict=True):
                weight = weight * (1 - look if value is None else look * (yes if value == "yes" else 1 - yes))
            w.ends[0, self.fragile] += w.ends[2].sum(0)
            x = np.vstack([w.done, self.settle(u, w), w.ends[0] + w.ends[1]])
            total, square, sums = total + weight.sum(), square + weight @ weight, sums + x @ weight
            squares, mean = squares + np.stack([x[:2] @ weight**2, x[:2] ** 2 @ weight**2]), sums / total
            error = np.sqrt(squares[1] - 2 * mean[:2] * squares[0] + mean[:2] ** 2 * square) / total
            if error[0] < 0.0027 and error[1] < 0.01 * f.price and square < 0.0005 * total**2:
                break
        risk = self.parts[mean[2:].argmax()][0]
        return {"chance": mean[0], "worth": mean[1], "margin": self.settings[4], "risk": risk}


class Tar(Bench):
    """A specialist in tape decks, careful with the ledger. Units are put away when a part gives up; that ends
    wear by hours; belts (some early ones turn to tar and foul the idler) and gears age on, in attics sooner.
    Since the owner prints gears, old gear trouble is no guide. Prices climb."""
    kinds = {"tape deck": (0.7, 130, 1976, 1988), "portable player": (0.3, 95, 1980, 1992)}
    parts = (("belt", 0.8, 6, 0.02), ("idler", 0.7, 8, 0.06), ("pinch roller", 0.5, 9, 0.1),
             ("motor", 1.4, 20, 0.35), ("head", 1.2, 25, 0.45), ("gear", 1.6, 12, 0.15), ("chip", 2, 15, 0.7))
    signs = {"dead transport": 0.1, "sticky residue": 0.2, "worn keys": 0.5, "rattle": 0.3}
    change, trend, season = (5, 0.75, 1.0, 0), 0.06, 0.08
    settings, families, jobs = ("EUR", 8, 0.1, 2, 10, 0.5, 60), (8, 10), (170, 240)

    def live(self, f: Any, u: Any, rng: np.random.Generator) -> Any:
        n, hot, rate = u.n, rng.random(u.n) < 0.3, 150 * _bent(rng, 0.9, u.n)
        tar = (f.quirk[0] < 0.6) & (u.built < f.years[0] + 2 + 4 * f.quirk[1])
        belt = np.where(tar, 18, 32) * f.life[0] * rng.weibull(5, n) * (1 - 0.15 * hot)
        gear = (38 + 60 * f.quirk[2]) * rng.weibull(4, n) * (1 - 0.25 * hot)
        wear = rng.weibull(2.2, (4, n)) * f.life[1:5] * [[4500], [3500], [5000], [6000]] / rate
        stop = np.minimum.reduce([12 * _bent(rng, 0.6, n), u.age, belt, gear, *wear])
        u.state[1:5] = np.where(wear <= stop, 2, 0.6 * wear <= stop)
        chip, tar = rng.random(n) < (0.001 + 0.012 * f.quirk[3] ** 2) * u.age, tar & (belt < u.age)
        u.state[[0, 5, 6]] = 2 * np.array([belt < u.age, gear < u.age, chip])
        u.state[1][tar & (rng.random(n) < 0.5)] = 2
        u.slow, u.cond, bad = u.slow * (1 + 0.4 * tar), u.cond * (1.05 - 0.15 * hot), u.state == 2
        dead = _any(0.03, (bad[0], 0.5), (bad[1], 0.3), (bad[5], 0.6), (bad[3], 0.9), (chip, 0.85))
        keys = 1 / (1 + (2200 / (stop * rate)) ** 2)
        return (dead, _any(0.03, (tar, 0.7)), keys, _any(0.06, (bad[5], 0.55))), (0.8, 0.6, 0.9, 0.4)


class Fields(Bench):
    """A generalist of boot sales: very many families, some on offer that the ledger does not know. One reason
    put each unit away: nothing, one part, damp, a fall. The buyer's nose rejects damp and stripped units.
    Patience is short in summer; the ledger is written by the quarter, in fives, years often wrong, only
    what failed is named, and many failures are never written up."""
    kinds = {"tape deck": (0.3, 90, 1974, 1992), "turntable": (0.25, 110, 1968, 1988),
             "receiver": (0.25, 120, 1970, 1990), "disc player": (0.2, 70, 1984, 1998)}
    parts = (("power supply", 1.2, 4, 0.12), ("drive", 1.5, 5, 0.2), ("pickup", 1.0, 14, 0.45),
             ("switch", 0.8, 1, 0.1), ("display", 1.5, 6, 0.68))
    signs, restless = {"no power": 0.3, "rust": 0.7, "broken case": 0.6, "missing parts": 0.8}, 0.45
    settings, families, jobs, crowding, strange = ("EUR", 5, 0.05, 1, 0, 0.3, 0), (30, 40), (120, 190), .8, .2
    careful, patience, season, donors, as_is, wreck, cheap = 0.2, (2.2, 0.012), 0.12, 0.35, 0.45, 0.2, 0.18
    grain, wrong_year, written, step_hours, step_money, late = (0.25, 0.3), 0.2, (0.68, 0.95), 1.0, 5, 91
    note = {"hours": 0.3, "sound": 0.05, "worn": 0.3, "failed": 0.9, "sign": 0.6, "first_year": 0.6,
            "other_costs": 0.2, "bought_for": 0.85, "sold_for": 0.93, "working_price": 0.45}

    def live(self, f: Any, u: Any, rng: np.random.Generator) -> Any:
        causes = np.array([1.6, *f.life[:, 0] ** 4, 0.9, 0.5])
        cause, stripped = rng.choice(8, u.n, p=causes / causes.sum()), rng.random(u.n) < 0.1
        damp, fell, strength = cause == 6, cause == 7, rng.random((5, u.n))
        odds = np.eye(8)[1:6, cause] + 0.02 + 0.0025 * u.age
        odds += np.outer([0.4, 0.5, 0.15, 0.6, 0.4], damp) + np.outer([0.05, 0.15, 0.5, 0.2, 0.4], fell)
        u.state = np.where(strength < odds, 2, 1 * (strength < odds + 0.2))
        u.state[2][stripped] = 2
        u.passes, u.harder = 1 - 0.65 * damp - 0.3 * stripped, 1 + 0.6 * damp + 0.6 * stripped
        u.slow, u.cond = u.slow * (1 + 0.5 * damp), u.cond * (1.05 - 0.25 * fell - 0.15 * damp)
        dead = _any(0.02, (u.state[0] == 2, 0.85), (u.state[3] == 2, 0.25))
        rest = [_any(0.06, (damp, 0.75)), _any(0.08, (fell, 0.8)), _any(0.05, (stripped, 0.85))]
        return (dead, *rest), (0.3, 0.8, 0.85, 0.6)


class Heat(Bench):
    """An amplifier bench that sells with a warranty. Hot hours dry capacitors, dry ones take the regulator
    along, a drifting trimmer the output devices; idle contacts oxidise. Earlier repairers left young parts,
    harder jobs, comebacks. Output devices of most families ran out one day; a few families came into
    fashion, asked for more only later. Dead units are seldom plugged in, and then nobody hears hum."""
    kinds = {"receiver": (0.6, 210, 1970, 1982), "amplifier": (0.4, 160, 1970, 1986)}
    parts = (("capacitor", 1.5, 18, 0.02), ("regulator", 1.2, 8, 0.1), ("bias trimmer", 0.8, 3, 0.05),
             ("output device", 2.2, 30, 0.49), ("relay", 0.8, 9, 0.08), ("lamp", 0.5, 5, 0.03))
    signs = {"no power": 0.2, "hum": 0.1, "scratched screws": 0.5, "scratchy controls": 0, "burnt smell": 0.7}
    settings, families, jobs, cheap = ("EUR", 11, 0.12, 3, 20, 1, 180), (12, 16), (130, 180), 0.27
    careful, slip, fragile, patience, comeback, step_hours = 0.8, 0.015, 3, (4.0, 0.02), (2.5, 15.0), 0.5
    change, fashion, written = (3, 0.1, 0.65, 1000), 0.2, (0.85, 0.97)
    note = {"hours": 0.75, "sound": 0.55, "worn": 0.8, "sign": 0.85, "other_costs": 0.7, "working_price": 0.7}

    def live(self, f: Any, u: Any, rng: np.random.Generator) -> Any:
        age, happens = u.age, lambda odds: rng.random(u.n) < odds
        own, botched = np.minimum(age, 15 * _bent(rng, 0.6, u.n)), happens(1 - np.exp(-0.009 * age))
        on, since = own * 900 * _bent(rng, 0.7, u.n), np.where(botched, age * 0.6 * rng.random(u.n), age)
        dry = (on * since / age / 17000 / f.life[0]) ** 2.5 + (since / 52) ** 4
        cap, trim = happens(1 - np.exp(-dry)), happens((age / 90 / f.life[2]) ** 2)
        reg = happens(1 - np.exp(-on * (1 + 2 * cap) / 60000 / f.life[1]))
        out = happens(_any(0.03, (trim, 0.5), (reg, 0.25), (botched, 0.25)))
        relay, lamp = happens(1 - np.exp(-(((age - own) / 28) ** 1.5))), happens(1 - np.exp(-on / 25000))
        u.state = 2 * np.array([cap, reg, trim, out, relay, lamp])
        u.state[0][~cap & happens(1 - np.exp(-2 * dry))] = 1
        u.refit, u.back, u.harder = since * botched, 0.05 + 0.2 * botched, 1 + 1.0 * botched
        u.slow, dead = u.slow * (1 + 0.4 * botched), happens(_any(0.01, (out, 0.75), (reg, 0.6), (cap, 0.1)))
        hum, screws = _any(0.04, (cap, 0.7), (reg, 0.3)), _any(0.12, (botched, 0.7))
        yes = (0.01 + 0.97 * dead, hum, screws, _any(0.15, (relay, 0.75)), _any(0.02, (out, 0.45)))
        return yes, (0.75 - 0.4 * dead, 0.6 * ~dead, 0.5, 0.6 * ~dead, 0.4)


class Shed(Bench):
    """A beginner's hobby, few jobs, time for free. Grease stiffens in idle years and freezes several parts at
    once; forcing breaks the cam, which only the bench's own donors supply, from the shelf. Rubber perishes in
    attics, motors rust in cellars. Clumsy hands tear the tonearm wire, less so with every job; fine ones are
    kept. Hours are rarely noted, years mostly the family's span, and summer evenings have other plans."""
    kinds = {"turntable": (0.5, 140, 1960, 1980), "record changer": (0.5, 90, 1955, 1972)}
    parts = (("idler", 0.7, 9, 0.15), ("bearing", 1.5, 3, 0.12), ("lever", 2, 3, 0.1), ("cam", 2.5, 20, 0.85),
             ("motor", 2, 24, 0.5), ("tonearm wire", 1.5, 4, 0.2), ("cartridge", 0.4, 22, 0.05))
    signs = {"rust": 0.6, "dead transport": 0.0, "stiff controls": 0.2, "missing parts": 0.5}
    settings, families, jobs, years_open = ("EUR", 0, 0.08, 0, 0, 0.5, 0), (6, 8), (50, 72), 4.0
    novice, learnt, slip, fragile, patience, restless, careful = 1.0, 14.0, 0.03, 5, (9.0, 0.0), 0.35, 0.5
    pace, lag, kept, hoards, donors, as_is, grain = 45.0, 60.0, 1.2, True, 0.8, 0.3, (0.15, 0.25)
    note = {"hours": 0.25, "sound": 0.4, "worn": 0.7, "sign": 0.7, "other_costs": 0.3, "working_price": 0.6}
    step_hours, step_money, written = 1.0, 5, (0.88, 0.98)

    def live(self, f: Any, u: Any, rng: np.random.Generator) -> Any:
        n, store = u.n, rng.choice(3, u.n, p=[0.4, 0.35, 0.25])  # a room, an attic, a cellar
        stiff = u.age * rng.beta(2, 1.5, n) / np.array([46, 34, 38])[store] / f.life[1] * _bent(rng, 0.3, n)
        rubber = u.age / np.array([70, 48, 66])[store] / f.life[0] * _bent(rng, 0.25, n)
        bearing, lever = stiff * _bent(rng, 0.25, (2, n))
        for c, (wear, limit) in enumerate(((rubber, 1.0), (bearing, 1.25), (lever, 0.95))):
            u.state[c] = np.where(wear > limit, 2, wear > 0.75 * limit)
        forced, stripped = (lever > 0.95) & (rng.random(n) < f.quirk[0]), rng.random(n) < 0.15
        motor = _any(0.05, (store == 2, 0.25), (stiff > 1.2, 0.1))
        odds = np.array([0.05 + 0.6 * forced, motor, 0.04 + 0.1 * forced, 0.3 + 0.6 * stripped])
        u.state[3:] = 2 * (rng.random((4, n)) < odds)
        u.cond, bad = u.cond * np.array([1.1, 1.0, 0.85])[store], u.state == 2
        dead = _any(0.02, (bad[4], 0.9), (bad[1], 0.5), (bad[0], 0.4), (bad[2], 0.2))
        rest = [_any(0.05, (bad[2], 0.75), (lever > 0.7, 0.3)), _any(0.04, (stripped, 0.85))]
        return (_any(0.08, (store == 2, 0.7)), dead, *rest), (0.9, 0.55, 0.7, 0.8)


BENCHES = {"tape specialist": Tar, "boot sales": Fields, "warm amplifiers": Heat, "winter shed": Shed}
VARIANTS = tuple(BENCHES)


def draw(variant: str, seed: int, offers: int = 300) -> Drawn:
    """Run a bench up to now, and meet so many units on offer to it; same seed, same bench and offers."""
    bench = BENCHES[variant](variant, seed)
    tables, rows, truth = bench.history(), [], []
    for i in range(1, offers + 1):
        rng = np.random.default_rng([*bench.root, i])
        f, u, window, seen, asked = bench.meet(day := TODAY - int(rng.integers(0, 14)), rng)
        kind, price = (None, None) if f.listed else (f.kind, float(round(f.price * rng.gamma(40) / 40)))
        row = {"offer": f"o{i}", "family": f.name, "kind": kind, "working_price": price, "asked": asked}
        rows.append(row | {"built_from": window[0], "built_to": window[1], "seen_on": iso(day)} | seen)
        r, told = bench.finish(f, u, day, rng), bench.told(f, window, seen, day, rng)
        truth.append(truth_row(row, repaired=r.repaired, brought=r.gain, **told))
    return Drawn(tables, rows, truth, datetime.date.fromordinal(TODAY))
