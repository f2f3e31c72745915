"""Frames of a tenth of a second to minutes: tracking inside them, and what bounds the rest.

Between long frames the mount moves in steps; how much of a step happens while the shutter is open
cannot be seen in the positions. The duty cycle says what to expect, the regression of the frames'
elongation on the steps what did happen. A cause that is the same in every frame is no larger than
the narrowest frames leave room for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.evidence.guest import Record
from blursplit.motion.common import CommonMotion
from blursplit.motion.inside import FrameTensors
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class _LongFrames:
    """Tracking of long frames: drift, motion inside the frames, and how it was found."""

    drift_arcsec_per_min: FloatArray  # (n_draws, 2): steady rate along x and y
    # (2,): scatter of the steps from frame to frame, centroid noise removed.
    step_rms_arcsec: FloatArray
    inside_arcsec2: FloatArray  # (n_draws, 2, 2): mean tensor of the tracking inside the frames
    frames_arcsec2: FloatArray  # (n_frames, 2, 2): the same frame by frame, mean of the draws
    # (n_draws,): tensor inside the frames over that of a steady step: the duty cycle squared where
    # the mount moves evenly, zero where it moves between the exposures only.
    share: FloatArray
    # (value, sigma): from the regression of the frames' tensors on the steps; None without tensors.
    share_measured: tuple[float, float] | None

    @property
    def is_shown(self) -> bool:
        """Whether the elongations follow the steps."""
        value, sigma = self.share_measured or (0.0, 0.0)
        return value > 3.0 * sigma


def slow_motion(
    record: Record, motion: CommonMotion, seed: int
) -> tuple[list[dict[str, FloatArray]], list[dict[str, FloatArray]], FloatArray]:
    """Return paths at frame times, blur inside the frames, and drift of frames without a spectrum.

    A straight drift is tracking; what the frames do about it is open motion at frame times. How
    much of a step happens inside the exposures follows from duty cycle and elongations.
    """
    facts, tracks = record.facts, record.tracks
    scale = facts.scale_arcsec or 1.0
    shared = motion.xy_px * scale
    exposure = tracks.exposure_s or 0.0
    seen = np.isfinite(motion.x_px)
    since = tracks.time_s[seen] - tracks.time_s[seen].mean()
    rates, inside = np.zeros((const.N_HISTORIES, 2)), np.zeros((const.N_HISTORIES, 2, 2))
    if facts.is_long:
        tensors = None
        if record.shapes_are_stars:
            gain = record.rig.get("gain_e_per_adu")
            tensors = FrameTensors.of(record.images, scale, gain_e_per_adu=gain)
        told = tracks.time_s, tracks.segment, shared, motion.noise_px * scale, exposure, tensors
        long = _tracking_of_long_frames(*told, n_draws=const.N_HISTORIES, seed=seed)
        if long is not None:
            rates, inside = long.drift_arcsec_per_min / 60.0, long.inside_arcsec2
    else:
        how = {"n_draws": const.N_HISTORIES, "seed": seed}
        rates = _drift_of_short_frames(tracks.time_s, tracks.segment, shared, **how)
        inside = rates[:, :, None] * rates[:, None, :] * exposure**2 / 12.0
    paths, blurs = [], []
    for rate, blur in zip(rates, inside, strict=True):
        track = since[:, None] * rate
        around = shared[seen] - track
        paths.append({"tracking": track, "open": around - around.mean(axis=0)})
        blurs.append({"tracking": blur})
    return paths, blurs, rates


def _tracking_of_long_frames(
    time_s: FloatArray,
    segment: IntArray,
    shared_arcsec: FloatArray,
    noise_arcsec: FloatArray,
    exposure_s: float,
    tensors: FrameTensors | None = None,
    *,
    n_draws: int = 200,
    seed: int = 0,
) -> _LongFrames | None:
    """Draw the tracking inside long frames from the steps between them; None for fewer than five.

    `time_s` (n_frames,). `segment` (n_frames,): steps are taken within a segment only.
    `shared_arcsec` (n_frames, 2): shared motion of the stars, NaN where lost. `noise_arcsec`
    (n_frames,): one-axis noise of it.

    The steps are a mixture of unknown shares: even motion, whose tensor in a step s over the time t
    is (tau/t)^2 s s^T/12; wander (Brownian), which leaves 2 (t/tau)/(1 - tau/3t) times that, since
    its variance about the mean is S tau/6t for steps of S (1 - tau/3t); and moves between the
    exposures, which leave nothing. Shares are drawn over the three and weighted by what the
    frames' elongations show: their regression on the steps, and that their scatter is at least
    the mixture's. What is new in each frame, as the air's wander is, makes steps too, which are
    taken off (`_new_in_each_frame`).
    """
    rng = np.random.default_rng(seed)
    gap = np.diff(time_s)
    step = np.diff(shared_arcsec, axis=0)
    usable = (np.diff(segment) == 0) & np.isfinite(step.sum(axis=1)) & (gap > 0)
    if int(usable.sum()) < const.LONG_FRAME_LEAST_STEPS:
        return None
    usual_gap = float(np.median(gap[usable]))
    rate = step / np.where(gap > 0, gap, np.inf)[:, None]
    usable &= _not_jumping(rate, usable)
    new, new_error = _new_in_each_frame(step, usable)
    centroids = np.nanmean(noise_arcsec**2) * np.eye(2)
    air = _not_below_zero(new - centroids) * 2.0 / usual_gap**2
    square = _frame_squares(rate, usable, noise_arcsec, usual_gap) - air
    known = np.isfinite(square.sum(axis=(1, 2)))
    expected = square * (exposure_s**2 / 12.0)
    drift = _drift(rate[usable], rng, n_draws)
    duty = min(exposure_s / usual_gap, 1.0)
    measured = None if tensors is None else _regress(tensors.shared_arcsec2, expected)
    share = _draw_share(measured, duty, n_draws, rng)
    found = expected[known]
    mean = _not_below_zero(found.mean(axis=0))
    scatter = found.std(axis=0) / np.sqrt(len(found))
    error = np.hypot(scatter, new_error * exposure_s**2 / usual_gap**2 / 6.0)
    drawn = error * rng.standard_normal((n_draws, 2, 2))
    drawn = _not_below_zero(found.mean(axis=0) + 0.5 * (drawn + drawn.swapaxes(1, 2)))
    share = share * np.exp(const.LONG_FRAME_MODEL_ERROR * rng.standard_normal(n_draws))
    frames = np.where(known[:, None, None], expected, mean)
    return _LongFrames(
        drift_arcsec_per_min=60.0 * drift,
        step_rms_arcsec=usual_gap * np.sqrt(np.diagonal(mean) * 12.0) / exposure_s,
        inside_arcsec2=share[:, None, None] * drawn,
        frames_arcsec2=float(share.mean()) * frames,
        share=share * duty**2,
        share_measured=(measured.slope * duty**2, measured.sigma * duty**2) if measured else None,
    )


def _new_in_each_frame(step: FloatArray, usable: BoolArray) -> tuple[FloatArray, FloatArray]:
    """Return the covariance of what each frame's place has of its own, and its error, (2, 2) each.

    `step` (n_frames - 1, 2). White places of variance v add -v to the product of a step and the
    next, nothing to that of a step and the next but one; smooth motion adds the same to both, and
    wander more to the first: the difference of the two is v, or less.
    """
    about = np.where(usable[:, None], step - np.median(step[usable], axis=0), np.nan)
    product = about[:-2, :, None] * (about[2:, None, :] - about[1:-1, None, :])
    seen = product[np.isfinite(product.sum(axis=(1, 2)))]
    if len(seen) < const.LONG_FRAME_LEAST_STEPS:
        return np.zeros((2, 2)), np.zeros((2, 2))
    seen = 0.5 * (seen + seen.swapaxes(1, 2))
    return _not_below_zero(seen.mean(axis=0)), seen.std(axis=0) / np.sqrt(len(seen))


def _not_below_zero(tensor: FloatArray) -> FloatArray:
    """Return symmetric tensors (..., 2, 2) without what is negative in them."""
    weight, vector = np.linalg.eigh(tensor)
    kept = vector * np.maximum(weight, 0.0)[..., None, :]
    return np.asarray(kept @ vector.swapaxes(-1, -2))


def _not_jumping(rate: FloatArray, usable: BoolArray) -> BoolArray:
    """Say which steps are no dither: within six robust sigmas of the median."""
    middle = np.median(rate[usable], axis=0)
    spread = const.SIGMA_PER_MAD * np.median(np.abs(rate[usable] - middle), axis=0)
    with np.errstate(invalid="ignore"):
        far = np.abs(rate - middle) > const.LONG_FRAME_LARGEST_STEP * np.maximum(spread, 1e-12)
    return ~(far[:, 0] | far[:, 1])


def _frame_squares(
    rate: FloatArray, usable: BoolArray, noise_arcsec: FloatArray, gap_s: float
) -> FloatArray:
    """Return the mean outer product of the rates about each frame, noise removed; (n, 2, 2)."""
    outer = rate[:, :, None] * rate[:, None, :]
    noise2 = (noise_arcsec[1:] ** 2 + noise_arcsec[:-1] ** 2) / gap_s**2
    outer = outer - np.where(np.isfinite(noise2), noise2, 0.0)[:, None, None] * np.eye(2)
    outer[~usable] = np.nan
    edge = np.full((1, 2, 2), np.nan)
    both = np.stack([np.concatenate([edge, outer]), np.concatenate([outer, edge])])
    count = np.isfinite(both.sum(axis=(2, 3))).sum(axis=0)
    total = np.nansum(both, axis=0)
    return np.where(count[:, None, None] > 0, total / np.maximum(count, 1)[:, None, None], np.nan)


def _drift(rate: FloatArray, rng: np.random.Generator, n_draws: int) -> FloatArray:
    """Draw the steady rate: the median of the steps, its error 1.25 scatter/sqrt(n)."""
    middle = np.median(rate, axis=0)
    scatter = const.SIGMA_PER_MAD * np.median(np.abs(rate - middle), axis=0)
    error = 1.25 * scatter / np.sqrt(len(rate))
    return np.asarray(middle + error * rng.standard_normal((n_draws, 2)))


def _drift_of_short_frames(
    time_s: FloatArray, segment: IntArray, shared_arcsec: FloatArray, *, n_draws: int, seed: int
) -> FloatArray:
    """Draw the steady rate of short frames at uneven times, shape (n_draws, 2) [arcsec/s].

    Means of blocks of a tenth of the run against time, each stretch about its own middle; the
    error is that of a straight line through blocks that scatter as these do (Student's t).
    """
    rng = np.random.default_rng(seed)
    seen = np.isfinite(shared_arcsec).all(axis=1)
    time, path, part = time_s[seen], shared_arcsec[seen], segment[seen]
    place = (time - time[0]) / max(np.ptp(time), 1e-9) * const.DRIFT_BLOCKS
    block = np.minimum(place.astype(np.int64), const.DRIFT_BLOCKS - 1)
    number = np.unique(np.stack([part, block]), axis=1, return_inverse=True)[1].ravel()
    count = np.bincount(number)

    def means(value: FloatArray) -> FloatArray:
        about = value - (np.bincount(part, value) / np.maximum(np.bincount(part), 1))[part]
        return np.asarray(np.bincount(number, about) / count)

    at = means(time)
    spread = float(count @ at**2)
    freedom = len(count) - len(np.unique(part)) - 1
    if freedom < 1 or spread <= 0.0:
        return np.zeros((n_draws, 2))
    rates = np.empty((n_draws, 2))
    for axis in range(2):
        value = means(path[:, axis])
        slope = float(count @ (at * value)) / spread
        scatter2 = float(count @ (value - slope * at) ** 2) / freedom
        rates[:, axis] = slope + np.sqrt(scatter2 / spread) * rng.standard_t(freedom, n_draws)
    return rates


@dataclass(frozen=True)
class _Regression:
    """Elongation on step: slope and error, and the elongations' scatter over an even step's."""

    slope: float
    sigma: float
    scatter: float
    scatter_error: float  # relative


def _regress(tensor: FloatArray, expected: FloatArray) -> _Regression | None:
    """Regress the frames' elongation on the steps' (trace left out: it follows the seeing)."""
    there = np.stack([expected[:, 0, 0] - expected[:, 1, 1], 2.0 * expected[:, 0, 1]], axis=1)
    seen = np.stack([tensor[:, 0] - tensor[:, 1], 2.0 * tensor[:, 2]], axis=1)
    both = np.flatnonzero(np.isfinite(there.sum(axis=1) + seen.sum(axis=1)))
    if len(both) < const.LONG_FRAME_LEAST_STEPS:
        return None
    level2 = float(np.sum(there[both].mean(axis=0) ** 2))
    x = there[both] - there[both].mean(axis=0)
    y = seen[both] - seen[both].mean(axis=0)
    power = float(np.sum(x**2))
    if power <= 0.0:
        return None
    slope = float(np.sum(x * y)) / power
    rest = y - slope * x
    # heteroscedastic error (White 1980): large steps scatter most
    sigma = float(np.sqrt(np.sum((x * rest).sum(axis=1) ** 2))) / power
    scatter = float(np.mean((y**2).sum(axis=1))) / level2
    # variance of an exponential variable's variance: eight times its square
    return _Regression(slope, max(sigma, 1e-9), scatter, float(np.sqrt(8.0 / len(both))))


def _draw_share(
    measured: _Regression | None, duty: float, n: int, rng: np.random.Generator
) -> FloatArray:
    """Draw the tensor inside the frames over that of even steps, from mixtures of three kinds."""
    wander_tensor = 2.0 / duty / (1.0 - duty / 3.0)
    mixture = rng.dirichlet(np.full(3, 0.5), 20_000)  # flat in the roots: pure kinds count too
    even, wander = mixture[:, 0], mixture[:, 1]
    share = even + wander_tensor * wander
    if measured is None:
        return np.asarray(share[:n])
    slope = even**2 + _wander_slope(duty) * wander**2
    # variance over squared mean of a Brownian tensor along a line: 4/5
    least = 0.8 * (wander_tensor * wander) ** 2
    log = -0.5 * ((measured.slope - slope) / np.hypot(measured.sigma, 0.1 * slope)) ** 2
    too_much = np.log(np.maximum(least / max(measured.scatter, 1e-12), 1.0))
    log -= 0.5 * (too_much / measured.scatter_error) ** 2
    weight = np.exp(log - log.max())
    return np.asarray(share[rng.choice(len(share), n, p=weight / weight.sum())])


def _wander_slope(duty: float) -> float:
    """Return the regression slope of a Brownian path's tensor on the steps about its frame.

    For Gaussian steps cov(V, s^2) = 2 <cov(x(t) - mean, s)^2>; sampled on a fine path of unit
    rate, with the frame from 0 to `duty` and the next one a unit later.
    """
    n = 200
    t = (np.arange(n) + 0.5) / n * duty
    # covariances of Brownian motion from -1 on: min of the times since then
    here = np.minimum.outer(t, t) + 1.0
    own = here.mean(axis=0)
    after = own - here.mean()  # of x(t) - mean with the later frame's mean less this one's
    later = (t + 1.0) - (t + 1.0).mean() - after
    before = np.minimum.outer(t - 1.0, t) + 1.0
    earlier = (own - here.mean()) - (before.mean(axis=0) - before.mean())
    step = 1.0 - duty / 3.0  # variance of one step
    pair = duty / 6.0  # covariance of neighbours: they share one exposure's mean
    square = step**2 + pair**2  # variance of (s1^2 + s2^2)/2
    cov = float(np.mean(later**2 + earlier**2))
    return cov / square * 12.0 / duty**2
