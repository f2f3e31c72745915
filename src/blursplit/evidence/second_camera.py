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

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from blursplit import constants as const
from blursplit.definitions import turn as turned
from blursplit.evidence.sensor_record import tapered_sums, without_trend
from blursplit.rig import SecondCameraSetup
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class CameraMotion:
    """How the image moved in one camera."""

    time_s: FloatArray  # (n_frames,): middles of the exposures on this camera's clock
    # (n_frames, 2): along the camera's own axes; of one star, or the mean of stars close together.
    motion_arcsec: FloatArray
    noise_arcsec: float  # one-axis noise of a frame
    exposure_s: float
    aperture_m: float
    obstruction: float = 0.0
    width_px: float = np.inf  # sigma of its star

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return 1 / float(np.median(np.diff(self.time_s)))

    def later(self, shift_s: float) -> CameraMotion:
        """Return the motion with its times raised."""
        return replace(self, time_s=self.time_s + shift_s)


def witness_baseline_m(aperture_m: float) -> float:
    """Return how far apart two tubes should stand for their air to differ."""
    return max(const.PAIR_WITNESS_BASELINE[0], const.PAIR_WITNESS_BASELINE[1] * aperture_m)


@dataclass(frozen=True)
class _Alignment:
    """How the second camera lies to the main one, from the motion that they share.

    `offset_s` is to be added to its times; its axes are turned by `angle_deg` from the main
    camera's (mirrored before, if so); `agreement` is the correlation of their steps. `lead`: by how
    much the logarithm of the likelihood of this turn exceeds that of the likeliest one far from it
    or of the other hand.
    """

    offset_s: float
    angle_deg: float
    mirrored: bool
    agreement: float
    lead: float = np.inf


@dataclass(frozen=True)
class PairSpectra:
    """Spectra of two cameras along and across their baseline."""

    # `frequency_hz`, `count`: (n_bins,): mean frequency and number of independent coefficients.
    frequency_hz: FloatArray
    count: FloatArray
    # (n_bins, 2, 2, 2): bin, axis (along, across), camera, camera: one-sided densities
    # [arcsec^2/Hz].
    matrix: ComplexArray
    # (n_bins, 2): false where a line stands in the difference (flexure, or a mode folded in one
    # camera).
    used: BoolArray
    cameras: tuple[CameraMotion, CameraMotion]
    # `baseline_m`, `baseline_rad`, `duration_s`: its length, its direction from the main camera's
    # +x, and the common record's length.
    baseline_m: float
    alignment: _Alignment  # as refined
    baseline_rad: float = 0.0
    duration_s: float = 60.0

    def exposure_gains(self) -> FloatArray:
        """Return what each exposure leaves of a motion, shape (n_bins, 2)."""
        tau = np.array([camera.exposure_s for camera in self.cameras])
        return np.asarray(np.sinc(self.frequency_hz[:, None] * tau))

    def undone(self, matrix: ComplexArray | None = None) -> ComplexArray:
        """Return `matrix`, or another of its last four axes, with the exposures undone."""
        gain = self.exposure_gains()
        both = gain[:, None, :, None] * gain[:, None, None, :]
        return np.asarray((self.matrix if matrix is None else matrix) / both)

    @staticmethod
    def difference_power(undone: ComplexArray) -> FloatArray:
        """Return the density of the cameras' difference, (..., n_bins, 2), from `undone`.

        What both share by turning together drops out of it, whatever its spectrum.
        """
        u = np.real(undone)
        return np.asarray(u[..., 0, 0] + u[..., 1, 1] - 2 * u[..., 0, 1])

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

    @classmethod
    def of_both(
        cls,
        main: CameraMotion,
        second: CameraMotion,
        baseline_m: tuple[float, float],
        stated: SecondCameraSetup,
        lines_hz: Iterable[float],
    ) -> tuple[PairSpectra, str | None]:
        """Return both cameras' spectra, and the code of what keeps them from being compared.

        Air that blows along the baseline looks like a clock that is late: a stated offset, a line
        that both show, or motion that is nearly the same in both fix it; air alone does not. Motion
        that hardly goes together does not tell how the axes are turned either.
        """
        low, high = stated.offset_s or const.SENSOR_OFFSET_S
        found = _align_cameras(main, second, (low, high))
        angle_deg = stated.angle_deg
        if angle_deg is not None:
            found = replace(found, angle_deg=angle_deg, mirrored=stated.mirrored, lead=np.inf)
        at = float(np.clip(found.offset_s, low, high))
        is_stated = high - low <= const.PAIR_KNOWN_OFFSET_S
        reach = (max(low - at, -const.PAIR_REACH_S), min(high - at, const.PAIR_REACH_S))
        found, turn = replace(found, offset_s=at), angle_deg is None
        spectra = _pair_spectra(main, second, baseline_m, found, reach_s=reach, turn=turn)
        shown = [spectra.coherence_at(line_hz) > const.PAIR_SHARED_LINE for line_hz in lines_hz]
        if not (is_stated or any(shown) or found.agreement > const.PAIR_ONE_MOTION):
            return spectra, "second-camera-clock"
        return spectra, None if found.lead > const.PAIR_TURN_LEAD else "second-camera-turn"


def _align_cameras(
    main: CameraMotion, second: CameraMotion, offset_s: tuple[float, float] = (-5.0, 5.0)
) -> _Alignment:
    """Find clock offset and turn of the second camera from the motion that both share.

    `offset_s`: range in which the offset lies.

    Returns: the offset takes in the delay of air that blows along the baseline (b/V) where nothing
    else moves.
    """
    step = 0.25 * min(1 / main.rate_hz, 1 / second.rate_hz)
    start = max(main.time_s[0], second.time_s[0] + offset_s[0])
    stop = min(main.time_s[-1], second.time_s[-1] + offset_s[1])
    grid = np.arange(start, stop, step)

    def steps(camera: CameraMotion, at_s: FloatArray) -> ComplexArray:
        path = without_trend(camera.time_s, camera.motion_arcsec)
        x, y = (np.interp(at_s, camera.time_s, path[:, k]) for k in (0, 1))
        # first differences whiten air's slow motion, which would blur the peak
        return np.asarray(np.diff(x + 1j * y))

    size = 1 << int(np.ceil(np.log2(2 * grid.size)))
    one = np.fft.fft(steps(main, grid), size)
    middle = 0.5 * (offset_s[0] + offset_s[1])
    plain = steps(second, grid - middle)
    lag = np.fft.fftfreq(size, 1 / size) * step
    allowed = np.abs(lag) <= 0.5 * (offset_s[1] - offset_s[0]) + step
    agreement, offset = 0.0, middle
    power = np.sqrt(np.sum(np.abs(plain) ** 2) * np.sum(np.abs(steps(main, grid)) ** 2))
    for other in (plain, plain.conj()):
        cross = np.abs(np.fft.ifft(one * np.fft.fft(other, size).conj())) / power
        peak = int(np.argmax(np.where(allowed, cross, 0.0)))
        if cross[peak] > agreement:
            near = [cross[(peak + k) % size] for k in (-1, 0, 1)]
            bend = near[0] - 2 * near[1] + near[2]
            shift = 0.0 if bend >= 0 else 0.5 * (near[0] - near[2]) / bend
            agreement, offset = float(cross[peak]), middle + lag[peak] + shift * step
    likely = _turns(main, second, float(np.clip(offset, *offset_s)))
    best, rival = sorted(likely, key=lambda hand: -hand.max())
    turn = int(np.argmax(best))
    apart = np.abs((np.arange(360) - turn + 180) % 360 - 180) > const.PAIR_OTHER_TURN_DEG
    lead = float(best[turn] - max(rival.max(), best[apart].max()))
    return _Alignment(offset, float((turn + 180) % 360 - 180), best is likely[1], agreement, lead)


def _turns(main: CameraMotion, second: CameraMotion, offset_s: float) -> list[FloatArray]:
    """Return ln likelihood of each whole degree of turn, for either hand of the axes.

    Bin by bin n ln(1 - coherence^2) (Goodman 1963), one turn for all. Air that stands across a
    baseline moves both tubes more alike than air along it: at high frequencies that looks like
    axes of the other hand, at low ones hardly, and there the coherence is.
    """
    f, sums = _coefficients(main, second, offset_s)
    edges = _bin_edges(f)[:-1]
    turn = np.deg2rad(np.arange(360.0))
    first, other = (np.add.reduceat((np.abs(s) ** 2).sum(axis=(1, 2)), edges) for s in sums)
    count = 2.0 * const.SENSOR_TAPERS * np.diff([*edges, f.size])  # of both axes
    out = []
    for hand in (1.0, -1.0):
        (x, y), (u, v) = np.moveaxis(sums[0], 2, 0), np.moveaxis(sums[1], 2, 0).conj()
        v = hand * v
        parts = (np.real(part).sum(axis=1) for part in (x * u + y * v, y * u - x * v))
        along, across = (np.add.reduceat(part, edges) for part in parts)
        both = np.outer(along, np.cos(turn)) + np.outer(across, np.sin(turn))
        alike = np.clip(both / np.sqrt(first * other)[:, None], 0.0, 1.0 - 1e-9)
        out.append(-(count[:, None] * np.log1p(-(alike**2))).sum(axis=0))
    return out


def _coefficients(
    main: CameraMotion, second: CameraMotion, offset_s: float
) -> tuple[FloatArray, list[ComplexArray]]:
    """Return frequencies, and both cameras' tapered sums (n, tapers, 2), exposures undone.

    Raises ValueError when the two overlap for less than ten seconds.
    """
    own = second.time_s + offset_s
    start, stop = max(main.time_s[0], own[0]), min(main.time_s[-1], own[-1])
    if stop - start < 10:  # noqa: PLR2004 - a dozen coefficients at the least
        msg = f"the two cameras overlap for {max(0.0, stop - start):.1f} s only"
        raise ValueError(msg)
    highest = const.PAIR_HIGHEST_SHARE * min(main.rate_hz, second.rate_hz)
    highest = min(highest, const.PAIR_HIGHEST_PHASE / max(main.exposure_s, second.exposure_s))
    step = (const.SENSOR_TAPERS + 1) / (stop - start)
    f = step * np.arange(1, max(2, int(highest / step)))
    sums = []
    for camera, time in ((main, main.time_s), (second, own)):
        inside = (time >= start) & (time <= stop)
        path = without_trend(time[inside], camera.motion_arcsec[inside])
        found = tapered_sums(time[inside], path, f, stop - start)
        # both from one zero of time and one position of the tapers
        turns = np.exp(-2j * np.pi * f * time[inside][0]) / np.sinc(f * camera.exposure_s)
        sums.append(found * turns[:, None, None])
    return f, sums


def _pair_spectra(
    main: CameraMotion,
    second: CameraMotion,
    baseline_m: tuple[float, float],
    alignment: _Alignment,
    *,
    reach_s: tuple[float, float] = (-const.PAIR_REACH_S, const.PAIR_REACH_S),
    turn: bool = True,
) -> PairSpectra:
    """Return the spectra of both cameras along and across the baseline.

    Tapered Fourier sums at each camera's own times: nothing is interpolated, so that a mode
    above the slower camera's limit stays where it is in the faster one.

    `baseline_m`: from the main to the second aperture along the main camera's axes. `reach_s`: by
    how much the offset may be changed so that the difference is least. Where nothing shakes, air
    alone would fix it wrongly: then state it, and leave no reach. `turn`: turn the second camera
    too.

    Raises ValueError when the two overlap for less than ten seconds.
    """
    f, sums = _coefficients(main, second, alignment.offset_s)
    baseline_rad = float(np.arctan2(baseline_m[1], baseline_m[0]))
    back_deg = -float(np.degrees(baseline_rad))
    hand = np.diag([1.0, -1.0 if alignment.mirrored else 1.0])
    undone = [sums[0] @ turned(back_deg), sums[1] @ hand @ turned(alignment.angle_deg + back_deg)]
    edges = _bin_edges(f)
    number = np.searchsorted(edges, np.arange(f.size), side="right") - 1
    undone[1], alignment = _refined(f, number, undone, alignment, reach_s, turn=turn)
    gains = [np.sinc(f * camera.exposure_s)[:, None, None] for camera in (main, second)]
    # frequency, taper, axis, camera
    stacked = np.stack([part * gain for part, gain in zip(undone, gains, strict=True)], axis=-1)
    products = np.einsum("ntai,ntaj->naij", stacked, stacked.conj())
    size = np.bincount(number)
    count = const.SENSOR_TAPERS * size.astype(float)
    spectra = PairSpectra(
        frequency_hz=np.bincount(number, f) / size,
        count=count,
        matrix=np.add.reduceat(products, edges) / count[:, None, None, None],
        used=np.ones((size.size, 2), dtype=bool),
        cameras=(main, second),
        baseline_m=float(np.hypot(*baseline_m)),
        alignment=alignment,
        baseline_rad=baseline_rad,
        duration_s=(const.SENSOR_TAPERS + 1) / float(f[0]),
    )
    return replace(spectra, used=_without_lines(spectra))


def _refined(
    frequency_hz: FloatArray,
    number: IntArray,
    sums: list[ComplexArray],
    alignment: _Alignment,
    reach_s: tuple[float, float],
    *,
    turn: bool,
) -> tuple[ComplexArray, _Alignment]:
    """Turn and delay the second camera's coefficients so that the difference is least.

    A shake of 0.3 arcsec at 6 Hz leaves a tenth of itself in the difference of two clocks that
    disagree by 3 ms: correlation alone does not find the offset so well.
    """
    from scipy.ndimage import median_filter
    from scipy.optimize import minimize

    first, second = sums
    bins = int(number.max()) + 1
    count = np.bincount(number, minlength=bins).astype(float)

    def moved(delay_s: float, turn_rad: float) -> ComplexArray:
        wave = np.exp(-2j * np.pi * frequency_hz * delay_s)[:, None, None]
        return np.asarray(second @ turned(float(np.degrees(turn_rad))) * wave)

    def meant(at: FloatArray) -> tuple[float, float]:
        return float(np.clip(at[0] * 1e-2, *reach_s)), float(at[1] * 1e-1) if turn else 0.0

    def power(at: FloatArray) -> FloatArray:
        rest = first - moved(*meant(at))
        size = (np.abs(rest) ** 2).mean(axis=1)
        total = [np.bincount(number, size[:, k], bins) for k in (0, 1)]
        return np.asarray(np.stack(total, axis=1) / np.bincount(number)[:, None])

    def smooth(found: FloatArray) -> FloatArray:
        # what stands above its neighbours is shake that does not cancel, not air
        return np.asarray(np.exp(median_filter(np.log(found), (9, 1), mode="mirror")))

    best = np.zeros(2)
    options = {"xatol": 1e-3, "fatol": 1e-2, "maxiter": 200}
    for _ in range(3 if turn or reach_s[0] < reach_s[1] else 0):
        level = smooth(power(best))

        def cost(at: FloatArray, level: FloatArray = level) -> float:
            return float(np.sum(count[:, None] * power(at) / level))

        simplex = best + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, 0.5]])
        how = {**options, "initial_simplex": simplex}
        best = minimize(cost, best, method="Nelder-Mead", options=how).x
    delay, angle = meant(best)
    return moved(delay, angle), replace(
        alignment,
        offset_s=alignment.offset_s + delay,
        angle_deg=alignment.angle_deg + float(np.degrees(angle)),
    )


def _bin_edges(frequency_hz: FloatArray) -> IntArray:
    """Return where bins begin: fifteen a decade, each with enough coefficients."""
    least = int(np.ceil(const.PAIR_LEAST_COEFFICIENTS / const.SENSOR_TAPERS))
    edges = [0]
    while True:
        wide = int(np.searchsorted(frequency_hz, frequency_hz[edges[-1]] * 10 ** (1 / 15)))
        following = max(edges[-1] + least, wide)
        if frequency_hz.size - following < least:
            return np.array(edges)
        edges.append(following)


def _without_lines(spectra: PairSpectra) -> BoolArray:
    log = np.log(np.maximum(PairSpectra.difference_power(spectra.undone()), 1e-300))
    out = np.ones(log.shape, dtype=bool)
    for b in range(log.shape[0]):
        near = [k for k in range(max(0, b - 3), min(log.shape[0], b + 4)) if k != b]
        around = np.median(log[near], axis=0) if near else log[b]
        out[b] = log[b] - around < const.PAIR_LINE_SIGMAS / np.sqrt(spectra.count[b]) + 0.5
    return out
