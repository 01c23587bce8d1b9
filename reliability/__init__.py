"""A repair bench's ledger turned into odds: what to buy, at what price, and what to leave.

The public names are imported when they are first asked for, so that writing down a job
starts in a fraction of a second: nothing numerical is loaded until it is needed.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reliability.api import *

__version__ = "0.1.0"

__all__ = [
    "BenchoddsError",
    "LifeCurves",
    "LifeRecords",
    "Lives",
    "Odds",
    "Plan",
    "PooledFamilies",
    "Records",
    "WeibullLives",
    "fit",
    "lives",
    "load",
    "open_ledger",
    "pool",
]


def __getattr__(name: str) -> object:
    """Import a public name on its first use (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module 'reliability' has no attribute {name!r}")
    value = getattr(import_module("reliability.api"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted([*__all__, "__version__"])
