"""Kinds of simulated trade, by name."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, replace

from reliability.errors import InvalidInput, unknown


@dataclass(frozen=True)
class WorldOptions:
    """What distinguishes one simulated trade from another.

    Attributes
    ----------
    name : str
    families, jobs : int
        Number of families, and of finished jobs that is usual for this world.
    years_of_records : int
        Length of the ledger.
    life_sd, shape_sd : float
        Spread of log scale and log shape of a component from family to family.
    fix_sd : float
        Spread of the log odds of mending from family to family.
    slope_sd : float
        Spread over components of the change of log scale per decade of production.
    change_share : float
        Share of families whose gear is of another, worse material from some year on.
    sign_strength : float
        From 0 (as usual) to 1 (every cause shows, no false alarms).
    damp_share, damp_power : float
        Share of units that were stored damp, and exponent on what damp does to lives.
    unobtainable : float
        Share of components (per family) that can no longer be had new at the end.
    lost_failed : float
        Share of failed jobs that nobody writes up.
    careless_share : float
        Share of jobs that a careless hand writes up.
    hearsay_share, wrong_hearsay : float
        Share of families that the trade talks about; share of that talk that is wrong.
    season_sd : float
        Spread from quarter to quarter of the log odds of mending.
    owner_price_sd, drift_sd : float
        Error of the owner's prices (log); spread of price trends (log, per year).
    gap_repaired_share : float
        What the owner says of jobs that nobody wrote up.
    """

    name: str = "custom"
    families: int = 14
    jobs: int = 300
    years_of_records: int = 8
    life_sd: float = 0.3
    shape_sd: float = 0.15
    fix_sd: float = 0.8
    slope_sd: float = 0.1
    change_share: float = 0.1
    sign_strength: float = 0.0
    damp_share: float = 0.15
    damp_power: float = 1.0
    unobtainable: float = 0.15
    lost_failed: float = 0.03
    careless_share: float = 0.15
    hearsay_share: float = 0.3
    wrong_hearsay: float = 0.3
    season_sd: float = 0.3
    owner_price_sd: float = 0.2
    drift_sd: float = 0.03
    gap_repaired_share: float = 0.0
    end: dt.date = dt.date(2026, 10, 31)


NAMED_WORLDS: Mapping[str, WorldOptions] = {
    options.name: options
    for options in (
        WorldOptions("few families", families=8, jobs=400),
        WorldOptions("many families", families=120, jobs=300),
        WorldOptions("cold start", families=40, jobs=30, years_of_records=2, hearsay_share=0.8),
        WorldOptions("year effect", families=14, jobs=400, slope_sd=0.3, change_share=0.6),
        WorldOptions("strong signs", families=14, jobs=300, sign_strength=0.7),
        WorldOptions("left out", families=14, jobs=300, lost_failed=0.5),
        WorldOptions("damp", families=14, jobs=300, damp_share=0.35, damp_power=1.8),
        WorldOptions("careless", families=14, jobs=300, careless_share=1.0),
    )
}


def options_of(name_or_options: str | WorldOptions) -> WorldOptions:
    """Return options by name, or checked ones as they are.

    Raises
    ------
    UnknownName
        If no world has that name.
    InvalidInput
        If a number is out of its range.
    """
    if isinstance(name_or_options, str):
        if name_or_options not in NAMED_WORLDS:
            raise unknown("There is no world", name_or_options, NAMED_WORLDS)
        return NAMED_WORLDS[name_or_options]
    options = replace(name_or_options)
    for field in ("families", "years_of_records"):
        if getattr(options, field) < 1:
            raise InvalidInput(f"`{field}` of a world must be 1 or more, got {getattr(options, field)}.")
    for field in _SHARES:
        if not 0.0 <= getattr(options, field) <= 1.0:
            raise InvalidInput(f"`{field}` of a world must lie in 0..1, got {getattr(options, field):g}.")
    return options


_SHARES = (
    "change_share", "sign_strength", "damp_share", "unobtainable", "lost_failed", "careless_share",
    "hearsay_share", "wrong_hearsay",
)  # fmt: skip
