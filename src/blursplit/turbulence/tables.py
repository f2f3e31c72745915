"""Tables of spectra on even grids, read between their nodes for many sets of parameters at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit.compiled import kernels
from blursplit.types import FloatArray, IntArray

__all__ = ["Axis", "corners", "weighted_sums"]


@dataclass(frozen=True)
class Axis:
    """An even grid, of a logarithm."""

    nodes: FloatArray

    def place(self, value: FloatArray) -> tuple[IntArray, FloatArray]:
        """Return the lower neighbour of each value and the upper one's weight, ends clipped."""
        at = (value - self.nodes[0]) / (self.nodes[1] - self.nodes[0])
        at = np.clip(at, 0.0, len(self.nodes) - 1.0)
        lower = np.minimum(at.astype(np.int64), len(self.nodes) - 2)
        return lower, at - lower


def corners(
    one: Axis, value: FloatArray, other: Axis, other_value: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Return the four nodes about each point, counted along `other` first, and their weights.

    Both have the shape of the values and a last axis of four.
    """
    i, u = one.place(value)
    k, v = other.place(other_value)
    node = (i * len(other.nodes) + k)[..., None] + np.array([0, 1, 0, 1])
    node += np.array([0, 0, 1, 1]) * len(other.nodes)
    weight = np.stack([(1 - u) * (1 - v), (1 - u) * v, u * (1 - v), u * v], axis=-1)
    return node, weight


def weighted_sums(values: NDArray[Any], node: IntArray, weight: NDArray[Any]) -> FloatArray:
    """Return weighted sums of a table's nodes, (n, columns).

    `values` (n_nodes, columns). `node`, `weight` (n, terms).
    """
    out = np.zeros((len(node), values.shape[1]))
    kernels().weighted_sums(values, node, weight, out)
    return out
