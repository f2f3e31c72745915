"""Colours, markers and lines by name: one palette for all figures and pages.

A figure is drawn with the light colour of a name; `blursplit.report.figures.svg_text` then turns
each into the CSS variable of the same name, so that one drawing serves the light, the dark, the
night and the printed page. No meaning hangs on colour alone: each cause also has its own marker
and dash, since the night page has nothing but shades of red.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["CAUSE_NAMES", "CAUSE_STYLES", "LOOKS", "CauseStyle", "colour", "css_variables"]

LOOKS: dict[str, dict[str, str]] = {
    "light": {
        "paper": "#f6f4ef",
        "panel": "#fffefb",
        "ink": "#1c2530",
        "muted": "#55606c",
        "rule": "#d5d1c7",
        "accent": "#274b6d",
        "atmosphere": "#2a66a8",
        "tracking": "#c96a00",
        "structure": "#8c1f6b",
        "unassigned": "#8a9099",
        "instrument": "#00806a",
        "recorded": "#1d2631",
        "caution": "#fbf0d9",
        "overlay": "#fdfdfd",
        "quiet": "#98a1ab",
        "ground": "#000001",
    },
    "dark": {
        "paper": "#11161c",
        "panel": "#19212a",
        "ink": "#e6e9ec",
        "muted": "#a8b2bd",
        "rule": "#36424f",
        "accent": "#a9c9e8",
        "atmosphere": "#5c9fe8",
        "tracking": "#f0a23a",
        "structure": "#cf5fae",
        "unassigned": "#c9ced6",
        "instrument": "#1fa588",
        "recorded": "#e5e8eb",
        "caution": "#33291a",
        "overlay": "#fdfdfd",
        "quiet": "#647180",
        "ground": "#000001",
    },
    "night": {
        "paper": "#000000",
        "panel": "#0a0000",
        "ink": "#ee1c00",
        "muted": "#e01800",
        "rule": "#4a0900",
        "accent": "#f02400",
        "atmosphere": "#e02000",
        "tracking": "#ff3a1a",
        "structure": "#b81400",
        "unassigned": "#8c1000",
        "instrument": "#981000",
        "recorded": "#f01e00",
        "caution": "#1c0300",
        "overlay": "#ff3000",
        "quiet": "#6e0c00",
        "ground": "#b01000",
    },
}


class CauseStyle(NamedTuple):
    """How a contribution is drawn besides its colour."""

    marker: str
    dash: str | tuple[float, tuple[float, ...]]


CAUSE_STYLES: dict[str, CauseStyle] = {
    "atmosphere": CauseStyle("o", "-"),
    "tracking": CauseStyle("s", (0.0, (6.0, 2.0))),
    "structure": CauseStyle("^", (0.0, (2.0, 1.5))),
    "unassigned": CauseStyle("D", (0.0, (1.0, 2.5))),
    "instrument": CauseStyle("v", (0.0, (8.0, 2.0, 1.5, 2.0))),
    "recorded": CauseStyle("P", "-"),
}

CAUSE_NAMES: dict[str, str] = {
    "atmosphere": "Atmosphere",
    "tracking": "Tracking",
    "structure": "Structure",
    "unassigned": "Shared, cause open",
    "instrument": "Instrument",
    "recorded": "As recorded",
}


def colour(name: str) -> str:
    """Return the light colour of a name, which `svg_text` turns into a CSS variable."""
    return LOOKS["light"][name]


def css_variables(look: str) -> str:
    """Return the CSS declarations of one look, such as ``--ink: #1c2530;``."""
    return " ".join(f"--{name}: {value};" for name, value in LOOKS[look].items())
