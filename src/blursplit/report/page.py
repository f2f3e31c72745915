"""The page of a result: summary, then figures, then the template."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.report import figures as draw
from blursplit.report.charts import charts_of
from blursplit.report.evidence import evidence_sections
from blursplit.report.method import METHOD
from blursplit.report.sections import Picture, picture
from blursplit.report.shell import page_shell, render_template
from blursplit.report.summary import SCENARIOS, summarize
from blursplit.report.tables import Table, thinned_table

if TYPE_CHECKING:
    from blursplit.result import Result
    from blursplit.series import Series

__all__ = ["render_page"]


def _star_pictures(summary: dict[str, Any], result: Result, series: Series) -> dict[str, Picture]:
    """Draw the stars with one angular scale and one brightness scale."""
    images = {
        name: np.asarray(series.images[name], dtype=float)
        for name, _ in SCENARIOS
        if name in series.images and np.isfinite(series.images[name]).any()
    }
    if not images:
        return {}
    scale = series.image_scale_arcsec
    white = max(float(np.nanmax(image)) for image in images.values())
    half = min(0.5 * min(image.shape) * (scale or 1.0) for image in images.values())
    recorded = result.fwhm.recorded_arcsec
    if scale and recorded is not None and recorded.value is not None:
        half = min(half, 2.2 * recorded.value)
    widths = {row["name"]: row for row in summary["widths"]}
    made = {}
    for name, label in SCENARIOS:
        if name in images:
            figure = draw.draw_star(
                images[name], pixel_scale_arcsec=scale, half_size=half, white=white
            )
            text = f"Star image, FWHM {widths[name]['value']}; the ring is its half maximum."
            slug = "star-" + name.replace("_", "-")
            made[name] = picture(figure, slug, label, text, None, pixels=True)
    return made


def _budget_pictures(result: Result) -> list[Picture]:
    note = "Thick bars hold 68 %, thin ones 95 %; a dotted bar with an arrow is an upper limit."
    made = []
    if any(estimate is not None for estimate in draw.own_widths(result).values()):
        figure = draw.draw_widths(result)
        made.append(
            picture(figure, "budget-widths", "Width that each cause alone would give", note, None)
        )
    if any(estimate is not None for estimate in result.verdict.shares.values()):
        figure = draw.draw_shares(result)
        made.append(
            picture(figure, "budget-shares", "Share of the recorded width by cause", note, None)
        )
    return made


def _finder_picture(series: Series) -> Picture | None:
    finder = series.images.get("finder")
    if finder is None or not np.isfinite(finder).any():
        return None
    arrays = series.arrays
    table: Table | None = None
    x_px, y_px = arrays.get("star_x_px"), arrays.get("star_y_px")
    if x_px is not None and y_px is not None:
        table = thinned_table(
            {
                "star": np.arange(x_px.size),
                "x [px]": x_px,
                "y [px]": y_px,
                "median flux [ADU]": arrays.get("star_flux_adu"),
            },
            "Stars used.",
        )
    return picture(
        draw.draw_finder(series),
        "finder",
        "Finder chart",
        "Mean of the first frames; rings mark the stars used, numbered from 0. Column 0, row 0 is "
        "at the lower left.",
        table,
        pixels=True,
    )


def render_page(result: Result, series: Series) -> str:
    """Return the page of a result as one self-contained HTML text.

    Parameters
    ----------
    result : Result
    series : Series
        Whatever arrays and images there are; evidence without data is named as not shown.

    Returns
    -------
    str
        The page opens from disk without a network. Texts from headers are escaped, and a content
        security policy lets only the page's own scripts run.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit import read_result_folder, render_page
    >>> night = read_result_folder(Path("night1-result"))
    >>> page = render_page(night.result, night.series)
    >>> page.startswith("<!DOCTYPE html>") or page.startswith("<!doctype html>")
    True
    """
    summary = summarize(result)
    with draw.figure_style():
        stars = _star_pictures(summary, result, series)
        budget = _budget_pictures(result)
        finder = _finder_picture(series)
    sections, missing = evidence_sections(result, series)
    charts = charts_of(result, series)
    body = render_template(
        "page.html",
        s=summary,
        stars=stars,
        budget_pictures=budget,
        finder=finder,
        sections=sections,
        missing=missing,
        charts=charts,
        method=METHOD,
    )
    return page_shell(f"{summary['title']}: where the width comes from", body, scripts=bool(charts))
