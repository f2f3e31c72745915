"""Frozen von Karman air: the phase that each star's light arrives with.

A screen wide enough for the outer scale (100 m), fine enough for the pupil (5 mm) and as long
as the wind runs (500 m) would hold 2e9 points. The spectrum of every layer is therefore split
into three Gaussian-edged bands, W = W (1 - g0) + W (g0 - g1) + W g1 with g = exp(-(f/fc)^2),
each drawn on a grid and a width of its own and added: independent fields add in spectrum, so
the sum has exactly the von Karman spectrum. The finest band forgets itself within a few
apertures, which lets stars that look through far-apart strips of it share one narrow ribbon at
offsets far from one another. A near layer (dome, tube, walls) is a layer at height 0 with an
outer scale of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.turbulence.conversions import phase_spectrum
from blursplit.types import FloatArray


def _draw_field(
    shape: tuple[int, int],
    pitch_m: float,
    density: Callable[[FloatArray], FloatArray],
    rng: np.random.Generator,
    *,
    bilinear: bool = False,
) -> NDArray[np.float32]:
    """Draw a periodic Gaussian field with a given spectrum.

    `shape`: points along the wind and across it; the second even. `pitch_m`: grid step [m].
    `density`: two-sided spectral density [rad^2 m^2] of the modulus of frequency [1/m]. `bilinear`:
    lift the spectrum by what bilinear reading at random places will take away: the mean power that
    it lets through is (2 + cos t)/3 on each axis, t = 2 pi f pitch.
    """
    from scipy.fft import irfft2

    n_along, n_across = shape
    f_along = np.fft.fftfreq(n_along, pitch_m).astype(np.float32)[:, None]
    f_across = np.fft.rfftfreq(n_across, pitch_m).astype(np.float32)[None, :]
    cell = 1.0 / (n_along * n_across * pitch_m**2)
    half = np.empty((n_along, f_across.size), dtype=np.complex64)
    step = max(1, 2_000_000 // f_across.size)
    lift_across, lift_along = 1.0, np.ones_like(f_along)
    if bilinear:
        lift_across = 3 / (2 + np.cos(2 * np.pi * f_across * pitch_m))
        lift_along = 3 / (2 + np.cos(2 * np.pi * f_along * pitch_m))
    for start in range(0, n_along, step):
        part = slice(start, min(start + step, n_along))
        size = (part.stop - part.start, f_across.size)
        power = density(np.hypot(f_along[part], f_across)) * cell / 2
        power *= lift_along[part] * lift_across
        amplitude = np.sqrt(power).astype(np.float32)
        half[part].real = rng.standard_normal(size, dtype=np.float32) * amplitude
        half[part].imag = rng.standard_normal(size, dtype=np.float32) * amplitude
    half[0, 0] = 0.0
    # a transform back to real numbers keeps only the real half of these two columns' variance
    half[:, 0] *= np.float32(np.sqrt(2.0))
    half[:, -1] *= np.float32(np.sqrt(2.0))
    field = irfft2(half, s=shape, overwrite_x=True)
    field *= np.float32(n_along * n_across)
    return np.asarray(field, dtype=np.float32)


@dataclass(frozen=True)
class LayerGeometry:
    """Where the beams cross one layer, in the layer's own axes (along the wind, across it)."""

    # `r0_m`, `outer_scale_m`, `wind_m_s`, `angle_rad`: Fried parameter of this layer alone, outer
    # scale, speed and direction of the wind.
    r0_m: float
    outer_scale_m: float
    wind_m_s: float
    angle_rad: float
    # `star_along_m`, `star_across_m`: (n_stars,): offset of each star's beam.
    star_along_m: FloatArray
    star_across_m: FloatArray

    def rotated(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return pupil coordinates along and across the wind."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return c * x_m + s * y_m, -s * x_m + c * y_m

    def is_sparse(self, aperture_m: float, pace: Pace) -> bool:
        """Return whether frames lie so far apart that the finest band is new in each."""
        longest_s = max(pace.interval_s - pace.frame_s, pace.step_s)
        return self.wind_m_s * longest_s > const.FORGET * aperture_m


class _CoarseBand:
    """A smooth band of a layer, drawn once for the whole sequence, read by cubic splines.

    A path longer than memory allows (kilometres for the middle band, tens of them for the
    coarse one) wraps around it at a slant of less than a degree, each turn beside the others.
    """

    def __init__(
        self,
        layer: LayerGeometry,
        aperture_m: float,
        duration_s: float,
        band: str,
        rng: np.random.Generator,
    ) -> None:
        from scipy.fft import next_fast_len
        from scipy.ndimage import spline_filter

        middle = band == "middle"
        fine_edge, middle_edge = const.FINE_EDGE / aperture_m, const.MIDDLE_EDGE / aperture_m

        def density(f: FloatArray) -> FloatArray:
            whole = phase_spectrum(f, layer.r0_m, layer.outer_scale_m)
            low = np.exp(-((f / middle_edge) ** 2))
            return np.asarray(whole * (np.exp(-((f / fine_edge) ** 2)) - low if middle else low))

        self.pitch_m = aperture_m * (const.MIDDLE_PITCH if middle else const.COARSE_PITCH)
        # the wrap must lie beyond the reach of the band: a few of its own longest waves,
        # and four outer scales where those are what ends the spectrum
        reach_m = 2.0 / middle_edge if middle else 4.0 * layer.outer_scale_m
        spans = (
            np.ptp(layer.star_along_m) + layer.wind_m_s * duration_s + aperture_m + reach_m,
            np.ptp(layer.star_across_m) + aperture_m + reach_m,
        )
        n_along, n_across = (next_fast_len(int(np.ceil(s / self.pitch_m)) + 8) for s in spans)
        n_across += n_across % 2
        longest = const.RIBBON_POINTS // n_across
        self._slant = const.TURN_APART * n_across / longest if n_along > longest else 0.0
        n_along = min(n_along, longest)
        field = _draw_field((n_along, n_across), self.pitch_m, density, rng)
        self._coefficients = spline_filter(field, order=3, output=np.float32, mode="grid-wrap")

    def phase(self, along_m: FloatArray, across_m: FloatArray) -> NDArray[np.float32]:
        """Return the phase [rad] at points [m], any shape."""
        from scipy.ndimage import map_coordinates

        points = np.stack([along_m, across_m + self._slant * along_m]) / self.pitch_m
        how = {"order": 3, "prefilter": False, "mode": "grid-wrap", "output": np.float32}
        return np.asarray(map_coordinates(self._coefficients, points, **how))


def _strip_of_each_star(across_m: FloatArray, gap_m: float) -> tuple[NDArray[np.int64], FloatArray]:
    """Group stars whose beams pass the finest band closer than `gap_m` to each other.

    Returns `strip` (n_stars,): number of the strip; stars in different strips are independent in
    the finest band; `local_m` (n_stars,): offset across the wind inside the strip, from 0.
    """
    order = np.argsort(across_m)
    jumps = np.diff(across_m[order]) > gap_m
    strip = np.empty(across_m.size, dtype=np.int64)
    strip[order] = np.concatenate([[0], np.cumsum(jumps)])
    local = np.array([a - across_m[strip == s].min() for a, s in zip(across_m, strip, strict=True)])
    return strip, local


class _FineBand:
    """The finest band of a layer over a path of some length, which a longer path wraps around.

    It is read by bilinear interpolation.
    """

    def __init__(
        self,
        layer: LayerGeometry,
        aperture_m: float,
        pitch_m: float,
        path_m: float,
        rng: np.random.Generator,
    ) -> None:
        from scipy.fft import next_fast_len

        fine_edge = const.FINE_EDGE / aperture_m

        def density(f: FloatArray) -> FloatArray:
            whole = phase_spectrum(f, layer.r0_m, layer.outer_scale_m)
            return np.asarray(whole * -np.expm1(-((f / fine_edge) ** 2)))

        self.pitch_m, self._layer, self._aperture_m = pitch_m, layer, aperture_m
        reach_m = const.FORGET * aperture_m
        self.strip, self.local_m = _strip_of_each_star(layer.star_across_m, reach_m)
        span_m = path_m + np.ptp(layer.star_along_m) + aperture_m + reach_m
        self.n_along = next_fast_len(int(np.ceil(span_m / pitch_m)))
        across = (self.local_m.max() + aperture_m + reach_m) / pitch_m
        n_across = next_fast_len(int(np.ceil(across)))
        n_across += n_across % 2
        field = _draw_field((self.n_along, n_across), pitch_m, density, rng, bilinear=True)
        tail = int(np.ceil(1.5 * aperture_m / pitch_m)) + 4
        self.n_columns = n_across - 1
        # neighbours across the wind lie together in one complex number: half the look-ups
        pairs = np.empty((self.n_along + tail, self.n_columns), dtype=np.complex64)
        for start, values in ((0, field), (self.n_along, field[:tail])):
            rows = slice(start, start + len(values))
            pairs[rows].real, pairs[rows].imag = values[:, :-1], values[:, 1:]
        self._pairs = pairs.ravel()

    @property
    def length_m(self) -> float:
        """Length after which the ribbon repeats."""
        return float(self.n_along * self.pitch_m)

    def add_phase(
        self,
        star: int,
        along_m: FloatArray,
        x_m: FloatArray,
        y_m: FloatArray,
        out: NDArray[np.float32],
    ) -> None:
        """Add the phase [rad] over the pupil points to `out`.

        `along_m` (n_samples,): path of the beam along the wind. `x_m`, `y_m` (n_points,): pupil
        points. `out` (n_samples, n_points) float32.
        """
        u, v = self._layer.rotated(x_m, y_m)
        half = 0.75 * self._aperture_m
        n_strips = int(self.strip.max()) + 1
        start = along_m / self.pitch_m + self.n_along * self.strip[star] / n_strips
        start = np.mod(start, self.n_along)
        row0 = np.floor(start).astype(np.int32)
        ahead = ((u + half) / self.pitch_m).astype(np.float32)
        a = (start - row0).astype(np.float32)[:, None] + ahead
        b = (v + half + self.local_m[star]) / self.pitch_m
        column = np.floor(b).astype(np.int32)
        share_across = (b - column).astype(np.float32)
        row = a.astype(np.int32)
        a -= row
        row += row0[:, None]
        row *= np.int32(self.n_columns)
        row += column
        here = self._pairs.take(row)
        row += np.int32(self.n_columns)
        there = self._pairs.take(row)
        there -= here
        there *= a
        here += there
        out += here.real
        out += share_across * (here.imag - here.real)


@dataclass(frozen=True)
class Pace:
    """How the camera samples the air."""

    interval_s: float  # from frame to frame
    frame_s: float  # from the first to the last moment of one frame, all rows included
    step_s: float  # between the moments of one exposure


def _fine_path_m(
    layer: LayerGeometry, aperture_m: float, pace: Pace, frames: int, stretch_s: float
) -> float:
    """Return how much of the path needs a ribbon of its own.

    Frames that are independent in the finest band take random places on a ribbon of fresh air
    that has one or two apertures for each; and where even the moments of one exposure are
    independent, a long exposure may wrap around it.
    """
    if not layer.is_sparse(aperture_m, pace):
        return layer.wind_m_s * stretch_s
    fresh = max(64, 2 * frames) * aperture_m
    one = layer.wind_m_s * pace.frame_s
    if layer.wind_m_s * pace.step_s > const.FORGET * aperture_m:
        one = min(one, const.LONGEST_SPARSE * aperture_m)
    return max(fresh, one)


class Atmosphere:
    """Phase over the pupil for any star and moment.

    `aperture_m`, `pitch_m`: pupil and the step of its grid. `x_m`, `y_m` (n_points,): pupil points.
    """

    def __init__(
        self,
        layers: list[LayerGeometry],
        aperture_m: float,
        pitch_m: float,
        x_m: FloatArray,
        y_m: FloatArray,
        duration_s: float,
        rng: np.random.Generator,
    ) -> None:
        self._layers, self._aperture_m, self._pitch_m = layers, aperture_m, pitch_m
        self._rng, self._first = rng, 0
        self._smooth = [
            [_CoarseBand(layer, aperture_m, duration_s, band, rng) for band in ("middle", "coarse")]
            for layer in layers
        ]
        self._fine: list[_FineBand] = []
        self._starts = [np.zeros(1)]
        self._places: list[FloatArray] = []
        self._see_through(aperture_m, x_m, y_m)

    def _see_through(self, aperture_m: float, x_m: FloatArray, y_m: FloatArray) -> None:
        from scipy.interpolate import BarycentricInterpolator

        radius = aperture_m / 2 * 1.03
        node = np.cos(np.pi * (np.arange(const.AIR_NODES) + 0.5) / const.AIR_NODES)
        self._node_x = np.tile(node * radius, const.AIR_NODES)
        self._node_y = np.repeat(node * radius, const.AIR_NODES)
        # Lagrange's basis polynomials of the nodes at the pupil's points, shape (node, point)
        basis = BarycentricInterpolator(node, np.eye(const.AIR_NODES))
        across, down = basis(x_m / radius).T, basis(y_m / radius).T
        weights = (down[:, None, :] * across[None, :, :]).reshape(const.AIR_NODES**2, -1)
        self._weights = weights.astype(np.float32)
        self._x_m, self._y_m = x_m, y_m

    def seen_through(
        self, aperture_m: float, x_m: FloatArray, y_m: FloatArray, first: int
    ) -> Atmosphere:
        """Return the same air for another, no larger pupil, whose stars count from `first` on.

        It follows the stretches that are begun here.
        """
        other = copy(self)
        other._first = first  # noqa: SLF001 - of its own kind; the stretch is the same list
        other._see_through(aperture_m, x_m, y_m)  # noqa: SLF001
        return other

    def begin_stretch(self, frame_start_s: FloatArray, pace: Pace) -> None:
        """Draw the finest bands anew for a stretch of frames.

        `frame_start_s` (n_frames,): starts of the stretch's exposures, increasing.
        """
        self._starts[0] = np.asarray(frame_start_s, dtype=float)
        since = self._starts[0] - self._starts[0][0]
        self._fine.clear()
        self._places.clear()
        for layer in self._layers:
            stretch_s = float(since[-1]) + pace.frame_s
            path = _fine_path_m(layer, self._aperture_m, pace, since.size, stretch_s)
            band = _FineBand(layer, self._aperture_m, self._pitch_m, path, self._rng)
            place = -layer.wind_m_s * since
            if layer.is_sparse(self._aperture_m, pace):
                place = self._rng.uniform(0, band.length_m, since.size)
            self._fine.append(band)
            self._places.append(place)

    def smooth_nodes(self, star: int, time_s: FloatArray) -> NDArray[np.float32]:
        """Return the smooth bands at the nodes of the pupil, shape (n_samples, AIR_NODES^2)."""
        total = np.zeros((time_s.size, const.AIR_NODES**2), dtype=np.float32)
        star += self._first
        for layer, bands in zip(self._layers, self._smooth, strict=True):
            u, v = layer.rotated(self._node_x, self._node_y)
            path = layer.star_along_m[star] - layer.wind_m_s * time_s
            along = path[:, None] + u[None, :]
            across = np.broadcast_to(layer.star_across_m[star] + v, along.shape)
            for band in bands:
                total += band.phase(along, across)
        return total

    def phase(
        self, star: int, time_s: FloatArray, nodes: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return the phase [rad] over the pupil points.

        `time_s` (n_samples,): inside the present stretch. `nodes`: from `smooth_nodes` for the same
        moments.
        """
        out = nodes @ self._weights
        star += self._first
        starts = self._starts[0]
        frame = np.searchsorted(starts, time_s, side="right") - 1
        inside = time_s - starts[frame]
        for layer, band, place in zip(self._layers, self._fine, self._places, strict=True):
            path = layer.star_along_m[star] + place[frame] - layer.wind_m_s * inside
            band.add_phase(star, path, self._x_m, self._y_m, out)
        return np.asarray(out)
