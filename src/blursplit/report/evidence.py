"""Pieces of evidence in the order of the page: a heading, what it shows, figures with tables.

Their words stand in `words_evidence` under the same names.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Literal, NamedTuple, TypedDict, cast

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.errors import plain
from blursplit.report import figures as draw
from blursplit.report.figures.evidence import binned_pairs
from blursplit.report.numbers import estimate_text, figure, number
from blursplit.report.words import sentence
from blursplit.report.words_evidence import HEADINGS, TABLES, TITLES
from blursplit.result import Facts, Result
from blursplit.series import Series

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class _Table(TypedDict):
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
    table: _Table | None
    pixels: bool = False

    @classmethod
    def of(
        cls,
        drawn: Figure,
        name: str,
        table: _Table | Mapping[str, ArrayLike | None] | None,
        *,
        kind: str = "",
        pixels: bool = False,
        logarithmic: bool = False,
        **facts: float | str | None,
    ) -> Picture:
        """Return a drawn figure with its words; the caption also describes it to screen readers.

        `table`: its columns, thinned here, or a whole table. `kind`: where its words stand, if not
        at its name.
        """
        kind = kind or name
        title, caption = TITLES[kind].format(**facts), sentence(f"figure-{kind}", **facts)
        if table is not None and "rows" not in table:
            whole = TABLES[kind].format(**facts)
            table = _thinned_table(cast("Any", table), whole, logarithmic=logarithmic)
        svg = draw.svg_text(drawn, name, title, caption)
        return cls(name, title, svg, caption, cast("_Table | None", table), pixels)


class _Section(NamedTuple):
    """A piece of evidence: what it shows, and its figures; `paper` ones are printed."""

    name: str
    heading: str
    text: str
    pictures: list[Picture]
    paper: bool = False


def _thinned_table(
    columns: Mapping[str, ArrayLike | None], caption: str, *, logarithmic: bool = False
) -> _Table:
    """Return a table of a few rows of equally long columns; the caption says what is left out.

    `columns`: head with unit -> numbers; a column that is None is left out. `logarithmic`: whether
    the rows kept are spread evenly in the logarithm of their index.
    """
    kept = {head: np.asarray(values) for head, values in columns.items() if values is not None}
    size = min((values.size for values in kept.values()), default=0)
    index: Any = np.arange(size)
    if size > const.TABLE_ROWS:
        spread = np.geomspace(1, size, const.TABLE_ROWS) - 1 if logarithmic else None
        spread = np.linspace(0, size - 1, const.TABLE_ROWS) if spread is None else spread
        index = np.unique(np.round(spread).astype(int))
        caption += f" {sentence('table-thinned', rows=float(index.size), of=float(size))}"

    def cell(value: Any, head: str, column: int) -> str:
        # places and the first column to three figures, others to two
        if isinstance(value, np.integer):
            return str(value)
        if head.endswith("[arcsec]") and column:
            return figure(float(value))
        return number(float(value), 3 if column == 0 or head.endswith("[px]") else 2)

    rows = [
        [cell(values[k], head, column) for column, (head, values) in enumerate(kept.items())]
        for k in index
    ]
    return {"caption": caption, "columns": list(kept), "rows": rows}


def _section(
    name: str, *pictures: Picture, paper: bool = False, **facts: float | str | None
) -> _Section:
    text = sentence(f"shows-{name}", **facts)
    return _Section(name, HEADINGS[name], text, list(pictures), paper)


def _holds(series: Series, *names: str) -> bool:
    arrays = [series.arrays.get(name) for name in names]
    return all(array is not None and bool(np.isfinite(array).any()) for array in arrays)


def _pairs(result: Result, series: Series) -> _Section | None:
    arrays = series.arrays
    parts = [p for p in ("along", "across") if _holds(series, f"pair_{p}_rms_arcsec")]
    if not parts or not _holds(series, "pair_separation_arcsec"):
        return None
    separation = arrays["pair_separation_arcsec"]
    columns: dict[str, Any] = {}
    for part in parts:
        binned = binned_pairs(separation, arrays[f"pair_{part}_rms_arcsec"])
        columns["separation [arcsec]"], columns[f"rms {part} [arcsec]"] = binned
    bands = "68 %" if "pair_model_separation_arcsec" in arrays else None
    known = [
        size
        for one in result.motion.pairs
        for size in (one.along_rms_arcsec, one.across_rms_arcsec)
    ]
    bars = "68 %" if any(size is not None and size.low is not None for size in known) else None
    drawn = draw.Plots(result, series).pairs()
    count = float(separation.size)
    shown = Picture.of(drawn, "pairs", columns, pairs=count, bars=bars, bands=bands)
    return _section("pairs", shown, paper=True)


def _otf(result: Result, series: Series) -> _Section | None:
    arrays = series.arrays
    if not _holds(series, "baseline_m", "otf_measured"):
        return None
    drawn = draw.Plots(result, series).otf()
    columns = {
        "baseline [m]": arrays["baseline_m"],
        "measured": arrays["otf_measured"],
        "model": arrays.get("otf_model"),
    }
    return _section("otf", Picture.of(drawn, "otf", columns))


def _focus(result: Result, series: Series) -> _Section | None:
    arrays, focus = series.arrays, result.instrument.focus
    if focus is None or not _holds(series, "focus_position", "focus_curve_arcsec"):
        return None
    columns = {
        "focus position": arrays["focus_position"],
        "width [arcsec]": arrays["focus_fwhm_arcsec"],
    }
    return _section(
        "focus",
        Picture.of(draw.Plots(result, series).focus(), "focus", columns),
        best=estimate_text(focus.best_position, ""),
        used=f"{focus.used_position:.6g}",
        defocus=estimate_text(result.instrument.defocus_arcsec, "arcsec", finest=2),
        astigmatism=estimate_text(result.instrument.astigmatism_arcsec, "arcsec", finest=2),
    )


def _spectrum(result: Result, series: Series) -> _Section | None:
    arrays = series.arrays
    frequency, total = arrays.get("frequency_hz"), draw.shared_density(series)
    if frequency is None or total is None:
        return None
    inside = frequency > 0
    if not np.any(total[inside] > 0):
        return None
    air = arrays.get("air_psd_arcsec2_hz")
    columns = {
        "frequency [Hz]": frequency[inside],
        "shared [arcsec²/Hz]": total[inside],
        "air [arcsec²/Hz]": None if air is None else air[inside],
    }
    marks = "Numbers" if result.lines else None
    drawn = draw.Plots(result, series).spectrum()
    pictures = [Picture.of(drawn, "spectrum", columns, logarithmic=True, marks=marks)]
    if _holds(series, "coherence"):
        columns = {"frequency [Hz]": frequency[inside], "share": arrays["coherence"][inside]}
        drawn = draw.Plots(result, series).coherence()
        pictures.append(Picture.of(drawn, "coherence", columns, logarithmic=True))
    return _section("spectrum", *pictures, paper=True)


def _motion(result: Result, series: Series) -> _Section | None:
    arrays = series.arrays
    pictures: list[Picture] = []
    axes: tuple[Literal["x", "y"], ...] = ("x", "y")
    for axis in axes:
        if not _holds(series, "time_s", f"common_{axis}_arcsec"):
            continue
        columns = {
            "time [s]": arrays["time_s"],
            "shared [arcsec]": arrays[f"common_{axis}_arcsec"],
            "tracking [arcsec]": arrays.get(f"tracking_{axis}_arcsec"),
            "shaking [arcsec]": arrays.get(f"structure_{axis}_arcsec"),
        }
        terms = [t for t in ("tracking", "shaking") if columns[f"{t} [arcsec]"] is not None]
        pictures.append(
            Picture.of(
                draw.Plots(result, series).motion(axis),
                f"motion-{axis}",
                columns,
                kind="motion-again" if pictures else "motion",
                axis=axis,
                terms=" and ".join(terms) or None,
                events="events" if result.events else None,
            )
        )
    return _section("motion", *pictures, paper=True) if pictures else None


def _by_time(result: Result, series: Series) -> _Section | None:
    if not _holds(series, "time_edge_s", "frequency_edge_hz", "common_psd_by_time_arcsec2_hz"):
        return None
    edge_s, edge_hz = series.arrays["time_edge_s"], series.arrays["frequency_edge_hz"]
    psd = series.arrays["common_psd_by_time_arcsec2_hz"]
    if psd.shape != (len(edge_s) - 1, len(edge_hz) - 1):
        return None  # a file that is not whole
    seen = np.isfinite(psd).all(axis=1)
    kept = psd[seen]
    columns = {
        "time [s]": (0.5 * (edge_s[:-1] + edge_s[1:]))[seen],
        "motion, rms [arcsec]": np.sqrt(kept @ np.diff(edge_hz)),
        "strongest at [Hz]": np.sqrt(edge_hz[:-1] * edge_hz[1:])[kept.argmax(axis=1)],
    }
    return _section(
        "by-time",
        Picture.of(
            draw.Plots(result, series).by_time(),
            "by-time",
            columns,
            pixels=True,
            lines="lines" if result.lines else None,
            events="events" if result.events else None,
            blank=None if seen.all() else "nothing recorded",
        ),
    )


def _ellipses(result: Result, series: Series) -> _Section | None:
    if not set(result.half_axes()) - {"atmosphere"}:
        return None
    rows = [
        [
            label,
            estimate_text(part.rms_major_arcsec, "arcsec"),
            estimate_text(part.rms_minor_arcsec, "arcsec"),
            estimate_text(part.angle_deg, "deg"),
            estimate_text(part.position_angle_deg, "deg"),
        ]
        for label, part in (("tracking", result.tracking), ("shaking", result.structure))
        if part.rms_major_arcsec is not None and part.rms_major_arcsec.value is not None
    ]
    heads = ["cause", "long axis", "short axis", "from +x to +y", "from north"]
    table: _Table = {"caption": TABLES["ellipses"], "columns": heads, "rows": rows}
    drawn = Picture.of(draw.Plots(result, series).ellipses(), "ellipses", table)
    unknown = None if result.north_in_image() else "North"
    return _section("ellipses", drawn, unknown=unknown)


def _periodic(result: Result, series: Series) -> _Section | None:
    curves = result.tracking.phase_curves
    if not curves:
        return None
    pictures = []
    for index, curve in enumerate(curves, start=1):
        size = curve.peak_to_peak_arcsec
        # what was not seen is None, which becomes NaN
        columns = {
            "phase [turns]": np.array(curve.phase_turns),
            "shift [arcsec]": np.array(curve.shift_arcsec, dtype=float),
            "curve [arcsec]": np.array(curve.curve_arcsec, dtype=float),
        }
        pictures.append(
            Picture.of(
                draw.Plots(result, series).periodic(index - 1),
                f"periodic-{index}",
                columns,
                kind="periodic",
                drive=plain(curve.name),
                angle_deg=curve.angle_deg,
                period_s=curve.period_s,
                turns=curve.turns_covered,
                size=None if size is None else estimate_text(size, "arcsec"),
                unlimited="size" if size is None else None,
                few="few" if curve.turns_covered < const.FEW_TURNS else None,
            )
        )
    return _section("periodic", *pictures)


def _witness(name: str, result: Result, series: Series) -> _Section | None:
    arrays = series.arrays
    if not _holds(series, f"{name}_frequency_hz", f"{name}_coherence"):
        return None
    is_pair = name == "cameras"
    used = [
        sentence(
            f"goes-with-{name}",
            witness=w.name,
            rms=estimate_text(w.coherent_rms_arcsec, "arcsec"),
            seeing=estimate_text(w.seeing_500nm_zenith_arcsec, "arcsec", finest=2),
        )
        for w in result.witnesses
        if w.used and (w.kind == "second-camera") == is_pair
    ]
    columns: dict[str, Any] = {"frequency [Hz]": arrays[f"{name}_frequency_hz"]}
    for key, label, _, _ in draw.WITNESS_CURVES[name]:
        columns[f"{label} [arcsec²/Hz]"] = arrays.get(key)
    columns["coherence"] = arrays[f"{name}_coherence"]
    spectra, coherence = draw.Plots(result, series).witness(name)
    section = _section(
        name,
        Picture.of(spectra, f"{name}-spectra", columns, logarithmic=True),
        Picture.of(coherence, f"{name}-coherence", None),
    )
    return section._replace(text=" ".join([section.text, *used]))


def _shape(result: Result, series: Series) -> _Section | None:
    if not _holds(series, "elongation_e1", "elongation_e2"):
        return None
    both = {name: series.arrays[f"elongation_{name}"] for name in ("e1", "e2")}
    means: Facts = {}
    for name, values in both.items():
        error = float(np.nanstd(values)) / max(int(np.isfinite(values).sum()), 1) ** 0.5
        means[name] = f"{float(np.nanmean(values)):.3f} ± {error:.3f}".replace("-", "−")
    return _section(
        "shape", Picture.of(draw.Plots(result, series).shape(), "shape", both, **cast("Any", means))
    )


# Name of a piece, as the page lists what it does not show, and what makes it.
_ALL: dict[str, Callable[[Result, Series], _Section | None]] = {
    "rhythms": _spectrum,
    "motion over time": _motion,
    "pairs of stars": _pairs,
    "the centred star": _otf,
    "directions": _ellipses,
    "rhythms over time": _by_time,
    "periodic error": _periodic,
    "focus positions": _focus,
    "a sensor": partial(_witness, "sensor"),
    "a second camera": partial(_witness, "cameras"),
    "shape of the stars": _shape,
}


def evidence_sections(result: Result, series: Series) -> tuple[list[_Section], list[str]]:
    """Return the pieces of evidence that the data allow, and the names of those they do not."""
    with draw.figure_style():
        made = {name: build(result, series) for name, build in _ALL.items()}
    brought = {"focus positions", "a sensor", "a second camera"}  # absent unless somebody did
    missing = [name for name, section in made.items() if section is None and name not in brought]
    return [section for section in made.values() if section is not None], missing
