"""Cautions that go with advice to work on a structure, its drives or its optics."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["cautions_for"]

# words in a next step that call for the caution -> the caution
_CAUTIONS: dict[str, str] = {
    (
        r"pier|column|footing|foundation|concrete|bolt|anchor|steel|stiff|brace|weld|tripod|mount"
        r"|tube|dome|floor"
    ): (
        "Loads: a pier, footing or floor carries people and heavy parts. Have changes to it "
        "checked by someone licensed for such work, and follow the local building code."
    ),
    r"pier|mount|tube|weight|balanc|lift|tripod|remov|dome": (
        "Lifting: take tube and weights off in the order the maker gives, with a second person "
        "or a hoist; an unbalanced axis swings when its clutch opens."
    ),
    r"motor|drive|encoder|controller|mains|cable|power|\bfans?\b|electri|pump|supply": (
        "Electricity: switch off and unplug before touching motors, fans, cables or housings; "
        "work on mains wiring belongs to a licensed electrician."
    ),
    r"laser|collimat|align": (
        "Laser: keep the beam below eye level, never look into it or its reflections, and never "
        "point it at the sky where aircraft may be."
    ),
    r"\bsun\b|solar|daylight|daytime|by day": (
        "Sun: by day keep every aperture, the finder's too, covered; one unfiltered look blinds."
    ),
}


def cautions_for(steps: Iterable[str]) -> list[str]:
    """Return the cautions that a list of proposed steps calls for, without repetition."""
    text = " ".join(steps).lower()
    return [caution for words, caution in _CAUTIONS.items() if re.search(words, text)]
