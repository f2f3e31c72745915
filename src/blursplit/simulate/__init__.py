"""Sequences whose truth is known: frozen air, shaken telescope, camera, FITS."""

from __future__ import annotations

from blursplit.simulate.scene import (
    Scene,
    open_night,
    read_scene,
    scene_from_tables,
    shaken_night,
    turbulent_night,
)
from blursplit.simulate.sequence import Simulation
from blursplit.simulate.write import write_sequence

__all__ = [
    "Scene",
    "Simulation",
    "open_night",
    "read_scene",
    "scene_from_tables",
    "shaken_night",
    "turbulent_night",
    "write_sequence",
]
