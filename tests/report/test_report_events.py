"""Events on page and terminal, and the view by time and frequency."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest
from numpy.testing import assert_allclose
from rich.console import Console

from blursplit.estimate import Estimate
from blursplit.report import figures as draw
from blursplit.report import print_summary, render_page
from blursplit.report.by_time_section import by_time_section
from blursplit.report.charts import charts_of
from blursplit.report.event_rows import KEPT, event_row, event_words
from blursplit.report.motion_sections import motion_section
from blursplit.report.summary import summarize
from blursplit.result import Event, EventSearch, Result
from blursplit.series import Series

UNIT = re.compile(r"\[(arcsec²/Hz|Hz|s)\]")


def _by_time() -> dict[str, np.ndarray]:
    """Return a falling density with a stripe at 8.3 Hz, a shock at 31 s and a gap from 14 s."""
    edge_s, edge_hz = np.linspace(0.0, 60.0, 201), np.geomspace(0.5, 25.0, 61)
    middle_s, middle_hz = 0.5 * (edge_s[:-1] + edge_s[1:]), np.sqrt(edge_hz[:-1] * edge_hz[1:])
    stripe = 0.2 * np.exp(-(((middle_hz - 8.3) / 0.5) ** 2))
    shock = np.exp(-(((middle_s - 31.3) / 0.5) ** 2))[:, None] * np.sqrt(stripe)
    scatter = np.random.default_rng(5).gamma(2.0, 0.5, (200, 60))
    psd = (0.03 * middle_hz**-2.5 + stripe + shock) * scatter
    psd[(middle_s > 14) & (middle_s < 16)] = np.nan
    return {
        "time_edge_s": edge_s,
        "frequency_edge_hz": edge_hz,
        "common_psd_by_time_arcsec2_hz": psd,
    }


def _search(affected: int) -> EventSearch:
    return EventSearch(
        frames_searched=2960,
        frames_affected=affected,
        fast_motion_share=0.21 if affected else 0.0,
        smallest_peak_arcsec=1.9,
        window_s=0.12,
        false_alarm_probability=0.01,
    )


@pytest.fixture
def result(full) -> Result:
    """Return a result with one event."""
    event = Event(
        start_s=31.0,
        start_utc="2024-03-01T21:40:31.00",
        duration_s=0.6,
        frames=30,
        kind="shock",
        onsets=1,
        peak_arcsec=Estimate(value=2.4, low=2.2, high=2.6),
        frequency_hz=8.4,
        frequency_low_hz=7.7,
        frequency_high_hz=9.1,
    )
    return full.result.model_copy(update={"events": [event], "event_search": _search(30)})


@pytest.fixture
def quiet(full) -> Result:
    """Return a result that was searched without an event."""
    return full.result.model_copy(update={"events": [], "event_search": _search(0)})


@pytest.fixture
def series(full) -> Series:
    """Return series with the density by time and frequency."""
    return Series({**full.series.arrays, **_by_time()}, full.series.images, 0.2)


def _printed(result: Result) -> str:
    console = Console(file=io.StringIO(), width=200)
    print_summary(result, console)
    return console.file.getvalue()


def test_event_has_time_kind_and_peak_with_its_error(result) -> None:
    row = event_row(1, result.events[0])
    assert row["start"] == "31.00 s"
    assert row["utc"] == "2024-03-01 21:40:31.00"
    assert row["kind"] == "shock"
    assert row["peak"] == "2.40 arcsec (2.20 to 2.60)"
    assert row["frequency"] == "8.4 Hz (7.7 to 9.1)"


def test_share_of_frames_stands_with_its_count(result) -> None:
    words = event_words(result)
    # 30/2960
    assert words[0].startswith("30 of 2960 frames (1.0 %) lie in events")
    assert "21 % of the mean square" in words[0]
    assert words[-1] == KEPT


def test_without_events_the_smallest_that_would_be_seen_is_named(quiet) -> None:
    words = event_words(quiet)
    assert words[0].startswith("No event was found in 2960 frames; an oscillation of 1.9 arcsec")
    assert KEPT not in words


def test_without_a_search_nothing_is_said_of_events(cases) -> None:
    for name in ("px-only", "empty"):
        assert event_words(cases[name].result) == []
        assert "event" not in _printed(cases[name].result)


def test_terminal_lists_events_and_what_would_have_been_seen(result, quiet) -> None:
    found = _printed(result)
    assert "31.00 s" in found
    assert "2.40 arcsec (2.20 to 2.60)" in found
    assert "30 of 2960 frames" in found
    assert "No event was found" in _printed(quiet)


def test_page_has_events_with_the_numbers_of_the_figure(result, quiet, series, full) -> None:
    page = render_page(result, series)
    assert 'id="events"' in page
    assert 'id="figure-by-time"' in page
    assert "2024-03-01 21:40:31.00" in page
    assert "No event was found" in render_page(quiet, series)
    bare = render_page(full.result, full.series)
    assert 'id="events"' not in bare
    assert 'id="figure-by-time"' not in bare
    assert "density by time and frequency" in bare  # named as not shown


def test_chart_of_the_motion_marks_the_events(result, series) -> None:
    charts = {chart["id"]: chart for chart in charts_of(result, series)}
    assert charts["motion-x"]["spans"] == charts["motion-y"]["spans"] == [[31.0, 31.6]]
    assert charts["spectrum"]["spans"] == []


def test_page_names_at_most_forty_events(result) -> None:
    many = result.model_copy(update={"events": result.events * 55})
    summary = summarize(many)
    assert len(summary["events"]) == 40
    assert "15 more" in " ".join(summary["event_words"])


def test_picture_keeps_time_to_the_right_and_frequency_upward() -> None:
    """One bright cell shows at its own time and frequency."""
    edge_s, edge_hz = np.linspace(0.0, 50.0, 26), np.geomspace(0.5, 25.0, 21)
    psd = np.full((25, 20), 1e-4)
    psd[20, 15] = 1.0
    arrays = {
        "time_edge_s": edge_s,
        "frequency_edge_hz": edge_hz,
        "common_psd_by_time_arcsec2_hz": psd,
    }
    with draw.figure_style():
        ax = draw.draw_by_time(Series(arrays)).axes[0]
    (image,) = ax.images
    shown, (left, right, bottom, top) = image.get_array(), image.get_extent()
    assert image.origin == "lower"
    row, column = np.unravel_index(np.argmax(shown), shown.shape)
    rows = np.flatnonzero(shown[:, column] > 0.5 * shown.max() + 0.5 * shown.min())
    time = left + (column + 0.5) / shown.shape[1] * (right - left)
    assert row in rows
    assert_allclose(time, 41.0)
    # rows of the picture are a sixteenth of a cell wide here: half of one is lost at each end
    ends = bottom + np.array([rows[0], rows[-1] + 1]) / shown.shape[0] * (top - bottom)
    step = (top - bottom) / shown.shape[0]
    assert_allclose(ends, np.log10(edge_hz[[15, 16]]), atol=step)


def test_every_axis_has_a_unit_and_gaps_are_crossed_out(result, series) -> None:
    with draw.figure_style():
        ax = draw.draw_by_time(series, result.lines, result.events).axes[0]
    (bar,) = ax.child_axes
    assert all(UNIT.search(text) for text in (ax.get_xlabel(), ax.get_ylabel(), bar.get_ylabel()))
    (gap,) = ax.patches
    box = gap.get_extents().transformed(ax.transData.inverted())
    # ends of the columns whose middle lies between 14 and 16 s, 0.3 s wide
    assert_allclose([box.x0, box.x1], [14.0, 16.0], atol=0.3)


def test_svg_is_small_the_same_each_time_and_follows_the_look(result, series) -> None:
    texts = []
    for _ in range(2):
        with draw.figure_style():
            figure = draw.draw_by_time(series, result.lines, result.events)
            texts.append(draw.svg_text(figure, "by-time", "t", "d"))
    assert texts[0] == texts[1]
    assert len(texts[0]) < 200_000
    styles = " ".join(re.findall(r'style="([^"]*)"', texts[0]))
    bare = re.sub(r"var\(--[a-z]+, #[0-9a-f]{6}\)", "", styles)
    assert not re.search(r"(fill|stroke): #", bare)
    assert not re.search(r'(fill|stroke)="#', texts[0])


def test_no_figure_without_whole_arrays(result, series) -> None:
    cut = {name: values[:2] for name, values in series.arrays.items()}
    assert by_time_section(result, Series(cut)) is None


def test_caption_and_table_tell_what_is_there(result, series) -> None:
    with draw.figure_style():
        section = by_time_section(result, series)
        bare = by_time_section(result.model_copy(update={"events": [], "lines": []}), series)
    assert "Crossed out" in section.pictures[0].caption
    assert "events" in section.pictures[0].caption
    assert "events" not in bare.pictures[0].caption
    assert "arcsec²/Hz" in section.pictures[0].table["columns"][-1]


@pytest.mark.parametrize(
    ("events", "searched", "said"),
    [(True, True, "Shaded: events."), (False, True, "No event stood out."), (False, False, None)],
)
def test_the_motion_over_time_says_no_more_of_events_than_was_searched(
    result: Result, series, *, events: bool, searched: bool, said: str | None
) -> None:
    kept = {"events": result.events if events else []}
    kept["event_search"] = _search(0) if searched else None
    section = motion_section(result.model_copy(update=kept), series)
    assert section is not None
    for drawn in section.pictures:
        assert said in drawn.caption if said else "event" not in drawn.caption.lower()
