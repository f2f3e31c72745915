"""Test every frequency for a sinusoid of constant amplitude (F-test of Thomson)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class SteadyTest:
    """Result of the test at every frequency.

    Parameters
    ----------
    frequency_hz : ndarray, shape (m,)
        Every 1/T.
    ratio : ndarray, shape (m,)
        F, with 2 and 2 K - 2 degrees of freedom.
    chance : ndarray, shape (m,)
        False-alarm probability of that frequency by itself.
    amplitude : ndarray, shape (m,)
        Amplitude of the sinusoid, unit of the values.
    """

    frequency_hz: FloatArray
    ratio: FloatArray
    chance: FloatArray
    amplitude: FloatArray

    def chance_anywhere(self, trials: int | None = None) -> FloatArray:
        """Return the chance after looking at `trials` frequencies (default: all of them)."""
        count = self.frequency_hz.size if trials is None else trials
        return np.asarray(-np.expm1(count * np.log1p(-np.minimum(self.chance, 1 - 1e-16))))


def steady_line_test(values: FloatArray, cadence_s: float, *, bandwidth: float = 4.0) -> SteadyTest:
    """Test every frequency for a steady sinusoid in smooth noise.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Regular, without NaN.
    cadence_s : float
    bandwidth : float
        NW; K = 2 NW - 1 tapers.

    Returns
    -------
    SteadyTest
        Ends of the band, within NW/T of zero and Nyquist, are left out: mirror images disturb
        the test there.

    Notes
    -----
    Thomson 1982 (Proc. IEEE 70, 1055), section XIII (section from memory): mu = sum U_k y_k /
    sum U_k^2, F = (K - 1) |mu|^2 sum U_k^2 / sum |y_k - mu U_k|^2, chance (1 + F/(K - 1))^-(K -
    1). A test for LINES: a resonance wider than 2 NW/T does not show, a narrower one does.
    """
    from scipy.signal.windows import dpss

    n = values.size
    count = max(2, round(2 * bandwidth) - 1)
    tapers = dpss(n, bandwidth, count)
    sums = tapers.sum(axis=1)
    sums[1::2] = 0.0  # odd tapers: zero but for rounding
    spectra = np.fft.rfft(tapers * (values - values.mean())[None], axis=1)
    mean = sums @ spectra / (sums**2).sum()
    rest = (np.abs(spectra - sums[:, None] * mean[None]) ** 2).sum(axis=0)
    ratio = (count - 1) * np.abs(mean) ** 2 * (sums**2).sum() / np.maximum(rest, 1e-300)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    inside = slice(int(np.ceil(bandwidth)), frequency.size - int(np.ceil(bandwidth)))
    chance = (1.0 + ratio / (count - 1)) ** -(count - 1.0)
    return SteadyTest(
        frequency[inside],
        np.asarray(ratio[inside]),
        np.asarray(chance[inside]),
        np.asarray(2.0 * np.abs(mean[inside])),
    )


def steady_chance(
    values: FloatArray,
    cadence_s: float,
    frequency_hz: float,
    sigma_hz: float,
    *,
    bandwidth: float = 4.0,
) -> float | None:
    """Return the chance that smooth noise makes so steady a sinusoid about a given frequency.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Regular, without NaN.
    cadence_s : float
    frequency_hz, sigma_hz : float
        Where a line was found, and its standard error.
    bandwidth : float
        NW; K = 2 NW - 1 tapers.

    Returns
    -------
    float or None
        None within NW/T of zero and Nyquist, where mirror images disturb the test.

    Notes
    -----
    The F of `steady_line_test`, the largest within two standard errors and half of 1/T, at a tenth
    of 1/T: a sinusoid between two bins loses most of its F at either. Frequencies a third of 1/T
    apart count as one trial each (simulated, see the tests).
    """
    from scipy.signal.windows import dpss

    n = values.size
    resolution_hz = 1.0 / (n * cadence_s)
    edge = bandwidth * resolution_hz
    if not edge <= frequency_hz <= 0.5 / cadence_s - edge:
        return None
    count = max(2, round(2 * bandwidth) - 1)
    tapers = dpss(n, bandwidth, count)
    sums = tapers.sum(axis=1)
    sums[1::2] = 0.0
    reach = 2.0 * sigma_hz + 0.5 * resolution_hz
    grid = frequency_hz + np.linspace(
        -reach, reach, 2 * int(np.ceil(10 * reach / resolution_hz)) + 1
    )
    turn = np.exp(-2j * np.pi * np.outer(np.arange(n) * cadence_s, grid))
    spectra = tapers @ ((values - values.mean())[:, None] * turn)
    mean = sums @ spectra / (sums**2).sum()
    rest = (np.abs(spectra - sums[:, None] * mean[None]) ** 2).sum(axis=0)
    ratio = (count - 1) * np.abs(mean) ** 2 * (sums**2).sum() / np.maximum(rest, 1e-300)
    alone = (1.0 + float(ratio.max()) / (count - 1)) ** -(count - 1.0)
    trials = 1.0 + 6.0 * reach / resolution_hz
    return float(min(1.0, -np.expm1(trials * np.log1p(-min(alone, 1.0 - 1e-16)))))
