"""Where a star is: centroids of whole stacks of stamps, and the shape inside the same window.

The default is the Gaussian-windowed centroid: the position c at which the first moment of
(pixels - sky) under a Gaussian window centred on c itself vanishes; a kernel iterates it.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.frames import Sequence
from blursplit.types import FloatArray, ImageArray, IntArray

# How the kernels bring a window to its centroid.
_SETTLING = (
    const.WINDOW_MOST_STEPS,
    const.WINDOW_TOLERANCE_PX,
    const.WINDOW_LAST_STEP_PX,
    1.0 + 1.0 / const.WINDOW_OVER_SIGMA**2,
    const.FLATTEST,
)

CentroidMethod = Literal["windowed", "com", "quadratic", "2dg"]
CENTROID_METHODS: tuple[CentroidMethod, ...] = ("windowed", "com", "quadratic", "2dg")


@dataclass(frozen=True, slots=True)
class WindowedShapes:
    """Moments of stamps under a Gaussian window centred on the centroid; all of shape (m,)."""

    # `x_px`, `y_px`: centroid in the stamp (pixel [0, 0] has its centre at 0, 0); NaN where not
    # converged.
    x_px: FloatArray
    y_px: FloatArray
    core_adu: FloatArray  # sum of window times (pixels - sky), the window's peak being 1
    # `slope_x_adu`, `slope_y_adu`: derivative of the windowed first moment with the window's
    # position, sign reversed: what turns pixel noise into position noise.
    slope_x_adu: FloatArray
    slope_y_adu: FloatArray
    flux_adu: FloatArray  # flux of the Gaussian with the same windowed moments
    # `xx_px2`, `yy_px2`, `xy_px2`: second moments with the window's own narrowing removed (pixel
    # included).
    xx_px2: FloatArray
    yy_px2: FloatArray
    xy_px2: FloatArray

    def replaced(self, where: NDArray[np.int64], by: WindowedShapes) -> WindowedShapes:
        """Return these shapes with some of them replaced."""
        arrays = {f.name: getattr(self, f.name).copy() for f in fields(self)}
        for name, values in arrays.items():
            values[where] = getattr(by, name)
        return WindowedShapes(**arrays)

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

    @classmethod
    def measure(
        cls,
        stamps_adu: ImageArray,
        sky_adu: FloatArray,
        window_px: float,
        *,
        start_x_px: FloatArray | None = None,
        start_y_px: FloatArray | None = None,
        reach_px: float | None = None,
    ) -> WindowedShapes:
        """Return centroids and shapes of a stack of stamps under a Gaussian window.

        `stamps_adu` (m, size, size): stamps with their sky; a stamp with NaN gives NaN (see
        `fill_gaps`). `sky_adu` (m,): sky level. `window_px`: sigma of the window, 1.5 times the
        star's own. `start_x_px`, `start_y_px` (m,): where the iteration starts; the stamp's centre
        by default. `reach_px`: how far from the stamp's centre, along x or y, a star is looked for:
        the less, the faster. All of the stamp by default.

        Returns: NaN where the iteration leaves its reach, finds no light or does not converge.

        For a star of sigma s the windowed mean sees a fraction w^2 / (w^2 + s^2) of an offset, so
        the first step is divided by it for the s = w / 1.5 of the run. Later steps are Newton's,
        with the slope from the stamp's own second moments, where these are credible.
        """
        m, size, _ = stamps_adu.shape
        half = np.full(m, (size - 1) / 2)
        found = np.empty((8, m))
        kernels().settle_windows(
            flat_stamps(stamps_adu),
            np.array(sky_adu, dtype=float),
            half if start_x_px is None else np.array(start_x_px, dtype=float),
            half if start_y_px is None else np.array(start_y_px, dtype=float),
            kernel_window(size, window_px, reach_px),
            found,
        )
        return cls.of_moments(found[0], found[1], found[2:], float(window_px))

    @classmethod
    def of_moments(
        cls, x: FloatArray, y: FloatArray, moments: FloatArray, window: float
    ) -> WindowedShapes:
        """Turn raw windowed moments (core, then first, second and mixed over core) into shapes."""
        core, _, _, mxx, myy, mxy = moments
        with np.errstate(divide="ignore", invalid="ignore"):
            slope_x = core * (1.0 - mxx / window**2)
            slope_y = core * (1.0 - myy / window**2)
            xx, yy, xy = _unwindow(mxx, myy, mxy, window)
            flux = core * np.sqrt((xx + window**2) * (yy + window**2) - xy**2) / window**2
        return cls(x, y, core, slope_x, slope_y, flux, xx, yy, xy)

    def variance_terms(
        self, window_px: float, pixel_variance_adu2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the two terms of the variance of windowed centroids, mean of the two axes.

        `window_px`: sigma of the window. `pixel_variance_adu2` (m,): variance of one pixel of the
        background: sky photons, read-out, quantisation.

        Returns `star_px2_adu` (m,): to be divided by the gain [e-/adu]: photon noise of the star
        itself; `background_px2` (m,): the variance is their sum; NaN where the shape is unknown.
        """
        from blursplit.compiled.shape_kernels import centroid_noise

        out = np.empty((2, self.flux_adu.size))
        moments = self.xx_px2, self.yy_px2, self.slope_x_adu, self.slope_y_adu
        centroid_noise(moments, self.flux_adu, pixel_variance_adu2, float(window_px), out)
        star, background = out
        return star, background

    def signal_to_noise(
        self, window_px: float, gain_e_per_adu: float, pixel_variance_adu2: FloatArray
    ) -> FloatArray:
        """Return the signal-to-noise ratio of the windowed flux, shape (m,)."""
        # sum w^2 over pixels is pi w^2; the star's photons weigh at most w.
        variance = np.maximum(self.core_adu, 0) / gain_e_per_adu
        variance = variance + np.pi * window_px**2 * pixel_variance_adu2
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.core_adu / np.sqrt(variance), dtype=float)


def flat_stamps(stamps_adu: ImageArray) -> ImageArray:
    """Return stamps as the kernels take them: float32, shape (m, size * size)."""
    m, size, _ = stamps_adu.shape
    return np.ascontiguousarray(stamps_adu, dtype=np.float32).reshape(m, size * size)


def kernel_window(size: int, window_px: float, reach_px: float | None) -> tuple[object, ...]:
    """Return what the kernels ask of a window: see `stamp_kernels.measure_stamps`."""
    most = (size - 1) / 2 - 0.5  # how far from its centre a stamp can be searched at all
    reach = most if reach_px is None else min(reach_px, most)
    lead = max(0, int(np.floor((size - 1) / 2 - reach - const.FULL_WINDOWS * window_px)))
    return lead, float(window_px), float(reach), const.SKY_ROUNDING, _SETTLING


def _unwindow(
    mxx_px2: FloatArray, myy_px2: FloatArray, mxy_px2: FloatArray, window_px: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the second moments of the Gaussian whose windowed moments are given.

    The product of two Gaussians has the inverse covariance M^-1 = C^-1 + 1/w^2; this solves for
    C. NaN where noise has made the windowed moments as wide as the window itself.
    """
    from blursplit.compiled import shape_kernels

    out = np.empty((3, mxx_px2.size))
    shape_kernels.unwindow(mxx_px2, myy_px2, mxy_px2, float(window_px), out)
    xx, yy, xy = out
    return xx, yy, xy


def measure_centroids(
    stamps_adu: ImageArray,
    sky_adu: FloatArray,
    window_px: float,
    method: CentroidMethod = "windowed",
) -> tuple[FloatArray, FloatArray]:
    """Return centroids (x, y) in the stamps by the chosen method, each of shape (m,).

    `stamps_adu` (m, size, size). `sky_adu` (m,). `window_px`: sigma of the window (used by
    "windowed" only). `method` ({"windowed", "com", "quadratic", "2dg"}): the last three are
    photutils' functions, one stamp at a time: slower, and "com" and "quadratic" are noisier; they
    are there for comparison.

    Raises ValueError for an unknown method.
    """
    if method == "windowed":
        found = WindowedShapes.measure(stamps_adu, sky_adu, window_px)
        return found.x_px, found.y_px
    if method not in CENTROID_METHODS:
        msg = f"centroid method {method!r} is none of {', '.join(CENTROID_METHODS)}"
        raise ValueError(msg)
    from photutils import centroids

    one = getattr(centroids, f"centroid_{method}")
    found_xy = np.full((len(stamps_adu), 2), np.nan)
    # fits that fail give NaN, which is how they are reported
    with warnings.catch_warnings(action="ignore"):
        for i, (stamp, sky) in enumerate(zip(stamps_adu, sky_adu, strict=True)):
            if np.isfinite(stamp).all() and np.isfinite(sky):
                found_xy[i] = one((stamp - sky).astype(float))
    return found_xy[:, 0], found_xy[:, 1]


# --- what the windows of a run are ----------------------------------------------------------------
if TYPE_CHECKING:  # detection needs the pixels, and they this file
    from blursplit.stars.detect import Field


@dataclass(frozen=True)
class WindowSetup:
    """What stays fixed for a whole run."""

    # `sigma_px`, `window_px`: star sigma at the start, and the window's.
    sigma_px: float
    window_px: float
    core: int  # stamp size that holds the window and the star, odd
    cut: int  # size that is cut out: the core and a border for the sky, odd
    gain_e_per_adu: float  # infinity where it is not known yet
    # Read-out variance of a pixel; with it the sky's photon noise is computed.
    electronics_adu2: float | None
    saturation_adu: float | None
    # `hot_x`, `hot_y`: pixels to leave out.
    hot_x: IntArray
    hot_y: IntArray
    method: CentroidMethod = "windowed"

    @classmethod
    def of(cls, sequence: Sequence, field: Field, method: CentroidMethod) -> WindowSetup:
        """Return what stays fixed for a run: window, stamp size, noise and saturation."""
        known = sequence.instrument.get
        gain, read_noise = known("gain_e_per_adu"), known("read_noise_e")
        sigma = field.sigma_px
        electronics = None
        if gain and read_noise is not None:
            # 1/12: rounding to whole data units
            electronics = (read_noise / gain) ** 2 + 1.0 / 12.0
        core = 2 * max(int(np.ceil(const.CORE_SIGMAS * sigma)), const.SMALLEST_CORE // 2) + 1
        hot_y, hot_x = np.nonzero(field.hot)
        return cls(
            sigma_px=sigma,
            window_px=const.WINDOW_OVER_SIGMA * sigma,
            core=core,
            cut=core + 2 * const.BORDER_PX,
            gain_e_per_adu=float(gain) if gain else float("inf"),
            electronics_adu2=electronics,
            saturation_adu=field.saturation_adu,
            hot_x=hot_x[: const.MOST_HOT],
            hot_y=hot_y[: const.MOST_HOT],
            method=method,
        )

    def hot_near(
        self, x0: IntArray, y0: IntArray, size: int
    ) -> tuple[IntArray, IntArray, IntArray]:
        """Return the hot pixels near each star's stamps, as `blank_pixels` asks for them."""
        hot_x, hot_y = self.hot_x, self.hot_y
        near = (hot_x >= x0.min(axis=0)[:, None]) & (hot_x < x0.max(axis=0)[:, None] + size)
        near &= (hot_y >= y0.min(axis=0)[:, None]) & (hot_y < y0.max(axis=0)[:, None] + size)
        star, which = np.nonzero(near)
        first = np.searchsorted(star, np.arange(x0.shape[1] + 1))
        return hot_x[which], hot_y[which], first

    def brightest_reach(self, size: int) -> int:
        """Return how far from a centroid its brightest pixel is looked for: 1.5 sigmas, a pixel."""
        return min(int(np.ceil(1.5 * self.sigma_px)) + 1, size // 2 - 1)
