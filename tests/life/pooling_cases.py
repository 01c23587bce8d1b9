"""Small fleets for the checks of pooling."""

import numpy as np

from reliability.life import LifeRecords

INF = np.inf


def status(age, failed, **rest):
    """Current status: failed or sound at an age."""
    age, failed = np.asarray(age, float), np.asarray(failed, bool)
    return LifeRecords(np.where(failed, 0, age), np.where(failed, age, INF), **rest)


def small_fleet(n_families=5, seed=3, most=8):
    """Families of two kinds with 3 to `most` records, and the year each unit was built."""
    rng = np.random.default_rng(seed)
    n = rng.integers(3, most + 1, n_families)
    family = np.repeat(np.arange(n_families), n)
    year = rng.integers(1972, 1986, n_families)[family] + rng.integers(-2, 3, family.size)
    age = np.round((rng.uniform(2016, 2026, family.size) - year) * 12) / 12
    scale = 28 * np.exp(0.4 * rng.normal(size=n_families))[family] * 1.2 ** ((year - 1978) / 10)
    failed = scale * rng.weibull(2.5, family.size) <= age
    labels = {
        "component": np.full(family.size, "belt"),
        "family": np.array([f"family {f}" for f in family]),
        "kind": np.array(["tape deck", "turntable"])[family % 2],
        "year": year.astype(float),
    }
    return status(age, failed), labels, family


def names(n_families):
    return [f"family {f}" for f in range(n_families)]
