"""Write what follows from the code: docs/schemas/*.json and the tables of keys.

    python docs/generate.py

A test compares the files with what this script would write.
"""

from __future__ import annotations

import json
import re
import sys
import types
import typing
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from blursplit.campaign import Acceptance, ArchiveSummary, Comparison
from blursplit.campaign.plan import Plan
from blursplit.estimate import Estimate
from blursplit.frames.inspection import Inspection
from blursplit.pier.report import PierReport
from blursplit.report.numbers import unit_of_key
from blursplit.result import Result
from blursplit.rig import DEFAULTS, Setting, Setup
from blursplit.spectra.tap_result import TapResult

DOCS = Path(__file__).parent

# What the names alone do not say.
SETUP_NOTES = {
    "aperture_m": "clear diameter",
    "obstruction": "central obstruction as a ratio of diameters",
    "focal_length_m": "with the pixel size it gives the pixel scale",
    "instrument_fwhm_arcsec": "Gaussian-equivalent width of optics and focus alone, "
    "without diffraction and pixel",
    "focus_position": "of this run, in any unit; needed beside `--focus-run` where the headers "
    "carry none",
    "focus_step_um": "how far one unit of the focus position moves the focus against the detector",
    "pixel_um": "as read out, binning included",
    "pixel_scale_arcsec": "angle of a pixel; outranks pixel size over focal length",
    "frame_interval_s": "start to start; needed where the files carry no times",
    "exposure_s": "of one frame",
    "gain_e_per_adu": "electrons for one count; estimated from the frames where unknown",
    "read_noise_e": "of one pixel of one frame",
    "saturation_adu": "also found in the data",
    "row_time_us": "time from one row to the next of a rolling shutter; 0 for a global one",
    "row_order": "which end of the frame is read first: first-row-first or last-row-first",
    "position_angle_deg": "of the image's +y axis, north through east",
    "time_stamps": "hardware: the jitter of the times is real and helps with aliases; "
    "software: the shutter is taken as regular and the jitter as noise of the stamps",
    "kind": "equatorial or altazimuth",
    "worm_period_s": "one or more drive periods",
    "wheel_teeth": "of the worm wheels; period = 86164.1 s / teeth",
    "ra_angle_deg": "direction of increasing right ascension in the image, from +x toward +y",
    "drive": "off: the stars trail, which gives the direction of right ascension; no drive period "
    "is sought",
    "guide_period_s": "cycle of the guide loop, if one ran",
    "lever_m": "from where the structure turns to the head, for displacement and velocity",
    "opening_m": "diameter of each opening of a two-opening mask",
    "separation_m": "centre to centre",
    "angle_deg": "direction of the line joining the openings, from +x toward +y",
    "split_arcsec": "distance of the two images of a star",
    "wavelength_nm": "middle of the pass band",
    "band_nm": "both ends of the pass band, for the dispersion",
    "outer_scale_m": "range assumed",
    "wind_m_s": "range assumed for the turbulent layers",
    "latitude_deg": "north positive",
    "longitude_deg": "east positive",
    "height_m": "above sea level",
    "mains_hz": "of the electric grid; both are allowed for where it is not given",
    "fan_rpm": "speeds of fans by their plates, one or more",
    "second_camera.setup": "its own setup file, beside this one; `--second-camera SEQUENCE@SETUP` "
    "outranks it",
    "second_camera.baseline_m": "from the main aperture's centre to the other's, along the main "
    "detector's columns and rows (x, y)",
    "second_camera.angle_deg": "its detector is turned by this; found from the common motion where "
    "not given",
    "second_camera.mirrored": "whether it shows the sky mirrored against the main camera; with "
    "angle_deg",
    "second_camera.offset_s": "lowest and highest of what is to be added to its times; found from "
    "the common motion where something other than air moves both",
    "sensor.file": "CSV or ECSV, beside this file",
    "sensor.kind": "acceleration, velocity, rate, angle, encoder, guide-log or wind",
    "sensor.columns": "names of the channels to be read",
    "sensor.unit": "of these channels, such as m/s2 or arcsec",
    "sensor.noise": "the sensor's own, in that unit over the root of a hertz",
    "sensor.lever_m": "length of the column at whose top it stands",
    "sensor.offset_s": "lowest and highest of what is to be added to its times",
}


def first_paragraph(schema: Any) -> Any:
    """Return a JSON schema whose descriptions end before the examples."""
    if isinstance(schema, dict):
        return {
            key: value.split("\n\n")[0]
            if key == "description" and isinstance(value, str)
            else first_paragraph(value)
            for key, value in schema.items()
        }
    if isinstance(schema, list):
        return [first_paragraph(part) for part in schema]
    return schema


def schemas() -> dict[str, str]:
    """Return file name -> text of every published schema."""
    written = {
        "result": Result,
        "inspect": Inspection,
        "tap": TapResult,
        "pier": PierReport,
        "accept": Acceptance,
        "archive": ArchiveSummary,
        "compare": Comparison,
        "plan": Plan,
    }
    records: dict[str, Any] = {"setup": Setup.model_json_schema(by_alias=True)}
    for name, model in written.items():
        schema = model.model_json_schema(by_alias=True, mode="serialization")
        # a part that one file alone makes is private in the code, not in what is published
        plain = json.loads(re.sub(r'(?<=["/])_(?=[A-Z])', "", json.dumps(schema)))
        records[name] = plain | {"$defs": dict(sorted(plain["$defs"].items()))}
    return {
        f"{name}.json": json.dumps(first_paragraph(schema), indent=1, ensure_ascii=False) + "\n"
        for name, schema in sorted(records.items())
    }


def _plain_type(annotation: Any) -> str:
    """Return a type in words."""
    origin, parts = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _plain_type(parts[0])
    if origin in {typing.Union, types.UnionType}:
        return " or ".join(_plain_type(p) for p in parts if p is not type(None))
    if origin is typing.Literal:
        return " or ".join(f"`{p}`" for p in parts)
    if origin is list:
        return f"list of {_plain_type(parts[0])}"
    if origin is dict:
        return f"name to {_plain_type(parts[1])}"
    if annotation is Estimate:
        return "estimate"
    names = {float: "number", int: "whole number", str: "text", bool: "yes or no", Any: "any"}
    return names.get(annotation, getattr(annotation, "__name__", str(annotation)).strip("_"))


def setup_table() -> str:
    """Return the table of the setup file's keys."""
    lines = ["| key | unit | type | default | meaning |", "| --- | --- | --- | --- | --- |"]
    for section in (
        "telescope",
        "camera",
        "mount",
        "mask",
        "air",
        "site",
        "second_camera",
        "sensor",
    ):
        annotation = Setup.model_fields[section].annotation
        many = typing.get_args(annotation)
        model, name = (many[0], f"[[{section}]] ") if many else (annotation, f"{section}.")
        assert isinstance(model, type)
        assert issubclass(model, BaseModel)
        for key, part in model.model_fields.items():
            default = DEFAULTS.get(Setup.flat_key(section, key))
            shown = "" if default is None or many else f"{default}"
            note = SETUP_NOTES.get(f"{section}.{key}") or SETUP_NOTES[key]
            lines.append(
                f"| `{name}{key}` | {unit_of_key(key)} | {_plain_type(part.annotation)} "
                f"| {shown} | {note} |"
            )
    return "\n".join(lines) + "\n"


def _rows(model: type[Any], path: str) -> list[str]:
    """Return table rows of a record, with the records inside it."""
    if model is Setting:
        parts = typing.get_type_hints(Setting).items()
    else:
        fields = model.model_fields.items()
        parts = [(part.alias or key, part.annotation) for key, part in fields]
    rows = []
    for name, annotation in parts:
        inner = [a for a in (annotation, *typing.get_args(annotation)) if _is_record(a)]
        if inner and inner[0] is not Estimate:
            many = {list: "[]", dict: ".NAME"}.get(typing.get_origin(annotation), "")  # type: ignore[arg-type]
            rows += _rows(inner[0], f"{path}{name}{many}.")
        else:
            rows.append(f"| `{path}{name}` | {unit_of_key(name)} | {_plain_type(annotation)} |")
    return rows


def _is_record(annotation: Any) -> bool:
    return annotation is Setting or (
        isinstance(annotation, type) and issubclass(annotation, BaseModel)
    )


def result_table() -> str:
    """Return the table of the keys of result.json."""
    return "\n".join(["| key | unit | type |", "| --- | --- | --- |", *_rows(Result, "")]) + "\n"


def everything() -> dict[Path, str]:
    """Return path -> text of all that is generated."""
    out = {DOCS / "schemas" / name: text for name, text in schemas().items()}
    out[DOCS / "tables" / "setup_keys.md"] = setup_table()
    out[DOCS / "tables" / "result_keys.md"] = result_table()
    return out


def main() -> None:
    """Write all of it."""
    for path, text in everything().items():
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8")
        sys.stderr.write(f"{path.relative_to(DOCS.parent)}\n")


if __name__ == "__main__":
    main()
