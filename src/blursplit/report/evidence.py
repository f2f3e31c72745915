"""Pieces of evidence in the order of the page: a heading, what it shows, figures with tables."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple, TypedDict

import numpy as np
from numpy.typing import ArrayLike

from blursplit.constants import FEW_TURNS, TABLE_ROWS
from blursplit.plain import plain
from blursplit.report import figures as draw
from blursplit.report.figures.evidence import binned_pairs
from blursplit.report.numbers import estimate_text, figure, number, setting
from blursplit.result import PhaseCurve, Result
from blursplit.series import Series
from blursplit.types import FloatArray

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Table(TypedDict):
    """A table of texts; units stand in the column heads."""

    caption: str
    columns: list[str]
    rows: list[list[str]]


class Picture(NamedTuple):
    """A figure of the page."""

    name: str
    title: str
    svg: str
    caption: str
    table: Table | None
    pixels: bool = False


class Section(NamedTuple):
    """A piece of evidence: what it shows, and its figures; `paper` ones are printed."""

    name: str
    heading: str
    text: str
    pictures: list[Picture]
    paper: bool = False


def thinned_table(
    columns: Mapping[str, ArrayLike | None], caption: str, *, logarithmic: bool = False
) -> Table:
    """Return a table of a few rows of equally long columns; the caption says what is left out.

    `columns`: head with unit -> numbers; a column that is None is
    left out. `logarithmic`: whether the rows kept are spread evenly in the logarithm of their
    index.
    """
    whole = {
        head
        for head, v in columns.items()
        if v is not None and np.issubdtype(np.asarray(v).dtype, np.integer)
    }
    kept = {head: np.asarray(v, dtype=float) for head, v in columns.items() if v is not None}
    size = min((values.size for values in kept.values()), default=0)
    index: Any = np.arange(size)
    if size > TABLE_ROWS:
        if logarithmic:
            index = np.geomspace(1, size, TABLE_ROWS) - 1
        else:
            index = np.linspace(0, size - 1, TABLE_ROWS)
        index = np.unique(np.round(index).astype(int))
        caption += f" {index.size} of {size} rows; the result folder holds all."
    rows = [
        [
            str(int(values[k])) if head in whole else _cell(float(values[k]), head, column)
            for column, (head, values) in enumerate(kept.items())
        ]
        for k in index
    ]
    return {"caption": caption, "columns": list(kept), "rows": rows}


def _cell(value: float, head: str, column: int) -> str:
    """Return a number of a table: places and the first column to three figures, others to two."""
    if head.endswith("[arcsec]") and column:
        return figure(value)
    return number(value, 3 if column == 0 or head.endswith("[px]") else 2)


def picture(
    figure: Figure,
    name: str,
    title: str,
    caption: str,
    table: Table | None,
    *,
    pixels: bool = False,
) -> Picture:
    """Return a drawn figure with its words; the caption also describes it to screen readers."""
    svg = draw.svg_text(figure, name, title, caption)
    return Picture(name, title, svg, caption, table, pixels)


def _holds(series: Series, *names: str) -> bool:
    arrays = [series.arrays.get(name) for name in names]
    return all(array is not None and bool(np.isfinite(array).any()) for array in arrays)


def _pairs(_result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if not any(
        _holds(series, "pair_separation_arcsec", f"pair_{part}_rms_arcsec")
        for part in ("along", "across")
    ):
        return None
    separation = arrays["pair_separation_arcsec"]
    columns: dict[str, Any] = {}
    for part in ("along", "across"):
        rms = arrays.get(f"pair_{part}_rms_arcsec")
        if rms is not None:
            x, y = binned_pairs(separation, rms)
            columns["separation [arcsec]"] = x
            columns[f"rms {part} [arcsec]"] = y
    bands = " Bands: the fitted air, 68 %." if "pair_model_separation_arcsec" in arrays else ""
    return Section(
        "pairs",
        "Stars against stars: air that no mount can make",
        "Two stars differ by air high enough for their beams to part; air close by does not show.",
        [
            picture(
                draw.draw_pairs(series),
                "pairs",
                "Motion of pairs against separation",
                f"{separation.size} pairs, noise removed; filled: along the joining line, open: "
                f"across.{bands}",
                thinned_table(columns, "Motion of pairs."),
            )
        ],
        paper=True,
    )


def _otf(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if not _holds(series, "baseline_m", "otf_measured"):
        return None
    aperture = result.setup.get("aperture_m")
    return Section(
        "otf",
        "The star with every frame centred",
        "What is left without motion from frame to frame: air, optics, motion within frames.",
        [
            picture(
                draw.draw_otf(series, aperture.value if aperture is not None else None),
                "otf",
                "Contrast of the centred star",
                "At each baseline across the pupil; band: the fitted model, 68 %; "
                "dotted: aperture.",
                thinned_table(
                    {
                        "baseline [m]": arrays["baseline_m"],
                        "measured": arrays["otf_measured"],
                        "model": arrays.get("otf_model"),
                    },
                    "Transfer function of the centred star.",
                ),
            )
        ],
    )


def _focus(result: Result, series: Series) -> Section | None:
    arrays, focus = series.arrays, result.instrument.focus
    if focus is None or not _holds(series, "focus_position", "focus_curve_arcsec"):
        return None
    return Section(
        "focus",
        "Several focus positions",
        "Out of focus a star widens as no change of the air repeats. "
        f"Best focus: {estimate_text(focus.best_position, '')}; this run: "
        f"{focus.used_position:.6g}. Defocus: "
        f"{estimate_text(result.instrument.defocus_arcsec, 'arcsec', finest=2)}; astigmatism: "
        f"{estimate_text(result.instrument.astigmatism_arcsec, 'arcsec', finest=2)}.",
        [
            picture(
                draw.draw_focus(series, focus),
                "focus",
                "Width of the centred star against focus position",
                "Bars hold the measuring error and the change of the air from run to run, 68 %. "
                "Dashed: best focus.",
                thinned_table(
                    {
                        "focus position": arrays["focus_position"],
                        "width [arcsec]": arrays["focus_fwhm_arcsec"],
                    },
                    "Width at each focus position.",
                ),
            )
        ],
    )


def _spectrum(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    frequency, total = arrays.get("frequency_hz"), draw.shared_density(series)
    if frequency is None or total is None:
        return None
    inside = frequency > 0
    if not np.any(total[inside] > 0):
        return None
    marks = " Numbers: lines of the table." if result.lines else ""
    pictures = [
        picture(
            draw.draw_spectrum(series, result.lines),
            "spectrum",
            "Spectrum of the motion",
            f"Solid: shared by all stars. Bands: 68 %.{marks}",
            thinned_table(
                {
                    "frequency [Hz]": frequency[inside],
                    "shared [arcsec²/Hz]": total[inside],
                    "air [arcsec²/Hz]": (
                        arrays["air_psd_arcsec2_hz"][inside]
                        if "air_psd_arcsec2_hz" in arrays
                        else None
                    ),
                },
                "Densities, both axes added.",
                logarithmic=True,
            ),
        )
    ]
    if _holds(series, "coherence"):
        pictures.append(
            picture(
                draw.draw_coherence(series, result.lines),
                "coherence",
                "Share of the motion common to all stars",
                "One: all stars move together. Zero: each by itself, as high air moves them.",
                thinned_table(
                    {"frequency [Hz]": frequency[inside], "share": arrays["coherence"][inside]},
                    "Share common to all stars.",
                    logarithmic=True,
                ),
            )
        )
    return Section(
        "spectrum",
        "Rhythms in the motion",
        "A narrow line that all stars share is mechanical. A broad excess is "
        "no proof: air close by "
        "and wind shake look alike.",
        pictures,
        paper=True,
    )


def _motion(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    pictures: list[Picture] = []
    for axis in ("x", "y"):
        if not _holds(series, "time_s", f"common_{axis}_arcsec"):
            continue
        terms = [n for n in ("tracking", "structure") if f"{n}_{axis}_arcsec" in arrays]
        names = " and ".join(terms).replace("structure", "shaking")
        told = f" In colour: {names}." if terms else ""
        events = " Shaded: events." if result.events else ""
        pictures.append(
            picture(
                draw.draw_motion(series, "x" if axis == "x" else "y", result.events),
                f"motion-{axis}",
                f"Shared motion along {axis}",
                f"All stars together.{told}{events}" if not pictures else f"The same along {axis}.",
                thinned_table(
                    {
                        "time [s]": arrays["time_s"],
                        "shared [arcsec]": arrays[f"common_{axis}_arcsec"],
                        "tracking [arcsec]": arrays.get(f"tracking_{axis}_arcsec"),
                        "shaking [arcsec]": arrays.get(f"structure_{axis}_arcsec"),
                    },
                    f"Motion along {axis}.",
                ),
            )
        )
    if not pictures:
        return None
    text = "What moves all stars at once: drive, shaking, air close by."
    return Section("motion", "Motion over time", text, pictures, paper=True)


def _by_time(result: Result, series: Series) -> Section | None:
    if not _holds(series, "time_edge_s", "frequency_edge_hz", "common_psd_by_time_arcsec2_hz"):
        return None
    edge_s, edge_hz = series.arrays["time_edge_s"], series.arrays["frequency_edge_hz"]
    psd = series.arrays["common_psd_by_time_arcsec2_hz"]
    if psd.shape != (len(edge_s) - 1, len(edge_hz) - 1):
        return None  # a file that is not whole
    seen = np.isfinite(psd).all(axis=1)
    kept = psd[seen]
    words = ["Bright: strong."]
    if result.lines:
        words.append("Numbers at the right: lines.")
    if result.events:
        words.append("Above: events.")
    if not seen.all():
        words.append("Crossed out: nothing recorded.")
    table = thinned_table(
        {
            "time [s]": (0.5 * (edge_s[:-1] + edge_s[1:]))[seen],
            "motion, rms [arcsec]": np.sqrt(kept @ np.diff(edge_hz)),
            "strongest at [Hz]": np.sqrt(edge_hz[:-1] * edge_hz[1:])[kept.argmax(axis=1)],
        },
        "Size and strongest rhythm by time.",
    )
    return Section(
        "by-time",
        "Rhythms over time",
        "A level stripe is a steady line, an upright one a shock, a slanting one something that "
        "changes speed.",
        [
            picture(
                draw.draw_by_time(series, result.lines, result.events),
                "by-time",
                "Shared motion by time and frequency",
                " ".join(words),
                table,
                pixels=True,
            )
        ],
    )


def _ellipses(result: Result, _series: Series) -> Section | None:
    if not set(draw.half_axes(result)) - {"atmosphere"}:
        return None
    rows = []
    for name, label in (("tracking", "tracking"), ("structure", "shaking")):
        part: Any = getattr(result, name)
        if part.rms_major_arcsec is not None and part.rms_major_arcsec.value is not None:
            rows.append(
                [
                    label,
                    estimate_text(part.rms_major_arcsec, "arcsec"),
                    estimate_text(part.rms_minor_arcsec, "arcsec"),
                    estimate_text(part.angle_deg, "deg"),
                    estimate_text(part.position_angle_deg, "deg"),
                ]
            )
    where = "" if draw.north_in_image(result) else " North is not known."
    return Section(
        "ellipses",
        "Directions",
        "A drive errs along its axis, a pier has weak axes; wind gives air a direction too."
        + where,
        [
            picture(
                draw.draw_ellipses(result),
                "ellipses",
                "Motion by direction",
                "Half-axes: rms over the blur time; x to the right, y up.",
                {
                    "caption": "Motion, rms over the blur time.",
                    "columns": ["cause", "long axis", "short axis", "from +x to +y", "from north"],
                    "rows": rows,
                },
            )
        ],
    )


def _fold_caption(curve: PhaseCurve) -> str:
    size = curve.peak_to_peak_arcsec
    told = (
        "nothing limits the size of a whole turn"
        if size is None
        else f"peak to peak of a turn: {estimate_text(size, 'arcsec')}"
    )
    text = (
        f"Shared motion along {curve.angle_deg:.0f} deg, folded on {setting(curve.period_s)} s, "
        f"drift removed; {number(curve.turns_covered)} turns seen; {told}."
    )
    if curve.turns_covered < FEW_TURNS:
        text += " With so few turns drift and curve trade places."
    return text


def _periodic(result: Result, _series: Series) -> Section | None:
    curves = result.tracking.phase_curves
    if not curves:
        return None

    def column(values: Sequence[float | None]) -> FloatArray:
        return np.array([np.nan if value is None else value for value in values])

    pictures = [
        picture(
            draw.draw_periodic(curve),
            f"periodic-{index}",
            f"Periodic error: {plain(curve.name)}",
            _fold_caption(curve),
            thinned_table(
                {
                    "phase [turns]": column(curve.phase_turns),
                    "shift [arcsec]": column(curve.shift_arcsec),
                    "curve [arcsec]": column(curve.curve_arcsec),
                },
                "Folded motion and fitted curve.",
            ),
        )
        for index, curve in enumerate(curves, start=1)
    ]
    return Section("periodic", "Periodic error", "The drive's own rhythm, folded.", pictures)


def _witness(result: Result, series: Series, name: str) -> Section | None:
    arrays = series.arrays
    if not _holds(series, f"{name}_frequency_hz", f"{name}_coherence"):
        return None
    kinds = {"second-camera"} if name == "cameras" else {w.kind for w in result.witnesses}
    used = [w for w in result.witnesses if w.kind in kinds and w.used]
    is_pair = name == "cameras"
    if is_pair:
        heading = "A second camera on the mount"
        text = (
            "Mount and pier turn both tubes alike; what the cameras do apart is air, near air "
            "included."
        )
        caption = "Both axes added. Dotted: what the cameras do apart, whatever shakes them."
    else:
        used = [w for w in used if w.kind != "second-camera"]
        heading = "A sensor beside the telescope"
        text = "What goes with the sensor is motion of its place, not air."
        caption = "Both axes added."
    for one in used:
        seeing = estimate_text(one.seeing_500nm_zenith_arcsec, "arcsec", finest=2)
        told = (
            f" {plain(one.name)}: {estimate_text(one.coherent_rms_arcsec, 'arcsec')} in each axis"
        )
        text += told + (f"; seeing of all the air {seeing}." if is_pair else ".")
    columns: dict[str, Any] = {"frequency [Hz]": arrays[f"{name}_frequency_hz"]}
    for key, label, _, _ in draw.WITNESS_CURVES[name]:
        columns[f"{label} [arcsec²/Hz]"] = arrays.get(key)
    columns["coherence"] = arrays[f"{name}_coherence"]
    table = thinned_table(columns, "Spectra and coherence.", logarithmic=True)
    title = "Spectra of both cameras" if is_pair else "What goes with the sensor"
    pictures = [
        picture(draw.draw_witness(series, name), f"{name}-spectra", title, caption, table),
        picture(
            draw.draw_witness_coherence(series, name),
            f"{name}-coherence",
            "Coherence of both cameras" if is_pair else "Coherence with the sensor",
            "One: all of the motion at this frequency goes with it."
            + (" Air that blows along the baseline is coherent too." if is_pair else ""),
            None,
        ),
    ]
    return Section(name, heading, text, pictures)


def _sensor(result: Result, series: Series) -> Section | None:
    return _witness(result, series, "sensor")


def _cameras(result: Result, series: Series) -> Section | None:
    return _witness(result, series, "cameras")


def _exposure(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if not _holds(series, "exposure_grid_s", "exposure_fwhm_arcsec"):
        return None
    return Section(
        "exposure",
        "Width against exposure",
        "What longer exposures lose: the same frames added without centring.",
        [
            picture(
                draw.draw_exposure(series, result.fwhm.blur_time_s),
                "exposure",
                "FWHM against exposure time",
                "Dashed: the exposure that the widths above are for.",
                thinned_table(
                    {
                        "exposure [s]": arrays["exposure_grid_s"],
                        "FWHM [arcsec]": arrays["exposure_fwhm_arcsec"],
                    },
                    "Width against exposure.",
                ),
            )
        ],
    )


def _shape(_result: Result, series: Series) -> Section | None:
    if not _holds(series, "elongation_e1", "elongation_e2"):
        return None
    e1, e2 = series.arrays["elongation_e1"], series.arrays["elongation_e2"]

    def mean(values: FloatArray) -> str:
        error = float(np.nanstd(values)) / max(int(np.isfinite(values).sum()), 1) ** 0.5
        return f"{float(np.nanmean(values)):.3f} ± {error:.3f}".replace("-", "−")

    return Section(
        "shape",
        "Shape shared by all stars",
        "Changing from frame to frame it is motion within the exposure; constant, optics or steady "
        "fast motion.",
        [
            picture(
                draw.draw_shape(series),
                "shape",
                "Shared elongation, one point a frame",
                f"Means: e1 {mean(e1)}, e2 {mean(e2)}.",
                thinned_table({"e1": e1, "e2": e2}, "Shared elongation."),
            )
        ],
    )


_ALL: dict[str, Callable[[Result, Series], Section | None]] = {
    "rhythms": _spectrum,
    "motion over time": _motion,
    "pairs of stars": _pairs,
    "the centred star": _otf,
    "directions": _ellipses,
    "rhythms over time": _by_time,
    "periodic error": _periodic,
    "focus positions": _focus,
    "a sensor": _sensor,
    "a second camera": _cameras,
    "width against exposure": _exposure,
    "shape of the stars": _shape,
}


def evidence_sections(result: Result, series: Series) -> tuple[list[Section], list[str]]:
    """Return the pieces of evidence that the data allow, and the names of those they do not."""
    with draw.figure_style():
        made = {name: build(result, series) for name, build in _ALL.items()}
    brought = {"focus positions", "a sensor", "a second camera"}  # absent unless somebody did
    missing = [name for name, section in made.items() if section is None and name not in brought]
    return [section for section in made.values() if section is not None], missing
