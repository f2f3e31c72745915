"""Star fields of our own making, in memory, with everything about them known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.special import erf

from blursplit.rig import Rig, Setting

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray


@dataclass
class MemorySource:
    """Frames held in memory, with the interface of a source of frames."""

    frames: NDArray[np.float32]
    frames_read: int = 0
    stamps_cut: int = 0

    @property
    def n_frames(self) -> int:
        """Number of frames."""
        return len(self.frames)

    @property
    def shape(self) -> tuple[int, int]:
        """Height and width."""
        return self.frames.shape[1], self.frames.shape[2]

    @property
    def failures(self) -> dict[int, str]:
        """No frame fails."""
        return {}

    def read(self, start: int, stop: int) -> NDArray[np.float32]:
        """Return whole frames."""
        self.frames_read += stop - start
        return self.frames[start:stop].astype(np.float32)

    def cut(self, start: int, stop: int, x0: Any, y0: Any, size: int) -> NDArray[np.float32]:
        """Return stamps, NaN outside the frame."""
        n = stop - start
        x0 = np.broadcast_to(x0, (n, np.shape(x0)[-1]))
        y0 = np.broadcast_to(y0, (n, np.shape(y0)[-1]))
        self.stamps_cut += x0.size
        out = np.full((*x0.shape, size, size), np.nan, dtype=np.float32)
        ny, nx = self.shape
        for i in range(n):
            for s in range(x0.shape[1]):
                x, y = int(x0[i, s]), int(y0[i, s])
                ax, bx = max(x, 0), min(x + size, nx)
                ay, by = max(y, 0), min(y + size, ny)
                if ax < bx and ay < by:
                    out[i, s, ay - y : by - y, ax - x : bx - x] = self.frames[
                        start + i, ay:by, ax:bx
                    ]
        return out

    def close(self) -> None:
        """Do nothing."""
        return


@dataclass
class MemorySequence:
    """A sequence held in memory."""

    source: MemorySource
    time_s: NDArray[np.float64]
    instrument: Rig = field(default_factory=Rig)
    name: str = "field"
    start_utc: str | None = "2026-01-02T03:04:05.006"
    exposure_s: float | None = 0.01
    cadence_s: float | None = 0.05
    timing: str = "regular"
    segment: Any = None
    notes: tuple[tuple[str, dict[str, float | str]], ...] = ()
    frame: Any = None

    def __post_init__(self) -> None:
        n = self.source.n_frames
        if self.segment is None:
            self.segment = np.zeros(n, dtype=np.int64)
        if self.frame is None:
            self.frame = np.arange(n)


def gaussian_pixels(centre: Any, size: int, sigma: Any) -> NDArray[np.float64]:
    """Integrate unit Gaussians over pixels along one axis, shape (m, size)."""
    edges = np.arange(size + 1) - 0.5
    scaled = (edges - np.asarray(centre, dtype=float)[:, None]) / (
        np.sqrt(2) * np.broadcast_to(sigma, np.shape(centre))[:, None]
    )
    return 0.5 * np.diff(erf(scaled), axis=1)


def draw_stars(
    shape: tuple[int, int], x: Any, y: Any, flux: Any, sigma_x: Any, sigma_y: Any = None
) -> NDArray[np.float64]:
    """Draw Gaussian stars, exactly integrated over pixels."""
    along_x = gaussian_pixels(x, shape[1], sigma_x)
    along_y = gaussian_pixels(y, shape[0], sigma_x if sigma_y is None else sigma_y)
    return (along_y * np.asarray(flux, dtype=float)[:, None]).T @ along_x


def make_sequence(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: NDArray[np.float64],
    rng: np.random.Generator,
    *,
    shape: tuple[int, int] = (160, 160),
    sigma: float = 2.0,
    sky: float = 100.0,
    read_noise: float = 2.0,
    gain: float = 1.0,
    known: Mapping[str, Any] | None = None,
    paint: Callable[[NDArray[np.float64], int], None] | None = None,
    spoil: Callable[[NDArray[np.float32], int], None] | None = None,
) -> MemorySequence:
    """Make a sequence of star fields; x, y, flux have shape (n_frames, n_stars) [px, e-].

    `paint` adds light to a frame before photon noise, `spoil` changes the frame read out.
    """
    n = len(x)
    frames = np.empty((n, *shape), dtype=np.float32)
    flux = np.broadcast_to(flux, x.shape)
    for i in range(n):
        light = draw_stars(shape, x[i], y[i], flux[i], sigma) + sky
        if paint is not None:
            paint(light, i)
        electrons = rng.poisson(light) + rng.normal(0, read_noise, shape)
        frames[i] = electrons / gain
        if spoil is not None:
            spoil(frames[i], i)
    facts = {"gain_e_per_adu": gain, "read_noise_e": read_noise} if known is None else dict(known)
    instrument = Rig({key: Setting(v, "option") for key, v in facts.items()})
    return MemorySequence(MemorySource(frames), 0.05 * np.arange(n), instrument)


@pytest.fixture(name="make_sequence")
def _make_sequence() -> Any:
    return make_sequence


@pytest.fixture(name="draw_stars", scope="session")
def _draw_stars() -> Any:
    return draw_stars


@pytest.fixture(name="memory_source")
def _memory_source() -> Any:
    return MemorySource
