"""Whether a Weibull curve sums up the lives of one stratum fairly, and whether risk changes with age."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
from scipy.optimize import minimize
from scipy.special import chdtrc, log_expit, log_ndtr

from reliability.errors import InvalidInput
from reliability.life.likelihood import OK
from reliability.life.lives import Collapsed, FloatArray, LifeRecords, collapse
from reliability.life.weibull import weibull_fits

# ---- Standard distributions of log life: what lognormal, log-logistic and Weibull lives have in common
# Each has F((log t - location) / spread) failed by age t. Probabilities of intervals are formed so that
# they keep their digits far out in either tail.


class LogShape(Protocol):
    """Log-probabilities of a standard distribution on the whole line."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""


class SmallestExtreme:
    """Logs of Weibull lives: F(z) = 1 - exp(-exp(z))."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return z - np.exp(z)

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        worked = np.exp(low)
        return np.log(-np.expm1(worked - np.exp(high))) - worked


class Normal:
    """Logs of lognormal lives."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi)

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        # In the upper tail both ends are mirrored: there the distribution function rounds to 1.
        upper = low > 0
        left, right = np.where(upper, -high, low), np.where(upper, -low, high)
        above = log_ndtr(right)
        return np.asarray(above + np.log(-np.expm1(log_ndtr(left) - above)))


class Logistic:
    """Logs of log-logistic lives: F(z) = 1 / (1 + exp(-z))."""

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log of the density at z."""
        return np.asarray(log_expit(z) + log_expit(-z))

    def log_between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Log of the probability of (low, high]; the ends may be infinite."""
        return np.asarray(log_expit(high) + log_expit(-low) + np.log(-np.expm1(low - high)))


LOG_SHAPES: dict[str, LogShape] = {"lognormal": Normal(), "log-logistic": Logistic()}


# ---- Whether a Weibull curve sums up the lives of one stratum fairly, and whether risk changes with age


FAIR = "fair summary"
ANOTHER = "another shape fits better"
TOO_FEW = "too few to tell"

# Differences of AIC, after K. P. Burnham and D. R. Anderson (2002), Model Selection and Multimodel
# Inference, 2nd ed., sec. 2.6: up to 2 the poorer model keeps substantial support, from 4 on
# considerably less.
_NO_DIFFERENCE = 2.0
_CLEARLY_WORSE = 4.0
# Below this many lives neither answer should be given: common practice, no source.
_FEWEST_LIVES = 10.0
# Of log-likelihood and of the parameters, where a search ends.
_TOLERANCE = 1e-9


@dataclass(frozen=True, eq=False)
class ModelCheck:
    """How four shapes of life fit the same records.

    Attributes
    ----------
    status : str
        As in `WeibullFit`; without "ok" there are no numbers.
    verdict : str
        "fair summary", "another shape fits better" or "too few to tell".
    best : str
        Shape with the smallest AIC; "" without numbers.
    shape : float
        Weibull shape, dimensionless.
    ageing_statistic, ageing_p : float
        Likelihood ratio against shape 1 (risk does not depend on age) and its two-sided p-value from
        chi-square with 1 degree of freedom.
    n_records : float
    """

    status: str
    verdict: str
    best: str
    shape: float
    ageing_statistic: float
    ageing_p: float
    n_records: float
    _table: pd.DataFrame

    @property
    def sentence(self) -> str:
        """The verdict in plain words, for a report."""
        if self.status != OK:
            return f"No curve can be fitted ({self.status}), so there is nothing to check."
        words = {
            FAIR: "A Weibull curve is a fair summary of these lives.",
            ANOTHER: f"A {self.best} curve fits these lives clearly better than a Weibull curve.",
            TOO_FEW: "There are too few records to tell whether another curve would fit better.",
        }
        return f"{words[self.verdict]} {self._ageing()}"

    def _ageing(self) -> str:
        if self.ageing_p > 0.05:
            return f"They do not show that the risk changes with age (p = {self.ageing_p:.2g})."
        way = "grows" if self.shape > 1 else "falls"
        return f"The risk {way} with age (p = {self.ageing_p:.2g})."

    def table(self) -> pd.DataFrame:
        """One row per shape of life, the best first.

        Returns
        -------
        DataFrame
            Columns model, n_parameters, log_likelihood, aic, aic_difference, location, spread: for
            Weibull and exponential the last two are log(scale) and 1 / shape, for lognormal mean and
            standard deviation of log life, for log-logistic their like. Ages in years.
        """
        return self._table.copy()


def check_model(records: LifeRecords) -> ModelCheck:
    """Compare Weibull, exponential, lognormal and log-logistic lives on the records of one stratum.

    Parameters
    ----------
    records : LifeRecords
        One stratum: witnessed, interval, left- and right-censored lives, alternatives included.

    Returns
    -------
    ModelCheck

    Raises
    ------
    InvalidInput
        If the records belong to more than one stratum.

    Notes
    -----
    AIC is 2 x parameters - 2 x log-likelihood. "Too few to tell" is said below ten lives, or where no
    shape is worse than another by 2 or more; "another shape fits better" where Weibull is worse than
    the best by 4 or more.

    References
    ----------
    .. [1] K. P. Burnham and D. R. Anderson (2002), *Model Selection and Multimodel Inference*, 2nd ed.,
       Springer, sec. 2.6.
    """
    if records.strata.size != 1:
        raise InvalidInput(
            f"A model check takes the records of one stratum; these have {records.strata.size} strata "
            f"({', '.join(str(s) for s in records.strata[:5])}{', ...' if records.strata.size > 5 else ''})."
        )
    fit = weibull_fits(records)
    if not fit.usable[0]:
        return _nothing(str(fit.status[0]), float(fit.n_records[0]))
    lives = _Lives(collapse(records))
    start = np.array([np.log(fit.scale[0]), -np.log(fit.shape[0])])
    rows = [_row("Weibull", 2, float(fit.log_likelihood[0]), start)]
    rows += [_row(name, 2, *lives.best(shape, start)) for name, shape in LOG_SHAPES.items()]
    ageless = lives.best_ageless(start[0])
    rows.append(_row("exponential", 1, *ageless))
    table = pd.DataFrame(rows).sort_values("aic", kind="stable", ignore_index=True)
    table.insert(4, "aic_difference", table["aic"] - table["aic"].iloc[0])
    ratio = max(0.0, 2.0 * (float(fit.log_likelihood[0]) - ageless[0]))
    return ModelCheck(
        status=OK,
        verdict=_verdict(table, float(fit.n_records[0])),
        best=str(table["model"].iloc[0]),
        shape=float(fit.shape[0]),
        ageing_statistic=ratio,
        ageing_p=float(chdtrc(1, ratio)),
        n_records=float(fit.n_records[0]),
        _table=table,
    )


def _nothing(status: str, n_records: float) -> ModelCheck:
    columns = ["model", "n_parameters", "log_likelihood", "aic", "aic_difference", "location", "spread"]
    none = float("nan")
    return ModelCheck(status, TOO_FEW, "", none, none, none, n_records, pd.DataFrame(columns=columns))


def _row(name: str, n_parameters: int, value: float, at: FloatArray) -> dict[str, object]:
    return {
        "model": name,
        "n_parameters": n_parameters,
        "log_likelihood": value,
        "aic": 2.0 * n_parameters - 2.0 * value,
        "location": float(at[0]),
        "spread": float(np.exp(at[1])),
    }


def _verdict(table: pd.DataFrame, n_records: float) -> str:
    behind = float(table.loc[table["model"] == "Weibull", "aic_difference"].iloc[0])
    if n_records < _FEWEST_LIVES or table["aic_difference"].max() < _NO_DIFFERENCE:
        return TOO_FEW
    return ANOTHER if behind >= _CLEARLY_WORSE else FAIR


class _Lives:
    """Records of one stratum, ready for a log-likelihood in (location, log spread) of log life."""

    def __init__(self, data: Collapsed) -> None:
        tables = (data.single, data.mixed)
        self._lower = np.concatenate([rows.lower for rows in tables])
        upper = np.concatenate([rows.upper for rows in tables])
        with np.errstate(divide="ignore"):  # never seen working is minus infinity
            self._low, self._high = np.log(self._lower), np.log(upper)
            self._log_weight = np.log(np.concatenate([rows.weight for rows in tables]))
        self._exact = self._lower == upper
        self._start = np.concatenate((data.single.start, data.mixed.start + len(data.single)))
        self._length = np.diff(np.append(self._start, upper.size))
        self._count = np.concatenate([rows.count[rows.start] for rows in tables])

    def log_likelihood(self, shape: LogShape, location: float, log_spread: float) -> float:
        """Sum over the records; hugely negative where a record is impossible in double precision."""
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            low, high = ((end - location) * np.exp(-log_spread) for end in (self._low, self._high))
            known = self._exact
            joint = self._log_weight.copy()
            joint[known] += shape.log_density(low[known]) - log_spread - self._low[known]
            joint[~known] += shape.log_between(low[~known], high[~known])
            top = np.maximum.reduceat(joint, self._start)
            rest = np.add.reduceat(np.exp(joint - np.repeat(top, self._length)), self._start)
            total = float((self._count * (top + np.log(rest))).sum())
        return total if np.isfinite(total) else -1e100

    def best(self, shape: LogShape, start: FloatArray) -> tuple[float, FloatArray]:
        """Find the largest log-likelihood from the Weibull's place, a flatter and a steeper one."""

        def loss(at: FloatArray, *_: object) -> float:
            return -self.log_likelihood(shape, at[0], at[1])

        starts = [start + np.array([0.0, shift]) for shift in (0.0, -1.0, 1.0)]
        found = [minimize(loss, place, method="Nelder-Mead", tol=_TOLERANCE) for place in starts]
        best = min(found, key=lambda one: float(one.fun))
        return -float(best.fun), np.asarray(best.x)

    def best_ageless(self, location: float) -> tuple[float, FloatArray]:
        """Find the largest log-likelihood at shape 1, that is spread 1, where only the location is free."""
        shape = SmallestExtreme()

        def loss(at: FloatArray, *_: object) -> float:
            return -self.log_likelihood(shape, at[0], 0.0)

        found = minimize(loss, np.array([location]), method="Nelder-Mead", tol=_TOLERANCE)
        return -float(found.fun), np.array([found.x[0], 0.0])
