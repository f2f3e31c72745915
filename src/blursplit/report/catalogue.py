"""Sentences as a text to read and edit: a code, a colon, and what is said."""

from __future__ import annotations

import re


def sentences(text: str) -> dict[str, str]:
    """Return the sentences of a catalogue by code.

    Each begins a line; what is indented goes on with it. Lines that begin with # are remarks.
    """
    told = re.sub(r"(?m)^#.*\n", "", text)
    return dict(re.findall(r"(?m)^([^:\n]+): (.*)$", re.sub(r"\n +", " ", told)))
