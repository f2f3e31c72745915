"""Colours and dashes by name: one palette for all figures and pages.

A figure is drawn with the light colour of a name; `blursplit.report.figures.svg_text` then turns
each into the CSS variable of the same name, so that one drawing serves the light, the dark, the
night and the printed page. No meaning hangs on colour alone: each cause also has its own dash,
since the night page has nothing but shades of red. That page is dim on purpose: its text keeps a
contrast of 3, hardly more, to spare eyes that are used to the dark.
"""

from __future__ import annotations

LOOKS: dict[str, dict[str, str]] = {
    "light": {
        "optics": "#00806a",
        "base": "#b9b4a6",
        "open": "#8a9099",
        "paper": "#f6f4ef",
        "panel": "#fffefb",
        "ink": "#1c2530",
        "muted": "#55606c",
        "rule": "#d5d1c7",
        "accent": "#274b6d",
        "atmosphere": "#2a66a8",
        "tracking": "#c96a00",
        "structure": "#8c1f6b",
        "recorded": "#1d2631",
        "caution": "#fbf0d9",
        "overlay": "#fdfdfd",
        "good": "#1b6b3a",
        "bad": "#a3231a",
        "quiet": "#98a1ab",
        "ground": "#000001",
    },
    "dark": {
        "optics": "#1fa588",
        "base": "#4c5866",
        "open": "#c9ced6",
        "paper": "#11161c",
        "panel": "#19212a",
        "ink": "#e6e9ec",
        "muted": "#a8b2bd",
        "rule": "#36424f",
        "accent": "#a9c9e8",
        "atmosphere": "#5c9fe8",
        "tracking": "#f0a23a",
        "structure": "#cf5fae",
        "recorded": "#e5e8eb",
        "caution": "#33291a",
        "overlay": "#fdfdfd",
        "good": "#6fc58f",
        "bad": "#f28b7d",
        "quiet": "#647180",
        "ground": "#000001",
    },
    "night": {
        "optics": "#6a0a00",
        "base": "#3a0600",
        "open": "#5c0a00",
        "paper": "#000000",
        "panel": "#060000",
        "ink": "#c41800",
        "muted": "#b81400",
        "rule": "#360600",
        "accent": "#c81a00",
        "atmosphere": "#a01600",
        "tracking": "#cc2a0c",
        "structure": "#781000",
        "recorded": "#c61800",
        "caution": "#140200",
        "overlay": "#d02400",
        "good": "#b81401",
        "bad": "#c61a01",
        "quiet": "#520900",
        "ground": "#8a0c00",
    },
}


CAUSE_DASHES: dict[str, str | tuple[float, tuple[float, ...]]] = {
    "atmosphere": "-",
    "open": (0.0, (1.0, 2.5)),
    "tracking": (0.0, (6.0, 2.0)),
    "structure": (0.0, (2.0, 1.5)),
}


def colour(name: str) -> str:
    """Return the light colour of a name, which `svg_text` turns into a CSS variable."""
    return LOOKS["light"][name]


def css_variables(look: str) -> str:
    """Return the CSS declarations of one look, such as ``--ink: #1c2530;``."""
    return " ".join(f"--{name}: {value};" for name, value in LOOKS[look].items())
