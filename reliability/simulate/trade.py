"""What is usual of each kind of unit: components, their lives, faults that show.

All figures are common practice, no source: round numbers for a simulated trade, in the
order in which a bench looks at the components. Lives are for parts kept dry.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from reliability.simulate.world import Part, Sign


@dataclass(frozen=True)
class Kind:
    """A kind of unit: usual price and span, components in order of inspection, signs."""

    price: float
    first_year: int
    last_year: int
    base_hours: float
    parts: tuple[Part, ...]
    signs: tuple[Sign, ...]


_RUST = Sign("rust", damp_shows=0.65, false_alarm=0.06, price_factor=0.88)
_DAMP_STORE = Sign("damp store", damp_shows=0.55, false_alarm=0.05)
_MISSING = Sign("missing parts", false_alarm=0.12, price_factor=0.85)


def _power(**shows: float) -> Sign:
    named = {name.replace("_", " "): chance for name, chance in shows.items()}
    return Sign("no power", shows=named, false_alarm=0.03)


KINDS: Mapping[str, Kind] = {
    "tape deck": Kind(
        price=210,
        first_year=1974,
        last_year=1996,
        base_hours=1.0,
        parts=(
            Part("regulator", 2.0, 85, damp_factor=0.75, dies=0.01, skill=0.9, price=6, hours=1.2),
            Part("capacitor", 3.2, 62, damp_factor=0.8, skill=0.97, price=9, hours=1.0, pack_size=10,
                 per_unit=6),
            Part("motor", 2.5, 75, damp_factor=0.75, skill=0.72, price=28, hours=1.0, find=0.65, rebuild=0.2),
            Part("belt", 4.0, 25, damp_factor=0.85, refit=0.2, skill=0.99, price=8, hours=0.8, redo=0.03),
            Part("idler", 3.5, 38, damp_factor=0.8, refit=0.1, skill=0.93, price=9, hours=0.6, rebuild=0.6),
            Part("gear", 4.5, 60, skill=0.75, price=14, hours=1.6, find=0.4, rebuild=0.1, dies=0.02),
            Part("pinch roller", 3.0, 36, refit=0.1, skill=0.96, price=12, hours=0.5, rebuild=0.5),
            Part("head", 3.0, 68, damp_factor=0.85, skill=0.6, price=35, hours=1.0, find=0.6, rebuild=0.05),
            Part("switch", 2.2, 50, damp_factor=0.55, skill=0.93, price=5, hours=0.7, dies=0.03, rebuild=0.5),
            Part("display", 2.0, 90, skill=0.5, price=25, hours=0.8, find=0.6, rebuild=0.05, dies=0.02),
        ),
        signs=(
            _power(regulator=0.75, capacitor=0.1),
            Sign("dead transport", {"belt": 0.45, "motor": 0.8, "gear": 0.5}, false_alarm=0.04),
            Sign("sticky residue", {"belt": 0.3}, damp_shows=0.15, false_alarm=0.04),
            _RUST,
            _DAMP_STORE,
            _MISSING,
        ),
    ),
    "turntable": Kind(
        price=170,
        first_year=1968,
        last_year=1992,
        base_hours=0.8,
        parts=(
            Part("capacitor", 3.0, 66, damp_factor=0.8, dies=0.01, skill=0.93, price=7, hours=0.9,
                 pack_size=10,
                 per_unit=4),
            Part("motor", 2.8, 90, damp_factor=0.75, skill=0.7, price=40, hours=1.1, find=0.6, rebuild=0.25),
            Part("belt", 4.0, 26, refit=0.35, skill=0.99, price=14, hours=0.2, redo=0.03),
            Part("bearing", 2.6, 85, damp_factor=0.6, skill=0.85, price=18, hours=0.8, rebuild=0.5),
            Part("cartridge", 2.0, 42, refit=0.4, skill=0.97, price=24, hours=0.3, find=0.8, rebuild=0.1),
            Part("lift", 2.4, 48, skill=0.92, price=8, hours=0.7, rebuild=0.7),
            Part("tonearm", 2.2, 95, damp_factor=0.8, skill=0.6, price=45, hours=1.2, find=0.7, dies=0.02),
            Part("switch", 2.2, 55, damp_factor=0.55, skill=0.94, price=5, hours=0.5, dies=0.02, rebuild=0.5),
        ),
        signs=(
            _power(capacitor=0.5, switch=0.2),
            Sign("dead transport", {"belt": 0.5, "motor": 0.8}, false_alarm=0.04),
            Sign("hum", {"cartridge": 0.3, "tonearm": 0.2}, false_alarm=0.06),
            _RUST,
            _DAMP_STORE,
            _MISSING,
        ),
    ),
    "disc player": Kind(
        price=130,
        first_year=1984,
        last_year=2001,
        base_hours=0.7,
        parts=(
            Part("regulator", 2.0, 80, damp_factor=0.8, dies=0.01, skill=0.88, price=6, hours=1.1),
            Part("belt", 4.0, 22, refit=0.15, skill=0.99, price=5, hours=0.4, redo=0.02),
            Part("laser", 2.6, 42, damp_factor=0.8, skill=0.85, price=32, hours=1.0, find=0.5, rebuild=0.03),
            Part("motor", 2.4, 60, damp_factor=0.8, skill=0.8, price=12, hours=0.8, find=0.6, rebuild=0.15),
            Part("gear", 3.5, 55, skill=0.7, price=9, hours=0.9, find=0.4, rebuild=0.15, dies=0.02),
            Part("capacitor", 3.2, 55, damp_factor=0.8, skill=0.95, price=9, hours=1.2, pack_size=10,
                 per_unit=8),
            Part("switch", 2.2, 55, damp_factor=0.6, skill=0.93, price=4, hours=0.5, rebuild=0.4),
            Part("display", 2.0, 75, skill=0.45, price=22, hours=0.8, find=0.5, rebuild=0.05, dies=0.02),
        ),
        signs=(
            _power(regulator=0.75),
            Sign("dead transport", {"belt": 0.5, "motor": 0.6, "gear": 0.5, "laser": 0.3}, false_alarm=0.05),
            _RUST,
            _DAMP_STORE,
            _MISSING,
        ),
    ),
    "receiver": Kind(
        price=260,
        first_year=1970,
        last_year=1990,
        base_hours=1.2,
        parts=(
            Part("regulator", 2.0, 75, damp_factor=0.75, dies=0.015, skill=0.88, price=8, hours=1.4),
            Part("output stage", 2.0, 100, ("left", "right"), damp_factor=0.8, skill=0.78, price=26,
                 hours=2.0,
                 dies=0.01, find=0.6, rebuild=0.1),
            Part("capacitor", 3.2, 58, damp_factor=0.8, skill=0.97, price=14, hours=1.8, pack_size=20,
                 per_unit=16),
            Part("relay", 2.4, 55, ("left", "right"), damp_factor=0.7, skill=0.96, price=7, hours=0.4,
                 rebuild=0.6),
            Part("switch", 2.2, 48, damp_factor=0.5, skill=0.9, price=6, hours=0.8, dies=0.03, rebuild=0.4),
            Part("potentiometer", 2.0, 42, damp_factor=0.6, skill=0.93, price=9, hours=0.9, rebuild=0.7),
            Part("display", 3.0, 42, refit=0.15, skill=0.95, price=6, hours=0.6, rebuild=0.6),
            Part("transformer", 2.0, 190, damp_factor=0.6, skill=0.55, price=60, hours=1.5, find=0.7,
                 rebuild=0.1),
        ),
        signs=(
            _power(regulator=0.7, transformer=0.8),
            Sign("burnt smell", {"output stage": 0.45, "transformer": 0.6, "regulator": 0.2},
                 false_alarm=0.02),
            Sign("hum", {"capacitor": 0.45, "regulator": 0.2}, false_alarm=0.04),
            Sign("no sound", {"output stage": 0.6, "relay": 0.5, "switch": 0.2}, false_alarm=0.05),
            _RUST,
            _DAMP_STORE,
            _MISSING,
        ),
    ),
}  # fmt: skip
