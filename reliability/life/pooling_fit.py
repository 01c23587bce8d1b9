"""One component, from its records to the posteriors of its families."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reliability.life.life_records import FloatArray
from reliability.life.pooling_average import Averaged, average, find_bends
from reliability.life.pooling_grid import STEP, Axes, Boxes, NormalPrior, find_boxes, lay_axes
from reliability.life.pooling_hyper import N_COMMON, Evidence, Hyperprior
from reliability.life.pooling_kernels import log_normal, posteriors
from reliability.life.pooling_peak import Peak, find_peak, find_start
from reliability.life.pooling_posterior import Posterior, combine
from reliability.life.pooling_records import ComponentRecords
from reliability.life.pooling_unseen import unseen_families

DRAFT_SPREAD = 0.3
"""Least spread while only the rough place of the common parameters is sought."""

SLIGHT = 0.12
"""A negative probability of a slope this small is set to 0."""

ROUNDS = 5
"""How often nodes are laid anew until they lie where the posterior is."""


@dataclass(frozen=True, eq=False)
class Common:
    """What the families of one component share, as far as it is known.

    Attributes
    ----------
    mean, sd : ndarray of float64, shape (3,)
        Mean log shape, log s of the scales, log s of the shapes (see `Hyperprior`).
    slope_mean, slope_sd : float
        Change of log scale per decade of production year.
    log_evidence : float
        Log marginal likelihood of all records.
    """

    mean: FloatArray
    sd: FloatArray
    slope_mean: float
    slope_sd: float
    log_evidence: float


@dataclass(frozen=True, eq=False)
class _AtSlope:
    """Common parameters at one slope; `log_prior` is that of the slope."""

    slope: float
    log_prior: float
    evidence: Evidence
    peak: Peak


@dataclass(frozen=True)
class _Slope:
    """Normal approximation of the posterior of the slope, and the log marginal likelihood."""

    mean: float
    sd: float
    log_evidence: float


@dataclass(frozen=True, eq=False)
class _Place:
    """Rough slope with its standard deviation, and the common parameters there under some prior."""

    slope: float
    slope_sd: float
    peak: Peak
    prior: Hyperprior

    def nodes(self) -> FloatArray:
        """Slopes to look at: three that can stand for a normal distribution, or 0 without years."""
        return self.slope + np.sqrt(3.0) * self.slope_sd * np.arange(-1, 2) if self.slope_sd else np.zeros(1)

    def found(self, log_posterior: Sequence[float]) -> _Slope:
        """Slope by the log posterior at the nodes."""
        if not self.slope_sd:
            return _Slope(0.0, self.prior.slope_sd, log_posterior[0])
        mean, sd, top = _parabola(log_posterior, self.slope, np.sqrt(3.0) * self.slope_sd, self.prior)
        return _Slope(mean, sd, top + float(np.log(sd * np.sqrt(2 * np.pi))))

    def next(self, found: _Slope, peak: Peak, prior: Hyperprior) -> "_Place":
        """Where to look next; a peak outside of the nodes does not yet tell how wide it is."""
        is_outside = abs(found.mean - self.slope) > self.slope_sd
        least = (0.9 if is_outside else 0.1) * self.slope_sd
        return _Place(found.mean, max(found.sd, least), peak, prior)

    def chances(self, found: _Slope) -> FloatArray:
        """Probabilities of the nodes that give them the mean and the variance found; some may be negative."""
        if not self.slope_sd:
            return np.ones(1)
        shift, spread = (found.mean - self.slope) / self.slope_sd, found.sd / self.slope_sd
        outer = (spread**2 + shift**2) / 3
        return np.array([(outer - shift / 3**0.5) / 2, 1 - outer, (outer + shift / 3**0.5) / 2])


def _parabola(
    values: Sequence[float], middle: float, half: float, prior: Hyperprior
) -> tuple[float, float, float]:
    """Place, standard deviation and height of the peak of a log posterior known at three slopes."""
    rise = (values[2] - values[0]) / (2 * half)
    bend = max((2 * values[1] - values[0] - values[2]) / half**2, 0.3 / prior.slope_sd**2)
    shift = float(np.clip(rise / bend, -2 * half, 2 * half))
    top = values[1] + rise * shift - 0.5 * bend * shift**2
    return middle + shift, float(bend**-0.5), float(top)


def fit_component(
    records: ComponentRecords, prior: Hyperprior, *, has_kinds: bool
) -> tuple[Posterior, Common]:
    """Posteriors of the families of one component.

    A draft on wide lattices finds where the common parameters and the slope lie. Lattices are then laid
    where that puts each family, and the common parameters are averaged over at three slopes.

    Parameters
    ----------
    records : ComponentRecords
    prior : Hyperprior
    has_kinds : bool
        Whether kinds vary around a mean of their own.

    Returns
    -------
    Posterior
        One entry for each family of the records, then one for an unseen family of each kind, then
        one for an unseen family of an unseen kind.
    Common
    """
    fit = _Fit(records, prior, has_kinds)
    place = fit.draft()
    for _ in range(ROUNDS):
        at_slopes = fit.at_slopes(place)
        found = place.found([a.peak.log_evidence + a.log_prior for a in at_slopes])
        if place.chances(found).min() > -SLIGHT:
            break
        place = place.next(found, at_slopes[1].peak, prior)
    middle = at_slopes[len(at_slopes) // 2]
    bends = find_bends(middle.evidence, middle.peak, prior)
    averages = [average(a.evidence, a.peak, bends, prior, has_kinds=has_kinds) for a in at_slopes]
    found = place.found([m.log_evidence + a.log_prior for a, m in zip(at_slopes, averages, strict=True)])
    chance = np.maximum(place.chances(found), 0.0)
    return fit.finish(at_slopes, averages, chance / chance.sum(), found)


class _Fit:
    """The steps of a fit, with what they share."""

    def __init__(self, records: ComponentRecords, prior: Hyperprior, has_kinds: bool) -> None:
        self.records, self.prior, self.has_kinds = records, prior, has_kinds
        self.has_years = bool(np.isfinite(records.reference_year))
        self.n_families, self.n_kinds = len(records), len(records.kinds)

    def evidence(self, axes: list[Axes], slope: float) -> Evidence:
        """Likelihoods on the lattices at one slope."""
        records = self.records
        lattices = [a.evaluate(records.rows, self.n_families, slope) for a in axes]
        return Evidence(lattices, records.kind, self.n_kinds, slope * records.mean_year, records.power)

    def draft(self) -> _Place:
        """Rough slope, its standard deviation, and the common parameters there."""
        prior = replace(self.prior, least_spread=max(DRAFT_SPREAD, self.prior.least_spread))
        mean, sd = prior.common_mean(), prior.common_sd()
        spread = prior.spread(mean[1:] + sd[1:])
        normal = self._normal_prior(
            np.full(self.n_kinds, np.log(prior.scale_years)),
            np.hypot(np.hypot(prior.centre_sd, spread[0]), prior.slope_sd * np.abs(self.records.mean_year)),
            (mean[0], np.hypot(sd[0], spread[1])),
        )
        boxes = find_boxes(self.records.rows, normal, 0.0)
        step = STEP * prior.least_spread
        axes = lay_axes(boxes, step, step)
        # Families differ by about a third, and by some six years: a first guess at what can be told.
        slope_sd = float(np.clip(1.6 / np.sqrt(max(self.n_families, 1)), 0.03, prior.slope_sd))
        place = _Place(0.0, slope_sd if self.has_years else 0.0, find_start(prior, self.n_kinds), prior)
        at_slopes = self._look(place, axes, prior, place.peak.mode)
        if not self.has_years:
            return replace(place, peak=at_slopes[0].peak)
        # Wide lattices make the slope look better known than it is.
        found = place.found([a.peak.log_evidence + a.log_prior for a in at_slopes])
        return replace(place.next(found, at_slopes[1].peak, prior), slope_sd=1.3 * found.sd)

    def _normal_prior(
        self, centre: FloatArray, scale_sd: FloatArray, shape: tuple[float, float], slope: float = 0.0
    ) -> NormalPrior:
        """Priors of the families under rough common parameters."""
        scale_mean = centre[self.records.kind] + slope * self.records.mean_year
        flat = np.ones(self.n_families)
        return NormalPrior(scale_mean, scale_sd * flat, shape[0] * flat, shape[1] * flat)

    def _boxes(self, place: _Place) -> Boxes:
        """Where the posteriors lie under the rough common parameters."""
        mode, sd = place.peak.mode, np.sqrt(np.diag(np.linalg.inv(place.peak.precision)))
        widest = place.prior.spread(mode[1:N_COMMON] + 1.3 * sd[1:N_COMMON])
        centre_sd = sd[N_COMMON + self.records.kind]
        scale_sd = np.sqrt(widest[0] ** 2 + centre_sd**2 + (2 * place.slope_sd * self.records.mean_year) ** 2)
        shape = (mode[0], float(np.hypot(widest[1], sd[0])))
        normal = self._normal_prior(mode[N_COMMON:], scale_sd, shape, place.slope)
        return find_boxes(self.records.rows, normal, place.slope)

    def at_slopes(self, place: _Place) -> list[_AtSlope]:
        """Most likely common parameters at each slope, on lattices that are fine enough for them."""
        sd = np.sqrt(np.diag(place.peak.common_covariance))[1:]
        start = place.peak.mode.copy()
        if place.prior is self.prior:
            narrowest = self.prior.spread(start[1:N_COMMON] - 3 * sd)
        else:  # a draft
            narrowest = np.full(2, self.prior.least_spread)
            start[1:N_COMMON] = np.log(place.prior.spread(start[1:N_COMMON]))
        axes = lay_axes(self._boxes(place), STEP * narrowest[0], STEP * narrowest[1])
        return self._look(place, axes, self.prior, start)

    def _look(self, place: _Place, axes: list[Axes], prior: Hyperprior, start: FloatArray) -> list[_AtSlope]:
        """Most likely common parameters at each slope, on given lattices."""
        found: list[_AtSlope] = []
        for slope in place.nodes():
            evidence = self.evidence(axes, float(slope))
            peak = find_peak(evidence, prior, start)
            log_prior = float(log_normal(slope, 0.0, prior.slope_sd)) if self.has_years else 0.0
            found.append(_AtSlope(float(slope), log_prior, evidence, peak))
            start = peak.mode
        return found

    def finish(
        self, at_slopes: list[_AtSlope], averages: list[Averaged], chance: FloatArray, slope: _Slope
    ) -> tuple[Posterior, Common]:
        """Average over the slopes; add the families that nobody has seen."""
        slopes = np.array([a.slope for a in at_slopes])
        families = [
            posteriors(a.evidence, m.nodes, self.prior, m.weight[:, None] * m.centre_weight, m.log_marginal)
            for a, m in zip(at_slopes, averages, strict=True)
        ]
        seen = combine(at_slopes[0].evidence.lattices, families, slopes, chance)
        unseen = unseen_families(averages, slopes, chance, self.prior)
        nodes = np.concatenate([m.nodes.common for m in averages])
        weight = np.concatenate([p * m.weight for p, m in zip(chance, averages, strict=True)])
        mean = weight @ nodes
        sd = np.sqrt(weight @ (nodes - mean) ** 2)
        return seen.with_more(unseen), Common(mean, sd, slope.mean, slope.sd, slope.log_evidence)
