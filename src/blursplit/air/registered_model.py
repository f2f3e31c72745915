"""Transfer function of the air in a registered star: Gaussian form and its correction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.air.centroid_tilt import centroid_tilt_mix
from blursplit.air.tilt import TiltKind, tilt_coefficients
from blursplit.air.turbulence import STRUCTURE_CONSTANT, von_karman_reduction

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

KINDS: tuple[TiltKind, TiltKind] = ("G", "Z")

# Output of benchmarks/registered_otf.py (seed 20261, 2048 pupils a point, filled pupil,
# instantaneous images): ln OTF of the screens minus ln of the Gaussian form.
_BIAS_D_OVER_R0 = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0])
_BIAS_B = np.arange(1, 14) / 32.0
_BIAS = np.array(
    [
        [
            0.0002,
            -0.0001,
            -0.0004,
            -0.0007,
            -0.0009,
            -0.0010,
            -0.0010,
            -0.0008,
            -0.0005,
            0.0000,
            0.0006,
            0.0013,
            0.0020,
        ],
        [
            0.0005,
            -0.0003,
            -0.0012,
            -0.0020,
            -0.0027,
            -0.0029,
            -0.0027,
            -0.0020,
            -0.0008,
            0.0009,
            0.0030,
            0.0054,
            0.0078,
        ],
        [
            0.0009,
            -0.0010,
            -0.0030,
            -0.0054,
            -0.0073,
            -0.0087,
            -0.0091,
            -0.0085,
            -0.0069,
            -0.0043,
            -0.0007,
            0.0035,
            0.0082,
        ],
        [
            0.0013,
            -0.0019,
            -0.0053,
            -0.0091,
            -0.0120,
            -0.0136,
            -0.0135,
            -0.0117,
            -0.0083,
            -0.0035,
            0.0023,
            0.0089,
            0.0155,
        ],
        [
            0.0012,
            -0.0089,
            -0.0213,
            -0.0346,
            -0.0455,
            -0.0524,
            -0.0541,
            -0.0506,
            -0.0432,
            -0.0334,
            -0.0223,
            -0.0125,
            -0.0063,
        ],
        [
            -0.0004,
            -0.0229,
            -0.0508,
            -0.0792,
            -0.1002,
            -0.1105,
            -0.1085,
            -0.0966,
            -0.0801,
            -0.0637,
            -0.0524,
            -0.0509,
            -0.0622,
        ],
        [
            -0.0061,
            -0.0624,
            -0.1259,
            -0.1731,
            -0.1792,
            -0.1408,
            -0.0714,
            0.0056,
            0.0695,
            0.1075,
            0.1113,
            0.0749,
            -0.0076,
        ],
        [
            -0.0105,
            -0.0974,
            -0.1719,
            -0.1722,
            -0.0599,
            0.1388,
            0.3695,
            0.5783,
            0.7320,
            0.8189,
            0.8303,
            0.7625,
            0.6113,
        ],
    ]
)


def log_otf_model(
    baseline_over_aperture: ArrayLike,
    r0_m: ArrayLike,
    *,
    aperture_m: float,
    outer_scale_m: ArrayLike,
    obstruction: float = 0.0,
    tilt_mix: float | None = None,
    exposure_factor: ArrayLike = 1.0,
    corrected: bool = True,
) -> FloatArray:
    """Return ln of the air's part of the registered star's transfer function.

    Parameters
    ----------
    baseline_over_aperture : array_like, shape (n_b,)
        Pupil baselines over the diameter.
    r0_m, outer_scale_m, exposure_factor : array_like, shape (...)
        Fried parameter at the wavelength [m], outer scale [m], and the share of the tilt
        variance that the frame's exposure left in the centroids (`temporal.exposure_factor`);
        they broadcast against each other.
    aperture_m, obstruction : float
        Diameter [m] and diameter ratio.
    tilt_mix : float, optional
        w of `centroid_tilt_mix`; by default that of the default centroid at each D/r0, for which
        the correction was computed.
    corrected : bool
        Add the phase-screen correction of the Gaussian form.

    Returns
    -------
    ndarray, shape (..., n_b)

    Notes
    -----
    -D_phi/2 + 2 pi^2 f^2 sigma^2 with sigma^2 = factor K lambda^2 r0^(-5/3) D^(-1/3), plus the
    tabulated departure times the factor (half of it counts as systematic, see
    `registered_systematic`).
    """
    b = np.asarray(baseline_over_aperture, dtype=float)
    r0, outer, factor = np.broadcast_arrays(
        np.asarray(r0_m, float),
        np.asarray(outer_scale_m, float),
        np.asarray(exposure_factor, float),
    )
    d_over_r0 = (aperture_m / r0)[..., None]
    lost, gained = log_otf_parts(b, (aperture_m / outer)[..., None], obstruction, factor[..., None])
    mix = (
        centroid_tilt_mix(d_over_r0)[0] if tilt_mix is None else np.full(d_over_r0.shape, tilt_mix)
    )
    value = (lost + gained[0] + mix * gained[1]) * d_over_r0 ** (5.0 / 3.0)
    if corrected:
        value = value + factor[..., None] * log_otf_bias(b, d_over_r0[..., 0])
    return np.asarray(value, dtype=float)


def log_otf_parts(
    b: FloatArray, aperture_over_outer_scale: FloatArray, obstruction: float, factor: FloatArray
) -> tuple[FloatArray, tuple[FloatArray, FloatArray]]:
    """Return the parts of ln OTF in units (D/r0)^(5/3).

    Parameters
    ----------
    b : ndarray
        Baseline over diameter.
    aperture_over_outer_scale, factor : ndarray
        D/L0 and the share of the tilt variance left by the exposure; broadcast against `b`.
    obstruction : float
        Diameter ratio.

    Returns
    -------
    lost : ndarray
        -D_phi/2.
    gained : (ndarray, ndarray)
        What registration gains for w = 0 (G tilt), and its increase for each unit of w.
    """
    ratio = np.asarray(aperture_over_outer_scale, dtype=float)
    lost = -0.5 * STRUCTURE_CONSTANT * b ** (5.0 / 3.0) * von_karman_reduction(b * ratio)
    gradient, plane = (tilt_coefficients(kind, obstruction, ratio) for kind in KINDS)
    gain = 2.0 * np.pi**2 * factor * b**2
    return np.asarray(lost), (
        np.asarray(gain * gradient),
        np.asarray(gain * (plane - gradient)),
    )


def log_otf_bias(baseline_over_aperture: ArrayLike, d_over_r0: ArrayLike) -> FloatArray:
    """Return ln OTF of phase screens minus that of the Gaussian form, shape (..., n_b).

    Parameters
    ----------
    baseline_over_aperture : array_like, shape (n_b,)
        Clipped to the table, 0.03 to 0.41.
    d_over_r0 : array_like, shape (...)
        Clipped to 8, falls to zero below 0.5.
    """
    from scipy.interpolate import RegularGridInterpolator

    b = np.clip(np.asarray(baseline_over_aperture, float), _BIAS_B[0], _BIAS_B[-1])
    ratio = np.clip(np.asarray(d_over_r0, float), 0.0, _BIAS_D_OVER_R0[-1])
    rows = np.concatenate([[0.0], _BIAS_D_OVER_R0])
    values = np.vstack([np.zeros(_BIAS_B.size), _BIAS])
    table = RegularGridInterpolator((rows, _BIAS_B), values)
    grid = np.broadcast_arrays(ratio[..., None], b)
    return np.asarray(table(np.stack(grid, axis=-1)), dtype=float)


def registered_systematic(d_over_r0: float, obstruction: float = 0.0) -> float:
    """Return the error of ln r0 that the form of partial tilt removal leaves open.

    Parameters
    ----------
    d_over_r0 : float
        Diameter over Fried parameter.
    obstruction : float
        Diameter ratio.

    Notes
    -----
    Half the rms phase-screen correction between 0.1 and 0.3 D (it was computed for instantaneous
    images of a filled pupil) and 3 % of the strength for the kind of tilt, turned into r0.
    """
    b = np.array([0.1, 0.15, 0.2, 0.25, 0.3])
    lost, gained = log_otf_parts(b, np.zeros(1), obstruction, np.ones(1))
    total = np.abs(lost + gained[0] + gained[1]) * d_over_r0 ** (5.0 / 3.0)
    share = 0.5 * float(np.sqrt(np.mean((log_otf_bias(b, d_over_r0) / total) ** 2)))
    return float(0.6 * np.hypot(share, 0.03))
