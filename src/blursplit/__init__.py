"""How much of a star's width is atmosphere, tracking, structure and instrument.

The ten names below are the public interface; everything is imported when it is first asked for,
so that ``import blursplit`` costs nothing. What can go wrong is in `blursplit.errors`, the
conversions of seeing are in `blursplit.turbulence`.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blursplit.api import accept, compare, plan, read, simulate
    from blursplit.estimate import Estimate
    from blursplit.folder import Measurement
    from blursplit.measure import measure
    from blursplit.rig import Rig
    from blursplit.stars.tracks import StarTracks

__all__ = [
    "Estimate",
    "Measurement",
    "Rig",
    "StarTracks",
    "accept",
    "compare",
    "measure",
    "plan",
    "read",
    "simulate",
]

# Name -> module that holds it.
_HOMES: dict[str, str] = {
    "Estimate": "estimate",
    "Measurement": "folder",
    "Rig": "rig",
    "StarTracks": "stars.tracks",
    "accept": "api",
    "compare": "api",
    "measure": "measure",
    "plan": "api",
    "read": "api",
    "simulate": "api",
}


class _Package(ModuleType):
    """The package itself, in which a public function keeps its name.

    Importing the module `blursplit.measure` would put it in the place of the function `measure`.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name not in _HOMES or not isinstance(value, ModuleType):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name == "__version__":
        from importlib.metadata import version

        return version("blursplit")
    if name not in _HOMES:
        msg = f"module 'blursplit' has no attribute {name!r}"
        raise AttributeError(msg)
    return getattr(import_module(f"blursplit.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
