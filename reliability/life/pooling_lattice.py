"""Lattices of log scale and log shape, and what the common parameters make of each family there."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reliability.errors import InvalidInput
from reliability.life.lives import BoolArray, FloatArray, IntArray
from reliability.life.pooling_records import SMALLEST, Rows, log_likelihood

# ---- Lattices of log scale and log shape: for every family where its posterior lies, as fine as it needs


SingleArray = NDArray[np.float32]

SMALLEST_SINGLE = 1e-37
"""Stands for a sum that vanished in single precision."""

DEPTH = 9.0
"""A lattice reaches to where the log posterior is this far below its peak: 4.2 standard deviations."""

REACH = 4.2
"""The same depth in standard deviations of a normal distribution: sqrt(2 DEPTH)."""

FARTHER = (4.0, 1.5)
"""The search begins this much beyond the reach of the prior in log scale and log shape, so that a family
unlike all others is found."""

ROWS_OF_SHAPE = 11
NODES_IN_ROW = 10
MOST_ZOOMS = 12
NODE_NUMBERS = (16, 28, 48, 84, 150, 270, 480, 860, 1500)
"""Few different numbers of nodes, so that families share a block of work."""

MOST_SHAPES = 200

STEP = 1.5
"""Widest step of a lattice in standard deviations; a sum over a normal density is then off by 0.03 %."""


@dataclass(frozen=True, eq=False)
class NormalPrior:
    """Independent normal priors of log scale and log shape; every array has the shape (F,)."""

    scale_mean: FloatArray
    scale_sd: FloatArray
    shape_mean: FloatArray
    shape_sd: FloatArray

    def of(self, families: IntArray) -> "NormalPrior":
        """Priors of some of the families."""
        fields = (self.scale_mean, self.scale_sd, self.shape_mean, self.shape_sd)
        return NormalPrior(*(values[families] for values in fields))

    def log_density(self, log_scale: FloatArray, log_shape: FloatArray) -> FloatArray:
        """Log density at (F, I, J) scales and (F, J) shapes, without its constant."""
        x = (log_scale - self.scale_mean[:, None, None]) / self.scale_sd[:, None, None]
        y = (log_shape - self.shape_mean[:, None]) / self.shape_sd[:, None]
        return -0.5 * (x**2 + (y**2)[:, None, :])


@dataclass(frozen=True, eq=False)
class Lattice:
    """Regular lattices of some families with equally many nodes, and their likelihoods.

    Attributes
    ----------
    family : ndarray of int64, shape (F,)
        Positions of the families in their component, ascending.
    log_scale : ndarray of float64, shape (F, I)
        For units of the family's mean production year.
    log_shape : ndarray of float64, shape (F, J)
    likelihood : ndarray of float32, shape (F, I, J)
        Relative to its greatest value in the family.
    log_peak : ndarray of float64, shape (F,)
        Log of that greatest value.
    """

    family: IntArray
    log_scale: FloatArray
    log_shape: FloatArray
    likelihood: SingleArray
    log_peak: FloatArray

    @property
    def log_cell(self) -> FloatArray:
        """Log of the area that a node stands for; ndarray of float64, shape (F,)."""
        steps = [axis[:, 1] - axis[:, 0] for axis in (self.log_scale, self.log_shape)]
        return np.log(steps[0] * steps[1])


@dataclass(frozen=True, eq=False)
class Boxes:
    """Where the posteriors of families lie; arrays of shape (F,), `step` the widest one allowed."""

    scale_low: FloatArray
    scale_high: FloatArray
    scale_step: FloatArray
    shape_low: FloatArray
    shape_high: FloatArray
    shape_step: FloatArray


def find_boxes(rows: Rows, prior: NormalPrior, slope: float) -> Boxes:
    """Box around the posterior of each family, under one normal prior each.

    For a given shape the log posterior is concave in log scale (nearly so where records are mixtures
    over years), so nodes along that line enclose its upper part safely, however narrow it is. A family
    is looked at again, ever closer, until its box stops shrinking.

    Parameters
    ----------
    rows : Rows
        Records of F families.
    prior : NormalPrior
    slope : float
        Change of log scale per decade of production year.

    Returns
    -------
    Boxes
    """
    n = prior.scale_mean.size
    low, high = (prior.scale_mean + sign * (REACH * prior.scale_sd + FARTHER[0]) for sign in (-1, 1))
    row_low, row_high = (np.repeat(edge[:, None], ROWS_OF_SHAPE, axis=1) for edge in (low, high))
    shape_low, shape_high = (
        prior.shape_mean + sign * (REACH * prior.shape_sd + FARTHER[1]) for sign in (-1, 1)
    )
    thinnest = np.full(n, np.inf)
    left = np.arange(n)
    for _ in range(MOST_ZOOMS):
        if left.size == 0:
            break
        log_shape = _between(shape_low[left], shape_high[left], ROWS_OF_SHAPE)
        view = _View(rows.pick(left, n), prior.of(left), row_low[left], row_high[left], log_shape, slope)
        was = shape_high[left] - shape_low[left]
        row_low[left], row_high[left], row_shrank = view.zoomed_rows()
        thinnest[left] = view.thinnest()
        low[left], high[left] = view.scale_range()
        # Shapes are narrowed only once the lines along the scales have settled.
        narrow_low, narrow_high = view.shape_range()
        settled = ~row_shrank
        shape_shrank = settled & (narrow_high - narrow_low < 0.6 * was)
        shape_low[left] = np.where(settled, narrow_low, shape_low[left])
        shape_high[left] = np.where(settled, narrow_high, shape_high[left])
        again = left[shape_shrank]
        hull_low, hull_high = view.hull(row_low[left], row_high[left], narrow_low, narrow_high)
        row_low[again], row_high[again] = hull_low[shape_shrank, None], hull_high[shape_shrank, None]
        left = left[row_shrank | shape_shrank]
    sd_shape = (shape_high - shape_low) / (2 * REACH)
    return Boxes(low, high, STEP * thinnest, shape_low, shape_high, STEP * sd_shape)


class _View:
    """Log posterior along lines of constant shape."""

    def __init__(
        self,
        rows: Rows,
        prior: NormalPrior,
        low: FloatArray,
        high: FloatArray,
        log_shape: FloatArray,
        slope: float,
    ) -> None:
        share = np.linspace(0.0, 1.0, NODES_IN_ROW)[:, None]
        self.x = low[:, None, :] + (high - low)[:, None, :] * share
        self.y = log_shape
        self.log_posterior = log_likelihood(rows, self.x, log_shape, slope) + prior.log_density(
            self.x, log_shape
        )
        self.row_peak = self.log_posterior.max(axis=1)
        self.peak = self.row_peak.max(axis=1)

    def zoomed_rows(self) -> tuple[FloatArray, FloatArray, BoolArray]:
        """Closer ends of each line, and which families are worth another look."""
        inside = self.log_posterior > self.row_peak[:, None, :] - DEPTH
        first, last = _ends(np.moveaxis(inside, 1, -1))
        x = np.moveaxis(self.x, 1, -1)
        low, high = _at(x, first), _at(x, last)
        matters = self.row_peak > self.peak[:, None] - DEPTH
        shrank = (last - first) < 0.6 * (NODES_IN_ROW - 1)
        return low, high, (shrank & matters).any(axis=1)

    def hull(
        self, low: FloatArray, high: FloatArray, shape_low: FloatArray, shape_high: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Enclose all lines between two shapes: the posterior may lean from one to the next."""
        between = (self.y >= shape_low[:, None] - 1e-9) & (self.y <= shape_high[:, None] + 1e-9)
        return np.where(between, low, np.inf).min(axis=1), np.where(between, high, -np.inf).max(axis=1)

    def thinnest(self) -> FloatArray:
        """Smallest standard deviation of log scale given shape, near the peak."""
        inside = self.log_posterior > self.row_peak[:, None, :] - DEPTH
        step = (self.x[:, -1, :] - self.x[:, 0, :]) / (NODES_IN_ROW - 1)
        width = inside.sum(axis=1) * step
        near = self.row_peak > self.peak[:, None] - 1.0
        return np.where(near, width / (2 * REACH), np.inf).min(axis=1)

    def scale_range(self) -> tuple[FloatArray, FloatArray]:
        """Find the ends of what matters on the axis of log scale."""
        x, value = np.moveaxis(self.x, 1, -1), np.moveaxis(self.log_posterior, 1, -1)
        level = self.peak[:, None] - DEPTH
        low, high = _crossings(x, value, level)
        matters = self.row_peak > level
        return np.where(matters, low, np.inf).min(axis=1), np.where(matters, high, -np.inf).max(axis=1)

    def shape_range(self) -> tuple[FloatArray, FloatArray]:
        """Find the ends of what matters on the axis of log shape."""
        return _crossings(self.y, self.row_peak, self.peak - DEPTH)


def _crossings(x: FloatArray, value: FloatArray, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where values first and last cross a level along the last axis, by straight lines; else the ends."""
    inside = value > level[..., None]
    first, last = _ends(inside)
    found = []
    for outer, inward in ((first, 1), (last, -1)):
        inner = np.clip(outer + inward, 0, x.shape[-1] - 1)
        x0, x1, v0, v1 = (_at(array, node) for array in (x, value) for node in (outer, inner))
        is_outside = v0 < level
        part = np.where(is_outside, level - v0, 0.0) / np.where(is_outside & (v1 > v0), v1 - v0, 1.0)
        # Between few nodes inside, the peak may lie anywhere up to their neighbours.
        part = np.where(inside.sum(axis=-1) > 3, np.minimum(part, 1.0), 0.0)
        found.append(x0 + part * (x1 - x0))
    return found[0], found[1]


def _at(array: FloatArray, node: IntArray) -> FloatArray:
    """Value at one node of the last axis."""
    return np.take_along_axis(array, node[..., None], axis=-1)[..., 0]


def _ends(inside: BoolArray) -> tuple[IntArray, IntArray]:
    """Nodes just outside the first and last true one along the last axis, or the very last ones."""
    n = inside.shape[-1]
    first = np.argmax(inside, axis=-1)
    last = n - 1 - np.argmax(inside[..., ::-1], axis=-1)
    return np.maximum(first - 1, 0), np.minimum(last + 1, n - 1)


def _between(low: FloatArray, high: FloatArray, n: int) -> FloatArray:
    """`n` regular nodes from `low` to `high`; shape (F, n)."""
    return low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, n)


@dataclass(frozen=True, eq=False)
class Axes:
    """Axes of the lattices of families with equally many nodes; see `Lattice`.

    Attributes
    ----------
    belief : ndarray of float64, shape (F,)
        Power of the likelihood. 1, but for families of tens of thousands of records at one age: there the
        likelihood is a ridge too thin for any lattice, and is widened to the thinnest that is not.
    """

    family: IntArray
    log_scale: FloatArray
    log_shape: FloatArray
    belief: FloatArray

    def evaluate(self, rows: Rows, n_families: int, slope: float) -> Lattice:
        """Likelihood at the nodes for one slope."""
        picked = rows.pick(self.family, n_families)
        log_like = log_likelihood(picked, self.log_scale[:, :, None], self.log_shape, slope)
        log_like *= self.belief[:, None, None]
        peak = log_like.max(axis=(1, 2))
        likelihood = np.exp(log_like - peak[:, None, None]).astype(np.float32)
        return Lattice(self.family, self.log_scale, self.log_shape, likelihood, peak)


def lay_axes(boxes: Boxes, scale_step: float, shape_step: float) -> list[Axes]:
    """Axes over the boxes, with steps no wider than given or than the posterior needs.

    Parameters
    ----------
    boxes : Boxes
        Of F families.
    scale_step, shape_step : float
        Widest steps that the priors allow (they may be narrower than the boxes).

    Returns
    -------
    list of Axes
        Groups of families with equally many nodes.
    """
    if boxes.scale_low.size == 0:
        return []
    step = np.minimum(boxes.scale_step, scale_step)
    wanted = np.ceil((boxes.scale_high - boxes.scale_low) / step) + 1
    choice = np.minimum(np.searchsorted(NODE_NUMBERS, wanted), len(NODE_NUMBERS) - 1)
    belief = np.minimum(1.0, NODE_NUMBERS[-1] / wanted) ** 2
    step = np.minimum(boxes.shape_step, shape_step)
    n_shapes = int(np.ceil((boxes.shape_high - boxes.shape_low) / step).max()) + 1
    axes = []
    for number in np.unique(choice):
        family = np.flatnonzero(choice == number)
        log_scale = _between(boxes.scale_low[family], boxes.scale_high[family], NODE_NUMBERS[number])
        log_shape = _between(
            boxes.shape_low[family], boxes.shape_high[family], int(np.clip(n_shapes, 8, MOST_SHAPES))
        )
        axes.append(Axes(family, log_scale, log_shape, belief[family]))
    return axes


# ---- What the families of one component have in common, and what is believed of it beforehand


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


# ---- What the common parameters make of each family: marginal likelihoods and posteriors on lattices


ELEMENTS_AT_ONCE = 500_000
"""Numbers held in one block of work."""


@dataclass(frozen=True, eq=False)
class Nodes:
    """Quadrature nodes of the common parameters, for one slope.

    Attributes
    ----------
    common : ndarray of float64, shape (H, 3)
        Mean log shape, log s of the scales, log s of the shapes.
    log_weight : ndarray of float64, shape (H,)
        Log of the volume that each stands for.
    centre : ndarray of float64, shape (n_kinds, H, Q)
        Centres of the kinds, for each of the H.
    log_width : ndarray of float64, shape (n_kinds, Q)
        Log of the length that each centre stands for.
    """

    common: FloatArray
    log_weight: FloatArray
    centre: FloatArray
    log_width: FloatArray


def log_normal(x: FloatArray, mean: FloatArray | float, sd: FloatArray | float) -> FloatArray:
    """Log density of a normal distribution."""
    return -0.5 * ((x - mean) / sd) ** 2 - np.log(sd * np.sqrt(2 * np.pi))


def normalised(log_weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Log of the sum along the last axis, and the weights divided by it."""
    top = log_weight.max(axis=-1, keepdims=True)
    weight = np.exp(log_weight - top)
    total = weight.sum(axis=-1, keepdims=True)
    return (np.log(total) + top)[..., 0], weight / total


@dataclass(frozen=True, eq=False)
class _Block:
    """Prior densities at the nodes of some families' lattices, for every node of the common parameters.

    The densities are relative to their greatest value within reach of the lattice, so that none of
    them vanishes however far a family lies from the others.

    Attributes
    ----------
    rows : slice
        The families, among those of the lattice.
    family : ndarray of int64, shape (F,)
    scale : ndarray of float32, shape (F, I, H, Q)
        Relative density of log scale.
    shape : ndarray of float32, shape (F, J, H)
        Relative density of log shape.
    log_greatest : ndarray of float64, shape (F, H, Q)
        Log density that both are relative to.
    """

    rows: slice
    family: IntArray
    scale: SingleArray
    shape: SingleArray
    log_greatest: FloatArray


def _blocks(lattice: Lattice, evidence: Evidence, nodes: Nodes, spread: FloatArray) -> Iterator[_Block]:
    n_families, n_scales = lattice.log_scale.shape
    n_rows = max(1, ELEMENTS_AT_ONCE // (n_scales * nodes.centre[0].size))
    constant = -np.log(2 * np.pi * spread[:, 0] * spread[:, 1])[:, None]
    for first in range(0, n_families, n_rows):
        rows = slice(first, min(first + n_rows, n_families))
        family = lattice.family[rows]
        centre = nodes.centre[evidence.kind[family]] + evidence.shift[family, None, None]
        scale, top_scale = _relative_density(lattice.log_scale[rows], centre, spread[:, :1])
        shape, top_shape = _relative_density(
            lattice.log_shape[rows],
            np.broadcast_to(nodes.common[:, 0], (family.size, len(spread))),
            spread[:, 1],
        )
        yield _Block(rows, family, scale, shape, top_scale + top_shape[:, :, None] + constant)


def _relative_density(
    axis: FloatArray, centre: FloatArray, spread: FloatArray
) -> tuple[SingleArray, FloatArray]:
    """Find normal densities on axes (F, n) for centres (F, ...), and the log of what they are relative to."""
    ends = (axis[:, edge].reshape(-1, *[1] * (centre.ndim - 1)) for edge in (0, -1))
    nearest = 0.5 * ((np.clip(centre, *ends) - centre) / spread) ** 2
    at = axis.reshape(*axis.shape, *[1] * (centre.ndim - 1))
    density = (at - centre[:, None]).astype(np.float32)
    density /= spread.astype(np.float32)
    np.square(density, out=density)
    density *= -0.5
    density += nearest[:, None].astype(np.float32)
    return np.exp(density, out=density), -nearest


def marginals(evidence: Evidence, nodes: Nodes, prior: Hyperprior) -> FloatArray:
    """Log marginal likelihood of each family at each node.

    Returns
    -------
    ndarray of float64, shape (n_families, H, Q)
    """
    spread = prior.spread(nodes.common[:, 1:])
    log_marginal = np.empty((evidence.kind.size, *nodes.centre.shape[1:]))
    for lattice in evidence.lattices:
        own = (lattice.log_cell + lattice.log_peak)[:, None, None]
        for block in _blocks(lattice, evidence, nodes, spread):
            over_shapes = lattice.likelihood[block.rows] @ block.shape
            mass = np.einsum("fih,fihq->fhq", over_shapes, block.scale).astype(np.float64)
            log_marginal[block.family] = (
                np.log(np.maximum(mass, SMALLEST_SINGLE)) + block.log_greatest + own[block.rows]
            )
    return log_marginal


def posteriors(
    evidence: Evidence, nodes: Nodes, prior: Hyperprior, weight: FloatArray, log_marginal: FloatArray
) -> Iterator[FloatArray]:
    """Posterior of each family, averaged over the common parameters.

    Parameters
    ----------
    evidence : Evidence
    nodes : Nodes
    prior : Hyperprior
    weight : ndarray of float64, shape (n_kinds, H, Q)
        Posterior probabilities of the nodes.
    log_marginal : ndarray of float64, shape (n_families, H, Q)

    Yields
    ------
    ndarray of float64, shape (F, I, J)
        Probabilities of a lattice's nodes, in the order of ``evidence.lattices``.
    """
    spread = prior.spread(nodes.common[:, 1:])
    log_weight = np.log(np.maximum(weight, SMALLEST))
    for lattice in evidence.lattices:
        posterior = np.empty(lattice.likelihood.shape)
        for block in _blocks(lattice, evidence, nodes, spread):
            # Given the nodes, a family's posterior is likelihood x prior / marginal likelihood.
            log_ratio = (
                log_weight[evidence.kind[block.family]] - log_marginal[block.family] + block.log_greatest
            )
            ratio = np.exp(log_ratio - log_ratio.max(axis=(1, 2), keepdims=True)).astype(np.float32)
            mixture = np.einsum("fihq,fhq->fih", block.scale, ratio)
            posterior[block.rows] = mixture @ np.swapaxes(block.shape, 1, 2)
        posterior *= lattice.likelihood
        posterior /= posterior.sum(axis=(1, 2), keepdims=True)
        yield posterior
