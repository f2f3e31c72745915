"""Sequences whose truth is known: frozen air, shaken telescope, camera, FITS."""

from __future__ import annotations

from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import Simulation
from blursplit.simulate.write import write_sequence

__all__ = ["Scene", "Simulation", "write_sequence"]
