"""What would change if the pier were built differently, one change at a time."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from blursplit.constants import (
    PIER_BASE_FACTOR,
    PIER_FOOTING_FACTOR,
    PIER_PARALLEL_LIMIT_M,
    PIER_WALL_FACTOR,
)
from blursplit.pier.model import build_pier, pier_modes, tilt_per_load
from blursplit.pier.setup import PierSetup
from blursplit.result import Part


class WhatIf(Part):
    """One change and what it does; null where it does not apply."""

    change: str  # what is built differently
    # Tilt for a force at the height of the mount's axes, the worse direction.
    tilt_at_axis_height_arcsec_n: float | None
    tilt_ratio: float | None  # new tilt over old tilt
    first_frequency_hz: float | None
    frequency_ratio: float | None
    mass_change_kg: float | None
    note: str  # why the row does not apply, or what it assumes


class DoesNotApply(Exception):  # noqa: N818 - not an error, the reason for an empty row
    """The change makes no sense on this pier; says why."""


def what_if(setup: PierSetup) -> list[WhatIf]:
    """Return the table of single changes for a declared pier."""
    old_tilt, old_frequency, old_mass = _judge(setup)
    rows = []
    for change, make in CHANGES.items():
        found: tuple[float | None, ...] = (None,) * 5
        try:
            new, note = make(setup)
        except DoesNotApply as reason:
            note = str(reason)
        else:
            tilt, frequency, mass = _judge(new)
            found = tilt, tilt / old_tilt, frequency, frequency / old_frequency, mass - old_mass
        rows.append(
            WhatIf(
                change=change,
                tilt_at_axis_height_arcsec_n=found[0],
                tilt_ratio=found[1],
                first_frequency_hz=found[2],
                frequency_ratio=found[3],
                mass_change_kg=found[4],
                note=note,
            )
        )
    return rows


def _judge(setup: PierSetup) -> tuple[float, float, float]:
    model = build_pier(setup)
    return tilt_per_load(model).worse_arcsec_n, pier_modes(model, 1)[0].frequency_hz, model.mass_kg


def _change(setup: PierSetup, **updates: Any) -> PierSetup:
    """Return a copy with tables replaced and checked again."""
    from pydantic import ValidationError

    try:
        return type(setup).model_validate({**setup.model_dump(), **updates})
    except ValidationError as error:
        raise DoesNotApply("no room for it on this pier") from error


def thicken_wall(setup: PierSetup) -> tuple[PierSetup, str]:
    """Make every wall thicker, at the same outer size."""
    sections = []
    for section in setup.sections:
        table = section.model_dump()
        for key in ("wall_m", "wall_top_m"):
            if table[key] is not None:
                table[key] *= PIER_WALL_FACTOR
        sections.append(table)
    if all(section.wall_m is None for section in setup.sections):
        raise DoesNotApply("the column is solid")
    return _change(setup, sections=sections), f"walls x {PIER_WALL_FACTOR:g}, same outer size"


def widen_base(setup: PierSetup) -> tuple[PierSetup, str]:
    """Put the bolts on a wider circle, with the webs' feet and the plate following."""
    if setup.base is None:
        raise DoesNotApply("no base is declared")
    base = setup.base.model_dump()
    if setup.base.bolt_circle_m is None:
        base["tilt_nm_rad"] *= PIER_BASE_FACTOR**2
        return _change(
            setup, base=base
        ), f"rocking stiffness x {PIER_BASE_FACTOR**2:g} (radius squared)"
    old = setup.base.bolt_circle_m
    base["bolt_circle_m"] = old * PIER_BASE_FACTOR
    # A plate that spans further must be thicker or it eats the gain: same strip stiffness.
    foot = setup.sections[0].at("outer" if setup.sections[0].is_round else "width", 0.0) / 2.0
    reach = setup.webs.reach_foot_m if setup.webs is not None else 0.0
    overhang = old / 2.0 - foot - reach
    note = f"bolt circle x {PIER_BASE_FACTOR:g}"
    updates: dict[str, Any] = {"base": base}
    grown = (PIER_BASE_FACTOR - 1.0) * old / 2.0
    if setup.webs is not None:
        updates["webs"] = setup.webs.model_dump() | {"reach_foot_m": reach + grown}
        note += ", webs' feet moved out with it"
    elif overhang > 0.0:
        base["plate_thickness_m"] *= (overhang + grown) / overhang
        note += f", plate {base['plate_thickness_m'] * 1e3:.0f} mm to span it"
    return _change(setup, **updates), note


def widen_footing(setup: PierSetup) -> tuple[PierSetup, str]:
    """Pour a wider block."""
    if setup.footing is None:
        raise DoesNotApply("no footing is declared")
    block = setup.footing.model_dump()
    for key in ("width_m", "depth_m"):
        block[key] *= PIER_FOOTING_FACTOR
    return _change(setup, footing=block), f"footing {PIER_FOOTING_FACTOR:g} x as wide both ways"


def raise_webs(setup: PierSetup) -> tuple[PierSetup, str]:
    """Carry the webs to the top of the column."""
    if setup.webs is None:
        if not all(section.is_round for section in setup.sections):
            raise DoesNotApply("webs are modelled on round sections only")
        thickness = min(section.wall_m or 0.0 for section in setup.sections)
        if thickness <= 0.0:
            raise DoesNotApply("the column is solid")
        reach = 0.5 * setup.sections[0].at("outer", 0.0)
        webs: dict[str, Any] = {
            "count": 4,
            "thickness_m": thickness,
            "height_m": setup.height_m,
            "reach_foot_m": reach,
            "reach_top_m": 0.0,
        }
        return _change(setup, webs=webs), f"four webs, {reach * 1e3:.0f} mm wide at the foot"
    if math.isclose(setup.webs.height_m, setup.height_m):
        raise DoesNotApply("the webs reach the top already")
    webs = setup.webs.model_dump() | {"height_m": setup.height_m}
    return _change(setup, webs=webs), "same webs, stretched to the top"


def shorten_parallel(setup: PierSetup) -> tuple[PierSetup, str]:
    """Shorten the column until little parallel pipe stands above the webs, or by a quarter."""
    webs_end = setup.webs.height_m if setup.webs is not None else 0.0
    bare = setup.height_m - webs_end
    last = setup.sections[-1]
    if bare <= PIER_PARALLEL_LIMIT_M:
        raise DoesNotApply("hardly any parallel pipe stands above the webs")
    cut = min(
        bare - PIER_PARALLEL_LIMIT_M if setup.webs is not None else 0.25 * setup.height_m,
        0.9 * last.length_m,
    )
    sections = [section.model_dump() for section in setup.sections]
    sections[-1]["length_m"] = last.length_m - cut
    return _change(setup, sections=sections), f"column {cut:.2f} m lower"


def drop_head(setup: PierSetup) -> tuple[PierSetup, str]:
    """Bolt the mount straight to the column's top plate."""
    if setup.head is None:
        raise DoesNotApply("there is no levelling head on studs")
    return _change(setup, head=None), "mount bolted flat to the column's top"


def shorten_rods(setup: PierSetup) -> tuple[PierSetup, str]:
    """Halve the free length of the anchor rods."""
    if setup.base is None or setup.base.bolt_circle_m is None:
        raise DoesNotApply("no bolts are declared")
    base = setup.base.model_dump()
    base["free_length_m"] *= 0.5
    return _change(setup, base=base), f"{base['free_length_m'] * 1e3:.0f} mm free length"


CHANGES: dict[str, Callable[[PierSetup], tuple[PierSetup, str]]] = {
    "thicker wall": thicken_wall,
    "wider base": widen_base,
    "wider footing": widen_footing,
    "webs to the top": raise_webs,
    "shorter parallel section": shorten_parallel,
    "no studs": drop_head,
    "shorter anchor rods": shorten_rods,
}
