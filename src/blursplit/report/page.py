"""The page of a result, and the shell that all pages share: one HTML text without a network."""

from __future__ import annotations

import base64
import functools
import hashlib
import io
import itertools
import re
from collections.abc import Iterable
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.errors import plain
from blursplit.report import figures as draw
from blursplit.report.evidence import Picture, evidence_sections
from blursplit.report.figures._canvas import LOOKS as COLOURS
from blursplit.report.figures._canvas import block_means
from blursplit.report.numbers import UNKNOWN, number
from blursplit.report.summary import summarize
from blursplit.result import Result
from blursplit.series import Series
from blursplit.types import FloatArray, ImageArray, IntArray

if TYPE_CHECKING:
    import jinja2

LOOKS = (
    ("auto", "As the system"),
    ("light", "Light"),
    ("dark", "Dark"),
    ("night", "Night, dim red"),
)

METHOD = {
    "Windowed centroids, noise taken out.": "",
    "Seeing is 0.976 λ/r₀.": "Fried 1966; Tokovinin 2002",
    "Pairs bound the air from below, the centred star from above.": "Noll 1976",
    "Lines are judged against the continuum beside them.": "Thomson 1982",
    "Intervals: histories of this run that one fit allows.": "Whittle 1953",
    "The bar shows mean shares of the width above the telescope's.": "Shapley 1953",
}

# --- the shell ----------------------------------------------------------------------------------


_TIED = re.compile(
    r"(?<=[\d…]) (?=(?:arcsec|arcmin|px|Hz|s|min|m|m/s|%|deg|rpm|ADU|nm|µm|µs|stars?|frames?)"
    r"(?![\w-]))|(?<=<) (?=\d)|(?<=\d) (?=(?:to|×) [+−]?\d)|(?<=\d to) (?=[+−]?\d)"
)


def _tied(text: str) -> str:
    """Return a text whose numbers do not part from their units at the end of a line."""
    return _TIED.sub("\u00a0", text)


@functools.cache
def _package_text(name: str) -> str:
    return files("blursplit.report").joinpath(name).read_text(encoding="utf-8")


@functools.cache
def _environment() -> jinja2.Environment:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: _package_text(f"templates/{name}")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: _tied(value) if type(value) is str else value,
    )
    environment.filters["options"] = functools.partial(_marked, r"(--[\w-]+)", "option")
    # An interval is read second.
    interval = r"(\([^()]+\sto\s[^()]+\))"
    environment.filters["intervals"] = functools.partial(_marked, interval, "interval")
    return environment


def _marked(pattern: str, kind: str, text: str) -> Any:
    """Return a text some of whose parts are set apart; command-line options are never broken."""
    from markupsafe import Markup, escape

    marked = re.sub(pattern, rf'<span class="{kind}">\1</span>', str(escape(_tied(text))))
    return Markup(marked)  # noqa: S704 - escaped above


def _render(name: str, **values: Any) -> str:
    """Fill one of the package's templates; every text is escaped unless it is `Markup`."""
    return _environment().get_template(name).render(**values)


def _css_variables(look: str) -> str:
    """Return the CSS declarations of one look, such as ``--ink: #1c2530;``."""
    return " ".join(f"--{name}: {value};" for name, value in COLOURS[look].items())


def _style() -> str:
    light, dark = _css_variables("light"), _css_variables("dark")
    looks = [f":root {{ {light} }}"]
    looks += [f"@media screen and (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}"]
    # Later rules of equal weight win, so the reader's choice stands above the system's.
    looks += [
        f"@media screen {{ :root:has(#look-{look}:checked) {{ {_css_variables(look)} }} }}"
        for look in ("light", "dark", "night")
    ]
    return "\n".join([*looks, _package_text("style.css")])


def _policy(scripts: list[str]) -> str:
    """Return a content security policy under which only the page's own scripts run.

    Whatever a header smuggled into the page could neither run nor fetch anything.
    """
    digests = (hashlib.sha256(text.encode()).digest() for text in scripts)
    hashes = (f"'sha256-{base64.b64encode(digest).decode()}'" for digest in digests)
    script = " ".join(hashes) or "'none'"
    return f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {script}"


def page_of(
    template: str, head: str, /, *, with_charts: bool = False, script: str = "", **values: Any
) -> str:
    """Return a whole HTML page made of a template of the package, in the looks all pages share.

    `head`: title of the page. It and every text among `values`, what the template is filled with,
    are escaped unless they are `Markup`. `with_charts`: whether the charting script and the script
    that makes charts of the page's data go in. `script`: a script of this page alone. The looks
    (system, light, dark, dim red for the night) are chosen by radio buttons and CSS alone.
    """
    from importlib.metadata import version

    from markupsafe import Markup

    sources = ["vendor/uPlot.iife.min.js", "script.js"] if with_charts else []
    chosen = [*(_package_text(name).strip() for name in sources), *([script] if script else [])]
    style = _style()
    if with_charts:
        style = _package_text("vendor/uPlot.min.css") + "\n" + style
    return _render(
        "shell.html",
        title=head,
        version=version("blursplit"),
        policy=_policy(chosen),
        style=Markup(style),  # noqa: S704 - the package's own files
        looks=LOOKS,
        body=Markup(_render(template, **values)),  # noqa: S704 - escaped by the template
        scripts=[Markup(text) for text in chosen],  # noqa: S704 - the package's own files
    )


# --- pictures of stars --------------------------------------------------------------------------


def _field(result: Result, series: Series) -> float | None:
    """Return half the side of the drawn field [arcsec], None without a scale."""
    recorded, scale = result.fwhm.recorded_arcsec, series.image_scale_arcsec
    image = series.images.get("recorded")
    if image is None or not scale:
        return None
    half = 0.5 * min(image.shape) * scale
    if recorded is None or not recorded.value:
        return float(half)
    # a trail is longer than its width tells
    bright = np.argwhere(np.nan_to_num(image) > 0.5 * np.nanmax(image))
    reach = float(np.abs(bright - 0.5 * (min(image.shape) - 1)).max()) * scale
    return float(min(half, max(2.2 * recorded.value, 1.3 * reach)))


def _width_of(image: ImageArray, scale_arcsec: float) -> float:
    """Return the diameter of the circle with the area of an image above half its maximum."""
    area = np.count_nonzero(image > 0.5 * np.nanmax(image)) * scale_arcsec**2
    return float(2.0 * np.sqrt(area / np.pi))


def _shows(image: ImageArray, star: dict[str, Any], recorded: ImageArray, scale: float) -> bool:
    """Return whether a picture shows most of what its cure is said to save.

    Motion that is known by its size alone cannot be shifted out of the frames.
    """
    stated = star.get("stated_arcsec")
    if stated is None:
        return True
    now, seen = _width_of(recorded, scale), _width_of(image, scale)
    missing = const.MISSING_IN_PICTURE * max(now - stated, 0.0)
    return bool(seen - stated <= max(missing, const.SAME_WIDTH * now))


def _stars(summary: dict[str, Any], result: Result, series: Series) -> list[dict[str, Any]]:
    """Return the stars of the first screen with their pictures, in one scale and one stretch.

    A star keeps its words where there is no picture that shows them.
    """
    scale = series.image_scale_arcsec
    found: list[dict[str, Any]] = []
    for star in summary["stars"]:
        image = series.images.get(star["image"])
        image = None if image is None or not np.isfinite(image).any() else image
        if found and (image is None or star["width"] == UNKNOWN):
            continue
        if image is not None and found and scale:
            image = image if _shows(image, star, found[0]["image"], scale) else None
        found.append({**star, "image": image})
        if image is None and not found[1:]:
            break
    pixels = [star["image"] for star in found if star["image"] is not None]
    if not pixels:
        return found if found and found[0]["width"] != UNKNOWN else []
    white = max(float(np.nanmax(image)) for image in pixels)
    half = _field(result, series)
    same: dict[str, Any] = {"pixel_scale_arcsec": scale, "half_size": half, "white": white}
    for index, star in enumerate(found):
        if star["image"] is None:
            continue
        figure = draw.draw_star(star["image"], **same, label=False)
        text = f"Star image, FWHM {star['width']} {star['unit']}; the ring is its half maximum."
        star["bar"] = f"{draw.bar_length(half):g} arcsec" if half else ""
        star["svg"] = draw.svg_text(figure, f"star-{index}", star["label"], text)
    return found


def _loop(result: Result, series: Series) -> dict[str, Any] | None:
    """Return the film strip of single frames of the best star, and how it runs."""
    frames = series.images.get("loop")
    if frames is None or frames.ndim != 3 or not np.isfinite(frames).any():  # noqa: PLR2004
        return None
    cut = np.nan_to_num(np.asarray(frames[: const.LOOP_FRAMES], dtype=float))
    half, scale = _field(result, series), result.setting("pixel_scale_arcsec")
    if half and scale:
        side = int(min(max(round(2 * half / scale), 6), *cut.shape[1:]))
        first_y, first_x = ((length - side) // 2 for length in cut.shape[1:])
        cut = cut[:, first_y : first_y + side, first_x : first_x + side]
    count, ny, nx = cut.shape
    # row 0 is drawn below, as in the other pictures
    strip = cut[:, ::-1].reshape(count * ny, nx)
    low = float(np.median(cut))
    high = max(float(np.percentile(cut.reshape(count, -1).max(axis=1), 90)), low + 1e-9)
    shown = np.clip((strip - low) / (high - low), 0.0, 1.0) ** 0.6
    slower, speed = const.LOOP_INTERVAL_S / (result.sequence.cadence_s or np.inf), ""
    if slower:
        times = number(max(slower, 1 / slower), 2)
        speed = f"{times} × slower" if slower >= 1 else f"{times} × faster"
    return {
        "source": _png(shown),
        "frames": count,
        "seconds": f"{count * const.LOOP_INTERVAL_S:.2f}",
        "ratio": f"{nx} / {ny}",
        "speed": speed,
    }


def _png(levels: FloatArray) -> str:
    """Return a grey picture as a data address."""
    from matplotlib.image import imsave

    buffer = io.BytesIO()
    about = {"Software": "blursplit"}
    imsave(buffer, levels, cmap="gray", vmin=0, vmax=1, format="png", metadata=about)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode()


def _finder(result: Result, series: Series) -> Picture | None:
    finder = series.images.get("finder")
    if finder is None or not np.isfinite(finder).any():
        return None
    columns = None
    x_px, y_px = series.arrays.get("star_x_px"), series.arrays.get("star_y_px")
    if x_px is not None and y_px is not None:
        columns = {"star": np.arange(x_px.size), "x [px]": x_px, "y [px]": y_px}
    return Picture.of(draw.Plots(result, series).finder(), "finder", columns, pixels=True)


# --- data of the interactive charts -------------------------------------------------------------


def _numbers(values: ArrayLike, digits: int = 5) -> list[float | None]:
    return [
        float(f"{value:.{digits - 1}e}") if np.isfinite(value) else None
        for value in np.asarray(values, dtype=float)
    ]


def _curves(curves: Iterable[tuple[Any, ...]], kept: IntArray, digits: int) -> list[dict[str, Any]]:
    """Return the known ones of (label, values, colour, dash) at the points kept."""
    return [
        {"label": label, "colour": colour, "dash": dash, "values": _numbers(values[kept], digits)}
        for label, values, colour, dash in curves
        if values is not None
    ]


def _band(series: Series, name: str, colour: str) -> dict[str, Any]:
    low, high = (series.arrays.get(f"{name}_psd_{end}_arcsec2_hz") for end in ("low", "high"))
    frequency = series.arrays["frequency_hz"]
    if low is None or high is None:
        return {"colour": colour, "x": [], "low": [], "high": []}
    good = (frequency > 0) & (low > 0) & (high > 0)
    columns = block_means([frequency[good], low[good], high[good]], 300, logarithmic=True)
    x, bottom, top = (_numbers(column, 4) for column in columns)
    return {"colour": colour, "x": x, "low": bottom, "high": top}


def _spectrum_chart(result: Result, series: Series) -> dict[str, Any] | None:
    arrays = series.arrays
    frequency, total = arrays.get("frequency_hz"), draw.shared_density(series)
    if frequency is None or total is None:
        return None
    inside = np.flatnonzero(frequency > 0)
    if not np.any(total[inside] > 0):
        return None
    if inside.size > const.CHART_POINTS:
        # Above this length only a peak's neighbours matter: keep the highest of each stretch.
        edges = np.unique(np.geomspace(1, inside.size, const.CHART_POINTS).astype(int))
        peaks = [a + int(np.argmax(total[inside[a:b]])) for a, b in itertools.pairwise(edges)]
        inside = inside[[0, *peaks]]
    densities: tuple[tuple[Any, ...], ...] = (
        ("shared by all stars", total, "recorded", []),
        ("air's part of it", arrays.get("air_psd_arcsec2_hz"), "atmosphere", [8, 3]),
        ("star against star", arrays.get("differential_psd_arcsec2_hz"), "optics", [4, 2]),
        ("noise", arrays.get("noise_psd_arcsec2_hz"), "muted", [2, 3]),
    )
    curves = [
        (label, None if values is None else np.where(values > 0, values, np.nan), *how)
        for label, values, *how in densities
    ]
    return {
        "id": "spectrum",
        "logarithmic": True,
        "x": {"label": "frequency", "unit": "Hz", "values": _numbers(frequency[inside])},
        "y": {"label": "density, both axes", "unit": "arcsec²/Hz"},
        "series": _curves(curves, inside, 5),
        "marks": [
            {"x": line.shown_hz, "label": f"{index}: {plain(line.cause)}"}
            for index, line in enumerate(result.lines, start=1)
            if line.shown_hz is not None
        ],
        "spans": [],
        "bands": [_band(series, "common", "recorded"), _band(series, "air", "atmosphere")],
    }


def _motion_chart(result: Result, series: Series, axis: str) -> dict[str, Any] | None:
    time_s, common = series.arrays.get("time_s"), series.arrays.get(f"common_{axis}_arcsec")
    if time_s is None or common is None or not np.isfinite(common).any():
        return None
    kept = np.arange(time_s.size)
    if time_s.size > const.CHART_POINTS:
        kept = np.asarray(draw.decimate(kept, common, const.CHART_POINTS)[0], dtype=int)
    curves: tuple[tuple[Any, ...], ...] = (
        ("shared motion", common, "quiet", []),
        ("shaking", series.arrays.get(f"structure_{axis}_arcsec"), "structure", []),
        ("tracking", series.arrays.get(f"tracking_{axis}_arcsec"), "tracking", [6, 3]),
    )
    return {
        "id": f"motion-{axis}",
        "logarithmic": False,
        "x": {"label": "time", "unit": "s", "values": _numbers(time_s[kept], 7)},
        "y": {"label": f"shift along {axis}", "unit": "arcsec"},
        "series": _curves(curves, kept, 4),
        "marks": [],
        "bands": [],
        "spans": [[event.start_s, event.start_s + event.duration_s] for event in result.events],
    }


# --- the page -----------------------------------------------------------------------------------


def render_page(result: Result, series: Series) -> str:
    """Return the page of a result as one self-contained HTML text.

    Evidence without data is named as not shown. It opens from disk without a network; texts from
    headers are escaped, and a content security policy lets only the page's own scripts run.
    """
    summary = summarize(result)
    with draw.figure_style():
        stars = _stars(summary, result, series)
        finder = _finder(result, series)
    sections, missing = evidence_sections(result, series)
    # what the page's script draws in place of the still figures
    drawn = _spectrum_chart(result, series), *(_motion_chart(result, series, a) for a in "xy")
    charts = [chart for chart in drawn if chart is not None]
    return page_of(
        "page.html",
        f"{summary['title']}: {summary['headline']}",
        with_charts=bool(charts),
        s=summary,
        stars=stars,
        loop=_loop(result, series),
        finder=finder,
        sections=sections,
        missing=missing,
        charts=charts,
        method=METHOD,
    )
