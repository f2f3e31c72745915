"""Inner loops over pixels, compiled by numba at their first use on a machine.

Pixels are summed in single precision; what is made of the sums is double. Flat views are taken by
`ravel` and rows copied by loops: the messages that `reshape` and assigned slices could raise take
the compiler seconds.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.compiled.lanes import add_pieces, copy_rows, fetch_rows, weigh_rows
from blursplit.compiled.median_kernels import median_of
from blursplit.compiled.njit import Kernel, exact, loose

_NOTHING = (math.nan,) * 8


def _inlined(function: Kernel) -> Kernel:
    """Compile as `loose` does, into whatever calls it: arrays cost more to hand on than to read."""
    return loose(function, forceinline=True)


@exact
def gather(raw: Any, packing: Any, x0: Any, y0: Any, out: Any) -> None:
    """Copy stamps into float32 [frame, star, y, x]; what lies beyond the frame is NaN.

    `raw` (ndarray of uint8 or uint16, shape (n, ny, nx)). `packing`: whether the bytes of 16-bit
    numbers stand in the other order; 0x8000 where they have a sign; and what is added to them,
    which is then less by 32768.
    """
    stars, size = x0.shape[1], out.shape[2]
    ny, nx = raw.shape[1], raw.shape[2]
    swapped, flip, zero = packing
    lanes, wide = _lanes(size), _wide(size)
    for number in range(raw.shape[0]):
        pixels = raw[number].ravel()
        for star in range(stars):
            stamp = out[number, star].ravel()
            x, y = x0[number, star], y0[number, star]
            if _is_inside(x, y, size, nx, ny) and (y + size - 1) * nx + x + lanes <= nx * ny:
                copy_rows(pixels, y * nx + x, nx, size, lanes, swapped, flip, zero, wide)
                _narrow(wide, size, stamp)
            else:
                _copy_stamp(raw[number], packing, x, y, size, stamp)


@exact
def _copy_stamp(frame: Any, packing: Any, x: int, y: int, size: int, stamp: Any) -> None:
    """Copy a stamp that may reach over the edge of its frame, or to the end of its memory."""
    swapped, flip, zero = packing
    ny, nx = frame.shape
    for row in range(size):
        for column in range(size):
            to = row * size + column
            stamp[to] = np.float32(math.nan)
            if 0 <= x + column < nx and 0 <= y + row < ny:
                value = np.uint16(frame[y + row, x + column])
                if swapped:
                    value = np.uint16((value << 8) | (value >> 8))
                stamp[to] = np.float32(np.int32(value ^ flip)) + np.float32(zero)


@exact
def _is_inside(x: int, y: int, size: int, nx: int, ny: int) -> bool:
    """Return whether all of a stamp lies within the frame."""
    return bool((x >= 0) & (y >= 0) & (x + size <= nx) & (y + size <= ny))


@_inlined
def _middle(v: Any) -> float:
    """Return the median of twelve values: two sorted sixes, laid beside each other end to end."""
    a, b, c, d, e, f = _sorted_six(v[0], v[1], v[2], v[3], v[4], v[5])
    l, k, j, i, h, g = _sorted_six(v[6], v[7], v[8], v[9], v[10], v[11])  # noqa: E741
    low = max(min(a, g), min(b, h), min(c, i), min(d, j), min(e, k), min(f, l))
    high = min(max(a, g), max(b, h), max(c, i), max(d, j), max(e, k), max(f, l))
    return float(0.5 * (low + high))


@_inlined
def _sorted_six(a: float, b: float, c: float, d: float, e: float, f: float) -> Any:
    """Return six values in order, by a network that needs no branch (Knuth 1998, 5.3.4)."""
    a, f, b, d, c, e = min(a, f), max(a, f), min(b, d), max(b, d), min(c, e), max(c, e)
    b, c, d, e = min(b, c), max(b, c), min(d, e), max(d, e)
    a, d, c, f = min(a, d), max(a, d), min(c, f), max(c, f)
    a, b, c, d, e, f = min(a, b), max(a, b), min(c, d), max(c, d), min(e, f), max(e, f)
    b, c, d, e = min(b, c), max(b, c), min(d, e), max(d, e)
    return a, b, c, d, e, f


@_inlined
def _sky(stamp: Any, places: Any, room: Any) -> tuple[float, float]:
    """Return the sky and the variance of its pixels: medians over pieces of the border.

    `places` (n, 16): from `_beside`.
    """
    level, spread = room
    flat = places.ravel()
    base = np.float64(stamp[flat[0]])  # squares of the level itself would not be exact
    add_pieces(stamp, flat, places.shape[0], base, level, spread)
    whole = 0.0
    for piece in range(const.BORDER_PIECES):
        whole += spread[piece]
    if whole < math.inf:  # which NaN is not
        return float(base + _middle(level)), float(_middle(spread))
    return _sky_with_gaps(stamp, places, level, spread)


@exact
def _sky_with_gaps(stamp: Any, places: Any, level: Any, spread: Any) -> tuple[float, float]:
    each = places.shape[0]
    base, known = np.float64(0.0), 0
    for i in range(each):
        for piece in range(const.BORDER_PIECES):
            value = stamp[places[i, piece]]
            if abs(value) < math.inf:
                base += float(value)
                known += 1
    if not known:
        return math.nan, math.nan
    base /= known
    full = int(known * 0)  # for a bare 0 the median would be compiled once more
    for piece in range(const.BORDER_PIECES):
        total, squares, known = 0.0, 0.0, 0
        for i in range(each):
            value = stamp[places[i, piece]] - base
            if abs(value) < math.inf:
                total += value
                squares += value * value
                known += 1
        if known:
            level[full] = total / known
            spread[full] = squares / known - level[full] * level[full]
            full += 1
    return float(base + median_of(level, full)), float(median_of(spread, full))


@_inlined
def _windows(
    x: float, y: float, lead: int, used: int, rates: Any, along_x: Any, along_y: Any
) -> None:
    """Write the window about (x, y) along both axes.

    Neighbouring values of a Gaussian have ratios that change by one constant factor. Along x there
    are `lead` pixels before it that it does not touch.
    """
    scale, factor = rates
    value_x, value_y = math.exp(-0.5 * scale * x * x), math.exp(-0.5 * scale * y * y)
    ratio_x, ratio_y = math.exp(scale * (x - 0.5)), math.exp(scale * (y - 0.5))
    for i in range(used):
        along_x[np.uintp(lead + i)] = value_x
        along_y[np.uintp(i)] = value_y
        value_x *= ratio_x
        value_y *= ratio_y
        ratio_x *= factor
        ratio_y *= factor


@_inlined
def _moments(x: float, y: float, lead: int, used: int, room: Any) -> Any:
    """Return sums of light under the window: 1, x, y, xx, yy, xy about its centre."""
    light, along_x, along_y, sums, _ = room
    x += lead
    weigh_rows(light, 0, along_y, used, y, along_x, 0, x, sums)
    core, mx, my, xx, yy, xy = sums[0], sums[1], sums[2], sums[3], sums[4], sums[5]
    for first in range(const.LANES, along_x.size, const.LANES):
        weigh_rows(light, first * used, along_y, used, y, along_x, first, x - first, sums)
        core += sums[0]
        mx += sums[1]
        my += sums[2]
        xx += sums[3]
        yy += sums[4]
        xy += sums[5]
    return core, mx, my, xx, yy, xy


@_inlined
def _centroid(
    size: int,
    lead: int,
    x: float,
    y: float,
    window: float,
    reach: float,
    darkest: float,
    rules: Any,
    room: Any,
) -> Any:
    """Bring the window to its own centroid."""
    most_steps, tolerance, last_step, gain, flattest = rules
    _, along_x, along_y, _, rates = room
    used = size - 2 * lead
    half = (used - 1) / 2
    scale = rates[0]
    for step in range(most_steps):
        _windows(x, y, lead, used, rates, along_x, along_y)
        core, mx, my, xx, yy, xy = _moments(x, y, lead, used, room)
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


@loose
def border_sky(stamps: Any, places: Any, out: Any) -> None:
    """Write sky and variance of stamps, float32 (m, size * size), into (m, 2); as `measure`."""
    size = round(math.sqrt(stamps.shape[1]))
    sides = _beside(places, size, size)
    room = _border_room(sides)
    for number in range(stamps.shape[0]):
        out[number, 0], out[number, 1] = _sky(stamps[number], sides, room)


@loose
def settle_windows(
    stamps: Any, sky: Any, start_x: Any, start_y: Any, window: Any, out: Any
) -> None:
    """Write x, y, core and moments as `measure_stamps` does into (8, m), the sky being known."""
    size = round(math.sqrt(stamps.shape[1]))
    room, wide = _room(size, window), _wide(size)
    for number in range(stamps.shape[0]):
        at = start_x[number], start_y[number]
        _widen(stamps[number], size, wide)
        _settle_apart(wide, sky[number], at, size, window, room, 1, out[:, number])


@exact
def _border_room(places: Any) -> Any:
    """Return room for mean and variance of the border's pieces."""
    return np.empty(places.shape[1]), np.empty(places.shape[1])


@exact
def _room(size: int, window: Any) -> Any:
    """Return room for the light under a window, for the windows along both axes and for sums.

    Behind them stand the window's inverse variance and what its ratios change by.
    """
    used = size - 2 * window[0]
    lanes = _lanes(size)
    scale = 1.0 / (window[1] * window[1])
    return (
        np.zeros(used * lanes, dtype=np.float32),
        np.zeros(lanes, dtype=np.float32),
        np.zeros(used, dtype=np.float32),
        np.empty(6, dtype=np.float32),
        (scale, math.exp(-scale)),
    )


@exact
def _lanes(size: int) -> int:
    return -(-size // const.LANES) * const.LANES


@exact
def _wide(size: int) -> Any:
    """Return room for a stamp whose rows are filled up to whole lanes."""
    return np.zeros(size * _lanes(size), dtype=np.float32)


@exact
def _widen(stamp: Any, size: int, wide: Any) -> None:
    """Copy a stamp; what lies beyond its rows is zero."""
    lanes = _lanes(size)
    for row in range(size):
        source, target = stamp[row * size : row * size + size], wide[row * lanes :]
        for i in range(size):
            target[i] = source[i]
        for i in range(size, lanes):
            target[i] = 0


@exact
def _narrow(wide: Any, size: int, stamp: Any) -> None:
    lanes = _lanes(size)
    for row in range(size):
        begin, to = np.uintp(row * lanes), np.uintp(row * size)
        for i in range(size):
            stamp[to + np.uintp(i)] = wide[begin + np.uintp(i)]


@exact
def _beside(places: Any, size: int, lanes: int) -> Any:
    """Return the pixels of the border's pieces side by side, in rows of so many lanes.

    Of shape (n, 16): the first pixel fills up what is beyond the twelve pieces.
    """
    pieces, each = places.shape
    out = np.zeros((each, const.LANES // 2), dtype=np.int64)
    for piece in range(pieces):
        for i in range(each):
            place = places[piece, i]
            out[i, piece] = place // size * lanes + place % size
    return out


@_inlined
def _settle(
    wide: Any,
    sky: float,
    start: Any,
    size: int,
    window: Any,
    room: Any,
    may_have_gaps: int,
    out: Any,
) -> None:
    """Take the sky off a stamp and bring the window to its centroid, where all is finite."""
    lead, sigma, reach, rounding, rules = window
    light, lanes = room[0], _lanes(size)
    flat = np.float32(sky)
    gaps = flat * np.float32(0)
    if may_have_gaps:
        for i in range(size * lanes):
            gaps += wide[np.uintp(i)] * np.float32(0)
    found = _NOTHING
    if gaps == 0:  # which NaN is not
        used = size - 2 * lead
        if lanes == const.LANES:  # one loop for all rows: many of a known length are slow
            begin = np.uintp(lead * const.LANES)
            for i in range(light.size):
                light[np.uintp(i)] = wide[begin + np.uintp(i)] - flat
        else:
            for i in range(light.size):
                part, row = divmod(i // const.LANES, used)
                column = part * const.LANES + i % const.LANES
                light[i] = wide[(lead + row) * lanes + column] - flat
        x, y = start[0] - lead, start[1] - lead
        darkest = rounding * sigma * sigma * abs(sky)
        found = _centroid(size, lead, x, y, sigma, reach, darkest, rules, room)
    for i in range(8):
        out[i] = found[i]


@loose
def _settle_apart(
    wide: Any, sky: float, start: Any, size: int, window: Any, room: Any, gaps: int, out: Any
) -> None:
    """Do what `_settle` does, compiled once for all who call it rarely."""
    _settle(wide, sky, start, size, window, room, gaps, out)


@_inlined
def _brightest(stamp: Any, size: int, lanes: int, look: int, x: float, y: float, out: Any) -> None:
    """Write x, y and height of the brightest pixel within `look` of (x, y), and the mean about it.

    It is looked for in the middle of the stamp where (x, y) is NaN. Of equals the first counts.
    """
    middle = size // 2
    left, top = middle - look, middle - look
    # Most stars are in the middle of their stamp; the others get a window of their own.
    if max(abs(x - middle), abs(y - middle)) > 1.5:  # noqa: PLR2004
        left = min(max(int(np.rint(x)) - look, 1), size - 2 * look - 2)
        top = min(max(int(np.rint(y)) - look, 1), size - 2 * look - 2)
    # From its middle on, where few are higher: a processor guesses then that none is.
    first = top * lanes + left
    at = first + look * (lanes + 1)
    highest = stamp[at]
    for begin in range(first, first + (2 * look + 1) * lanes, lanes):
        for i in range(begin, begin + 2 * look + 1):
            value = stamp[np.uintp(i)]
            if value >= highest and (value > highest or i < at):
                highest, at = value, i
    out[0], out[1], out[2] = at % lanes, at // lanes, stamp[at]
    around = np.float64(stamp[at - 1]) + stamp[at + 1] + stamp[at - lanes] + stamp[at + lanes]
    out[3] = 0.25 * around


@exact
def brightest_pixels(stamps: Any, x: Any, y: Any, look: int, out: Any) -> None:
    """Write the brightest pixel near each place into (4, m), as `measure_stamps` does."""
    size = round(math.sqrt(stamps.shape[1]))
    for number in range(stamps.shape[0]):
        _brightest(stamps[number], size, size, look, x[number], y[number], out[:, number])


@loose
def measure_stamps(
    stamps: Any, start_x: Any, start_y: Any, places: Any, windows: Any, look: int, out: Any
) -> None:
    """Measure sky, windowed centroid, moments and brightest pixel of stamps.

    `stamps` (m, size * size) float32. `start_x`, `start_y` (m,): where the window begins. `places`
    (12, n): pixels of the border's pieces. `windows`, near and, for stars that it does not find,
    far: pixels at either edge that no window touches; sigma of the window; how far from the middle
    of the stamp it may go; share of the sky under it that may be rounding alone; and most steps,
    tolerance, last step of Newton's, gain of a plain step, flattest window. `look`: the brightest
    pixel is looked for so far from the star. `out` (14, m): sky, variance; x, y; core, mean x, y,
    xx, yy, xy; brightest pixel's x, y and height, mean of its four neighbours. NaN in x where a
    pixel is not finite or nothing was found.
    """
    size = round(math.sqrt(stamps.shape[1]))
    rooms, wide = (_room(size, windows[0]), _room(size, windows[1])), _wide(size)
    sides = _beside(places, size, _lanes(size))
    border = _border_room(sides)
    for number in range(stamps.shape[0]):
        at = start_x[number], start_y[number]
        _widen(stamps[number], size, wide)
        _measure(wide, size, at, sides, windows, look, border, rooms, 1, out[:, number])


@_inlined
def _measure(
    wide: Any,
    size: int,
    at: Any,
    sides: Any,
    windows: Any,
    look: int,
    border: Any,
    rooms: Any,
    may_have_gaps: int,
    out: Any,
) -> None:
    out[0], out[1] = _sky(wide, sides, border)
    _settle(wide, out[0], at, size, windows[0], rooms[0], may_have_gaps, out[2:10])
    if math.isnan(out[2]):
        _settle_apart(wide, out[0], at, size, windows[1], rooms[1], may_have_gaps, out[2:10])
    _brightest(wide, size, _lanes(size), look, out[2], out[3], out[10:])


@loose
def measure_stored(
    raw: Any,
    packing: Any,
    x0: Any,
    y0: Any,
    hot: Any,
    x: Any,
    y: Any,
    places: Any,
    windows: Any,
    look: int,
    kept: Any,
    stamps: Any,
    out: Any,
) -> None:
    """Do what `gather`, `blank_pixels` and `measure_stamps` do while a stamp is in the cache.

    `x`, `y` (n, stars) are places in the frames; `out` (14, n, stars). `kept` (stars,): where
    in `stamps` (n, most, size, size) those of a star go, below zero for nowhere.
    """
    stars, size = x0.shape[1], stamps.shape[2]
    ny, nx = raw.shape[1], raw.shape[2]
    swapped, flip, zero = packing
    lanes = _lanes(size)
    stamp = np.empty(size * size, dtype=np.float32)
    rooms, wide = (_room(size, windows[0]), _room(size, windows[1])), _wide(size)
    sides = _beside(places, size, _lanes(size))
    border = _border_room(sides)
    every = raw.ravel()
    for number in range(raw.shape[0]):
        frame, left, top = raw[number], x0[number], y0[number]
        pixels = frame.ravel()
        for star in range(stars):
            at_x, at_y = left[star], top[star]
            # Whole lanes are read where they lie in the frame's memory.
            end = (at_y + size - 1) * nx + at_x + lanes
            plain = _is_inside(at_x, at_y, size, nx, ny) and end <= ny * nx
            # The stamp after this one, in the next frame after the last star.
            soon = (star + 1) % stars
            ahead = min(number + (soon <= star), raw.shape[0] - 1)
            place = (ahead * ny + y0[ahead, soon]) * nx + x0[ahead, soon]
            fetch_rows(every, place, nx, size, lanes)
            if plain:
                copy_rows(pixels, at_y * nx + at_x, nx, size, lanes, swapped, flip, zero, wide)
            else:
                _copy_stamp(frame, packing, at_x, at_y, size, stamp)
                _widen(stamp, size, wide)
            if hot[2][star] != hot[2][star + 1]:
                plain = False
                _blank(wide, size, lanes, at_x, at_y, hot, star)
            if kept[star] >= 0:
                _narrow(wide, size, stamps[number, kept[star]].ravel())
            at = x[number, star] - at_x, y[number, star] - at_y
            found = out[:, number, star]
            _measure(wide, size, at, sides, windows, look, border, rooms, int(not plain), found)


@exact
def blank_pixels(stamps: Any, x0: Any, y0: Any, hot: Any) -> None:
    """Set the hot pixels of stamps [frame, star, y, x] to NaN.

    `hot`: x and y of hot pixels, in the order of the stars near which they lie, and where each
    star's begin, shape (stars + 1,).
    """
    n, stars, size, _ = stamps.shape
    for number in range(n):
        for star in range(stars):
            stamp = stamps[number, star].ravel()
            _blank(stamp, size, size, x0[number, star], y0[number, star], hot, star)


@exact
def _blank(stamp: Any, size: int, lanes: int, x0: int, y0: int, hot: Any, star: int) -> None:
    """Set the hot pixels of one star's stamp, in rows of so many lanes, to NaN."""
    hot_x, hot_y, first = hot
    for i in range(first[star], first[star + 1]):
        column, row = hot_x[i] - x0, hot_y[i] - y0
        if 0 <= column < size and 0 <= row < size:
            stamp[row * lanes + column] = np.float32(math.nan)


@exact
def sum_stored(raw: Any, packing: Any, x0: Any, y0: Any, hot: Any, out: Any) -> None:
    """Write what the columns and rows of stamps sum up to into float32 [frame, star, 2, place].

    What `gather` and `blank_pixels` take; a pixel without a value counts as the mean of the others.
    """
    stars, size = x0.shape[1], out.shape[3]
    ny, nx = raw.shape[1], raw.shape[2]
    swapped, flip, zero = packing
    lanes = _lanes(size)
    stamp = np.empty(size * size, dtype=np.float32)
    wide, columns = np.empty(size * lanes, dtype=np.float32), np.empty(lanes, dtype=np.float32)
    for number in range(raw.shape[0]):
        pixels = raw[number].ravel()
        for star in range(stars):
            x, y, sums = x0[number, star], y0[number, star], out[number, star]
            at = y * nx + x
            if star + 1 < stars:
                soon = y0[number, star + 1] * nx + x0[number, star + 1]
                fetch_rows(pixels, soon, nx, size, lanes)
            whole = _is_inside(x, y, size, nx, ny) and at + (size - 1) * nx + lanes <= nx * ny
            if whole and hot[2][star] == hot[2][star + 1]:
                copy_rows(pixels, at, nx, size, lanes, swapped, flip, zero, wide)
                _sum_lanes(wide, columns, sums[0], sums[1])
            else:
                _copy_stamp(raw[number], packing, x, y, size, stamp)
                _blank(stamp, size, size, x, y, hot, star)
                _sum_known(stamp, size, sums[0], sums[1])


@loose
def _sum_lanes(wide: Any, columns: Any, across: Any, along: Any) -> None:
    size, lanes = along.size, columns.size
    columns[:] = 0
    for row in range(size):
        begin, total = np.uintp(row * lanes), np.float32(0)
        for i in range(lanes):
            columns[np.uintp(i)] += wide[begin + np.uintp(i)]
        for i in range(size):
            total += wide[begin + np.uintp(i)]
        along[row] = total
    for i in range(size):
        across[i] = columns[i]


@exact
def _sum_known(stamp: Any, size: int, across: Any, along: Any) -> None:
    total, known = 0.0, 0
    for i in range(size * size):
        if abs(stamp[i]) < math.inf:
            total += stamp[i]
            known += 1
    level = np.float32(total / max(known, 1))
    across[:] = 0
    along[:] = 0
    for i in range(size * size):
        value = stamp[i] if abs(stamp[i]) < math.inf else level
        across[i % size] += value
        along[i // size] += value
