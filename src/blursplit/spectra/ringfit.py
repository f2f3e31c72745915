"""Least-squares fit of several decaying sinusoids to one ring-down."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    ComplexArray = NDArray[np.complex128]

MOST_MODES = 4
SMALLEST_SNR2 = 40.0
"""Squared matched-filter signal-to-noise a mode needs. The best of the few hundred frequencies
and dampings tried in noise (four real amplitudes each) exceeds 40 once in about a thousand
taps."""

LARGEST_DAMPING = 0.2


@dataclass(frozen=True)
class Ring:
    """One decaying mode of one tap.

    Parameters
    ----------
    frequency_hz, frequency_sigma : float
        Undamped frequency.
    damping_ratio, damping_sigma : float
    vector : ndarray of complex, shape (2,)
        Amplitudes along x and y at the onset: motion = Re(vector exp(i w t - g t)).
    amplitude, amplitude_sigma : float
        Larger half axis of the ellipse of motion at the onset.
    angle_deg : float
        Its direction, [0, 180) from +x toward +y.
    half_power : float or None
        Damping ratio read off the width of the spectrum, where the window is long enough.
    """

    frequency_hz: float
    frequency_sigma: float
    damping_ratio: float
    damping_sigma: float
    vector: ComplexArray
    amplitude: float
    amplitude_sigma: float
    angle_deg: float
    half_power: float | None

    @property
    def decay_s(self) -> float:
        """Decay rate g = zeta w0 [1/s]."""
        return 2.0 * np.pi * self.frequency_hz * self.damping_ratio

    def drawn(self, rng: np.random.Generator) -> Ring:
        """Return a copy with frequency, damping and amplitude drawn from their errors."""
        zeta = abs(self.damping_ratio + self.damping_sigma * rng.normal())
        size = abs(self.amplitude + self.amplitude_sigma * rng.normal())
        return replace(
            self,
            frequency_hz=self.frequency_hz + self.frequency_sigma * rng.normal(),
            damping_ratio=float(min(max(zeta, 1e-5), 0.9)),
            amplitude=float(size),
        )


def envelope(rings: tuple[Ring, ...], time_s: FloatArray) -> FloatArray:
    """Return the summed envelopes of the modes, shape of time_s."""
    return np.asarray(sum(ring.amplitude * np.exp(-ring.decay_s * time_s) for ring in rings))


def fit_rings(
    motion: FloatArray,
    cadence_s: float,
    noise: tuple[FloatArray, FloatArray],
    *,
    lowest_hz: float,
) -> tuple[Ring, ...]:
    """Fit as many decaying modes as stand out of the noise.

    Parameters
    ----------
    motion : ndarray, shape (n, 2)
        From the onset on.
    cadence_s : float
    noise : (frequency_hz, psd)
        One-sided density of the undisturbed motion, one axis.
    lowest_hz : float
        Slower motion is left to a smooth baseline.

    Returns
    -------
    tuple of Ring
        Largest first.
    """
    n = len(motion)
    baseline = _baseline(n, cadence_s, lowest_hz)
    parameters: list[tuple[float, float]] = []
    for _ in range(MOST_MODES):
        residual = _fit(motion, parameters, baseline, cadence_s)[1]
        start = _seed(residual, cadence_s, noise, lowest_hz)
        if start is None:
            break
        trial = _optimise([*parameters, start], motion, baseline, cadence_s, lowest_hz)
        if _is_crowded(trial, n * cadence_s):
            break
        parameters = trial
    rings = _rings(parameters, motion, baseline, cadence_s, noise)
    largest = 2.0 * float(np.sqrt(((motion - motion.mean(axis=0)) ** 2).sum(axis=1).max()))
    good = [
        ring
        for ring in rings
        if _snr2(ring, noise) >= SMALLEST_SNR2
        # at a limit of the search, or two modes that cancel: no mode, only a flexible fit
        and ring.damping_ratio <= LARGEST_DAMPING
        and ring.frequency_hz > 1.05 * lowest_hz
        and ring.amplitude <= largest
    ]
    return tuple(sorted(good, key=lambda ring: -ring.amplitude))


def _baseline(n: int, cadence_s: float, lowest_hz: float) -> FloatArray:
    """Return orthonormal cosines up to half the lowest frequency: air, drift, the push itself."""
    count = max(2, int(lowest_hz * n * cadence_s) + 1)
    index = (np.arange(n) + 0.5)[:, None] * np.arange(count)[None]
    return np.asarray(np.linalg.qr(np.cos(np.pi * index / n))[0])


def _columns(parameters: list[tuple[float, float]], n: int, cadence_s: float) -> FloatArray:
    time_s = np.arange(n) * cadence_s
    columns = []
    for frequency, zeta in parameters:
        omega = 2.0 * np.pi * frequency
        wave = np.exp((1j * omega * np.sqrt(1.0 - zeta**2) - zeta * omega) * time_s)
        columns += [wave.real, -wave.imag]
    return np.stack(columns, axis=1) if columns else np.zeros((n, 0))


def _fit(
    motion: FloatArray,
    parameters: list[tuple[float, float]],
    baseline: FloatArray,
    cadence_s: float,
) -> tuple[FloatArray, FloatArray]:
    """Return amplitudes of the modes and what is left, baseline taken out of both sides."""
    columns = _columns(parameters, len(motion), cadence_s)
    columns = columns - baseline @ (baseline.T @ columns)
    rest = motion - baseline @ (baseline.T @ motion)
    gram = columns.T @ columns
    ridge = 1e-10 * np.trace(gram) * np.eye(len(gram))
    solution = np.linalg.solve(gram + ridge, columns.T @ rest)
    return np.asarray(solution), np.asarray(rest - columns @ solution)


def _seed(
    residual: FloatArray,
    cadence_s: float,
    noise: tuple[FloatArray, FloatArray],
    lowest_hz: float,
) -> tuple[float, float] | None:
    """Best matched filter over frequencies and dampings, or None below the limit."""
    n = len(residual)
    time_s = np.arange(n) * cadence_s
    n_fft = 4 * n
    frequency = np.fft.rfftfreq(n_fft, cadence_s)
    level = np.interp(frequency, *noise)
    usable = (frequency > lowest_hz) & (frequency < 0.96 * frequency[-1])
    best, best_score = None, 0.0
    for decay in np.geomspace(0.3 / (n * cadence_s), 0.25 * np.pi / cadence_s, 14):
        shape = np.exp(-decay * time_s)
        spectrum = np.abs(np.fft.rfft(residual * shape[:, None], n=n_fft, axis=0)) ** 2
        # matched filter: |sum d s*|^2 dt^2 x 2 / (S x energy of the complex wave)
        score = 2.0 * cadence_s * spectrum.sum(axis=1) / (shape**2).sum()
        score = np.where(usable, score / np.maximum(level, 1e-300) * 1.0, 0.0)
        zeta = decay / (2.0 * np.pi * np.maximum(frequency, 1e-9))
        score[zeta > LARGEST_DAMPING] = 0.0
        index = int(np.argmax(score))
        if score[index] > best_score:
            best, best_score = (float(frequency[index]), float(zeta[index])), float(score[index])
    return best if best_score >= SMALLEST_SNR2 else None


def _optimise(
    start: list[tuple[float, float]],
    motion: FloatArray,
    baseline: FloatArray,
    cadence_s: float,
    lowest_hz: float,
) -> list[tuple[float, float]]:
    from scipy.optimize import least_squares

    def residual(vector: FloatArray) -> FloatArray:
        parameters = [
            (float(np.exp(vector[2 * k])), float(np.exp(vector[2 * k + 1])))
            for k in range(len(start))
        ]
        return np.asarray(_fit(motion, parameters, baseline, cadence_s)[1].ravel())

    first = np.log(np.array(start)).ravel()
    top = np.log(0.99 * 0.5 / cadence_s)
    low = np.tile([np.log(lowest_hz), np.log(1e-4)], len(start))
    high = np.tile([top, np.log(1.2 * LARGEST_DAMPING)], len(start))
    first = np.clip(first, low + 1e-6, high - 1e-6)
    found = least_squares(residual, first, bounds=(low, high), x_scale=0.01, max_nfev=30)
    values = np.exp(found.x).reshape(-1, 2)
    return [(float(f), float(z)) for f, z in values]


def _is_crowded(parameters: list[tuple[float, float]], window_s: float) -> bool:
    """Two modes closer than half a width and the window's resolution are one, fitted twice."""
    for i, (f_i, z_i) in enumerate(parameters):
        for f_j, z_j in parameters[:i]:
            if abs(f_i - f_j) < max(0.5 * (z_i * f_i + z_j * f_j), 0.3 / window_s):
                return True
    return False


def _rings(
    parameters: list[tuple[float, float]],
    motion: FloatArray,
    baseline: FloatArray,
    cadence_s: float,
    noise: tuple[FloatArray, FloatArray],
) -> list[Ring]:
    if not parameters:
        return []
    solution, left = _fit(motion, parameters, baseline, cadence_s)
    columns = _columns(parameters, len(motion), cadence_s)
    rings = []
    for k, (frequency, zeta) in enumerate(parameters):
        vector = solution[2 * k] + 1j * solution[2 * k + 1]
        size, angle = _ellipse(vector)
        level = float(np.interp(frequency, *noise))
        sigmas = _errors(frequency, zeta, vector, level, len(motion) * cadence_s)
        others = [p for j, p in enumerate(parameters) if j != k]
        alone = left + columns[:, 2 * k : 2 * k + 2] @ solution[2 * k : 2 * k + 2]
        width = _half_power(alone, frequency, zeta, cadence_s, others)
        rings.append(
            Ring(frequency, sigmas[0], zeta, sigmas[1], vector, size, sigmas[2], angle, width)
        )
    return rings


def _ellipse(vector: ComplexArray) -> tuple[float, float]:
    """Return larger half axis and its direction [deg] of Re(vector exp(i phase))."""
    total = float((np.abs(vector) ** 2).sum())
    square = (vector**2).sum()
    size = np.sqrt((total + abs(square)) / 2.0)
    # at this phase the displacement is largest
    largest = (vector * np.exp(-0.5j * np.angle(square))).real
    return float(size), float(np.rad2deg(np.arctan2(largest[1], largest[0])) % 180.0)


def _errors(
    frequency: float, zeta: float, vector: ComplexArray, level: float, window_s: float
) -> tuple[float, float, float]:
    """Return standard errors of frequency, damping ratio and amplitude.

    Notes
    -----
    Fisher information of a complex amplitude, frequency and decay in noise of one-sided density
    S: for a decay g much faster than the window, var(w) = var(g) = 8 g^3 S/(2 |a|^2) (Yao &
    Pandit 1995, from memory; checked by simulation in the tests); computed here by quadrature
    for any window.
    """
    power = float((np.abs(vector) ** 2).sum())
    decay = 2.0 * np.pi * frequency * zeta
    t = np.linspace(0.0, window_s, 2000)
    weight = np.exp(-2.0 * decay * t)
    e0, e1, e2 = (float(np.trapezoid(weight * t**k, t)) for k in range(3))
    # Fisher matrix for (log amplitude, decay): |a|^2/S [[e0, -e1], [-e1, e2]]
    spread = np.linalg.inv(np.array([[e0, -e1], [-e1, e2]])) * level / power
    decay_sigma = float(np.sqrt(spread[1, 1]))
    own = float(np.sqrt(spread[0, 0] * power))
    frequency_sigma = decay_sigma / (2.0 * np.pi)
    return frequency_sigma, decay_sigma / (2.0 * np.pi * frequency), own


def _snr2(ring: Ring, noise: tuple[FloatArray, FloatArray]) -> float:
    level = float(np.interp(ring.frequency_hz, *noise))
    power = float((np.abs(ring.vector) ** 2).sum())
    return power / (2.0 * max(ring.decay_s, 1e-9)) / max(level, 1e-300)


def _half_power(
    motion: FloatArray,
    frequency: float,
    zeta: float,
    cadence_s: float,
    others: list[tuple[float, float]],
) -> float | None:
    """Damping ratio from the half-power width of the ring-down's own spectrum.

    None where the ring is cut short by the window (less than three decay times) or another mode
    lies within three widths.
    """
    decay = 2.0 * np.pi * frequency * zeta
    near = any(abs(f - frequency) < 6.0 * zeta * frequency for f, _ in others)
    if near or decay * len(motion) * cadence_s < 3.0:  # noqa: PLR2004
        return None
    n_fft = 1 << int(np.ceil(np.log2(len(motion) * 16)))
    # the tail beyond six decay times is noise only
    kept = motion[: max(16, int(6.0 / decay / cadence_s))]
    power = (np.abs(np.fft.rfft(kept, n=n_fft, axis=0)) ** 2).sum(axis=1)
    grid = np.asarray(np.fft.rfftfreq(n_fft, cadence_s), dtype=np.float64)
    near_bins = np.flatnonzero(np.abs(grid - frequency) < 2.0 * zeta * frequency + grid[2])
    peak = int(near_bins[np.argmax(power[near_bins])])
    below = np.flatnonzero(power[:peak] < power[peak] / 2.0)
    above = np.flatnonzero(power[peak:] < power[peak] / 2.0)
    if below.size == 0 or above.size == 0:
        return None
    low = _crossing(grid, power, int(below[-1]), power[peak] / 2.0)
    high = _crossing(grid, power, peak + int(above[0]) - 1, power[peak] / 2.0)
    return (high - low) / (2.0 * float(grid[peak]))


def _crossing(grid: FloatArray, power: FloatArray, index: int, level: float) -> float:
    part = (level - power[index]) / (power[index + 1] - power[index])
    return float(grid[index] + part * (grid[index + 1] - grid[index]))
