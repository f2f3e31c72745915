"""A sensor's signal as the frames see it: as rotation, in Nyquist zones, over the exposures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.evidence.sensor_record import SensorRecord
from blursplit.stars.geometry import remove_trend
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


def nominal_rotation(
    kind: str, frequency_hz: FloatArray, shape_per_m: float = const.PIER_SHAPE_PER_M
) -> ComplexArray:
    """Return rotation [arcsec] over signal [SI] of a sensor at the top of a cantilever.

    The top turns by theta where it moves by theta/kappa: a horizontal accelerometer shows
    [(2 pi nu)^2/kappa + g] theta, gravity by tilt included.
    """
    omega = 2 * np.pi * frequency_hz
    acceleration = const.ARCSEC_PER_RADIAN / (omega**2 / shape_per_m + const.GRAVITY_M_S2)
    if kind == "acceleration":
        return np.asarray(-acceleration, dtype=complex)
    if kind == "velocity":
        return np.asarray(-1j * omega * acceleration)
    if kind == "rate":
        return np.asarray(-1j * const.ARCSEC_PER_RADIAN / np.maximum(omega, 1e-6))
    return np.full(frequency_hz.shape, const.ARCSEC_PER_RADIAN, dtype=complex)


def accelerometer_noise_ug(density_arcsec2_hz: float) -> float:
    """Return the noise [micro-g/sqrt(Hz)] of an accelerometer that is not blind at 1 Hz.

    `density_arcsec2_hz`: of the motion that it is to explain; its own floor is a tenth of that.
    """
    rotation = np.sqrt(const.SENSOR_CLEAR * density_arcsec2_hz)
    gain = np.abs(nominal_rotation("acceleration", np.ones(1)))[0]
    return float(rotation / gain / (1e-6 * const.GRAVITY_M_S2))


@dataclass(frozen=True)
class Blocks:
    """Fourier coefficients of frames in blocks of frequency; see `tapered_sums`."""

    frequency_hz: FloatArray  # of the coefficients, shape (n_f,)
    block: IntArray  # number of the block of each frequency
    centre_hz: FloatArray
    width_hz: FloatArray


def make_blocks(duration_s: float, highest_hz: float) -> Blocks:
    """Return independent frequencies up to the frames' highest, in blocks of enough of them."""
    step = (const.SENSOR_TAPERS + 1) / duration_s
    f = step * np.arange(1, max(2, int((highest_hz - step / 2) / step) + 1))
    each = int(
        max(
            np.ceil(const.SENSOR_BLOCK_COEFFICIENTS / const.SENSOR_TAPERS),
            const.SENSOR_BLOCK_HZ // step,
        )
    )
    count = max(1, f.size // each)
    block = np.minimum(np.arange(f.size) // each, count - 1)
    centre = np.array([f[block == b].mean() for b in range(count)])
    width = np.array([step * np.sum(block == b) for b in range(count)])
    return Blocks(np.asarray(f, dtype=float), block, centre, width)


def tapered_sums(
    time_s: FloatArray, series: FloatArray, frequency_hz: FloatArray, duration_s: float
) -> ComplexArray:
    """Return tapered Fourier sums at the series' own times, shape (n_f, n_tapers, n_columns).

    Scaled so that the mean square is the one-sided density.
    """
    n = time_s.size
    place = (time_s - time_s[0] + 0.5 * duration_s / n) / duration_s
    number = np.arange(1, const.SENSOR_TAPERS + 1)
    taper = np.sin(np.pi * place[:, None] * number) * np.sqrt(2 / n)
    scale = np.sqrt(2 * duration_s / n)
    tapered = (taper[:, :, None] * series[:, None, :]).reshape(n, -1)
    out = np.empty((frequency_hz.size, tapered.shape[1]), dtype=complex)
    pieces = max(1, frequency_hz.size * n // 10**7)
    for part in np.array_split(np.arange(frequency_hz.size), pieces):
        wave = np.exp(-2j * np.pi * np.outer(frequency_hz[part], time_s - time_s[0]))
        out[part] = wave @ tapered
    return np.asarray(scale * out.reshape(frequency_hz.size, const.SENSOR_TAPERS, -1))


def without_trend(time_s: FloatArray, series: FloatArray) -> FloatArray:
    """Return series without their cubic trend, which would leak into all frequencies."""
    place = 2 * (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 1
    basis = np.polynomial.legendre.legvander(place, 3)
    return np.asarray(series - basis @ np.linalg.lstsq(basis, series, rcond=None)[0])


class Signal:
    """The sensor's channels as rotations, in the frames' Nyquist zones, averaged over exposures."""

    def __init__(self, sensor: SensorRecord, rate_hz: float, exposure_s: float) -> None:
        self.sensor, self.rate_hz, self.exposure_s = sensor, rate_hz, exposure_s
        step = float(np.median(np.diff(sensor.time_s)))
        n = round((sensor.time_s[-1] - sensor.time_s[0]) / step) + 1
        grid = sensor.time_s[0] + np.arange(n) * step
        values = np.stack(
            [
                np.interp(grid, sensor.time_s[ok], channel[ok])
                for channel, ok in zip(sensor.values.T, sensor.good.T, strict=True)
            ],
            axis=1,
        )
        values = remove_trend(values)
        edge = np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) * step / 0.5, 0, 1)
        values *= (0.5 - 0.5 * np.cos(np.pi * edge))[:, None]
        pad = int(4.0 / step)
        self.grid_start_s, self.step_s, self._pad = float(grid[0]), step, pad
        self._n = 1 << int(np.ceil(np.log2(n + 2 * pad)))
        self.frequency_hz = np.fft.rfftfreq(self._n, step)
        spectrum = np.fft.rfft(values, n=self._n, axis=0)
        # below a tenth of the lowest frequency of interest the division would only blow up noise
        gain = nominal_rotation(
            sensor.kind, np.maximum(self.frequency_hz, 1e-9), sensor.shape_per_m
        )
        gain[self.frequency_hz < 1.0 / (n * step)] = 0.0
        self.spectrum = spectrum * gain[:, None]
        self.zones = self._zones()
        self._sums = [self._sum(self._in_zone(z)) for z in self.zones]

    def _zones(self) -> list[int]:
        nyquist, top = self.rate_hz / 2, 0.5 / self.step_s
        zones = range(const.SENSOR_ZONES)
        # an exposure averages what lies beyond its inverse
        return [z for z in zones if z == 0 or (z * nyquist < min(0.9 * top, 1 / self.exposure_s))]

    def _in_zone(self, zone: int) -> ComplexArray:
        nyquist = self.rate_hz / 2
        inside = (self.frequency_hz >= zone * nyquist) & (self.frequency_hz < (zone + 1) * nyquist)
        return self.spectrum * inside[:, None]

    def _sum(self, spectrum: ComplexArray) -> FloatArray:
        """Return the running integral of a filtered signal on the sensor's grid."""
        series = np.fft.irfft(spectrum, n=self._n, axis=0)
        return np.concatenate([np.zeros((1, series.shape[1])), np.cumsum(series, axis=0)])

    def exposed(self, total: FloatArray, middle_s: FloatArray) -> FloatArray:
        """Return the mean over each exposure (linear reading of the running integral)."""
        edge = np.arange(total.shape[0]) - 0.5
        tau = max(self.exposure_s, self.step_s)
        ends = np.stack([middle_s - tau / 2, middle_s + tau / 2]) - self.grid_start_s
        ends = ends / self.step_s
        # before the record's start the padded series' own end is read: both are zero
        ends = np.clip(ends, edge[0], edge[-1])
        read = np.stack([np.interp(ends, edge, column) for column in total.T], axis=-1)
        return np.asarray((read[1] - read[0]) * self.step_s / tau)

    def at(self, middle_s: FloatArray) -> FloatArray:
        """Return all channels in all zones, shape (n_frames, n_channels * n_zones)."""
        return np.concatenate([self.exposed(total, middle_s) for total in self._sums], axis=1)

    def usable(self, middle_s: FloatArray) -> BoolArray:
        """Return which frames have good samples about them."""
        sensor = self.sensor
        bad = ~sensor.good.all(axis=1)
        gap = np.diff(sensor.time_s) > sensor.gap_s
        edges = np.r_[sensor.time_s[bad], sensor.time_s[:-1][gap], sensor.time_s[1:][gap]]
        # the division by the nominal gain reaches half a second, beside the smoothed ends
        ok = (middle_s >= sensor.time_s[0] + const.SENSOR_END_S) & (
            middle_s <= sensor.time_s[-1] - const.SENSOR_END_S
        )
        for low, high in zip(sensor.time_s[:-1][gap], sensor.time_s[1:][gap], strict=True):
            ok &= (middle_s < low) | (middle_s > high)
        if edges.size:
            edges = np.sort(edges)
            after = np.clip(np.searchsorted(edges, middle_s), 0, edges.size - 1)
            before = np.clip(after - 1, 0, None)
            near = np.minimum(np.abs(edges[after] - middle_s), np.abs(edges[before] - middle_s))
            ok &= near > const.SENSOR_END_S
        return np.asarray(ok)

    def true_frequency(self, zone: int, folded_hz: FloatArray) -> FloatArray:
        """Return the frequency in a zone that the frames show at a folded one."""
        half = (zone + 1) // 2 * self.rate_hz
        return half - folded_hz if zone % 2 else half + folded_hz

    def floor(self, zone: int, folded_hz: FloatArray) -> FloatArray | None:
        """Return the density of the sensor's noise as rotation, shape (n_f, n_channels)."""
        if self.sensor.noise is None:
            return None
        true = self.true_frequency(zone, folded_hz)
        gain = np.abs(nominal_rotation(self.sensor.kind, true, self.sensor.shape_per_m)) * np.sinc(
            true * self.exposure_s
        )
        return np.asarray((gain[:, None] * self.sensor.noise) ** 2)

    def path(self, transfer: list[ComplexArray], middle_s: FloatArray) -> FloatArray:
        """Return the motion of one axis from its transfer (frequency, channel) in each zone."""
        whole = sum(
            (self._in_zone(z) * h).sum(axis=1) for z, h in zip(self.zones, transfer, strict=True)
        )
        return self.exposed(self._sum(np.asarray(whole)[:, None]), middle_s)[:, 0]


def phase_of_delay(
    signal: Signal, zone: int, folded_hz: FloatArray, offset_s: FloatArray
) -> ComplexArray:
    """Return the phases by which a later signal of a zone differs at the folded frequencies."""
    sign = 1 if zone % 2 else -1
    true = signal.true_frequency(zone, folded_hz)
    return np.asarray(np.exp(sign * 2j * np.pi * true * offset_s))
