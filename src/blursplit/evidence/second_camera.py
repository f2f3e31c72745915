"""A second camera on the same mount: seeing without a mask, from what two apertures do apart.

Mount, pier and whatever else turns the whole moves both images alike; their difference is air
(near air too) and flexure between the tubes. The air that both share is frozen flow along the
baseline, coherent with a delay: no coherence parts it from shake, so the complex cross-spectrum
is modelled. Exposure and folding are each camera's own, and go by its own aperture.

References
----------
M. Sarazin and F. Roddier (1990), A&A 227, 294; A. Tokovinin (2002), PASP 114, 1156; N. R.
Goodman (1963), Ann. Math. Stat. 34, 152 (complex Wishart law; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from blursplit.constants import (
    ARCSEC_PER_RADIAN,
    FIT_CONTAMINATED,
    FIT_MODEL_ERROR_OCTAVE,
    FIT_MODEL_ERROR_SHARED,
    PAIR_DIRECTIONS,
    PAIR_FAR_L0_M,
    PAIR_FOLDS,
    PAIR_FREQUENCIES,
    PAIR_HIGHEST_PHASE,
    PAIR_HIGHEST_SHARE,
    PAIR_LEAST_COEFFICIENTS,
    PAIR_LINE_SIGMAS,
    PAIR_MODEL_ERROR,
    PAIR_NEAR_L0_M,
    PAIR_NOISE_SIGMA,
    PAIR_OUTER_NODES,
    PAIR_PROFILES_AT_ONCE,
    PAIR_REACH_S,
    PAIR_WAVES,
    PAIR_WIND_NODES,
    PAIR_WINDS_M_S,
    PAIR_WITNESS_BASELINE,
    SENSOR_TAPERS,
)
from blursplit.evidence.sensor_signal import tapered_sums, without_trend
from blursplit.turbulence.conversions import SPECTRUM_CONSTANT
from blursplit.turbulence.tilt import signed_tilt_gain
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class CameraMotion:
    """How the image moved in one camera.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Middles of the exposures on this camera's clock.
    motion_arcsec : ndarray, shape (n_frames, 2)
        Along the camera's own axes; of one star, or the mean of stars close together.
    noise_arcsec : float
        One-axis noise of a frame.
    exposure_s, aperture_m, obstruction : float
    """

    time_s: FloatArray
    motion_arcsec: FloatArray
    noise_arcsec: float
    exposure_s: float
    aperture_m: float
    obstruction: float = 0.0

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return 1 / float(np.median(np.diff(self.time_s)))

    def later(self, shift_s: float) -> CameraMotion:
        """Return the motion with its times raised."""
        return replace(self, time_s=self.time_s + shift_s)


def witness_baseline_m(aperture_m: float) -> float:
    """Return how far apart two tubes should stand for their air to differ."""
    return max(PAIR_WITNESS_BASELINE[0], PAIR_WITNESS_BASELINE[1] * aperture_m)


@dataclass(frozen=True)
class Alignment:
    """How the second camera lies to the main one, from the motion that they share.

    `offset_s` is to be added to its times; its axes are turned by `angle_deg` from the main
    camera's (mirrored before, if so); `agreement` is the correlation that remains.
    """

    offset_s: float
    angle_deg: float
    mirrored: bool
    agreement: float


@dataclass(frozen=True)
class PairSpectra:
    """Spectra of two cameras along and across their baseline.

    Parameters
    ----------
    frequency_hz, count : ndarray, shape (n_bins,)
        Mean frequency and number of independent coefficients.
    matrix : ndarray, shape (n_bins, 2, 2, 2)
        Bin, axis (along, across), camera, camera: one-sided densities [arcsec^2/Hz].
    used : ndarray of bool, shape (n_bins, 2)
        False where a line stands in the difference (flexure, or a mode folded in one camera).
    cameras : (CameraMotion, CameraMotion)
    baseline_m, baseline_rad, duration_s : float
        Its length, its direction from the main camera's +x, and the common record's length.
    alignment : Alignment
        As refined.
    """

    frequency_hz: FloatArray
    count: FloatArray
    matrix: ComplexArray
    used: BoolArray
    cameras: tuple[CameraMotion, CameraMotion]
    baseline_m: float
    alignment: Alignment
    baseline_rad: float = 0.0
    duration_s: float = 60.0

    def exposure_gains(self) -> FloatArray:
        """Return what each exposure leaves of a motion, shape (n_bins, 2)."""
        tau = np.array([camera.exposure_s for camera in self.cameras])
        return np.asarray(np.sinc(self.frequency_hz[:, None] * tau))

    def coherence(self) -> FloatArray:
        """Return the squared coherence along and across the baseline, shape (n_bins, 2)."""
        m = self.matrix
        own = np.real(m[:, :, 0, 0] * m[:, :, 1, 1])
        return np.asarray(np.abs(m[:, :, 0, 1]) ** 2 / np.maximum(own, 1e-300))

    def coherence_at(self, frequency_hz: float) -> float:
        """Return the larger squared coherence of both axes at a frequency, 0 beyond the bins."""
        at = int(np.argmin(np.abs(self.frequency_hz - frequency_hz)))
        step = np.gradient(self.frequency_hz)[at]
        inside = abs(self.frequency_hz[at] - frequency_hz) <= step
        return float(self.coherence()[at].max()) if inside else 0.0

    def alignment_sigmas(self) -> tuple[float, float]:
        """Return the errors of offset [s] and angle [deg] (Knapp and Carter 1976)."""
        square = np.minimum(self.coherence(), 1 - 1e-6)
        weight = 2 * self.count[:, None] * square / (1 - square)
        turns = np.sum((2 * np.pi * self.frequency_hz[:, None]) ** 2 * weight)
        return float(turns**-0.5), float(np.degrees(np.sum(weight) ** -0.5))

    def noise(self) -> FloatArray:
        """Return the density of each camera's centroid noise [arcsec^2/Hz]."""
        return np.array([2 * c.noise_arcsec**2 / c.rate_hz for c in self.cameras])


def align_cameras(
    main: CameraMotion, second: CameraMotion, offset_s: tuple[float, float] = (-5.0, 5.0)
) -> Alignment:
    """Find clock offset and turn of the second camera from the motion that both share.

    Parameters
    ----------
    main, second : CameraMotion
    offset_s : (float, float)
        Range in which the offset lies.

    Returns
    -------
    Alignment
        The offset takes in the delay of air that blows along the baseline (b/V) where nothing
        else moves.
    """
    step = 0.25 * min(1 / main.rate_hz, 1 / second.rate_hz)
    start = max(main.time_s[0], second.time_s[0] + offset_s[0])
    stop = min(main.time_s[-1], second.time_s[-1] + offset_s[1])
    grid = np.arange(start, stop, step)

    def turned(camera: CameraMotion, at_s: FloatArray) -> ComplexArray:
        path = without_trend(camera.time_s, camera.motion_arcsec)
        x, y = (np.interp(at_s, camera.time_s, path[:, k]) for k in (0, 1))
        # first differences whiten air's slow motion, which would blur the peak
        return np.asarray(np.diff(x + 1j * y))

    size = 1 << int(np.ceil(np.log2(2 * grid.size)))
    one = np.fft.fft(turned(main, grid), size)
    middle = 0.5 * (offset_s[0] + offset_s[1])
    plain = turned(second, grid - middle)
    lag = np.fft.fftfreq(size, 1 / size) * step
    allowed = np.abs(lag) <= 0.5 * (offset_s[1] - offset_s[0]) + step
    best = (0.0, 0.0, 0.0, False)
    power = np.sqrt(np.sum(np.abs(plain) ** 2) * np.sum(np.abs(turned(main, grid)) ** 2))
    for mirrored, other in ((False, plain), (True, plain.conj())):
        cross = np.fft.ifft(one * np.fft.fft(other, size).conj()) / power
        peak = int(np.argmax(np.where(allowed, np.abs(cross), 0.0)))
        if np.abs(cross[peak]) > best[0]:
            near = [np.abs(cross[(peak + k) % size]) for k in (-1, 0, 1)]
            bend = near[0] - 2 * near[1] + near[2]
            shift = 0.0 if bend >= 0 else 0.5 * (near[0] - near[2]) / bend
            turn = float(np.degrees(np.angle(cross[peak])))
            best = (float(np.abs(cross[peak])), middle + lag[peak] + shift * step, turn, mirrored)
    return Alignment(best[1], best[2], best[3], best[0])


def pair_spectra(
    main: CameraMotion,
    second: CameraMotion,
    baseline_m: tuple[float, float],
    alignment: Alignment,
    *,
    reach_s: tuple[float, float] = (-PAIR_REACH_S, PAIR_REACH_S),
    turn: bool = True,
) -> PairSpectra:
    """Return the spectra of both cameras along and across the baseline.

    Tapered Fourier sums at each camera's own times: nothing is interpolated, so that a mode
    above the slower camera's limit stays where it is in the faster one.

    Parameters
    ----------
    main, second : CameraMotion
    baseline_m : (float, float)
        From the main to the second aperture along the main camera's axes.
    alignment : Alignment
    reach_s : (float, float)
        By how much the offset may be changed so that the difference is least. Where nothing
        shakes, air alone would fix it wrongly: then state it, and leave no reach.
    turn : bool
        Turn the second camera too.

    Raises
    ------
    ValueError
        When the two overlap for less than ten seconds.
    """
    own = second.time_s + alignment.offset_s
    start, stop = max(main.time_s[0], own[0]), min(main.time_s[-1], own[-1])
    if stop - start < 10:  # noqa: PLR2004 - a dozen coefficients at the least
        msg = f"the two cameras overlap for {max(0.0, stop - start):.1f} s only"
        raise ValueError(msg)
    rotation = np.exp(1j * np.deg2rad(alignment.angle_deg))
    along = np.exp(-1j * np.arctan2(baseline_m[1], baseline_m[0]))
    highest = min(
        PAIR_HIGHEST_SHARE * min(main.rate_hz, second.rate_hz),
        PAIR_HIGHEST_PHASE / max(main.exposure_s, second.exposure_s),
    )
    step = (SENSOR_TAPERS + 1) / (stop - start)
    f = step * np.arange(1, max(2, int(highest / step)))
    sums = []
    for camera, time in ((main, main.time_s), (second, own)):
        inside = (time >= start) & (time <= stop)
        z = camera.motion_arcsec[inside, 0] + 1j * camera.motion_arcsec[inside, 1]
        if camera is second:
            z = (z.conj() if alignment.mirrored else z) * rotation
        z = z * along
        path = without_trend(time[inside], np.stack([z.real, z.imag], axis=1))
        coefficients = tapered_sums(time[inside], path, f, stop - start)
        # both from one zero of time and one position of the tapers
        sums.append(coefficients * np.exp(-2j * np.pi * f * time[inside][0])[:, None, None])
    edges = _bin_edges(f)
    number = np.searchsorted(edges, np.arange(f.size), side="right") - 1
    bins = int(number.max()) + 1
    matrix = np.zeros((bins, 2, 2, 2), dtype=complex)
    gains = [np.sinc(f * camera.exposure_s)[:, None, None] for camera in (main, second)]
    undone = [s / g for s, g in zip(sums, gains, strict=True)]
    undone[1], alignment = _refined(f, number, undone, alignment, reach_s, turn=turn)
    sums[1] = undone[1] * gains[1]
    stacked = np.stack(sums, axis=-1)  # frequency, taper, axis, camera
    for b in range(bins):
        here = stacked[number == b].reshape(-1, 2, 2)
        matrix[b] = np.einsum("nai,naj->aij", here, here.conj()) / here.shape[0]
    spectra = PairSpectra(
        frequency_hz=np.array([f[number == b].mean() for b in range(bins)]),
        count=np.array([SENSOR_TAPERS * np.sum(number == b) for b in range(bins)], dtype=float),
        matrix=matrix,
        used=np.ones((bins, 2), dtype=bool),
        cameras=(main, second),
        baseline_m=float(np.hypot(*baseline_m)),
        alignment=alignment,
        baseline_rad=float(np.arctan2(baseline_m[1], baseline_m[0])),
        duration_s=stop - start,
    )
    return replace(spectra, used=_without_lines(spectra))


def _refined(
    frequency_hz: FloatArray,
    number: IntArray,
    sums: list[ComplexArray],
    alignment: Alignment,
    reach_s: tuple[float, float],
    *,
    turn: bool,
) -> tuple[ComplexArray, Alignment]:
    """Turn and delay the second camera's coefficients so that the difference is least.

    A shake of 0.3 arcsec at 6 Hz leaves a tenth of itself in the difference of two clocks that
    disagree by 3 ms: correlation alone does not find the offset so well.
    """
    from scipy.optimize import minimize

    first, second = sums
    bins = int(number.max()) + 1
    count = np.bincount(number, minlength=bins).astype(float)

    def moved(delay_s: float, turn_rad: float) -> ComplexArray:
        c, s = np.cos(turn_rad), np.sin(turn_rad)
        wave = np.exp(-2j * np.pi * frequency_hz * delay_s)[:, None, None]
        return np.asarray(second @ np.array([[c, s], [-s, c]]) * wave)

    def meant(at: FloatArray) -> tuple[float, float]:
        return float(np.clip(at[0] * 1e-2, *reach_s)), float(at[1] * 1e-1) if turn else 0.0

    def power(at: FloatArray) -> FloatArray:
        rest = first - moved(*meant(at))
        size = (np.abs(rest) ** 2).mean(axis=1)
        total = [np.bincount(number, size[:, k], bins) for k in (0, 1)]
        return np.asarray(np.stack(total, axis=1) / np.bincount(number)[:, None])

    def smooth(found: FloatArray) -> FloatArray:
        # what stands above its neighbours is shake that does not cancel, not air
        padded = np.pad(np.log(found), ((4, 4), (0, 0)), "reflect")
        windows = np.lib.stride_tricks.sliding_window_view(padded, 9, axis=0)
        return np.asarray(np.exp(np.median(windows, axis=-1)))

    best = np.zeros(2)
    options = {"xatol": 1e-3, "fatol": 1e-2, "maxiter": 200}
    for _ in range(3 if turn or reach_s[0] < reach_s[1] else 0):
        level = smooth(power(best))

        def cost(at: FloatArray, level: FloatArray = level) -> float:
            return float(np.sum(count[:, None] * power(at) / level))

        simplex = best + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]])
        best = minimize(
            cost, best, method="Nelder-Mead", options={**options, "initial_simplex": simplex}
        ).x
    delay, angle = meant(best)
    return moved(delay, angle), replace(
        alignment,
        offset_s=alignment.offset_s + delay,
        angle_deg=alignment.angle_deg + float(np.degrees(angle)),
    )


def _bin_edges(frequency_hz: FloatArray) -> FloatArray:
    """Return where bins begin: fifteen a decade, each with enough coefficients."""
    least = int(np.ceil(PAIR_LEAST_COEFFICIENTS / SENSOR_TAPERS))
    edges = [0]
    while True:
        wide = int(np.searchsorted(frequency_hz, frequency_hz[edges[-1]] * 10 ** (1 / 15)))
        following = max(edges[-1] + least, wide)
        if frequency_hz.size - following < least:
            return np.array(edges)
        edges.append(following)


def difference_power(spectra: PairSpectra) -> FloatArray:
    """Return the density of the cameras' difference, exposures undone, shape (n_bins, 2).

    What both share by turning together drops out of it, whatever its spectrum.
    """
    gain = spectra.exposure_gains()
    m = spectra.matrix
    cross = np.real(m[:, :, 0, 1]) / (gain[:, 0] * gain[:, 1])[:, None]
    own = [np.real(m[:, :, k, k]) / gain[:, k, None] ** 2 for k in (0, 1)]
    return np.asarray(own[0] + own[1] - 2 * cross)


def _without_lines(spectra: PairSpectra) -> BoolArray:
    log = np.log(np.maximum(difference_power(spectra), 1e-300))
    out = np.ones(log.shape, dtype=bool)
    for b in range(log.shape[0]):
        near = [k for k in range(max(0, b - 3), min(log.shape[0], b + 4)) if k != b]
        around = np.median(log[near], axis=0) if near else log[b]
        out[b] = log[b] - around < PAIR_LINE_SIGMAS / np.sqrt(spectra.count[b]) + 0.5
    return out


def air_matrices(
    spectra: PairSpectra,
    wind_m_s: FloatArray,
    direction_rad: FloatArray,
    outer_scale_m: FloatArray,
    wavelength_m: float,
) -> ComplexArray:
    """Return the model spectra of one frozen layer of r0 = 1 m, folded as each camera folds.

    Parameters
    ----------
    spectra : PairSpectra
    wind_m_s, direction_rad, outer_scale_m : ndarray, shape (n,)
        Of the layer in each of n profiles; the direction is from the baseline.
    wavelength_m : float

    Returns
    -------
    ndarray, shape (n, n_bins, 2, 2, 2)
        As `PairSpectra.matrix`, exposures included, noise not.
    """
    top = max(
        PAIR_FOLDS * max(c.rate_hz for c in spectra.cameras),
        1.5 * float(spectra.frequency_hz[-1]),
    )
    nu = np.geomspace(0.5 * float(spectra.frequency_hz[0]), top, PAIR_FREQUENCIES)
    small = min(c.aperture_m for c in spectra.cameras)
    half = np.geomspace(2e-3, 4.0 / small, PAIR_WAVES)
    weight = half * np.gradient(np.log(half))
    n = wind_m_s.size
    along = nu[None, :, None] / wind_m_s[:, None, None]
    f = np.hypot(along, half)
    # phase_spectrum with an outer scale for each profile
    power = SPECTRUM_CONSTANT * (f**2 + outer_scale_m[:, None, None] ** -2.0) ** (-11 / 6)
    power = power * weight * 2 / wind_m_s[:, None, None]
    table = np.geomspace(1e-3, f.max() * 1.01, 600)
    # of the plane tilt: a scale factor turns it into what the centroid measures
    gains = [
        np.interp(f, table, signed_tilt_gain(table, c.aperture_m, c.obstruction, "Z"))
        for c in spectra.cameras
    ]
    c, s = np.cos(direction_rad)[:, None], np.sin(direction_rad)[:, None]
    b = spectra.baseline_m
    place_u, place_v = (c * b)[:, :, None], (-s * b)[:, :, None]
    travel = np.exp(2j * np.pi * along * place_u)
    across = 2 * np.pi * half * place_v
    cos2, sin2, both = along**2 / f**2, half**2 / f**2, along * half / f**2
    unit = (wavelength_m * ARCSEC_PER_RADIAN) ** 2
    out = np.zeros((n, spectra.frequency_hz.size, 2, 2, 2), dtype=complex)
    for i in (0, 1):
        for j in range(i, 2):
            whole = power * gains[i] * gains[j] * unit
            if i == j:
                uu, vv = 2 * (whole * cos2).sum(-1), 2 * (whole * sin2).sum(-1)
                uv = np.zeros_like(uu)
            else:
                uu = 2 * (whole * cos2 * np.cos(across) * travel).sum(-1)
                vv = 2 * (whole * sin2 * np.cos(across) * travel).sum(-1)
                uv = 2j * (whole * both * np.sin(across) * travel).sum(-1)
            axes = (
                c**2 * uu + s**2 * vv - 2 * c * s * uv,
                s**2 * uu + c**2 * vv + 2 * c * s * uv,
            )
            for axis, density in enumerate(axes):
                read = _folded(nu, density, spectra, i, j)
                out[:, :, axis, i, j] = read
                if i != j:
                    out[:, :, axis, j, i] = read.conj()
    return out


def _folded(
    nu_hz: FloatArray, density: FloatArray | ComplexArray, spectra: PairSpectra, i: int, j: int
) -> FloatArray | ComplexArray:
    """Read a density at the bins with exposure and, within one camera, what folds there."""
    f, cameras = spectra.frequency_hz, spectra.cameras
    log = np.log(nu_hz)

    def at(where_hz: FloatArray) -> FloatArray | ComplexArray:
        place = np.clip(np.interp(np.log(where_hz), log, np.arange(log.size)), 0, log.size - 1)
        low = np.minimum(place.astype(int), log.size - 2)
        part = place - low
        if i == j:
            value = np.log(np.maximum(density, 1e-300))
            return np.asarray(np.exp((1 - part) * value[:, low] + part * value[:, low + 1]))
        return np.asarray((1 - part) * density[:, low] + part * density[:, low + 1])

    def exposed(where_hz: FloatArray) -> FloatArray:
        return np.asarray(
            np.sinc(where_hz * cameras[i].exposure_s) * np.sinc(where_hz * cameras[j].exposure_s)
        )

    total = at(f) * exposed(f)
    if i == j:
        rate = cameras[i].rate_hz
        for k in range(1, PAIR_FOLDS):
            for where in (k * rate - f, k * rate + f):
                total = total + at(where) * exposed(where)
    return total


@dataclass(frozen=True)
class LayerTable:
    """What one frozen layer of r0 = 1 m does to two cameras, for any wind and outer scale.

    Parameters
    ----------
    log_wind, log_outer : ndarray
        Even grids of ln m/s and ln m.
    values : ndarray, shape (n_wind, n_outer, n_directions + 1, n_bins, 2, 2)
        ln of the density of the difference and the real cross density, along and across the
        baseline, exposures undone; the wind turned from 0 to 90 degrees off the baseline (both
        are even in it and of period 180 degrees), and last the mean over all directions.
    """

    log_wind: FloatArray
    log_outer: FloatArray
    values: FloatArray

    def at(
        self, log_wind: FloatArray, log_outer: FloatArray, axis: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return densities of the difference and of what both share, (n, n_bins, 2) each.

        Parameters
        ----------
        log_wind, log_outer : ndarray, shape (n,)
        axis : ndarray, shape (n, 2), or None
            Cosine and sine of twice the wind's direction from the baseline, times how steady it
            is; None where it blows from anywhere.
        """
        i, u = _place(log_wind, self.log_wind)
        k, v = _place(log_outer, self.log_outer)
        n_outer, n_turns = self.values.shape[1:3]
        flat = self.values.reshape(-1, *self.values.shape[3:])

        def read(turn: IntArray | int) -> FloatArray:
            out = np.zeros((len(u), *flat.shape[1:]))
            for a, b, weight in (
                (0, 0, (1 - u) * (1 - v)),
                (0, 1, (1 - u) * v),
                (1, 0, u * (1 - v)),
                (1, 1, u * v),
            ):
                place = ((i + a) * n_outer + k + b) * n_turns + turn
                out += weight[:, None, None, None] * flat[place]
            return out

        anyhow = read(n_turns - 1)
        anyhow[..., 0] = np.exp(anyhow[..., 0])
        if axis is None:
            return anyhow[..., 0], anyhow[..., 1]
        steady = np.hypot(axis[:, 0], axis[:, 1])[:, None, None]
        angle = 0.5 * np.abs(np.arctan2(axis[:, 1], axis[:, 0])) / (0.5 * np.pi) * (n_turns - 2)
        lower = np.minimum(angle.astype(np.int64), n_turns - 3)
        part = (angle - lower)[:, None, None, None]
        turned = (1 - part) * read(lower) + part * read(lower + 1)
        turned[..., 0] = np.exp(turned[..., 0])
        both = steady[..., None] * turned + (1 - steady[..., None]) * anyhow
        return both[..., 0], both[..., 1]


def _place(value: FloatArray, nodes: FloatArray) -> tuple[IntArray, FloatArray]:
    at = np.clip((value - nodes[0]) / (nodes[1] - nodes[0]), 0.0, len(nodes) - 1.0)
    lower = np.minimum(at.astype(np.int64), len(nodes) - 2)
    return lower, at - lower


@dataclass(frozen=True)
class Layer:
    """A frozen layer in many sets of parameters: strengths r0^(-5/3), ln winds, ln outer scales.

    `is_near` tells whose table holds it, `axis` is that of `LayerTable.at`.
    """

    strength: FloatArray
    log_wind: FloatArray
    log_outer: FloatArray
    axis: FloatArray | None = None
    is_near: bool = False


@dataclass(frozen=True)
class PairEvidence:
    """Spectra of two cameras, and what any air would make of them.

    Parameters
    ----------
    spectra : PairSpectra
    near, outside : LayerTable
    steady : ndarray of bool, shape (n_bins,)
        Bins without a mechanical line, in which open motion is compared.
    """

    spectra: PairSpectra
    near: LayerTable
    outside: LayerTable
    steady: BoolArray

    def air(self, layers: Sequence[Layer], scale: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the air's density in the difference and in what both share, (n, n_bins, 2).

        Parameters
        ----------
        layers : sequence of Layer
        scale : ndarray, shape (n,)
            Tilt variance of the centroid over that of the plane tilt.
        """
        apart = shared = np.zeros((len(scale), self.spectra.frequency_hz.size, 2))
        for layer in layers:
            table = self.near if layer.is_near else self.outside
            strength = (layer.strength * scale)[:, None, None]
            one, both = table.at(layer.log_wind, layer.log_outer, layer.axis)
            apart, shared = apart + strength * one, shared + strength * both
        return apart, shared

    def log_likelihood(
        self, apart: FloatArray, shared: FloatArray, shake: FloatArray | None, noise: FloatArray
    ) -> FloatArray:
        """Return ln likelihood, shape (n,), of what the cameras do apart and of what they share.

        Parameters
        ----------
        apart, shared : ndarray, shape (n, n_bins, 2)
            Of the air, from `air`.
        shake : ndarray, shape (n, n_bins, 2), or None
            Mechanical motion of both, before exposure; None leaves it free in every bin.
        noise : ndarray, shape (n,)
            Main camera's noise over what was stated.

        Notes
        -----
        ln of the difference's power has the mean ln S + psi(n) - ln n and the variance psi_1(n);
        the model of the air errs by a Gaussian process in ln nu, one for both axes and one for
        each. The cross-spectrum has no noise of its own; a bin that holds more of it than the
        model is let go at the price of the chance that it does.
        """
        own = self._noise
        expected = apart + (noise[:, None] * own[:, 0] + own[:, 1])[:, :, None]
        residual = np.where(self.spectra.used, self._measured - np.log(expected), 0.0)
        white = residual.reshape(len(expected), -1) @ self._whiten
        total = -0.5 * np.einsum("tb,tb->t", white, white)
        if shake is None:
            return np.asarray(total)
        error = np.sqrt(self.cross_variance + (FIT_MODEL_ERROR_SHARED * shared) ** 2)
        most = np.sqrt(-2.0 * np.log(FIT_CONTAMINATED))
        # neighbours err alike: an octave of them counts as one where the model is at fault
        left = np.minimum((self.cross_density - shared - shake) / error, most)
        use = self.steady[:, None] & self.spectra.used
        step = np.gradient(np.log(self.spectra.frequency_hz))[:, None]
        alike = (FIT_MODEL_ERROR_SHARED * shared) ** 2 / error**2
        weight = use / (1.0 + alike * (FIT_MODEL_ERROR_OCTAVE / step - 1.0).clip(0.0))
        total += np.sum(-0.5 * weight * left**2 - weight * np.log(error), axis=(1, 2))
        return np.asarray(total)

    @cached_property
    def _noise(self) -> FloatArray:
        """Noise of each camera in the difference, shape (n_bins, 2)."""
        return np.asarray(self.spectra.noise() / self.spectra.exposure_gains() ** 2)

    @cached_property
    def _measured(self) -> FloatArray:
        from scipy.special import digamma

        count = self.spectra.count
        bias = np.log(count) - digamma(count)
        return np.asarray(np.log(difference_power(self.spectra)) + bias[:, None])

    @cached_property
    def _whiten(self) -> FloatArray:
        from scipy.special import polygamma

        spectra, n = self.spectra, self.spectra.frequency_hz.size
        noise = self._noise[:, :, None] / difference_power(spectra)[:, None, :]
        air = np.clip(1.0 - noise.sum(axis=1), 0.0, 1.0).ravel()
        second = np.clip(noise[:, 1], 0.0, 1.0).ravel()
        step = np.subtract.outer(np.log(spectra.frequency_hz), np.log(spectra.frequency_hz))
        kernel = np.kron(np.exp(-0.5 * (step / FIT_MODEL_ERROR_OCTAVE) ** 2), np.ones((2, 2)))
        same = np.kron(np.ones((n, n)), np.eye(2))
        covariance = np.diag(np.repeat(polygamma(1, spectra.count), 2))
        model = PAIR_MODEL_ERROR**2 * (1.0 + same)
        covariance = covariance + model * kernel * np.outer(air, air)
        covariance += PAIR_NOISE_SIGMA**2 * np.outer(second, second)
        # a bin that is left out has a residual of zero and no say
        unused = ~spectra.used.ravel()
        covariance[unused] = covariance[:, unused] = 0.0
        covariance[unused, unused] = 1.0
        return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)).T)

    @cached_property
    def cross_density(self) -> FloatArray:
        """What both cameras share in phase, exposures undone, shape (n_bins, 2)."""
        gain = self.spectra.exposure_gains()
        cross = np.real(self.spectra.matrix[:, :, 0, 1])
        return np.asarray(cross / (gain[:, 0] * gain[:, 1])[:, None])

    @cached_property
    def cross_variance(self) -> FloatArray:
        """Variance of that mean of n products, (S11 S22 + Re(S12)^2 - Im(S12)^2)/2n."""
        gain, m = self.spectra.exposure_gains(), self.spectra.matrix
        own = np.real(m[:, :, 0, 0] * m[:, :, 1, 1]) / (gain[:, 0] * gain[:, 1])[:, None] ** 2
        cross = m[:, :, 0, 1] / (gain[:, 0] * gain[:, 1])[:, None]
        whole = own + np.real(cross) ** 2 - np.imag(cross) ** 2
        return np.asarray(np.maximum(whole, 1e-12) / (2 * self.spectra.count[:, None]))

    def shaken_arcsec2(
        self, shared: FloatArray, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """Return draws of the variance that turns both alike, both axes' sum, and their weights.

        Parameters
        ----------
        shared : ndarray, shape (n, n_bins, 2)
            Density of the air that both see, from `air`.
        rng : Generator

        Returns
        -------
        variance : ndarray, shape (n,)
            Not negative; in the bins alone, lines included.
        weight : ndarray, shape (n,)
            Of each row: air that shares more than the cameras do is the less likely.

        Notes
        -----
        The products' scatter is Gaussian, cut at zero; air errs by the model's own error, an
        octave long.
        """
        from scipy.stats import norm

        f = self.spectra.frequency_hz
        step = np.subtract.outer(np.log(f), np.log(f))
        kernel = np.exp(-0.5 * (step / FIT_MODEL_ERROR_OCTAVE) ** 2) + 1e-9 * np.eye(f.size)
        errors = rng.standard_normal((len(shared), f.size)) @ np.linalg.cholesky(kernel).T
        air = shared * np.exp(FIT_MODEL_ERROR_SHARED * errors)[:, :, None]
        width = self.width_hz[:, None] * self.spectra.used
        mean = ((self.cross_density - air) * width).sum(axis=(1, 2))
        sigma = float(np.sqrt((self.cross_variance * width**2).sum()))
        chance = norm.cdf(mean / sigma)
        # inverse of the cut distribution: z above -mean/sigma
        z = -norm.ppf(chance * rng.uniform(1e-9, 1.0, len(mean)))
        return np.maximum(mean + sigma * z, 0.0), chance

    def arrays(self) -> dict[str, FloatArray]:
        """Return curves for the page: both axes' sums, exposures undone."""
        own = np.real(self.spectra.matrix[:, :, 0, 0]) / self.spectra.exposure_gains()[:, :1] ** 2
        return {
            "cameras_frequency_hz": self.spectra.frequency_hz,
            "cameras_main_psd_arcsec2_hz": own.sum(axis=1),
            "cameras_apart_psd_arcsec2_hz": difference_power(self.spectra).sum(axis=1),
            "cameras_alike_psd_arcsec2_hz": self.cross_density.sum(axis=1),
            "cameras_coherence": self.spectra.coherence().mean(axis=1),
        }

    @cached_property
    def width_hz(self) -> FloatArray:
        """Width of each bin, shape (n_bins,)."""
        duration = self.spectra.duration_s
        return self.spectra.count / SENSOR_TAPERS * (SENSOR_TAPERS + 1) / duration


def pair_evidence(
    spectra: PairSpectra, wavelength_m: float, lines_hz: Sequence[tuple[float, float]] = ()
) -> PairEvidence:
    """Tabulate what air would make of these two cameras.

    Parameters
    ----------
    spectra : PairSpectra
    wavelength_m : float
    lines_hz : sequence of (low, high)
        Bands that mechanical lines fill.
    """
    edge = spectra.frequency_hz[:, None]
    steady = np.ones(spectra.frequency_hz.size, dtype=bool)
    for low, high in lines_hz:
        half = 0.5 * np.gradient(spectra.frequency_hz)
        steady &= (edge[:, 0] + half < low) | (edge[:, 0] - half > high)
    near, outside = (
        _layer_table(spectra, outer, nodes, wavelength_m)
        for outer, nodes in zip((PAIR_NEAR_L0_M, PAIR_FAR_L0_M), PAIR_OUTER_NODES, strict=True)
    )
    return PairEvidence(spectra, near, outside, steady)


def _layer_table(
    spectra: PairSpectra, outer_scale_m: tuple[float, float], n_outer: int, wavelength_m: float
) -> LayerTable:
    wind = np.log(np.geomspace(*PAIR_WINDS_M_S, PAIR_WIND_NODES))
    outer = np.log(np.geomspace(*outer_scale_m, n_outer))
    turn = np.linspace(0.0, 0.5 * np.pi, PAIR_DIRECTIONS)
    w, o, t = (part.ravel() for part in np.meshgrid(wind, outer, turn, indexing="ij"))
    pieces = max(1, w.size // PAIR_PROFILES_AT_ONCE)
    air = np.concatenate(
        [
            air_matrices(spectra, np.exp(w[k]), t[k], np.exp(o[k]), wavelength_m)
            for k in np.array_split(np.arange(w.size), pieces)
        ]
    )
    gain = spectra.exposure_gains()
    cross = np.real(air[..., 0, 1]) / (gain[:, 0] * gain[:, 1])[:, None]
    values = np.stack([_difference_of(spectra, air), cross], axis=-1)
    values = values.reshape(wind.size, n_outer, turn.size, *values.shape[1:])
    weight = np.r_[0.5, np.ones(turn.size - 2), 0.5] / (turn.size - 1)
    mean = np.einsum("t,wotbac->wobac", weight, values)
    values = np.concatenate([values, mean[:, :, None]], axis=2)
    values[..., 0] = np.log(np.maximum(values[..., 0], 1e-300))
    return LayerTable(wind, outer, values)


def _difference_of(spectra: PairSpectra, air: ComplexArray) -> FloatArray:
    undone = 1 / spectra.exposure_gains()
    return np.asarray(
        np.real(air[..., 0, 0]) * undone[:, 0, None] ** 2
        + np.real(air[..., 1, 1]) * undone[:, 1, None] ** 2
        - 2 * np.real(air[..., 0, 1]) * (undone[:, 0] * undone[:, 1])[:, None]
    )
