"""Paths into a result such as ``structure.rms_major_arcsec``."""

from __future__ import annotations

import difflib
import types
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel

from blursplit.estimate import Estimate
from blursplit.result import Result


def known_paths() -> dict[str, str]:
    """Return every number of a result and, under ``tap.``, of a tap result.

    Returns
    -------
    dict
        Path -> "estimate" or "number".
    """
    from blursplit.spectra.tap_result import TapResult

    found: dict[str, str] = {}
    _collect(Result, "", found)
    _collect(TapResult, "tap.", found)
    return found


def _collect(model: type[BaseModel], prefix: str, found: dict[str, str]) -> None:
    for name, entry in model.model_fields.items():
        path = f"{prefix}{entry.alias or name}"
        for kind in _alternatives(entry.annotation):
            if kind is Estimate:
                found[path] = "estimate"
            elif kind in {int, float}:
                found[path] = "number"
            elif isinstance(kind, type) and issubclass(kind, BaseModel):
                _collect(kind, f"{path}.", found)


def _alternatives(annotation: Any) -> tuple[Any, ...]:
    if get_origin(annotation) in {Union, types.UnionType}:
        return tuple(a for a in get_args(annotation) if a is not types.NoneType)
    return (annotation,)


def nearest_path(path: str) -> str:
    """Return the known path most like `path`, or an empty text."""
    close = difflib.get_close_matches(path, known_paths(), n=1, cutoff=0.5)
    return close[0] if close else ""


def value_at(record: BaseModel | dict[str, Any], path: str) -> Any:
    """Return what stands at a path of a record or of parsed JSON; None where the path ends."""
    here: Any = record
    for part in path.split("."):
        here = here.get(part) if isinstance(here, dict) else getattr(here, part, None)
        if here is None:
            return None
    return here


def estimate_at(result: Result, path: str) -> Estimate | None:
    """Return the estimate at a path, None where it was not measured or has no upper end."""
    value = value_at(result, path)
    if not isinstance(value, Estimate):
        return None
    if value.value is None and value.high is None and value.high95 is None:
        return None
    return value
