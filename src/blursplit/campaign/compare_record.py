"""What a comparison found: one typed record with a published schema."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from blursplit.estimate import Estimate
from blursplit.result import Remark

COMPARE_SCHEMA = "blursplit-compare/1"


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Side(_Part):
    """The results on one side, in order of time."""

    names: list[str]
    start_utc: list[str | None]
    blur_time_s: float | None = None


class Change(_Part):
    """How one quantity changed; every estimate is in the unit of its key."""

    key: str
    before: Estimate
    after: Estimate
    difference: Estimate
    ratio: Estimate | None = None
    probability_smaller: float | None
    smallest_change: float
    between_runs: Estimate
    between_runs_unit: Literal["share", "same as key"]
    runs: tuple[int, int]
    note: str = ""


class LineChange(_Part):
    """One line of the spectrum, before against after."""

    state: Literal["gone", "new", "shifted", "weaker", "stronger", "same", "not decided"]
    before_hz: Estimate | None = None
    after_hz: Estimate | None = None
    before_rms_arcsec: Estimate | None = None
    after_rms_arcsec: Estimate | None = None
    smallest_line_arcsec: float | None = None
    runs: tuple[int, int] = (0, 0)
    reason: str = ""


class CommonAir(_Part):
    """Recorded width of both sides predicted for one and the same air."""

    seeing_500nm_zenith_arcsec: float
    before_arcsec: Estimate
    after_arcsec: Estimate
    difference_arcsec: Estimate
    probability_smaller: float
    method: str


class Comparison(_Part):
    """Before against after."""

    schema_: str = Field(default=COMPARE_SCHEMA, alias="schema")
    version: str = ""
    before: Side
    after: Side
    design: Literal["before-after", "alternating"] = "before-after"
    changes: dict[str, Change | None] = Field(default_factory=dict)
    common_air: CommonAir | None = None
    lines: list[LineChange] = Field(default_factory=list)
    probability_structure_improved: float | None = None
    statement: str = ""
    warnings: list[Remark] = Field(default_factory=list)

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"
