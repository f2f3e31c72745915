"""Recorded widths of two sides as they would be in one and the same air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.campaign.background import r0_along_sight_m
from blursplit.campaign.compare_record import CommonAir
from blursplit.campaign.estimates import from_draws, mean_of_sides, quantile
from blursplit.constants import BETWEEN_WIDTHS, FALLBACK_APERTURE_M, FWHM_PER_SIGMA
from blursplit.definitions import Conditions, History, width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from blursplit.estimate import Estimate
    from blursplit.result import Result


def width_at_common_air(
    before: Sequence[Result], after: Sequence[Result], *, rng: np.random.Generator
) -> CommonAir | None:
    """Return the recorded width of both sides predicted for the mean air of all runs.

    Each run's recorded width is multiplied by model(common air)/model(its own air). The model is
    the optical transfer function of telescope, air, instrument and the run's own mechanical
    motion, so that a run with strong shake answers less to a change of the air than a quiet one.

    Parameters
    ----------
    before, after : sequence of Result
    rng : numpy.random.Generator

    Returns
    -------
    CommonAir or None
        None when a side has no run with both a recorded width and a seeing.
    """
    sides = [[r for r in side if _usable(r)] for side in (before, after)]
    if not (sides[0] and sides[1]):
        return None
    seeings = [r.atmosphere.seeing_500nm_zenith_arcsec for side in sides for r in side]
    common = float(np.exp(np.mean([np.log(quantile(s, 0.0)) for s in seeings if s])))
    moved = [[_moved(r, common, rng) for r in side] for side in sides]
    draws = mean_of_sides(moved[0], moved[1], rng, scatter=BETWEEN_WIDTHS)
    difference = draws.after - draws.before
    assumed = sorted({a for side in sides for r in side for a in _assumed(r)})
    method = "recorded width times the ratio of modelled widths in the common and in its own air"
    if assumed:
        method += "; assumed: " + ", ".join(assumed)
    return CommonAir(
        seeing_500nm_zenith_arcsec=common,
        before_arcsec=from_draws(draws.before),
        after_arcsec=from_draws(draws.after),
        difference_arcsec=from_draws(difference),
        probability_smaller=float(np.mean(difference < 0)),
        method=method,
    )


def _usable(result: Result) -> bool:
    recorded = result.fwhm.recorded_arcsec
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    return (
        recorded is not None
        and recorded.value is not None
        and seeing is not None
        and seeing.value is not None
    )


def _moved(result: Result, common_seeing: float, rng: np.random.Generator) -> Estimate:
    """Return the recorded width of a run moved to the common air, with both uncertainties."""
    seeing = result.atmosphere.seeing_500nm_zenith_arcsec
    recorded = result.fwhm.recorded_arcsec
    assert seeing is not None  # noqa: S101 - checked by _usable
    assert recorded is not None  # noqa: S101
    ends = quantile(seeing, np.array([-2.5, 2.5]))
    grid = np.geomspace(min(ends[0], common_seeing) * 0.98, max(ends[1], common_seeing) * 1.02, 9)
    widths = np.array([model_fwhm_arcsec(result, s) for s in grid])
    at_common = np.interp(np.log(common_seeing), np.log(grid), np.log(widths))
    own = quantile(seeing, np.clip(rng.standard_normal(4000), -2.5, 2.5))
    at_own = np.interp(np.log(own), np.log(grid), np.log(widths))
    own_width = quantile(recorded, rng.standard_normal(4000))
    return from_draws(own_width * np.exp(at_common - at_own))


def model_fwhm_arcsec(result: Result, seeing_500nm_zenith_arcsec: float) -> float:
    """Return the modelled long-exposure width of a run in a given air.

    Parameters
    ----------
    result : Result
        Gives aperture, wavelength, airmass, outer scale, instrument width and the covariance of
        all mechanical motion over the blur time.
    seeing_500nm_zenith_arcsec : float

    Returns
    -------
    float
        Diameter of the circle with the area above half maximum [arcsec].

    Notes
    -----
    The width of `blursplit.definitions`, motions entering as Gaussians of their covariance: the
    paths are not in the record; harmless in a ratio.
    """
    aperture = float(_value(result, "aperture_m", FALLBACK_APERTURE_M))
    outer = _value(result, "outer_scale_m", [10.0, 50.0])
    wavelength = result.sequence.wavelength_m or 550e-9
    r0 = r0_along_sight_m(seeing_500nm_zenith_arcsec, wavelength, result.sequence.airmass or 1.0)
    xx, xy, yy = motion_covariance_arcsec2(result)
    optics = _middle(result.instrument.optics_fwhm_arcsec) / FWHM_PER_SIGMA
    return width(
        History(
            Conditions(
                aperture,
                float(_value(result, "obstruction", 0.0)),
                wavelength,
                float(_value(result, "pixel_scale_arcsec", 1e-3)),
            ),
            np.zeros(1),
            np.zeros(1, dtype=np.int64),
            inside_arcsec2={"open": np.array([[xx, xy], [xy, yy]])},
            strength=r0 ** (-5.0 / 3.0),
            outer_scale_m=float(np.sqrt(outer[0] * outer[1])),
            optics_arcsec2=optics**2 * np.eye(2),
        )
    )


def motion_covariance_arcsec2(result: Result) -> tuple[float, float, float]:
    """Return xx, xy and yy of tracking, structure and open motion together."""
    total = np.zeros(3)
    open_ = result.open
    for larger, smaller, direction in (
        (
            result.tracking.rms_major_arcsec,
            result.tracking.rms_minor_arcsec,
            result.tracking.angle_deg,
        ),
        (
            result.structure.rms_major_arcsec,
            result.structure.rms_minor_arcsec,
            result.structure.angle_deg,
        ),
        (open_.motion_rms_major_arcsec, open_.motion_rms_minor_arcsec, open_.angle_deg),
    ):
        major, minor, angle = _middle(larger), _middle(smaller), np.deg2rad(_middle(direction))
        c, s = np.cos(angle), np.sin(angle)
        total += [
            (major * c) ** 2 + (minor * s) ** 2,
            (major**2 - minor**2) * c * s,
            (major * s) ** 2 + (minor * c) ** 2,
        ]
    return float(total[0]), float(total[1]), float(total[2])


def _middle(estimate: Estimate | None) -> float:
    # An upper limit is no motion that was seen.
    return 0.0 if estimate is None or estimate.value is None else estimate.value


def _value(result: Result, key: str, otherwise: Any) -> Any:
    entry = result.setup.get(key)
    return otherwise if entry is None or entry.value is None else entry.value


def _assumed(result: Result) -> list[str]:
    if result.setup.get("aperture_m") is None:
        return [f"aperture {FALLBACK_APERTURE_M} m"]
    return []
