"""What needs no model: arrays and images that the page draws, plain statistics, events."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from blursplit import constants as const
from blursplit.budget.answer import Answer
from blursplit.budget.histories import Histories
from blursplit.budget.line_search import Lines
from blursplit.budget.record import Motion
from blursplit.definitions import Conditions, History
from blursplit.estimate import Estimate
from blursplit.evidence.guest import Record
from blursplit.facts import Facts
from blursplit.image.stack import StarImages
from blursplit.motion import CommonMotion, PairStatistics
from blursplit.motion.common import GridData, detrend
from blursplit.result import Event, EventSearch, PairMotion
from blursplit.result import Motion as MotionPart
from blursplit.series import Series
from blursplit.spectra import (
    MotionEvent,
    MotionEvents,
    multitaper_density,
    time_frequency,
)
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray


def _plain_arrays(
    tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics, scale: float | None
) -> dict[str, FloatArray]:
    """Return the arrays that need no model: times, shared motion, stars, shapes, pairs."""
    out = {
        "time_s": tracks.time_s,
        "star_x_px": motion.reference_x_px + np.nanmean(motion.x_px),
        "star_y_px": motion.reference_y_px + np.nanmean(motion.y_px),
        "star_flux_adu": np.nanmedian(tracks.seen("flux_adu"), axis=0),
    }
    weight = np.where(tracks.good, motion.weight, 0.0)
    total = np.maximum(weight.sum(axis=1), 1e-12)
    for name, values in (("elongation_e1", tracks.e1), ("elongation_e2", tracks.e2)):
        out[name] = (np.nan_to_num(values) * weight).sum(axis=1) / total
    if scale is not None:
        out["common_x_arcsec"] = (motion.x_px - np.nanmean(motion.x_px)) * scale
        out["common_y_arcsec"] = (motion.y_px - np.nanmean(motion.y_px)) * scale
        out |= _pair_curves(pairs, scale)
    return out


def _removed_motions(
    tracks: StarTracks, grid: GridData, histories: Histories
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Return the estimated motions at the frames, by the image that goes without them."""

    def at_frames(owner: str) -> FloatArray:
        """Return the motion at the frames of the tracks, shape (n_frames, 2); 0 outside."""
        out = np.zeros((tracks.n_frames, 2))
        path = histories.mean_path_arcsec.get(owner)
        if path is not None:
            frame = np.concatenate([segment.frame for segment in grid.segments])
            out[frame[frame >= 0]] = path[frame >= 0]
        return out

    paths = {owner: at_frames(owner) for owner in ("tracking", "structure")}
    removed = {f"without_{owner}": path for owner, path in paths.items()}
    removed["without_both"] = paths["tracking"] + paths["structure"]
    axes = [(owner, k, axis) for owner in paths for k, axis in enumerate("xy")]
    return removed, {f"{owner}_{axis}_arcsec": paths[owner][:, k] for owner, k, axis in axes}


def _page_images(
    tracks: StarTracks, stack: StarImages, facts: Facts, removed: Mapping[str, FloatArray]
) -> tuple[dict[str, np.ndarray], float | None]:
    """Return the star images for the page, peak of the recorded one 1, and their pixel."""
    scale = facts.scale_arcsec
    if removed and scale is not None:
        shifted = {name: motion / scale for name, motion in removed.items()}
        stack = StarImages.of(tracks, facts.blur_time_s, scale, shifted, stack) or stack
    top = stack.stack.images["recorded"].max()
    out = {
        name: (_enlarged(image, const.OVERSAMPLING) / top).astype(np.float32)
        for name, image in stack.stack.images.items()
    }
    loop = _frames_of_best_star(tracks)
    if loop is not None:
        out["loop"] = loop
    return out, None if scale is None else scale / const.OVERSAMPLING


def _frames_of_best_star(tracks: StarTracks) -> NDArray[np.float32] | None:
    """Return consecutive frames of the brightest star in one fixed window, brightest pixel 1.

    Shape (frame, y, x); the sky is 0, and so is what lies outside a frame's own cut-out. None
    without cut-outs.
    """
    stamps = tracks.stamps
    if stamps is None or not stamps.pixels_adu.size:
        return None
    flux = np.nanmedian(tracks.seen("flux_adu"), axis=0)
    best = int(np.nanargmax(flux[stamps.star]))
    kept = np.flatnonzero(tracks.good[:, stamps.star[best]])[: const.LOOP_FRAMES]
    if not len(kept):
        return None
    pixels = stamps.pixels_adu[kept, best] - stamps.sky_adu[kept, best, None, None]
    x0, y0 = stamps.x0_px[kept, best], stamps.y0_px[kept, best]
    size = pixels.shape[-1]
    window = np.zeros(pixels.shape, dtype=np.float32)
    for k, frame in enumerate(np.nan_to_num(pixels)):
        dx, dy = int(x0[k] - np.median(x0)), int(y0[k] - np.median(y0))
        if max(abs(dx), abs(dy)) >= size:
            continue
        ours = (slice(max(dy, 0), size + min(dy, 0)), slice(max(dx, 0), size + min(dx, 0)))
        its = (slice(max(-dy, 0), size - max(dy, 0)), slice(max(-dx, 0), size - max(dx, 0)))
        window[k][ours] = frame[its]
    top = float(window.max())
    return (window / top).astype(np.float32) if top > 0 else None


def shared_motion_limit(
    tracks: StarTracks, motion: CommonMotion, scale_arcsec: float, blur_time_s: float
) -> tuple[float | None, float]:
    """Return the 95 % upper end of the shared motion's rms along its larger axis, and from where.

    Inside windows of the blur time, noise taken out; the error follows from how few frequencies
    carry the motion: var(rms^2)/rms^4 = sum of S^2 over (sum of S)^2.
    """
    seen = np.isfinite(motion.x_px)
    if int(seen.sum()) < 4:  # noqa: PLR2004 - no motion to speak of
        return None, 0.0
    path = motion.xy_px[seen] * scale_arcsec
    still = Conditions(1.0, 0.0, 1.0, 1.0)
    run = History(still, tracks.time_s[seen], tracks.segment[seen], {"open": path})
    run = run.in_windows(blur_time_s)
    noise2 = float(np.nanmean(motion.noise_px[seen] ** 2)) * scale_arcsec**2
    covariance = run.motion_covariance("open")
    values, vectors = np.linalg.eigh(covariance)
    power = np.abs(np.fft.rfft(run.path_arcsec["open"] @ vectors[:, 1])[1:]) ** 2
    if not np.any(power):  # each window is one frame: nothing moves between them
        return None, 0.0
    error = float(np.sqrt(np.sum(power**2)) / np.sum(power))
    # one-sided 95 % of a variance that few frequencies carry
    high = max(float(values[1]) * (1.0 + const.ONE_SIDED_95 * error) - noise2, 0.0)
    return float(np.sqrt(high)), 1.0 / blur_time_s


@dataclass(frozen=True)
class _SharedSpectrum:
    """Share of the motion's power that is common to all stars."""

    frequency_hz: FloatArray  # (b,): middle of each band
    # `share`, `low`, `high`: (b,): 0 to 1, noise removed, with a 68 % interval; NaN where the noise
    # drowns the motion.
    share: FloatArray
    low: FloatArray
    high: FloatArray


def _coherence_spectrum(
    x: FloatArray, y: FloatArray, noise_sigma: FloatArray | float, cadence_s: float
) -> _SharedSpectrum:
    """Return the share of the motion's power common to two or more stars, by frequency.

    `x`, `y` (n, n_stars): motion on the regular grid, without NaN, any unit. `noise_sigma`
    (n_stars,): centroid noise of one axis, same unit.

    Common power: mean over pairs of Re(z_s conj z_t); total: mean |z_s|^2 less the noise. The
    interval is a jackknife over the bins of a band.
    """
    n, n_stars = x.shape
    from scipy.signal.windows import dpss

    tapers = dpss(n, 2.0, 3)
    both = np.stack([x - x.mean(axis=0), y - y.mean(axis=0)])
    spectra = np.fft.rfft(tapers[:, None, :, None] * both[None], axis=2)
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    noise = float(np.mean(np.broadcast_to(np.asarray(noise_sigma), (n_stars,)) ** 2))
    power = (np.abs(spectra) ** 2).sum(axis=3)
    pairs = (np.abs(spectra.sum(axis=3)) ** 2 - power) / (n_stars * (n_stars - 1))
    common = pairs.mean(axis=(0, 1))
    total = (power / n_stars - noise).mean(axis=(0, 1))
    return _by_band(frequency, common, total, noise)


def _by_band(
    frequency: FloatArray, common: FloatArray, total: FloatArray, noise: float
) -> _SharedSpectrum:
    bins = np.arange(2, frequency.size - 1)  # the mean, and Nyquist, are left out
    edges = [float(bins[0])]
    while edges[-1] < bins[-1]:
        wider = edges[-1] * 2.0 ** (1.0 / const.SHARED_BANDS_PER_OCTAVE)
        edges.append(max(wider, edges[-1] + const.SHARED_FEWEST_BINS))
    rows = []
    for low, high in pairwise(edges):
        part = bins[(bins >= low) & (bins < high)]
        if part.size < const.SHARED_FEWEST_BINS - 1:
            continue
        middle = float(np.sqrt(frequency[part[0]] * frequency[part[-1]]))
        rows.append((middle, *_ratio(common[part], total[part], noise)))
    return _SharedSpectrum(*np.array(rows, dtype=np.float64).reshape(-1, 4).T)


def _ratio(common: FloatArray, total: FloatArray, noise: float) -> tuple[float, float, float]:
    top, bottom = common.sum(), total.sum()
    # a sum of power smaller than its own scatter carries no share
    if bottom <= 0.2 * noise * common.size / np.sqrt(common.size):
        return np.nan, np.nan, np.nan
    ratio = top / bottom
    without = (top - common) / (bottom - total)
    # neighbouring bins under NW = 2 tapers repeat each other: half of them count
    m = common.size
    sigma = np.sqrt(2.0 * (m - 1) / m * np.sum((without - without.mean()) ** 2))
    middle, low, high = np.clip([ratio, ratio - sigma, ratio + sigma], 0.0, 1.0).tolist()
    return middle, low, high


def _density_curves(grid: GridData) -> dict[str, FloatArray]:
    """Return densities of shared and own motion, and the coherence, from the longest segment."""
    segment = max(grid.segments, key=lambda s: len(s.real))
    n = len(grid.star)
    density = multitaper_density(segment.shared_arcsec, grid.cadence_s)
    out = {
        "frequency_hz": density.frequency_hz,
        "common_psd_x_arcsec2_hz": density.psd[:, 0],
        "common_psd_y_arcsec2_hz": density.psd[:, 1],
        "common_psd_low_arcsec2_hz": density.low.sum(axis=1),
        "common_psd_high_arcsec2_hz": density.high.sum(axis=1),
        "noise_psd_arcsec2_hz": np.full_like(
            density.frequency_hz, 2.0 * grid.shared_noise_psd_arcsec2_hz
        ),
    }
    if n > 1:
        own = segment.stars_arcsec - np.repeat(segment.shared_arcsec, n, axis=1)
        each = multitaper_density(own, grid.cadence_s).psd
        # One star against the mean of n has (n - 1)/n of its own motion.
        out["differential_psd_arcsec2_hz"] = each.sum(axis=1) / (n - 1)
        sigma = np.sqrt(grid.noise_arcsec2[:n])
        shared = _coherence_spectrum(
            segment.stars_arcsec[:, :n], segment.stars_arcsec[:, n:], sigma, grid.cadence_s
        )
        share = np.nan_to_num(shared.share)
        out["coherence"] = np.interp(density.frequency_hz, shared.frequency_hz, share)
    return out


def _pair_curves(pairs: PairStatistics, scale: float) -> dict[str, FloatArray]:
    """Return the motion of every pair, noise removed."""
    return {
        "pair_separation_arcsec": pairs.separation_px * scale,
        "pair_along_rms_arcsec": scale * np.sqrt(np.maximum(pairs.along_var_px2, 0.0)),
        "pair_across_rms_arcsec": scale * np.sqrt(np.maximum(pairs.across_var_px2, 0.0)),
    }


def _enlarged(image: FloatArray, factor: int) -> FloatArray:
    """Return a finer image for the eye, sample 0 in its place.

    Cubic splines: the exact band-limited image of a star hardly wider than its pixels rings far
    along rows and columns, which looks like structure of the star.
    """
    fine = np.arange(image.shape[0] * factor) / factor
    places = np.meshgrid(fine, fine, indexing="ij")
    return np.asarray(map_coordinates(image, places, order=3, mode="nearest"))


# --- plain statistics, before any model -----------------------------------------------------------
def motion_part(
    tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics, scale: float | None
) -> MotionPart:
    """Return rms of shared and pair motion: trend and noise removed, averaging not undone."""
    seen = np.isfinite(motion.x_px)
    time, segment = tracks.time_s[seen], tracks.segment[seen]
    noise2 = float(np.nanmean(motion.noise_px[seen] ** 2))
    flat = (detrend(time, values[seen], segment) for values in (motion.x_px, motion.y_px))
    sizes = {
        f"common_rms_{axis}": _rms(float(np.var(path)), path[:, None], noise2=noise2)
        for axis, path in zip("xy", flat, strict=True)
    }
    sizes["noise_rms"] = _noise_of_one(tracks)
    if len(pairs.separation_px):
        # what is left of n stars is n - 1 independent motions
        doubt = tracks.n_stars / (tracks.n_stars - 1) / const.MAD_EFFICIENCY
        for axis, mad_px, left_px in (
            ("x", pairs.mad_x_px, motion.residual_x_px),
            ("y", pairs.mad_y_px, motion.residual_y_px),
        ):
            own = np.nan_to_num(left_px[seen])
            sizes[f"pair_rms_{axis}"] = _rms(float(np.median(mad_px)) ** 2, own, doubt=doubt)
    turn = detrend(time, motion.rotation_rad[seen], segment)
    turned = _rms(float(np.var(turn)), turn[:, None]).times(const.ARCSEC_PER_RADIAN)
    told = {f"{name}_px": size for name, size in sizes.items()}
    if scale is not None:
        told |= {f"{k}_arcsec": size.times(scale) for k, size in sizes.items() if "pair" not in k}
    return MotionPart(
        **told,
        rotation_rms_arcsec=turned if np.any(motion.rotation_rad[seen] != 0) else None,
        pairs=[] if scale is None else _pair_bins(tracks, motion, pairs, scale),
    )


def _rms(
    variance_px2: float, series: FloatArray, *, noise2: float = 0.0, doubt: float = 1.0
) -> Estimate:
    """Return an rms with the interval that a record of this length leaves it.

    `variance_px2`: noise included. `series` (n, m): m motions of that kind, whose correlation says
    how many independent samples there are. `noise2`: to be taken off. `doubt`: of the variance's
    own variance, over that of the mean square of these series.
    """
    power = np.abs(_transforms(series.T)) ** 2
    return _rms_by_power(variance_px2, power, noise2=noise2, doubt=doubt)


def _transforms(series: FloatArray) -> NDArray[np.complex128]:
    """Return the transform of each row, without its mean."""
    return np.fft.rfft(series - series.mean(axis=1, keepdims=True))[:, 1:]


def _rms_by_power(
    variance_px2: float, power: FloatArray, *, noise2: float, doubt: float
) -> Estimate:
    """Return an rms with its interval; `power` (m, n_frequencies): periodograms of the series.

    The mean square of Gaussian series has a relative variance of sum of S^2 over (sum of S)^2, S
    being the density at each frequency, and nearly a gamma law (Satterthwaite 1946). A
    periodogram's square has twice S^2 for its mean.
    """
    from scipy.stats import chi2

    total = float(power.sum())
    value = float(np.sqrt(max(variance_px2 - noise2, 0.0)))
    if total == 0.0:  # nothing moves
        return Estimate(value=value, low=None, high=None)
    squares = 0.5 * float(np.sum(power**2))
    # one frequency alone has two degrees, whatever it is measured by
    freedom = max(2.0 / doubt * (total**2 - squares) / squares, 2.0)
    parts = 0.01 * np.array(const.PERCENTILES[::-1])
    variances = variance_px2 * freedom / chi2.ppf(parts, freedom) - noise2
    return Estimate.from_ends(Estimate.ends_about(value, np.sqrt(np.maximum(variances, 0.0))))


def _noise_of_one(tracks: StarTracks) -> Estimate:
    """Return the rms noise of one position, with the scatter of its mean from time to time.

    A gain that was measured from the stars themselves errs as its note says, and with it, at most
    as much, the variance.
    """
    square = tracks.seen("sigma_px") ** 2
    known = square[np.isfinite(square).any(axis=1)]
    mean = float(np.nanmean(known))
    n = min(const.NOISE_PARTS, len(known))
    parts = [float(np.nanmean(part)) for part in np.array_split(known, n)]
    error = 0.0 if n == 1 else float(np.std(parts, ddof=1)) / np.sqrt(n)
    for code, facts in tracks.notes:
        gain, off = facts.get("gain_e_per_adu"), facts.get("error_e_per_adu")
        if code == "gain-measured" and isinstance(gain, float) and isinstance(off, float):
            error = float(np.hypot(error, mean * off / gain))
    if error <= const.SAME_NOISE * mean:  # stated, not measured
        return Estimate(value=float(np.sqrt(mean)), low=None, high=None)
    return Estimate.with_error(mean, error, lambda square: float(np.sqrt(max(square, 0.0))))


def _pair_bins(
    tracks: StarTracks, motion: CommonMotion, pairs: PairStatistics, scale: float
) -> list[PairMotion]:
    """Pairs in bins of separation with about equal numbers."""
    n = len(pairs.separation_px)
    if n == 0:
        return []
    transforms = _transforms(_trendless_stars(tracks))
    halves = [(half @ half.conj().T).real for half in (transforms[:, ::2], transforms[:, 1::2])]
    waves = transforms.view(np.float64)
    order = np.argsort(pairs.separation_px)
    bins = np.array_split(order, max(1, min(const.PAIR_BINS, n // const.PAIRS_IN_BIN)))
    out = []
    for rows in bins:
        one, other = pairs.star[rows].T
        dx = motion.reference_x_px[other] - motion.reference_x_px[one]
        dy = motion.reference_y_px[other] - motion.reference_y_px[one]
        noise2 = float(pairs.noise_var_px2[rows].mean())
        sizes = []
        for variance_px2, axis in (
            (pairs.along_var_px2, np.stack([dx, dy])),
            (pairs.across_var_px2, np.stack([-dy, dx])),
        ):
            # (n_pairs, 2, n_stars): what a pair's motion is of those of all stars along x and y
            parts = np.zeros((len(rows), 2, tracks.n_stars))
            for k, part in enumerate(axis / np.hypot(dx, dy)):
                each = np.arange(len(rows))
                parts[each, k, one], parts[each, k, other] = -part, part
            of_stars = parts.reshape(len(rows), -1)
            power = (waves * (of_stars.T @ of_stars @ waves)).sum(axis=0).reshape(-1, 2).sum(axis=1)
            first, second = (of_stars @ half @ of_stars.T for half in halves)
            size = _rms_of_pairs(float(variance_px2[rows].mean()), noise2, power, first, second)
            sizes.append(None if size is None else size.times(scale))
        along, across = sizes
        out.append(
            PairMotion(
                separation_arcsec=float(pairs.separation_px[rows].mean() * scale),
                along_rms_arcsec=along,
                across_rms_arcsec=across,
                count=len(rows),
            )
        )
    return out


def _trendless_stars(tracks: StarTracks) -> FloatArray:
    """Return x of all stars and then y without their trends, (2 n_stars, n) [px]; 0 where lost."""
    _, segment = np.unique(tracks.segment, return_inverse=True)
    out = np.zeros((2, *tracks.good.T.shape))
    for k, seen in enumerate(tracks.good.T):
        for left, values in zip(out, (tracks.x_px, tracks.y_px), strict=True):
            left[k, seen] = detrend(tracks.time_s[seen], values[seen, k], segment[seen])
    return out.reshape(-1, tracks.n_frames)


def _rms_of_pairs(
    variance_px2: float, noise2: float, power: FloatArray, first: FloatArray, second: FloatArray
) -> Estimate | None:
    """Return the rms of a bin of pairs; None where noise alone is as large.

    `variance_px2`: mean of the pairs, without its noise `noise2`. `power` (n_frequencies,): sum of
    their periodograms. `first`, `second` (n_pairs, n_pairs): their covariance by every other
    frequency, any scale.

    Pairs that share a star or a turn of the field move alike. With S the sum of their densities, C
    their covariance and r = tr(C^2) / (tr C)^2, their mean square has a relative variance of r sum
    of S^2 over (sum of S)^2, and `power` has a mean square of (1 + r) S^2. Two halves make C^2,
    since a square takes chance for likeness.
    """
    if variance_px2 <= 0:
        return None
    spread = float(np.trace(first) * np.trace(second))
    alike = float(np.sum(first * second)) / spread if spread > 0 else 1.0
    alike = float(np.clip(alike, 1.0 / len(first), 1.0))
    return _rms_by_power(
        variance_px2 + noise2, power, noise2=noise2, doubt=2.0 * alike / (1.0 + alike)
    )


# --- events of the shared motion ------------------------------------------------------------------
def find_shared_events(
    grid: GridData, start_utc: str | None
) -> tuple[list[Event], EventSearch | None]:
    """Find events in each stretch of the shared motion.

    `grid`: in arcsec, drive terms removed. `start_utc`: ISO time at which the grid's times are
    zero.

    Returns: its smallest peak is that of the least sensitive stretch; nothing where all stretches
    are too short.
    """
    fewest = MotionEvents.fewest_frames(grid.cadence_s)
    segments = [segment for segment in grid.segments if len(segment.real) >= fewest]
    if not segments:
        return [], None
    steps = grid.duration_s / grid.cadence_s
    searches = [
        MotionEvents.find(
            segment.start_s + np.arange(len(segment.real), dtype=np.float64) * grid.cadence_s,
            segment.shared_arcsec,
            grid.cadence_s,
            real=segment.real,
            # the longer a stretch, the larger its part of what may go wrong in the record
            false_alarm=const.EVENT_FALSE_ALARM * len(segment.real) / steps,
        )
        for segment in segments
    ]
    events = [_event(event, start_utc) for search in searches for event in search.events]
    energy = sum(search.energy for search in searches)
    affected = sum(search.energy_affected for search in searches)
    return events, EventSearch(
        frames_searched=sum(int(segment.real.sum()) for segment in segments),
        frames_affected=sum(int(search.affected.sum()) for search in searches),
        fast_motion_share=affected / energy if energy > 0 else 0.0,
        smallest_peak_arcsec=max(search.smallest_peak for search in searches),
        window_s=searches[0].window_s,
        false_alarm_probability=const.EVENT_FALSE_ALARM,
    )


def _event(event: MotionEvent, start_utc: str | None) -> Event:
    return Event(
        start_s=event.start_s,
        start_utc=_later(start_utc, event.start_s),
        duration_s=event.duration_s,
        frames=event.frames,
        kind=event.kind,
        onsets=event.onsets,
        peak_arcsec=Estimate.with_error(event.peak, event.peak_error),
        frequency_hz=event.frequency_hz,
        frequency_low_hz=event.low_hz,
        frequency_high_hz=event.high_hz,
    )


def _later(start_utc: str | None, seconds: float) -> str | None:
    """Return an ISO time so much later, to the hundredth of a second."""
    if start_utc is None:
        return None
    moment = datetime.fromisoformat(start_utc)
    if moment.tzinfo is not None:
        moment = moment.astimezone(UTC).replace(tzinfo=None)
    # rounded, not cut: 5 ms up
    moment += timedelta(seconds=seconds, milliseconds=5)
    return moment.isoformat(timespec="milliseconds")[:-1]


def _time_frequency_arrays(grid: GridData) -> dict[str, FloatArray]:
    """Return the shared motion's density by time and frequency; empty for too short a record.

    `grid`: in arcsec.
    """
    try:
        view = time_frequency(
            grid.time_s,
            grid.shared_arcsec,
            grid.cadence_s,
            segment=grid.number,
            real=np.concatenate([s.real for s in grid.segments]),
        )
    except ValueError:
        return {}
    return {
        "time_edge_s": view.time_edge_s,
        "frequency_edge_hz": view.frequency_edge_hz,
        "common_psd_by_time_arcsec2_hz": view.psd,
    }


def curves_and_images(
    record: Record, motion: Motion, stack: StarImages | None, lines: Lines, answer: Answer
) -> Series:
    """Return what a page draws beside the numbers of the result."""
    facts, tracks = record.facts, record.tracks
    arrays = _plain_arrays(tracks, motion.shared, motion.pairs, facts.scale_arcsec)
    for guest in answer.guests:
        arrays |= guest.arrays(record)
    if facts.scale_arcsec is not None:
        arrays |= lines.arrays
        if motion.quiet is not None:
            arrays |= _density_curves(motion.quiet)
            arrays |= _time_frequency_arrays(motion.quiet)
    images = {} if tracks.finder_adu is None else {"finder": tracks.finder_adu}
    scale = None
    if stack is not None:
        removed: dict[str, np.ndarray] = {}
        if answer.histories is not None and motion.grid is not None and facts.scale_arcsec:
            removed, estimated = _removed_motions(tracks, motion.grid, answer.histories)
            arrays |= estimated
        more, scale = _page_images(record.images, stack, facts, removed)
        images |= more
    if answer.fit is not None:
        arrays |= answer.fit.transfer_curves()
        if "frequency_hz" in arrays:
            arrays |= answer.fit.air_curves(arrays["frequency_hz"])
        if len(motion.pairs.separation_px) and facts.scale_arcsec is not None:
            widest = float(motion.pairs.separation_px.max()) * facts.scale_arcsec
            arrays |= answer.fit.pair_curves(np.linspace(0.02 * widest, 1.1 * widest, 24))
    return Series(arrays, images, scale)
