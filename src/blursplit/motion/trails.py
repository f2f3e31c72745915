"""How much larger a motion looks to windowed centroids where stars are drawn out into trails.

A trail that turns within a frame has more light at the turning point than elsewhere, and a
Gaussian window settles there: it follows the motion further than the mean place does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Swing:
    """A narrow-band Gaussian motion, as the centroids show it."""

    seen_arcsec2: FloatArray  # (2, 2): covariance of the centroids' motion
    # `candidates_hz`, `odds` (n,): true frequencies that it may have.
    candidates_hz: FloatArray
    odds: FloatArray

    @staticmethod
    def followed(
        swings: Sequence[Swing], exposure_s: float, window_arcsec: float, width_arcsec: float
    ) -> list[FloatArray]:
        """Return the amplitude of the centroids over that of the frames' mean places.

        `window_arcsec`: sigma of the Gaussian window. `width_arcsec`: of a single frame's star,
        trail included.

        Returns: one for each candidate of each swing; 1 where no trail is long enough to matter.

        The windowed centroid of a Gaussian star of sigma s along a path x(t) is where the mean of
        (x - c) exp(-(x - c)^2 / 2 (w^2 + s^2)) vanishes (the product of two Gaussians). Solved for
        frames at random phases and amplitudes; the slope of c against the mean of x, by least
        squares. Frequencies beside the candidate's are the likeliest; true sizes follow from the
        seen ones by iteration.
        """
        likeliest = [int(np.argmax(swing.odds)) for swing in swings]
        gains = [np.ones(len(swing.odds)) for swing in swings]
        if not swings:
            return gains
        rng = np.random.default_rng(const.MEASURE_SEED)
        random = rng.standard_normal((len(swings), 2, const.TRAIL_FRAMES, 2))
        time_s = exposure_s * ((np.arange(const.TRAIL_PLACES) + 0.5) / const.TRAIL_PLACES - 0.5)

        def swung(i: int, k: int) -> FloatArray:
            """Return the paths of one swing at one of its candidates, (frames, places, 2)."""
            swing, hz = swings[i], float(swings[i].candidates_hz[k])
            size = gains[i][k] * np.sqrt(
                max(float(np.sinc(hz * exposure_s)) ** 2, const.LEAST_KEPT)
            )
            values, axes = np.linalg.eigh(swing.seen_arcsec2)
            root = axes * np.sqrt(np.maximum(values, 0.0)) / size
            turn = 2.0 * np.pi * hz * time_s
            waves = np.stack([np.cos(turn), np.sin(turn)])
            path: FloatArray = np.einsum("pt,pni,ji->ntj", waves, random[i], root)
            return path

        def settle(i: int, k: int, others: FloatArray) -> None:
            """Bring one candidate's gain nearer to the slope that its own size makes."""
            own = swung(i, k)
            path = others + own
            trail = path - path.mean(axis=1, keepdims=True)
            trail2 = 0.5 * float(np.mean(np.sum(trail**2, axis=2)))
            kernel2 = window_arcsec**2 + max(width_arcsec**2 - trail2, 0.0)
            if trail2 > const.TRAIL_MATTERS * kernel2:
                shift = _window_shift(trail, kernel2)
                mean = own.mean(axis=1)
                slope = 1.0 + float(np.sum(shift * mean) / np.sum(mean**2))
                # a larger gain makes a shorter trail and that a smaller gain: half a step settles
                gains[i][k] = np.sqrt(gains[i][k] * np.clip(slope, 1.0, const.MOST_FOLLOWED))

        for _ in range(const.TRAIL_ROUNDS):
            paths = [swung(i, k) for i, k in enumerate(likeliest)]
            total = np.sum(paths, axis=0)
            for i, swing in enumerate(swings):
                for k in np.flatnonzero(swing.odds >= const.LINE_LEAST_ODDS * swing.odds.sum()):
                    settle(i, int(k), total - paths[i])
        return gains


def _window_shift(trail: FloatArray, kernel2: float) -> FloatArray:
    """Return how far the window settles from the middle of each trail, (frames, 2)."""
    shift = np.zeros((len(trail), 2))
    for _ in range(const.TRAIL_STEPS):
        from_window = trail - shift[:, None]
        light = np.exp(-0.5 * np.sum(from_window**2, axis=2) / kernel2)
        shift = np.einsum("nt,ntj->nj", light, trail) / light.sum(axis=1)[:, None]
    return shift
