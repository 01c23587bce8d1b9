"""Four unlike benches on which something other than a unit's age decides what becomes of it.

station_reels: a retired technician mends reel machines. Run wears heads and motors, rest stiffens grease, so
either trouble speaks against the other. He used to clear radio stations; now attics offer.
impatient_dealer: cassette decks by the hundred. Nearly all can be mended, but he stops when the hours that
price and season allow are gone. Practice shortens hours, prices slide, quick losers go unwritten.
cracking_gears: disc players. Gears crack in a wave decades after moulding, pick-ups wore while people played
discs; pick-ups run out as printed gears turn up. Units that needed nothing are given away unwritten.
married_turntables: a hobbyist who writes no findings makes one turntable of two. What can be mended hangs on
the wrecks in the shed; the thrift shop's tag knows more than it says; loose arms are no longer bought.
"""

import datetime
from collections import defaultdict
from typing import Any

import numpy as np

from tests.worlds import Drawn, iso, settings_rows, truth_row

VARIANTS = ("station_reels", "impatient_dealer", "cracking_gears", "married_turntables")
MAKERS = ("Orvane", "Tullmar", "Brenwick", "Haldorn", "Ostrix", "Quillor", "Sennevik", "Pradomir")
OUTCOMES = ("donor", "scrapped", "sold as is", "repaired")
DRAWS, ENOUGH = 4000, 2500  # fresh units at a time, and how many equally weighted ones a truth must be worth
Arrays = dict[str, np.ndarray]  # units, one a row
Met = dict[str, Any]  # a unit come across: family, day, what its row shows, and in `unit` what nobody sees


def calendar(day: float) -> float:
    return 1 + day / 365.2425  # the year, with its fraction, of an ordinal day


def columns(n: int, *values: Any) -> np.ndarray:
    """Put numbers or arrays side by side, one row a unit."""
    return np.stack([np.broadcast_to(value, n) for value in values], 1)


def weibull(age: Any, life: Any, shape: Any) -> Any:
    return 1 - np.exp(-((age / life) ** shape))


class Bench:
    """What all share: meeting units, a way through them part by part, a pen, and the truth.

    Each has a `set_up` that draws its trade's parameters; `unit`, which draws units (`state` of parts: 2 is
    failed, 1 worn; odds to `look` for signs and to `show` them; what moves the log price asked, `tag`, and
    the price fetched, `fetch`); and `mend`, odds and costs of mending each part, which sets the hours too.
    """

    kind, prefix, start, years, jobs, lies = "", "", 2018, 6, 100, 30  # lies: mean days on the bench
    parts, whys, signs = (), (), ()  # parts as they are looked at, why the first that defies ends the job
    currency, hour_rate, selling_fee, disposal_cost, margin, sundries = "EUR", 9.0, 0.08, 6.0, 0.0, 4.0
    count, first, span, level, trend, season = 6, (1974, 1982), (5, 12), 150.0, 1.0, 0.0  # families, prices
    widths, share, spread = (1, 1, 4), 0.3, 0.4  # of windows of years (0: not told), and prices asked
    fates, as_is, salvage, keeps = (0.6, 0.25, 0.15), 0.15, 0.2, 0.0  # of what is not repaired
    writes_sound, writes_bad, innocent, signs_from, haste, shuns = 0.9, 0.95, 0.05, 0.0, 0.4, ""

    def __init__(self, seed: int) -> None:
        self.rng = rng = np.random.default_rng([seed, len(self.parts), self.jobs])
        self.begin = datetime.date(self.start, 1, 15).toordinal()
        self.end = self.begin + self.years * 365
        self.tables: dict[str, list[dict[str, Any]]] = defaultdict(list)
        stated = ("currency", "hour_rate", "selling_fee", "disposal_cost", "margin")
        self.tables["settings"] = settings_rows(**{name: getattr(self, name) for name in stated})
        self.born = rng.integers(*self.first, self.count)
        self.last = self.born + rng.integers(*self.span, self.count)
        self.price = self.level * np.exp(rng.normal(0, 0.4, self.count))
        self.flow = rng.dirichlet(np.full(self.count, 2.0))
        makers = rng.choice(MAKERS, self.count).tolist()
        self.names = [f"{maker} {chr(65 + f)}{rng.integers(10, 99)}" for f, maker in enumerate(makers)]
        for f, guess in enumerate(np.round(self.price * np.exp(rng.normal(0, 0.15, self.count))).tolist()):
            span = dict(first_year=int(self.born[f]), last_year=int(self.last[f]))
            told = dict(working_price=guess, priced_on=iso(self.end)) if rng.random() < 0.8 else {}
            row = dict(family=self.names[f], kind=self.kind, maker=makers[f])
            self.tables["families"].append(row | span | told)
        self.set_up()

    def fetches(self, f: int, day: int) -> float:
        season = 1 + self.season * np.cos(2 * np.pi * calendar(day))  # dear at Christmas
        return float(self.price[f] * self.trend ** (calendar(day) - calendar(self.end)) * season)

    def meet(self, day: int, evenness: float = 1.0) -> Met:
        """Come across a unit; with evenness below 1 the families are met more alike."""
        rng, flow = self.rng, self.flow**evenness
        f = int(rng.choice(self.count, p=flow / flow.sum()))
        built = int(rng.integers(self.born[f], self.last[f] + 1))
        low = built - built % max(width := int(rng.choice(self.widths)), 1)
        low, high = int(max(low, self.born[f])), int(min(low + width - 1, self.last[f]))
        years = dict(built_from=low, built_to=high) if width else dict(built_from=None, built_to=None)
        unit = self.unit(f, np.array([built]), day)
        looked, shown = (rng.random(len(self.signs)) < unit[key][0] for key in ("look", "show"))
        seen = {s: ("yes" if shown[i] else "no") if looked[i] else None for i, s in enumerate(self.signs)}
        price = self.share * self.fetches(f, day) * np.exp(unit["tag"][0] + self.spread * rng.normal())
        return dict(f=f, day=day, signs=seen, asked=max(2.0, round(float(price))), unit=unit, **years)

    def wants(self, met: Met) -> bool:
        dear = met["asked"] > 0.6 * self.fetches(met["f"], met["day"])
        return not dear and met["signs"].get(self.shuns) != "yes"

    def finish(self, met: Met, unit: Arrays) -> Arrays:
        """Work on units until they run or a part defies; gain is told before the price paid."""
        bad, n = unit["state"] == 2, len(unit["state"])
        hours = bad * np.exp(self.rng.normal(0, self.haste, bad.shape))
        odds, cost = self.mend(met["f"], unit, met["day"], hours)
        stuck = bad & (self.rng.random(bad.shape) >= odds)
        ender = np.where(stuck.any(1), stuck.argmax(1), len(self.parts))
        reached = np.arange(len(self.parts)) <= ender[:, None]
        fate = np.where(stuck.any(1), self.rng.choice(3, n, p=self.fates), 3)
        worth = self.fetches(met["f"], met["day"]) * unit.get("fetch", np.ones(n))
        sale = worth * np.array([0, 0, self.as_is, 1])[fate]
        salvage = np.where(fate == 0, self.salvage * worth * (unit["state"] == 0).mean(1), 0)
        cost, hours = cost * (bad & reached & ~stuck), 0.8 + ((hours + 0.1) * reached).sum(1)
        extra = self.sundries + unit.get("postage", np.zeros(n))
        gain = sale * (1 - self.selling_fee) + salvage - self.disposal_cost * (fate == 1)
        gain -= hours * self.hour_rate + cost.sum(1) + extra
        paid = dict(sale=sale, salvage=salvage, cost=cost, hours=hours, gain=gain, extra=extra)
        chance = np.where(bad, odds, 1).prod(1)  # before the dice fell
        return dict(reached=reached, ender=ender, fate=fate, chance=chance) | paid

    def writes(self, number: int, met: Met, done: Arrays) -> bool:
        return True  # a bench may learn by the job here, or not write it up

    def write(self, job: str, met: Met, done: dict[str, Any]) -> None:
        """Enter a job as this bench would; one that is still on the bench at the end stays open."""
        rng, day, fate = self.rng, met["day"], int(done["fate"])
        row = dict(job=job, family=self.names[met["f"]], taken_in=iso(day), built_from=met["built_from"])
        row.update(built_to=met["built_to"], bought_for=max(1.0, round(met["asked"] * rng.uniform(0.8, 1))))
        if calendar(day) > self.signs_from:
            self.tables["signs"] += [dict(job=job, sign=s, seen=v) for s, v in met["signs"].items() if v]
        closed = day + rng.exponential(self.lies * (1 if fate == 3 else 1.6))
        sold = closed + rng.exponential(35) * (fate == 3)
        row["outcome"] = OUTCOMES[fate] if closed <= self.end else "open"
        if closed <= self.end:
            extra = done["extra"] * rng.uniform(0.6, 1.4) + (0 if self.writes_bad else done["cost"].sum())
            row.update(closed=iso(closed), other_costs=round(float(extra), 2))
            row["hours"] = round(2 * float(done["hours"])) / 2 if rng.random() < 0.88 else None
            row["salvage_value"] = round(float(done["salvage"]), 1) if fate == 0 else None
            if fate > 1 and sold <= self.end and rng.random() >= self.keeps:
                price = float(done["sale"] * np.exp(rng.normal(-0.02, 0.2)))
                row.update(sold_for=round(price), sold_on=iso(sold))
            if fate != 3 and (self.writes_bad or rng.random() < 0.5):
                row.update(ended_by=self.parts[done["ender"]], ended_why=self.whys[done["ender"]])
            self.findings(job, met, done)
        self.tables["jobs"].append(row)

    def findings(self, job: str, met: Met, done: dict[str, Any]) -> None:
        """Note parts that were reached: bad ones mostly, sound ones only in jobs of a tidy evening."""
        tidy = self.rng.random() < self.writes_sound
        for j in np.flatnonzero(done["reached"]):
            state, cost = int(met["unit"]["state"][0, j]), round(float(done["cost"][j]), 2)
            if not (tidy if state == 0 else self.rng.random() < self.writes_bad):
                continue
            row = dict(job=job, component=self.parts[j], found=("sound", "worn", "failed")[state])
            row.update(original="yes", part_cost=cost if cost > 0 else None)
            if state == 2 and j != done["ender"]:
                row["action"] = "replaced" if cost > 0 else "serviced"
            elif state == 2:
                row["action"] = "no part" if self.whys[j] == "parts not available" else None
                row["arose"] = "during work" if self.whys[j] == "died on the bench" else None
            if j == 0 and (fitted := int(met["unit"].get("fitted", [0])[0])):
                row.update(original="no", fitted_from=fitted - 2, fitted_to=fitted + 2)
            self.tables["findings"].append(row)

    def truth(self, met: Met) -> dict[str, Any]:
        """Weigh fresh units by the row's likelihood until they are worth enough; then the real one's fate."""
        f = met["f"]
        low, high = met["built_from"] or self.born[f], met["built_to"] or self.last[f]
        dear, batches = np.log(met["asked"] / self.share / self.fetches(f, met["day"])), []
        while len(batches) < 25:
            unit = self.unit(f, self.rng.integers(low, high + 1, DRAWS), met["day"])
            done, odds = self.finish(met, unit), np.exp(-0.5 * ((dear - unit["tag"]) / self.spread) ** 2)
            for seen, look, show in zip(met["signs"].values(), unit["look"].T, unit["show"].T, strict=True):
                odds = odds * (1 - look if seen is None else look * (show if seen == "yes" else 1 - show))
            batches.append(np.stack([odds, done["ender"], done["chance"], done["gain"]]))
            weight, ender, *told = np.concatenate(batches, 1)
            if weight.sum() ** 2 > ENOUGH * (weight**2).sum():
                break
        ends = np.bincount(ender.astype(int), weight / weight.sum(), len(self.parts) + 1)
        chance, mean = np.average(told, axis=1, weights=weight).round(9).tolist()
        risk = self.parts[int(ends[:-1].argmax())] if ends[:-1].any() else None
        real = {key: value[0] for key, value in self.finish(met, met["unit"]).items()}
        noise = real["sale"] * (1 - self.selling_fee) * (np.exp(self.rng.normal(-0.02, 0.2)) - 1)
        came = dict(repaired=real["fate"] == 3, brought=real["gain"] + noise)
        return dict(chance=chance, worth=mean, margin=self.margin, risk=risk, **came)

    def drawn(self, count: int) -> Drawn:
        number = int(self.rng.integers(1, 40))
        for day in np.sort(self.rng.integers(self.begin, self.end, self.jobs)).tolist():
            while not self.wants(met := self.meet(day)):
                pass
            number += 1 + int(self.rng.random() < self.innocent)
            done = self.finish(met, met["unit"])
            if self.writes(number, met, done):
                self.write(f"{self.prefix}{number:03d}", met, {k: v[0] for k, v in done.items()})
        offers, truth = [], []
        for i in range(count):
            met = self.meet(self.end + 1 + int(self.rng.integers(60)), 0.5)
            row = dict(offer=f"o{i + 1}", family=self.names[met["f"]], seen_on=iso(met["day"]))
            offers.append(row | {key: met[key] for key in ("asked", "built_from", "built_to")} | met["signs"])
            truth.append(truth_row(offers[-1], **self.truth(met)))
        return Drawn(dict(self.tables), offers, truth, datetime.date.fromordinal(self.end + 60))


class StationReels(Bench):
    kind, prefix, start, years, jobs, lies = "reel machine", "R", 2017, 7, 90, 45
    parts = ("head", "gear", "motor", "pinch roller", "capacitor", "switch")
    whys = ("too worn", "died on the bench", "parts not available", "", "not worth it", "")
    signs = ("worn keys", "thick dust", "dead transport", "hum")
    level, trend, sundries, salvage, innocent, signs_from = 330.0, 1.05, 11.0, 0.3, 0.08, 2018.5

    def set_up(self) -> None:
        self.head_life = np.exp(self.rng.normal(np.log(4500), 0.6, self.count))
        self.stiff = self.rng.uniform(20, 38, self.count)  # years of rest that set its grease
        self.heads_sold = self.rng.random(self.count) < 0.35

    def unit(self, f: int, built: np.ndarray, day: int) -> Arrays:
        rng, n, age = self.rng, len(built), calendar(day) - built - 0.5
        studio = rng.random(n) < (0.65 if day <= self.end else 0.15)
        rest = age * np.where(studio, rng.beta(1.5, 3, n), rng.beta(3, 2, n))
        run = np.exp(rng.normal(np.log(np.where(studio, 380, 90)), 0.8))
        hours = run * (age - rest)
        groove = hours / (self.head_life[f] * np.exp(rng.normal(0, 0.3, n)))
        seized = rng.random(n) < 1 / (1 + np.exp((self.stiff[f] - rest) / 3))
        motor, roller = rng.random((2, n)) < [weibull(hours, 26000, 1.5), weibull(rest + 0.4 * age, 30, 3)]
        dried, dull = rng.random((2, n)) < [weibull(age + rest, 75, 3), weibull(rest, 20, 1)]
        worn, dead = groove > 0.6, np.where(seized | motor, 0.85, 0.07)
        state = columns(n, worn + 1 * (groove > 1), 2 * seized, 2 * motor, 2 * roller, 2 * dried, dull)
        keys, dust = 1 / (1 + (5000 / hours) ** 1.5), np.clip(rest / 32, 0.05, 0.9)
        show, look = columns(n, keys, dust, dead, 0.1 + 0.6 * dried), columns(n, 0.9, 0.8, 0.6, 0.4)
        return dict(state=state, look=look, show=show, tag=0 * run, groove=groove, fetch=1 - 0.15 * worn)

    def mend(self, f: int, unit: Arrays, day: int, hours: np.ndarray) -> tuple[np.ndarray, ...]:
        n, lapped = len(hours), unit["groove"] < 1.5
        hours *= (1.5, 3, 4, 0.6, 2.5, 0)
        odds = columns(n, lapped | self.heads_sold[f], 0.65, 0.55, 1, 0.95, 1)
        return odds, columns(n, ~lapped * self.price[f] / 4, 0, 0, 19, 14, 0)


class ImpatientDealer(Bench):
    kind, start, years, jobs, lies, haste = "cassette deck", 2020, 4, 390, 20, 0.6
    parts = ("belt", "idler", "pinch roller", "motor", "solenoid", "board")
    whys = ("not worth it",) * 5 + ("no information",)
    signs = ("said to work", "dead transport", "sticky residue", "battered")
    currency, hour_rate, selling_fee, disposal_cost, margin, spread = "GBP", 14.0, 0.13, 2.0, 5.0, 0.35
    count, first, span, level, trend, widths = 22, (1976, 1990), (3, 8), 125.0, 0.92, (1, 5, 0)
    fates, as_is, salvage, writes_sound, innocent = (0.25, 0.2, 0.55), 0.2, 0.12, 0.0, 0.01

    def set_up(self) -> None:
        self.transport = self.rng.integers(0, 4, self.count)  # bought in by the makers, nowhere on the panel
        self.toil = np.exp(self.rng.normal(0, 0.35, (4, 6))) * [0.8, 0.7, 0.5, 2.2, 1.8, 2.8]
        self.life = np.exp(self.rng.normal(0, 0.2, (4, 6))) * [19, 34, 48, 58, 66, 85]
        self.practice = np.full(4, 2)
        self.page = int(self.rng.integers(6, 26))  # a page of the notebook that coffee took

    def unit(self, f: int, built: np.ndarray, day: int) -> Arrays:
        rng, n, now = self.rng, len(built), calendar(day) - 0.5
        fitted = np.where(rng.random(n) < 0.25, np.floor(now - 3 - rng.exponential(6, n)), 0)
        fitted = np.where(fitted > built + 5, fitted, 0)  # some belts are not the first
        ages = columns(n, now - np.maximum(fitted, built), *[now - built] * 5)
        bad = rng.random((n, 6)) < weibull(ages, self.life[self.transport[f]], np.array([3, 2, 3, 2, 2, 1.5]))
        # He buys by post from photographs, by and by more often at markets; there the offers are met.
        left = (self.end - day) / (self.end - self.begin)
        posted = rng.random(n) < (0.4 + 0.5 * left) * (left >= 0)
        bad[:, 3:] |= rng.random((n, 3)) < 0.07 * posted[:, None]  # what the carrier did
        runs, faults = ~bad[:, [0, 1, 3, 4]].any(1), bad.sum(1)
        said, goo = np.where(faults == 0, 0.7, np.where(runs, 0.45, 0.08)), bad[:, 0] & (fitted == 0)
        show = columns(n, said, np.where(runs, 0.06, 0.8), 0.02 + 0.5 * goo, 0.25)
        look, tag = columns(n, 0.8, 0.7 - 0.5 * posted, 0.35 * ~posted, 0.95), -0.15 * np.minimum(faults, 3)
        return dict(state=2 * bad, look=look, show=show, tag=tag, fitted=fitted, postage=9 * posted)

    def mend(self, f: int, unit: Arrays, day: int, hours: np.ndarray) -> tuple[np.ndarray, ...]:
        made, winter = self.transport[f], 1 + 0.35 * np.cos(2 * np.pi * calendar(day))
        allowed = 0.42 * winter * self.fetches(f, day) / self.hour_rate
        hours *= self.toil[made] * (self.practice[made] / 10) ** -0.22
        hours[:, 5] *= 1 + self.rng.pareto(1.8, len(hours))  # a fault that comes and goes
        total = hours.cumsum(1)
        hours[:] = np.clip(hours, 0, np.maximum(allowed - (total - hours), 0))
        return total <= allowed, np.array([3.5, 5, 8, 15, 9, 4])

    def writes(self, number: int, met: Met, done: Arrays) -> bool:
        self.practice[self.transport[met["f"]]] += 1
        quick = done["fate"][0] != 3 and done["hours"][0] < 2
        return number // 14 != self.page and not (quick and self.rng.random() < 0.4)


class CrackingGears(Bench):
    kind, prefix, jobs, currency, hour_rate, selling_fee = "disc player", "D-", 175, "CHF", 10.0, 0.1
    parts = ("gear", "pick-up", "capacitor", "belt", "display")
    whys = ("parts not available", "parts not available", "too worn", "", "")
    signs = ("reads disc", "drawer dead", "dim display")
    count, first, span, level, trend, writes_sound = 12, (1985, 1996), (3, 8), 130.0, 1.04, 0.5

    def set_up(self) -> None:
        self.optics = self.rng.integers(0, 4, self.count)  # four pick-ups in twelve families
        self.stocked_until = self.rng.uniform(2017, 2025, 4)
        self.box = np.zeros(4, int)  # pick-ups out of wrecks
        self.moulder = self.rng.integers(0, 3, (self.count, 2))  # before the family changed it, and after
        self.changed = self.born + self.rng.integers(2, 7, self.count)
        self.cracks_at = np.array([*self.rng.uniform((23, 29), (28, 34)), 70])
        self.prints = self.rng.uniform(2019.5, 2022.5)  # when somebody sells printed gears
        self.tables["settings"].append(dict(setting="gap_repaired_share", value="0.7"))

    def unit(self, f: int, built: np.ndarray, day: int) -> Arrays:
        rng, n, age = self.rng, len(built), calendar(day) - built - 0.5
        plastic = self.cracks_at[np.where(built < self.changed[f], *self.moulder[f])]
        gear = age > plastic + rng.normal(0, 1.8, n)
        played = np.clip(rng.normal(2010, 4, n) - built, 0.5, age) * rng.gamma(1.5, 180, n)
        laser = played / (4200 * np.exp(rng.normal(0, 0.4, n)))
        leaks, belt, dim = (rng.random(n) < weibull(age, *law) for law in ((34, 5), (30, 2), (40, 6)))
        leaks &= (built > 1987) & (built < 1994)
        plays = ~gear & (laser <= 1) & ~leaks & ~belt
        look = columns(n, 0.3 + 0.5 * plays, 0.75, 0.5 + 0.3 * plays)  # who knows it plays finds a socket
        show = columns(n, 0.03 + 0.94 * plays, np.where(gear, 0.92, 0.03 + 0.57 * belt), 0.05 + 0.85 * dim)
        state = columns(n, 2 * gear, (laser > 0.75) + 1 * (laser > 1), 2 * leaks, 2 * belt, dim)
        return dict(state=state, look=look, show=show, tag=0 * age, fetch=1 - 0.25 * dim)

    def mend(self, f: int, unit: Arrays, day: int, hours: np.ndarray) -> tuple[np.ndarray, ...]:
        hours *= (1.5, 1.2, 3, 0.5, 0)
        odds, price = (0.9, 8) if self.box[self.optics[f]] else (0.5, 30)  # out of a wreck; else two clones
        if calendar(day) < self.stocked_until[self.optics[f]]:
            odds, price = 0.97, 24
        gear, print_price = (0.93, 7) if calendar(day) > self.prints else (0.25, 0)  # before: glue
        return np.array([gear, odds, 0.55, 1, 1]), np.array([print_price, price, 6, 2.5, 0])

    def writes(self, number: int, met: Met, done: Arrays) -> bool:
        kind, state = self.optics[met["f"]], met["unit"]["state"][0]
        spent = state[1] == 2 and done["reached"][0, 1] and calendar(met["day"]) > self.stocked_until[kind]
        saved = done["fate"][0] == 0 and state[1] == 0
        self.box[kind] = max(self.box[kind] + int(saved) - int(spent), 0)
        return bool((state == 2).any() or self.rng.random() > 0.35)


class MarriedTurntables(Bench):
    kind, prefix, start, years, jobs, signs_from = "turntable", "T", 2019, 5, 56, 2020.0
    parts = ("tonearm", "motor", "bearing", "control")
    whys = ("parts not available", "parts not available", "too worn", "no information")
    signs = ("arm loose", "stiff platter", "shed smell", "lid missing")
    currency, hour_rate, selling_fee, disposal_cost, margin, sundries = "SEK", 0.0, 0.05, 20.0, 50.0, 30.0
    count, span, level, season, widths, share, spread = 4, (4, 9), 1100.0, 0.12, (0, 0, 5, 1), 0.4, 0.28
    fates, as_is, salvage, keeps, writes_sound, writes_bad = (0.8, 0.1, 0.1), 0.1, 0.25, 0.2, 0.0, 0.0

    def set_up(self) -> None:
        self.weak = self.rng.beta(2, 7, (self.count, 4))
        self.sold = self.rng.random((self.count, 4)) < 0.3  # can be bought for money
        self.wrecks = np.zeros((self.count, 4), int)  # good parts in the shed
        self.done = 0
        self.tables["hearsay"] = [dict(family=self.names[0], share_repaired=0.9, worth_jobs=4)]

    def unit(self, f: int, built: np.ndarray, day: int) -> Arrays:
        rng, n = self.rng, len(built)
        shed, lid = rng.random(n) < 0.35, rng.random(n) < 0.3
        bad = rng.random((n, 4)) < np.clip(self.weak[f] * np.where(shed, 2.2, 0.8)[:, None], 0, 0.9)
        arm, motor, bearing, control = bad.T
        show = columns(n, 0.05 + 0.75 * arm, 0.1 + 0.65 * (bearing | motor), 0.06 + 0.6 * shed, lid)
        tag, look = 0.3 * ~(motor | control) - 0.15 * lid, columns(n, 0.85, 0.7, 0.6, 1)
        return dict(state=2 * bad, look=look, show=show, tag=tag, fetch=1 - 0.2 * lid)

    def mend(self, f: int, unit: Arrays, day: int, hours: np.ndarray) -> tuple[np.ndarray, ...]:
        hours *= 2.5
        spare, sold = self.wrecks[f] > 0, self.sold[f]
        clumsy = 0.05 + 0.25 * np.exp(-self.done / 15)  # a beginner breaks what he takes apart
        had = np.where(spare, 0.95, np.where(sold, 0.9, 0.12)) * (1 - clumsy)
        few = (unit["state"] > 0).sum(1) < 3  # more than two faults and he does not begin
        return had * few[:, None], np.where(spare, 0, sold * 0.12 * self.price[f])

    def writes(self, number: int, met: Met, done: Arrays) -> bool:
        shelf, bad = self.wrecks[met["f"]], met["unit"]["state"][0] == 2
        self.done += 1
        self.shuns = self.shuns or ("arm loose" if done["ender"][0] == 0 else "")
        shelf += ~bad if done["fate"][0] == 0 else -(bad & done["reached"][0] & (shelf > 0)).astype(int)
        return True


def draw(variant: str, seed: int, count: int = 200) -> Drawn:
    benches = (StationReels, ImpatientDealer, CrackingGears, MarriedTurntables)
    return dict(zip(VARIANTS, benches, strict=True))[variant](seed).drawn(count)
