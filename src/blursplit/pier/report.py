"""The published record of `blursplit pier`, with what single changes to the pier would do."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from pydantic import Field, ValidationError

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.pier.model import (
    DOF,
    SHIFT_X,
    TURN_X,
    TURN_Y,
    TURN_Z,
    ModeRow,
    PierModel,
)
from blursplit.pier.setup import PierSetup
from blursplit.result import Document, Part
from blursplit.rig import StrictTable
from blursplit.types import FloatArray


class _WhatIf(Part):
    """One change and what it does; null where it does not apply."""

    change: str  # what is built differently
    # Tilt for a force at the height of the mount's axes, the worse direction.
    tilt_at_axis_height_arcsec_n: float | None
    tilt_ratio: float | None  # new tilt over old tilt
    first_frequency_hz: float | None
    frequency_ratio: float | None
    mass_change_kg: float | None
    note: str  # why the row does not apply, or what it assumes


_FOUND = (
    "tilt_at_axis_height_arcsec_n",
    "tilt_ratio",
    "first_frequency_hz",
    "frequency_ratio",
    "mass_change_kg",
)


class _DoesNotApply(Exception):  # noqa: N818 - not an error, the reason for an empty row
    """The change makes no sense on this pier; says why."""


def _what_if(setup: PierSetup) -> list[_WhatIf]:
    """Return the table of single changes for a declared pier."""
    old_tilt, old_frequency, old_mass = _judge(setup)
    rows = []
    for change, make in CHANGES.items():
        found: tuple[float | None, ...] = (None,) * 5
        try:
            new, note = make(setup)
        except _DoesNotApply as reason:
            note = str(reason)
        else:
            tilt, frequency, mass = _judge(new)
            found = tilt, tilt / old_tilt, frequency, frequency / old_frequency, mass - old_mass
        rows.append(_WhatIf(change=change, note=note, **dict(zip(_FOUND, found, strict=True))))
    return rows


class _StiffnessTable(Part):
    """Rotation of the mount's foot under unit loads."""

    # For a force at the tip along x and along y.
    tilt_x_arcsec_n: float
    tilt_y_arcsec_n: float
    # For a force at the height of the mount's axes, as wind on the telescope.
    tilt_at_axis_height_x_arcsec_n: float
    tilt_at_axis_height_y_arcsec_n: float
    # For a moment in the x-z and the y-z plane, and about z.
    tilt_x_arcsec_nm: float
    tilt_y_arcsec_nm: float
    twist_arcsec_nm: float
    # Shift of the tip for a force there; moves no star, given for comparison with a gauge.
    deflection_x_um_n: float
    deflection_y_um_n: float
    # Part of `tilt_at_axis_height_x_arcsec_n` that arises in the foot, the column and the head.
    tilt_shares: dict[str, float]

    @property
    def worse_arcsec_n(self) -> float:
        """Tilt for a force at the height of the axes, the worse direction."""
        return max(self.tilt_at_axis_height_x_arcsec_n, self.tilt_at_axis_height_y_arcsec_n)


def _tilt_per_load(model: PierModel) -> _StiffnessTable:
    """Return how far the mount tilts for unit loads.

    The image of a star moves with the rotation of the optical axis, not with its shift; by the
    whole of it when the telescope points at right angles to the axis of rotation, by none of it
    when it points along that axis.
    """
    frame, at = model.frame, DOF * model.tip

    def respond(**loads: float) -> FloatArray:
        load = np.zeros(DOF * frame.n_nodes)
        places = {"fx": SHIFT_X, "fy": SHIFT_X + 1, "mx": TURN_X, "my": TURN_Y, "mz": TURN_Z}
        for name, value in loads.items():
            load[at + places[name]] = value
        return frame.solve(load)

    h = model.axis_height_m
    force_x, force_y = respond(fx=1.0), respond(fy=1.0)
    wind_x, wind_y = respond(fx=1.0, my=h), respond(fy=1.0, mx=-h)
    foot, top, tip = (wind_x[DOF * node + TURN_Y] for node in (model.foot, model.top, model.tip))
    per_moment = [respond(**{name: 1.0})[at:] for name in ("mx", "my", "mz")]
    turns = {
        "tilt_x_arcsec_n": force_x[at + TURN_Y],
        "tilt_y_arcsec_n": -force_y[at + TURN_X],
        "tilt_at_axis_height_x_arcsec_n": tip,
        "tilt_at_axis_height_y_arcsec_n": -wind_y[at + TURN_X],
        "tilt_x_arcsec_nm": per_moment[1][TURN_Y],
        "tilt_y_arcsec_nm": per_moment[0][TURN_X],
        "twist_arcsec_nm": per_moment[2][TURN_Z],
    }
    parts = {"foot": foot, "column": top - foot, "head": tip - top}
    return _StiffnessTable(
        **{name: float(turn) * const.ARCSEC_PER_RADIAN for name, turn in turns.items()},
        deflection_x_um_n=float(force_x[at + SHIFT_X]) * 1e6,
        deflection_y_um_n=float(force_y[at + SHIFT_X + 1]) * 1e6,
        tilt_shares={name: float(part / tip) for name, part in parts.items()},
    )


def _judge(setup: PierSetup) -> tuple[float, float, float]:
    model = PierModel.of(setup)
    return _tilt_per_load(model).worse_arcsec_n, model.modes(1)[0].frequency_hz, model.mass_kg


def _change(setup: PierSetup, **updates: Any) -> PierSetup:
    """Return a copy with tables replaced and checked again."""
    try:
        return type(setup).model_validate({**setup.model_dump(), **updates})
    except ValidationError as error:
        raise _DoesNotApply("no room for it on this pier") from error


def _scaled(table: StrictTable, factor: float, *keys: str) -> dict[str, Any]:
    """Return a table with those of its numbers that are given times a factor."""
    given = table.model_dump()
    return given | {key: given[key] * factor for key in keys if given[key] is not None}


def _thicken_wall(setup: PierSetup) -> tuple[PierSetup, str]:
    """Make every wall thicker, at the same outer size."""
    factor = const.PIER_WALL_FACTOR
    sections = [_scaled(one, factor, "wall_m", "wall_top_m") for one in setup.sections]
    if all(section.wall_m is None for section in setup.sections):
        raise _DoesNotApply("the column is solid")
    return _change(setup, sections=sections), f"walls x {factor:g}, same outer size"


def _widen_base(setup: PierSetup) -> tuple[PierSetup, str]:
    """Put the bolts on a wider circle, with the webs' feet and the plate following."""
    if setup.base is None:
        raise _DoesNotApply("no base is declared")
    factor = const.PIER_BASE_FACTOR
    if setup.base.bolt_circle_m is None:
        base = _scaled(setup.base, factor**2, "tilt_nm_rad")
        return _change(setup, base=base), f"rocking stiffness x {factor**2:g} (radius squared)"
    old = setup.base.bolt_circle_m
    base = _scaled(setup.base, factor, "bolt_circle_m")
    # A plate that spans further must be thicker or it eats the gain: same strip stiffness.
    foot = setup.sections[0].at("outer" if setup.sections[0].is_round else "width", 0.0) / 2.0
    reach = setup.webs.reach_foot_m if setup.webs is not None else 0.0
    overhang = old / 2.0 - foot - reach
    note = f"bolt circle x {factor:g}"
    updates: dict[str, Any] = {"base": base}
    grown = (factor - 1.0) * old / 2.0
    if setup.webs is not None:
        updates["webs"] = setup.webs.model_dump() | {"reach_foot_m": reach + grown}
        note += ", webs' feet moved out with it"
    elif overhang > 0.0:
        base["plate_thickness_m"] *= (overhang + grown) / overhang
        note += f", plate {base['plate_thickness_m'] * 1e3:.0f} mm to span it"
    return _change(setup, **updates), note


def _widen_footing(setup: PierSetup) -> tuple[PierSetup, str]:
    """Pour a wider block."""
    if setup.footing is None:
        raise _DoesNotApply("no footing is declared")
    factor = const.PIER_FOOTING_FACTOR
    block = _scaled(setup.footing, factor, "width_m", "depth_m")
    return _change(setup, footing=block), f"footing {factor:g} x as wide both ways"


def _raise_webs(setup: PierSetup) -> tuple[PierSetup, str]:
    """Carry the webs to the top of the column."""
    if setup.webs is None:
        if not all(section.is_round for section in setup.sections):
            raise _DoesNotApply("webs are modelled on round sections only")
        thickness = min(section.wall_m or 0.0 for section in setup.sections)
        if thickness <= 0.0:
            raise _DoesNotApply("the column is solid")
        reach = 0.5 * setup.sections[0].at("outer", 0.0)
        webs: dict[str, Any] = {"count": 4, "thickness_m": thickness, "height_m": setup.height_m}
        webs |= {"reach_foot_m": reach, "reach_top_m": 0.0}
        return _change(setup, webs=webs), f"four webs, {reach * 1e3:.0f} mm wide at the foot"
    if math.isclose(setup.webs.height_m, setup.height_m):
        raise _DoesNotApply("the webs reach the top already")
    webs = setup.webs.model_dump() | {"height_m": setup.height_m}
    return _change(setup, webs=webs), "same webs, stretched to the top"


def _shorten_parallel(setup: PierSetup) -> tuple[PierSetup, str]:
    """Shorten the column until little parallel pipe stands above the webs, or by a quarter."""
    webs_end = setup.webs.height_m if setup.webs is not None else 0.0
    bare = setup.height_m - webs_end
    last = setup.sections[-1]
    if bare <= const.PIER_PARALLEL_LIMIT_M:
        raise _DoesNotApply("hardly any parallel pipe stands above the webs")
    cut = 0.25 * setup.height_m if setup.webs is None else bare - const.PIER_PARALLEL_LIMIT_M
    cut = min(cut, 0.9 * last.length_m)
    sections = [section.model_dump() for section in setup.sections]
    sections[-1]["length_m"] = last.length_m - cut
    return _change(setup, sections=sections), f"column {cut:.2f} m lower"


def _drop_head(setup: PierSetup) -> tuple[PierSetup, str]:
    """Bolt the mount straight to the column's top plate."""
    if setup.head is None:
        raise _DoesNotApply("there is no levelling head on studs")
    return _change(setup, head=None), "mount bolted flat to the column's top"


def _shorten_rods(setup: PierSetup) -> tuple[PierSetup, str]:
    """Halve the free length of the anchor rods."""
    if setup.base is None or setup.base.bolt_circle_m is None:
        raise _DoesNotApply("no bolts are declared")
    base = _scaled(setup.base, 0.5, "free_length_m")
    return _change(setup, base=base), f"{base['free_length_m'] * 1e3:.0f} mm free length"


CHANGES: dict[str, Callable[[PierSetup], tuple[PierSetup, str]]] = {
    "thicker wall": _thicken_wall,
    "wider base": _widen_base,
    "wider footing": _widen_footing,
    "webs to the top": _raise_webs,
    "shorter parallel section": _shorten_parallel,
    "no studs": _drop_head,
    "shorter anchor rods": _shorten_rods,
}


# --- the record -----------------------------------------------------------------------------------
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
    (
        f"Frequencies carry {100 * const.PIER_MODEL_SIGMA:.0f} % (one sigma, common practice), "
        "no more."
    ),
)


class _MeasuredFoot(Part):
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
    stiffness: _StiffnessTable
    what_if: list[_WhatIf]
    measured: _MeasuredFoot | None = None
    statement: str = STATEMENT
    assumptions: list[str] = Field(default_factory=lambda: list(ASSUMPTIONS))
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))

    @classmethod
    def of(cls, setup: PierSetup, n_modes: int = 6) -> PierReport:
        """Return modes, stiffness and what-if rows of a declared pier.

        Examples
        --------
        >>> from pathlib import Path
        >>> from blursplit.pier.report import PierReport
        >>> from blursplit.pier.setup import PierSetup
        >>> from blursplit import Rig
        >>> setup = Rig.read(Path("column.toml")).setup
        >>> report = PierReport.of(PierSetup.read(setup.pier, "column.toml"))
        >>> len(report.modes), round(report.height_m, 2)
        (6, 1.2)
        """
        model = PierModel.of(setup)
        return cls(
            height_m=setup.height_m,
            mass_kg=model.mass_kg,
            modes=model.modes(n_modes),
            stiffness=_tilt_per_load(model),
            what_if=_what_if(setup),
            measured=_fit_foot(setup) if setup.measured_hz else None,
        )


def _fit_foot(setup: PierSetup) -> _MeasuredFoot:
    """Return the rocking stiffness of the foot that explains the measured frequencies.

    The rocking spring between column and ground (or footing) runs over a grid from a thousandth to
    a thousand times the column's own stiffness, alike in every octave. Each measured frequency is
    held against the nearest mode; what a model misses once its foot is right is
    `PIER_REST_SIGMA`. Values are weighted quantiles.
    """
    grid = np.geomspace(1e-3, 1e3, 49) * PierModel.foot_stiffness_nm_rad(setup)
    measured = np.sort(setup.measured_hz)
    found, tilts = [], []
    for stiffness in grid:
        table = setup.model_dump() | {"base": {"tilt_nm_rad": float(stiffness)}}
        model = PierModel.of(type(setup).model_validate(table), const.PIER_ELEMENTS // 4)
        found.append(model.modes(6))
        tilts.append(_tilt_per_load(model).worse_arcsec_n)
    fine = np.geomspace(grid[0], grid[-1], 2401)
    at, place = np.log(fine), np.log(grid)
    logs = np.array([[np.log(mode.frequency_hz) for mode in modes] for modes in found])
    modes_at = np.stack([np.interp(at, place, column) for column in logs.T])
    away = np.abs(np.log(measured)[:, None, None] - modes_at[None]).min(axis=1)
    costs = (away**2).sum(axis=0) / const.PIER_REST_SIGMA**2
    weight = np.exp(-0.5 * (costs - costs.min()))
    best = found[int(np.argmin(np.abs(place - at[int(np.argmin(costs))])))]
    kinds = [min(best, key=lambda mode: abs(mode.frequency_hz - f)).kind for f in measured]
    return _MeasuredFoot(
        measured_hz=[float(f) for f in measured],
        modes=kinds,
        base_tilt_nm_rad=_weighted(fine, weight),
        tilt_at_axis_height_arcsec_n=_weighted(np.exp(np.interp(at, place, np.log(tilts))), weight),
        design_tilt_at_axis_height_arcsec_n=_tilt_per_load(PierModel.of(setup)).worse_arcsec_n,
        misfit_sigmas=float(np.sqrt(costs.min() / measured.size)),
    )


def _weighted(values: FloatArray, weight: FloatArray) -> Estimate:
    """Return the weighted quantiles of a quantity on a grid."""
    order = np.argsort(values)
    share = np.cumsum(weight[order]) - 0.5 * weight[order]
    at = np.array(const.PERCENTILES) / 100.0
    return Estimate.from_ends(np.exp(np.interp(at, share / weight.sum(), np.log(values[order]))))
