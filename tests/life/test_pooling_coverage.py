from reliability.life.pooling_lattice import Hyperprior
from tests.measure.pooling_worlds import World, repeat


def test_bands_cover_and_errors_shrink():
    # A small version of the study in tests/measure/pooling.py; six families, drawn 40 times.
    tally = repeat(World(), 6, 40)["curve"]
    cover, error = tally.cover()
    assert 86 - 2.5 * error < cover < 97 + 2.5 * error
    assert error < 3
    ratio, ratio_error = tally.ratio()
    assert ratio < 0.65 + 2 * ratio_error


def test_bands_cover_where_families_are_many():
    tally = repeat(World(), 60, 4)["inspected"]
    cover, error = tally.cover()
    assert 86 - 2.5 * error < cover < 97 + 2.5 * error


def test_the_study_notices_a_band_that_is_too_narrow():
    # With a spread that is believed to be nil, three families are taken as equal: not covered.
    sure = Hyperprior(scale_spread=0.01, shape_spread=0.01, spread_sd=0.05, shape_sd=0.05)
    cover, error = repeat(World(), 6, 12, prior=sure)["curve"].cover()
    assert cover + 2.5 * error < 86
