"""The split itself: draws of every contribution over the blur time, from the joint fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.contributions import GAUSS, Blur, all_widths, shares
from blursplit.budget.line_terms import (
    SLOWEST_STRUCTURE_HZ,
    LineTerm,
    kept_by_exposure,
    line_density,
)
from blursplit.budget.realise import (
    Coefficients,
    divide,
    shared_coefficients,
    to_series,
    window_covariance,
)
from blursplit.budget.silent import SilentLimit, silent_limit
from blursplit.result import CONTRIBUTIONS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.air_table import Optics
    from blursplit.budget.drift import DriftDraws
    from blursplit.budget.grid import GridData
    from blursplit.budget.joint import JointFit
    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]


# Lost samples that were filled in, centroids of trailed stars and wings that a mode shares with
# its continuum: relative error of any motion that no counting of coefficients shows.
AMPLITUDE_SIGMA = 0.02
# A mode above Nyquist whose width in Hz is large beside its folded frequency shows no line: it
# looks like broadband shaking. Chance that broadband motion is of this kind (judgement, no
# source: few modes of mounts are that fast, and they are small), where frames are too slow to
# show modes up to FASTEST_STRUCTURE_HZ.
FOLDED_ODDS = 0.1
FASTEST_STRUCTURE_HZ = 50.0
PATH_PLACES = 500  # of the structure's motion, whose transfer function then errs by 0.04
OWNERS = ("structure", "tracking", "unassigned")


@dataclass(frozen=True)
class Split:
    """Draws of the budget, one row a draw.

    Parameters
    ----------
    structure, unassigned, tracking : ndarray, shape (n, 2, 2)
        Covariance of each motion inside the blur time [arcsec^2]. Motion of open cause that
        may be folded structure is in both of the first two; widths and shares count it once.
    fast_unassigned : ndarray, shape (n, 2, 2)
        The part of the unassigned motion that is as fast as structures ring.
    recorded : ndarray, shape (n,)
        Modelled recorded FWHM [arcsec].
    without : dict of frozenset to ndarray, shape (n,)
        FWHM with these contributions removed.
    alone : dict of contribution to ndarray, shape (n,)
        FWHM of each contribution alone.
    share : dict of contribution to ndarray, shape (n,)
    air_motion : ndarray, shape (n,)
        One-axis rms of one star's air motion, exposure averaged [arcsec].
    tracking_series, structure_series : list of ndarray, shape (n_frames_of_segment, 2)
        Smoothed estimates on the grid, segment by segment.
    silent : SilentLimit or None
        What structure can still be where no line of it was found.
    """

    structure: FloatArray
    unassigned: FloatArray
    fast_unassigned: FloatArray
    tracking: FloatArray
    recorded: FloatArray
    without: dict[frozenset[Contribution], FloatArray]
    alone: dict[Contribution, FloatArray]
    share: dict[Contribution, FloatArray]
    air_motion: FloatArray
    structure_series: list[FloatArray]
    silent: SilentLimit | None = None


@dataclass(frozen=True)
class SplitSetup:
    """What the split is told beside the fit.

    `line_limit_arcsec` is the smallest mode that the search would have found, None where none
    was made.
    """

    optics: Optics
    blur_time_s: float
    pixel_arcsec: float
    dispersion: FloatArray
    n_widths: int
    line_limit_arcsec: float | None = None


def split_motion(
    fit: JointFit,
    grid: GridData,
    terms: Sequence[LineTerm],
    drift: DriftDraws,
    setup: SplitSetup,
    rng: np.random.Generator,
) -> Split:
    """Divide the shared motion among its causes, and the width among the contributions.

    Parameters
    ----------
    fit : JointFit
        One row of results a draw of this fit.
    grid : GridData
    terms : sequence of LineTerm
    drift : DriftDraws
        Drift and drive terms, as many draws as the fit has.
    setup : SplitSetup
    rng : numpy.random.Generator
    """
    coefficients = shared_coefficients(grid)
    n = len(fit.draws)
    air = _at(coefficients, fit)
    noise = grid.shared_noise_psd_arcsec2_hz * np.exp(fit.column("ln_noise"))
    excess = fit.model.excess_density(fit.draws, coefficients.frequency_hz)
    excess = excess + _surplus(coefficients, fit)
    motions = [
        _one_draw(
            coefficients,
            [term.varied(rng) for term in terms],
            grid,
            _diagonal(air[k] + noise[k]),
            _diagonal(excess[k]),
            setup.blur_time_s,
            rng,
        )
        for k in range(n)
    ]
    structure, slow, unassigned, folded, fast = (
        np.stack([motion[name] for motion in motions]) for name in (*OWNERS, "folded", "fast")
    )
    structure = structure + folded
    lines = _LineDensities.build(coefficients, terms, grid)
    mean_rest = _diagonal(np.median(air, axis=0) + float(np.median(noise)))
    mean_rest = mean_rest + _diagonal(np.median(excess, axis=0)) + lines.others("structure")
    smooth = divide(coefficients, lines.density("structure"), mean_rest, None)
    air_motion = np.sqrt(fit.model.removed_tilt_arcsec2(fit.draws))
    tracking = slow + drift.covariance
    path = to_series(coefficients, smooth, grid)
    blurs = _blurs(fit, drift, setup, structure, unassigned - folded, slow, _thinned(path))
    every = [all_widths(blur) for blur in blurs]
    parts = [shares(widths) for widths in every]
    everything = frozenset(CONTRIBUTIONS)
    removed: list[frozenset[Contribution]] = [frozenset({part}) for part in CONTRIBUTIONS]
    removed += [
        frozenset({"tracking", "structure"}),
        frozenset({"structure", "unassigned"}),
        frozenset({"tracking", "structure", "unassigned"}),
    ]
    silent = None
    if setup.line_limit_arcsec is not None and all(t.owner != "structure" for t in terms):
        hidden = unassigned / _kept_at_frame_rate(grid) ** 2 if _may_fold(grid) else fast
        silent = silent_limit(setup.line_limit_arcsec, hidden, blurs, removed)
    return Split(
        structure=structure,
        unassigned=unassigned,
        fast_unassigned=fast,
        tracking=tracking,
        recorded=np.array([w[everything] for w in every]),
        without={r: np.array([w[everything - r] for w in every]) for r in removed},
        alone={
            "atmosphere": np.array([w[frozenset({"atmosphere"})] for w in every]),
            "instrument": np.array([w[frozenset({"instrument"})] for w in every]),
            "tracking": _gaussian_equivalent(tracking),
            "structure": _gaussian_equivalent(structure),
            "unassigned": _gaussian_equivalent(unassigned),
        },
        share={part: np.array([s[part] for s in parts]) for part in CONTRIBUTIONS},
        air_motion=air_motion,
        structure_series=path,
        silent=silent,
    )


def _gaussian_equivalent(covariance: FloatArray) -> FloatArray:
    """Return 2.3548 times the one-axis rms, the mean of both axes (design, section 2)."""
    return np.asarray(GAUSS * np.sqrt(0.5 * np.trace(covariance, axis1=1, axis2=2).clip(0.0)))


def _thinned(series: list[FloatArray]) -> FloatArray | None:
    """Return places along the structure's motion, each segment about its mean; None for none."""
    places = np.concatenate([part - part.mean(axis=0) for part in series])
    if not np.any(places):
        return None
    return places[:: max(1, len(places) // PATH_PLACES)]


def _one_draw(
    coefficients: Coefficients,
    terms: Sequence[LineTerm],
    grid: GridData,
    rest: FloatArray,
    broad: FloatArray,
    blur_time_s: float,
    rng: np.random.Generator,
) -> dict[str, FloatArray]:
    """Draw the covariance of each kind of motion but drift inside the blur time, (2, 2) each."""
    lines = _LineDensities.build(coefficients, terms, grid)
    kept = kept_by_exposure(
        terms, coefficients.frequency_hz, grid.exposure_s, rng, grid.row_time_s, grid.cadence_s
    )
    gain2 = (1.0 + AMPLITUDE_SIGMA * rng.standard_normal(len(OWNERS))) ** 2
    out = {name: np.zeros((2, 2)) for name in (*OWNERS, "folded", "fast")}
    for owner, scale in zip(OWNERS, gain2, strict=True):
        mine, others = lines.density(owner), rest + lines.others(owner)
        if owner == "unassigned":
            mine = mine + broad
        else:
            others = others + broad
        if not np.any(mine):
            continue
        value = np.sqrt(scale) * divide(coefficients, mine, others, rng)
        if owner == "unassigned":
            fast = coefficients.frequency_hz >= SLOWEST_STRUCTURE_HZ
            out["fast"] = window_covariance(
                coefficients, np.where(fast[:, None], value, 0.0), blur_time_s
            )
            if _is_folded(grid, rng):
                out["folded"] = out["fast"]
        out[owner] = window_covariance(coefficients, value, blur_time_s, kept)
    return out


def _is_folded(grid: GridData, rng: np.random.Generator) -> bool:
    """Draw whether broadband motion is a mode that the frames were too slow to show."""
    return _may_fold(grid) and rng.random() < FOLDED_ODDS


def _may_fold(grid: GridData) -> bool:
    """Return whether the frames are too slow to show the fastest modes where they are."""
    return 0.5 / grid.cadence_s < FASTEST_STRUCTURE_HZ


def _kept_at_frame_rate(grid: GridData) -> float:
    """Return what exposures leave of a mode near the frame rate, which folds to slow motion.

    Where they fill the frame they leave none of it, and its limit counts as that of half the
    frame rate: what motion cannot show, the width of the star has to.
    """
    filled = min(grid.exposure_s / grid.cadence_s, 1.0)
    return max(float(np.sinc(filled)), float(np.sinc(0.5)))


@dataclass(frozen=True)
class _LineDensities:
    by_owner: dict[str, FloatArray]
    total: FloatArray

    @classmethod
    def build(
        cls, coefficients: Coefficients, terms: Sequence[LineTerm], grid: GridData
    ) -> _LineDensities:
        zero = np.zeros((len(coefficients.frequency_hz), 2, 2))
        owners: dict[str, FloatArray] = {name: zero.copy() for name in OWNERS}
        for term in terms:
            owners[term.owner] += line_density(
                term, coefficients.frequency_hz, grid.longest_s, grid.cadence_s
            )
        return cls(owners, sum(owners.values(), zero))

    def density(self, owner: str) -> FloatArray:
        return self.by_owner[owner]

    def others(self, owner: str) -> FloatArray:
        return self.total - self.by_owner[owner]


def _diagonal(density: FloatArray) -> FloatArray:
    """Turn densities along x and y, shape (2, n), into matrices (n, 2, 2)."""
    out = np.zeros((density.shape[1], 2, 2))
    out[:, 0, 0], out[:, 1, 1] = density[0], density[1]
    return out


def _at(coefficients: Coefficients, fit: JointFit) -> FloatArray:
    """Air's shared density at the coefficients' frequencies, (n_draws, 2, n_frequencies)."""
    fine = fit.model.table.fine_hz
    log_density = np.log(np.maximum(fit.model.shared_air_density(fit.draws), 1e-30))
    where = np.interp(np.log(coefficients.frequency_hz), np.log(fine), np.arange(len(fine)))
    lower = np.minimum(where.astype(np.int64), len(fine) - 2)
    upper_weight = where - lower
    out: FloatArray = np.exp(
        (1.0 - upper_weight) * log_density[:, :, lower]
        + upper_weight * log_density[:, :, lower + 1]
    )
    return out


def _surplus(coefficients: Coefficients, fit: JointFit) -> FloatArray:
    """Shared density that no smooth model explains, at the coefficients' frequencies, (2, n)."""
    surplus = fit.model.surplus(fit.draws)
    data = fit.data
    bins = np.searchsorted(data.low_hz, coefficients.frequency_hz, side="right") - 1
    inside = (bins >= 0) & (coefficients.frequency_hz <= data.high_hz[np.maximum(bins, 0)])
    return np.asarray(np.where(inside, surplus[:, np.maximum(bins, 0)], 0.0))


def _blurs(
    fit: JointFit,
    drift: DriftDraws,
    setup: SplitSetup,
    structure: FloatArray,
    unassigned: FloatArray,
    slow: FloatArray,
    path: FloatArray | None,
) -> list[Blur]:
    optics = setup.optics
    n = len(fit.draws)
    rows = np.linspace(0, n - 1, min(setup.n_widths, n)).astype(np.int64)
    optics_sigma = np.exp(fit.column("ln_instrument"))
    defocus = np.zeros(n)
    if fit.model.optics is not None and fit.model.optics.defocus is not None:
        defocus = fit.model.optics.defocus.rays_arcsec(optics_sigma)
        optics_sigma = np.zeros(n)
    outer = np.exp(fit.column("ln_outer_scale"))
    return [
        Blur(
            j=float(fit.j[k]),
            outer_scale_m=float(outer[k]),
            wavelength_m=optics.wavelength_m,
            aperture_m=optics.aperture_m,
            obstruction=optics.obstruction,
            drift_arcsec=(float(drift.length_arcsec[k, 0]), float(drift.length_arcsec[k, 1])),
            sinusoids=tuple((float(a[0]), float(a[1])) for a in drift.amplitudes_arcsec[k]),
            tracking_extra=slow[k],
            structure=structure[k],
            structure_path=path,
            unassigned=unassigned[k],
            optics_sigma_arcsec=float(optics_sigma[k]),
            pixel_arcsec=setup.pixel_arcsec,
            dispersion=setup.dispersion,
            defocus_arcsec=float(defocus[k]),
        )
        for k in rows
    ]
