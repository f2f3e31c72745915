"""Where a star is: centroids of whole stacks of stamps, and the shape inside the same window.

The default is the Gaussian-windowed centroid: the position c at which the first moment of
(pixels - sky) under a Gaussian window centred on c itself vanishes. The windows at all
positions within reach of the stamp's centre span a space of about ten dimensions, so a stamp is
first projected on a basis of that space (two matrix products, the only time its pixels are
touched) and every further step works on the small projection.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    Stack = NDArray[np.float32]

CentroidMethod = Literal["windowed", "com", "quadratic", "2dg"]
CENTROID_METHODS: tuple[CentroidMethod, ...] = ("windowed", "com", "quadratic", "2dg")

# Window of 1.5 star sigmas: within 2 to 6 % of the Cramer-Rao bound with background
# (computed from the two variance formulas in `noise`).
WINDOW_OVER_SIGMA = 1.5
MAX_STEPS = 25
TOLERANCE_PX = 2e-4  # far below the noise of any usable star (about 5e-3 px and more)
CHUNK = 4096  # stamps at a time: bounds the memory of the iteration
CACHED = 256  # stamps at a time whose pixels stay in the processor's cache while projected
BASIS_PRECISION = 3e-6


@dataclass(frozen=True, slots=True)
class WindowedShapes:
    """Moments of stamps under a Gaussian window centred on the centroid; all of shape (m,).

    Parameters
    ----------
    x_px, y_px : ndarray
        Centroid in the stamp (pixel [0, 0] has its centre at 0, 0); NaN where not converged.
    core_adu : ndarray
        Sum of window times (pixels - sky), the window's peak being 1.
    slope_x_adu, slope_y_adu : ndarray
        Derivative of the windowed first moment with the window's position, sign reversed:
        what turns pixel noise into position noise.
    flux_adu : ndarray
        Flux of the Gaussian with the same windowed moments.
    xx_px2, yy_px2, xy_px2 : ndarray
        Second moments with the window's own narrowing removed (pixel included).
    """

    x_px: FloatArray
    y_px: FloatArray
    core_adu: FloatArray
    slope_x_adu: FloatArray
    slope_y_adu: FloatArray
    flux_adu: FloatArray
    xx_px2: FloatArray
    yy_px2: FloatArray
    xy_px2: FloatArray

    @property
    def width_px(self) -> FloatArray:
        """One-axis sigma of the Gaussian with the same windowed moments."""
        return np.sqrt(0.5 * (self.xx_px2 + self.yy_px2))

    @property
    def e1(self) -> FloatArray:
        """Elongation along x: (xx - yy) / (xx + yy)."""
        return (self.xx_px2 - self.yy_px2) / (self.xx_px2 + self.yy_px2)

    @property
    def e2(self) -> FloatArray:
        """Elongation along the diagonal: 2 xy / (xx + yy)."""
        return 2.0 * self.xy_px2 / (self.xx_px2 + self.yy_px2)


def measure_windowed(
    stamps_adu: Stack,
    sky_adu: FloatArray,
    window_px: float,
    *,
    start_x_px: FloatArray | None = None,
    start_y_px: FloatArray | None = None,
) -> WindowedShapes:
    """Return centroids and shapes of a stack of stamps under a Gaussian window.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
        Stamps with their sky; a stamp with NaN gives NaN (see `fill_gaps`).
    sky_adu : ndarray, shape (m,)
        Sky level.
    window_px : float
        Sigma of the window, 1.5 times the star's own.
    start_x_px, start_y_px : ndarray, shape (m,), optional
        Where the iteration starts; the stamp's centre by default.

    Returns
    -------
    WindowedShapes
        NaN where the iteration leaves the stamp, finds no light or does not converge.

    Notes
    -----
    For a star of sigma s the windowed mean sees a fraction w^2 / (w^2 + s^2) of an offset, so
    the step is divided by it for the s = w / 1.5 of the run. A Gaussian star then converges in
    one step, others geometrically.
    """
    m, size, _ = stamps_adu.shape
    half = (size - 1) / 2
    start_x = np.full(m, half) if start_x_px is None else np.asarray(start_x_px, dtype=float)
    start_y = np.full(m, half) if start_y_px is None else np.asarray(start_y_px, dtype=float)
    sky = np.asarray(sky_adu, dtype=float)
    basis = _window_basis(size, float(window_px))
    parts = []
    for i in range(0, m, CHUNK):
        cut = slice(i, i + CHUNK)
        small = _compress(stamps_adu[cut], sky[cut], basis)
        x, y = _settle(small, basis, window_px, start_x[cut], start_y[cut])
        parts.append(_shapes(small, basis, window_px, x, y))
    if not parts:
        return WindowedShapes(*(np.zeros(0) for _ in fields(WindowedShapes)))
    names = [f.name for f in fields(WindowedShapes)]
    return WindowedShapes(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))


@lru_cache(maxsize=32)
def _window_basis(size: int, window_px: float) -> Stack:
    """Return an orthonormal basis, shape (size, n), of all windows and their first moments."""
    x = np.arange(size, dtype=float)
    dx = (x[:, None] - np.linspace(1.0, size - 2.0, 4 * size)) / window_px
    w = np.exp(-0.5 * dx**2)
    left, values, _ = np.linalg.svd(np.hstack([w, w * dx, w * dx**2]), full_matrices=False)
    return np.ascontiguousarray(left[:, values > BASIS_PRECISION * values[0]], dtype=np.float32)


def _compress(stamps: Stack, sky: FloatArray, basis: Stack) -> Stack:
    """Project stamps less sky on the basis: shape (n, n, m), the stamp's number last."""
    m, size, _ = stamps.shape
    n = basis.shape[1]
    both = np.empty((n, n, m), dtype=np.float32)
    for i in range(0, m, CACHED):
        part = stamps[i : i + CACHED]
        along_x = (part.reshape(-1, size) @ basis).reshape(-1, size, n)
        both[:, :, i : i + CACHED] = np.matmul(basis.T, along_x).transpose(1, 2, 0)
    ones = basis.sum(axis=0)
    both -= np.outer(ones, ones)[:, :, None] * sky.astype(np.float32)
    return both


def _window(basis: Stack, window: float, centre: FloatArray) -> tuple[Stack, Stack, Stack]:
    """Return the window and its first two moments about `centre` in the basis, each (n, m)."""
    position = np.arange(basis.shape[0], dtype=np.float32)
    dx = position[:, None] - centre.astype(np.float32)
    w = np.exp(dx * dx * np.float32(-0.5 / window**2))
    first = w * dx
    return basis.T @ w, basis.T @ first, basis.T @ (first * dx)


def _settle(
    small: Stack, basis: Stack, window: float, start_x: FloatArray, start_y: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Iterate the window to its own centroid; only unsettled stamps are carried on."""
    size = basis.shape[0]
    x, y = start_x.copy(), start_y.copy()
    settled = np.zeros(x.shape, dtype=bool)
    gain = 1.0 + 1.0 / WINDOW_OVER_SIGMA**2
    active = np.flatnonzero(np.isfinite(x) & np.isfinite(y) & np.isfinite(small[0, 0]))
    part = small if active.size == x.size else small[:, :, active]
    for _ in range(MAX_STEPS):
        if active.size == 0:
            break
        wx, mx, _ = _window(basis, window, x[active])
        wy, my, _ = _window(basis, window, y[active])
        rows = np.einsum("ijm,jm->im", part, wx)
        core = np.einsum("im,im->m", rows, wy)
        with np.errstate(divide="ignore", invalid="ignore"):
            step_x = gain * np.einsum("im,im->m", np.einsum("ijm,jm->im", part, mx), wy) / core
            step_y = gain * np.einsum("im,im->m", rows, my) / core
        lit = core > 0
        # A step beyond the window's own size means that the light lies elsewhere.
        step_x = np.clip(np.where(lit, step_x, np.nan), -2 * window, 2 * window)
        step_y = np.clip(np.where(lit, step_y, np.nan), -2 * window, 2 * window)
        x[active] += step_x
        y[active] += step_y
        inside = lit & (np.abs(x[active] - (size - 1) / 2) < size / 2 - 1.0)
        inside &= np.abs(y[active] - (size - 1) / 2) < size / 2 - 1.0
        done = inside & (np.maximum(np.abs(step_x), np.abs(step_y)) < TOLERANCE_PX)
        settled[active[done]] = True
        keep = inside & ~done
        if not keep.all():
            active, part = active[keep], part[:, :, keep]
    return np.where(settled, x, np.nan), np.where(settled, y, np.nan)


def _shapes(
    small: Stack, basis: Stack, window: float, x: FloatArray, y: FloatArray
) -> WindowedShapes:
    wx, mx, qx = _window(basis, window, x)
    wy, my, qy = _window(basis, window, y)
    over_x = np.einsum("ijm,jm->im", small, wx)
    core = np.einsum("im,im->m", over_x, wy).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        first = np.einsum("ijm,jm->im", small, mx)
        second = np.einsum("ijm,jm->im", small, qx)
        mxx = np.einsum("im,im->m", second, wy) / core
        myy = np.einsum("im,im->m", over_x, qy) / core
        mxy = np.einsum("im,im->m", first, my) / core
        slope_x = core * (1.0 - mxx / window**2)
        slope_y = core * (1.0 - myy / window**2)
        xx, yy, xy = unwindow(mxx, myy, mxy, window)
        flux = core * np.sqrt((xx + window**2) * (yy + window**2) - xy**2) / window**2
    broken = ~(core > 0)
    values = [core, slope_x, slope_y, flux, xx, yy, xy]
    return WindowedShapes(
        *(np.where(broken, np.nan, v) for v in (x, y)),
        *(np.where(broken, np.nan, v) for v in values),
    )


def unwindow(
    mxx_px2: FloatArray, myy_px2: FloatArray, mxy_px2: FloatArray, window_px: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the second moments of the Gaussian whose windowed moments are given.

    The product of two Gaussians has the inverse covariance M^-1 = C^-1 + 1/w^2; this solves for
    C. NaN where noise has made the windowed moments as wide as the window itself.
    """
    determinant = mxx_px2 * myy_px2 - mxy_px2**2
    with np.errstate(divide="ignore", invalid="ignore"):
        a = myy_px2 / determinant - 1.0 / window_px**2
        b = mxx_px2 / determinant - 1.0 / window_px**2
        c = -mxy_px2 / determinant
        d = a * b - c**2
        real = (determinant > 0) & (d > 0) & (a > 0)
        return (
            np.where(real, b / d, np.nan),
            np.where(real, a / d, np.nan),
            np.where(real, -c / d, np.nan),
        )


def measure_sky(stamps_adu: Stack, border_px: int = 2) -> tuple[FloatArray, FloatArray]:
    """Return local sky level and pixel variance from the border of each stamp.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (..., size, size)
    border_px : int
        Width of the border.

    Returns
    -------
    sky_adu, variance_adu2 : ndarray, shape (...)
        Medians of twelve pieces of the border, so that a neighbour, a cosmic ray or a masked
        corner in a minority of them does no harm. NaN where no border pixel is finite.
    """
    pieces = _border_pieces(stamps_adu, border_px)
    whole = bool(np.isfinite(pieces).all())
    mean = pieces.mean(axis=-1) if whole else _nanmean(pieces)
    squared = np.square(pieces - mean[..., None])
    n = pieces.shape[-1]
    spread = squared.mean(axis=-1) if whole else _nanmean(squared)
    middle = np.median if whole else _nanmedian
    return (
        np.asarray(middle(mean, axis=-1), dtype=float),
        # Median of chi-square over its mean for n - 1 degrees of freedom (Wilson & Hilferty 1931).
        np.asarray(middle(spread, axis=-1), dtype=float) * n / (n - 1) / (1 - 2 / (9 * n - 9)) ** 3,
    )


def _border_pieces(stamps: Stack, b: int) -> Stack:
    """Cut the border into twelve pieces of equal size: shape (..., 12, pixels)."""
    size = stamps.shape[-1]
    third = (size - b) // 3
    lead = stamps.shape[:-2]
    sides = (
        stamps[..., :b, : 3 * third],
        stamps[..., -b:, size - 3 * third :],
        stamps[..., size - 3 * third :, :b].swapaxes(-1, -2),
        stamps[..., : 3 * third, -b:].swapaxes(-1, -2),
    )
    cut = [
        s.reshape(*lead, b, 3, third).swapaxes(-2, -3).reshape(*lead, 3, b * third) for s in sides
    ]
    return np.concatenate(cut, axis=-2)


def _nanmean(values: Stack) -> Stack:
    finite = np.isfinite(values)
    count = finite.sum(axis=-1)
    total = np.where(finite, values, 0).sum(axis=-1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def _nanmedian(values: Stack, axis: int) -> Stack:
    empty = np.asarray(np.isnan(values).all(axis=axis))
    filled = np.where(np.expand_dims(empty, axis), 0, values)
    return np.where(empty, np.nan, np.nanmedian(filled, axis=axis))


def fill_gaps(stamps_adu: Stack, sky_adu: FloatArray) -> Stack:
    """Return the stamps with NaN pixels replaced by the mean of their finite neighbours.

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
    sky_adu : ndarray, shape (m,)
        Used where no neighbour within one pixel is finite.
    """
    finite = np.isfinite(stamps_adu)
    values = np.pad(np.where(finite, stamps_adu, 0), ((0, 0), (1, 1), (1, 1)))
    weight = np.pad(finite.astype(np.float32), ((0, 0), (1, 1), (1, 1)))
    size = stamps_adu.shape[-1]
    total = np.zeros_like(stamps_adu)
    count = np.zeros_like(stamps_adu)
    for dy in range(3):
        for dx in range(3):
            total += values[:, dy : dy + size, dx : dx + size]
            count += weight[:, dy : dy + size, dx : dx + size]
    near = np.where(count > 0, total / np.maximum(count, 1), sky_adu[:, None, None])
    return np.where(finite, stamps_adu, near).astype(np.float32)


def measure_centroids(
    stamps_adu: Stack, sky_adu: FloatArray, window_px: float, method: CentroidMethod = "windowed"
) -> tuple[FloatArray, FloatArray]:
    """Return centroids (x, y) in the stamps by the chosen method, each of shape (m,).

    Parameters
    ----------
    stamps_adu : ndarray of float32, shape (m, size, size)
    sky_adu : ndarray, shape (m,)
    window_px : float
        Sigma of the window (used by "windowed" only).
    method : {"windowed", "com", "quadratic", "2dg"}
        The last three are photutils' functions, one stamp at a time: slower, and "com" and
        "quadratic" are noisier; they are there for comparison.

    Raises
    ------
    ValueError
        For an unknown method.
    """
    if method == "windowed":
        found = measure_windowed(stamps_adu, sky_adu, window_px)
        return found.x_px, found.y_px
    if method not in CENTROID_METHODS:
        msg = f"centroid method {method!r} is none of {', '.join(CENTROID_METHODS)}"
        raise ValueError(msg)
    import warnings

    from photutils import centroids

    one = getattr(centroids, f"centroid_{method}")
    found_xy = np.full((len(stamps_adu), 2), np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # fits that fail give NaN, which is how they are reported
        for i, (stamp, sky) in enumerate(zip(stamps_adu, sky_adu, strict=True)):
            if np.isfinite(stamp).all() and np.isfinite(sky):
                found_xy[i] = one((stamp - sky).astype(float))
    return found_xy[:, 0], found_xy[:, 1]
