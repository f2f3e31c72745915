"""What a focus curve comes to: record, figure, doubts and words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from blursplit.estimate import Estimate, estimate, upper_limit
from blursplit.result import Focus, FocusPosition

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.focus_runs import FocusRun
    from blursplit.budget.optics_data import DefocusShape
    from blursplit.evidence.focus import FocusFit

    FloatArray = NDArray[np.float64]

GAUSS = 2.354820045
LARGE_AIR_CHANGE = 0.5  # relative scatter of r0^(-5/3): seeing that changes by a third
LEAST_SHOWN = 0.12  # of the width: what does not widen the star by a hundredth is a limit
N_GRID = 61


@dataclass
class FocusCurve:
    """What the focus positions say.

    Parameters
    ----------
    least_arcsec2 : ndarray or None
        Draws of the variance of defocus (and astigmatism, where shown) of the measured run, as
        a Gaussian of the joint fit; None when no curve could be fitted.
    shape : DefocusShape or None
        Of that defocus, for the joint fit.
    part : Focus or None
        For the result.
    defocus, astigmatism : Estimate or None
        Gaussian-equivalent FWHM [arcsec].
    arrays : dict
        For the figure.
    warnings : list of (code, text)
    notes, steps : list of str
        For the verdict.
    """

    least_arcsec2: FloatArray | None = None
    shape: DefocusShape | None = None
    part: Focus | None = None
    defocus: Estimate | None = None
    astigmatism: Estimate | None = None
    arrays: dict[str, FloatArray] = field(default_factory=dict)
    warnings: list[tuple[str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    steps: list[str] = field(default_factory=list)

    @property
    def is_shown(self) -> bool:
        """Whether defocus, or astigmatism, was found and not only limited."""
        return any(
            part is not None and not part.is_limit for part in (self.defocus, self.astigmatism)
        )

    def warn(self, code: str, text: str) -> None:
        """Keep a doubt that goes with the numbers."""
        self.warnings.append((code, text))


def describe_curve(
    out: FocusCurve,
    own: FocusRun,
    runs: list[FocusRun],
    n: int,
    fit: FocusFit,
    predicted: float | None,
) -> None:
    """Fill in the record, the figure's arrays, doubts and words."""
    assert out.least_arcsec2 is not None  # noqa: S101 - the caller has set it
    points = [(run, *run.variance_arcsec2(n)) for run in runs]
    rest = GAUSS * np.sqrt(fit.rest_arcsec2)
    defocus = GAUSS * np.sqrt(out.least_arcsec2)
    shown = np.percentile(defocus, 2.275) > LEAST_SHOWN * float(np.median(rest))
    out.defocus = estimate(defocus) if shown else upper_limit(float(np.percentile(defocus, 97.725)))
    out.part = Focus(
        positions=[
            FocusPosition(name=run.name, position=run.position, fwhm_arcsec=_width(value, error))
            for run, value, error in points
        ],
        used_position=own.position,
        best_position=estimate(fit.best),
        rest_fwhm_arcsec=estimate(rest),
        slope_arcsec=estimate(fit.slope_arcsec),
        predicted_slope_arcsec=predicted,
        air_change=estimate(fit.air_scatter),
    )
    _arrays(out, points, fit)
    _doubts(out, runs, fit)
    best, width = out.part.best_position, out.defocus
    assert best is not None  # noqa: S101 - there are draws
    assert width is not None  # noqa: S101
    words = (
        f"{width.value:.2f} arcsec ({width.low:.2f} to {width.high:.2f})"
        if shown
        else f"below {width.high:.2f} arcsec (95 %)"
    )
    out.notes.append(
        f"{len(runs)} runs at several focus positions: best focus at {best.value:.6g} "
        f"({best.low:.6g} to {best.high:.6g}), this run at {own.position:.6g}; its defocus is "
        f"{words}, as a Gaussian FWHM. What is left at best focus is air and aberrations, which "
        "no focus curve can part."
    )
    if shown:
        out.steps.append(
            f"Refocus: move from {own.position:.6g} to {best.value:.6g} (in the unit of the "
            "recorded focus position) and measure again."
        )


def _width(variance: float, error: float) -> Estimate:
    """Return a variance with its error as a Gaussian FWHM."""
    ends = GAUSS * np.sqrt(np.maximum(variance + error * np.array([0, -1, 1, -2, 2]), 0.0))
    value, low, high, low95, high95 = map(float, ends)
    return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)


def _arrays(out: FocusCurve, points: list[tuple[FocusRun, float, float]], fit: FocusFit) -> None:
    position = np.array([run.position for run, _, _ in points])
    value = np.array([value for _, value, _ in points])
    # Each point may lie off the curve by its error and by its own air.
    spread = np.median(fit.air_scatter) * np.median(fit.rest_arcsec2)
    error = np.hypot([error for _, _, error in points], spread)
    low, high = position.min(), position.max()
    at = np.linspace(low - 0.1 * (high - low), high + 0.1 * (high - low), N_GRID)
    bands = np.percentile(fit.variance_arcsec2(at), (15.865, 50.0, 84.135), axis=1)
    out.arrays = {
        "focus_position": position,
        "focus_fwhm_arcsec": GAUSS * np.sqrt(np.maximum(value, 0.0)),
        "focus_fwhm_low_arcsec": GAUSS * np.sqrt(np.maximum(value - error, 0.0)),
        "focus_fwhm_high_arcsec": GAUSS * np.sqrt(np.maximum(value + error, 0.0)),
        "focus_curve_position": at,
    }
    for name, band in zip(("_low", "", "_high"), bands, strict=True):
        out.arrays[f"focus_curve{name}_arcsec"] = GAUSS * np.sqrt(band)


def _doubts(out: FocusCurve, runs: list[FocusRun], fit: FocusFit) -> None:
    position = np.array([run.position for run in runs])
    low, high = np.percentile(fit.best, (15.865, 84.135))
    if low < position.min() or high > position.max():
        out.warn(
            "focus-not-bracketed",
            "best focus is not shown to lie between the positions recorded: add runs on the "
            "far side of it",
        )
    changed = float(np.median(fit.air_scatter))
    if changed > LARGE_AIR_CHANGE:
        out.warn(
            "focus-air-changed",
            f"the air changed by about {100 * 0.6 * changed:.0f} % (as seeing) from run to "
            "run: take the focus positions within minutes, or more of them",
        )
    if not any(run.log_air is not None for run in runs):
        out.warn(
            "focus-air-unseen",
            "no focus run has a pair of stars that tells how its air differed: seeing is "
            "taken to change by about 15 % from run to run",
        )
