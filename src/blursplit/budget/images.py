"""Star images of the record: as recorded, registered, with motions shifted out; their widths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.estimates import with_error
from blursplit.budget.fwhm import HalfMaximum, image_width, sampling_error
from blursplit.budget.restack import Restack, about_window_mean, restack, window_number

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from blursplit.budget.air_table import Optics
    from blursplit.budget.grid import GridData
    from blursplit.result import Estimate
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
GAUSS = 2.354820045
LEAST_WIDTH_ERROR = 0.005  # flat field and sky under the star, relative
ONE_SIGMA = 0.8413  # of a normal variable; two or three stars know their own spread badly
MIN_PEAK_OVER_NOISE = 8.0


@dataclass(frozen=True)
class StarImages:
    """Restacked images and the widths of each.

    Parameters
    ----------
    stack : Restack
    widths : dict of str to HalfMaximum
    """

    stack: Restack
    widths: dict[str, HalfMaximum]

    def recorded_estimates(self) -> dict[str, Estimate | None]:
        """Return estimates of the recorded and registered width, in the unit of the scale."""
        recorded = self.widths["recorded"]
        error = self._error("recorded")
        angle_error = 0.5 * np.degrees(error / max(recorded.major - recorded.minor, 1e-9))
        is_round = recorded.major - recorded.minor < 2.0 * error
        registered = self.widths["registered"]
        return {
            "mean": with_error(recorded.mean, error),
            "major": with_error(recorded.major, error),
            "minor": with_error(recorded.minor, error),
            "angle": None if is_round else with_error(recorded.angle_deg, float(angle_error)),
            "registered": with_error(registered.mean, self._error("registered")),
        }

    def _error(self, name: str) -> float:
        """Return the standard error of a width: spread between stars, and the flat field."""
        from scipy.stats import t as student_t

        mean = self.widths[name].mean
        stars = [w for w in (_safe_width(i) for i in self.stack.star_images[name]) if w]
        whole = _safe_width(self.stack.images[name]) or 1.0
        spread = 0.0
        if len(stars) > 1:
            few = float(student_t.ppf(ONE_SIGMA, len(stars) - 1))
            spread = few * float(np.std(stars, ddof=1) / np.sqrt(len(stars)))
        narrowest = self.widths[name].minor * whole / mean
        relative = np.hypot(np.hypot(spread / whole, LEAST_WIDTH_ERROR), sampling_error(narrowest))
        return mean * float(relative)


def _safe_width(image: FloatArray) -> float | None:
    """Width in pixels, None where noise has the upper hand."""
    border = np.concatenate([image[0], image[-1], image[:, 0], image[:, -1]])
    if image.max() < MIN_PEAK_OVER_NOISE * max(float(np.std(border)), 1e-12):
        return None
    return image_width(image, 1.0).mean


def star_images(
    tracks: StarTracks,
    blur_time_s: float,
    scale: float,
    removed: Mapping[str, FloatArray],
) -> StarImages | None:
    """Stack the stamps as recorded, registered, and with each motion removed.

    Parameters
    ----------
    tracks : StarTracks
    blur_time_s : float
        Windows of this length, each about its own mean place.
    scale : float
        Size of a pixel in the unit of the widths.
    removed : mapping of str to ndarray, shape (n_frames, 2)
        Motion [px] to be shifted out, one image each.

    Returns
    -------
    StarImages or None
        None without usable stamps.
    """
    if tracks.stamps is None or not len(tracks.stamps.star):
        return None
    star = tracks.stamps.star
    own = np.stack([tracks.x_px[:, star], tracks.y_px[:, star]], axis=-1)
    window = window_number(tracks.time_s, tracks.segment, blur_time_s)
    flat = own.reshape(len(own), -1)
    still = (flat - about_window_mean(flat, window)).reshape(own.shape)
    references = {"recorded": still, "registered": own}
    for name, motion in removed.items():
        references[name] = still + about_window_mean(motion, window)[:, None, :]
    stack = restack(tracks, references)
    if stack is None or _safe_width(stack.images["recorded"]) is None:
        return None
    widths = {name: image_width(image, scale) for name, image in stack.images.items()}
    return StarImages(stack, widths)


def width_against_exposure(
    tracks: StarTracks, scale: float, cadence_s: float
) -> tuple[FloatArray, FloatArray]:
    """Return exposure times and the width that exposures of that length record.

    Notes
    -----
    Frames are joined in runs of 1, 2, 4, ... frames, each run about its own mean place.
    """
    assert tracks.stamps is not None  # noqa: S101 - callers have images
    star = tracks.stamps.star
    own = np.stack([tracks.x_px[:, star], tracks.y_px[:, star]], axis=-1)
    flat = own.reshape(len(own), -1)
    lengths = 2 ** np.arange(int(np.log2(max(tracks.n_frames // 4, 1))) + 1)
    references = {}
    for n in lengths:
        window = window_number(tracks.time_s, tracks.segment, n * cadence_s * (1 - 1e-9))
        references[str(n)] = (flat - about_window_mean(flat, window)).reshape(own.shape)
    stack = restack(tracks, references)
    if stack is None:
        return np.zeros(0), np.zeros(0)
    exposure = tracks.exposure_s or cadence_s
    times = np.array([exposure + (n - 1) * cadence_s for n in lengths])
    return times, np.array([image_width(stack.images[str(n)], scale).mean for n in lengths])


def registration_noise_arcsec2(tracks: StarTracks, scale: float) -> float:
    """Return the one-axis variance that registering on noisy centroids adds."""
    assert tracks.stamps is not None  # noqa: S101 - callers have images
    star = tracks.stamps.star
    sigma = np.where(tracks.good[:, star], tracks.sigma_px[:, star], np.nan)
    return float(np.nanmean(sigma**2)) * scale**2


def window_over_diffraction(tracks: StarTracks, scale: float, optics: Optics) -> float:
    """Return the sigma of the centroid's window in lambda/D, the pixel's own width included.

    A pixel blurs the image before the window weighs it, which acts like a wider window.
    """
    from blursplit.stars.window import WINDOW_OVER_SIGMA

    sigma_px = float(np.nanmedian(np.where(tracks.good, tracks.width_px, np.nan)))
    window = scale * float(np.hypot(WINDOW_OVER_SIGMA * sigma_px, 12.0**-0.5))
    return window * optics.aperture_m / (optics.wavelength_m * ARCSEC)


def series_on_frames(tracks: StarTracks, grid: GridData, series: list[FloatArray]) -> FloatArray:
    """Return motions on the grid at the frames of the tracks, shape (n_frames, 2); 0 outside."""
    out = np.zeros((tracks.n_frames, 2))
    for segment, motion in zip(grid.segments, series, strict=True):
        real = segment.frame >= 0
        out[segment.frame[real]] = motion[real]
    return out
