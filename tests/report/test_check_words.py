"""Every check has one sentence that holds its numbers and a remedy."""

import numpy as np
import pytest

from blursplit.report.check_words import check_text

FACTS = {
    "frames-recentred": {"seen_by": "hot pixels", "share": 0.9},
    "frames-repeated": {"share": 0.3333, "frames": 400.0},
    "frames-mixed": {"correlation": 0.5, "error": 0.01},
    "pixels-nonlinear": {"level_adu": 20000.0, "noise_ratio": 0.4, "read_noise_e": 900.0},
    "pixels-filtered": {"correlation": -0.06, "error": 0.01},
    "scale-disputed": {
        "low_arcsec": 0.5, "high_arcsec": 1.0, "low_from": "the header", "high_from": "the setup",
    },
    "stars-trailed": {
        "elongation": 0.66, "angle_deg": 12.0, "minor_sigma_px": 1.0, "major_sigma_px": 2.2,
    },
    "pointing-stepped": {"step_px": 3.0, "at_s": 12.0, "sigmas": 9.0},
    "times-impossible": {"interval_s": 0.0, "standing_share": 1.0},
}  # fmt: skip


@pytest.mark.parametrize("code", FACTS)
def test_every_check_has_one_sentence_with_a_remedy(code):
    """Numbers are filled in, a remedy follows a semicolon, nothing is left open."""
    text = check_text(code, FACTS[code])
    assert "; " in text
    assert "{" not in text
    assert "\n" not in text
    assert not text.endswith(".")


def test_wider_bright_stars_are_told_as_such():
    """The other evidence of a stretch has its own words."""
    text = check_text("pixels-nonlinear", {"wider_by": 0.21, "flux_ratio": 9.0, "error": np.nan})
    assert "21% wider" in text
