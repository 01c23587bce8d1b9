"""How long components last: censored lives in, frozen results with a status out.

The four public names are loaded when they are first asked for, so that a command which fits
nothing does not wait for the numerical libraries.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reliability.life.curves import fit_curve
    from reliability.life.lives import LifeRecords
    from reliability.life.pooling import pool
    from reliability.life.weibull import weibull_fits

_HOME = {
    "LifeRecords": "reliability.life.lives",
    "weibull_fits": "reliability.life.weibull",
    "fit_curve": "reliability.life.curves",
    "pool": "reliability.life.pooling",
}

__all__ = ["LifeRecords", "fit_curve", "pool", "weibull_fits"]


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(_HOME[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}; it has {', '.join(__all__)}")


def __dir__() -> list[str]:
    return sorted(__all__)
