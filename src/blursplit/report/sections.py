"""The evidence, one piece at a time: each with its figure, its words and the table behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from blursplit.report import figures as draw
from blursplit.report.figures.evidence import binned_pairs
from blursplit.report.figures.motion import along
from blursplit.report.tables import Table, thinned_table
from blursplit.report.wording import estimate_text, number, plain, setting

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from matplotlib.figure import Figure

    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["Picture", "Section", "evidence_sections", "picture"]


class Picture(NamedTuple):
    """A figure of the page."""

    name: str
    title: str
    svg: str
    caption: str
    table: Table | None
    pixels: bool = False


class Section(NamedTuple):
    """A piece of evidence; `basis` is measured, inferred or unknown."""

    name: str
    heading: str
    basis: str
    text: str
    pictures: list[Picture]


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


def _pairs(_result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    separation = arrays.get("pair_separation_arcsec")
    if separation is None or separation.size == 0:
        return None
    columns: dict[str, Any] = {}
    for part in ("along", "across"):
        rms = arrays.get(f"pair_{part}_rms_arcsec")
        if rms is not None:
            x, y = binned_pairs(separation, rms)
            columns["separation [arcsec]"] = x
            columns[f"rms {part} [arcsec]"] = y
    caption = (
        f"Differential motion of {separation.size} pairs, noise removed. Filled: along the line "
        "that joins the pair; open: across it. The bands hold the fitted air with 68 %."
    )
    return Section(
        "pairs",
        "Motion of pairs of stars",
        "measured",
        "Tracking and structure move all stars alike, so they drop out of the difference between "
        "two stars. What remains is air high enough for the two beams to part: a lower bound on "
        "the air. Air close to the telescope moves all stars alike and does not show here.",
        [
            picture(
                draw.draw_pairs(series),
                "pairs",
                "Pair motion against separation",
                caption,
                thinned_table(columns, "Differential motion of pairs."),
            )
        ],
    )


def _otf(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if "baseline_m" not in arrays or "otf_measured" not in arrays:
        return None
    aperture = result.setup.get("aperture_m")
    table = thinned_table(
        {
            "baseline [m]": arrays["baseline_m"],
            "measured transfer": arrays["otf_measured"],
            "model": arrays.get("otf_model"),
            "model, low": arrays.get("otf_model_low"),
            "model, high": arrays.get("otf_model_high"),
        },
        "Transfer function of the registered star.",
    )
    width = estimate_text(result.fwhm.registered_arcsec, "arcsec")
    return Section(
        "otf",
        "The star after every frame is centred",
        "measured",
        "Centring each frame on its star takes out all motion that the frames can follow. The "
        "width that is left cannot come from slow motion: with a perfect instrument it would be "
        f"all air, which gives the upper bound. FWHM of the registered star: {width}.",
        [
            picture(
                draw.draw_otf(series, aperture.value if aperture is not None else None),
                "otf",
                "Transfer function of the registered star",
                "Contrast left at each baseline across the pupil: points measured, dashed line "
                "and band the fitted model with 68 %.",
                table,
            )
        ],
    )


def _spectrum(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    frequency, total = arrays.get("frequency_hz"), draw.shared_density(series)
    if frequency is None or total is None:
        return None
    inside = frequency > 0

    def part(name: str) -> Any:
        return arrays[name][inside] if name in arrays else None

    pictures = [
        picture(
            draw.draw_spectrum(series, result.lines),
            "spectrum",
            "Spectrum of the motion",
            "Solid: shared by all stars, with its 68 % band. Long dashes and band: the part of it "
            "that the air explains. Short dashes: one star against the others. Dots: noise. "
            "Numbers mark the lines of the table.",
            thinned_table(
                {
                    "frequency [Hz]": frequency[inside],
                    "shared [arcsec²/Hz]": total[inside],
                    "air [arcsec²/Hz]": part("air_psd_arcsec2_hz"),
                    "differential [arcsec²/Hz]": part("differential_psd_arcsec2_hz"),
                    "noise [arcsec²/Hz]": part("noise_psd_arcsec2_hz"),
                },
                "Spectral densities, both axes added.",
                logarithmic=True,
            ),
        )
    ]
    if "coherence" in arrays:
        pictures.append(
            picture(
                draw.draw_coherence(series, result.lines),
                "coherence",
                "Share of the motion common to all stars",
                "One: all stars move together, as a telescope makes them. Zero: each by itself, "
                "as high air does. Air close to the telescope also comes near one.",
                thinned_table(
                    {"frequency [Hz]": frequency[inside], "common share": part("coherence")},
                    "Coherence between stars.",
                    logarithmic=True,
                ),
            )
        )
    return Section(
        "spectrum",
        "Rhythm of the motion",
        "measured",
        "A narrow line shared by all stars is mechanical whatever the air does; its cause is "
        "inferred from its frequency, direction and damping. A broad shared excess is not proof: "
        "slow currents in the tube and shake by the wind look alike.",
        pictures,
    )


def _motion(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    pictures = []
    for axis in ("x", "y"):
        if "time_s" not in arrays or f"common_{axis}_arcsec" not in arrays:
            continue
        table = thinned_table(
            {
                "time [s]": arrays["time_s"],
                "shared [arcsec]": arrays[f"common_{axis}_arcsec"],
                "tracking [arcsec]": arrays.get(f"tracking_{axis}_arcsec"),
                "structure [arcsec]": arrays.get(f"structure_{axis}_arcsec"),
            },
            f"Motion along {axis}.",
        )
        pictures.append(
            picture(
                draw.draw_motion(series, "x" if axis == "x" else "y", result.events),
                f"motion-{axis}",
                f"Shared motion along {axis}",
                "Shared motion of all stars with the estimated tracking and structure. "
                + ("Shaded: events." if result.events else "No event stood out."),
                table,
            )
        )
    if not pictures:
        return None
    drift = estimate_text(result.tracking.drift_arcsec_per_min, "arcsec/min")
    return Section(
        "motion",
        "Motion over time",
        "measured",
        f"Drift: {drift}. The shared motion holds tracking, structure and air near the telescope.",
        pictures,
    )


def _ellipses(result: Result, _series: Series) -> Section | None:
    rows = []
    for name in ("tracking", "structure", "unassigned"):
        part = getattr(result, name)
        if part.rms_major_arcsec is not None and part.rms_major_arcsec.value is not None:
            rows.append(
                [
                    name if name != "unassigned" else "shared, cause open",
                    estimate_text(part.rms_major_arcsec, "arcsec"),
                    estimate_text(part.rms_minor_arcsec, "arcsec"),
                    estimate_text(part.angle_deg, "deg"),
                    estimate_text(part.position_angle_deg, "deg"),
                ]
            )
    if not rows:
        return None
    north = draw.north_in_image(result)
    where = (
        "North and east are drawn."
        if north is not None
        else "Which way north lies in the image is not known."
    )
    table: Table = {
        "caption": "Motion rms over the blur time.",
        "columns": ["cause", "larger axis", "smaller axis", "from +x to +y", "north through east"],
        "rows": rows,
    }
    return Section(
        "ellipses",
        "Direction of the motion by cause",
        "inferred",
        "Errors of a drive lie along its axis and a pier has weak axes, but the wind gives air a "
        f"direction too. {where}",
        [
            picture(
                draw.draw_ellipses(result),
                "ellipses",
                "Ellipses of motion by cause",
                "Half-axes are the motion's rms over the blur time; x points right, y up. A "
                "smaller axis that is only a limit is drawn as zero.",
                table,
            )
        ],
    )


def _periodic(result: Result, series: Series) -> Section | None:
    terms = [term for term in result.tracking.periodic if term.harmonic == 1][:3]
    if not terms or not {"time_s", "common_x_arcsec", "common_y_arcsec"} <= set(series.arrays):
        return None
    pictures = []
    for index, term in enumerate(terms, start=1):
        phase, mean, error = draw.fold(
            series.arrays["time_s"], along(series, term.angle_deg), term.period_s
        )
        pictures.append(
            picture(
                draw.draw_periodic(series, term),
                f"periodic-{index}",
                f"Periodic error: {plain(term.name)}",
                f"Shared motion folded on {setting(term.period_s)} s, a straight line removed; "
                f"the run "
                f"covers {number(term.turns_covered)} turns. Bars: standard error of a bin "
                "from the scatter in it; slow air adds to it when turns are few.",
                thinned_table(
                    {"phase [turns]": phase, "shift [arcsec]": mean, "error [arcsec]": error},
                    "Folded motion.",
                ),
            )
        )
    return Section(
        "periodic", "Periodic error", "measured", "The drive's own rhythm, folded.", pictures
    )


def _exposure(result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if not {"exposure_grid_s", "exposure_fwhm_arcsec"} <= set(arrays):
        return None
    return Section(
        "exposure",
        "Width against exposure time",
        "measured",
        "How much longer exposures lose: frames of the same star added without registration.",
        [
            picture(
                draw.draw_exposure(series, result.fwhm.blur_time_s),
                "exposure",
                "FWHM against exposure time",
                "The dashed line marks the exposure for which the budget holds.",
                thinned_table(
                    {
                        "exposure [s]": arrays["exposure_grid_s"],
                        "FWHM [arcsec]": arrays["exposure_fwhm_arcsec"],
                    },
                    "Width by exposure time.",
                ),
            )
        ],
    )


def _shape(_result: Result, series: Series) -> Section | None:
    arrays = series.arrays
    if not {"elongation_e1", "elongation_e2"} <= set(arrays):
        return None
    e1, e2 = arrays["elongation_e1"], arrays["elongation_e2"]
    if not (np.isfinite(e1).any() and np.isfinite(e2).any()):
        return None
    return Section(
        "shape",
        "Shape shared by all stars",
        "measured",
        "Elongation that changes from frame to frame is motion faster than the exposure. A "
        "constant part is optics or steady fast motion; two exposure times, or the camera turned "
        "by 90 degrees, would tell which.",
        [
            picture(
                draw.draw_shape(series),
                "shape",
                "Shared elongation, one point a frame",
                f"Mean e1 {number(float(np.nanmean(e1)))}, scatter {number(float(np.nanstd(e1)))}; "
                f"mean e2 {number(float(np.nanmean(e2)))}, scatter {number(float(np.nanstd(e2)))}, "
                "all without unit.",
                thinned_table({"e1": e1, "e2": e2}, "Shared elongation by frame."),
            )
        ],
    )


_ALL = {
    "motion of pairs of stars": _pairs,
    "transfer function of the registered star": _otf,
    "spectrum and coherence": _spectrum,
    "motion over time": _motion,
    "direction of the motion by cause": _ellipses,
    "periodic error": _periodic,
    "width against exposure time": _exposure,
    "shared elongation": _shape,
}


def evidence_sections(result: Result, series: Series) -> tuple[list[Section], list[str]]:
    """Return the pieces of evidence that the data allow, and the names of those they do not."""
    made: Mapping[str, Section | None]
    with draw.figure_style():
        made = {name: build(result, series) for name, build in _ALL.items()}
    return list(_present(made)), [name for name, section in made.items() if section is None]


def _present(made: Mapping[str, Section | None]) -> Iterator[Section]:
    for section in made.values():
        if section is not None:
            yield section
