"""Frozen von Karman air in long ribbons, split into bands of spatial frequency.

A screen wide enough for the outer scale (100 m), fine enough for the pupil (5 mm) and as long
as the wind runs (500 m) would hold 2e9 points. The spectrum is therefore split into three
Gaussian-edged bands, W = W (1 - g0) + W (g0 - g1) + W g1 with g = exp(-(f/fc)^2), each drawn
on a grid and a width of its own and added: independent fields add in spectrum, so the sum has
exactly the von Karman spectrum. The finest band forgets itself within a few apertures, which
lets stars that look through far-apart strips of it share one narrow ribbon at offsets far from
one another.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    Density = Callable[[FloatArray], FloatArray]

# Gamma(11/6)^2/(2 pi^(11/3)) (24/5 Gamma(6/5))^(5/6); Fried 1966, Noll 1976
SPECTRUM_CONSTANT = 0.0228956
FINE_EDGE = 0.35  # lower edge of the finest band, in 1/aperture
MIDDLE_EDGE = FINE_EDGE / 8
MIDDLE_PITCH = 1 / 5.0  # grid of the middle band, in apertures: f * pitch < 0.15 at its edge
COARSE_PITCH = 8 / 5.0
FORGET = 3.0  # apertures after which the finest band is taken as independent
MAX_POINTS = 24_000_000
TURN_APART = 0.382  # of the width: the golden section keeps many turns apart


def phase_density_rad2_m2(
    frequency_per_m: FloatArray, r0_m: float, outer_scale_m: float
) -> FloatArray:
    """Return the von Karman phase spectrum W(f) [rad^2 m^2].

    Parameters
    ----------
    frequency_per_m : ndarray
        Modulus of the spatial frequency [cycles/m].
    r0_m, outer_scale_m : float
        Fried parameter of the layer and outer scale [m].

    References
    ----------
    Noll 1976 (JOSA 66, 207) with the outer scale of von Karman.
    """
    shifted = frequency_per_m**2 + outer_scale_m**-2.0
    return np.asarray(SPECTRUM_CONSTANT * r0_m ** (-5 / 3) * shifted ** (-11 / 6))


def draw_field(
    shape: tuple[int, int],
    pitch_m: float,
    density: Density,
    rng: np.random.Generator,
    *,
    bilinear: bool = False,
) -> NDArray[np.float32]:
    """Draw a periodic Gaussian field with a given spectrum.

    Parameters
    ----------
    shape : (int, int)
        Points along the wind and across it; the second even.
    pitch_m : float
        Grid step [m].
    density : callable
        Two-sided spectral density [rad^2 m^2] of the modulus of frequency [1/m].
    rng : Generator
    bilinear : bool
        Lift the spectrum by what bilinear reading at random places will take away: the mean
        power that it lets through is (2 + cos t)/3 on each axis, t = 2 pi f pitch.

    Returns
    -------
    ndarray of float32, shape `shape` [rad]
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
    """Where the beams cross one layer, in the layer's own axes (along the wind, across it).

    Parameters
    ----------
    r0_m, outer_scale_m, wind_m_s, angle_rad : float
        Fried parameter of this layer alone, outer scale, speed and direction of the wind.
    star_along_m, star_across_m : ndarray, shape (n_stars,)
        Offset of each star's beam.
    """

    r0_m: float
    outer_scale_m: float
    wind_m_s: float
    angle_rad: float
    star_along_m: FloatArray
    star_across_m: FloatArray

    def rotated(self, x_m: FloatArray, y_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return pupil coordinates along and across the wind."""
        c, s = np.cos(self.angle_rad), np.sin(self.angle_rad)
        return c * x_m + s * y_m, -s * x_m + c * y_m


class CoarseBand:
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
        fine_edge, middle_edge = FINE_EDGE / aperture_m, MIDDLE_EDGE / aperture_m

        def density(f: FloatArray) -> FloatArray:
            whole = phase_density_rad2_m2(f, layer.r0_m, layer.outer_scale_m)
            low = np.exp(-((f / middle_edge) ** 2))
            return np.asarray(whole * (np.exp(-((f / fine_edge) ** 2)) - low if middle else low))

        self.pitch_m = aperture_m * (MIDDLE_PITCH if middle else COARSE_PITCH)
        # the wrap must lie beyond the reach of the band: a few of its own longest waves,
        # and four outer scales where those are what ends the spectrum
        reach_m = 2.0 / middle_edge if middle else 4.0 * layer.outer_scale_m
        spans = (
            np.ptp(layer.star_along_m) + layer.wind_m_s * duration_s + aperture_m + reach_m,
            np.ptp(layer.star_across_m) + aperture_m + reach_m,
        )
        n_along, n_across = (next_fast_len(int(np.ceil(s / self.pitch_m)) + 8) for s in spans)
        n_across += n_across % 2
        longest = MAX_POINTS // n_across
        self._slant = TURN_APART * n_across / longest if n_along > longest else 0.0
        n_along = min(n_along, longest)
        field = draw_field((n_along, n_across), self.pitch_m, density, rng)
        self._coefficients = spline_filter(field, order=3, output=np.float32, mode="grid-wrap")

    def phase(self, along_m: FloatArray, across_m: FloatArray) -> NDArray[np.float32]:
        """Return the phase [rad] at points [m], any shape."""
        from scipy.ndimage import map_coordinates

        points = np.stack([along_m, across_m + self._slant * along_m]) / self.pitch_m
        return np.asarray(
            map_coordinates(
                self._coefficients,
                points,
                order=3,
                prefilter=False,
                mode="grid-wrap",
                output=np.float32,
            )
        )


def strip_of_each_star(across_m: FloatArray, gap_m: float) -> tuple[NDArray[np.int64], FloatArray]:
    """Group stars whose beams pass the finest band closer than `gap_m` to each other.

    Returns
    -------
    strip : ndarray of int, shape (n_stars,)
        Number of the strip; stars in different strips are independent in the finest band.
    local_m : ndarray, shape (n_stars,)
        Offset across the wind inside the strip, from 0.
    """
    order = np.argsort(across_m)
    jumps = np.diff(across_m[order]) > gap_m
    strip = np.empty(across_m.size, dtype=np.int64)
    strip[order] = np.concatenate([[0], np.cumsum(jumps)])
    local = np.array([a - across_m[strip == s].min() for a, s in zip(across_m, strip, strict=True)])
    return strip, local


class FineBand:
    """The finest band of a layer over a path of some length, read by bilinear interpolation.

    A longer path wraps around it.
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

        fine_edge = FINE_EDGE / aperture_m

        def density(f: FloatArray) -> FloatArray:
            whole = phase_density_rad2_m2(f, layer.r0_m, layer.outer_scale_m)
            return np.asarray(whole * -np.expm1(-((f / fine_edge) ** 2)))

        self.pitch_m, self._layer, self._aperture_m = pitch_m, layer, aperture_m
        reach_m = FORGET * aperture_m
        self.strip, self.local_m = strip_of_each_star(layer.star_across_m, reach_m)
        span_m = path_m + np.ptp(layer.star_along_m) + aperture_m + reach_m
        self.n_along = next_fast_len(int(np.ceil(span_m / pitch_m)))
        across = (self.local_m.max() + aperture_m + reach_m) / pitch_m
        n_across = next_fast_len(int(np.ceil(across)))
        n_across += n_across % 2
        field = draw_field((self.n_along, n_across), pitch_m, density, rng, bilinear=True)
        tail = int(np.ceil(1.5 * aperture_m / pitch_m)) + 4
        self.n_columns = n_across - 1
        # neighbours across the wind lie together in one complex number: half the look-ups
        pairs = np.empty((self.n_along + tail, self.n_columns), dtype=np.complex64)
        for rows, source in ((slice(0, self.n_along), field), (slice(self.n_along, None), None)):
            values = field[:tail] if source is None else source
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

        Parameters
        ----------
        star : int
        along_m : ndarray, shape (n_samples,)
            Path of the beam along the wind.
        x_m, y_m : ndarray, shape (n_points,)
            Pupil points.
        out : ndarray of float32, shape (n_samples, n_points)
        """
        u, v = self._layer.rotated(x_m, y_m)
        half = 0.75 * self._aperture_m
        n_strips = int(self.strip.max()) + 1
        start = along_m / self.pitch_m + self.n_along * self.strip[star] / n_strips
        start = np.mod(start, self.n_along)
        row0 = np.floor(start).astype(np.int32)
        a = (start - row0).astype(np.float32)[:, None] + ((u + half) / self.pitch_m).astype(
            np.float32
        )
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
