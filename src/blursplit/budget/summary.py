"""Readings of the histories, and the parts of the result that they make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.budget.fit import AirFit
from blursplit.budget.histories import DriveDraws
from blursplit.definitions import (
    CAUSES,
    CURES,
    OWNERS,
    STEADY,
    Conditions,
    History,
    in_windows,
    motion_covariance,
    savings,
    shares,
    width,
)
from blursplit.drive.terms import DriveTerm
from blursplit.estimate import (
    Estimate,
    axial_estimate,
    estimate,
    estimate_between,
    limit,
)
from blursplit.facts import Facts
from blursplit.result import (
    Atmosphere,
    Fwhm,
    InstrumentPart,
    Open,
    PeriodicTerm,
    Structure,
    Tracking,
)
from blursplit.types import FloatArray


@dataclass(frozen=True)
class Readings:
    """What the definitions read off the histories, one row a draw."""

    width_arcsec: FloatArray  # (n,): modelled FWHM with everything
    base_arcsec: float  # FWHM of the base alone
    # By cure, (n, 2): fraction of the width saved, in the low and in the high
    # reading.
    saving: dict[str, FloatArray]
    # By owner, (n, 2, 2): covariance inside windows of the blur time.
    motion_arcsec2: dict[str, FloatArray]
    # (n, 2, 2): constant blur that may as well be a steady vibration inside the frames.
    steady_arcsec2: FloatArray
    # Cause to its mean share of the width above the base; None where not read off.
    share: dict[str, float | None]
    # `air_arcsec`, `optics_arcsec`: (n,): FWHM of all the air alone, and of the optics beyond the
    # base as a Gaussian.
    air_arcsec: FloatArray
    optics_arcsec: FloatArray


def read_off(runs: Sequence[History], blur_time_s: float, *, with_shares: bool = True) -> Readings:
    """Read every number off every history; shares decide nothing and may be left out."""
    seen = [in_windows(run, blur_time_s) for run in runs]
    saved = [savings(run) for run in seen]
    some = seen[:: max(1, len(seen) // const.N_SHARES)]
    parts = [shares(run) for run in some] if with_shares else []
    optics = np.array([np.trace(run.optics_arcsec2) for run in seen])
    return Readings(
        width_arcsec=np.array([width(run) for run in seen]),
        base_arcsec=width(seen[0], {*CAUSES, STEADY}),
        saving={cure: np.array([s[cure] for s in saved]) for cure in CURES},
        motion_arcsec2={
            owner: np.array([motion_covariance(run, owner) for run in seen]) for owner in OWNERS
        },
        steady_arcsec2=np.array(
            [
                run.optics_may_shake * run.optics_arcsec2 + motion_covariance(run, STEADY)
                for run in seen
            ]
        ),
        share={
            cause: float(np.mean([p[cause] for p in parts])) if parts else None for cause in CAUSES
        },
        air_arcsec=np.array([_air_alone(run) for run in seen]),
        optics_arcsec=const.FWHM_PER_SIGMA * np.sqrt(0.5 * optics),
    )


def _air_alone(run: History) -> float:
    """Return the width that the air alone makes, through a telescope that adds nothing to it."""
    if run.strength + run.near_strength <= 0:
        return 0.0
    return width(
        History(
            Conditions(100.0, 0.0, run.conditions.wavelength_m, 1e-3),
            run.time_s[:1],
            run.segment[:1],
            strength=run.strength,
            outer_scale_m=run.outer_scale_m,
            near_strength=run.near_strength,
            near_outer_scale_m=run.near_outer_scale_m,
        )
    )


# --- parts of the result --------------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    """Which causes the record shows, each by evidence of its own."""

    tracking: bool = False
    structure: bool = False
    near_air: bool = False
    optics: bool = False


def saving_parts(
    readings: Readings, cure: str, recorded: Estimate | None, *, shown: bool
) -> dict[str, Estimate | None]:
    """Return what a cure saves, as arcsec of the measured width and as a fraction.

    A limit where the cause is not shown and saving nothing is not excluded, of all draws: so it is
    below what is worth a cure just where the answer is no. A cause that may be absent has an even
    chance beforehand (`HIDDEN_MODE_CHANCE`, `FIT_NEAR_ABSENT`); more is said by the frames.
    """
    low, high = readings.saving[cure].T
    fraction = estimate_between(low, high)
    if fraction is not None and not shown and (fraction.low95 or 0.0) < const.SHOWN_SHARE:
        fraction = limit(np.maximum(high, 0.0))
    return {
        "saving_fraction": fraction,
        "saving_arcsec": None if recorded is None else _part_of_width(fraction, recorded),
    }


def _part_of_width(part: Estimate | None, recorded: Estimate) -> Estimate | None:
    """Return a part of the measured width.

    The errors of both add in squares, each side by itself; a limit is of the width as measured.
    """
    if part is None or recorded.value is None:
        return None
    width = recorded.value
    if part.value is None:
        return part.times(width)
    value = width * part.value
    out = {}
    for sign, name, other in (
        (-1.0, "low", "high"),
        (1.0, "high", "low"),
        (-1.0, "low95", "high95"),
        (1.0, "high95", "low95"),
    ):
        wider = getattr(recorded, name if part.value > 0 else other) - width
        more = getattr(part, name) - part.value
        out[name] = value + sign * float(np.hypot(wider * part.value, more * width))
    return Estimate(value=value, **out)


def _without(readings: Readings, cure: str, recorded: Estimate) -> Estimate | None:
    """Return the width that would have been recorded without a cause."""
    low, high = readings.saving[cure].T
    left = estimate_between(np.maximum(1.0 - high, 0.0), np.maximum(1.0 - low, 0.0))
    width = _part_of_width(left, recorded)
    if width is None or width.low95 is None or width.low is None:
        return width
    # Where the stars of a field that turns differ as much as they are wide, the errors add up to
    # more than there is.
    return width.model_copy(update={"low": max(width.low, 0.0), "low95": max(width.low95, 0.0)})


def _axes(covariance: FloatArray, facts: Facts) -> dict[str, Estimate | None]:
    """Return the larger and smaller rms and their direction."""
    values, vectors = np.linalg.eigh(covariance)
    # A straight drift has no width across itself; rounding must not pass for one.
    values = np.where(values > 1e-8 * values[:, 1:], values, 0.0)
    rms = np.sqrt(np.clip(values, 0.0, None))
    angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180.0
    is_round = np.mean(rms[:, 0] > const.ROUND_RATIO * rms[:, 1]) > 0.5  # noqa: PLR2004 - in most draws
    direction = None if is_round else axial_estimate(angle)
    on_sky = facts.position_angle_deg(angle)
    return {
        "rms_major_arcsec": estimate(rms[:, 1]),
        "rms_minor_arcsec": estimate(rms[:, 0]),
        "angle_deg": direction,
        "position_angle_deg": None
        if direction is None or on_sky is None
        else axial_estimate(on_sky),
    }


def _limited(part: dict[str, Estimate | None], high: FloatArray) -> dict[str, Estimate | None]:
    """Turn a size that is not shown into a limit without a direction."""
    values = np.sqrt(np.clip(np.linalg.eigvalsh(high)[:, 1], 0.0, None))
    return {**dict.fromkeys(part), "rms_major_arcsec": limit(values)}


def structure_part(
    readings: Readings,
    facts: Facts,
    recorded: Estimate | None,
    *,
    shown: bool,
    undetected: tuple[float, tuple[float, float]] | None,
) -> Structure:
    """Return the structure's part.

    The low reading is what is known to be structure, the high one counts open motion and a steady
    vibration inside the frames too; where nothing is shown, a limit that includes these and a mode
    of the size that the search could have missed.
    """
    own, open_ = readings.motion_arcsec2["structure"], readings.motion_arcsec2["open"]
    part = _axes(own, facts)
    if shown:
        _reach_up(part, _axes(own + open_ + readings.steady_arcsec2, facts))
    else:
        missed = 0.0 if undetected is None else undetected[0]
        # most vibrations have one axis, and all of a constant blur may be along it
        steady = np.trace(readings.steady_arcsec2, axis1=1, axis2=2)
        hidden = (steady + missed**2)[:, None, None] * np.diag([1.0, 0.0])
        there = steady > 0  # no chance given to its absence makes a limit small
        part = _limited(part, (open_ + hidden)[there if there.any() else slice(None)])
    return Structure(
        **part,
        **saving_parts(readings, "structure", recorded, shown=shown),
        share=readings.share["structure"],
        undetected_rms_arcsec=None if undetected is None else undetected[0],
        band_hz=None if undetected is None else undetected[1],
    )


def _reach_up(part: dict[str, Estimate | None], larger: dict[str, Estimate | None]) -> None:
    """Let the sizes of a part reach up to those of the high reading."""
    for name in ("rms_major_arcsec", "rms_minor_arcsec"):
        low, high = part[name], larger[name]
        if low is not None and high is not None and low.value is not None:
            part[name] = low.model_copy(update={"high": high.high, "high95": high.high95})


def open_part(readings: Readings, facts: Facts, band_hz: tuple[float, float] | None) -> Open:
    """Return the motion, and the constant blur, whose owner stays open."""
    covariance = readings.motion_arcsec2["open"]
    part = _axes(covariance, facts)
    major = part["rms_major_arcsec"]
    if major is None or (major.low95 or 0.0) < const.SHOWN_SHARE * float(
        np.median(readings.width_arcsec)
    ):
        part = _limited(part, covariance)
    return Open(
        motion_rms_major_arcsec=part["rms_major_arcsec"],
        motion_rms_minor_arcsec=part["rms_minor_arcsec"],
        angle_deg=part["angle_deg"],
        band_hz=band_hz,
        share=readings.share["open"],
    )


def tracking_part(
    readings: Readings, drive: DriveDraws, facts: Facts, recorded: Estimate | None, *, shown: bool
) -> Tracking:
    """Return drift and drive terms; the high reading counts open motion too."""
    vector = 60.0 * drive.rate_arcsec_s
    rate = np.hypot(*vector.T)
    own, open_ = readings.motion_arcsec2["tracking"], readings.motion_arcsec2["open"]
    part = _axes(own, facts)
    drifts = is_shown(vector)
    direction = axial_estimate(np.degrees(np.arctan2(*vector.T[::-1])) % 180) if drifts else None
    if shown:
        _reach_up(part, _axes(own + open_, facts))
    else:
        part = _limited(part, own + open_)
    return Tracking(
        **part,
        **saving_parts(readings, "tracking", recorded, shown=shown),
        share=readings.share["tracking"],
        drift_arcsec_per_min=estimate(rate) if drifts else limit(rate),
        drift_angle_deg=direction,
        periodic=[_periodic_term(drive, i, term) for i, term in enumerate(drive.terms)],
    )


def _periodic_term(drive: DriveDraws, i: int, term: DriveTerm) -> PeriodicTerm:
    both = drive.periodic_arcsec[:, i]  # (n, cosine and sine, x and y)
    covariance = np.einsum("nki,nkj->nij", both, both)
    values, vectors = np.linalg.eigh(covariance)
    direction = axial_estimate(np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180.0)
    amplitude = np.sqrt(values[:, 1])
    shown = any(is_shown(both[:, :, axis]) for axis in range(2))
    return PeriodicTerm(
        name=term.name,
        period_s=term.period_s / max(term.harmonic, 1),
        harmonic=max(term.harmonic, 1),
        amplitude_arcsec=estimate(amplitude) if shown else limit(amplitude),
        angle_deg=None if direction is None else direction.value,
        turns_covered=term.turns,
    )


def is_shown(vector: FloatArray) -> bool:
    """Return whether draws of a vector (n, 2) exclude zero with 99 %."""
    mean = vector.mean(axis=0)
    covariance = np.cov(vector.T) + 1e-18 * np.eye(2)
    return bool(mean @ np.linalg.solve(covariance, mean) > const.SHOWN_CHI2)


def _r0_zenith_m(strength: FloatArray, facts: Facts) -> FloatArray:
    """Return r0 at 500 nm and zenith [m] of r0^(-5/3) along the line of sight."""
    assert facts.optics is not None  # noqa: S101 - there is no strength without an aperture
    with np.errstate(divide="ignore"):
        r0 = np.asarray(strength, dtype=np.float64) ** -0.6
    factor = (const.SEEING_WAVELENGTH_M / facts.optics.wavelength_m) ** 1.2 * facts.airmass**0.6
    return np.asarray(r0 * factor)


def seeing_of(strength: FloatArray, facts: Facts) -> FloatArray:
    """Return the seeing at 500 nm and zenith [arcsec]."""
    scale = const.SEEING_IN_LAMBDA_OVER_R0 * const.SEEING_WAVELENGTH_M * const.ARCSEC_PER_RADIAN
    return np.asarray(scale / _r0_zenith_m(strength, facts))


def atmosphere_part(
    fit: AirFit,
    readings: Readings,
    facts: Facts,
    bounds: Mapping[str, FloatArray],
    recorded: Estimate | None,
    evidence: list[str],
) -> Atmosphere:
    """Return what is known of the air: the seeing is that of the air outside."""
    heights = fit.model.table.height_m
    unseen = 1.0 - fit.state.j_high.sum(axis=1) / (fit.j_outside + fit.j_near)
    return Atmosphere(
        fwhm_arcsec=estimate(readings.air_arcsec),
        seeing_500nm_zenith_arcsec=estimate(seeing_of(fit.j_outside, facts)),
        r0_500nm_zenith_m=estimate(_r0_zenith_m(fit.j_outside, facts)),
        lower_seeing_arcsec=estimate(seeing_of(bounds["lower"], facts)),
        upper_seeing_arcsec=estimate(seeing_of(bounds["upper"], facts)),
        evidence=evidence,
        unseen_by_pairs_share=estimate(unseen) if len(heights) else None,
        unseen_below_m=float(heights[0]) if len(heights) else None,
        wind_m_s=estimate(fit.mean_wind_m_s()),
        motion_rms_arcsec=estimate(fit.one_star_motion_arcsec()),
        share=readings.share["atmosphere"],
        **saving_parts(readings, "atmosphere", recorded, shown=True),
    )


def instrument_part(
    readings: Readings,
    facts: Facts,
    recorded: Estimate | None,
    *,
    optics_from: str | None,
    shown: bool,
) -> InstrumentPart:
    """Return the base and the optics beyond it."""
    optics = facts.optics
    assert optics is not None  # noqa: S101 - callers have histories, which need an aperture
    diffraction = (
        (const.AIRY_FWHM - 0.17 * optics.obstruction) * optics.wavelength_m / optics.aperture_m
    )
    return InstrumentPart(
        base_fwhm_arcsec=readings.base_arcsec,
        optics_fwhm_arcsec=(estimate if shown else limit)(readings.optics_arcsec),
        optics_from=optics_from,
        diffraction_arcsec=diffraction * const.ARCSEC_PER_RADIAN,
        pixel_arcsec=facts.scale_arcsec,
        dispersion_arcsec=const.FWHM_PER_SIGMA * float(np.sqrt(0.5 * np.trace(facts.dispersion)))
        if facts.dispersion_known
        else None,
        share=readings.share["optics"],
        **saving_parts(readings, "optics", recorded, shown=shown),
    )


def with_cures(fwhm: Fwhm, readings: Readings) -> Fwhm:
    """Add the widths without each cause to the measured ones."""
    recorded = fwhm.recorded_arcsec
    if recorded is None:
        return fwhm
    cures = {"tracking": "tracking", "structure": "structure", "both": "mechanics"}
    without = {
        f"without_{name}_arcsec": _without(readings, cure, recorded) for name, cure in cures.items()
    }
    return fwhm.model_copy(update={"method": "both", **without})
