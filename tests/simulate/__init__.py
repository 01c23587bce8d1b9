"""A trade with known truth: demo data, and tests of what is claimed from records.

A :class:`World` holds everything that is true. :func:`run_bench` draws the ledger that a
bench would keep in it, :func:`make_offers` units on offer with their true odds and worth,
:func:`score` compares verdicts with these. Nothing else in the package imports this one.
"""

from tests.simulate.fleet import make_offers, make_world, run_bench
from tests.simulate.truth import Appraisal, Score, appraise, score
from tests.simulate.world import NAMED_WORLDS, Family, Habits, Part, Sign, World, WorldOptions

__all__ = [
    "NAMED_WORLDS",
    "Appraisal",
    "Family",
    "Habits",
    "Part",
    "Score",
    "Sign",
    "World",
    "WorldOptions",
    "appraise",
    "make_offers",
    "make_world",
    "run_bench",
    "score",
]
