from dataclasses import replace

import pytest

from tests.simulate.fleet import make_world
from tests.simulate.world import Family, Part, Sign


@pytest.fixture(scope="session")
def damp_world():
    return make_world("damp", 5)


@pytest.fixture(scope="session")
def tiny_world():
    """One family of two components and two signs, small enough to be summed by hand."""
    belt = Part("belt", 3.0, 35.0, damp_factor=0.7, refit=0.3, skill=0.9, dies=0.05, price=8, hours=0.5)
    relay = Part("relay", 2.0, 45.0, ("left", "right"), skill=0.7, price=5, hours=0.4, redo=0.3, calm=0.1)
    signs = (Sign("dead", {"belt": 0.6, "relay": 0.3}, 0.1, 0.05), Sign("rust", {}, 0.7, 0.1, 0.8))
    family = Family(
        "F", "tape deck", "m", 1980, 1982, (belt, relay), signs, 120, 120, damp_share=0.3, drift=0.02
    )
    settings = {"hour_rate": 10.0, "selling_fee": 0.1, "disposal_cost": 5.0, "warranty_days": 365.25}
    world = make_world("few families", 1)
    return replace(world, families=(family,), settings=settings, season_sd=0.0, learning=0.0)
