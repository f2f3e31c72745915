"""A store in numbers, and its page."""

from __future__ import annotations

import pytest

from blursplit.campaign import Store
from blursplit.campaign.pages import archive_page
from blursplit.campaign.store import CONDITIONS, _spread
from blursplit.report.figures import draw_scatter, svg_text


@pytest.fixture
def store(tmp_path, make):
    """Return a store of two nights of twelve runs, one without structure, one failed."""
    opened = Store(tmp_path / "s.db")
    base = {
        "content": "c", "settings": "s", "status": "done", "files": 2, "frames": 2,
        "first_file": "<b>a.fits", "version": "0", **dict.fromkeys(CONDITIONS),
    }  # fmt: skip
    for i in range(12):
        estimate = make.limit(0.1) if i == 0 else make.estimate(0.2 + 0.05 * i, 0.01)
        run = make.result(structure=estimate)
        run.structure.saving_arcsec = make.estimate(0.8, 0.1) if i == 11 else None
        row = base | {
            "name": f"run {i} <script>", "night": f"2026-03-0{1 + i // 6}", "airmass": 1 + 0.1 * i,
            "pier_side": "east" if i % 2 else "west", "azimuth_deg": 350.0 + i,
        }  # fmt: skip
        opened.put(f"k{i}", row, [f"{i}.fits"], run.to_json())
    opened.put("bad", base | {"name": "bad", "status": "failed", "reason": "no star"}, ["x"])
    yield opened
    opened.close()


def test_medians_by_night_side_and_direction(store) -> None:
    summary = store.summary()
    assert summary.sequences == {"done": 12, "failed": 1, "too short": 0}
    assert [n.label for n in summary.nights] == ["2026-03-01", "2026-03-02"]
    second = summary.nights[1].spreads["structure_rms_arcsec"]
    # Runs 6 to 11: 0.50 to 0.75.
    assert second.median == pytest.approx(0.625)
    assert {g.label for g in summary.pier_sides} == {"east", "west"}
    assert {g.label for g in summary.azimuths} == {"north"}
    assert summary.failures == {"no star": 1}


def test_trend_is_found_with_its_interval(store) -> None:
    trends = store.summary().trends
    trend = next(t for t in trends if t.quantity == "structure_rms_arcsec")
    assert trend.condition == "airmass"
    assert trend.rank_correlation == pytest.approx(1.0)
    assert trend.low95 > 0.5
    assert not any(t.quantity == "seeing_500nm_zenith_arcsec" for t in trends)


def test_upper_limits_rank_below_values() -> None:
    rows = [{"q": None, "q_high": 0.3}, {"q": 0.5, "q_high": 0.6}, {"q": 0.7, "q_high": 0.8}]
    found = _spread(rows, "q")
    assert found.median == 0.5
    assert found.low is None
    assert _spread([{"q": None, "q_high": None}], "q") is None


def test_sequence_with_much_to_save_is_worth_opening(store) -> None:
    picks = store.summary().worth_opening
    assert [p.key for p in picks] == ["k11"]
    assert "structure costs 0.80 of 2.2 arcsec" in picks[0].reasons[0]


def add(store, make, key, *, width=None, width_px=None, **columns):
    """Put one more sequence of telescope T1 into a store."""
    run = make.result(recorded=width)
    run.fwhm.recorded_px = width_px
    row = {
        "content": "c", "settings": "s", "status": "done", "files": 2, "frames": 2, "version": "0",
        "first_file": "a.fits", "name": key, **dict.fromkeys(CONDITIONS), "telescope": "T1",
    } | columns  # fmt: skip
    store.put(key, row, [f"{key}.fits"], run.to_json())


def test_wide_sequence_of_a_telescope_stands_out_and_leads_the_page(tmp_path, make) -> None:
    with Store(tmp_path / "w.db") as store:
        for i, width in enumerate((2.0, 2.1, 1.9, 2.0, 4.0)):
            add(store, make, f"w{i}", width=make.estimate(width, 0.1), night="2026-03-01")
        summary = store.summary()
    assert [p.key for p in summary.worth_opening] == ["w4"]
    assert summary.headline == (
        "5 sequences of 1 night, median width 2 arcsec. w4 stands out: 4.0 arcsec wide, 2.0 times "
        "the median of its telescope."
    )


def test_sequences_without_scale_say_so_and_how_to_give_it(tmp_path, make) -> None:
    with Store(tmp_path / "p.db") as store:
        add(store, make, "p", width_px=make.estimate(3.0, 0.1))
        summary, rows = store.summary(), store.rows()
    page = archive_page(summary, rows, "Archive")
    assert summary.without_scale == {"T1": 1}
    assert summary.overall.spreads["unscaled_fwhm_px"].median == 3.0
    assert "T1=ARCSEC" in page
    assert "median width 3 px" in summary.headline


def test_nights_have_julian_days_and_undated_sequences_a_row(tmp_path, make) -> None:
    with Store(tmp_path / "n.db") as store:
        add(store, make, "a", night="2000-01-01")
        add(store, make, "b")
        summary, rows = store.summary(), store.rows()
    # noon of 1 January 2000 is JD 2451545.0
    assert [(n.label, n.julian_day) for n in summary.nights] == [
        ("2000-01-01", 2451545), ("undated", None)
    ]  # fmt: skip
    assert "Undated: b" in archive_page(summary, rows, "Archive")


def test_page_links_to_the_results_that_are_there(tmp_path, make) -> None:
    with Store(tmp_path / "l.db") as store:
        add(store, make, "there")
        add(store, make, "gone")
        summary, rows = store.summary(), store.rows()
    (tmp_path / "results" / "there").mkdir(parents=True)
    (tmp_path / "results" / "there" / "index.html").touch()
    page = archive_page(summary, rows, "Archive", tmp_path / "results")
    assert page.count("index.html") == 1


def test_other_settings_do_not_mix(store) -> None:
    assert store.summary("other").sequences["done"] == 0


def test_page_escapes_what_comes_from_headers_and_has_its_figures(store) -> None:
    page = archive_page(store.summary(), store.rows(), "Archive & more")
    assert "run 11 &lt;script&gt;" in page
    assert "run 11 <script>" not in page
    assert "&lt;b&gt;a.fits" in page
    assert "Archive &amp; more" in page
    assert page.count('<svg class="figure"') >= 4
    assert "Triangles are upper limits" in page


def test_empty_store_has_a_page(tmp_path) -> None:
    with Store(tmp_path / "e.db") as empty:
        page = archive_page(empty.summary(), [], "Empty")
    assert "0 sequences measured" in page


def test_scatter_draws_values_as_dots_and_limits_as_triangles_from_zero_on() -> None:
    figure = draw_scatter([(0.0, 1.0), (1.0, 2.0)], [(0.5, 3.0)], "x", "y", "structure")
    dots, triangles = figure.axes[0].get_lines()
    assert dots.get_xydata().tolist() == [[0.0, 1.0], [1.0, 2.0]]
    assert triangles.get_xydata().tolist() == [[0.5, 3.0]]
    assert triangles.get_marker() == "v"
    assert figure.axes[0].get_ylim()[0] == 0.0


def test_scatter_of_one_value_is_finite() -> None:
    figure = draw_scatter([(1.0, 0.0)], [], "x", "y", "structure")
    assert "nan" not in svg_text(figure, "one", "y against x", "")
