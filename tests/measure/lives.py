"""How fast the batch Weibull fit is, and how it compares with general-purpose libraries.

``python -m tests.measure.lives`` prints the rows that DEVELOPERS.md quotes: the same strata fitted in
one pass here, one by one by lifelines, and one by one by R's survreg if Rscript is there.
"""

import csv
import io
import shutil
import subprocess
import time
import warnings
from functools import partial

import lifelines
import numpy as np

from reliability.life.curves import fit_curve
from reliability.life.lives import LifeRecords
from reliability.life.weibull import weibull_fits
from tests.measure.apart import Row, row, tell_parts

SEED = 20261124
N_STRATA = 10_000
BY_LIFELINES = 40
BY_SURVREG = 1500
FASTER_THAN_LIFELINES, FASTER_THAN_SURVREG = 5000, 50
LARGEST_GAP = 1e-9

# Reads stratum, lower, upper (empty: unbounded), count; writes stratum, log-likelihood and the seconds that
# all fits took together, the reading left out. A stratum without an answer gets NA.
SURVREG = """
suppressMessages(library(survival))
lives <- read.csv("stdin")
parts <- split(lives, lives$stratum)
fit <- function(part) tryCatch(suppressWarnings({
  got <- survreg(Surv(lower, upper, type = "interval2") ~ 1, data = part, weights = count,
                 dist = "weibull", control = survreg.control(rel.tolerance = 1e-12, maxiter = 200))
  got$loglik[1]
}), error = function(e) NA)
taken <- system.time(values <- vapply(parts, fit, numeric(1)))[["elapsed"]]
write.csv(data.frame(stratum = names(parts), value = values, seconds = taken), row.names = FALSE)
"""


def small_strata(n_strata: int = N_STRATA, seed: int = SEED) -> LifeRecords:
    """3 to 20 units each, ages rounded to a month, shapes 1 to 6, scales 15 to 50 years.

    Most units were inspected once; one in ten has a window of up to 5 years in which the part failed.
    """
    rng = np.random.default_rng(seed)
    stratum = np.repeat(np.arange(n_strata), rng.integers(3, 21, n_strata))
    age = np.round(rng.uniform(5, 45, stratum.size) * 12) / 12
    shape, scale = rng.uniform(1, 6, n_strata)[stratum], rng.uniform(15, 50, n_strata)[stratum]
    failed = scale * rng.weibull(shape) <= age
    window = np.where(
        rng.random(stratum.size) < 0.1, np.round(rng.uniform(0.1, 5, stratum.size) * 12) / 12, age
    )
    lower = np.where(failed, np.maximum(age - window, 0), age)
    return LifeRecords(lower, np.where(failed, age, np.inf), stratum=stratum)


def one_of(strata: LifeRecords, stratum: int) -> tuple[np.ndarray, np.ndarray]:
    mine = strata.stratum == stratum
    return strata.lower[mine], strata.upper[mine]


def best_of(times: int, strata: LifeRecords) -> float:
    """Seconds from plain arrays to fitted strata, collapse included; the quickest of several runs."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        weibull_fits(LifeRecords(strata.lower, strata.upper, stratum=strata.stratum))
        taken.append(time.perf_counter() - start)
    return min(taken)


def lifelines_answers(strata: LifeRecords, which: np.ndarray) -> tuple[float, np.ndarray]:
    """Seconds per stratum, and the log-likelihoods (NaN where lifelines gives up)."""
    values = np.full(which.size, np.nan)
    start = time.perf_counter()
    for i, stratum in enumerate(which):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                fitter = lifelines.WeibullFitter().fit_interval_censoring(*one_of(strata, int(stratum)))
                values[i] = fitter.log_likelihood_
            except Exception:  # whatever it stumbles over: no answer
                continue
    return (time.perf_counter() - start) / which.size, values


def survreg_answers(strata: LifeRecords, which: np.ndarray) -> tuple[float, np.ndarray] | None:
    """The same by R's survreg; None without Rscript or without the survival package."""
    if shutil.which("Rscript") is None:
        return None
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow(["stratum", "lower", "upper", "count"])
    for i, stratum in enumerate(which):
        for lower, upper in zip(*one_of(strata, int(stratum)), strict=True):
            table.writerow([i, lower or "", "" if np.isinf(upper) else upper, 1])
    done = subprocess.run(
        ["Rscript", "-e", SURVREG], input=text.getvalue(), capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        return None
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    values = np.full(which.size, np.nan)
    for each in rows:
        values[int(each["stratum"])] = np.nan if each["value"] == "NA" else float(each["value"])
    return float(rows[0]["seconds"]) / which.size, values


def speed_rows(n_strata: int = N_STRATA) -> list[Row]:
    """Times, and log-likelihoods beside those of the libraries, on strata that have a maximum."""
    strata = small_strata(n_strata)
    fit = weibull_fits(strata)
    ours = best_of(5, strata)
    unnamed = (fit.status == "not found").sum()
    told = f"{(~fit.usable).sum() - unnamed} named, {unnamed} unnamed"
    rows = [
        row(f"batch Weibull, {n_strata:,} strata, collapse included", f"{ours:.3f} s"),
        row("strata without a maximum", told, "every one named", bool(unnamed == 0)),
    ]
    usable = np.flatnonzero(fit.usable)
    for name, answers, sample, target in (
        ("lifelines", lifelines_answers, BY_LIFELINES, FASTER_THAN_LIFELINES),
        ("survreg", survreg_answers, BY_SURVREG, FASTER_THAN_SURVREG),
    ):
        which = usable[:: max(1, usable.size // sample)][:sample]
        found = answers(strata, which)
        if found is None:
            rows.append(row(f"beside {name}", "Rscript or its survival package is not there"))
            continue
        ratio = found[0] * n_strata / ours
        rows.append(row(f"times as fast as {name}", f"{ratio:,.0f}", f"≥ {target:,}", ratio >= target))
        gap = found[1] - fit.log_likelihood[which]
        worst = float(np.nanmax(gap))
        rows.append(
            row(
                f"log-likelihood below {name}, {which.size} strata",
                f"{max(worst, 0):.1e} at most; it is below by 1e-6 or more in {np.nanmean(gap < -1e-6):.0%}",
                f"≤ {LARGEST_GAP:g}",
                worst <= LARGEST_GAP,
            )
        )
    return rows


def intervals(n: int, seed: int = SEED) -> LifeRecords:
    """Lives of which each is known to within 1 to 10 years, no two alike."""
    rng = np.random.default_rng(seed)
    life, width, part = 30 * rng.weibull(3, n), rng.uniform(1, 10, n), rng.random(n)
    return LifeRecords(np.maximum(life - part * width, 0), life + (1 - part) * width)


def unknown_years(n: int, n_years: int = 20, seed: int = SEED) -> LifeRecords:
    """Units inspected once, built in one of many years; a failed one had worked three years before."""
    rng = np.random.default_rng(seed)
    first, taken = rng.integers(1960, 1990, n), 2020 + rng.uniform(0, 6, n)
    failed = 30 * rng.weibull(3, n) <= taken - first - rng.integers(0, n_years, n)
    age = (taken[:, None] - first[:, None] - np.arange(n_years) - 0.5).ravel()
    is_failed = np.repeat(failed, n_years)
    lower, upper = np.where(is_failed, np.maximum(age - 3, 0), age), np.where(is_failed, age, np.inf)
    return LifeRecords(lower, upper, record=np.repeat(np.arange(n), n_years))


def answer_rows(n_intervals: int = 3000, n_mixtures: int = 400, n_strata: int = 100_000) -> list[Row]:
    """Seconds of one processor for a curve, and for the table of many fits with all its intervals."""
    fit = weibull_fits(small_strata(n_strata))
    found = []
    for what, limit, work in (
        (f"curve of {n_intervals:,} distinct intervals", 5, partial(fit_curve, intervals(n_intervals))),
        (f"curve of {n_mixtures} mixtures of 20 years", 5, partial(fit_curve, unknown_years(n_mixtures))),
        (f"table of {n_strata:,} strata", 2, fit.table),
    ):
        start = time.process_time()
        work()
        taken = time.process_time() - start
        found.append(row(what, f"{taken:.2f} s", f"≤ {limit} s", taken <= limit))
    return found


def rows() -> list[Row]:
    """Every row of the study."""
    return [*speed_rows(), *answer_rows()]


if __name__ == "__main__":
    tell_parts(speed=speed_rows, answer=answer_rows)
