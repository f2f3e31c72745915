"""Measure with phase screens which tilt a Gaussian-windowed centroid follows.

    python benchmarks/centroid_tilt.py [pupils per point] > data/calibration/centroid_tilt.csv

sets the table of `constants.TILT_MIX` and that of `TILT_MIX_DEFAULT` (the first column of shares, a
window of 1.5 star sigmas), each share with its sampling error. It takes a quarter of an hour.

Screens are Fourier sums 16 pupils wide, Kolmogorov. Waves longer than a screen move the centroid,
the mean gradient and the least-squares plane alike, so the DIFFERENCES of variance need no
correction for what the screens leave out: w = 1 + (var_c - var_Z)/(K_Z - K_G), K of air.tilt.
"""

from __future__ import annotations

import sys

import numpy as np
import scipy.fft

from blursplit.turbulence.tilt import tilt_coefficient

PUPIL_PX = 32
SCREEN_PUPILS = 16
IMAGE_PX = 128
WINDOW_IN_STAR_SIGMAS = 1.5
WINDOWS = (0.5, 0.7, 1.0, 1.5, 2.5, 4.0)  # sigma of the window in lambda/D


def screen(d_over_r0: float, rng: np.random.Generator) -> np.ndarray:
    """Return two Kolmogorov screens [rad], pixel D/32, without waves longer than 16 D."""
    n = PUPIL_PX * SCREEN_PUPILS
    f = np.fft.fftfreq(n, 1.0 / PUPIL_PX)  # cycles per diameter
    fx, fy = np.meshgrid(f, f)
    radius = np.hypot(fx, fy)
    radius[0, 0] = np.inf
    amplitude = np.sqrt(0.0228956 * d_over_r0 ** (5 / 3) * radius ** (-11 / 3)) / SCREEN_PUPILS
    noise = rng.normal(size=(n, n)) + 1j * rng.normal(size=(n, n))
    field = np.fft.ifft2(noise * amplitude) * n**2
    return np.stack([field.real, field.imag])


def pupils(screens: np.ndarray) -> np.ndarray:
    """Cut screens into square pupils side by side."""
    k = SCREEN_PUPILS
    cut = screens.reshape(len(screens), k, PUPIL_PX, k, PUPIL_PX).transpose(0, 1, 3, 2, 4)
    return cut.reshape(-1, PUPIL_PX, PUPIL_PX)


def tilts(phase: np.ndarray, mask: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return mean gradient and plane slope [rad/diameter], shape (pupil, 2)."""
    step = 1.0 / PUPIL_PX
    y, x = (np.indices(mask.shape) - (PUPIL_PX - 1) / 2) * step
    plane = []
    gradient = []
    for axis, along in ((2, x), (1, y)):
        centred = np.where(mask, along, 0.0)
        plane.append((phase * centred).sum(axis=(1, 2)) / (centred**2).sum())
        both = mask & np.roll(mask, -1, axis=axis - 1)
        both[(slice(None),) * (axis - 1) + (-1,)] = False  # the last pixel has no neighbour
        difference = np.roll(phase, -1, axis=axis) - phase
        gradient.append(difference[:, both].mean(axis=1) / step)
    return np.stack(gradient, 1), np.stack(plane, 1)


def images(phase: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """Return instantaneous images, 128/32 = 4 pixels per lambda/D."""
    padded = np.zeros((len(phase), IMAGE_PX, IMAGE_PX), dtype=np.complex64)
    padded[:, :PUPIL_PX, :PUPIL_PX] = mask * np.exp(1j * phase)
    image = np.abs(scipy.fft.fft2(padded)) ** 2
    return np.fft.fftshift(image, axes=(1, 2))


def windowed(image: np.ndarray, sigma_px: float) -> np.ndarray:
    """Return converged Gaussian-windowed centroids [px from the centre], shape (image, 2)."""
    reach = min(IMAGE_PX // 2, int(12 * sigma_px) + 20)  # the window sees nothing beyond
    middle = slice(IMAGE_PX // 2 - reach, IMAGE_PX // 2 + reach)
    image = image[:, middle, middle]
    axis = np.arange(-reach, reach)
    peak = image.reshape(len(image), -1).argmax(axis=1)
    at = np.stack([peak % (2 * reach), peak // (2 * reach)], 1).astype(float) - reach
    for _ in range(60):
        wx = np.exp(-0.5 * ((axis - at[:, :1]) / sigma_px) ** 2)
        wy = np.exp(-0.5 * ((axis - at[:, 1:]) / sigma_px) ** 2)
        rows, rows_x = (image @ np.stack([wx, wx * axis], axis=2)).transpose(2, 0, 1)
        total = (rows * wy).sum(1)
        mean = np.stack([(rows_x * wy).sum(1), (rows * wy * axis).sum(1)], 1) / total[:, None]
        move = 2.0 * (mean - at)  # doubles back the pull of the window for a matched Gaussian
        at += np.clip(move, -1.0, 1.0) * 0.75
        if np.abs(move).max() < 2e-3:
            break
    return at


def measure(d_over_r0: float, obstruction: float, count: int, rng: np.random.Generator) -> str:
    """Return one row of the table: w for the default window, then for WINDOWS, and its errors."""
    y, x = (np.indices((PUPIL_PX, PUPIL_PX)) - (PUPIL_PX - 1) / 2) / (PUPIL_PX / 2)
    mask = (np.hypot(x, y) <= 1.0) & (np.hypot(x, y) >= obstruction)
    yy, xx = (np.indices(mask.shape) - (PUPIL_PX - 1) / 2) / PUPIL_PX
    per_lambda_d = IMAGE_PX / PUPIL_PX
    excesses, spans, sigma = [], [], 0.0
    for _ in range(max(count // (2 * SCREEN_PUPILS**2), 2)):
        phase = pupils(screen(d_over_r0, rng))
        gradient, plane = tilts(phase, mask)
        # Remove the plane before imaging so that stars stay centred, then put it back.
        image = images(phase - plane[:, :1, None] * xx - plane[:, 1:, None] * yy, mask)
        if not sigma:
            half = (image > 0.5 * image.max(axis=(1, 2), keepdims=True)).sum(axis=(1, 2))
            sigma = float(np.median(2 * np.sqrt(half / np.pi))) / 2.3548 / per_lambda_d
        gz, gg = plane / (2 * np.pi), gradient / (2 * np.pi)
        spans.append((gz**2).mean() - (gg**2).mean())
        row = []
        for window in (WINDOW_IN_STAR_SIGMAS * sigma, *WINDOWS):
            centre = windowed(image, window * per_lambda_d)
            # A slope of 2 pi rad a diameter moves the image by one lambda/D.
            measured = gz - centre / per_lambda_d * SIGN
            row.append((measured**2).mean() - (gz**2).mean())
        excesses.append(row)
    excess = np.array(excesses)
    span = tilt_coefficient("Z", obstruction) - tilt_coefficient("G", obstruction)
    span *= d_over_r0 ** (5 / 3)
    found = np.mean(spans) / span  # the same from finite differences on the screens, a check
    w = 1.0 + excess.mean(axis=0) / span
    sampling = np.std(excess, axis=0, ddof=1) / span / np.sqrt(len(excess))
    numbers = (obstruction, d_over_r0, sigma, found, *w, *sampling)
    return ",".join(f"{number:.4g}" for number in numbers)


SIGN = -1.0  # set by the test in `main`


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2048
    rng = np.random.default_rng(20260)
    mask = np.ones((PUPIL_PX, PUPIL_PX), dtype=bool)
    ramp = np.broadcast_to(np.arange(PUPIL_PX) / PUPIL_PX, (1, PUPIL_PX, PUPIL_PX))
    moved = windowed(images(2 * np.pi * ramp, mask), 4.0)[0, 0] * PUPIL_PX / IMAGE_PX
    assert abs(abs(moved) - 1.0) < 0.01, moved
    globals()["SIGN"] = -np.sign(moved)
    names = ("default", *map(str, WINDOWS))
    heads = ("obstruction", "d_over_r0", "star_sigma_over_diffraction", "span_over_theory")
    print(",".join([*heads, *names, *(f"error_{name}" for name in names)]))
    for obstruction in (0.0, 0.33):
        for d_over_r0 in (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0):
            print(measure(d_over_r0, obstruction, count, rng), flush=True)


if __name__ == "__main__":
    main()
