"""A sensor beside the telescope: how much of the shared motion moved with it.

In each block of frequencies the whitened motion is fitted by the sensor's channels; what is
coherent, freed of chance and of the sensor's own noise, is motion of the sensor's place. The
transfer from sensor to image is fitted, never assumed: complex, smooth, one for each axis. A
nominal one (a cantilever's end) only makes it smooth and decides which channels matter.

References
----------
J. S. Bendat and A. G. Piersol, Random Data (coherence and conditioned spectra; from memory);
C. H. Knapp and G. C. Carter (1976), IEEE Trans. ASSP 24, 320 (error of a delay; from memory);
K. S. Riedel and A. Sidorenko (1995), IEEE Trans. SP 43, 188 (sine tapers; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.evidence.sensor_record import (
    CLAIMS,
    SensorRecord,
    nominal_rotation,
    tapered_sums,
    without_trend,
)
from blursplit.stars.robust import remove_trend
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray


@dataclass(frozen=True)
class SensorEvidence:
    """What a sensor explains of the shared motion."""

    kind: str
    owner: str | None  # whose the coherent motion is; None for kinds whose coherence proves nothing
    # Whether coherence exceeds chance, offsets tried counted. Where it does not, either nothing
    # moved or the sensor recorded something else, and nothing is claimed.
    coherent: bool
    chance: float  # probability of such coherence by chance, from phases drawn at random
    # To be added to the sensor's times; None where the motion does not fix it.
    offset_s: Estimate | None
    drift_ppm: Estimate | None  # rate of the sensor's clock against the camera's
    # `frequency_hz`, `width_hz`: (n_blocks,): centres and widths of the blocks, as the frames show
    # them.
    frequency_hz: FloatArray
    width_hz: FloatArray
    # `coherence`, `motion`, `explained`, `error`: (n_blocks, 2): squared coherence (chance not
    # removed); densities [arcsec^2/Hz] of the motion, of its coherent part (chance and the sensor's
    # noise removed) and the error of the latter.
    coherence: FloatArray
    motion: FloatArray
    explained: FloatArray
    error: FloatArray
    # (n_blocks, 2): false where the sensor's noise hides what it could explain: the blind band.
    seen: BoolArray
    # Coherent motion along x and y in the band that is seen, a limit where it is not there.
    rms_arcsec: tuple[Estimate, Estimate]
    # (n_frames, 2): the coherent motion at the frames, NaN where the sensor has a gap.
    path_arcsec: FloatArray

    @property
    def blind_band_hz(self) -> list[tuple[float, float]]:
        """Bands in which the sensor sees neither axis."""
        bands: list[tuple[float, float]] = []
        for f, w, seen in zip(
            self.frequency_hz, self.width_hz, np.any(self.seen, axis=1).tolist(), strict=True
        ):
            if seen:
                continue
            low, high = float(f - w / 2), float(f + w / 2)
            if bands and low - bands[-1][1] < w / 2:
                bands[-1] = (bands[-1][0], high)
            else:
                bands.append((low, high))
        return bands

    @classmethod
    def of(
        cls,
        time_s: FloatArray,
        motion_xy_arcsec: FloatArray,
        exposure_s: float,
        sensor: SensorRecord,
        *,
        seed: int = 0,
    ) -> SensorEvidence:
        """Find what of the shared motion is coherent with a sensor.

        `time_s` (n_frames,): middles of the exposures, on the time axis that the sensor's times are
        meant to have. `motion_xy_arcsec` (n_frames, 2): shared motion; frames with NaN are left
        out. `sensor`: its `offset_s` is the range in which the offset of its clock is looked for.

        Raises ValueError when fewer than 100 frames lie within the sensor's record.
        """
        rng = np.random.default_rng(seed)
        rate = 1 / float(np.median(np.diff(time_s)))
        signal = _Signal(sensor, rate, exposure_s)
        ok = np.all(np.isfinite(motion_xy_arcsec), axis=1)
        coarse, tried = _coarse_offset(time_s, motion_xy_arcsec, ok, signal)
        use = ok & signal.usable(time_s - coarse)
        if use.sum() < 100:  # noqa: PLR2004 - four blocks of 24 coefficients
            msg = f"only {int(use.sum())} frames lie within the sensor's record"
            raise ValueError(msg)
        time = time_s[use]
        duration = float(time[-1] - time[0]) * time.size / (time.size - 1)
        blocks = _make_blocks(duration, rate / 2)
        y = tapered_sums(
            time, without_trend(time, motion_xy_arcsec[use]), blocks.frequency_hz, duration
        )

        # slow motion is taken off both alike, or it would part them in the lowest block
        series = without_trend(time, signal.at(time - coarse))
        u = tapered_sums(time, series, blocks.frequency_hz, duration)
        sums = _Sums(y, u, blocks, signal)
        offset = _fine_offset(sums, _whitener(sums))
        shift = 0.0 if offset is None else offset[0]
        sums = sums.shifted(shift)
        whitener = _whitener(sums)
        fits = [[_fit_block(sums, whitener, b, axis) for axis in (0, 1)] for b in range(sums.count)]
        chance = min(1.0, tried * _chance(sums, whitener, rng))
        coherent = chance <= const.SENSOR_ALARM
        path, drift = np.full(motion_xy_arcsec.shape, np.nan), None
        if coherent:
            total = coarse + shift
            path[use] = _paths(fits, blocks, signal, time - total)
            drift = _drift(time, motion_xy_arcsec[use], path[use], duration)

        def table(name: str) -> FloatArray:
            return np.array([[getattr(one, name) for one in row] for row in fits], dtype=float)

        explained, seen = table("explained"), table("seen").astype(bool)
        variance = table("variance")
        return cls(
            kind=sensor.kind,
            owner=CLAIMS[sensor.kind],
            coherent=coherent,
            chance=chance,
            offset_s=None if offset is None or not coherent else _signed(coarse + shift, offset[1]),
            drift_ppm=drift,
            frequency_hz=blocks.centre_hz,
            width_hz=blocks.width_hz,
            coherence=table("coherence"),
            motion=table("motion"),
            explained=explained,
            error=np.sqrt(variance),
            seen=seen,
            rms_arcsec=(
                _rms(explained[:, 0], variance[:, 0], seen[:, 0], blocks.width_hz),
                _rms(explained[:, 1], variance[:, 1], seen[:, 1], blocks.width_hz),
            ),
            path_arcsec=path,
        )


@dataclass(frozen=True)
class _Fit:
    """A block of one axis."""

    motion: float
    coherence: float
    explained: float
    variance: float
    seen: bool
    transfer: ComplexArray = field(default_factory=lambda: np.zeros(0, dtype=complex))


@dataclass(frozen=True)
class _Blocks:
    """Fourier coefficients of frames in blocks of frequency; see `tapered_sums`."""

    frequency_hz: FloatArray  # of the coefficients, shape (n_f,)
    block: IntArray  # number of the block of each frequency
    centre_hz: FloatArray
    width_hz: FloatArray


def _make_blocks(duration_s: float, highest_hz: float) -> _Blocks:
    """Return independent frequencies up to the frames' highest, in blocks of enough of them."""
    step = (const.SENSOR_TAPERS + 1) / duration_s
    f = step * np.arange(1, max(2, int((highest_hz - step / 2) / step) + 1))
    fewest = np.ceil(const.SENSOR_BLOCK_COEFFICIENTS / const.SENSOR_TAPERS)
    each = int(max(fewest, const.SENSOR_BLOCK_HZ // step))
    count = max(1, f.size // each)
    block = np.minimum(np.arange(f.size) // each, count - 1)
    centre = np.array([f[block == b].mean() for b in range(count)])
    width = np.array([step * np.sum(block == b) for b in range(count)])
    return _Blocks(np.asarray(f, dtype=float), block, centre, width)


class _Signal:
    """The sensor's channels as rotations, in the frames' Nyquist zones, averaged over exposures."""

    def __init__(self, sensor: SensorRecord, rate_hz: float, exposure_s: float) -> None:
        self.sensor, self.rate_hz, self.exposure_s = sensor, rate_hz, exposure_s
        step = float(np.median(np.diff(sensor.time_s)))
        n = round((sensor.time_s[-1] - sensor.time_s[0]) / step) + 1
        grid = sensor.time_s[0] + np.arange(n) * step
        channels = zip(sensor.values.T, sensor.good.T, strict=True)
        read = [np.interp(grid, sensor.time_s[ok], channel[ok]) for channel, ok in channels]
        values = remove_trend(np.stack(read, axis=1))
        edge = np.clip(np.minimum(np.arange(n), np.arange(n)[::-1]) * step / 0.5, 0, 1)
        values *= (0.5 - 0.5 * np.cos(np.pi * edge))[:, None]
        pad = int(4.0 / step)
        self.grid_start_s, self.step_s, self._pad = float(grid[0]), step, pad
        self._n = 1 << int(np.ceil(np.log2(n + 2 * pad)))
        self.frequency_hz = np.fft.rfftfreq(self._n, step)
        spectrum = np.fft.rfft(values, n=self._n, axis=0)
        # below a tenth of the lowest frequency of interest the division would only blow up noise
        frequency = np.maximum(self.frequency_hz, 1e-9)
        gain = nominal_rotation(sensor.kind, frequency, sensor.shape_per_m)
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
        # before the record's start the padded series' own end is read: both are zero
        ends = np.clip(ends / self.step_s, edge[0], edge[-1])
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
        ok = middle_s >= sensor.time_s[0] + const.SENSOR_END_S
        ok &= middle_s <= sensor.time_s[-1] - const.SENSOR_END_S
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
        gain = np.abs(nominal_rotation(self.sensor.kind, true, self.sensor.shape_per_m))
        gain *= np.sinc(true * self.exposure_s)
        return np.asarray((gain[:, None] * self.sensor.noise) ** 2)

    def path(self, transfer: list[ComplexArray], middle_s: FloatArray) -> FloatArray:
        """Return the motion of one axis from its transfer (frequency, channel) in each zone."""
        whole = sum(
            (self._in_zone(z) * h).sum(axis=1) for z, h in zip(self.zones, transfer, strict=True)
        )
        return self.exposed(self._sum(np.asarray(whole)[:, None]), middle_s)[:, 0]


def _phase_of_delay(
    signal: _Signal, zone: int, folded_hz: FloatArray, offset_s: FloatArray
) -> ComplexArray:
    """Return the phases by which a later signal of a zone differs at the folded frequencies."""
    sign = 1 if zone % 2 else -1
    true = signal.true_frequency(zone, folded_hz)
    return np.asarray(np.exp(sign * 2j * np.pi * true * offset_s))


@dataclass(frozen=True)
class _Sums:
    """Tapered sums of the motion and of the sensor, in blocks of frequency."""

    motion: ComplexArray  # (n_f, n_tapers, 2)
    sensor: ComplexArray  # (n_f, n_tapers, n_columns): the channels of one zone after the other
    blocks: _Blocks
    signal: _Signal

    @property
    def count(self) -> int:
        """Number of blocks."""
        return len(self.blocks.centre_hz)

    @property
    def channels(self) -> int:
        """Number of channels of the sensor."""
        return int(self.sensor.shape[2]) // len(self.signal.zones)

    def zone_of(self, weights: ComplexArray) -> int:
        """Return the zone in which a direction is strongest."""
        return self.signal.zones[int(np.argmax(np.abs(weights))) // self.channels]

    def shifted(self, offset_s: float) -> _Sums:
        """Return the sums of a sensor whose times are raised by an offset."""
        out = self.sensor.copy()
        for k, zone in enumerate(self.signal.zones):
            turn = _phase_of_delay(self.signal, zone, self.blocks.frequency_hz, np.array(offset_s))
            out[:, :, k * self.channels : (k + 1) * self.channels] *= turn[:, None, None]
        return replace(self, sensor=out)

    def whitened(
        self, density: FloatArray, block: int, axis: int
    ) -> tuple[ComplexArray, ComplexArray, list[tuple[ComplexArray, float]]]:
        """Return the motion's whitened coefficients in a block, and the sensor's `directions`."""
        here = self.blocks.block == block
        root = np.sqrt(density[here, axis])[:, None]
        flat = (self.motion[here, :, axis] / root).ravel()
        u = self.sensor[here] / root[..., None]
        return flat, *self.directions(u, density[here, axis], here)

    def directions(
        self, u: ComplexArray, density: FloatArray, here: BoolArray
    ) -> tuple[ComplexArray, list[tuple[ComplexArray, float]]]:
        """Return orthonormal sensor directions of a block, strongest first, above the floor.

        `u` (n_f in block, n_tapers, n_columns): whitened coefficients. `density` (n_f in block,).
        `here`: the frequencies of the block.

        Returns `basis` (n, n_kept); `facts` (column weights, gain for the sensor's noise) each:
        for each direction.
        """
        n, channels = u.shape[0] * u.shape[1], self.channels
        vectors: list[tuple[float, ComplexArray, ComplexArray, float]] = []
        level = float(np.median(density))
        for k, zone in enumerate(self.signal.zones):
            columns = slice(k * channels, (k + 1) * channels)
            flat = u[:, :, columns].reshape(n, channels)
            floor = self.signal.floor(zone, self.blocks.frequency_hz[here])
            scale = np.ones(channels)
            if floor is not None:
                scale = np.sqrt(np.maximum(floor.mean(axis=0) / level, 1e-300))
            values, turn = np.linalg.eigh((flat / scale).conj().T @ (flat / scale) / n)
            for j in range(channels):
                weights = np.zeros(u.shape[2], dtype=complex)
                weights[columns] = turn[:, j] / scale
                vector, gain = flat @ (turn[:, j] / scale), 1.0
                if floor is not None:
                    noise = (floor @ np.abs(turn[:, j] / scale) ** 2) / density
                    count = const.SENSOR_TAPERS * noise.sum() ** 2 / np.sum(noise**2)
                    ratio = float(np.mean(np.abs(vector) ** 2) / noise.mean())
                    # the largest eigenvalue of noise alone (Marchenko & Pastur 1967), its scatter
                    edge = (1 + np.sqrt(channels / count)) ** 2
                    if ratio < edge * (1 + const.SENSOR_FLOOR_SIGMAS / 2 / np.sqrt(count)):
                        continue
                    gain = 1 / (1 - 1 / ratio)
                # power as rotation that this direction stands for, were the transfer nominal
                power = float(np.sum(np.abs(turn[:, j] * scale) ** 2) * values[j])
                vectors.append((power, vector, weights, gain))
        return _orthonormal(vectors, n)


def _orthonormal(
    vectors: list[tuple[float, ComplexArray, ComplexArray, float]], n: int
) -> tuple[ComplexArray, list[tuple[ComplexArray, float]]]:
    """Return the strongest directions, each without what those before it hold."""
    vectors.sort(key=lambda one: -one[0])
    reach = const.SENSOR_TRANSFER_REACH**2
    kept = [one for one in vectors if one[0] * reach > const.SENSOR_NEGLIGIBLE]
    basis = np.zeros((n, 0), dtype=complex)
    facts: list[tuple[ComplexArray, float]] = []
    for _, vector, weights, gain in kept[: const.SENSOR_DIRECTIONS]:
        rest, mixed = vector.copy(), weights.copy()
        for column, (old, _) in zip(basis.T, facts, strict=True):
            part = column.conj() @ vector
            rest = rest - part * column
            mixed = mixed - part * old
        norm = float(np.sqrt(np.sum(np.abs(rest) ** 2)))
        if norm < 1e-6 * np.sqrt(np.sum(np.abs(vector) ** 2)):
            continue
        basis = np.column_stack([basis, rest / norm])
        facts.append((mixed / norm, gain))
    return basis, facts


def _signed(value: float, sigma: float) -> Estimate:
    return Estimate.from_ends(value + k * sigma for k in const.NORMAL_SCORES)


def _rms(
    explained: FloatArray, variance: FloatArray, seen: BoolArray, width_hz: FloatArray
) -> Estimate:
    """Return the coherent rms of one axis in the seen band; a limit where it may be absent.

    A sensor that sees no band at all gives neither value nor limit.
    """
    if not seen.any():
        return Estimate(value=None, low=None, high=None)
    total = float(np.sum((explained * width_hz)[seen]))
    sigma = float(np.sqrt(np.sum((variance * width_hz**2)[seen])))
    if total < const.ONE_SIDED_95 * sigma:
        return Estimate.upper_limit(float(np.sqrt(max(total, 0.0) + const.ONE_SIDED_95 * sigma)))
    return Estimate.from_ends(np.sqrt(max(total + k * sigma, 0.0)) for k in const.NORMAL_SCORES)


def _coarse_offset(
    time_s: FloatArray, motion: FloatArray, ok: BoolArray, signal: _Signal
) -> tuple[float, int]:
    """Return the offset with the largest whitened correlation, and how many were tried."""
    from scipy.ndimage import uniform_filter1d

    low, high = signal.sensor.offset_s or const.SENSOR_OFFSET_S
    step = 0.5 / signal.rate_hz
    if high - low < step:
        return (low + high) / 2, 1
    count = int((high - low) / step) + 1
    n = int((time_s[-1] - time_s[0]) / step) + 1
    grid = time_s[0] + step * np.arange(n)
    size = 1 << int(np.ceil(np.log2(2 * n + count)))

    def white(series: FloatArray) -> ComplexArray:
        window = np.sin(np.pi * (np.arange(series.shape[0]) + 0.5) / series.shape[0])
        spectrum = np.fft.rfft(series * window[:, None], n=size, axis=0)
        power = np.abs(spectrum) ** 2
        width = max(3, int(const.SENSOR_BLOCK_HZ * size * step))
        smooth = uniform_filter1d(power, width, axis=0, mode="nearest")
        return np.asarray(spectrum / np.sqrt(smooth + 1e-12 * smooth.max(axis=0) + 1e-300))

    moved = without_trend(time_s[ok], motion[ok])
    y = white(np.stack([np.interp(grid, time_s[ok], moved[:, k]) for k in (0, 1)], axis=1))
    middle = (low + high) / 2
    u = white(signal.at(grid - middle))
    inside = np.fft.rfftfreq(size, step)[:, None, None] < signal.rate_hz / 2
    cross = np.fft.irfft(inside * y[:, :, None] * np.conj(u[:, None, :]), n=size, axis=0)
    score = (cross**2).sum(axis=(1, 2))
    lag = np.arange(-(count // 2), count // 2 + 1)
    best = int(lag[np.argmax(score[lag % size])])
    # neighbours are one trial: block fits tolerate a shift of a quarter of their inverse width
    return middle + best * step, max(1, int((high - low) * const.SENSOR_BLOCK_HZ * 4))


def _whitener(sums: _Sums) -> FloatArray:
    """Return the density that whitens, shape (n_f, 2): what the sensor leaves."""
    from scipy.ndimage import uniform_filter1d

    blocks = sums.blocks
    power = (np.abs(sums.motion) ** 2).mean(axis=1)
    # a running mean over nine frequencies
    wide = min(9, len(power))
    start = np.exp(uniform_filter1d(np.log(power), wide, axis=0, mode="nearest"))
    rest = np.empty((sums.count, 2))
    for b in range(sums.count):
        here = blocks.block == b
        for axis in (0, 1):
            flat, basis, _ = sums.whitened(start, b, axis)
            left = flat - basis @ (basis.conj().T @ flat)
            scale = np.sum(np.abs(left) ** 2) / max(1, flat.size - basis.shape[1])
            rest[b, axis] = np.exp(np.mean(np.log(start[here, axis]))) * scale
    log = np.log(rest)
    at = np.log(np.maximum(blocks.frequency_hz, blocks.centre_hz[0]))
    middle = np.log(blocks.centre_hz)
    return np.stack([np.exp(np.interp(at, middle, column)) for column in log.T], axis=1)


def _fit_block(sums: _Sums, density: FloatArray, block: int, axis: int) -> _Fit:
    here = sums.blocks.block == block
    floor = sums.signal.floor(0, sums.blocks.frequency_hz[here])
    clear = const.SENSOR_CLEAR * float(density[here, axis].mean())
    # a floor that low hides nothing; else what the frames show unfolded must stand above it
    seen = floor is not None and float(floor.mean(axis=0).min()) < clear
    flat, basis, facts = sums.whitened(density, block, axis)
    size = np.broadcast_to(density[here, axis][:, None], (here.sum(), const.SENSOR_TAPERS)).ravel()
    n = flat.size
    power = float(np.mean(size * np.abs(flat) ** 2))
    kept = basis.shape[1]
    if kept == 0:
        # the sensor shows its own noise alone: where that is small, nothing moved
        level = float(density[here, axis].mean())
        return _Fit(power, 0.0, 0.0, level**2 / n / (n - 1), seen)
    seen = seen or any(sums.zone_of(fact[0]) == 0 for fact in facts)
    part = basis.conj().T @ flat
    left = flat - basis @ part
    noise = float(np.sum(np.abs(left) ** 2)) / (n - kept)
    each = size @ np.abs(basis) ** 2 / n * (np.abs(part) ** 2 - noise)
    gain = np.array([fact[1] for fact in facts])
    explained = float((each * gain).sum())
    rest = noise * float(size.mean())
    own = kept / max(1, n - kept) * rest**2 + 2 * max(explained, 0.0) * rest
    variance = gain.max() ** 2 * own / n
    # what the sensor's noise takes is known as well as its power is
    variance += float(np.sum((each * gain * (gain - 1)) ** 2)) / n
    # nor do the tapers weigh the record's ends as its middle: the mean square of their weight is
    # 1 + 1/(2 k); what is seen in a few coefficients, as a ring, differs most
    fit = np.abs(basis @ part) ** 2
    share = float(np.sum(fit**2) / max(np.sum(fit), 1e-300) ** 2) / 2
    variance += share * explained**2 / (2 * const.SENSOR_TAPERS)
    # and a direction under the sensor's floor may hide what its scatter lets pass
    if floor is not None and kept < min(2, floor.shape[1]):
        hidden = const.SENSOR_FLOOR_SIGMAS / np.sqrt(n) * float(floor.mean(axis=0).min())
        variance += min(hidden, power) ** 2
    weights = part @ np.array([fact[0] for fact in facts])
    coherence = float(np.sum(np.abs(part) ** 2) / np.sum(np.abs(flat) ** 2))
    return _Fit(power, coherence, explained, variance, seen, transfer=weights)


def _chance(sums: _Sums, density: FloatArray, rng: np.random.Generator) -> float:
    """Return the chance of the coherence found, the larger of two nulls made from the data.

    Phases drawn at random keep each coefficient's strength; sensor blocks of other frequencies
    keep what gusts do to air and sensor alike, whose coefficients then resemble each other.
    """
    found, random, pairs = 0.0, np.zeros(const.SENSOR_PHASE_DRAWS), []
    for b in range(sums.count):
        for axis in (0, 1):
            flat, basis, _ = sums.whitened(density, b, axis)
            if not basis.shape[1]:
                continue
            pairs.append((axis, basis, flat))
            turns = rng.uniform(size=(flat.size, const.SENSOR_PHASE_DRAWS))
            turned = flat[:, None] * np.exp(2j * np.pi * turns)
            found += float(_evidence(basis, flat[:, None])[0])
            random += _evidence(basis, turned)
    if len(pairs) < 4:  # noqa: PLR2004 - two blocks of two axes
        return 1.0
    # the last block may be longer than the rest
    n = min(flat.size for _, _, flat in pairs)
    displaced = []
    for shift in range(1, len(pairs) // 2 * 2):
        total = 0.0
        for k, (_, _, flat) in enumerate(pairs):
            basis = pairs[(k + shift) % len(pairs)][1]
            total += float(_evidence(np.linalg.qr(basis[:n])[0], flat[:n, None])[0])
        displaced.append(total)
    # two directly neighbouring pairs are the two axes of one block
    others = np.array(displaced[2:-2])
    if others.size < 4:  # noqa: PLR2004 - too few for a spread: the tail of a few draws
        return _tail(found, random)
    return max(_tail(found, random), _tail(found, others))


def _evidence(basis: ComplexArray, series: ComplexArray) -> FloatArray:
    """Return -(n - K) ln(1 - coherence) of each column of coefficients."""
    share = np.sum(np.abs(basis.conj().T @ series) ** 2, axis=0)
    share = share / np.sum(np.abs(series) ** 2, axis=0)
    return np.asarray((basis.shape[1] - basis.shape[0]) * np.log1p(-np.minimum(share, 1 - 1e-9)))


def _tail(found: float, draws: FloatArray) -> float:
    from scipy.stats import gamma

    spread = draws.var(ddof=1)
    return float(gamma.sf(found, draws.mean() ** 2 / spread, scale=spread / draws.mean()))


def _fine_offset(sums: _Sums, density: FloatArray) -> tuple[float, float] | None:
    """Return the offset at which a real transfer explains most, with its error."""
    blocks, signal = sums.blocks, sums.signal
    reach = 1.0 / signal.rate_hz
    trial = np.linspace(-reach, reach, 81)
    score = np.zeros(trial.size)
    for b in range(sums.count):
        f = np.repeat(blocks.frequency_hz[blocks.block == b], const.SENSOR_TAPERS)
        for axis in (0, 1):
            flat, basis, facts = sums.whitened(density, b, axis)
            if not facts:
                continue
            zones = [sums.zone_of(weights) for weights, _ in facts]
            turns = [_phase_of_delay(signal, zone, f, trial[:, None]) for zone in zones]
            turned = np.stack(turns, axis=-1) * basis
            # real and imaginary parts as rows: the coefficients come out real
            q = np.linalg.qr(np.concatenate([turned.real, turned.imag], axis=1))[0]
            values = np.concatenate([flat.real, flat.imag])
            share = np.sum((values @ q) ** 2, axis=-1) / np.sum(values**2)
            score -= flat.size * np.log1p(-np.minimum(share, 1 - 1e-9))
    best = int(np.argmax(score))
    if best in {0, trial.size - 1} or score[best] - np.median(score) < 6:  # noqa: PLR2004
        return None
    around = slice(max(0, best - 2), best + 3)
    curve = np.polynomial.polynomial.polyfit(trial[around] - trial[best], score[around], 2)
    if curve[2] >= 0:
        return None
    return trial[best] - curve[1] / (2 * curve[2]), 1 / np.sqrt(-2 * curve[2])


def _paths(
    fits: list[list[_Fit]], blocks: _Blocks, signal: _Signal, middle_s: FloatArray
) -> FloatArray:
    """Return the coherent motion at the frames, shape (n, 2)."""
    channels = signal.spectrum.shape[1]
    edges = np.r_[blocks.centre_hz - blocks.width_hz / 2, blocks.centre_hz[-1] + 1e9]
    out = np.zeros((middle_s.size, 2))
    for axis in (0, 1):
        transfer = []
        for k, zone in enumerate(signal.zones):
            f = signal.frequency_hz
            half = (zone + 1) // 2 * signal.rate_hz
            folded = half - f if zone % 2 else f - half
            which = np.clip(np.searchsorted(edges, folded, side="right") - 1, 0, len(fits) - 1)
            own = slice(k * channels, (k + 1) * channels)
            found = [fit[axis].transfer for fit in fits]
            h = np.array([one[own] if one.size else np.zeros(channels) for one in found])[which]
            h[folded < edges[0]] = 0.0
            transfer.append(h.conj() if zone % 2 else h)
        out[:, axis] = signal.path(transfer, middle_s)
    return out


def _drift(
    time_s: FloatArray, motion: FloatArray, path: FloatArray, duration_s: float
) -> Estimate | None:
    """Return the clock's rate error from the delay of the path in four parts of the record."""
    rate = (time_s.size - 1) / (time_s[-1] - time_s[0])
    delays, weights, middles = [], [], []
    for part in np.array_split(np.arange(time_s.size), 4):
        e = path[part] - path[part].mean(axis=0)
        slope = np.gradient(e, 1 / rate, axis=0)
        y = motion[part] - motion[part].mean(axis=0)
        rest = y - e
        # whitened by first differences, which take most of the air's slow power
        d_slope, d_rest = np.diff(slope, axis=0), np.diff(rest, axis=0)
        power = float(np.sum(d_slope**2))
        if power <= 0:
            return None
        # y(t) = e(t - d): rest = -d e'
        delays.append(-float(np.sum(d_rest * d_slope)) / power)
        weights.append(power / max(float(d_rest.var()), 1e-12))
        middles.append(float(time_s[part].mean()))
    weight, middle = np.array(weights), np.array(middles)
    centre = np.average(middle, weights=weight)
    spread = float(np.sum(weight * (middle - centre) ** 2))
    slope_s = float(np.sum(weight * (middle - centre) * np.array(delays)) / spread)
    if not np.isfinite(slope_s) or duration_s <= 0:
        return None
    return _signed(slope_s * 1e6, 1e6 / np.sqrt(spread))
