"""The published record of `blursplit pier`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict, Field

from blursplit.mechanics.pier import build_pier, pier_modes, tilt_per_load
from blursplit.mechanics.what_if import what_if

if TYPE_CHECKING:
    from blursplit.mechanics.pier_setup import PierSetup

SCHEMA = "blursplit-pier/1"
# Joints, ground and welds make a built pier differ from its drawing: common practice, no source.
MODEL_UNCERTAINTY = 0.15

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
    f"Frequencies carry {100 * MODEL_UNCERTAINTY:.0f} % (one sigma, common practice), no more.",
)


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class ModeRow(_Part):
    """A natural frequency with its 68 % interval."""

    frequency_hz: float
    low_hz: float
    high_hz: float
    kind: str
    energy_shares: dict[str, float]
    tilt_arcsec_um: float | None


class StiffnessTable(_Part):
    """Rotation of the mount's foot under unit loads."""

    tilt_x_arcsec_n: float
    tilt_y_arcsec_n: float
    tilt_at_axis_height_x_arcsec_n: float
    tilt_at_axis_height_y_arcsec_n: float
    tilt_x_arcsec_nm: float
    tilt_y_arcsec_nm: float
    twist_arcsec_nm: float
    deflection_x_um_n: float
    deflection_y_um_n: float
    tilt_shares: dict[str, float]


class WhatIf(_Part):
    """One change and what it does; null where it does not apply."""

    change: str
    tilt_at_axis_height_arcsec_n: float | None
    tilt_ratio: float | None
    first_frequency_hz: float | None
    frequency_ratio: float | None
    mass_change_kg: float | None
    note: str


class PierReport(_Part):
    """What `blursplit pier` found."""

    schema_: str = Field(default=SCHEMA, alias="schema")
    height_m: float
    mass_kg: float
    modes: list[ModeRow]
    stiffness: StiffnessTable
    what_if: list[WhatIf]
    statement: str = STATEMENT
    assumptions: list[str] = Field(default_factory=lambda: list(ASSUMPTIONS))
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"


def analyse_pier(setup: PierSetup, n_modes: int = 6) -> PierReport:
    """Return modes, stiffness and what-if rows of a declared pier.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.mechanics import analyse_pier, read_pier
    >>> from blursplit.rig import read_setup
    >>> setup, _ = read_setup(Path("column.toml"))
    >>> report = analyse_pier(read_pier(setup.pier, "column.toml"))
    >>> len(report.modes), round(report.height_m, 2)
    (6, 1.2)
    """
    model = build_pier(setup)
    tilt = tilt_per_load(model)
    modes = [
        ModeRow(
            frequency_hz=mode.frequency_hz,
            low_hz=mode.frequency_hz * (1.0 - MODEL_UNCERTAINTY),
            high_hz=mode.frequency_hz * (1.0 + MODEL_UNCERTAINTY),
            kind=mode.kind,
            energy_shares=mode.shares,
            tilt_arcsec_um=mode.tilt_arcsec_um,
        )
        for mode in pier_modes(model, n_modes)
    ]
    rows = [
        WhatIf(
            change=row.change,
            tilt_at_axis_height_arcsec_n=row.tilt_arcsec_n,
            tilt_ratio=row.tilt_ratio,
            first_frequency_hz=row.first_frequency_hz,
            frequency_ratio=row.frequency_ratio,
            mass_change_kg=row.mass_change_kg,
            note=row.note,
        )
        for row in what_if(setup)
    ]
    stiffness = StiffnessTable(
        tilt_x_arcsec_n=tilt.x_arcsec_n,
        tilt_y_arcsec_n=tilt.y_arcsec_n,
        tilt_at_axis_height_x_arcsec_n=tilt.axis_x_arcsec_n,
        tilt_at_axis_height_y_arcsec_n=tilt.axis_y_arcsec_n,
        tilt_x_arcsec_nm=tilt.moment_x_arcsec_nm,
        tilt_y_arcsec_nm=tilt.moment_y_arcsec_nm,
        twist_arcsec_nm=tilt.twist_arcsec_nm,
        deflection_x_um_n=tilt.deflection_x_um_n,
        deflection_y_um_n=tilt.deflection_y_um_n,
        tilt_shares=tilt.shares,
    )
    return PierReport(
        height_m=setup.height_m,
        mass_kg=model.mass_kg,
        modes=modes,
        stiffness=stiffness,
        what_if=rows,
    )
