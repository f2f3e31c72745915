"""Measure how far the registered star's transfer function departs from its Gaussian form.

    python benchmarks/registered_otf.py [pupils per point] > src/blursplit/image/registered_otf.csv

Phases over the pupil are drawn with exactly the covariance of Kolmogorov air, their
instantaneous images shifted on their own Gaussian-windowed centroid and averaged. A row holds ln
of the air's part of the transfer function minus ln of exp(-D_phi/2 + 2 pi^2 f^2 sigma^2), sigma^2
the variance of the least-squares plane's tilt, against the baseline over the diameter. A centroid
that follows another tilt moves more or less, but what it takes from the image hardly differs until
speckles form.

With a defocus the departure is from the product of that and the defocus's own transfer function:
over its loss, at 0.28 D, it is 0.2 to 1 times (D/r0)^(5/3) (b/D)^2.
"""

from __future__ import annotations

import csv
import sys

import numpy as np

from blursplit.constants import MIX_D_OVER_R0, MIX_OBSTRUCTION, MIX_WINDOW
from blursplit.turbulence.tilt import tilt_coefficient
from centroid_tilt import IMAGE_PX, PUPIL_PX, images, windowed

BASELINES = np.arange(1, 14)  # of 32: 0.03 to 0.41 of the diameter
PER_LAMBDA_D = IMAGE_PX / PUPIL_PX
BATCH = 500


def rows(
    obstruction: float,
    d_over_r0: float,
    count: int,
    rng: np.random.Generator,
    defocus_rad: float = 0.0,
) -> np.ndarray:
    """Return the departures for each window, shape (windows, baselines).

    `defocus_rad`: rms of a defocus; the product of its transfer function and the air's is then
    what the departures are from.
    """
    y, x = (np.indices((PUPIL_PX, PUPIL_PX)) - (PUPIL_PX - 1) / 2) / PUPIL_PX
    mask = (np.hypot(x, y) <= 0.5) & (np.hypot(x, y) >= 0.5 * obstruction)
    px, py = x[mask], y[mask]
    distance = np.hypot(px[:, None] - px, py[:, None] - py)
    flat = np.eye(len(px)) - 1.0 / len(px)
    covariance = flat @ (-0.5 * 6.883877 * (d_over_r0 * distance) ** (5 / 3)) @ flat
    values, vectors = np.linalg.eigh(covariance)
    root = np.float32(vectors * np.sqrt(np.maximum(values, 0.0)))
    wave = np.exp(-2j * np.pi * np.outer(np.arange(IMAGE_PX) - IMAGE_PX // 2, BASELINES) / IMAGE_PX)
    bend = defocus_rad * np.sqrt(3.0) * (8.0 * (px**2 + py**2) - 1.0)
    sums = np.zeros((len(MIX_WINDOW), len(BASELINES)))

    def means(image: np.ndarray, centre: np.ndarray) -> np.ndarray:
        both = [
            (image.sum(axis=other) @ wave)
            * np.exp(2j * np.pi * np.outer(centre[:, part], BASELINES) / IMAGE_PX)
            for other, part in ((1, 0), (2, 1))
        ]
        return np.mean(both, axis=0).real / image.sum(axis=(1, 2))[:, None]

    for _ in range(count // BATCH):
        phase = np.zeros((BATCH, PUPIL_PX, PUPIL_PX))
        drawn = rng.standard_normal((BATCH, len(px)), dtype=np.float32) @ root.T
        for along in (px, py):  # without the plane stars stay in the middle
            drawn -= np.outer(drawn @ along / (along @ along), along)
        phase[:, mask] = drawn + np.float32(bend)
        image = images(phase, mask)
        for k, window in enumerate(MIX_WINDOW):
            sums[k] += means(image, windowed(image, window * PER_LAMBDA_D)).mean(axis=0)
    phase = np.zeros((1, PUPIL_PX, PUPIL_PX))
    phase[:, mask] = bend
    still = images(phase, mask)
    ratio = sums / (count // BATCH) / means(still, np.zeros((1, 2)))[0]
    b = BASELINES / PUPIL_PX
    form = -0.5 * 6.883877 * b ** (5 / 3)
    form += 2 * np.pi**2 * tilt_coefficient("Z", obstruction) * b**2
    return np.log(ratio) - form * d_over_r0 ** (5 / 3)


def main() -> None:
    """Write the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 6000
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(
        ["obstruction", "d_over_r0", "defocus_rad", "window_over_diffraction"]
        + [f"{b:.5f}" for b in BASELINES / PUPIL_PX]
    )
    points = [(o, d, 0.0) for o in MIX_OBSTRUCTION for d in MIX_D_OVER_R0]
    points += [(0.0, d, rad) for d in (1.0, 2.0, 3.0, 4.0) for rad in (0.3, 0.6, 1.0)]
    rng = np.random.default_rng(20261)
    for obstruction, d_over_r0, defocus in points:
        if defocus > 0:
            rng = np.random.default_rng(7)  # the same air for each defocus
        found = rows(obstruction, d_over_r0, count, rng, defocus)
        for window, row in zip(MIX_WINDOW, found, strict=True):
            out.writerow([obstruction, d_over_r0, defocus, window, *(f"{v:.3f}" for v in row)])
        sys.stdout.flush()


if __name__ == "__main__":
    main()
