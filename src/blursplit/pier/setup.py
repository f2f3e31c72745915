"""The `[pier]` table of the setup file: an upright, its foot, its head and what it carries."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, field_validator, model_validator

from blursplit.errors import InputError
from blursplit.rig import StrictTable

Length = Annotated[float, Field(gt=0, lt=50, allow_inf_nan=False)]
Mass = Annotated[float, Field(ge=0, lt=1e6, allow_inf_nan=False)]
Stiffness = Annotated[float, Field(gt=0, lt=1e15, allow_inf_nan=False)]
MaterialName = Literal["steel", "aluminium", "concrete"]
Soil = Literal["rock", "dense sand", "stiff clay", "loose sand", "soft clay"]


class Section(StrictTable):
    """One stretch of the column, listed from the foot upward.

    A tube or a solid column is round with `outer_m`, a box (or a solid block) has `width_m`
    along x and `depth_m` along y. The `_top_` keys make it taper; without them it is parallel.
    """

    kind: Literal["tube", "box", "solid"] = "tube"
    length_m: Length
    material: MaterialName = "steel"
    wall_m: Length | None = None
    wall_top_m: Length | None = None
    outer_m: Length | None = None
    outer_top_m: Length | None = None
    width_m: Length | None = None
    width_top_m: Length | None = None
    depth_m: Length | None = None
    depth_top_m: Length | None = None

    @property
    def is_round(self) -> bool:
        """Whether the section is round."""
        return self.outer_m is not None

    def at(self, key: str, share: float) -> float:
        """Return a size at a share of the stretch's length, linear from foot to top."""
        low = getattr(self, f"{key}_m")
        top = getattr(self, f"{key}_top_m")
        return float(low if top is None else low + (top - low) * share)

    @model_validator(mode="after")
    def _check_shape(self) -> Self:
        round_, square = self.outer_m is not None, None not in (self.width_m, self.depth_m)
        if self.kind == "tube" and not round_:
            raise ValueError("a tube needs outer_m")
        if self.kind == "box" and not square:
            raise ValueError("a box needs width_m and depth_m")
        if round_ == square:
            raise ValueError("give either outer_m or both width_m and depth_m")
        if (self.kind == "solid") != (self.wall_m is None):
            raise ValueError("a tube or box needs wall_m, a solid column has none")
        if self.wall_m is not None:
            sizes = ("outer",) if round_ else ("width", "depth")
            for share in (0.0, 1.0):
                smallest = min(self.at(key, share) for key in sizes)
                if 2.0 * self.at("wall", share) >= smallest:
                    raise ValueError("the wall is thicker than half the section")
        return self


class Webs(StrictTable):
    """Radial plates welded to the column, standing on the base plate; a count of 0: none."""

    count: Annotated[int, Field(ge=0, le=24)] = 4
    thickness_m: Length
    height_m: Length
    reach_foot_m: Length
    reach_top_m: Annotated[float, Field(ge=0, lt=10)] = 0.0


class Base(StrictTable):
    """Base plate and anchor bolts, or a rocking stiffness known from elsewhere."""

    tilt_nm_rad: Stiffness | None = None
    bolt_count: Annotated[int, Field(ge=3, le=48)] = 4
    bolt_circle_m: Length | None = None
    bolt_m: Length = 0.016
    free_length_m: Length = 0.05
    plate_thickness_m: Length = 0.02
    grout_m: Length | None = None
    slot_width_m: Length | None = None
    washer_thickness_m: Length = 0.003

    @model_validator(mode="after")
    def _check_way(self) -> Self:
        if (self.tilt_nm_rad is None) == (self.bolt_circle_m is None):
            raise ValueError("give either tilt_nm_rad or bolt_circle_m")
        return self


class _Footing(StrictTable):
    """A block of concrete on the ground."""

    width_m: Length
    depth_m: Length
    thickness_m: Length
    soil: Soil | None = None
    soil_shear_pa: Stiffness | None = None
    soil_poisson: Annotated[float, Field(ge=0, lt=0.5)] = 0.35

    @model_validator(mode="after")
    def _check_soil(self) -> Self:
        if (self.soil is None) == (self.soil_shear_pa is None):
            raise ValueError("give either soil or soil_shear_pa")
        return self


class Head(StrictTable):
    """An open levelling head: two plates held apart by studs."""

    stud_count: Annotated[int, Field(ge=3, le=24)] = 3
    stud_circle_m: Length
    stud_m: Length = 0.012
    free_length_m: Length
    plate_thickness_m: Length = 0.012
    mount_foot_m: Length = 0.12
    mass_kg: Mass = 0.0


class Payload(StrictTable):
    """Mount, telescope and counterweight above the column, as rigid bodies.

    The counterweight shaft lies along x; the telescope points in the y-z plane.
    """

    mount_kg: Mass = 0.0
    mount_height_m: Annotated[float, Field(ge=0, lt=10)] = 0.0
    telescope_kg: Mass = 0.0
    telescope_length_m: Annotated[float, Field(ge=0, lt=20)] = 0.0
    telescope_arm_m: Annotated[float, Field(ge=0, lt=10)] = 0.0
    axis_height_m: Annotated[float, Field(ge=0, lt=10)] = 0.0
    counterweight_kg: Mass = 0.0
    pointing_altitude_deg: Annotated[float, Field(ge=0, le=90)] = 45.0


class PierSetup(StrictTable):
    """An upright from the ground to the telescope.

    `measured_hz` are frequencies that a tap showed; they replace what is assumed of the foot.
    """

    sections: Annotated[list[Section], Field(min_length=1, max_length=20)]
    webs: Webs | None = None
    base: Base | None = None
    footing: _Footing | None = None
    head: Head | None = None
    payload: Payload = Payload()
    measured_hz: Annotated[list[Stiffness], Field(max_length=6)] = []  # noqa: RUF012 - pydantic copies it

    @field_validator("webs")
    @classmethod
    def _drop_none(cls, webs: Webs | None) -> Webs | None:
        if webs is not None and webs.count in {1, 2}:
            raise ValueError("webs come in threes or more, or with count 0 not at all")
        return webs if webs is not None and webs.count else None

    @property
    def height_m(self) -> float:
        """Height of the column from base plate to top."""
        return sum(section.length_m for section in self.sections)

    @model_validator(mode="after")
    def _check_webs(self) -> Self:
        if self.webs is not None and self.webs.height_m > self.height_m + 1e-9:
            raise ValueError("the webs are taller than the column")
        if self.webs is not None and not all(section.is_round for section in self.sections):
            raise ValueError("webs are modelled on round sections only")
        if self.sections[0].kind == "solid" and self.base is None and self.webs is not None:
            raise ValueError("webs belong to a tube on a base plate, not to a solid column")
        return self

    @classmethod
    def read(cls, table: Mapping[str, Any], source: str | Path) -> PierSetup:
        """Return the checked `[pier]` table; `source` is named in the message.

        Raises InputError when the table is missing, a key is unknown, or a value impossible; names
        the key.

        Examples
        --------
        >>> from blursplit.pier.setup import PierSetup
        >>> tube = {"kind": "tube", "length_m": 1.0, "outer_m": 0.1683, "wall_m": 0.005}
        >>> PierSetup.read({"sections": [tube]}, "column.toml").sections[0].length_m
        1.0
        """
        if not table:
            problem = "has no [pier] table"
            remedy = "describe the column, e.g. [[pier.sections]] with length_m, outer_m and wall_m"
            raise InputError(source, problem, remedy)
        return cls.from_tables(_nest(table, source), source, "pier")


def _nest(table: Mapping[str, Any], source: str | Path) -> dict[str, Any]:
    """Return a copy in which keys such as `base.bolt_m` or `sections.0.wall_m` are set inside."""
    nested: dict[str, Any] = copy.deepcopy({k: v for k, v in table.items() if "." not in k})
    for key, value in table.items():
        if "." not in key:
            continue
        *path, last = key.split(".")
        place: Any = nested
        try:
            for step in path:
                place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
            place[int(last) if isinstance(place, list) else last] = value
        except (AttributeError, IndexError, TypeError, ValueError) as error:
            problem = f"key 'pier.{key}' leads nowhere"
            remedy = "write e.g. pier.base.bolt_m=0.02 or pier.sections.0.wall_m=0.006"
            raise InputError(source, problem, remedy) from error
    return nested
