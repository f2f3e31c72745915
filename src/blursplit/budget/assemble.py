"""The parts of the result that the split gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.air_table import N_GROUND
from blursplit.budget.lower_bound import lower_bound_j
from blursplit.estimate import Estimate, axial_estimate, estimate, upper_limit
from blursplit.result import (
    CONTRIBUTIONS,
    Atmosphere,
    InstrumentPart,
    PeriodicTerm,
    Structure,
    Tracking,
    Unassigned,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.drift import DriftDraws
    from blursplit.budget.facts import Facts
    from blursplit.budget.grid import GridData
    from blursplit.budget.joint import JointFit
    from blursplit.budget.split import Split
    from blursplit.motion import PairStatistics
    from blursplit.result import Contribution

    FloatArray = NDArray[np.float64]

ARCSEC = 206264.80625
GAUSS = 2.354820045
REFERENCE_M = 500e-9
# An rms of a twentieth of the width widens a star by less than one per cent (kernel q = 0.12).
LEAST_PRESENT = 0.05
CHI2_95 = 5.99  # two degrees of freedom


@dataclass(frozen=True)
class AirBounds:
    """Draws of J of the two bounds on the air; empty where there is no such evidence."""

    lower_j: FloatArray
    upper_j: FloatArray


def seeing_of(j: FloatArray, facts: Facts) -> FloatArray:
    """Return the seeing at 500 nm and zenith [arcsec] of r0^(-5/3) along the line of sight."""
    return 0.97586 * REFERENCE_M * ARCSEC / r0_zenith_m(j, facts)


def r0_zenith_m(j: FloatArray, facts: Facts) -> FloatArray:
    """Return r0 at 500 nm and zenith [m]."""
    assert facts.optics is not None  # noqa: S101 - there is no J without an aperture
    with np.errstate(divide="ignore"):
        r0 = np.asarray(j, dtype=np.float64) ** -0.6
    out: FloatArray = r0 * (REFERENCE_M / facts.optics.wavelength_m) ** 1.2 * facts.airmass**0.6
    return out


def atmosphere_part(
    fit: JointFit, split: Split, bounds: AirBounds, facts: Facts, evidence: list[str]
) -> Atmosphere:
    """Return what is known of the air."""
    lower = estimate(seeing_of(bounds.lower_j, facts)) if len(bounds.lower_j) else None
    upper = estimate(seeing_of(bounds.upper_j, facts)) if len(bounds.upper_j) else None
    heights = fit.model.table.height_m
    return Atmosphere(
        fwhm_arcsec=estimate(split.alone["atmosphere"]),
        seeing_500nm_zenith_arcsec=estimate(seeing_of(fit.j, facts)),
        r0_500nm_zenith_m=estimate(r0_zenith_m(fit.j, facts)),
        lower_seeing_arcsec=lower,
        upper_seeing_arcsec=upper,
        evidence=evidence,
        unseen_by_pairs_share=estimate(fit.unseen) if len(heights) > N_GROUND else None,
        unseen_below_m=float(heights[N_GROUND]) if len(heights) > N_GROUND else None,
        wind_m_s=estimate(fit.mean_wind_m_s()),
        motion_rms_arcsec=estimate(split.air_motion),
        saved_arcsec=_saved(split, "atmosphere"),
    )


def lower_bound_part(
    pairs: PairStatistics, grid: GridData, facts: Facts, rng: np.random.Generator
) -> Atmosphere:
    """Return what pairs of stars alone say of the air, where no budget can be drawn up."""
    optics, scale = facts.optics, facts.scale_arcsec
    assert optics is not None  # noqa: S101 - callers have checked
    assert scale is not None  # noqa: S101
    j = lower_bound_j(pairs, grid, optics, scale, rng)
    if not len(j):
        return Atmosphere()
    return Atmosphere(
        lower_seeing_arcsec=estimate(seeing_of(j, facts)), evidence=["motion of pairs"]
    )


def _saved(split: Split, part: Contribution) -> Estimate | None:
    without = split.without[frozenset({part})]
    return estimate(np.asarray(split.recorded) - without)


def _axes(covariance: FloatArray, facts: Facts) -> dict[str, Estimate | None]:
    """Estimates of the larger and smaller rms and their direction."""
    values, vectors = np.linalg.eigh(covariance)
    # A straight drift has no width across itself; rounding must not pass for one.
    values = np.where(values > 1e-8 * values[:, 1:], values, 0.0)
    rms = np.sqrt(np.clip(values, 0.0, None))
    angle = np.degrees(np.arctan2(vectors[:, 1, 1], vectors[:, 0, 1])) % 180.0
    round_ = (rms[:, 0] > 0.9 * rms[:, 1]).mean() > 0.5  # noqa: PLR2004 - no direction to speak of
    direction = None if round_ else axial_estimate(angle)
    sky = None
    on_sky = facts.position_angle_deg(angle)
    if direction is not None and on_sky is not None:
        sky = axial_estimate(on_sky)
    return {
        "rms_major_arcsec": estimate(rms[:, 1]),
        "rms_minor_arcsec": estimate(rms[:, 0]),
        "angle_deg": direction,
        "position_angle_deg": sky,
        "gaussian_equivalent_fwhm_arcsec": estimate(
            GAUSS * np.sqrt(0.5 * np.clip(values, 0.0, None).sum(axis=1))
        ),
    }


def structure_part(split: Split, facts: Facts, *, has_lines: bool) -> Structure:
    """Return the structure's part: an estimate where lines were found, else an upper limit."""
    if has_lines:
        return Structure(**_axes(split.structure, facts), saved_arcsec=_saved(split, "structure"))
    if split.silent is None:
        return Structure()
    kept = split.silent.kept[frozenset({"structure"})]
    return Structure(
        rms_major_arcsec=upper_limit(split.silent.rms_arcsec),
        saved_arcsec=upper_limit((1.0 - kept) * float(np.median(split.recorded))),
    )


def unassigned_part(split: Split, facts: Facts) -> Unassigned:
    """Return the shared motion whose cause is open; a limit where nothing stands out."""
    axes = _axes(split.unassigned, facts)
    major = axes["rms_major_arcsec"]
    least = LEAST_PRESENT * float(np.median(split.recorded))
    if major is not None and (major.low95 or 0.0) < least:
        axes["rms_major_arcsec"] = upper_limit(major.high95 or 0.0)
        axes["angle_deg"] = axes["position_angle_deg"] = None
    return Unassigned(**axes, saved_arcsec=_saved(split, "unassigned"))


def tracking_part(split: Split, drift: DriftDraws, facts: Facts) -> Tracking:
    """Return drift and drive terms."""
    rate = 60.0 * np.hypot(drift.rate_arcsec_s[:, 0], drift.rate_arcsec_s[:, 1])
    rate = _without_noise_floor(rate, 60.0 * drift.rate_arcsec_s)
    angle = np.degrees(np.arctan2(drift.rate_arcsec_s[:, 1], drift.rate_arcsec_s[:, 0])) % 180.0
    periodic = _periodic_terms(drift)
    axes, drift_rate, direction = (
        _axes(split.tracking, facts),
        estimate(rate),
        axial_estimate(angle),
    )
    is_fitted = any(term.amplitude_arcsec is not None for term in periodic)
    if not is_fitted and not _is_shown(drift.rate_arcsec_s):
        # The length of a vector is never zero; what is not shown is stated as a limit.
        limit = float(np.percentile(np.hypot(*drift.rate_arcsec_s.T), 97.7)) * 60.0
        drift_rate, direction = upper_limit(limit), None
        major = axes["rms_major_arcsec"]
        axes["rms_major_arcsec"] = upper_limit(0.0 if major is None else major.high95 or 0.0)
        axes["angle_deg"] = axes["position_angle_deg"] = None
    return Tracking(
        **axes,
        saved_arcsec=_saved(split, "tracking"),
        drift_arcsec_per_min=drift_rate,
        drift_angle_deg=direction,
        periodic=periodic,
    )


def _periodic_terms(drift: DriftDraws) -> list[PeriodicTerm]:
    """Return the declared periods; without an amplitude where less than a turn was seen."""
    terms = []
    for i, term in enumerate(drift.terms):
        vector = drift.amplitudes_arcsec[:, i]
        direction = None
        if vector.any():
            direction = axial_estimate(np.degrees(np.arctan2(vector[:, 1], vector[:, 0])) % 180.0)
        terms.append(
            PeriodicTerm(
                name=term.name,
                period_s=term.period_s / max(term.harmonic, 1),
                harmonic=max(term.harmonic, 1),
                amplitude_arcsec=estimate(np.hypot(*vector.T)) if term.harmonic else None,
                angle_deg=None if direction is None else direction.value,
                turns_covered=term.turns,
            )
        )
    return terms


def _is_shown(vector: FloatArray) -> bool:
    """Return whether draws of a vector (n, 2) exclude zero with 95 %."""
    mean = vector.mean(axis=0)
    covariance = np.cov(vector.T) + 1e-18 * np.eye(2)
    return bool(mean @ np.linalg.solve(covariance, mean) > CHI2_95)


def _without_noise_floor(rate: FloatArray, vector: FloatArray) -> FloatArray:
    """Shrink the length of a vector whose draws scatter about it.

    Each draw is the estimate plus its error, so the mean squared length of the draws exceeds
    that of the truth twice by the error's variance; one half is what the draws add.
    """
    scatter = float(np.sum(np.var(vector, axis=0)))
    out: FloatArray = np.sqrt(np.maximum(rate**2 - 2.0 * scatter, 0.0))
    return np.where(rate**2 > 3.0 * scatter, out, np.minimum(rate, np.sqrt(scatter)))


def instrument_part(split: Split, facts: Facts) -> InstrumentPart:
    """Return the instrument's own width."""
    optics = facts.optics
    assert optics is not None  # noqa: S101 - no split without optics
    diffraction = (1.029 - 0.17 * optics.obstruction) * optics.wavelength_m / optics.aperture_m
    return InstrumentPart(
        fwhm_arcsec=estimate(split.alone["instrument"]),
        diffraction_arcsec=diffraction * ARCSEC,
        pixel_arcsec=facts.scale_arcsec,
        dispersion_arcsec=GAUSS * float(np.sqrt(0.5 * np.trace(facts.dispersion)))
        if facts.dispersion_known
        else None,
        optics_from="star image alone" if facts.known_instrument_arcsec is None else "stated width",
        saved_arcsec=_saved(split, "instrument"),
    )


def share_estimates(split: Split) -> dict[str, Estimate | None]:
    """Return the shares of the width."""
    out: dict[str, Estimate | None] = {}
    for part in CONTRIBUTIONS:
        out[part] = estimate(split.share[part])
    structure = out["structure"]
    if split.silent is not None and structure is not None and structure.high95 is not None:
        high95 = max(structure.high95, split.silent.share)
        out["structure"] = structure.model_copy(update={"high95": high95})
    return out
