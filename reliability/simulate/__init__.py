"""A trade with known truth: demo data, and tests of what is claimed from records.

A :class:`World` holds everything that is true. :func:`run_bench` draws the ledger that a
bench would keep in it, :func:`make_offers` units on offer with their true odds and worth,
:func:`score` compares verdicts with these. Nothing else in the package imports this one.
"""

from reliability.simulate.fleet import make_offers, run_bench
from reliability.simulate.habits import Habits
from reliability.simulate.make import make_world
from reliability.simulate.options import NAMED_WORLDS, WorldOptions
from reliability.simulate.score import Score, score
from reliability.simulate.truth import Appraisal, appraise
from reliability.simulate.world import Family, Part, Sign, World

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
