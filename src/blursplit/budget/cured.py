"""The width of the star with causes of its motion removed: model and shifted frames together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.constants import PERCENTILES
from blursplit.estimate import estimate
from blursplit.image.stack import about_window_mean, window_number
from blursplit.result import Fwhm

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from blursplit.budget.drift import DriftDraws
    from blursplit.budget.facts import Facts
    from blursplit.budget.grid import GridData
    from blursplit.budget.split import Split
    from blursplit.estimate import Estimate
    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]

GAUSS = 2.354820045
CURES: dict[str, frozenset[Contribution]] = {
    "without_tracking": frozenset({"tracking"}),
    "without_structure": frozenset({"structure"}),
    "without_both": frozenset({"tracking", "structure"}),
}
FRAMES_ABOVE_MODEL = 1.2  # wider frames hold motion that was not found


@dataclass(frozen=True)
class ShiftedFrames:
    """Star images of real frames with estimated motions shifted out.

    Parameters
    ----------
    width_arcsec : mapping
        FWHM of each cure's image.
    spare_arcsec2 : mapping
        One-axis variance, as a number or as draws (n,), by which the image is too sharp that had
        the estimate of this contribution shifted out.
    tracking_whole : bool
        Whether the shifts hold all motion that the split calls tracking.
    """

    width_arcsec: Mapping[str, float]
    spare_arcsec2: Mapping[Contribution, FloatArray | float]
    tracking_whole: bool = False

    def draws(self, name: str, n: int) -> FloatArray | None:
        """Return n draws of the width, but for the error of reading it; None without an image."""
        width = self.width_arcsec.get(name)
        if width is None:
            return None
        spare = sum(np.asarray(self.spare_arcsec2[part]) for part in CURES[name])
        return np.broadcast_to(np.sqrt(width**2 + GAUSS**2 * spare), (n,))


def shifted_frames(
    widths: Mapping[str, float],
    split: Split,
    drift: DriftDraws,
    grid: GridData,
    blur_time_s: float,
) -> ShiftedFrames:
    """Return what the shifted frames show, with what the shifts took of the air.

    Notes
    -----
    A straight line fitted to the motion takes the air's own trend with it: the draws of the
    drift say how much that may be.
    """
    rows = np.linspace(0, len(drift.length_arcsec) - 1, len(split.recorded)).astype(np.int64)
    apart = drift.length_arcsec[rows] - drift.length_arcsec.mean(axis=0)
    structure = smoothing_loss_arcsec2(split.structure, split.structure_series, grid, blur_time_s)
    return ShiftedFrames(
        widths,
        {"tracking": np.sum(apart**2, axis=1) / 24.0, "structure": structure},
        tracking_whole=bool(np.allclose(split.tracking, drift.covariance)),
    )


def smoothing_loss_arcsec2(
    draws: FloatArray, series: Sequence[FloatArray], grid: GridData, blur_time_s: float
) -> float:
    """Return the one-axis variance of a motion that its smoothed estimate lacks.

    Parameters
    ----------
    draws : ndarray, shape (n, 2, 2)
        Covariance of the motion inside the blur time [arcsec^2].
    series : sequence of ndarray, shape (n_frames_of_segment, 2)
        The best estimate on the grid.
    grid : GridData
    blur_time_s : float

    Notes
    -----
    An estimate that weighs signal against noise has less variance than the signal, by the
    variance of its error (Wiener 1949), and the recorded motion less the estimate has less than
    the noise by the same amount: frames shifted by it are too sharp by that much.
    """
    time = [s.start_s + np.arange(len(s.real)) * grid.cadence_s for s in grid.segments]
    number = np.repeat(np.arange(len(time)), [len(t) for t in time])
    window = window_number(np.concatenate(time), number, blur_time_s)
    still = about_window_mean(np.concatenate(series), window)
    found = float(np.mean(np.sum(still**2, axis=1)))
    return 0.5 * max(float(np.trace(draws.mean(axis=0))) - found, 0.0)


def fwhm_part(
    split: Split, facts: Facts, recorded: Mapping[str, Estimate | None], frames: ShiftedFrames
) -> Fwhm:
    """Return the widths: measured as recorded, and with causes removed.

    Parameters
    ----------
    split : Split
    facts : Facts
    recorded : mapping
        Estimates of the measured width: mean, major, minor, angle, registered.
    frames : ShiftedFrames

    Notes
    -----
    Tracking is slow and known well enough that the frames shifted by it show the width without
    it. A ringing structure is not: the shifts leave some of it, and the model says what would be
    left. Where model and frames differ before the structure is removed, the structure or what is
    left may be to blame: the draws lie evenly between the model without it and that model times
    measured over modelled, where it is more than half of the width; a small one can be blamed for
    little. Shifted frames bound the width from above, whatever the model says: a motion that
    keeps step with another one (a drift and a mode that rings while it passes) widens the star by
    less or more than the model's independent ones. Structure that no line shows may hide in the
    motion of open cause, and below what the search for lines can find: the 95 % interval reaches
    down to the width without all of that.
    """
    measured = recorded["mean"]
    rows: dict[str, Estimate | None] = dict.fromkeys(CURES)
    for name, removed in CURES.items():
        if measured is None or measured.value is None:
            continue
        width = _cured_draws(name, split, measured.value, frames)
        n = len(width)
        most = frames.draws(name, n)
        # No cure widens the star.
        width = np.minimum(width, measured.value if most is None else np.fmin(most, measured.value))
        width = width * (1.0 + _error_draws(measured, n))
        rows[name] = _reach_up(estimate(width), frames.width_arcsec.get(name))
        if "structure" in removed:
            rows[name] = _reach_down(rows[name], split, removed, measured)
    return Fwhm(
        blur_time_s=facts.blur_time_s,
        recorded_arcsec=measured,
        recorded_major_arcsec=recorded["major"],
        recorded_minor_arcsec=recorded["minor"],
        recorded_angle_deg=recorded["angle"],
        without_tracking_arcsec=rows["without_tracking"],
        without_structure_arcsec=rows["without_structure"],
        without_both_arcsec=rows["without_both"],
        registered_arcsec=recorded["registered"],
        method="both" if frames.width_arcsec else "model",
    )


def _cured_draws(
    name: str, split: Split, measured_arcsec: float, frames: ShiftedFrames
) -> FloatArray:
    """Draw the width without these contributions, but for the error of reading widths."""
    removed = CURES[name]
    n = len(split.recorded)
    before, modelled = np.full(n, measured_arcsec), split.recorded
    tracked = frames.draws("without_tracking", n) if frames.tracking_whole else None
    if tracked is not None and "tracking" in removed:
        if removed == {"tracking"}:
            return tracked
        before, modelled = tracked, split.without[CURES["without_tracking"]]
    misfit = before / modelled
    fall = np.clip(2.0 - 2.0 * split.without[removed] / modelled, 0.0, 1.0)
    blame = fall * np.random.default_rng(n).uniform(size=n)
    return np.asarray(split.without[removed] * misfit ** (1.0 - blame))


def _error_draws(measured: Estimate, n: int) -> FloatArray:
    """Relative error of a measured width, as n evenly spread draws of a normal distribution."""
    from scipy.special import ndtri

    assert measured.value is not None  # noqa: S101 - callers have checked
    assert measured.high is not None  # noqa: S101
    sigma = (measured.high - measured.value) / measured.value
    order = np.random.default_rng(n).permutation(n)
    return np.asarray(sigma * ndtri((order + 0.5) / n))


def _reach_up(model: Estimate | None, frames: float | None) -> Estimate | None:
    """Let the 95 % interval of the model reach the width measured on restacked frames.

    What the estimate of the motion misses stays in them, and may be missing in the model too.
    """
    if model is None or frames is None:
        return model
    high95 = model.high95
    assert high95 is not None  # noqa: S101 - estimates of draws have all ends
    reach = max(high95, min(frames, FRAMES_ABOVE_MODEL * high95))
    return model.model_copy(update={"high95": reach})


def _reach_down(
    row: Estimate | None,
    split: Split,
    removed: frozenset[Contribution],
    measured: Estimate,
) -> Estimate | None:
    """Let the 95 % interval reach down to the width without what may be hidden structure."""
    if row is None or row.low95 is None or measured.low95 is None:
        return row
    least = float(np.percentile(split.without[removed | {"unassigned"}], PERCENTILES[0]))
    if split.silent is not None:
        least = min(least, split.silent.kept[removed] * measured.low95)
    return row.model_copy(update={"low95": min(row.low95, least)})
