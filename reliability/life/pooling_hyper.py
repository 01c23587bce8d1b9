"""What the families of one component have in common, and what is believed of it beforehand."""

from dataclasses import dataclass

import numpy as np

from reliability.errors import InvalidInput
from reliability.life.life_records import FloatArray, IntArray
from reliability.life.pooling_grid import Lattice

N_COMMON = 3
"""Mean log shape, log spread of the scales, log spread of the shapes; the kinds' centres follow."""


@dataclass(frozen=True)
class Hyperprior:
    r"""Prior beliefs about the parts of home electronics, weak enough to be overruled.

    The defaults are common practice, no source.

    For family f of kind k, built d decades after the reference year:
    log scale = centre_k + slope d + normal(0, spread of scales), log shape = mean + normal(0, spread of
    shapes), centre_k = mean + normal(0, spread of kinds). The spreads are ``hypot(least_spread, s)``
    with s lognormal.

    Parameters
    ----------
    scale_years, scale_sd : float
        Mean log scale is normal around ``log(scale_years)``. The defaults, 30 years and 1, put the
        typical scale of a component between 4 and 213 years (95 %).
    shape, shape_sd : float
        Mean log shape is normal around ``log(shape)``. The defaults, 2 and 0.5, put the typical shape
        between 0.75 and 5.3: from no ageing at all to sudden wear-out.
    scale_spread, shape_spread, kind_spread : float
        Medians of s for the spread of families in log scale (0.35: a factor of 1.4 either way) and log
        shape (0.2), and of kinds in log scale (0.2).
    spread_sd : float
        Standard deviation of log s; 0.7 puts each spread within a factor of 4 of its median (95 %).
    slope_sd : float
        The change of log scale per decade of production year is normal around 0; 0.25 means a third
        longer or shorter per decade is nothing unusual.
    least_spread : float
        Two families are never closer than this.

    Raises
    ------
    InvalidInput
        If a value is not above 0 and finite, or `least_spread` is below 0.02.
    """

    scale_years: float = 30.0
    scale_sd: float = 1.0
    shape: float = 2.0
    shape_sd: float = 0.5
    scale_spread: float = 0.35
    shape_spread: float = 0.2
    kind_spread: float = 0.2
    spread_sd: float = 0.7
    slope_sd: float = 0.25
    least_spread: float = 0.1

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0 < value < np.inf:
                raise InvalidInput(f"Hyperprior: `{name}` must be above 0 and finite, got {value!r}.")
        if self.least_spread < 0.02:
            raise InvalidInput(
                "Hyperprior: `least_spread` must be 0.02 or above (lattices are no finer), "
                f"got {self.least_spread!r}."
            )

    def spread(self, log_s: FloatArray) -> FloatArray:
        """Spread that belongs to a value of log s."""
        return np.hypot(self.least_spread, np.exp(log_s))

    @property
    def centre_sd(self) -> float:
        """Standard deviation of the centre of one kind."""
        return float(np.hypot(self.scale_sd, self.spread(np.log(self.kind_spread))))

    def common_mean(self) -> FloatArray:
        """Prior means of mean log shape, log s of the scales, log s of the shapes."""
        return np.log([self.shape, self.scale_spread, self.shape_spread])

    def common_sd(self) -> FloatArray:
        """Prior standard deviations of the same."""
        return np.array([self.shape_sd, self.spread_sd, self.spread_sd])


@dataclass(frozen=True, eq=False)
class Evidence:
    """Families of one component with their likelihoods, for one slope.

    Attributes
    ----------
    lattices : list of Lattice
    kind : ndarray of int64, shape (n_families,)
    n_kinds : int
    shift : ndarray of float64, shape (n_families,)
        What the slope adds to the family's centre at its mean production year.
    power : ndarray of float64, shape (n_families,)
    """

    lattices: list[Lattice]
    kind: IntArray
    n_kinds: int
    shift: FloatArray
    power: FloatArray
