"""Curves for the report: densities with the air's band, pair motion and transfer functions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import ARCSEC, N_GROUND, TILT
from blursplit.turbulence.tilt import pair_kernels

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.facts import Facts
    from blursplit.budget.grid import GridData
    from blursplit.budget.joint import JointFit
    from blursplit.motion import PairStatistics

    FloatArray = NDArray[np.float64]

BAND = (15.865, 50.0, 84.135)
N_SEPARATIONS = 24


def density_curves(grid: GridData) -> dict[str, FloatArray]:
    """Return densities of shared and own motion, and the coherence, from the longest segment."""
    from blursplit.spectra import coherence_spectrum, multitaper_density

    segment = max(grid.segments, key=lambda s: len(s.real))
    n = len(grid.star)
    density = multitaper_density(segment.shared_arcsec, grid.cadence_s)
    out = {
        "frequency_hz": density.frequency_hz,
        "common_psd_x_arcsec2_hz": density.psd[:, 0],
        "common_psd_y_arcsec2_hz": density.psd[:, 1],
        "common_psd_low_arcsec2_hz": density.low.sum(axis=1),
        "common_psd_high_arcsec2_hz": density.high.sum(axis=1),
        "noise_psd_arcsec2_hz": np.full(
            len(density.frequency_hz), 2.0 * grid.shared_noise_psd_arcsec2_hz
        ),
    }
    if n > 1:
        own = segment.stars_arcsec - np.repeat(segment.shared_arcsec, n, axis=1)
        each = multitaper_density(own, grid.cadence_s).psd
        # One star against the mean of n has (n - 1)/n of its own motion.
        out["differential_psd_arcsec2_hz"] = each.sum(axis=1) / (n - 1)
        sigma = np.sqrt(grid.noise_psd_arcsec2_hz / (2.0 * grid.cadence_s))
        shared = coherence_spectrum(
            segment.stars_arcsec[:, :n],
            segment.stars_arcsec[:, n:],
            sigma,
            grid.cadence_s,
        )
        out["coherence"] = np.interp(
            density.frequency_hz, shared.frequency_hz, np.nan_to_num(shared.share, nan=0.0)
        )
    return out


def air_curves(fit: JointFit, frequency_hz: FloatArray) -> dict[str, FloatArray]:
    """Return the band of the air's shared density, both axes' sum."""
    total = fit.model.shared_air_density(fit.draws).sum(axis=1)
    low, middle, high = np.percentile(total, BAND, axis=0)
    at = np.log(np.maximum(frequency_hz, 1e-9))
    fine = np.log(fit.model.table.fine_hz)
    return {
        name: np.exp(np.interp(at, fine, np.log(curve)))
        for name, curve in (
            ("air_psd_low_arcsec2_hz", low),
            ("air_psd_arcsec2_hz", middle),
            ("air_psd_high_arcsec2_hz", high),
        )
    }


def pair_curves(pairs: PairStatistics, scale: float) -> dict[str, FloatArray]:
    """Return the motion of every pair, noise removed."""
    return {
        "pair_separation_arcsec": pairs.separation_px * scale,
        "pair_along_rms_arcsec": scale * np.sqrt(np.maximum(pairs.along_var_px2, 0.0)),
        "pair_across_rms_arcsec": scale * np.sqrt(np.maximum(pairs.across_var_px2, 0.0)),
    }


def pair_model_curves(fit: JointFit, facts: Facts, widest_arcsec: float) -> dict[str, FloatArray]:
    """Return what the fitted air makes of a pair's motion against separation.

    Exposure averaging is taken from the common motion of each layer; pairs are damped somewhat
    more when the wind blows along them.
    """
    optics = facts.optics
    assert optics is not None  # noqa: S101 - no fit without optics
    separation = np.linspace(0.02 * widest_arcsec, 1.1 * widest_arcsec, N_SEPARATIONS)
    model = fit.model
    layers = model.layers(fit.draws) * model.tilt_scale(fit.draws)[:, None]
    outer = float(np.exp(np.median(fit.column("ln_outer_scale"))))
    ratio = optics.aperture_m / outer
    along = np.zeros((len(fit.draws), N_SEPARATIONS))
    across = np.zeros_like(along)
    for i in range(N_GROUND, layers.shape[1]):
        s = separation / ARCSEC * model.table.height_m[i] / optics.aperture_m
        k_along, k_across = pair_kernels(s, ratio, optics.obstruction, TILT)
        along += layers[:, i, None] * k_along
        across += layers[:, i, None] * k_across
    out = {"pair_model_separation_arcsec": separation}
    for name, variance in (("along", along), ("across", across)):
        bands = np.percentile(np.sqrt(optics.unit_arcsec2 * variance), BAND, axis=0)
        for end, band in zip(("_low", "", "_high"), bands, strict=True):
            out[f"pair_model_{name}{end}_arcsec"] = band
    return out


def transfer_curves(fit: JointFit) -> dict[str, FloatArray]:
    """Return the registered star's transfer function, measured and fitted."""
    optics = fit.model.optics
    if optics is None:
        return {}
    model = np.exp(fit.model.log_otf(fit.draws) + optics.instrument)
    low, middle, high = np.percentile(model, BAND, axis=0)
    return {
        "baseline_m": optics.baseline_m,
        "otf_measured": np.exp(optics.log_otf + optics.instrument),
        "otf_model_low": low,
        "otf_model": middle,
        "otf_model_high": high,
    }
