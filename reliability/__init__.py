"""A repair bench's ledger turned into odds: what to buy, at what price, and what to leave.

The public names are imported when they are first asked for, so that writing down a job
starts in a fraction of a second: nothing numerical is loaded until it is needed.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from reliability.errors import BenchoddsError
    from reliability.life.curves import fit_curve
    from reliability.life.findings import observe
    from reliability.life.lives import LifeRecords
    from reliability.life.pooling import pool
    from reliability.life.weibull import weibull_fits
    from reliability.records.frames import read_records
    from reliability.records.ledger import open_ledger
    from reliability.records.package import load_package_records
    from reliability.report.run import make_pages
    from reliability.worth.appraiser import fit_appraiser
    from reliability.worth.judging import judge, read_offers
    from reliability.worth.review import ranking

__version__ = "0.1.0"

__all__ = [
    "BenchoddsError",
    "LifeRecords",
    "fit_appraiser",
    "fit_curve",
    "judge",
    "load_package_records",
    "make_pages",
    "observe",
    "open_ledger",
    "pool",
    "ranking",
    "read_offers",
    "read_records",
    "weibull_fits",
]

_HOME = {
    "BenchoddsError": "reliability.errors",
    "LifeRecords": "reliability.life.lives",
    "fit_appraiser": "reliability.worth.appraiser",
    "fit_curve": "reliability.life.curves",
    "weibull_fits": "reliability.life.weibull",
    "judge": "reliability.worth.judging",
    "load_package_records": "reliability.records.package",
    "make_pages": "reliability.report.run",
    "observe": "reliability.life.findings",
    "open_ledger": "reliability.records.ledger",
    "pool": "reliability.life.pooling",
    "ranking": "reliability.worth.review",
    "read_offers": "reliability.worth.judging",
    "read_records": "reliability.records.frames",
}


def __getattr__(name: str) -> object:
    """Import a public name on its first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'reliability' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted([*__all__, "__version__"])
