"""Measure how far the registered star's transfer function departs from its Gaussian form.

Run: python benchmarks/registered_otf.py [pupils per point]
The table it prints stands in src/blursplit/image/otf.py.

Instantaneous images through a filled pupil are shifted on their own Gaussian-windowed centroid
(window 1.5 star sigmas) and averaged. Printed: ln of the air's part of the transfer function
minus ln of exp(-D_phi/2 + 2 pi^2 f^2 sigma^2), with sigma^2 the variance that this centroid
removed (coefficients of the centroid_tilt table, Kolmogorov).
"""

from __future__ import annotations

import platform
import sys
import time

import numpy as np

from blursplit.turbulence.tilt import centroid_tilt_mix, mixed_coefficient
from centroid_tilt import IMAGE_PX, PUPIL_PX, WINDOW_IN_STAR_SIGMAS, images, pupils, screen, tilts
from centroid_tilt import windowed as centroid

BASELINES = np.arange(1, 14)  # of 32: 0.03 to 0.41 of the diameter


def line(d_over_r0: float, count: int, rng: np.random.Generator) -> str:
    """Return one line of the table."""
    y, x = (np.indices((PUPIL_PX, PUPIL_PX)) - (PUPIL_PX - 1) / 2) / (PUPIL_PX / 2)
    mask = np.hypot(x, y) <= 1.0
    yy, xx = (np.indices(mask.shape) - (PUPIL_PX - 1) / 2) / PUPIL_PX
    f = np.fft.fftfreq(IMAGE_PX)
    sums, done, sigma_px = [], 0, 0.0
    while done < count:
        phase = pupils(screen(d_over_r0, rng))
        _, plane = tilts(phase, mask)
        image = images(phase - plane[:, :1, None] * xx - plane[:, 1:, None] * yy, mask)
        if not sigma_px:
            half = (image > 0.5 * image.max(axis=(1, 2), keepdims=True)).sum(axis=(1, 2))
            sigma_px = float(np.median(2 * np.sqrt(half / np.pi))) / 2.3548
        centre = centroid(image, WINDOW_IN_STAR_SIGMAS * sigma_px)
        transform = np.fft.fft2(np.fft.ifftshift(image, axes=(1, 2)))
        for axis, part in ((2, 0), (1, 1)):
            ramp = np.exp(2j * np.pi * f * centre[:, part, None])
            transform *= np.expand_dims(ramp, 3 - axis)
        sums.append(transform.mean(axis=0).real)
        done += len(phase)
    perfect = np.fft.fft2(np.fft.ifftshift(images(np.zeros((1, PUPIL_PX, PUPIL_PX)), mask)[0])).real
    ratio = np.mean(sums, axis=0) / sums[0][0, 0]
    ratio /= perfect / perfect[0, 0]
    both = 0.5 * (ratio[0, BASELINES] + ratio[BASELINES, 0])
    b = BASELINES / PUPIL_PX
    weight, _ = centroid_tilt_mix(d_over_r0)
    strength = d_over_r0 ** (5 / 3)
    form = -0.5 * 6.883877 * b ** (5 / 3) + 2 * np.pi**2 * mixed_coefficient(weight, 0, 0) * b**2
    return f"{d_over_r0:4.1f} " + " ".join(f"{v:+.4f}" for v in np.log(both) - form * strength)


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 4096
    rng = np.random.default_rng(20261)
    print(f"python {platform.python_version()}, numpy {np.__version__}, seed 20261, n {count}")
    print("D/r0 " + " ".join(f"{b / PUPIL_PX:7.4f}" for b in BASELINES))
    start = time.perf_counter()
    for d_over_r0 in (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0):
        print(line(d_over_r0, count, rng), flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
