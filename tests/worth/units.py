"""Units on offer in plain numbers, and what is known of their components."""

from dataclasses import replace

import numpy as np
from scipy.special import logit

from reliability.worth.appraiser import fit_appraiser
from reliability.worth.judging import judge, offers_from
from reliability.worth.odds import FamilyLives, Unit, nothing_shared, unit_states


def judged_then(offers, records, day):
    """Judge offers by what was known on a day."""
    return judge(offers, fit_appraiser(records, day))


def verdict(appraiser, **offer):
    """Judge one unit."""
    return judge(offers_from([offer]), appraiser).iloc[0]


def shared(n_components=2, *, signs=("rust", "hum"), **more):
    """What families have in common: signs that nothing shows, components that nothing joins."""
    blank = nothing_shared(tuple("abcdefgh"[:n_components]), signs, ("tape deck",), n_components)
    plain = {
        "reference_year": np.full(n_components, 1985.0),
        "sign_mean": np.full(len(signs), 0.25),
        "sign_shows": np.full((n_components, len(signs)), -50.0),
        "sign_alone": np.full(len(signs), -2.0),
    }
    return replace(blank, **plain | more)


def random_shared(rng, n_components, n_signs, **more):
    """Draw signs that everything shows, storage, and deaths on the bench."""
    return shared(
        n_components,
        signs=tuple("stuvwxyz"[:n_signs]),
        sign_shows=rng.normal(-0.5, 1.5, (n_components, n_signs)),
        sign_alone=rng.normal(-1.5, 0.7, n_signs),
        sign_stored=rng.normal(0.4, 0.4, n_signs),
        storage_sd=rng.uniform(0, 1.2),
        collateral=rng.uniform(0, 0.2, n_components),
        **more,
    )


def random_family(rng, n_components):
    """Draw lives about as long as the ages asked about here, with doubt."""
    life = np.column_stack([rng.normal(3.6, 0.4, n_components), rng.normal(0.8, 0.4, n_components)])
    life = np.column_stack([life, rng.uniform(0, 0.2, (n_components, 3))])
    repair = np.column_stack([rng.normal(0.5, 1, n_components), rng.uniform(0, 1, n_components)])
    return FamilyLives(np.arange(n_components), life, life, np.full(n_components, np.nan), repair)


def family(scales, shapes, repair, doubt=0.0):
    n = len(scales)
    life = np.column_stack([np.log(scales), np.log(shapes), np.full((n, 3), doubt)])
    return FamilyLives(
        np.arange(n), life, life, np.full(n, np.nan), np.column_stack([logit(repair), np.zeros(n)])
    )


def states(lives, common, age=40.0, year=1985.0, signs=(np.nan, np.nan)):
    ages = np.atleast_1d(np.asarray(age, float))
    years = np.broadcast_to(np.asarray(year, float), ages.shape)
    unit = Unit(ages, years, np.full(ages.size, 1 / ages.size), np.array(signs))
    return unit_states(lives, common, unit)
