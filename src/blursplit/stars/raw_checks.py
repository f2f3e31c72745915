"""Are these raw frames, and is their scale and time possible? Gates before any number is believed.

Each check returns a code with what was seen; words stand in the report. A check that is "void"
voids what it touches, one that is "doubt" widens it. Silence means raw as far as could be looked:
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from blursplit import constants as const
from blursplit.rig import Rig
from blursplit.stars.robust import masked_median, remove_trend
from blursplit.stars.steps import find_step
from blursplit.stars.tracks import PixelStatistics, StarTracks
from blursplit.types import BoolArray, FloatArray

_Severity = Literal["void", "doubt"]
Facts = dict[str, float | str]


@dataclass(frozen=True)
class Check:
    """One thing that is wrong with the frames."""

    code: str  # such as "frames-recentred"
    severity: _Severity
    facts: Facts  # what a sentence needs, units in the names
    # Of "motion", "widths", "seeing", "lines": what cannot be believed, or only more widely.
    touches: tuple[str, ...] = ()


def are_these_raw(
    tracks: StarTracks, motion: Any = None, rig: Rig | None = None
) -> tuple[Check, ...]:
    """Return what is wrong with the frames, nothing where they look raw.

    `motion`: shared motion of the stars; the mean of their positions is taken where it is not
    given. `rig`: asked for the readings of the pixel scale.
    """
    path = _shared_path(tracks) if motion is None else np.stack([motion.x_px, motion.y_px])
    checks = [
        _impossible_times(tracks),
        _repeated(tracks),
        *_correlated(tracks.pixels),
        _unclear(tracks.pixels),
        _nonlinear(tracks),
        _recentred(tracks),
        _stepped(tracks, path),
        _trailed(tracks),
        _widths_changed(tracks),
        None if rig is None else _disputed_scale(rig),
    ]
    found = [check for check in checks if check is not None]
    # A window that jumps over the sensor's pattern makes a little of such correlation too.
    recentred = any(check.code == "frames-recentred" for check in found)
    weak = 0.5 * const.MIXED_BY_TWO if recentred else -np.inf
    return tuple(
        c for c in found if c.code != "frames-mixed" or float(c.facts["correlation"]) > weak
    )


# --- times -----------------------------------------------------------------------------------
def _impossible_times(tracks: StarTracks) -> Check | None:
    steps = np.diff(tracks.time_s)
    if steps.size == 0:
        return None
    usual = float(np.median(steps))
    standing = float(np.mean(steps <= 0))
    if standing <= 0.01 and usual >= const.FASTEST_CAMERA_S:  # noqa: PLR2004 - one in a hundred
        return None
    facts: Facts = {"interval_s": usual, "standing_share": standing}
    return Check("times-impossible", "void", facts, ("lines", "motion"))


# --- frames that repeat, mix or were filtered -------------------------------------------------
def _repeated(tracks: StarTracks) -> Check | None:
    """Look for frames equal to the one before: every star in its place, with its flux and peak.

    Positions rounded in a table agree by chance too, at any lag: what agrees five frames on is
    taken off. Positions alone, without flux, have to be equal to the last digit.
    """
    same, far = _same_as(tracks, 1), _same_as(tracks, 5)
    if same is None or far is None:
        return None
    share, chance = float(same.mean()), float(far.mean())
    count, expected = int(same.sum()), chance * same.size
    sure = expected + const.SURE_SIGMAS * np.sqrt(max(expected, 1.0))
    if count < max(const.FEWEST_REPEATS, sure) or share - chance < const.LEAST_REPEATED_SHARE:
        return None
    severity: _Severity = "void" if share > const.REPEATED_SHARE else "doubt"
    facts: Facts = {"share": share, "frames": float(count)}
    return Check("frames-repeated", severity, facts, ("lines", "motion"))


def _same_as(tracks: StarTracks, lag: int) -> FloatArray | None:
    """Say of each pair of frames `lag` apart whether all stars agree (1) or not (0)."""
    if tracks.n_frames <= 2 * lag:
        return None
    good = tracks.good[lag:] & tracks.good[:-lag]
    agree = np.ones(good.shape, dtype=bool)
    near_px = const.REPEATED_PX if np.isfinite(tracks.flux_adu).any() else 0.0
    with np.errstate(invalid="ignore"):
        for name in ("x_px", "y_px"):
            values = getattr(tracks, name)
            agree &= np.abs(values[lag:] - values[:-lag]) <= near_px
        for name in ("flux_adu", "width_px", "peak_adu"):
            values = getattr(tracks, name)
            known = np.isfinite(values[lag:]) & np.isfinite(values[:-lag])
            near = np.abs(values[lag:] - values[:-lag]) <= 1e-3 * np.abs(values[lag:])
            agree &= near | ~known
    seen = good.any(axis=1)
    every: BoolArray = np.asarray((agree | ~good).all(axis=1), dtype=bool)
    return np.asarray(every[seen], dtype=float) if seen.any() else None


def _correlated(pixels: PixelStatistics | None) -> list[Check]:
    """Look for noise that goes on from frame to frame, or from pixel to pixel."""
    if pixels is None or pixels.pixels == 0:
        return []
    error = 2.0 / float(np.sqrt(pixels.pixels))
    lag, beside, sure = pixels.lag_correlation[0], pixels.neighbour_correlation, const.SURE_SIGMAS
    found = []
    if lag > max(const.MIXED_CORRELATION, sure * error):
        facts: Facts = {"correlation": lag, "error": error}
        touches = ("motion", "lines", "widths", "seeing")
        found.append(Check("frames-mixed", "void", facts, touches))
    if abs(beside) > max(const.NEIGHBOUR_CORRELATION, sure * error):
        facts = {"correlation": beside, "error": error}
        found.append(Check("pixels-filtered", "void", facts, ("widths", "seeing")))
    return found


def _unclear(pixels: PixelStatistics | None) -> Check | None:
    """Look for noise that goes together where no frames with the field in one place tell why.

    Faint stars that drift through blank sky look like filters (`pixel_statistics.BlankSky`), as
    they do in any crowded field. Hot pixels that are sharp and lie still are left by none that
    aligns, and by few that smooth.
    """
    if pixels is None or not pixels.sky_noise_adu > 0 or pixels.lies_still:
        return None
    if np.isfinite([pixels.neighbour_correlation, pixels.lag_correlation[0]]).all():
        return None
    return Check("noise-unclear", "doubt", {}, ("motion", "widths", "seeing"))


# --- linearity -------------------------------------------------------------------------------
def _nonlinear(tracks: StarTracks) -> Check | None:
    """Look for noise that does not grow with the level, or bright stars wider than faint ones.

    In raw frames the variance of a pixel is V = V_sky + level / gain, which tells the gain; blank
    sky then has V_sky gain^2 electrons of noise squared, of which its level above zero explains at
    most level x gain. The rest is read-out. What of the star passes the filter, flat-field noise
    and scintillation raise V and lower that rest: they hide a stretch, but feign none.
    """
    seen = _noise_facts(tracks.pixels) or _flux_trend(tracks) or _width_trend(tracks)
    return Check("pixels-nonlinear", "void", seen, ("widths", "seeing")) if seen else None


def _flux_trend(tracks: StarTracks) -> Facts | None:
    """Look for flux that grows from frame to frame as the image widens.

    In linear frames a star's light is the same however wide it is spread: ln(flux) against
    ln(width) has the slope 0, and what an aperture loses makes it negative. A level I stretched to
    I^g sums to flux^g x width^(2 - 2g): the slope is 2 - 2g for a Gaussian, 1 for a square root.
    Changes from frame to frame are compared, which clouds and drifting seeing do not join; faint
    stars are left out, whose noise raises both.
    """
    bright = np.argsort(-np.nan_to_num(_medians(tracks.flux_adu)), kind="stable")[:5]
    noise = _medians(tracks.sigma_px) / _medians(tracks.width_px)
    rows = []
    for star in bright.tolist():
        if not noise[star] < const.STRETCH_NOISE:
            continue
        with np.errstate(invalid="ignore", divide="ignore"):
            logs = np.log(np.stack([tracks.flux_adu[:, star], tracks.width_px[:, star]]))
        step = np.diff(np.where(tracks.good[:, star], logs, np.nan), axis=1)
        step = step[:, np.isfinite(step).all(axis=0)]
        if step.shape[1] < const.FEWEST_INDEPENDENT:
            continue
        sigma = step.std(axis=1, keepdims=True)
        flux, width = np.clip(step, -4.0 * sigma, 4.0 * sigma)
        if flux.any() and width.any():
            shared, square = float(flux @ width), float(width @ width)
            rows.append((shared / square, shared / (float(flux @ flux) * square) ** 0.5))
    if not rows:
        return None
    slope, together = (float(value) for value in np.median(rows, axis=0))
    if slope < const.STRETCH_SLOPE or together < const.STRETCH_CORRELATION:
        return None
    return {"flux_slope": slope, "correlation": together}


def _noise_facts(pixels: PixelStatistics | None) -> Facts | None:
    """Return what bright pixels' noise would make of the camera, where no camera is like that."""
    if pixels is None or not pixels.noise_count or not np.isfinite(pixels.sky_noise_adu):
        return None
    level, variance = np.array(pixels.noise_level_adu), np.array(pixels.noise_variance_adu2)
    # Neighbouring outputs of the filter overlap: about four pixels make one independent value.
    most = variance * (1.0 + const.SURE_SIGMAS * np.sqrt(8.0 / np.array(pixels.noise_count)))
    clear = level > max(const.LEAST_PEAK_SNR * pixels.sky_noise_adu, 0.2 * level.max())
    dark = pixels.sky_noise_adu**2 - 1.0 / 12.0  # rounding to whole data units
    if dark <= 0 or not clear.any():
        return None
    sky = max(pixels.sky_adu, 0.0)
    has_level = sky > const.SURE_SIGMAS * pixels.sky_noise_adu
    with np.errstate(divide="ignore"):
        gain = level[clear] / np.maximum(most[clear] - 1.0 / 12.0 - dark, 1e-12)
    read = np.sqrt(np.maximum(np.square(gain) * dark - gain * sky, 0.0))
    worst = int(np.argmax(read))
    if read[worst] < (const.NOISIEST_CAMERA_E if has_level else const.NOISIEST_SKY_E):
        return None
    return {
        "level_adu": float(level[clear][worst]),
        "noise_ratio": float(np.sqrt(variance[clear][worst]) / pixels.sky_noise_adu),
        "read_noise_e": float(min(read[worst], 1e6)),
    }


def _width_trend(tracks: StarTracks) -> Facts | None:
    """Compare bright and faint stars' widths where six or more are clear of the noise."""
    width, peak = _medians(tracks.width_px), _medians(tracks.peak_adu)
    with np.errstate(invalid="ignore"):
        clear = _medians(tracks.sigma_px) < 0.1 * width
    used = clear & np.isfinite(width) & (peak > 0)
    if used.sum() < 6 or np.ptp(np.log(peak[used])) < np.log(4.0):  # noqa: PLR2004
        return None
    x, y = np.log(peak[used]), np.log(width[used])
    x = x - x.mean()
    slope = float(x @ y / (x @ x))
    rest = y - y.mean() - slope * x
    error = float(np.sqrt(rest @ rest / (x.size - 2) / (x @ x)))
    wider = float(np.expm1(slope * np.ptp(x)))
    if wider < const.WIDER_BY or slope < const.SURE_SIGMAS * error:
        return None
    return {"wider_by": wider, "flux_ratio": float(np.exp(np.ptp(x))), "error": error}


def _medians(values: FloatArray) -> FloatArray:
    """Return the median of each column, NaN where it is empty."""
    return masked_median(values, axis=0)


# --- windows and images that follow the star ---------------------------------------------------
def _shared_path(tracks: StarTracks) -> FloatArray:
    """Return the mean place of the stars about their own means, shape (2, n_frames)."""
    out = []
    for values in (tracks.x_px, tracks.y_px):
        known = np.isfinite(values)
        about = np.where(known, values - _medians(values), 0.0)
        count = known.sum(axis=1)
        out.append(np.where(count > 0, about.sum(axis=1) / np.maximum(count, 1), np.nan))
    return np.stack(out)


def _recentred(tracks: StarTracks) -> Check | None:
    touches = ("motion", "lines", "widths")
    pixels = tracks.pixels
    seen = (0, 0), (0, 0)
    if pixels is not None:
        seen = (pixels.pattern_still, pixels.pattern_moved), (pixels.hot_still, pixels.hot_moved)
    for name, (still, moved) in zip(("fixed pattern", "hot pixels"), seen, strict=True):
        if moved >= const.FEWEST_MOVES and moved > 0.2 * still:
            facts: Facts = {"seen_by": name, "share": moved / (moved + still)}
            return Check("frames-recentred", "void", facts, touches)
    if pixels is None or not pixels.lies_still:
        rms_px = _follows_star(tracks, _within_a_pixel, const.NARROWEST_SHAPE_PX)
        if rms_px is not None:
            facts = {"seen_by": "whole pixels", "rms_px": rms_px}
            return Check("frames-recentred", "void", facts, touches)
        # Centroids of stars as narrow as pixels stick to them, whoever moved the window.
        loosely = _follows_star(tracks, lambda xy: _within_a_pixel(xy) or _about_a_pixel(xy))
        if loosely is not None:
            return Check("centring-suspected", "doubt", {"rms_px": loosely}, touches)
    return _too_quiet(tracks, touches)


def _follows_star(
    tracks: StarTracks, looks_so: Callable[[FloatArray], float | None], least_px: float = 0.0
) -> float | None:
    """Return the rms of the star that a window follows by whole pixels, or None.

    Only bright stars, whose noise is far below a pixel, whose leaps the others share and whose
    width is not below `least_px` (sigma).
    """
    bright = np.argsort(-np.nan_to_num(_medians(tracks.flux_adu)), kind="stable")[:5]
    noise_px, width_px = _medians(tracks.sigma_px), _medians(tracks.width_px)
    for star in bright.tolist():
        xy = np.stack([tracks.x_px[:, star], tracks.y_px[:, star]])
        if not noise_px[star] < const.QUIETEST_STAR_PX or width_px[star] < least_px:
            continue
        rms_px = looks_so(xy)
        if rms_px is None:
            continue
        others = [other for other in bright.tolist() if other != star]
        if others:
            about = np.stack([tracks.x_px[:, others], tracks.y_px[:, others]])
            step, own = np.diff(about, axis=1), np.diff(xy, axis=1)[:, :, None]
            known = np.isfinite(step) & np.isfinite(own)
            product = np.where(known, step * own, 0.0).sum()
            square = np.where(known, own * own, 0.0).sum()
            if not product > const.LEAPS_SHARED * square:
                continue
        return rms_px
    return None


def _within_a_pixel(xy: FloatArray) -> float | None:
    """Return the rms of a motion that is uniform within half a pixel by its jumps, or None.

    What a window that follows by whole pixels leaves is uniform over one pixel (sigma 1/sqrt(12)
    px, 96 % of it within 0.96 px), and it leaps from edge to edge. A Gaussian motion of that sigma
    has 1.19 px, a steady sine 0.82 px, a drift does not leap. One axis that fits may be chance;
    then limits are tighter, and the other axis must stay within the pixel too. Few frames look
    like anything: the odds of the uniform motion against a Gaussian one must be large.
    """
    fits, loose, sigmas, odds = [], [], [], []
    for values in xy:
        known = values[np.isfinite(values)]
        if known.size < 2 * const.FEWEST_INDEPENDENT:
            return None
        low, high = np.quantile(known, (0.02, 0.98))
        sigma, span = float(known.std()), float(high - low)
        leaps = float(np.mean(np.abs(np.diff(known)) > 0.5))  # noqa: PLR2004 - half a pixel
        leaping = leaps * known.size >= const.FEWEST_JUMPS and leaps < 0.4  # noqa: PLR2004
        enough = _independent(known) >= 2 * const.FEWEST_INDEPENDENT
        inside = span <= const.UNIFORM_RANGE_PX[1]
        flat = const.UNIFORM_SIGMA_PX[0] < sigma < const.UNIFORM_SIGMA_PX[1] and span / sigma < 3.7  # noqa: PLR2004
        loose.append(inside and flat and leaping and span > const.UNIFORM_RANGE_PX[0] and enough)
        tight = abs(sigma - 12**-0.5) < 0.03 and 3.1 < span / sigma < 3.6  # noqa: PLR2004
        fits.append((loose[-1] and tight, inside))
        sigmas.append(sigma)
        middle = 0.5 * float(low + high)
        odds.append(_log_odds_of_uniform(known, middle) if loose[-1] else -np.inf)
    sure = [odd > const.UNIFORM_LOG_ODDS for odd in odds]
    one = any(fits[i][0] and fits[1 - i][1] and sure[i] for i in (0, 1))
    both = all(loose) and sum(odds) > const.UNIFORM_LOG_ODDS
    if not (both or one or _stays_on_a_pixel(xy, const.PHASE_SIGMA_PX[1], const.PHASE_REACH_PX)):
        return None
    return float(np.hypot(sigmas[0], sigmas[1]) / 2**0.5)


def _log_odds_of_uniform(values: FloatArray, middle: float) -> float:
    """Return ln of the odds of a motion uniform over one pixel against a Gaussian one.

    Both fitted: the pixel's edges as soft as the camera's own errors make them, the Gaussian's
    mean and sigma. Correlated values count as so many independent ones.
    """
    from scipy.special import ndtr

    about = (values - values.mean()) / values.std()
    gaussian = -0.5 * about**2 - np.log(values.std() * np.sqrt(2.0 * np.pi))
    soft = np.array(const.PIXEL_EDGE_PX)[:, None]
    edges = [(values - middle + side) / soft for side in (0.5, -0.5)]
    uniform = np.log(np.maximum(ndtr(edges[0]) - ndtr(edges[1]), 1e-12))
    best = float((uniform - gaussian).sum(axis=1).max())
    return best * _independent(values) / values.size


def _about_a_pixel(xy: FloatArray) -> float | None:
    """Return the rms of a motion that a camera leaves which centres on a star badly, or None."""
    if not _stays_on_a_pixel(xy, const.LOOSE_SIGMA_PX, const.LOOSE_REACH_PX):
        return None
    return float(np.sqrt(np.nanvar(xy, axis=1).mean()))


def _stays_on_a_pixel(xy: FloatArray, most_px: float, reach_px: float) -> bool:
    """Return whether a star wanders about the middle of one pixel, as fast as leaps make it.

    Where the camera centres on the star less well than it is measured here, what is left is no
    longer uniform. But it is still centred on a whole pixel, on both axes, with hardly more than
    the scatter of rounding; the middle of a motion of the star's own lies anywhere.
    """
    for values in xy:
        known = values[np.isfinite(values)]
        if known.size < const.FEWEST_INDEPENDENT:
            return False
        middle = float(np.median(known))
        away = np.abs(known - np.rint(middle))
        leaps = float(np.mean(np.abs(np.diff(known)) > 0.5))  # noqa: PLR2004 - half a pixel
        if (
            abs(middle - np.rint(middle)) > const.PHASE_PX
            or not const.PHASE_SIGMA_PX[0] < float(known.std()) < most_px
            or float(np.quantile(away, 0.98)) > reach_px
            or not const.PHASE_LEAPS[0] < leaps < const.PHASE_LEAPS[1]
            or _independent(known) < 2 * const.FEWEST_INDEPENDENT
        ):
            return False
    return True


def _independent(values: FloatArray) -> float:
    """Return how many values are as good as independent, by the correlation of neighbours."""
    about = values - values.mean()
    square = float(about @ about)
    shared = float(about[1:] @ about[:-1]) / square if square > 0 else 0.0
    shared = float(np.clip(shared, 0.0, 0.999))
    return values.size * (1.0 - shared) / (1.0 + shared)


def _too_quiet(tracks: StarTracks, touches: tuple[str, ...]) -> Check | None:
    """Look for stars, or their mean, that move less than their differences require.

    Stars whose differences move h each by themselves have that motion at least, one by one, and
    h / sqrt(n) in their mean; what they share comes on top. Less of it was taken out by somebody.
    """
    used = np.flatnonzero(tracks.good.mean(axis=0) > 0.9)[:12]  # noqa: PLR2004
    if used.size < 2:  # noqa: PLR2004
        return None
    rows = tracks.good[:, used].all(axis=1)
    if rows.sum() < const.FEWEST_INDEPENDENT:
        return None
    n = used.size
    sigma_px = tracks.sigma_px[rows][:, used]
    if not np.isfinite(sigma_px).any():
        return None
    noise = float(np.nanmean(np.square(sigma_px)))
    few = np.ix_(rows, used)
    whole = np.stack([remove_trend(values[few]) for values in (tracks.x_px, tracks.y_px)])
    many = n > 2  # noqa: PLR2004 - of two stars nothing is left beside shift, turn and scale
    own = whole - whole.mean(axis=2)[..., None]
    if many:
        own = _beside_shared(whole, tracks.x_px[few], tracks.y_px[few])
    freedom = 2 * n - 4 if many else 2
    apart = float(np.square(own).sum(axis=(0, 2)).mean()) / freedom - noise
    mean = float(np.square(whole.mean(axis=2)).mean()) - noise / n
    count = _independent(own[0, :, 0])
    if apart < 4.0 * noise or count < const.FEWEST_INDEPENDENT:
        return None
    single = np.square(whole).mean(axis=(0, 1)) - noise
    quiet = float(min(single.min() / apart, n * mean / apart if many else np.inf))
    if quiet > const.QUIET_SHARE:
        return None
    rms_px = float(np.sqrt(max(quiet, 0.0) * apart))
    facts: Facts = {"seen_by": "pairs", "rms_px": rms_px, "required_px": float(np.sqrt(apart))}
    return Check("frames-recentred", "void", facts, touches)


def _beside_shared(whole: FloatArray, x_px: FloatArray, y_px: FloatArray) -> FloatArray:
    """Return what shift, turn and scale of each frame leave, shape (2, frames, stars)."""
    x, y = np.nanmedian(x_px, axis=0), np.nanmedian(y_px, axis=0)
    x, y = x - x.mean(), y - y.mean()
    one, zero = np.ones(x.size), np.zeros(x.size)
    design = np.block([[one, zero], [zero, one], [-y, x], [x, y]]).T
    both = np.concatenate([whole[0], whole[1]], axis=1)
    rest = both - both @ np.linalg.pinv(design).T @ design.T
    return np.asarray(rest.reshape(len(both), 2, -1).transpose(1, 0, 2))


# --- steps and trails ---------------------------------------------------------------------------
def _stepped(tracks: StarTracks, path: FloatArray) -> Check | None:
    """Look for the place at which the pointing moves once and for good.

    The step of the largest likelihood ratio, noise fitted with the step and without (`steps.py`).
    A knock leaves one push, which the path then remembers as it always does: a step has to explain
    more than any one push beside it (an innovation against a level shift: Tsay 1988). The medians
    of eight and of more frames on either side then differ by as much, and all that lies farther
    away keeps most of it: on a slow swing they do not. Each star has to step: where one is lost
    while the field turns, their mean does.
    """
    longest = np.bincount(tracks.segment).argmax()
    here = (tracks.segment == longest) & np.isfinite(path).all(axis=0)
    time_s, xy = tracks.time_s[here], path[:, here]
    if time_s.size < 4 * const.STEP_SPAN:
        return None
    waits = np.diff(time_s, prepend=time_s[0])
    # much may come to pass in a gap
    step = find_step(xy, waits <= const.STEP_WAIT * np.median(waits))
    at, size = step.at, float(np.hypot(*step.shift))
    if size < const.LEAST_STEP_PX or step.log_ratio < max(const.STEP_LOG_RATIO, step.push):
        return None
    steps = [
        _change_of_median(xy[..., None], at, span) for span in (8, const.STEP_SPAN, time_s.size)
    ]
    few, near, far = (float(np.hypot(*change)[0]) / size for change in steps)
    own = _change_of_median(np.stack([tracks.x_px[here], tracks.y_px[here]]), at, const.STEP_SPAN)
    each = (steps[1].T @ own)[0, np.isfinite(own[0])]
    all_step = each.size > 0 and float(np.median(each)) > const.STEP_KEPT * (near * size) ** 2
    low, high = const.STEP_AGREES
    if not (low < few < high and low < near < high and far > const.STEP_KEPT and all_step):
        return None
    sigmas = float(step.log_ratio**0.5)
    facts: Facts = {"step_px": size, "at_s": float(time_s[at]), "sigmas": sigmas}
    return Check("pointing-stepped", "doubt", facts, ("motion",))


def _change_of_median(places: FloatArray, at: int, span: int) -> FloatArray:
    """Return how far the medians of so many frames move at one place, shape (2, n_stars)."""
    before, after = places[:, max(at - span, 0) : at], places[:, at : at + span]
    return np.array([_medians(two) - _medians(one) for one, two in zip(before, after, strict=True)])


def _trailed(tracks: StarTracks) -> Check | None:
    """Look for an elongation that all stars share in all frames.

    Air alone cannot make it: of one layer that drifts over the aperture, the tilt along the wind
    exceeds that across it by at most 0.33 of the tilt's variance, and tilt is at most 0.6 of the
    image's: an elongation of 0.1 (two-sided second moments).
    """
    e1, e2 = _medians(tracks.e1), _medians(tracks.e2)
    known = np.isfinite(e1) & np.isfinite(e2)
    if not known.any():
        return None
    mean = np.array([np.median(e1[known]), np.median(e2[known])])
    size = float(np.hypot(*mean))
    scatter = np.hypot(e1[known] - mean[0], e2[known] - mean[1])
    widths = _medians(tracks.width_px)
    if not np.isfinite(widths).any():
        return None
    width = float(np.nanmedian(widths))
    minor = width * float(np.sqrt(max(1.0 - size, 0.0)))
    apart = float(np.median(scatter))
    if minor < const.NARROWEST_SHAPE_PX or size < const.TRAILED_ELONGATION or apart > 0.5 * size:
        return None
    angle_deg = float(np.rad2deg(0.5 * np.arctan2(mean[1], mean[0])) % 180.0)
    facts: Facts = {"elongation": size, "angle_deg": angle_deg, "minor_sigma_px": minor}
    facts["major_sigma_px"] = width * float(np.sqrt(1.0 + size))
    return Check("stars-trailed", "doubt", facts, ("widths", "seeing"))


def _widths_changed(tracks: StarTracks) -> Check | None:
    """Look for stretches of the run in which all stars are wider than in others.

    One seeing and one width of the optics are asked of the run: a focus that moved in it, or air
    that changed as much, has none. Air of one strength changes medians of 24 frames by at most a
    fifth (a hundred scenes); a sixteenth of a long run has more frames.
    """
    shown = np.where(tracks.good, tracks.width_px / _medians(tracks.width_px), np.nan)
    seen = np.isfinite(shown).any(axis=1)
    span = max(const.WIDTH_SPAN, int(seen.sum()) // const.WIDTH_PARTS)
    parts = int(seen.sum()) // span
    if parts < 2:  # noqa: PLR2004
        return None
    shared = np.nanmedian(shown[seen], axis=1)[: parts * span]
    width = np.median(shared.reshape(parts, span), axis=1)
    change = float(width.max() / width.min())
    if change < const.WIDTH_CHANGES:
        return None
    return Check("widths-changed", "doubt", {"times": change}, ("widths", "seeing"))


# --- pixel scale ----------------------------------------------------------------------------------
def _disputed_scale(rig: Rig) -> Check | None:
    """Compare all readings of the pixel scale: setup, headers, pixel over focal length."""
    readings = rig.scale_readings()
    if not readings:
        return None
    lowest, *_, highest = sorted([*readings] * 2, key=readings.__getitem__)
    low, high = float(readings[lowest]), float(readings[highest])
    if high <= (1.0 + const.SCALE_AGREES) * low:
        return None
    facts: Facts = {"low_arcsec": low, "high_arcsec": high}
    facts |= {"low_from": str(lowest), "high_from": str(highest)}
    return Check("scale-disputed", "doubt", facts, ("motion", "widths", "seeing"))
