"""The result: one typed, versioned record that is written to and read from result.json."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.rig import Setting

SCHEMA = "blursplit-result/2"

Answer = Literal["yes", "no", "open", "not asked"]
Code = str  # of a remark; the words for each are in `report.words`
Facts = dict[str, float | str | list[float] | None]
Note = tuple[Code, Facts]  # a remark on frames or tracks, before it has words


class Part(BaseModel):
    """A part of the result; unknown keys are ignored, so that newer files can be read."""

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class Document(Part):
    """A record that stands alone, in its own JSON file; its ``schema`` names the edition."""

    model_config = ConfigDict(populate_by_name=True)

    def to_json(self) -> str:
        """Return the record as JSON text."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"

    @classmethod
    def from_json(cls, text: str) -> Self:
        """Read such text (pydantic's ValidationError when it is not one)."""
        return cls.model_validate_json(text)


class Remark(Part):
    """Something said about the run: a code, the facts it stands on, and its words."""

    code: Code
    facts: Facts = Field(default_factory=dict)
    text: str = ""

    @classmethod
    def of(cls, code: Code, /, **facts: float | str | list[float] | None) -> Remark:
        """Return a remark of a code and its facts, without words yet."""
        return Remark(code=code, facts=facts)


class Check(Remark):
    """A fault of the frames: `void` voids what it touches, `doubt` widens it and says so."""

    severity: Literal["void", "doubt"]


class NextStep(Remark):
    """What to do next, and the width that it could save or decide."""

    gain_arcsec: float | None = None


class SequenceInfo(Part):
    """What was read."""

    name: str = ""
    object: str | None = None
    files: int
    frames: int
    frames_used: int
    frames_dropped: dict[str, int] = Field(default_factory=dict)
    stars_used: int
    frame_exposure_s: float | None = None
    cadence_s: float | None = None
    duration_s: float | None = None
    nyquist_hz: float | None = None
    timing: Literal["regular", "jittered", "irregular"] = "regular"
    segments: int = 1
    start_utc: str | None = None
    wavelength_m: float | None = None
    airmass: float | None = None


def _of_number(size: Any) -> Any:
    """Return an estimate of a bare number, which older records have."""
    return {"value": size, "low": None, "high": None} if isinstance(size, int | float) else size


_Size = Annotated[Estimate, BeforeValidator(_of_number)]


class PairMotion(Part):
    """Differential motion of star pairs in one bin of separation."""

    separation_arcsec: float
    along_rms_arcsec: _Size | None
    across_rms_arcsec: _Size | None
    count: int


class Motion(Part):
    """Motion per frame as measured: trend and noise removed, exposure averaging not undone.

    The intervals say how far the mean square of a record this long may lie off that of a much
    longer one of the same kind; older records have none.
    """

    common_rms_x_arcsec: _Size | None = None
    common_rms_y_arcsec: _Size | None = None
    noise_rms_arcsec: _Size | None = None
    common_rms_x_px: _Size | None = None
    common_rms_y_px: _Size | None = None
    pair_rms_x_px: _Size | None = None
    pair_rms_y_px: _Size | None = None
    noise_rms_px: _Size | None = None
    rotation_rms_arcsec: _Size | None = None
    pairs: list[PairMotion] = Field(default_factory=list)


class Fwhm(Part):
    """Width of the long exposure over the blur time, as recorded and with causes removed."""

    blur_time_s: float | None = None
    recorded_arcsec: Estimate | None = None
    recorded_major_arcsec: Estimate | None = None
    recorded_minor_arcsec: Estimate | None = None
    recorded_angle_deg: Estimate | None = None
    without_tracking_arcsec: Estimate | None = None
    without_structure_arcsec: Estimate | None = None
    without_both_arcsec: Estimate | None = None
    registered_arcsec: Estimate | None = None
    recorded_px: Estimate | None = None
    method: Literal["frames", "model", "both"] = "model"


class _Cause(Part):
    """What a cause does: motion rms over the blur time, what curing it would save, its share.

    The share is of the width above the base, a mean over the draws; it decides nothing.
    """

    rms_major_arcsec: Estimate | None = None
    rms_minor_arcsec: Estimate | None = None
    angle_deg: Estimate | None = None
    position_angle_deg: Estimate | None = None
    saving_arcsec: Estimate | None = None
    saving_fraction: Estimate | None = None
    share: float | None = None


class Saving(Part):
    """What a cure that is no single cause would save."""

    saving_arcsec: Estimate | None = None
    saving_fraction: Estimate | None = None


class NearAir(Saving):
    """Air of the tube, the dome, the walls and the first metres, with an outer scale of its own."""

    share: float | None = None
    outer_scale_m: Estimate | None = None


class Atmosphere(Part):
    """The air: `fwhm_arcsec` of all of it, the seeing of the air outside alone."""

    fwhm_arcsec: Estimate | None = None
    seeing_500nm_zenith_arcsec: Estimate | None = None
    r0_500nm_zenith_m: Estimate | None = None
    lower_seeing_arcsec: Estimate | None = None
    upper_seeing_arcsec: Estimate | None = None
    evidence: list[str] = Field(default_factory=list)
    unseen_by_pairs_share: Estimate | None = None
    unseen_below_m: float | None = None
    wind_m_s: Estimate | None = None
    motion_rms_arcsec: Estimate | None = None
    saving_arcsec: Estimate | None = None
    saving_fraction: Estimate | None = None
    share: float | None = None


class PeriodicTerm(Part):
    """One drive period found or declared; no amplitude where less than a turn was seen."""

    name: str
    period_s: float
    harmonic: int = 1
    amplitude_arcsec: Estimate | None = None
    angle_deg: float | None = None
    turns_covered: float


class PhaseCurve(Part):
    """Motion along the drive's direction against the phase of one declared period.

    Phase 0 is the start of the record. Lists have one entry a bin, null where the record never
    was; below one turn a straight line is taken out of data and curve. The size is that of the
    whole turn: a limit (95 %) where no error at all is not excluded, null where nothing limits it.
    The direction is 0 where neither setup nor record tell it.
    """

    name: str
    period_s: float
    turns_covered: float
    covered_share: float
    angle_deg: float
    phase_turns: list[float]
    shift_arcsec: list[float | None]
    shift_error_arcsec: list[float | None]
    curve_arcsec: list[float | None]
    curve_low_arcsec: list[float | None]
    curve_high_arcsec: list[float | None]
    peak_to_peak_arcsec: Estimate | None = None


class RightAscension(Part):
    """Axial direction of right ascension in the image, from +x toward +y, and how it is known."""

    angle_deg: Estimate
    origin: Literal[
        "declared", "camera position angle", "periodic error", "drift with the drive off"
    ]


class PolarAxis(Part):
    """Drift across right ascension, and the part of the polar misalignment that it shows."""

    declination_drift_arcsec_per_min: Estimate
    misalignment_at_least_arcmin: Estimate


class Tracking(_Cause):
    """Drift, drive periods and the guide loop."""

    drift_arcsec_per_min: Estimate | None = None
    drift_angle_deg: Estimate | None = None
    periodic: list[PeriodicTerm] = Field(default_factory=list)
    phase_curves: list[PhaseCurve] = Field(default_factory=list)
    right_ascension: RightAscension | None = None
    polar: PolarAxis | None = None


class Structure(_Cause):
    """Everything the supports do: damped modes, shocks, wind shake.

    `undetected_rms_arcsec` is the size (both axes) at which 95 % of modes in `band_hz` are found.
    """

    undetected_rms_arcsec: float | None = None
    band_hz: tuple[float, float] | None = None


class Open(Part):
    """Shared motion, or constant blur, whose owner the evidence leaves undecided."""

    motion_rms_major_arcsec: Estimate | None = None
    motion_rms_minor_arcsec: Estimate | None = None
    angle_deg: Estimate | None = None
    constant_blur_arcsec: Estimate | None = None
    band_hz: tuple[float, float] | None = None
    share: float | None = None


class FocusPosition(Part):
    """One run of a focus curve: its width at short baselines, as a Gaussian FWHM."""

    name: str = ""
    position: float
    fwhm_arcsec: Estimate | None = None


class Focus(Part):
    """What runs at several focus positions tell; positions as recorded, in the focuser's unit.

    Slopes are the rms of the defocused rays for each unit of position.
    """

    positions: list[FocusPosition] = Field(default_factory=list)
    used_position: float
    best_position: Estimate | None = None
    rest_fwhm_arcsec: Estimate | None = None
    slope_arcsec: Estimate | None = None
    predicted_slope_arcsec: float | None = None
    air_change: Estimate | None = None
    astigmatism_angle_deg: Estimate | None = None


class InstrumentPart(Part):
    """The base (perfect telescope and pixel), which nobody can cure, and the optics beyond it."""

    base_fwhm_arcsec: float | None = None
    optics_fwhm_arcsec: Estimate | None = None
    optics_from: Literal["star image alone", "stated width", "focus positions"] | None = None
    diffraction_arcsec: float | None = None
    pixel_arcsec: float | None = None
    dispersion_arcsec: float | None = None
    defocus_arcsec: Estimate | None = None
    astigmatism_arcsec: Estimate | None = None
    focus: Focus | None = None
    saving_arcsec: Estimate | None = None
    saving_fraction: Estimate | None = None
    share: float | None = None


class Line(Part):
    """A narrow feature of the spectrum of the shared motion.

    `frequency_hz` and `damping_ratio` are the true ones where the alias is decided, else as the
    record shows them; `folded_frequency_hz` is where the record shows the line.
    `minor_over_major` is the axis ratio of the ellipse of motion; `steady_chance` the chance that
    noise makes so steady a sinusoid (Thomson's F). `head_displacement_um` and
    `head_velocity_um_s` (rms, with `mount.lever_m` stated) are those of the pier's head if the
    structure makes the line; `vibration_class` is the strictest class (VC-A to VC-E) that the line
    alone keeps over its 95 % interval.
    """

    frequency_hz: Estimate
    folded_frequency_hz: Estimate | None = None
    rms_arcsec: Estimate | None = None
    rms_px: Estimate | None = None
    angle_deg: Estimate | None = None
    minor_over_major: Estimate | None = None
    damping_ratio: Estimate | None = None
    false_alarm_probability: float
    shared_probability: float | None = None
    alias_candidates_hz: list[float] = Field(default_factory=list)
    alias_odds: list[float] = Field(default_factory=list)
    kind: Literal["steady", "resonance"] = "resonance"
    steady_chance: float | None = None
    family: int | None = None
    cause: str = "unknown"
    cause_odds: dict[str, float] = Field(default_factory=dict)
    head_displacement_um: Estimate | None = None
    head_velocity_um_s: Estimate | None = None
    vibration_class: Literal["none", "VC-A", "VC-B", "VC-C", "VC-D", "VC-E"] | None = None

    @property
    def shown_hz(self) -> float | None:
        """Where the record's spectrum shows the line."""
        return (self.folded_frequency_hz or self.frequency_hz).value

    @property
    def likely_hz(self) -> list[float]:
        """True frequencies that it may well have, likeliest first; never none."""
        return [hz for _, hz in self._likely()] or [self.frequency_hz.value or 0.0]

    @property
    def likely_odds(self) -> list[float] | None:
        """Odds of each `likely_hz`; None where no other frequency is worth a name."""
        named = sum(odds >= const.LEAST_ODDS_NAMED for odds in self.alias_odds)
        return [odds for odds, _ in self._likely()] or None if named > 1 else None

    def _likely(self) -> list[tuple[float, float]]:
        pairs = sorted(zip(self.alias_odds, self.alias_candidates_hz, strict=False), reverse=True)
        return [pair for pair in pairs if pair[0] >= const.LIKELY_ALIAS_ODDS]


class Event(Part):
    """A short time of much larger shared motion, of a kind told by its course, not its cause.

    The middle 68 % of its power lie between `frequency_low_hz` and `frequency_high_hz`.
    """

    start_s: float
    start_utc: str | None = None
    duration_s: float
    frames: int
    kind: Literal["shock", "shocks", "gust"]
    onsets: int
    peak_arcsec: Estimate
    frequency_hz: float
    frequency_low_hz: float
    frequency_high_hz: float


class EventSearch(Part):
    """What was searched for events, what they touch, and what would have been seen."""

    frames_searched: int
    frames_affected: int
    fast_motion_share: float
    smallest_peak_arcsec: float
    window_s: float
    false_alarm_probability: float


class Verdict(Part):
    """Whether each cure matters, and why.

    `matters` is "yes" where the low reading saves more than `worth_arcsec` with 95 % probability,
    "no" where the high reading saves less with 95 %, else "open"; `probability_low` and
    `probability_high` are those of saving more than that in both readings.
    """

    level: Literal["split", "widths", "positions"] = "positions"
    worth_arcsec: float | None = None
    matters: dict[str, Answer] = Field(default_factory=dict)
    probability_low: dict[str, float] = Field(default_factory=dict)
    probability_high: dict[str, float] = Field(default_factory=dict)
    largest: list[str] = Field(default_factory=list)
    headline: str = ""
    headline_code: Code = ""
    headline_facts: Facts = Field(default_factory=dict)
    reasons: list[Remark] = Field(default_factory=list)
    next: list[NextStep] = Field(default_factory=list)

    def __str__(self) -> str:
        return self.headline


class Fit(Part):
    """How the posterior was found, and whether two seeds agree."""

    method: str
    r_hat_max: float | None = None
    effective_draws: float | None = None
    log_evidence: float | None = None
    seconds: float | None = None
    converged: bool = True


class Witness(Part):
    """A record taken beside the frames, and what of the shared motion goes with it."""

    kind: str
    name: str = ""
    offset_s: Estimate | None = None
    coherent_rms_arcsec: Estimate | None = None
    band_hz: tuple[float, float] | None = None
    blind_band_hz: tuple[float, float] | None = None
    angle_deg: Estimate | None = None
    seeing_500nm_zenith_arcsec: Estimate | None = None
    near_share: Estimate | None = None
    flexure_hz: list[float] = Field(default_factory=list)
    r_hat: float | None = None
    used: bool = True


class Result(Document):
    """What `measure` found. Units are in the keys; every estimate carries its intervals.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.result import Result
    >>> result = Result.from_json(Path("before/result.json").read_text(encoding="utf-8"))
    >>> result.verdict.matters["mechanics"]
    'no'
    """

    schema_: str = Field(default=SCHEMA, alias="schema")
    version: str = ""
    command: str = ""
    digest: str = ""
    sequence: SequenceInfo
    setup: dict[str, Setting] = Field(default_factory=dict)
    motion: Motion = Motion()
    fwhm: Fwhm = Fwhm()
    atmosphere: Atmosphere = Atmosphere()
    near_air: NearAir = NearAir()
    tracking: Tracking = Tracking()
    structure: Structure = Structure()
    mechanics: Saving = Saving()
    open: Open = Open()
    instrument: InstrumentPart = InstrumentPart()
    lines: list[Line] = Field(default_factory=list)
    events: list[Event] = Field(default_factory=list)
    event_search: EventSearch | None = None
    checks: list[Check] = Field(default_factory=list)
    fit: Fit | None = None
    witnesses: list[Witness] = Field(default_factory=list)
    verdict: Verdict = Verdict()
    warnings: list[Remark] = Field(default_factory=list)

    @model_validator(mode="after")
    def _sizes_are_not_negative(self) -> Self:
        causes = (self.tracking, self.structure, self.open, self.atmosphere, self.instrument)
        for part in (*causes, self.fwhm):
            for name, value in part:
                size = name.endswith(("rms_arcsec", "major_arcsec", "minor_arcsec", "fwhm_arcsec"))
                width = part is self.fwhm and not name.endswith("_deg")
                if (size or width) and isinstance(value, Estimate) and (value.low95 or 0.0) < 0:
                    msg = f"{name} is a size and cannot be negative"
                    raise ValueError(msg)
        return self

    def setting(self, key: str, otherwise: Any = None) -> Any:
        """Return a value of the setup, `otherwise` where it is not known."""
        entry = self.setup.get(key)
        return otherwise if entry is None or entry.value is None else entry.value

    def north_in_image(self) -> tuple[float, float] | None:
        """Return the directions of north and east in the image [deg from +x toward +y], or None.

        The setup's ``position_angle_deg`` is that of the +y axis, north through east. Whether the
        image is mirrored comes from the setup's ``flip``, or else from a contribution that has both
        its direction in the image and its position angle; without either nothing is claimed.
        """
        angle_of_y_deg, flip = self.setting("position_angle_deg"), self.setting("flip")
        if angle_of_y_deg is None:
            return None
        sign = self._handedness(angle_of_y_deg) if flip is None else -1 if flip else 1
        if sign is None:
            return None
        # Position angle grows toward +y when the image is not mirrored, and the other way round.
        north = (90.0 - sign * angle_of_y_deg) % 360.0
        return north, (north + sign * 90.0) % 360.0

    def _handedness(self, angle_of_y_deg: float) -> int | None:
        for part in (self.tracking, self.structure):
            angle, position = part.angle_deg, part.position_angle_deg
            if angle is None or position is None or angle.value is None or position.value is None:
                continue
            misfits = {}
            for sign in (1, -1):
                expected = angle_of_y_deg + sign * (angle.value - 90.0)
                misfits[sign] = abs((position.value - expected + 90.0) % 180.0 - 90.0)
            agreeing = [sign for sign, misfit in misfits.items() if misfit < const.AGREEMENT_DEG]
            if len(agreeing) == 1:
                return agreeing[0]
        return None

    def half_axes(self) -> dict[str, tuple[float, float, float]]:
        """Return larger and smaller half-axis [arcsec] and direction [deg] of each drawn ellipse.

        Motion that is nearly round has no direction of its own and is given as a circle.
        """
        found = {}
        air = self.atmosphere.motion_rms_arcsec
        if air is not None and air.value is not None:
            found["atmosphere"] = (air.value, air.value, 0.0)
        for name in ("tracking", "structure", "open"):
            part: Any = getattr(self, name)
            prefix = "motion_" if name == "open" else ""
            major = getattr(part, f"{prefix}rms_major_arcsec")
            if major is None or major.value is None:
                continue
            minor, angle = getattr(part, f"{prefix}rms_minor_arcsec"), part.angle_deg
            small = 0.0 if minor is None or minor.value is None else minor.value
            if angle is not None and angle.value is not None:
                found[name] = (major.value, small, angle.value)
            elif small > const.NEARLY_ROUND * major.value:
                radius = math.hypot(major.value, small) / math.sqrt(2.0)
                found[name] = (radius, radius, 0.0)
        return found
