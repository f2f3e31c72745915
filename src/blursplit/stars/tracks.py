"""Star tracks: what leaves the stars room, and all that the later steps need."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Stamps:
    """Cut-outs of a few bright stars, background not removed.

    Parameters
    ----------
    star : ndarray of int, shape (n_stamps,)
        Column of the tracks that each stack belongs to.
    pixels_adu : ndarray of float32, shape (n_frames, n_stamps, size, size)
        Pixel values, calibrated but with the sky in them.
    x0_px, y0_px : ndarray of int, shape (n_frames, n_stamps)
        Position of pixel [0, 0] of each stamp in the frame.
    sky_adu : ndarray of float, shape (n_frames, n_stamps)
        Local sky level of each stamp.
    """

    star: IntArray
    pixels_adu: NDArray[np.float32]
    x0_px: IntArray
    y0_px: IntArray
    sky_adu: FloatArray


@dataclass(frozen=True)
class PixelStatistics:
    """What single pixels say of how the frames were made, NaN where nothing could be told.

    Parameters
    ----------
    frames, pixels : int
        Frames looked at, and pairs of blank-sky pixels that neighbours were compared in.
    sky_adu, sky_noise_adu : float
        Level of blank sky, and the noise of one of its pixels in time.
    lag_correlation : tuple of float
        Correlation of a pixel's noise with its own 1, 2 and 3 frames later, repeats left out.
    neighbour_correlation : float
        Of the noise of pixels side by side, less that of pixels five apart.
    repeated_share, far_repeated_share : float
        Share of frames equal to the one before, and to one six or more frames before.
    pattern_pairs, pattern_still, pattern_moved : int
        Pairs of frames compared; those whose fixed pattern lies in one place, and those where it
        lies whole pixels off.
    noise_level_adu, noise_variance_adu2, noise_count : tuple
        Variance of star pixels in bins of their level above the sky, and pixels a bin.
    """

    frames: int
    pixels: int
    sky_adu: float
    sky_noise_adu: float
    lag_correlation: tuple[float, ...]
    neighbour_correlation: float
    repeated_share: float
    far_repeated_share: float
    pattern_pairs: int
    pattern_still: int
    pattern_moved: int
    hot_still: int
    hot_moved: int
    noise_level_adu: tuple[float, ...] = ()
    noise_variance_adu2: tuple[float, ...] = ()
    noise_count: tuple[int, ...] = ()


@dataclass(frozen=True, repr=False)
class StarTracks:
    """Stars followed through the frames; samples that were lost are masked, never guessed.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Middle of each exposure since the first frame's, increasing.
    segment : ndarray of int, shape (n_frames,)
        Number of the gap- and dither-free stretch that the frame belongs to.
    row_time_s : ndarray, shape (n_frames, n_stars)
        Delay of the star's row after the middle of the exposure (zero for a global shutter).
    x_px, y_px : ndarray, shape (n_frames, n_stars)
        Centroids, pixel centres at whole numbers from 0; NaN where not `good`.
    sigma_px : ndarray, shape (n_frames, n_stars)
        One-axis noise of each centroid from photons, sky and read-out.
    flux_adu, width_px, e1, e2, peak_adu : ndarray, shape (n_frames, n_stars)
        Flux, Gaussian-equivalent one-axis sigma, ellipticity ((xx - yy)/(xx + yy),
        2 xy/(xx + yy)) and peak above the sky.
    good : ndarray of bool, shape (n_frames, n_stars)
    exposure_s : float or None
        Exposure of one frame.
    timing : "regular", "jittered" or "irregular"
        Regular: times lie on a grid (frames may be missing).
    cadence_s : float or None
        Frame interval of the grid, or the median interval.
    start_utc : str or None
        ISO time of the first frame's middle.
    frame : ndarray of int, shape (n_frames,)
        Number of the frame in the sequence as sorted by time.
    finder_adu : ndarray, shape (ny, nx) or None
        Mean of the first frames.
    stamps : Stamps or None
    pixels : PixelStatistics or None
        None for positions that were not measured on frames here.
    notes : tuple of (code, text)
        Warnings that go into the result.
    dropped : dict
        Reason -> number of frames dropped.

    Examples
    --------
    >>> from blursplit import StarTracks
    >>> StarTracks.read("night1-result")
    StarTracks(40 frames, 3 stars, 0.78 s, 50 a second)
    """

    time_s: FloatArray
    segment: IntArray
    row_time_s: FloatArray
    x_px: FloatArray
    y_px: FloatArray
    sigma_px: FloatArray
    flux_adu: FloatArray
    width_px: FloatArray
    e1: FloatArray
    e2: FloatArray
    peak_adu: FloatArray
    good: BoolArray
    exposure_s: float | None
    timing: Literal["regular", "jittered", "irregular"] = "regular"
    cadence_s: float | None = None
    start_utc: str | None = None
    frame: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    finder_adu: NDArray[np.float32] | None = None
    stamps: Stamps | None = None
    pixels: PixelStatistics | None = None
    notes: tuple[tuple[str, str], ...] = ()
    dropped: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        shape = self.x_px.shape
        per_sample = ("row_time_s", "y_px", "sigma_px", "flux_adu", "width_px", "e1", "e2")
        for name in (*per_sample, "peak_adu", "good"):
            if getattr(self, name).shape != shape:
                msg = f"{name} has shape {getattr(self, name).shape}, x_px {shape}"
                raise ValueError(msg)
        if self.time_s.shape != shape[:1] or self.segment.shape != shape[:1]:
            msg = f"time_s and segment need shape {shape[:1]}"
            raise ValueError(msg)

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return int(self.x_px.shape[0])

    @property
    def n_stars(self) -> int:
        """Number of stars."""
        return int(self.x_px.shape[1])

    def __repr__(self) -> str:
        length = float(np.ptp(self.time_s)) if self.n_frames else 0.0
        rate = "" if not self.cadence_s else f", {1.0 / self.cadence_s:.3g} a second"
        return f"StarTracks({self.n_frames} frames, {self.n_stars} stars, {length:.3g} s{rate})"

    def _repr_html_(self) -> str:
        from html import escape

        notes = "".join(f"<li>{escape(text)}</li>" for _, text in self.notes)
        return f"<p>{escape(repr(self))}</p><ul>{notes}</ul>"

    @classmethod
    def read(cls, positions: Any, rig: Any = None) -> StarTracks:
        """Return tracks of a table of positions, a CSV or ECSV file, or a result folder.

        Parameters
        ----------
        positions : Table, str or Path
            Columns time, star, x, y and, where known, flux, width, sigma; or a folder that
            `measure` wrote.
        rig : Rig, optional
            Gives pixel scale, exposure and frame interval of positions.

        Examples
        --------
        >>> from blursplit import StarTracks
        >>> StarTracks.read("night1-result")
        StarTracks(40 frames, 3 stars, 0.78 s, 50 a second)
        """
        from pathlib import Path

        from blursplit.stars.positions import positions_to_tracks
        from blursplit.stars.tracks_file import load_tracks

        if isinstance(positions, str | Path) and Path(positions).is_dir():
            return load_tracks(Path(positions))
        return positions_to_tracks(positions, rig)[0]

    def without_stamps(self) -> StarTracks:
        """Return the same tracks without cut-outs."""
        return replace(self, stamps=None)
