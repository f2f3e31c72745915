"""The parameters of the joint fit and what is assumed of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import N_GROUND, SLOWEST_WIND_M_S
from blursplit.budget.focus_prior import edge_density

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

# Rms below which an excess cannot matter for any budget, and its upper end [arcsec].
EXCESS_RMS_ARCSEC = (2e-3, 5.0)
EXCESS_CORNER_HZ = (0.03, 8.0)
# Where its hump may lie, in Nyquist frequencies; below zero it has none and falls from zero on.
EXCESS_CENTRE = (-0.5, 1.0)
NOISE_SCALE_SIGMA = 0.1  # gain and read noise are rarely known better
OTF_MODEL_SIGMA = 0.08  # Gaussian registration formula up to D/r0 of 4, finite records
LAYER_RANGE = 1e-4  # weakest layer over strongest that is allowed
FAST_RANGE = 1e-2  # smallest shake inside the exposures over the largest that is allowed
INSTRUMENT_SIGMA = 0.05  # relative error of a stated instrument width


@dataclass(frozen=True)
class Parameters:
    """Names, bounds and Gaussian priors of the vector that is sampled.

    Parameters
    ----------
    names : tuple of str
    low, high : ndarray, shape (n,)
        Uniform prior between these (on the logarithm for names that start with ``ln_``).
    mean, sigma : ndarray, shape (n,)
        Gaussian prior; sigma infinite where there is none.
    tables : tuple of (name, grid, ln density)
        Priors of another shape.
    """

    names: tuple[str, ...]
    low: FloatArray
    high: FloatArray
    mean: FloatArray
    sigma: FloatArray
    tables: tuple[tuple[str, FloatArray, FloatArray], ...] = ()

    def index(self, name: str) -> int:
        """Return the place of a parameter."""
        return self.names.index(name)

    def log_prior(self, theta: FloatArray) -> FloatArray:
        """Return ln prior of each row of theta, -inf outside the bounds."""
        inside = np.all((theta >= self.low) & (theta <= self.high), axis=-1)
        value = -0.5 * np.sum(((theta - self.mean) / self.sigma) ** 2, axis=-1)
        for name, grid, density in self.tables:
            value = value + np.interp(theta[..., self.index(name)], grid, density)
        out: FloatArray = np.where(inside, value, -np.inf)
        return out


def make_parameters(
    *,
    n_layers: int,
    strongest_j: float,
    wind_m_s: tuple[float, float],
    outer_scale_m: tuple[float, float],
    instrument_sigma_arcsec: tuple[float, float],
    known_instrument_arcsec: float | None,
    nyquist_hz: float,
    fast_motion_arcsec2: float = 0.0,
    least_instrument_arcsec2: FloatArray | None = None,
) -> Parameters:
    """Set up the parameters.

    Parameters
    ----------
    n_layers : int
        Layers of air, the first two at the telescope.
    strongest_j : float
        Largest r0^(-5/3) that the recorded width allows.
    wind_m_s, outer_scale_m : (low, high)
    instrument_sigma_arcsec : (low, high)
        Range of the Gaussian width (one-axis rms) of optics and focus.
    known_instrument_arcsec : float or None
        The same where it was stated.
    nyquist_hz : float
        Half the frame rate.
    fast_motion_arcsec2 : float
        Largest one-axis variance of shake inside the exposures that the changing shapes of the
        stars suggest; zero leaves the parameter out.
    least_instrument_arcsec2 : ndarray or None
        Draws of the variance of defocus, from runs at several focus positions; the rest of the
        optics then is what is flat in the logarithm. Not used beside a stated width.
    """
    rows: list[tuple[str, float, float, float, float]] = []

    def flat(name: str, low: float, high: float) -> None:
        rows.append((name, low, high, 0.0, np.inf))

    for i in range(n_layers):
        flat(f"ln_j{i}", np.log(strongest_j * LAYER_RANGE), np.log(strongest_j))
    flat("ln_outer_scale", np.log(outer_scale_m[0]), np.log(outer_scale_m[1]) + 1e-6)
    for i in range(n_layers):
        slowest = min(SLOWEST_WIND_M_S, wind_m_s[0]) if i < N_GROUND else wind_m_s[0]
        flat(f"ln_wind{i}", np.log(slowest), np.log(wind_m_s[1]))
    for i in range(N_GROUND):
        flat(f"along_x{i}", 0.0, 1.0)
    rows.append(("centroid_mix", -4.0, 4.0, 0.0, 1.0))
    for axis in "xy":
        flat(f"ln_excess_{axis}", *np.log(EXCESS_RMS_ARCSEC))
    flat("ln_excess_corner", *np.log(EXCESS_CORNER_HZ))
    flat("excess_centre_hz", EXCESS_CENTRE[0] * nyquist_hz, EXCESS_CENTRE[1] * nyquist_hz)
    rows.append(("ln_noise", -0.5, 0.5, 0.0, NOISE_SCALE_SIGMA))
    rows.append(("otf_model", -0.3, 0.3, 0.0, OTF_MODEL_SIGMA))
    low, high = np.log(instrument_sigma_arcsec)
    tables: tuple[tuple[str, FloatArray, FloatArray], ...] = ()
    if known_instrument_arcsec is None:
        if least_instrument_arcsec2 is not None:
            grid, density = edge_density(least_instrument_arcsec2, *instrument_sigma_arcsec)
            tables = (("ln_instrument", grid, density),)
            low, high = float(grid[0]), float(grid[-1])
        flat("ln_instrument", low, high)
    else:
        mean = float(np.log(known_instrument_arcsec))
        rows.append(("ln_instrument", mean - 0.5, mean + 0.5, mean, INSTRUMENT_SIGMA))
    if fast_motion_arcsec2 > 0:
        flat("ln_fast", np.log(FAST_RANGE * fast_motion_arcsec2), np.log(fast_motion_arcsec2))
    lows, highs, means, sigmas = np.array([row[1:] for row in rows]).T
    return Parameters(tuple(row[0] for row in rows), lows, highs, means, sigmas, tables)
