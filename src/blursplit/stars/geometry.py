"""Places of a star field that shifts, turns and breathes, and small robust fits to them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.compiled import medians
from blursplit.types import BoolArray, FloatArray, ImageArray


def turned(
    x_px: FloatArray,
    y_px: FloatArray,
    turn_deg: FloatArray | float,
    scale: float,
    shape: tuple[int, int],
) -> tuple[FloatArray, FloatArray]:
    """Return places turned by `turn_deg` (from +x toward +y) and scaled about a frame's centre."""
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    cos, sin = scale * np.cos(np.deg2rad(turn_deg)), scale * np.sin(np.deg2rad(turn_deg))
    dx, dy = x_px - cx, y_px - cy
    return cx + cos * dx - sin * dy, cy + sin * dx + cos * dy


def remove_trend(series: FloatArray) -> FloatArray:
    """Remove mean and straight line from each column."""
    n = len(series)
    t = np.arange(n) - 0.5 * (n - 1)
    slope = t @ series / (t @ t)
    out: FloatArray = series - series.mean(axis=0) - np.outer(t, slope)
    return out


def extrapolate(time_s: FloatArray, value_px: FloatArray, ahead_s: FloatArray) -> FloatArray:
    """Continue a coordinate: along a line where it drifts, else at its latest median.

    A step, such as a dither, is no drift: only what came after it is continued. Nor is a line
    continued to where its error would take the field out of the narrowest cuts.

    `time_s`, `value_px` (n,): what was seen, without NaN. `ahead_s` (m,): times to continue to.
    """
    since = last_step(value_px)
    time_s, value_px = time_s[since:], value_px[since:]
    n = time_s.size
    latest = median_of(value_px[-const.TREND_LATEST :])
    if since and n < const.TREND_LATEST:
        return np.full(ahead_s.shape, latest)
    if n < const.TREND_FEWEST:
        return np.full(ahead_s.shape, float(value_px[-1]))
    half = n // 2
    step_s = float(time_s[-half:].mean() - time_s[:half].mean())
    if step_s <= 0:
        return np.full(ahead_s.shape, latest)
    slope = (median_of(value_px[-half:]) - median_of(value_px[:half])) / step_s
    line = slope * time_s
    rest = value_px - line
    middle = median_of(rest)
    scatter = const.SIGMA_PER_MAD * median_of(np.abs(rest - middle))
    # The median of n/2 values has 1.25 times the error of their mean.
    slope_error = 1.25 * scatter * np.sqrt(4.0 / n) / step_s
    far = abs(slope) * float(ahead_s[-1] - time_s[-1])
    error = slope_error * float(ahead_s[-1] - time_s[-1])
    if (
        far < const.DRIFT_MATTERS_PX
        or abs(slope) < 3.0 * slope_error
        or error > const.SMALLEST_MARGIN
    ):
        return np.full(ahead_s.shape, latest)
    recent = median_of(rest[-const.TREND_LATEST :])
    return np.asarray(recent + slope * ahead_s, dtype=float)


def last_step(value_px: FloatArray) -> int:
    """Return from which value on a coordinate stays where a step took it, 0 without a step.

    Two levels are laid through the values, and a line between the medians of their halves. The
    step counts where its description is the better one by the criterion of Schwarz (1978), with
    deviations of a Laplace distribution, whose likelihood outliers do not rule: a step has one
    parameter more than a line, its place. Fewer than four values on a side may be outliers.
    """
    n = value_px.size
    if n < 2 * const.TREND_FEWEST:
        return 0
    half = n // 2
    slope = (median_of(value_px[-half:]) - median_of(value_px[:half])) / (n - half)
    rest = value_px - slope * np.arange(n)
    line = float(np.abs(rest - median_of(rest)).sum())
    levels = np.empty(n - 2 * const.TREND_FEWEST + 1)
    medians().two_levels(np.ascontiguousarray(value_px), const.TREND_FEWEST, levels)
    best = int(np.argmin(levels))
    is_step = 2.0 * n * np.log(max(line, 1e-9) / max(float(levels[best]), 1e-9)) > np.log(n)
    return best + const.TREND_FEWEST if is_step else 0


def _fit_turn_and_scale(
    x_px: FloatArray, y_px: FloatArray, dx_px: FloatArray, dy_px: FloatArray
) -> tuple[float, float, float, float]:
    """Return (turn in degrees, relative scale, shift x, shift y) of small displacements.

    `x_px`, `y_px` (k,): places about the centre. `dx_px`, `dy_px` (k,): displacements; stars beyond
    four robust sigmas are left out.
    """
    used = np.ones(x_px.shape, dtype=bool)
    fitted = 0.0, 0.0, 0.0, 0.0
    for _ in range(3):
        fitted = _least_squares(x_px[used], y_px[used], dx_px[used], dy_px[used])
        left = np.concatenate([dx_px, dy_px]) - _offsets_of(x_px, y_px, *fitted)
        left = np.hypot(*left.reshape(2, -1))
        again = left <= 4.0 * max(median_of(left), 1e-3)
        if again.sum() < 3 or (again == used).all():  # noqa: PLR2004
            break
        used = again
    return fitted


def _least_squares(
    x_px: FloatArray, y_px: FloatArray, dx_px: FloatArray, dy_px: FloatArray
) -> tuple[float, float, float, float]:
    """Return turn [deg], scale and shifts; about the mean place of the stars they are apart."""
    x, y, dx, dy = (float(value.mean()) for value in (x_px, y_px, dx_px, dy_px))
    from_x, from_y, off_x, off_y = x_px - x, y_px - y, dx_px - dx, dy_px - dy
    square = float(from_x @ from_x + from_y @ from_y)
    if square == 0.0:
        return 0.0, 0.0, dx, dy
    turn = float(from_x @ off_y - from_y @ off_x) / square
    scale = float(from_x @ off_x + from_y @ off_y) / square
    return float(np.rad2deg(turn)), scale, dx + turn * y - scale * x, dy - turn * x - scale * y


def _offsets_of(
    x_px: FloatArray, y_px: FloatArray, turn_deg: float, scale: float, x: float, y: float
) -> FloatArray:
    """Return the displacements (all x, then all y) of a small turn, scale and shift."""
    turn = np.deg2rad(turn_deg)
    return np.concatenate([-turn * y_px + scale * x_px + x, turn * x_px + scale * y_px + y])


def masked_columns(values: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median of each column's values under the mask; NaN where there is none."""
    return masked_median(values.T, mask.T)


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """Return (first, last + 1) of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def median_of(values: FloatArray) -> float:
    """Return the median of all values, NaN where there are none or one of them is NaN."""
    kept = np.array(values, dtype=float).ravel()
    return float(medians().median_of(kept, kept.size))


def level_and_scatter(image: ImageArray, step: int) -> tuple[int, float, float]:
    """Return number, median and median deviation of the finite ones of every few pixels."""
    pixels = np.ascontiguousarray(image, dtype=np.float32)
    number, middle, deviation = medians().level_and_scatter(pixels, step)
    return int(number), float(middle), float(deviation)


def masked_median(values: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median along the last axis of the values under the mask; NaN where none is."""
    rows = math.prod(values.shape[:-1])
    middle = np.empty(rows)
    medians().masked_median(
        np.ascontiguousarray(values, dtype=float).reshape(rows, values.shape[-1]),
        np.ascontiguousarray(mask).reshape(rows, values.shape[-1]),
        middle,
    )
    return middle.reshape(values.shape[:-1])


@dataclass(frozen=True)
class _FieldRotation:
    """Turn and scale that a stretch of frames adds to those assumed."""

    turn_deg: float  # from +x toward +y
    error_deg: float  # its standard error
    scale: float  # relative change of scale
    spread_px: float  # by how much stars stray from the field, one axis


def fit_field_rotation(
    x_px: FloatArray, y_px: FloatArray, off_x_px: FloatArray, off_y_px: FloatArray, good: BoolArray
) -> _FieldRotation | None:
    """Fit turn and scale to the medians of where stars lie off their places, or return None.

    `x_px`, `y_px` (k,): places of the stars about the centre of the frame. `off_x_px`, `off_y_px`
    (n, k): where each was found against its expected place. `good` (n, k).

    Stars at distances r from their common centre whose places each have the error s tell the
    turn to s / sqrt(sum r^2). A median of n places that scatter by s_1 has 1.25 s_1 / sqrt(n);
    the air lasts from frame to frame, which leaves n (1 - c) / (1 + c) frames of their own, with
    c the correlation of neighbours (Bayley and Hammersley 1946).
    """
    dx, dy = masked_columns(off_x_px, good), masked_columns(off_y_px, good)
    used = np.isfinite(dx) & np.isfinite(dy)
    if used.sum() < const.SMALLEST_FIT:
        return None
    fitted = _fit_turn_and_scale(x_px[used], y_px[used], dx[used], dy[used])
    left = np.concatenate([dx[used], dy[used]])
    left = left - _offsets_of(x_px[used], y_px[used], *fitted)
    apart = off_x_px - dx, off_y_px - dy
    usual = median_of(np.abs(np.concatenate([off[good] for off in apart])))
    share = _own_share(*(np.where(good, off, 0.0) for off in apart))
    frames = good[:, used].sum(axis=0) * share
    square = np.square(x_px[used] - x_px[used].mean()) + np.square(y_px[used] - y_px[used].mean())
    weight = float((square * frames).sum())
    error = 1.25 * const.SIGMA_PER_MAD * usual / np.sqrt(weight) if weight > 0 else np.inf
    return _FieldRotation(
        turn_deg=fitted[0],
        error_deg=float(np.rad2deg(error)),
        scale=fitted[1],
        spread_px=const.SIGMA_PER_MAD * float(np.hypot(usual, median_of(np.abs(left)))),
    )


def _own_share(*offsets_px: FloatArray) -> float:
    """Return the share of frames that are as good as independent, from neighbours' correlation.

    The offsets are zero where a star was not measured.
    """
    together = sum(float(np.vdot(off[1:], off[:-1])) for off in offsets_px)
    alone = sum(float(np.vdot(off, off)) for off in offsets_px)
    shared = float(np.clip(together / alone, 0.0, 0.99)) if alone > 0 else 0.0
    return (1.0 - shared) / (1.0 + shared)


def nearest_turn_deg(turn_deg: FloatArray | float, to_deg: FloatArray | float) -> FloatArray:
    """Return turns by whole turns nearest to another: -0.1 rather than 359.9 to 0."""
    turn = np.asarray(turn_deg, dtype=float)
    return np.asarray(turn - 360.0 * np.round((turn - to_deg) / 360.0), dtype=float)
