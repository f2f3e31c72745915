"""Inner loops over whole frames and patches of them, compiled like those of `stamp_kernels`."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from blursplit.compiled.median_kernels import median_of
from blursplit.compiled.njit import exact, loose


@loose
def smooth_and_box(image: Any, weights: Any, half: int, smooth: Any, around: Any) -> None:
    """Write an image smoothed by symmetric weights along both axes, and its running means.

    `image` (ny, nx) float32: continued beyond its edges by their mirror image. `weights` (2 reach +
    1,) float32. `half`: the means are over 2 half + 1 pixels.
    """
    ny, nx = image.shape
    reach = weights.size // 2
    pad = max(reach, half)
    line = np.empty(nx + 2 * pad, dtype=np.float32)
    along = np.zeros((ny, nx), dtype=np.float32)
    sums = np.zeros((ny, nx), dtype=np.float32)
    share = np.float32(1.0 / (2 * half + 1))
    for y in range(ny):
        for i in range(nx):
            line[pad + i] = image[y, i]
        for i in range(pad):
            line[pad - 1 - i] = image[y, _mirrored(-1 - i, nx)]
            line[pad + nx + i] = image[y, _mirrored(nx + i, nx)]
        for i in range(2 * reach + 1):
            _add_row(along[y], line[pad - reach + i : pad - reach + i + nx], weights[i])
        for i in range(2 * half + 1):
            _add_row(sums[y], line[pad - half + i : pad - half + i + nx], share)
    smooth[:] = 0
    around[:] = 0
    for y in range(ny):
        for i in range(2 * reach + 1):
            _add_row(smooth[y], along[_mirrored(y - reach + i, ny)], weights[i])
        for i in range(2 * half + 1):
            _add_row(around[y], sums[_mirrored(y - half + i, ny)], share)


@loose
def _add_row(total: Any, row: Any, weight: Any) -> None:
    for i in range(total.size):
        total[i] += weight * row[i]


@exact
def _mirrored(place: int, length: int) -> int:
    """Return the pixel that stands for one beyond the edge: the edge's own comes twice."""
    place %= 2 * length
    return 2 * length - 1 - place if place >= length else place


@exact
def local_maxima(image: Any, threshold: float, reach: int, out: Any) -> int:
    """Write places (y nx + x) above a threshold that no pixel within reach tops; return how many.

    At most as many as `out` has room for are written; the number is of them all.
    """
    ny, nx = image.shape
    n = 0
    for y in range(ny):
        for x in range(nx):
            value = image[y, x]
            if not value > threshold:
                continue
            top = True
            for j in range(max(y - reach, 0), min(y + reach + 1, ny)):
                for i in range(max(x - reach, 0), min(x + reach + 1, nx)):
                    if image[j, i] > value:
                        top = False
                        break
                if not top:
                    break
            if top:
                if n < out.size:
                    out[n] = y * nx + x
                n += 1
    return n


@exact
def add_within(
    frames: Any,
    moved: Any,
    middle: Any,
    limit: Any,
    hot: Any,
    squared: bool,
    total: Any,
    count: Any,
) -> None:
    """Add what frames, moved by whole pixels, differ from `middle` (or its square) to `total`.

    Pixels that are hot, not finite, or off by more than `limit` are left out of it and of `count`.
    `moved` (m, 3): number of the frame, and by how much it is moved along x and y. Row by row, so
    that the sums stay in the processor's cache.
    """
    ny, nx = middle.shape
    for y in range(ny):
        for place in range(moved.shape[0]):
            number, by_x, by_y = moved[place]
            if not 0 <= y - by_y < ny:
                continue
            first, last = max(by_x, 0), max(nx + min(by_x, 0), by_x, 0)
            source = frames[number, y - by_y, first - by_x : last - by_x]
            away = hot[y - by_y, first - by_x : last - by_x]
            usual, most = middle[y, first:last], limit[y, first:last]
            sums, counts = total[y, first:last], count[y, first:last]
            for x in range(sums.size):
                off = source[x] - usual[x]
                size = abs(off)
                kept = (size <= most[x]) & (size < np.float32(math.inf)) & (away[x] == 0)
                value = off * off if squared else off
                sums[x] += value if kept else np.float32(0)
                counts[x] += np.float32(1) if kept else np.float32(0)


@exact
def densest_square(votes: Any, row: Any, column: Any) -> int:
    """Return the first place (y nx + x) of the two by two cells that together have most votes.

    `row`, `column` (m,): cells with a vote; none of them in the last row or column.
    """
    best, at = -1.0, -1
    for number in range(row.size):
        for k in range(4):
            y, x = row[number] - k // 2, column[number] - k % 2
            if y >= 0 and x >= 0:
                total = votes[y, x] + votes[y + 1, x] + votes[y, x + 1] + votes[y + 1, x + 1]
                place = y * votes.shape[1] + x
                if total > best or (total == best and place < at):
                    best, at = total, place
    return at


@loose
def pattern_products(one: Any, other: Any, reach: int, out: Any) -> None:
    """Write how images are correlated with others moved by whole pixels.

    `one`, `other` (n, patches, size, size). `reach`: largest move along either axis; so many pixels
    at either edge of `one` take no part. `out` (n, (2 reach + 1)^2).
    """
    n, patches, size, _ = one.shape
    inner, side = size - 2 * reach, 2 * reach + 1
    for number in range(n):
        own = 0.0
        for patch in range(patches):
            for y in range(reach, size - reach):
                for x in range(reach, size - reach):
                    own += one[number, patch, y, x] ** 2
        for place in range(side * side):
            row, column = place // side, place % side
            product, power = 0.0, 0.0
            for patch in range(patches):
                for y in range(inner):
                    still = one[number, patch, reach + y, reach : reach + inner]
                    moved = other[number, patch, row + y, column : column + inner]
                    for x in range(inner):
                        product += still[x] * moved[x]
                        power += moved[x] * moved[x]
            out[number, place] = product / max(math.sqrt(own * power), 1e-30)


@loose
def clipped_changes(images: Any, lag: int, limit: float) -> Any:
    """Return the sum of squares of what pixels change in `lag` images, and how many equal ones.

    `images` (n, pixels). `limit`: changes are clipped there.
    """
    total, same = 0.0, 0
    for number in range(images.shape[0] - lag):
        most, squares = 0.0, 0.0
        early, late = images[number], images[number + lag]
        for i in range(early.size):
            size = min(abs(late[i] - early[i]), limit)
            most = max(most, size)
            squares += size * size
        same += most == 0.0
        total += squares
    return total, same


@loose
def filtered_noise(
    stamps: Any, sky: Any, weights: Any, levels: Any, noise: Any, level: Any
) -> None:
    """Write, of each inner pixel of stamps, a squared filter's output and the level it sees.

    `stamps` (m, size, size) float32. `sky` (m,): taken off the level. `weights`, `levels` (5,):
    applied along both axes to the pixels and for the level. `noise`, `level` (m, size - 4, size -
    4).
    """
    m, size, _ = stamps.shape
    one, other = np.empty((size, size - 4)), np.empty((size, size - 4))
    for number in range(m):
        for y in range(size):
            row = stamps[number, y]
            for x in range(size - 4):
                a, b = 0.0, 0.0
                for i in range(5):
                    value = row[x + i] - sky[number]
                    a += weights[i] * value
                    b += levels[i] * value
                one[y, x], other[y, x] = a, b
        for y in range(size - 4):
            for x in range(size - 4):
                a, b = 0.0, 0.0
                for i in range(5):
                    a += weights[i] * one[y + i, x]
                    b += levels[i] * other[y + i, x]
                noise[number, y, x] = a * a
                level[number, y, x] = b


@exact
def sums_in_bins(edges: Any, level: Any, noise: Any, count: Any, levels: Any, noises: Any) -> None:
    """Add the values in each bin of the level; what lies at an edge belongs to the bin below."""
    inner = edges[1 : edges.size - 1]
    for i in range(level.size):
        here = 0  # the bin is the last whose lower edge lies below the level
        for k in range(inner.size):
            here += inner[k] < level[i]
        count[here] += 1
        levels[here] += level[i]
        noises[here] += noise[i]


@loose
def neighbour_products(images: Any, step: int, limit: float) -> float:
    """Return the mean product of pixels `step` apart, along both axes alike, clipped to `limit`.

    `images` has the shape (n, patches, size, size).
    """
    n, patches, size, _ = images.shape
    across, along = 0.0, 0.0
    for number in range(n):
        for patch in range(patches):
            image = images[number, patch]
            for y in range(size):
                for x in range(size - step):
                    one = min(max(image[y, x], -limit), limit)
                    across += one * min(max(image[y, x + step], -limit), limit)
            for y in range(size - step):
                for x in range(size):
                    one = min(max(image[y, x], -limit), limit)
                    along += one * min(max(image[y + step, x], -limit), limit)
    return float(0.5 * (across + along) / (n * patches * size * (size - step)))


@exact
def far_products(images: Any, one: Any, other: Any, steps: Any, limit: float, out: Any) -> None:
    """Write what `neighbour_products` says at some steps of pairs of images less each other.

    Behind it the sum of squares of what pixels side by side differ there, clipped to 1.5 limits.
    `images` (n, patches, size, size). `one`, `other` (m,): the pairs. `out` (steps + 1,).
    """
    _, patches, size, _ = images.shape
    change = np.empty((1, patches, size, size))
    flat = change.ravel()
    out[:] = 0
    for number in range(one.size):
        first, second = images[one[number]].ravel(), images[other[number]].ravel()
        for i in range(flat.size):
            flat[i] = first[i] - second[i]
        for k in range(steps.size):
            out[k] += neighbour_products(change, steps[k], limit) / one.size
        total = 0.0
        for row in range(patches * size):
            for x in range(row * size, row * size + size - 1):
                off = min(max(flat[x + 1] - flat[x], -1.5 * limit), 1.5 * limit)
                total += off * off
        out[steps.size] += total


@exact
def patch_spread(change: Any, out: Any) -> None:
    """Write the median square of each patch's pixels; `change` is (n, patches, size, size)."""
    n, patches, size, _ = change.shape
    kept = np.empty(n * size * size)
    for patch in range(patches):
        at = 0
        for number in range(n):
            for y in range(size):
                for x in range(size):
                    kept[at] = change[number, patch, y, x] ** 2
                    at += 1
        out[patch] = median_of(kept, kept.size)


@exact
def above_neighbours(image: Any, out: Any) -> None:
    """Write by how much each inner pixel stands above the highest of its four neighbours."""
    ny, nx = image.shape
    for y in range(1, ny - 1):
        up, here, down, to = image[y - 1], image[y], image[y + 1], out[y - 1]
        for x in range(nx - 2):
            beside = max(here[x], here[x + 2])
            over = max(up[x + 1], down[x + 1])
            to[x] = here[x + 1] - max(beside, over)
