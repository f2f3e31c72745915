"""Limits that a telescope must keep, read from TOML."""

from __future__ import annotations

import difflib
import re
import types
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, Field, model_validator

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.result import Result
from blursplit.rig import StrictTable, read_toml

Finite = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Text = Annotated[str, Field(max_length=400)]
_NEEDS_BLUR_TIME = (
    "fwhm.",
    "tracking.",
    "structure.",
    "open.",
    "atmosphere.motion_rms_arcsec",
    "atmosphere.saving_arcsec",
    "instrument.saving_arcsec",
)
_NO_BLUR_TIME = ("tracking.drift_", "fwhm.blur_time_s")


class Limit(StrictTable):
    """At most, at least, or both."""

    at_most: Finite | None = None
    at_least: Finite | None = None
    name: Text = ""
    why: Text = ""

    @model_validator(mode="after")
    def _has_an_end(self) -> Limit:
        if self.at_most is None and self.at_least is None:
            msg = "needs at_most or at_least"
            raise ValueError(msg)
        if self.at_most is not None and self.at_least is not None and self.at_least > self.at_most:
            msg = "at_least lies above at_most"
            raise ValueError(msg)
        return self


class LineRule(StrictTable):
    """No line shared by the stars above an amplitude in a band."""

    no_shared_line_above_arcsec: Positive
    between_hz: Annotated[list[Positive], Field(min_length=2, max_length=2)]
    name: Text = ""
    why: Text = ""

    @model_validator(mode="after")
    def _is_a_band(self) -> LineRule:
        if self.between_hz[0] >= self.between_hz[1]:
            msg = "between_hz needs the lower frequency first"
            raise ValueError(msg)
        return self


class SettleRule(StrictTable):
    """Stillness after a slew: rms below a limit over a stretch that begins soon enough.

    The record begins while the mount arrives; `slew_ended_s` says when it did [s of the record].
    """

    rms_at_most_arcsec: Positive
    over_s: Positive
    within_s: Positive
    slew_ended_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    name: Text = ""
    why: Text = ""


class Limits(StrictTable):
    """A limits file."""

    title: Text = "Acceptance"
    telescope: Text = ""
    aperture_m: Positive | None = None
    blur_time_s: Positive | None = None
    limits: dict[str, Limit] = Field(default_factory=dict)
    lines: list[LineRule] = Field(default_factory=list)
    after_slew: list[SettleRule] = Field(default_factory=list)

    @property
    def stated_aperture_m(self) -> float | None:
        """Aperture of the telescope that the limits are for: as stated, or the one size named."""
        if self.aperture_m is not None:
            return self.aperture_m
        sizes = re.findall(r"(\d+(?:\.\d+)?)\s?(mm|cm|m)\b", self.telescope)
        if len(sizes) != 1:
            return None
        number, unit = sizes[0]
        return float(number) * {"mm": 1e-3, "cm": 1e-2, "m": 1.0}[unit]

    def refuse_other_aperture(self, command: str, aperture_m: float, whose: str) -> None:
        """Refuse a telescope of another aperture than these limits name."""
        aim = self.stated_aperture_m
        if aim is not None and abs(aperture_m - aim) > const.ACCEPT_SAME_APERTURE * aim:
            problem = f"the {whose} of an aperture of {aperture_m:g} m, the limits of {aim:g} m"
            remedy = "give that telescope's limits, or correct 'aperture_m' in the limits file"
            raise InputError(command, problem, remedy)

    @classmethod
    def read(cls, path: Path) -> Limits:
        """Read a limits file.

        `path`: TOML: ``title``, ``telescope``, ``aperture_m``, ``blur_time_s``, a table
        ``[limits]`` whose keys are paths of result.json or, beginning with ``tap.``, of the tap
        result, and any number of ``[[lines]]`` and ``[[after_slew]]`` rules.

        Raises InputError, which names the key, when the file cannot be read, a key is unknown, or
        no blur time is stated although a limit depends on it.

        Examples
        --------
        >>> from pathlib import Path
        >>> from blursplit.campaign import Limits
        >>> limits = Limits.read(Path("limits.toml"))
        >>> limits.limits["structure.rms_major_arcsec"].at_most
        0.2
        """
        limits = cls.from_tables(read_toml(path), path)
        if not (limits.limits or limits.lines or limits.after_slew):
            raise InputError(path, "holds no limit", "write a [limits] table or [[lines]] rules")
        known = _known_paths()
        for key in limits.limits:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1, cutoff=0.5)
                remedy = f"did you mean '{near[0]}'?" if near else "use a path of result.json"
                raise InputError(path, f"key 'limits.{key}' is no number of a result", remedy)
        bound = [key for key in limits.limits if cls.depends_on_blur_time(key)]
        if bound and limits.blur_time_s is None:
            problem = f"key 'blur_time_s' is missing, and '{bound[0]}' depends on it"
            remedy = "state the exposure for which the limits hold, e.g. blur_time_s = 30.0"
            raise InputError(path, problem, remedy)
        return limits

    @staticmethod
    def depends_on_blur_time(key: str) -> bool:
        """Return whether a number of the result grows with the blur time."""
        return key.startswith(_NEEDS_BLUR_TIME) and not key.startswith(_NO_BLUR_TIME)


def _known_paths() -> list[str]:
    """Return the path of every number of a result, and of a tap result under ``tap.``."""
    from blursplit.spectra.tap_result import TapResult

    return [*_paths(Result, ""), *_paths(TapResult, "tap.")]


def _paths(model: type[BaseModel], prefix: str) -> Iterator[str]:
    for name, entry in model.model_fields.items():
        path = f"{prefix}{entry.alias or name}"
        for kind in _alternatives(entry.annotation):
            if kind in {Estimate, int, float}:
                yield path
            elif isinstance(kind, type) and issubclass(kind, BaseModel):
                yield from _paths(kind, f"{path}.")


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) in {Union, types.UnionType}:
        return tuple(a for a in get_args(annotation) if a is not types.NoneType)
    return (annotation,)
