"""The place at which a path in two axes moves once and for good, and how sure that is.

What the path does else is predicted from its last changes on both axes and from its place: a mode
that swings at an angle is noise of one direction only, and a step across it stands out. Both
descriptions of the record, with a step and without, have their noise fitted anew: with the step
left in, the path seems to remember its places longer than it does, and the step passes for motion.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.types import BoolArray, FloatArray


@dataclass(frozen=True)
class _Step:
    """The likeliest step of a path."""

    at: int  # first frame after it
    shift: FloatArray  # (2,)
    # `log_ratio`, `push`: twice the logarithm of the likelihood with the step over that without
    # any; and of the likelihood with one push beside it, which the path remembers as it always
    # does. Both in units of what chance makes of this path.
    log_ratio: float
    push: float


@dataclass(frozen=True)
class _Noise:
    """Changes of a path: what earlier changes, the place and a line foretell, and normal noise."""

    # A change is the sum of `lags[k]` times the one k + 1 frames before, `back` times the place
    # before it, a line and noise of `covariance`.
    lags: FloatArray  # (STEP_MEMORY, 2, 2)
    back: FloatArray  # (2, 2)
    covariance: FloatArray  # (2, 2)
    left: FloatArray  # (2, n - 1 - STEP_MEMORY): what the prediction leaves
    freedom: int  # frames less the numbers fitted on each axis


def find_step(xy: FloatArray, allowed: BoolArray) -> _Step:
    """Return the likeliest step of a path.

    `xy` (2, n), without NaN and at least four `STEP_SPAN` long. `allowed` (n,): frames before which
    a step may lie; none is looked for within `STEP_SPAN` frames of the ends.

    Notes
    -----
    With S the covariance of what is left over of m frames by k fitted numbers, the log ratio is
    (m - k) ln(det S / det S_step); one push of what is left e makes -(m - k) ln(1 - e' S^-1 e / m).
    Both are divided by how much larger the squares at all places are, without the step, than those
    of noise (chi-square of two): a current slower than the memory, under fast air, leaves changes
    that add up to steps everywhere. So do tests of many genes where the samples are kin (Devlin and
    Roeder 1999, Biometrics 55, 997, from memory).
    """
    xy = xy - np.median(xy, axis=1, keepdims=True)
    plain = _fit_noise(xy)
    inside = allowed.copy()
    inside[: const.STEP_SPAN] = inside[-const.STEP_SPAN :] = False
    noise, best = plain, None
    for _ in range(const.STEP_ROUNDS):
        square, shifts = _scan(xy, noise)
        at = int(np.where(inside, square, 0.0).argmax())
        noise = _fit_noise(xy - np.where(np.arange(xy.shape[1]) >= at, shifts[:, at, None], 0.0))
        ratio = np.linalg.det(plain.covariance) / np.linalg.det(noise.covariance)
        log_ratio = plain.freedom * float(np.log(ratio))
        if best is None or log_ratio > best[2]:
            best = at, shifts[:, at], log_ratio
    assert best is not None  # noqa: S101 - there is a round
    at, shift, log_ratio = best
    still = xy - np.where(np.arange(xy.shape[1]) >= at, shift[:, None], 0.0)
    squares = _scan(still, _fit_noise(still))[0][const.STEP_SPAN : -const.STEP_SPAN]
    usual = -2.0 * np.log1p(-const.STEP_USUAL_SHARE)  # the same share of chi-square of two
    excess = max(1.0, float(np.quantile(squares, const.STEP_USUAL_SHARE)) / usual)
    beside = plain.left[
        :, at - 2 - const.STEP_MEMORY : at - 1 - const.STEP_MEMORY + const.STEP_PUSHES
    ]
    share = np.einsum("it,ij,jt->t", beside, np.linalg.inv(plain.covariance), beside)
    share = share.max() / plain.left.shape[1]  # below 1, as it is one of the squares in S
    push = -plain.freedom * float(np.log1p(-min(share, 1 - 1e-12)))
    return _Step(at, shift, log_ratio / excess, push / excess)


def _fit_noise(xy: FloatArray) -> _Noise:
    change = np.diff(xy, axis=1)
    n, order = change.shape[1], const.STEP_MEMORY
    before = [change[:, order - k - 1 : n - 1 - k] for k in range(order)]
    design = np.concatenate([*before, xy[:, order:-1], _line(n - order)]).T
    weights = np.linalg.lstsq(design, change[:, order:].T, rcond=None)[0]
    left = change[:, order:] - (design @ weights).T
    return _Noise(
        lags=weights[: 2 * order].reshape(order, 2, 2).transpose(0, 2, 1),
        back=weights[2 * order : 2 * order + 2].T,
        covariance=left @ left.T / left.shape[1] + const.STEP_FLOOR_PX**2 * np.eye(2),
        left=left,
        freedom=left.shape[1] - design.shape[1],
    )


def _line(n: int) -> FloatArray:
    return np.stack([np.full(n, n**-0.5), np.linspace(-1.0, 1.0, n) * (3.0 / n) ** 0.5])


def _scan(xy: FloatArray, noise: _Noise) -> tuple[FloatArray, FloatArray]:
    """Return, for a step before each frame, its squared significance and its size, (n,), (2, n).

    A step d leaves d at its own frame, -(lags[k] + back) d in the frames behind it and -back d from
    then on; a line is taken off all of it. Zero where the step's mark would reach over the ends.
    """
    n, order = xy.shape[1], const.STEP_MEMORY
    white = np.linalg.inv(np.linalg.cholesky(noise.covariance))
    change = np.diff(xy, axis=1)
    left = change[:, order:] - noise.back @ xy[:, order:-1]
    for k, lag in enumerate(noise.lags):
        left = left - lag @ change[:, order - k - 1 : n - 2 - k]
    m = left.shape[1]
    line = np.linalg.qr(_line(m).T)[0].T
    left = white @ left
    left = left - (left @ line.T) @ line
    mark = np.stack([white, *(-white @ (lag + noise.back) for lag in noise.lags)])
    tail = -white @ noise.back
    first = np.arange(m - order - 1)
    product = _along(left, mark, tail, first)
    # what a step leaves, squared: its mark, its tail, less what lies on the line
    size = np.einsum("kij,kil->jl", mark, mark)[:, :, None]
    size = size + (tail.T @ tail)[:, :, None] * (m - first - order - 1)
    for part in line:
        on = np.stack([_along(part[None] * unit[:, None], mark, tail, first) for unit in np.eye(2)])
        size = size - (on[0][:, None] * on[0][None] + on[1][:, None] * on[1][None])
    determinant = size[0, 0] * size[1, 1] - size[0, 1] ** 2
    shift = np.stack(
        [
            size[1, 1] * product[0] - size[0, 1] * product[1],
            size[0, 0] * product[1] - size[0, 1] * product[0],
        ]
    ) / np.maximum(determinant, 1e-300)
    square, shifts = np.zeros(n), np.zeros((2, n))
    inside = slice(order + 1, order + 1 + first.size)
    square[inside], shifts[:, inside] = (product * shift).sum(axis=0), shift
    return square, shifts


def _along(series: FloatArray, mark: FloatArray, tail: FloatArray, first: FloatArray) -> FloatArray:
    """Return the products of a series (2, m) with what a step of each axis leaves, (2, steps)."""
    ends = np.zeros((2, series.shape[1] + 1))
    ends[:, :-1] = np.cumsum(series[:, ::-1], axis=1)[:, ::-1]
    out = tail.T @ ends[:, first + len(mark)]
    for k, part in enumerate(mark):
        out += part.T @ series[:, first + k]
    return np.asarray(out)
