"""What a plan says: one typed record with a published schema."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from blursplit.result import Remark, SetupEntry

PLAN_SCHEMA = "blursplit-plan/1"


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Recording(_Part):
    """How to record."""

    exposure_s: float
    exposure_reason: str
    frame_interval_s: float
    rate_hz: float
    rate_reason: str
    duration_s: float
    duration_reason: str
    nyquist_hz: float
    stars: int
    faintest_mag: float
    brightest_mag: float | None
    star_noise_arcsec: float
    shared_noise_arcsec: float


class Detectable(_Part):
    """Smallest steady line and smallest damped mode found in nine of ten runs, one-axis rms.

    The range is that of the wind; null: hidden by the exposure, or too few periods.
    """

    frequency_hz: float
    line_rms_arcsec: float | None
    line_low_arcsec: float | None
    line_high_arcsec: float | None
    mode_rms_arcsec: float | None
    mode_low_arcsec: float | None
    mode_high_arcsec: float | None


class SeenHeight(_Part):
    """What a pair of stars sees: the height from which a tenth and half of the motion shows."""

    separation_arcsec: float
    tenth_seen_above_m: float
    half_seen_above_m: float


class Turns(_Part):
    """How long a drive period takes to cover."""

    period_s: float
    turns_in_run: float
    two_turns_s: float


class Mains(_Part):
    """Where the mains and its harmonics show at this frame rate."""

    true_hz: float
    apparent_hz: float
    amplitude_left: float


class FieldTonight(_Part):
    """A field and how high it stands."""

    name: str
    kind: Literal["cluster", "pair"]
    ra_deg: float
    dec_deg: float
    size_arcmin: float
    brightest_mag: float
    highest_deg: float
    best_utc: str
    hours_above_40_deg: float


class Plan(_Part):
    """A plan for a run."""

    schema_: str = Field(default=PLAN_SCHEMA, alias="schema")
    version: str = ""
    seeing_arcsec: float
    damping_ratio: float
    setup: dict[str, SetupEntry]
    recording: Recording
    detectable: list[Detectable]
    smallest_structure_arcsec: float | None
    smallest_line_arcsec: float | None
    smallest_between_hz: tuple[float, float]
    pairs: list[SeenHeight]
    mask: str
    turns: list[Turns]
    mains: list[Mains]
    night: str | None = None
    fields: list[FieldTonight] = Field(default_factory=list)
    statement: str = ""
    warnings: list[Remark] = Field(default_factory=list)

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"
