"""One component, from its records to the posteriors of its families."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from reliability.life.life_records import FloatArray
from reliability.life.pooling_average import Averaged, average
from reliability.life.pooling_grid import STEP, Axes, NormalPrior, find_boxes, lay_axes
from reliability.life.pooling_hyper import N_COMMON, Evidence, Hyperprior
from reliability.life.pooling_kernels import log_normal, normalised, posteriors
from reliability.life.pooling_peak import Peak, find_peak
from reliability.life.pooling_posterior import Posterior, combine
from reliability.life.pooling_records import ComponentRecords
from reliability.life.pooling_unseen import unseen_families

DRAFT_SPREAD = 0.3
"""Least spread while only the rough place of the common parameters is sought."""

SLOPE_ROUNDS = 5


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
    slope: float
    evidence: Evidence
    averaged: Averaged

    def posteriors(self, prior: Hyperprior) -> Iterator[FloatArray]:
        """Posterior weights of the families with records."""
        a = self.averaged
        return posteriors(self.evidence, a.nodes, prior, a.weight[:, None] * a.centre_weight, a.log_marginal)


def fit_component(records: ComponentRecords, prior: Hyperprior, *, has_kinds: bool) -> tuple[Posterior, Common]:
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
    slope, slope_sd, peak = fit.draft()
    axes = fit.final_axes(peak, slope, slope_sd)
    z, weight = hermegauss(3) if fit.has_years else (np.zeros(1), np.ones(1))
    at_slopes = []
    for at in slope + slope_sd * z:
        evidence = fit.evidence(axes, float(at))
        peak = find_peak(evidence, prior, peak.mode)
        at_slopes.append(_AtSlope(float(at), evidence, average(evidence, peak, prior, has_kinds=has_kinds)))
    slopes = np.array([a.slope for a in at_slopes])
    log_weight = np.log(weight) + 0.5 * z**2 + [a.averaged.log_evidence for a in at_slopes]
    if fit.has_years:
        log_weight = log_weight + log_normal(slopes, 0.0, prior.slope_sd) + np.log(slope_sd)
    total, chance = normalised(log_weight)
    return fit.finish(at_slopes, slopes, chance, float(total))


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

    def draft(self) -> tuple[float, float, Peak]:
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
        if not self.has_years:
            return 0.0, 0.0, find_peak(self.evidence(axes, 0.0), prior)
        return self._locate_slope(axes, prior)

    def _normal_prior(
        self, centre: FloatArray, scale_sd: FloatArray, shape: tuple[float, float], slope: float = 0.0
    ) -> NormalPrior:
        """Normal prior of every family under rough common parameters."""
        scale_mean = centre[self.records.kind] + slope * self.records.mean_year
        flat = np.ones(self.n_families)
        return NormalPrior(scale_mean, scale_sd * flat, shape[0] * flat, shape[1] * flat)

    def _locate_slope(self, axes: list[Axes], prior: Hyperprior) -> tuple[float, float, Peak]:
        """Parabola through three slopes, laid anew until it spans its own peak."""
        middle, half, peak = 0.0, prior.slope_sd, None
        for _ in range(SLOPE_ROUNDS):
            values = []
            for at in (middle - half, middle + half, middle):
                peak = find_peak(self.evidence(axes, at), prior, None if peak is None else peak.mode)
                values.append(peak.log_evidence + float(log_normal(at, 0.0, prior.slope_sd)))
            rise = (values[1] - values[0]) / (2 * half)
            bend = max((2 * values[2] - values[0] - values[1]) / half**2, 0.3 / prior.slope_sd**2)
            shift, sd = float(np.clip(rise / bend, -2 * half, 2 * half)), bend**-0.5
            is_spanned = abs(shift) < 0.7 * half and 0.4 * half < sd
            middle, half = middle + shift, 1.5 * sd
            if is_spanned:
                break
        return middle, sd, peak

    def final_axes(self, peak: Peak, slope: float, slope_sd: float) -> list[Axes]:
        """Lattices around the posteriors under the rough common parameters."""
        mode, sd = peak.mode, np.sqrt(np.diag(np.linalg.inv(peak.precision)))
        widest = self.prior.spread(mode[1:N_COMMON] + 2 * sd[1:N_COMMON])
        narrowest = self.prior.spread(mode[1:N_COMMON] - 1.5 * sd[1:N_COMMON])
        centre_sd = sd[N_COMMON + self.records.kind]
        scale_sd = np.sqrt(widest[0] ** 2 + centre_sd**2 + (2 * slope_sd * self.records.mean_year) ** 2)
        normal = self._normal_prior(mode[N_COMMON:], scale_sd, (mode[0], np.hypot(widest[1], sd[0])), slope)
        boxes = find_boxes(self.records.rows, normal, slope)
        return lay_axes(boxes, STEP * narrowest[0], STEP * narrowest[1])

    def finish(
        self, at_slopes: list[_AtSlope], slopes: FloatArray, chance: FloatArray, log_evidence: float
    ) -> tuple[Posterior, Common]:
        """Average over the slopes; add the families that nobody has seen."""
        seen = combine(
            at_slopes[0].evidence.lattices, [a.posteriors(self.prior) for a in at_slopes], slopes, chance
        )
        unseen = unseen_families([a.averaged for a in at_slopes], slopes, chance, self.prior, has_kinds=self.has_kinds)
        nodes = np.concatenate([a.averaged.nodes.common for a in at_slopes])
        weight = np.concatenate([p * a.averaged.weight for p, a in zip(chance, at_slopes, strict=True)])
        mean = weight @ nodes
        sd = np.sqrt(weight @ (nodes - mean) ** 2)
        slope = float(chance @ slopes)
        slope_sd = float(np.sqrt(chance @ (slopes - slope) ** 2))
        if not self.has_years:
            slope_sd = self.prior.slope_sd
        return seen.with_more(unseen), Common(mean, sd, slope, slope_sd, log_evidence)
