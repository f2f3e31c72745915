"""Colours: distinct for colour-blind readers, with contrast in each look."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from blursplit.report.figures._canvas import CAUSE_DASHES, LOOKS
from blursplit.report.page import _css_variables

CONTRIBUTIONS = ("atmosphere", "tracking", "structure", "open", "optics")

# Simulation of dichromats at severity 1.0 in linear RGB: Machado, Oliveira & Fernandes 2009,
# IEEE TVCG 15, 1291, table 1 (numbers from memory; each row sums to 1, as it must for grey).
EYES = {
    "trichromat": np.eye(3),
    "protanope": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranope": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def linear(colour: str) -> np.ndarray:
    v = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    t = XYZ @ np.clip(rgb, 0, 1) / np.array([0.9505, 1.0, 1.089])
    f = np.where(t > 0.008856, np.cbrt(t), 7.787 * t + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one: str, other: str) -> float:
    a, b = sorted((float((XYZ @ linear(c))[1]) for c in (one, other)), reverse=True)
    return (a + 0.05) / (b + 0.05)


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("look", ["light", "dark"])
def test_causes_differ_for_every_eye(look: str, eye: str) -> None:
    seen = [lab(EYES[eye] @ linear(LOOKS[look][name])) for name in CONTRIBUTIONS]
    nearest = min(float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2))
    # 2.3 in CIELAB is a just noticeable difference; five times that tells small marks apart.
    assert nearest > 11.5


@pytest.mark.parametrize("look", LOOKS)
def test_text_has_the_contrast_of_wcag_aa(look: str) -> None:
    colours = LOOKS[look]
    # The night look is dim on purpose, to spare dark-adapted eyes: 3, and no more than 4.
    least, most = (3.0, 4.0) if look == "night" else (4.5, 21.0)
    for text in ("ink", "accent", "muted"):
        for ground in ("paper", "panel") if text == "muted" else ("paper", "panel", "caution"):
            assert least <= contrast(colours[text], colours[ground]) <= most


@pytest.mark.parametrize("look", ["light", "dark"])
def test_marks_have_the_contrast_of_graphics(look: str) -> None:
    for name in CONTRIBUTIONS:
        assert contrast(LOOKS[look][name], LOOKS[look]["panel"]) >= 3.0


def test_night_look_has_hardly_any_green_and_no_blue_to_speak_of() -> None:
    for colour in LOOKS["night"].values():
        red, green, blue = (int(colour[k : k + 2], 16) for k in (1, 3, 5))
        assert green <= max(red * 0.25, 0)
        assert blue <= max(red * 0.15, 0)


def test_causes_have_a_dash_of_their_own() -> None:
    assert len(set(CAUSE_DASHES.values())) == len(CAUSE_DASHES)


def test_looks_name_the_same_colours_and_light_ones_are_unique() -> None:
    assert {frozenset(look) for look in LOOKS.values()} == {frozenset(LOOKS["light"])}
    assert len(set(LOOKS["light"].values())) == len(LOOKS["light"])
    assert "--ink: #c41800;" in _css_variables("night")
