"""Evidence about motion: spectrum, time series, directions and the folded periodic error."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.plain import plain
from blursplit.report import figures as draw
from blursplit.report.sections import Section, holds, picture
from blursplit.report.tables import Table, thinned_table
from blursplit.report.wording import estimate_text, number, setting

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from blursplit.result import PhaseCurve, Result
    from blursplit.series import Series

FEW_TURNS = 2.0

__all__ = ["ellipses_section", "motion_section", "periodic_section", "spectrum_section"]


def _spectrum_caption(result: Result, series: Series) -> str:
    """Name the curves that are drawn, and no other."""
    parts = [("", "Solid: shared by all stars, with its 68 % band.")]
    parts += [
        ("air", "Long dashes and band: the part of it that the air explains."),
        ("differential", "Short dashes: one star against the others."),
        ("noise", "Dots: noise."),
    ]
    drawn = [text for name, text in parts if not name or f"{name}_psd_arcsec2_hz" in series.arrays]
    drawn.append("Numbers mark the lines of the table." if result.lines else "No line was found.")
    return " ".join(drawn)


def spectrum_section(result: Result, series: Series) -> Section | None:
    """Return spectrum and coherence; None for runs too short to have them."""
    arrays = series.arrays
    frequency, total = arrays.get("frequency_hz"), draw.shared_density(series)
    if frequency is None or total is None:
        return None
    inside = frequency > 0
    if not np.any(total[inside] > 0):
        return None

    def part(name: str) -> Any:
        return arrays[name][inside] if name in arrays else None

    pictures = [
        picture(
            draw.draw_spectrum(series, result.lines),
            "spectrum",
            "Spectrum of the motion",
            _spectrum_caption(result, series),
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
    if holds(series, "coherence"):
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


def _motion_caption(result: Result, series: Series, axis: str) -> str:
    """Name the curves that are drawn, and no other."""
    terms = [n for n in ("tracking", "structure") if f"{n}_{axis}_arcsec" in series.arrays]
    with_terms = f", with the estimated {' and '.join(terms)}" if terms else ""
    events = " No event stood out." if result.event_search is not None else ""
    if result.events:
        events = " Shaded: events."
    return f"Shared motion of all stars{with_terms}.{events}"


def motion_section(result: Result, series: Series) -> Section | None:
    """Return the shared motion over time; None without any."""
    arrays = series.arrays
    pictures = []
    for axis in ("x", "y"):
        if not holds(series, "time_s", f"common_{axis}_arcsec"):
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
                _motion_caption(result, series, axis),
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


def ellipses_section(result: Result, _series: Series) -> Section | None:
    """Return the ellipses of motion by cause; None if no cause has one."""
    if not set(draw.half_axes(result)) - {"atmosphere"}:
        return None
    rows = []
    air = result.atmosphere.motion_rms_arcsec
    if air is not None and air.value is not None:
        text = estimate_text(air, "arcsec")
        rows.append(["atmosphere", text, text, "taken as round", "taken as round"])
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
                "smaller axis that is only a limit is drawn as zero; nearly round motion whose "
                "direction is open is drawn as a circle.",
                table,
            )
        ],
    )


def _fold_caption(curve: PhaseCurve) -> str:
    size = curve.peak_to_peak_arcsec
    told = (
        "nothing in this part of the turn limits the size of the whole"
        if size is None
        else f"peak to peak of a whole turn: {estimate_text(size, 'arcsec')}"
    )
    text = (
        f"Shared motion along {curve.angle_deg:.0f} deg from +x toward +y, folded on "
        f"{setting(curve.period_s)} s, drift and other periods removed; phase 0 is the first "
        f"frame. The run covers {number(curve.turns_covered)} turns and "
        f"{100 * curve.covered_share:.0f} % of the phases; {told}. Squares: means of the frames, "
        "with bars that allow for motion which neighbouring frames share (68 %)."
    )
    if 1 <= curve.turns_covered < FEW_TURNS:
        text += " With so few turns the drift and the curve trade places."
    elif curve.turns_covered < 1:
        text += (
            " Less than one turn was seen: only that part is drawn, and what of it a straight "
            "line can follow counts as drift. The size of the whole rests on the bend of this "
            "part and on how smooth such errors are."
        )
    return text


def periodic_section(result: Result, _series: Series) -> Section | None:
    """Return the folded motion of each declared drive period; None without any."""
    curves = result.tracking.phase_curves
    if not curves:
        return None
    pictures = [
        picture(
            draw.draw_periodic(curve),
            f"periodic-{index}",
            f"Periodic error: {plain(curve.name)}",
            _fold_caption(curve),
            thinned_table(
                _seen_columns(curve),
                "Folded motion and fitted curve with its 68 % band.",
            ),
        )
        for index, curve in enumerate(curves, start=1)
    ]
    return Section(
        "periodic", "Periodic error", "measured", "The drive's own rhythm, folded.", pictures
    )


def _seen_columns(curve: PhaseCurve) -> dict[str, NDArray[np.float64]]:
    """Return the bins of which anything is known, as columns of a table."""
    columns: dict[str, Sequence[float | None]] = {
        "phase [turns]": curve.phase_turns,
        "shift [arcsec]": curve.shift_arcsec,
        "error [arcsec]": curve.shift_error_arcsec,
        "curve from [arcsec]": curve.curve_low_arcsec,
        "to [arcsec]": curve.curve_high_arcsec,
    }
    every = {
        head: np.array([np.nan if value is None else value for value in values])
        for head, values in columns.items()
    }
    seen = np.isfinite(every["shift [arcsec]"]) | np.isfinite(every["to [arcsec]"])
    return {head: values[seen] for head, values in every.items()}
