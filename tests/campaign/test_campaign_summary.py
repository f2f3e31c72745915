"""A store in numbers, and its page."""

from __future__ import annotations

import numpy as np
import pytest

from blursplit.campaign import Store, summarize_store
from blursplit.campaign.pages import archive_page
from blursplit.campaign.scatter import scatter_svg
from blursplit.campaign.store import CONDITIONS
from blursplit.campaign.summary import spread


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
    summary = summarize_store(store)
    assert summary.sequences == {"done": 12, "failed": 1, "too short": 0}
    assert [n.label for n in summary.nights] == ["2026-03-01", "2026-03-02"]
    second = summary.nights[1].spreads["structure_rms_arcsec"]
    # Runs 6 to 11: 0.50 to 0.75.
    assert second.median == pytest.approx(0.625)
    assert {g.label for g in summary.pier_sides} == {"east", "west"}
    assert {g.label for g in summary.azimuths} == {"north"}
    assert summary.failures == {"no star": 1}


def test_trend_is_found_with_its_interval(store) -> None:
    trends = summarize_store(store).trends
    trend = next(t for t in trends if t.quantity == "structure_rms_arcsec")
    assert trend.condition == "airmass"
    assert trend.rank_correlation == pytest.approx(1.0)
    assert trend.low95 > 0.5
    assert not any(t.quantity == "seeing_500nm_zenith_arcsec" for t in trends)


def test_upper_limits_rank_below_values() -> None:
    rows = [{"q": None, "q_high": 0.3}, {"q": 0.5, "q_high": 0.6}, {"q": 0.7, "q_high": 0.8}]
    found = spread(rows, "q")
    assert found.median == 0.5
    assert found.low is None
    assert spread([{"q": None, "q_high": None}], "q") is None


def test_sequence_with_much_to_save_is_worth_opening(store) -> None:
    picks = summarize_store(store).worth_opening
    assert [p.key for p in picks] == ["k11"]
    assert "structure costs 0.8 of 2.2 arcsec" in picks[0].reasons[0]


def test_other_settings_do_not_mix(store) -> None:
    assert summarize_store(store, "other").sequences["done"] == 0


def test_page_escapes_what_comes_from_headers_and_has_its_figures(store) -> None:
    page = archive_page(summarize_store(store), store.rows(), "Archive & more")
    assert "run 11 &lt;script&gt;" in page
    assert "run 11 <script>" not in page
    assert "&lt;b&gt;a.fits" in page
    assert "Archive &amp; more" in page
    assert page.count('<svg class="figure"') >= 4
    assert "triangles are upper limits" in page


def test_empty_store_has_a_page(tmp_path) -> None:
    with Store(tmp_path / "e.db") as empty:
        page = archive_page(summarize_store(empty), [], "Empty")
    assert "0 sequences measured" in page


def test_scatter_places_larger_values_higher() -> None:
    svg = scatter_svg([(0.0, 1.0), (1.0, 2.0)], "x", "y", "structure")
    heights = [float(part.split('"')[1]) for part in svg.split("cy=")[1:]]
    assert heights[0] > heights[1]
    assert np.isfinite(heights).all()


def test_scatter_of_one_value_is_finite() -> None:
    assert "nan" not in scatter_svg([(1.0, 0.0)], "x", "y", "structure")
