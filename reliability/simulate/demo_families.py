"""The families of the demo: invented makers, one lesson each."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from reliability.simulate.trade import KINDS
from reliability.simulate.world import Family, Part

PARTS_GONE_LONG_AGO, LASERS_GONE = 2010.0, 2019.75


def _family(
    kind: str, name: str, maker: str, years: tuple[int, int], price: float, *,
    parts: Mapping[str, Mapping[str, Any]] | None = None, without: tuple[str, ...] = (), **more: Any,
) -> Family:  # fmt: skip
    """Take what is usual of the kind and change what is special about this family."""
    changes = parts or {}
    usual = KINDS[kind]
    own: list[Part] = [
        replace(part, **changes.get(part.name, {})) for part in usual.parts if part.name not in without
    ]
    more["models"] = tuple(f"{name.split()[0]} {code}" for code in more["models"])
    defaults: dict[str, Any] = {
        "owner_price": price, "damp_share": 0.18, "base_hours": usual.base_hours, "salvage": 0.12 * price,
        "as_is": 0.1 * price,
    }  # fmt: skip
    return Family(
        name=name, kind=kind, maker=maker, first_year=years[0], last_year=years[1], parts=tuple(own),
        signs=usual.signs, price=price, **{**defaults, **more},
    )  # fmt: skip


def demo_families() -> tuple[Family, ...]:
    """Return the fourteen families; `popularity` is about the number of their jobs."""
    return (*_tape_decks(), *_turntables(), *_disc_players(), *_receivers())


def _tape_decks() -> tuple[Family, ...]:
    gone = ((0.0, "yes"), (PARTS_GONE_LONG_AGO, "no"))
    scarce = ((0.0, "yes"), (2016.0, "salvage only"))
    return (
        _family(
            "tape deck", "Obbelin 310", "Obbelin Strake", (1979, 1986), 220,
            parts={"gear": {"scale": 95.0}, "belt": {"scale": 22.0}, "head": {"scale": 85.0},
                   "display": {"dies": 0.05}},
            popularity=60, ask=36, models=("310", "310 S", "312"), priced_on="2025-04", drift=0.02,
            notes="Plain belt drive. New belts and rollers are easy to get.",
        ),
        _family(
            "tape deck", "Obbelin 550", "Obbelin Strake", (1982, 1990), 390, owner_price=420,
            parts={"motor": {"price": 45.0, "skill": 0.85}, "head": {"price": 70.0, "scale": 75.0}},
            popularity=24, ask=140, models=("550", "560"), priced_on="2025-10", price_spread=0.2, drift=0.035,
            base_hours=1.6, notes="Three heads, two motors.",
        ),
        _family(
            "tape deck", "Pellowick 22", "Pellowick Drunn", (1979, 1988), 280,
            parts={"gear": {"scale": 90.0, "shape": 5.0, "change_year": 1984, "change_factor": 0.38,
                            "supply": gone, "rebuild": 0.12}},
            popularity=50, ask=28, models=("22", "22 B", "24"), priced_on="2024-09",
            notes="Cam gear of the mechanism differs between early and late ones.",
        ),
        _family(
            "tape deck", "Yarrowen C7", "Yarrowen Skett", (1985, 1992), 110, owner_price=125,
            parts={"gear": {"scale": 36.0, "shape": 6.0, "supply": gone, "rebuild": 0.05},
                   "display": {"scale": 60.0}},
            popularity=27, ask=14, models=("C7", "C7 X"), priced_on="2023-05", drift=-0.02,
            notes="Gears turn to crumbs.",
        ),
        _family(
            "tape deck", "Fennimoor Reel 4", "Fennimoor Cask", (1971, 1978), 520, owner_price=480,
            parts={"capacitor": {"scale": 50.0}, "motor": {"price": 60.0}, "head": {"supply": scarce},
                   "belt": {"scale": 30.0, "price": 16.0}},
            without=("gear", "display"), popularity=9, ask=125, models=("Reel 4",), priced_on="2025-02",
            base_hours=2.6, other_costs=28.0, price_noise=0.3, notes="Heavy; fetched by car.",
        ),
    )  # fmt: skip


def _turntables() -> tuple[Family, ...]:
    return (
        _family(
            "turntable", "Hulverby D2", "Hulverby Ostrel", (1977, 1984), 240,
            parts={"motor": {"scale": 140.0, "skill": 0.55, "find": 0.7,
                             "supply": ((0.0, "yes"), (2015.0, "salvage only"))},
                   "capacitor": {"scale": 50.0, "skill": 0.97}},
            without=("belt",), popularity=48, ask=90, models=("D2", "D3"), priced_on="2025-06", drift=0.03,
            notes="Direct drive.",
        ),
        _family(
            "turntable", "Hulverby B1", "Hulverby Ostrel", (1980, 1988), 135,
            parts={"belt": {"scale": 20.0}, "tonearm": {"scale": 70.0, "dies": 0.05}},
            popularity=19, ask=20, models=("B1",), priced_on="2024-03",
            notes="Cheap belt drive; the cartridge is half of its price.",
        ),
        _family(
            "turntable", "Crowmarl 60", "Mubbeldon Crowmarl", (1964, 1973), 360, owner_price=330,
            parts={"bearing": {"scale": 70.0}, "motor": {"rebuild": 0.6, "skill": 0.85},
                   "belt": {"name": "idler", "scale": 30.0, "refit": 0.15, "price": 22.0, "rebuild": 0.8}},
            popularity=7, ask=90, models=("60", "60 L"), priced_on="2024-11", price_noise=0.28,
            notes="Idler drive; idlers can be rebuilt.",
        ),
    )  # fmt: skip


def _disc_players() -> tuple[Family, ...]:
    """Return the weak kind: cheap, with lasers that wear out and cannot be replaced."""
    lasers_gone = ((0.0, "yes"), (LASERS_GONE, "no"))
    return (
        _family(
            "disc player", "Tavisk 100", "Tavisk Morrandel", (1986, 1993), 140,
            parts={"laser": {"scale": 38.0, "supply": lasers_gone, "rebuild": 0.02}},
            popularity=32, ask=26, models=("100", "110"), priced_on="2024-06", drift=-0.01,
            notes="The laser is no longer made.",
        ),
        _family(
            "disc player", "Tavisk 700", "Tavisk Morrandel", (1989, 1996), 95, owner_price=110,
            parts={"laser": {"price": 78.0, "scale": 34.0, "too_dear": True}},
            popularity=15, ask=12, models=("700",), priced_on="2023-10", drift=-0.03,
            notes="A laser costs about what the working unit fetches.",
        ),
        _family(
            "disc player", "Ploverine P5", "Ploverine Addick", (1990, 1998), 160,
            parts={"laser": {"scale": 45.0, "price": 26.0}},
            popularity=4, ask=24, models=("P5", "P6"), priced_on="2025-01",
        ),
    )  # fmt: skip


def _receivers() -> tuple[Family, ...]:
    return (
        _family(
            "receiver", "Pellowick R40", "Pellowick Drunn", (1974, 1981), 340, owner_price=315,
            parts={"capacitor": {"scale": 52.0}, "relay": {"scale": 46.0}},
            popularity=40, ask=110, models=("R40", "R45", "R50"), priced_on="2025-08", drift=0.03,
            notes="Much sold; capacitors and relay contacts as a matter of course.",
        ),
        _family(
            "receiver", "Ploverine 2020", "Ploverine Addick", (1978, 1984), 320, owner_price=340,
            parts={"output stage": {"scale": 62.0, "price": 58.0, "skill": 0.6,
                                    "supply": ((0.0, "yes"), (2013.0, "salvage only"))},
                   "switch": {"scale": 42.0, "dies": 0.15, "skill": 0.7}},
            popularity=12, ask=75, models=("2020", "2025"), priced_on="2024-12", base_hours=1.8,
            notes="Output modules fail and are dear; push buttons break when touched.",
        ),
        _family(
            "receiver", "Obbelin R9", "Obbelin Strake", (1981, 1987), 260,
            popularity=0, ask=60, models=("R9", "R9 E"), priced_on="2026-02",
            notes="Offered now and then; none has been on the bench.",
        ),
    )  # fmt: skip
