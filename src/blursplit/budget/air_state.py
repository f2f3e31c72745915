"""What a set of the fit's parameters means, and what is assumed of them beforehand."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.types import FloatArray


@dataclass(frozen=True)
class AirState:
    """Physical quantities, one row a set of parameters; strengths are r0^(-5/3) [m^(-5/3)]."""

    # `j_near`, `j_ground`: (n,)
    j_near: FloatArray
    j_ground: FloatArray
    j_high: FloatArray  # (n, n_high)
    # `log_near_outer`, `log_outer`: (n,): ln of the outer scales [m] of the near layer and of all
    # others.
    log_near_outer: FloatArray
    log_outer: FloatArray
    # `log_near_wind`, `log_ground_wind`: (n,)
    log_near_wind: FloatArray
    log_ground_wind: FloatArray
    log_high_wind: FloatArray  # (n, n_high)
    # `near_axis`, `ground_axis`: (n, 2): cosine and sine of twice the wind's direction, times how
    # steady that is (0 to 1).
    near_axis: FloatArray
    ground_axis: FloatArray
    # (n,): tilt variance of the centroid over that of the least-squares plane.
    tilt_scale: FloatArray
    # `noise_scale`, `otf_scale`: (n,): of the centroid noise; of the air's part of ln OTF.
    noise_scale: FloatArray
    otf_scale: FloatArray
    # `optics_arcsec`, `optics_shape`: (n,): one-axis rms of the rays, and 0 for a Gaussian to 1 for
    # a defocus.
    optics_arcsec: FloatArray
    optics_shape: FloatArray
    # (n, 2, 2): covariance of the broadband shared excess, all frequencies, no exposure.
    open_arcsec2: FloatArray
    # `open_corner_hz`, `open_centre_hz`: (n,)
    open_corner_hz: FloatArray
    open_centre_hz: FloatArray
    fast_arcsec2: FloatArray  # (n,): one-axis variance of further shake inside the exposures

    @property
    def j_outside(self) -> FloatArray:
        """Strength of all but the near air."""
        return np.asarray(self.j_ground + self.j_high.sum(axis=1))

    @property
    def open_half_width_hz(self) -> FloatArray:
        """Half-width of the open motion's spectrum, no narrower than the bins resolve."""
        return np.asarray(np.hypot(self.open_corner_hz, const.FIT_LEAST_HUMP * self.open_centre_hz))

    def open_shape(self, frequency_hz: FloatArray) -> FloatArray:
        """Density of the open motion over its variance, no exposure, shape (n, n_frequencies).

        A first-order (exponentially correlated) motion: flat below its corner, falling as the
        square of the frequency above. It may stand on a carrier: a mode above Nyquist that the
        frames fold to a place where its width makes a hump and no line.
        """
        return _folded(self, frequency_hz[:, None], np.ones((len(frequency_hz), 1)))

    def sampled_open_shape(
        self, frequency_hz: FloatArray, exposure_s: float, rate_hz: float
    ) -> FloatArray:
        """`open_shape` as exposures at this rate show it: averaged, its higher part folded back."""
        turns = np.arange(-const.FIT_FOLDS, const.FIT_FOLDS + 1) * rate_hz
        at = np.abs(frequency_hz[:, None] + turns)
        return _folded(self, at, np.sinc(at * exposure_s) ** 2)


@dataclass(frozen=True)
class Priors:
    """What is assumed beforehand."""

    # (low, high): structure function of all the air at a fifth of the aperture, flat in the
    # logarithm.
    structure_rad2: tuple[float, float]
    # `outer_scale_m`, `wind_m_s`: (low, high): of the air outside, flat in the logarithm.
    outer_scale_m: tuple[float, float]
    wind_m_s: tuple[float, float]
    # (low, high): one-axis rms of unstated optics, every size alike: a prior flat in the logarithm
    # would make the limit on what is not shown as small as its lower end.
    optics_arcsec: tuple[float, float]
    stated_optics_arcsec: float | None
    # (ln sigma, cumulated probability): where runs at several focus positions have measured a part
    # of it.
    measured_optics: tuple[FloatArray, FloatArray] | None
    nyquist_hz: float
    fast_arcsec2: float  # largest variance of shake inside the exposures; 0 leaves it out
    # Whether that may be steady, so that no change in the stars' shapes bounds it.
    fast_is_steady: bool
    ln_j: tuple[float, float] | None  # (mean, sigma): where a mask has measured the air

    @staticmethod
    def uniform(z: FloatArray) -> FloatArray:
        """Return numbers spread evenly from 0 to 1 for unit normal z."""
        from scipy.special import ndtr

        return np.asarray(ndtr(z))

    def fast_at(self, z: FloatArray) -> FloatArray:
        """Return the variance of shake inside the exposures for unit normal z.

        Flat in its logarithm; where it may be steady: none by an even chance, as for a mode that
        the search could have missed, else every rms alike, as for unstated optics.
        """
        if self.fast_is_steady:
            there = 1.0 - (1.0 - self.uniform(z)) / const.HIDDEN_MODE_CHANCE
            return np.asarray(self.fast_arcsec2 * np.maximum(there, 0.0) ** 2)
        ends = const.FIT_FAST_RANGE * self.fast_arcsec2, self.fast_arcsec2
        return np.asarray(np.exp(uniform_between(z, ends)))


def uniform_between(z: FloatArray, ends: tuple[float, float]) -> FloatArray:
    """Return a logarithm that is flat between those of the ends, for unit normal z."""
    low, high = np.log(ends[0]), np.log(ends[1])
    return np.asarray(low + (high - low) * Priors.uniform(z))


def in_disk(z: FloatArray) -> FloatArray:
    """Return points spread evenly over the unit disk, shape (n, 2), for unit normal pairs."""
    square = np.maximum((z**2).sum(axis=1), 1e-30)
    return np.asarray(z * np.sqrt(-np.expm1(-0.5 * square) / square)[:, None])


def _folded(state: AirState, at_hz: FloatArray, gain: FloatArray) -> FloatArray:
    out = np.empty((len(state.open_centre_hz), len(at_hz)))
    kernels("air").folded_shapes(at_hz, gain, state.open_centre_hz, state.open_half_width_hz, out)
    return out
