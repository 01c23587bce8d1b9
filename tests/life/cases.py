"""Published lives, and small fleets for the checks of pooling."""

from pathlib import Path

import numpy as np
import pandas as pd

from reliability.life.lives import LifeRecords

DATA = Path(__file__).parents[1] / "data"
INF = np.inf


def read(name):
    """Read a published data set; the first line of each file names its source."""
    return pd.read_csv(DATA / f"{name}.csv", comment="#")


def right_censored(time, failed, count=1.0, **more):
    time = np.asarray(time, float)
    return LifeRecords(time, np.where(np.asarray(failed) == 1, time, INF), count=count, **more)


def ball_bearings():
    return right_censored(read("lieblein_zelen")["mrev"], 1)


def stopped_test():
    data = read("nist_weibull20")
    return right_censored(data["hours"], data["failed"], data["count"])


def cracked_parts(count=1.0):
    data = read("part_cracking")
    days, found = data["days"].to_numpy(float), data["fail"].to_numpy(float)
    found = np.append(found, 167 - found.sum())
    return LifeRecords(np.append(0, days), np.append(days, INF), count=found * count)


def turbine_wheels():
    data = read("turbine_wheel")
    cracked, hours = np.repeat([True, False], len(data)), np.tile(data["hours"], 2)
    count = np.append(data["failed"], data["inspected"] - data["failed"])
    return status(hours[count > 0], cracked[count > 0], count=count[count > 0])


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
