"""The focus curve of several runs: what of the instrument's width is defocus, and in which words.

The run that is measured is one point of the curve. Its own star then enters the joint fit as
well; that is no second use of it, since the curve leaves open how much of the rest is air.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.focus_astigmatism import Astigmatism, find_astigmatism
from blursplit.budget.focus_report import FocusCurve, describe_curve
from blursplit.budget.focus_runs import SHARE
from blursplit.budget.optics_data import ARCSEC, DefocusShape
from blursplit.estimate import axial_estimate, estimate, upper_limit
from blursplit.evidence.focus import FocusFit, fit_focus
from blursplit.turbulence.defocus import defocus_loss, equivalent_variance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.budget.air_data import Optics
    from blursplit.budget.focus_runs import FocusRun
    from blursplit.budget.optics_data import OpticsData

    FloatArray = NDArray[np.float64]

GAUSS = 2.354820045
FEWEST = 3
FEWEST_BASELINES = 4
# Of a predicted slope: focal length at focus, step of the focuser, and 2 to 10 % that simulated
# slopes fall short, since the air left in a registered star is worst where defocus is.
SLOPE_SIGMA = 0.1


def focus_curve(
    own: FocusRun,
    others: Sequence[FocusRun],
    optics: Optics,
    transfer: OpticsData,
    predicted: float | None,
    rng: np.random.Generator,
) -> FocusCurve:
    """Fit the focus curve and say what follows for the measured run.

    Parameters
    ----------
    own : FocusRun
        The measured run.
    others : sequence of FocusRun
    optics : Optics
    transfer : OpticsData
        Of the measured run, for the weights that the joint fit gives its baselines.
    predicted : float or None
        Slope [arcsec for each unit of position] by geometry.
    rng : numpy.random.Generator
    """
    out = FocusCurve()
    runs, n = _sharp_enough([own, *others], out)
    positions = len({run.position for run in runs})
    if own not in runs or positions < (FEWEST if predicted is None else FEWEST - 1):
        out.warn(
            "focus-few-positions",
            f"{positions} usable focus position{'' if positions == 1 else 's'}: a curve needs "
            "three (two, where telescope.focus_step_um and the focal length are known), the "
            "measured run's own among them, so nothing is taken from them",
        )
        return out
    telescope = {
        "aperture_m": optics.aperture_m,
        "wavelength_m": optics.wavelength_m,
        "obstruction": optics.obstruction,
    }
    sigma, loss = defocus_loss(SHARE[:n], **telescope)
    table = (sigma, equivalent_variance(loss, own.cycles_arcsec[:n]))
    fit = _fit(runs, n, table, predicted, rng, out)
    defocus = fit.defocus_arcsec(own.position)
    out.shape = _as_gaussian(transfer, telescope, float(np.median(defocus)))
    as_gaussian = (out.shape.sigma_arcsec, out.shape.variance_arcsec2)
    out.least_arcsec2 = np.interp(defocus, *as_gaussian)
    describe_curve(out, own, runs, n, fit, predicted)
    _add_astigmatism(out, find_astigmatism(runs, n, fit, rng), as_gaussian)
    return out


def _sharp_enough(runs: list[FocusRun], out: FocusCurve) -> tuple[list[FocusRun], int]:
    """Return the runs with enough contrast, and how many baselines all of them share."""
    kept = [run for run in runs if run.n_usable >= FEWEST_BASELINES]
    for run in runs:
        if run not in kept:
            out.warn(
                "focus-run-too-blurred",
                f"focus run '{run.name}' at {run.position:g} is too blurred, or its pixels "
                "too large, to be used",
            )
    return kept, min((run.n_usable for run in kept), default=0)


def _fit(
    runs: list[FocusRun],
    n: int,
    table: tuple[FloatArray, FloatArray],
    predicted: float | None,
    rng: np.random.Generator,
    out: FocusCurve,
) -> FocusFit:
    """Fit the curve; a predicted slope helps where the measured one does not contradict it."""
    measured = np.array([run.variance_arcsec2(n) for run in runs])
    air = np.array([(np.nan, np.nan) if run.log_air is None else run.log_air for run in runs])
    position = np.array([run.position for run in runs])

    def fitted(slope: tuple[float, float] | None) -> FocusFit:
        return fit_focus(
            position,
            measured[:, 0],
            measured[:, 1],
            loss=table,
            rng=rng,
            predicted_slope=slope,
            log_air=air[:, 0],
            log_air_error=air[:, 1],
        )

    if predicted is None:
        return fitted(None)
    known = (predicted, SLOPE_SIGMA)
    if len(np.unique(position)) < FEWEST:
        return fitted(known)
    free = fitted(None)
    low, high = np.percentile(free.slope_arcsec, (2.275, 97.725))
    if low < predicted * (1.0 + 2.0 * SLOPE_SIGMA) and high > predicted * (1.0 - 2.0 * SLOPE_SIGMA):
        return fitted(known)
    out.warn(
        "focus-slope-disagrees",
        f"the focus curve is {np.median(free.slope_arcsec) / predicted:.2g} times as steep as "
        "telescope.focus_step_um and the focal ratio predict: check both (a moving mirror "
        "shifts the focus by more than itself); the measured steepness is used",
    )
    return free


def _as_gaussian(
    transfer: OpticsData, telescope: dict[str, float], here_arcsec: float
) -> DefocusShape:
    """Tabulate the variance of the Gaussian that the joint fit would take a defocus for.

    The loss of the measured defocus departs from that Gaussian's over the baselines: it grows
    more slowly than f^2, almost like that of the air.

    Its level is nearly fixed and its baselines are weighted by their errors, so that the same
    defocus counts for more than in a slope with a free level.
    """
    sigma, loss = defocus_loss(transfer.baseline_m / telescope["aperture_m"], **telescope)
    x = 2.0 * np.pi**2 * transfer.frequency_rad2 / ARCSEC**2
    weight = np.linalg.solve(transfer.covariance, x)
    variance = np.asarray(loss @ weight / (weight @ x))
    row = int(np.clip(np.searchsorted(sigma, here_arcsec), 1, len(sigma) - 2))
    return DefocusShape(np.asarray(loss[row] / (variance[row] * x)), sigma, variance)


def _add_astigmatism(
    out: FocusCurve, found: Astigmatism | None, as_gaussian: tuple[FloatArray, FloatArray]
) -> None:
    """Add astigmatism to the least width where it is shown, else state its limit."""
    if found is None:
        return
    ratio = as_gaussian[1][1] / as_gaussian[0][1] ** 2
    width = GAUSS * np.sqrt(ratio * found.variance_arcsec2)
    if not found.is_shown:
        out.astigmatism = upper_limit(float(np.percentile(width, 97.725)))
        return
    assert out.least_arcsec2 is not None  # noqa: S101 - a curve was fitted
    assert out.part is not None  # noqa: S101
    out.astigmatism = estimate(width)
    out.least_arcsec2 = out.least_arcsec2 + ratio * found.variance_arcsec2
    out.part.astigmatism_angle_deg = axial_estimate(found.angle_deg)
    out.notes.append(
        "The stars' elongation turns by 90 degrees from one side of focus to the other: that "
        "part of it is astigmatism, neither motion nor wind."
    )
