"""The published record of `blursplit pier`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from blursplit.constants import (
    ARCSEC_PER_RADIAN,
    PERCENTILES,
    PIER_ELEMENTS,
    PIER_MODEL_SIGMA,
    PIER_REST_SIGMA,
    VIBRATION_CLASSES_UM_S,
)
from blursplit.estimate import Estimate
from blursplit.pier.model import (
    ModeRow,
    StiffnessTable,
    build_pier,
    pier_modes,
    section_at,
    tilt_per_load,
)
from blursplit.pier.setup import PierSetup
from blursplit.pier.what_if import WhatIf, what_if
from blursplit.result import Document, Part
from blursplit.types import FloatArray

SCHEMA = "blursplit-pier/1"

STATEMENT = (
    "A model for naming peaks in a spectrum and for comparing ways to build; "
    "it is not a structural certification."
)
CAUTIONS: tuple[str, ...] = (
    "Strength, buckling, wind, snow, earthquake and frost are not looked at.",
    "Local codes and licensed practice decide what may be built and changed.",
    "Take the load off before bolts, welds or webs are changed; lift with gear rated for the mass.",
    "Switch off and unplug before drilling, welding or earthing work near cables.",
    "Check the ground for buried cables and pipes before digging.",
)
ASSUMPTIONS: tuple[str, ...] = (
    "Welds and clamped faces are rigid, plates press fully, nothing slips.",
    "Mount and telescope are rigid bodies; their own bending adds to the tilt.",
    f"Frequencies carry {100 * PIER_MODEL_SIGMA:.0f} % (one sigma, common practice), no more.",
)


class MeasuredFoot(Part):
    """What measured frequencies make of the model: how stiff the foot is, and what follows."""

    measured_hz: list[float]
    modes: list[str]
    base_tilt_nm_rad: Estimate
    tilt_at_axis_height_arcsec_n: Estimate
    design_tilt_at_axis_height_arcsec_n: float
    misfit_sigmas: float


class PierReport(Document):
    """What `blursplit pier` found."""

    schema_: str = Field(default=SCHEMA, alias="schema")
    height_m: float
    mass_kg: float
    modes: list[ModeRow]
    stiffness: StiffnessTable
    what_if: list[WhatIf]
    measured: MeasuredFoot | None = None
    statement: str = STATEMENT
    assumptions: list[str] = Field(default_factory=lambda: list(ASSUMPTIONS))
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))


def analyse_pier(setup: PierSetup, n_modes: int = 6) -> PierReport:
    """Return modes, stiffness and what-if rows of a declared pier.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.pier.report import analyse_pier
    >>> from blursplit.pier.setup import read_pier
    >>> from blursplit import Rig
    >>> setup = Rig.read(Path("column.toml")).setup
    >>> report = analyse_pier(read_pier(setup.pier, "column.toml"))
    >>> len(report.modes), round(report.height_m, 2)
    (6, 1.2)
    """
    model = build_pier(setup)
    return PierReport(
        height_m=setup.height_m,
        mass_kg=model.mass_kg,
        modes=pier_modes(model, n_modes),
        stiffness=tilt_per_load(model),
        what_if=what_if(setup),
        measured=_fit_foot(setup) if setup.measured_hz else None,
    )


def _fit_foot(setup: PierSetup) -> MeasuredFoot:
    """Return the rocking stiffness of the foot that explains the measured frequencies.

    The rocking spring between column and ground (or footing) runs over a grid from a thousandth to
    a thousand times the column's own stiffness, alike in every octave. Each measured frequency is
    held against the nearest mode; what a model misses once its foot is right is
    `PIER_REST_SIGMA`. Values are weighted quantiles.
    """
    lowest = setup.sections[0]
    own = section_at(lowest, 0.0, setup.webs, 0.0).ei_x_n_m2 / setup.height_m
    grid = np.geomspace(1e-3, 1e3, 49) * own
    measured = np.sort(setup.measured_hz)
    found, tilts = [], []
    for stiffness in grid:
        table = setup.model_dump() | {"base": {"tilt_nm_rad": float(stiffness)}}
        model = build_pier(type(setup).model_validate(table), PIER_ELEMENTS // 4)
        found.append(pier_modes(model, 6))
        tilts.append(tilt_per_load(model).worse_arcsec_n)
    fine = np.geomspace(grid[0], grid[-1], 2401)
    at, place = np.log(fine), np.log(grid)
    logs = np.array([[np.log(mode.frequency_hz) for mode in modes] for modes in found])
    modes_at = np.stack([np.interp(at, place, column) for column in logs.T])
    away = np.abs(np.log(measured)[:, None, None] - modes_at[None]).min(axis=1)
    costs = (away**2).sum(axis=0) / PIER_REST_SIGMA**2
    weight = np.exp(-0.5 * (costs - costs.min()))
    best = found[int(np.argmin(np.abs(place - at[int(np.argmin(costs))])))]
    kinds = [min(best, key=lambda mode: abs(mode.frequency_hz - f)).kind for f in measured]
    return MeasuredFoot(
        measured_hz=[float(f) for f in measured],
        modes=kinds,
        base_tilt_nm_rad=_weighted(fine, weight),
        tilt_at_axis_height_arcsec_n=_weighted(np.exp(np.interp(at, place, np.log(tilts))), weight),
        design_tilt_at_axis_height_arcsec_n=tilt_per_load(build_pier(setup)).worse_arcsec_n,
        misfit_sigmas=float(np.sqrt(costs.min() / measured.size)),
    )


def _weighted(values: FloatArray, weight: FloatArray) -> Estimate:
    """Return the weighted quantiles of a quantity on a grid."""
    order = np.argsort(values)
    share = np.cumsum(weight[order]) - 0.5 * weight[order]
    ends = np.exp(
        np.interp(np.array(PERCENTILES) / 100.0, share / weight.sum(), np.log(values[order]))
    )
    low95, low, value, high, high95 = (float(end) for end in ends)
    return Estimate(value=value, low=low, high=high, low95=low95, high95=high95)


@dataclass(frozen=True)
class HeadMotion:
    """A mode in the words of structural engineers."""

    # `displacement_um`, `velocity_um_s`: rms, at the stated lever from where the structure turns.
    displacement_um: Estimate
    velocity_um_s: Estimate
    # The strictest generic vibration criterion (rms velocity in third octaves) that this mode alone
    # keeps with its whole 95 % interval: VC-A (loosest) to VC-E, None where it keeps none.
    vibration_class: str | None


def head_motion(rms_arcsec: Estimate, frequency_hz: Sequence[float], lever_m: float) -> HeadMotion:
    """Return what a mode's image motion is at the head of a pier that turns about its foot.

    `rms_arcsec`: before the exposure averaged it; a value, no limit. `frequency_hz`: true
    frequencies that it may have, the likeliest first: the velocity's interval covers all.
    `lever_m`: from the axis of rotation to the head.

    Displacement = rotation x lever, velocity = 2 pi f x displacement, which leave out what the
    head shifts without turning. Classes by common practice.
    """
    size = lever_m * 1e6 / ARCSEC_PER_RADIAN
    turns = 2.0 * np.pi * np.array(frequency_hz)
    velocity = _times(rms_arcsec, size * turns.min(), size * turns[0], size * turns.max())
    fastest = velocity.high95 or np.inf
    kept = [name for name, limit in VIBRATION_CLASSES_UM_S.items() if fastest <= limit]
    return HeadMotion(_times(rms_arcsec, size, size, size), velocity, kept[-1] if kept else None)


def _times(one: Estimate, low: float, value: float, high: float) -> Estimate:
    """Return an estimate times a factor that lies between two ends."""
    ends = {"low": low, "low95": low, "value": value, "high": high, "high95": high}
    found = {name: getattr(one, name) for name in ends}
    return Estimate(**{k: None if v is None else float(v * ends[k]) for k, v in found.items()})
