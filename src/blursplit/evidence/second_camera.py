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

from dataclasses import dataclass, replace

import numpy as np

from blursplit.constants import (
    ARCSEC_PER_RADIAN,
    PAIR_CHAINS,
    PAIR_FAR_L0_M,
    PAIR_FOLDS,
    PAIR_FREQUENCIES,
    PAIR_HIGHEST_PHASE,
    PAIR_HIGHEST_SHARE,
    PAIR_LEAST_COEFFICIENTS,
    PAIR_LINE_SIGMAS,
    PAIR_NEAR_L0_M,
    PAIR_R0_M,
    PAIR_ROUGH_M,
    PAIR_SAMPLES,
    PAIR_SHARE_SIGMA,
    PAIR_SWEEPS,
    PAIR_USUAL_L0_M,
    PAIR_WARM_UP,
    PAIR_WAVES,
    PAIR_WINDS_M_S,
    SENSOR_TAPERS,
)
from blursplit.estimate import Estimate, estimate
from blursplit.evidence.sensor_signal import tapered_sums, without_trend
from blursplit.turbulence.conversions import (
    SPECTRUM_CONSTANT,
    seeing_arcsec,
    structure_function,
)
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
    baseline_m : float
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

    def exposure_gains(self) -> FloatArray:
        """Return what each exposure leaves of a motion, shape (n_bins, 2)."""
        tau = np.array([camera.exposure_s for camera in self.cameras])
        return np.asarray(np.sinc(self.frequency_hz[:, None] * tau))

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
    refine: bool = True,
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
    refine : bool
        Turn and delay the second camera so that the difference is least. Where nothing shakes,
        air alone fixes neither: then state both, and refine nothing.

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
    turn = np.exp(1j * np.deg2rad(alignment.angle_deg))
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
            z = (z.conj() if alignment.mirrored else z) * turn
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
    if refine:
        undone[1], alignment = _refined(f, number, undone, alignment)
    sums[1] = undone[1]
    sums[1] = sums[1] * gains[1]
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
    )
    return replace(spectra, used=_without_lines(spectra))


def _refined(
    frequency_hz: FloatArray,
    number: IntArray,
    sums: list[ComplexArray],
    alignment: Alignment,
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

    def power(at: FloatArray) -> FloatArray:
        rest = first - moved(at[0] * 1e-2, at[1] * 1e-1)
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
    for _ in range(3):
        level = smooth(power(best))

        def cost(at: FloatArray, level: FloatArray = level) -> float:
            return float(np.sum(count[:, None] * power(at) / level))

        simplex = best + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]])
        best = minimize(
            cost, best, method="Nelder-Mead", options={**options, "initial_simplex": simplex}
        ).x
    delay, turn = float(best[0] * 1e-2), float(best[1] * 1e-1)
    return moved(delay, turn), replace(
        alignment,
        offset_s=alignment.offset_s + delay,
        angle_deg=alignment.angle_deg + float(np.degrees(turn)),
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
    plane_share: FloatArray | float = 1.0,
) -> ComplexArray:
    """Return the model spectra of one frozen layer of r0 = 1 m, folded as each camera folds.

    Parameters
    ----------
    spectra : PairSpectra
    wind_m_s, direction_rad, outer_scale_m : ndarray, shape (n,)
        Of the layer in each of n profiles; the direction is from the baseline.
    wavelength_m : float
    plane_share : float or ndarray, shape (n,)
        Share of the plane tilt in what the centroid follows, the rest is the mean gradient.

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
    share = np.broadcast_to(np.asarray(plane_share, dtype=float), (n,))[:, None, None]
    gains = []
    table = np.geomspace(1e-3, f.max() * 1.01, 600)
    for camera in spectra.cameras:
        z, g = (
            np.interp(f, table, signed_tilt_gain(table, camera.aperture_m, camera.obstruction, k))
            for k in ("Z", "G")
        )
        gains.append(share * z + (1 - share) * g)
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


def second_camera_log_likelihood(
    spectra: PairSpectra, air: ComplexArray, shake: FloatArray | None = None
) -> FloatArray:
    """Return the log likelihood of model spectra of both cameras.

    Parameters
    ----------
    spectra : PairSpectra
    air : ndarray, shape (n, n_bins, 2, 2, 2)
        Model of the air from `air_matrices`, times r0^(-5/3), summed over layers.
    shake : ndarray, shape (n, n_bins, 2), or None
        Density of what turns both alike, before exposure. With None it is free in every bin:
        the cameras' difference alone counts.

    Returns
    -------
    ndarray, shape (n,)

    Notes
    -----
    Complex Wishart law: -n [ln det C + tr(C^-1 S)]; of the difference, -n [ln D + P/D].
    """
    gain, noise = spectra.exposure_gains(), spectra.noise()
    weight = spectra.count[:, None] * spectra.used
    model = air + np.eye(2) * noise
    if shake is None:
        undone = 1 / gain
        expected = (
            np.real(model[..., 0, 0]) * undone[:, 0, None] ** 2
            + np.real(model[..., 1, 1]) * undone[:, 1, None] ** 2
            - 2 * np.real(model[..., 0, 1]) * (undone[:, 0] * undone[:, 1])[:, None]
        )
        found = difference_power(spectra)
        return np.asarray(-np.sum(weight * (np.log(expected) + found / expected), axis=(1, 2)))
    both = gain[:, :, None] * gain[:, None, :]
    model = model + shake[..., None, None] * both[:, None]
    determinant = np.real(model[..., 0, 0] * model[..., 1, 1] - model[..., 0, 1] * model[..., 1, 0])
    m = spectra.matrix
    trace = np.real(
        model[..., 1, 1] * m[..., 0, 0]
        + model[..., 0, 0] * m[..., 1, 1]
        - model[..., 0, 1] * m[..., 1, 0]
        - model[..., 1, 0] * m[..., 0, 1]
    )
    return np.asarray(-np.sum(weight * (np.log(determinant) + trace / determinant), axis=(1, 2)))


@dataclass(frozen=True)
class PairResult:
    """Seeing from two cameras.

    Parameters
    ----------
    r0_m : Estimate
        Of all the air, at the wavelength and along the line of sight: that of air of an outer
        scale of 25 m which is as rough over 0.1 m. Near air of a small outer scale counts by
        what it does to an image, which r0 alone does not say.
    seeing_arcsec : Estimate
        0.976 lambda/r0 of it.
    outside_seeing_arcsec : Estimate
        The same of the air outside.
    near_share : Estimate
        Share of near air in r0^(-5/3).
    r_hat : float
        Of ln r0 between chains that started apart; 1.05 or less when they agree.
    misfit : float
        Mean of power over model of the difference; about 1.
    line_hz : tuple of float
        Frequencies left out because a line stands in the difference.
    """

    r0_m: Estimate
    seeing_arcsec: Estimate
    outside_seeing_arcsec: Estimate
    near_share: Estimate
    r_hat: float
    misfit: float
    line_hz: tuple[float, ...]


def measure_seeing(
    spectra: PairSpectra,
    wavelength_m: float,
    *,
    plane_share: tuple[float, float] = (0.9, 0.1),
    seed: int = 0,
) -> PairResult:
    """Measure the air from what two cameras do differently, whatever shakes them.

    Parameters
    ----------
    spectra : PairSpectra
    wavelength_m : float
    plane_share : (float, float)
        Mean and sigma of the share of the plane tilt in the centroid.
    seed : int

    Notes
    -----
    Three frozen layers (near, ground, high) of unknown strengths, winds, directions and outer
    scales. A library of each layer's spectra is made once; Gibbs sampling (Geman & Geman 1984)
    draws the entry of each layer and, on grids, its strength. Eight chains start apart and warm
    up from a flattened likelihood.
    """
    rng = np.random.default_rng(seed)
    made = [_library(spectra, k, wavelength_m, plane_share, rng) for k in range(3)]
    library, rough = [one[0] for one in made], np.stack([one[1] for one in made], axis=1)
    found, noise = difference_power(spectra), _difference_noise(spectra)[:, None]
    weight = spectra.count[:, None] * spectra.used
    grid = np.linspace(np.log(PAIR_R0_M[1] ** (-5 / 3)) - 5, np.log(PAIR_R0_M[0] ** (-5 / 3)), 90)
    log_j = rng.uniform(grid[0] + 5, grid[-1], (PAIR_CHAINS, 3))
    entry = rng.integers(0, PAIR_SAMPLES, (PAIR_CHAINS, 3))
    part = np.stack([library[k][entry[:, k]] for k in range(3)], axis=1)

    def likelihood(expected: FloatArray) -> FloatArray:
        return np.asarray(-np.sum(weight * (np.log(expected) + found / expected), axis=(-1, -2)))

    def pick(log_weight: FloatArray) -> IntArray:
        # the largest of the logarithms with Gumbel noise is a draw
        return np.asarray(np.argmax(log_weight + rng.gumbel(size=log_weight.shape), axis=1))

    kept, depths = [], []
    for sweep in range(PAIR_WARM_UP + PAIR_SWEEPS):
        heat = min(1.0, (sweep + 5) / PAIR_WARM_UP)
        for k in range(3):
            whole = (np.exp(log_j)[:, :, None, None] * part).sum(axis=1) + noise
            rest = whole - np.exp(log_j[:, k])[:, None, None] * part[:, k]
            trial = rest[:, None] + np.exp(log_j[:, k])[:, None, None, None] * library[k]
            entry[:, k] = pick(heat * likelihood(trial))
            part[:, k] = library[k][entry[:, k]]
            trial = rest[:, None] + np.exp(grid)[:, None, None] * part[:, k, None]
            others = log_j[:, [m for m in range(3) if m != k]]
            each = np.concatenate(
                [
                    np.broadcast_to(others[:, None, :], (PAIR_CHAINS, grid.size, 2)),
                    np.broadcast_to(grid[None, :, None], (PAIR_CHAINS, grid.size, 1)),
                ],
                axis=-1,
            )
            prior = -0.5 * np.sum((each - each.mean(-1, keepdims=True)) ** 2, axis=-1)
            step = grid[1] - grid[0]
            log_j[:, k] = grid[pick(heat * likelihood(trial) + prior / PAIR_SHARE_SIGMA**2)]
            log_j[:, k] += step * rng.uniform(-0.5, 0.5, PAIR_CHAINS)
        # all strengths together: shares stay
        shift = np.linspace(-1, 1, 61) * (0.6 if sweep < PAIR_WARM_UP else 0.2)
        air = (np.exp(log_j)[:, :, None, None] * part).sum(axis=1)
        trial = air[:, None] * np.exp(shift)[:, None, None] + noise
        log_j += shift[pick(heat * likelihood(trial))][:, None]
        if sweep >= PAIR_WARM_UP:
            kept.append(log_j.copy())
            depth = np.stack([rough[entry[:, k], k] for k in range(3)], axis=1)
            depths.append((np.exp(log_j) * depth).sum(axis=1))
    draws = np.stack(kept)  # sweep, chain, layer
    total = np.log(np.stack(depths))
    between, within = total.mean(axis=0).var(ddof=1), total.var(axis=0, ddof=1).mean()
    strength = np.exp(draws).reshape(-1, 3)
    # r0 of air of the usual outer scale that is as rough over 0.1 m
    usual = structure_function(PAIR_ROUGH_M, 1.0, PAIR_USUAL_L0_M)
    r0 = (np.concatenate(depths) / usual) ** -0.6
    outside = np.maximum(strength[:, 1:].sum(axis=1), 1e-9) ** -0.6
    model = (np.exp(log_j)[:, :, None, None] * part).sum(axis=1) + noise
    misfit = float(np.sum(weight * (found / model).mean(axis=0)) / np.sum(weight))
    lines = spectra.frequency_hz[~spectra.used.all(axis=1)]
    return PairResult(
        r0_m=_estimated(r0),
        seeing_arcsec=_estimated(seeing_arcsec(r0, wavelength_m)),
        outside_seeing_arcsec=_estimated(seeing_arcsec(outside, wavelength_m)),
        near_share=_estimated(strength[:, 0] / strength.sum(axis=1)),
        r_hat=float(np.sqrt(1 + between / within)),
        misfit=misfit,
        line_hz=tuple(lines.tolist()),
    )


def _estimated(draws: FloatArray) -> Estimate:
    found = estimate(draws)
    if found is None:
        msg = "no draw is finite"
        raise ValueError(msg)
    return found


def _library(
    spectra: PairSpectra,
    layer: int,
    wavelength_m: float,
    plane_share: tuple[float, float],
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray]:
    """Return difference spectra and roughness of one layer of r0 = 1 m, drawn from its prior."""

    def between(limits: tuple[float, float]) -> FloatArray:
        draw = rng.uniform(size=PAIR_SAMPLES)
        return np.asarray(limits[0] * (limits[1] / limits[0]) ** draw)

    wind = between(PAIR_WINDS_M_S[layer])
    outer = between(PAIR_FAR_L0_M if layer else PAIR_NEAR_L0_M)
    direction = rng.uniform(0, 2 * np.pi, PAIR_SAMPLES)
    mix = np.clip(rng.normal(*plane_share, PAIR_SAMPLES), 0, 1)
    parts = [
        air_matrices(spectra, wind[k], direction[k], outer[k], wavelength_m, mix[k])
        for k in np.array_split(np.arange(PAIR_SAMPLES), 4)
    ]
    rough = structure_function(PAIR_ROUGH_M, 1.0, outer)
    return _difference_of(spectra, np.concatenate(parts)), rough


def _difference_of(spectra: PairSpectra, air: ComplexArray) -> FloatArray:
    undone = 1 / spectra.exposure_gains()
    return np.asarray(
        np.real(air[..., 0, 0]) * undone[:, 0, None] ** 2
        + np.real(air[..., 1, 1]) * undone[:, 1, None] ** 2
        - 2 * np.real(air[..., 0, 1]) * (undone[:, 0] * undone[:, 1])[:, None]
    )


def _difference_noise(spectra: PairSpectra) -> FloatArray:
    return np.asarray((spectra.noise() / spectra.exposure_gains() ** 2).sum(axis=1))
