"""Inner loops compiled by numba. Each has a slower twin in numpy that gives the same numbers.

Only `blursplit.compiled` imports this module. Pixels are summed in single precision, as in
numpy; what is made of the sums is double.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit

__all__ = ["gather", "masked_median", "measure_stamps"]

# Sums may be reordered and products joined; NaN and infinity keep their meaning.
_LOOSE = {"contract", "reassoc", "nsz", "arcp"}
_LANES = 32  # pixels of a row that are summed together; windows are padded with zeros
_PIECES = 12  # of a stamp's border, as in `stars.sky`
_NOTHING = (math.nan,) * 8


@njit(cache=True, nogil=True)
def gather(  # pragma: no cover - compiled
    raw: Any, swapped: bool, flip: int, zero: float, x0: Any, y0: Any, size: int, out: Any
) -> int:
    """Copy stamps that lie within their frames into float32 [frame, star, y, x].

    Parameters
    ----------
    raw : ndarray of uint8 or uint16, shape (n, ny, nx)
    swapped : bool
        The bytes of 16-bit numbers stand in the other order.
    flip : int
        0x8000 where 16-bit numbers have a sign; `zero` is then less by 32768.

    Returns
    -------
    int
        Without meaning: it keeps the compiler from leaving out that the next stamp is fetched.
    """
    count, ny, nx = raw.shape
    stars = x0.shape[1]
    stored = np.empty(size * size, dtype=raw.dtype)
    add = np.float32(zero)
    fetched = 0
    for number in range(count):
        frame = raw[number].reshape(ny * nx)
        for star in range(stars):
            if star + 1 < stars:  # the processor looks ahead over few instructions only
                ahead = y0[number, star + 1] * nx + x0[number, star + 1]
                fetched += _fetch(frame, ahead, nx, size)
            place = y0[number, star] * nx + x0[number, star]
            for row in range(size):
                source = frame[place : place + size]
                target = stored[row * size : (row + 1) * size]
                for i in range(size):
                    target[i] = source[i]
                place += nx
            stamp = out[number, star].reshape(size * size)
            if swapped:
                for i in range(size * size):
                    value = np.uint16(stored[i])
                    value = np.uint16((value << 8) | (value >> 8))
                    stamp[i] = np.float32(np.int32(value ^ flip)) + add
            else:
                for i in range(size * size):
                    stamp[i] = np.float32(np.int32(stored[i] ^ flip)) + add
    return fetched


@njit(cache=True, nogil=True)
def _fetch(frame: Any, at: int, nx: int, size: int) -> int:  # pragma: no cover - compiled
    """Touch both ends of every row of a stamp."""
    fetched = 0
    for place in range(at, at + size * nx, nx):
        fetched += frame[place]
    for place in range(at + size - 1, at + size - 1 + size * nx, nx):
        fetched += frame[place]
    return fetched


@njit(cache=True, nogil=True)
def masked_median(values: Any, mask: Any, out: Any) -> None:  # pragma: no cover - compiled
    """Write the median of each row's values under the mask, NaN where there is none."""
    rows, columns = values.shape
    kept = np.empty(columns)
    for row in range(rows):
        n = 0
        for column in range(columns):
            if mask[row, column]:
                kept[n] = values[row, column]
                n += 1
        out[row] = _median(kept, n)


@njit(cache=True, nogil=True)
def _median(kept: Any, n: int) -> float:  # pragma: no cover - compiled
    """Return the median of the first n values, which lose their order."""
    if n == 0:
        return math.nan
    for i in range(n):
        if math.isnan(kept[i]):
            return math.nan
    upper = n // 2
    _select(kept, n, upper)
    high = kept[upper]
    if n % 2:
        return float(high)
    low = kept[0]
    for i in range(1, upper):
        low = max(low, kept[i])
    return float(0.5 * (low + high))


@njit(cache=True, nogil=True)
def _select(values: Any, n: int, wanted: int) -> None:  # pragma: no cover - compiled
    """Bring the value of rank `wanted` to its place, smaller ones before it (Hoare 1961)."""
    first, last = 0, n - 1
    while last - first > 8:  # noqa: PLR2004
        middle = (first + last) // 2
        a, b, c = values[first], values[middle], values[last]
        pivot = max(min(a, b), min(max(a, b), c))
        i, j = first, last
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                values[i], values[j] = values[j], values[i]
                i += 1
                j -= 1
        if wanted <= j:
            last = j
        elif wanted >= i:
            first = i
        else:
            return
    for i in range(first + 1, last + 1):
        value = values[i]
        j = i - 1
        while j >= first and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value


@njit(cache=True, nogil=True)
def _middle(values: Any) -> float:  # pragma: no cover - compiled
    """Return the median of twelve values by their ranks: no branch to guess."""
    total = 0.0
    for i in range(_PIECES):
        rank = 0
        for j in range(_PIECES):
            rank += (values[j] < values[i]) | ((values[j] == values[i]) & (j < i))
        if _PIECES // 2 - 1 <= rank <= _PIECES // 2:
            total += values[i]
    return 0.5 * total


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _sky(  # pragma: no cover - compiled
    stamp: Any, places: Any, level: Any, spread: Any
) -> tuple[float, float]:
    """Return the sky and the variance of its pixels: medians over pieces of the border.

    Twin of `stars.sky.measure_sky`, before that one's factor for few pixels.
    """
    each = places.shape[1]
    base = np.float64(stamp[places[0, 0]])  # squares of the level itself would not be exact
    whole = 0.0
    for piece in range(_PIECES):
        total, squares = 0.0, 0.0
        for i in range(each):
            value = stamp[places[piece, i]] - base
            total += value
            squares += value * value
        level[piece] = total / each
        spread[piece] = squares / each - level[piece] * level[piece]
        whole += squares
    if whole < math.inf:  # which NaN is not
        return base + _middle(level), _middle(spread)
    return _sky_with_gaps(stamp, places, level, spread)


@njit(cache=True, nogil=True)
def _sky_with_gaps(  # pragma: no cover - compiled
    stamp: Any, places: Any, level: Any, spread: Any
) -> tuple[float, float]:
    each = places.shape[1]
    base, known = np.float64(0.0), 0
    for place in places.flat:
        if abs(stamp[place]) < math.inf:
            base += float(stamp[place])
            known += 1
    if not known:
        return math.nan, math.nan
    base /= known
    full = 0
    for piece in range(_PIECES):
        total, squares, known = 0.0, 0.0, 0
        for i in range(each):
            value = stamp[places[piece, i]] - base
            if abs(value) < math.inf:
                total += value
                squares += value * value
                known += 1
        if known:
            level[full] = total / known
            spread[full] = squares / known - level[full] * level[full]
            full += 1
    return base + _median(level, full), _median(spread, full)


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _windows(  # pragma: no cover - compiled
    x: float, y: float, scale: float, used: int, along_x: Any, along_y: Any
) -> None:
    """Write the window about (x, y) along both axes, with its first and second moments.

    Neighbouring values of a Gaussian have ratios that change by one constant factor.
    """
    value_x, value_y = math.exp(-0.5 * scale * x * x), math.exp(-0.5 * scale * y * y)
    ratio_x, ratio_y = math.exp(scale * (x - 0.5)), math.exp(scale * (y - 0.5))
    factor = math.exp(-scale)
    for i in range(used):
        dx, dy = i - x, i - y
        along_x[0, i] = value_x
        along_x[1, i] = value_x * dx
        along_x[2, i] = value_x * dx * dx
        along_y[0, i] = value_y
        along_y[1, i] = value_y * dy
        along_y[2, i] = value_y * dy * dy
        value_x *= ratio_x
        value_y *= ratio_y
        ratio_x *= factor
        ratio_y *= factor


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _moments(  # pragma: no cover - compiled
    light: Any, first: int, size: int, used: int, along_x: Any, along_y: Any
) -> tuple[float, float, float, float, float, float]:
    """Return sums of light under the window: 1, x, y, xx, yy, xy about its centre."""
    core, x, y, xx, yy, xy = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    for row in range(used):
        base = first + row * size
        a, b, c = np.float32(0), np.float32(0), np.float32(0)
        for lane in range(0, used, _LANES):
            pixels = light[base + lane : base + lane + _LANES]
            for i in range(_LANES):
                a += pixels[i] * along_x[0, lane + i]
                b += pixels[i] * along_x[1, lane + i]
                c += pixels[i] * along_x[2, lane + i]
        once = along_y[1, row]
        core += along_y[0, row] * a
        x += along_y[0, row] * b
        y += once * a
        xx += along_y[0, row] * c
        yy += along_y[2, row] * a
        xy += once * b
    return core, x, y, xx, yy, xy


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def _centroid(  # pragma: no cover - compiled
    light: Any,
    size: int,
    lead: int,
    x: float,
    y: float,
    window: float,
    reach: float,
    darkest: float,
    rules: Any,
    along_x: Any,
    along_y: Any,
) -> Any:
    """Bring the window to its own centroid: twin of `stars.window.settle`, for one stamp."""
    most_steps, tolerance, last_step, gain, flattest = rules
    used = size - 2 * lead
    half = (used - 1) / 2
    scale = 1.0 / (window * window)
    for step in range(most_steps):
        _windows(x, y, scale, used, along_x, along_y)
        core, mx, my, xx, yy, xy = _moments(light, lead * size + lead, size, used, along_x, along_y)
        if not core > darkest:
            break
        mx, my, xx, yy, xy = mx / core, my / core, xx / core, yy / core, xy / core
        step_x, step_y, enough = gain * mx, gain * my, tolerance
        if step:
            a, b, c = 1.0 - xx * scale, 1.0 - yy * scale, -xy * scale
            determinant = a * b - c * c
            if a > flattest and b > flattest and determinant > flattest * min(a, b):
                step_x = (b * mx - c * my) / determinant
                step_y = (a * my - c * mx) / determinant
                enough = last_step
        x += min(max(step_x, -2.0 * window), 2.0 * window)
        y += min(max(step_y, -2.0 * window), 2.0 * window)
        if not max(abs(x - half), abs(y - half)) < reach:
            break
        if step and max(abs(step_x), abs(step_y)) < enough:
            return x + lead, y + lead, core, mx, my, xx, yy, xy
    return _NOTHING


@njit(cache=True, nogil=True, fastmath=_LOOSE)
def measure_stamps(  # pragma: no cover - compiled
    stamps: Any,
    places: Any,
    start_x: Any,
    start_y: Any,
    lead: int,
    window: float,
    reach: float,
    rules: Any,
    rounding: float,
    look: int,
    out: Any,
) -> None:
    """Measure sky, windowed centroid, moments and brightest pixel of stamps.

    Parameters
    ----------
    stamps : ndarray of float32, shape (m, size * size)
    places : ndarray of int, shape (12, n)
        Pixels of the border's pieces.
    start_x, start_y : ndarray, shape (m,)
    lead : int
        Pixels at either edge that no window touches.
    window, reach : float
        Sigma of the window, and how far from the middle of the stamp it may go.
    rules : tuple
        Most steps, tolerance, last step of Newton's, gain of a plain step, flattest window.
    rounding : float
        Share of the sky under the window that may be rounding alone.
    look : int
        The brightest pixel is looked for so far from the star.
    out : ndarray, shape (m, 14)
        Sky, variance; x, y; core, mean x, y, xx, yy, xy; brightest pixel's x, y and height, mean
        of its four neighbours. NaN in x where a pixel is not finite or nothing was found.
    """
    m, pixels = stamps.shape
    size = round(math.sqrt(pixels))
    middle = size // 2
    used = size - 2 * lead
    lanes = -(-used // _LANES) * _LANES
    light = np.zeros(pixels + lanes, dtype=np.float32)
    along_x = np.zeros((3, lanes), dtype=np.float32)
    along_y = np.zeros((3, lanes), dtype=np.float64)
    level, spread = np.empty(_PIECES), np.empty(_PIECES)
    for number in range(m):
        stamp = stamps[number]
        row = out[number]
        sky, variance = _sky(stamp, places, level, spread)
        row[0], row[1] = sky, variance
        flat = np.float32(sky)
        gaps = np.float32(0)
        for i in range(pixels):
            above = stamp[i] - flat
            light[i] = above
            gaps += above * np.float32(0)
        if gaps == 0:
            found = _centroid(
                light,
                size,
                lead,
                start_x[number] - lead,
                start_y[number] - lead,
                window,
                reach,
                rounding * window * window * abs(sky),
                rules,
                along_x,
                along_y,
            )
        else:
            found = _NOTHING
        for i in range(8):
            row[2 + i] = found[i]
        left, top = middle - look, middle - look
        if max(abs(found[0] - middle), abs(found[1] - middle)) > 1.5:  # noqa: PLR2004
            left = min(max(int(np.rint(found[0])) - look, 1), size - 2 * look - 2)
            top = min(max(int(np.rint(found[1])) - look, 1), size - 2 * look - 2)
        at = top * size + left
        for base in range(at, at + (2 * look + 1) * size, size):
            for i in range(base, base + 2 * look + 1):
                if stamp[i] > stamp[at]:
                    at = i
        row[10], row[11], row[12] = at % size, at // size, stamp[at]
        around = np.float64(stamp[at - 1]) + stamp[at + 1] + stamp[at - size] + stamp[at + size]
        row[13] = 0.25 * around
