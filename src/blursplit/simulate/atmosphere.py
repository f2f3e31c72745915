"""All layers of the air together: the phase that each star's light arrives with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.simulate.ribbons import (
    FORGET,
    MAX_POINTS,
    CoarseBand,
    FineBand,
    LayerGeometry,
)
from blursplit.simulate.scene import ARCSEC_PER_RAD

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.simulate.scene import Scene
    from blursplit.simulate.starfield import StarField

    FloatArray = NDArray[np.float64]

LONGEST_SPARSE = 512  # apertures of fresh air that one long exposure draws from
MOST_SPARSE_FRAMES = 256
NODES = 6  # Chebyshev nodes across the aperture; a wave of one aperture errs by 3 percent


def layer_geometries(scene: Scene, field: StarField) -> list[LayerGeometry]:
    """Return each layer with its own r0 and the offsets of the stars' beams.

    A star at +x on the image is met at +x in the layer; heights count along the line of sight.
    The openings of a mask stand apart by the same distance in every layer.
    """
    air, camera = scene.air, scene.camera
    r0 = air.r0_m
    if r0 is None:
        return []
    total = sum(layer.weight for layer in air.layers)
    scale = camera.pixel_scale_arcsec / ARCSEC_PER_RAD * air.airmass
    opening, wedge = field.beams()
    x = (field.x_px - wedge[:, 0] - (camera.width_px - 1) / 2) * scale
    y = (field.y_px - wedge[:, 1] - (camera.height_px - 1) / 2) * scale
    out = []
    for layer in air.layers:
        angle = float(np.deg2rad(layer.direction_deg))
        c, s = np.cos(angle), np.sin(angle)
        out.append(
            LayerGeometry(
                # r0^(-5/3) of the layers add
                r0_m=r0 * (layer.weight / total) ** (-3 / 5),
                outer_scale_m=air.outer_scale_m,
                wind_m_s=layer.wind_m_s,
                angle_rad=angle,
                star_along_m=layer.height_m * (c * x + s * y)
                + (c * opening[:, 0] + s * opening[:, 1]),
                star_across_m=layer.height_m * (-s * x + c * y)
                + (-s * opening[:, 0] + c * opening[:, 1]),
            )
        )
    return out


@dataclass(frozen=True)
class Pace:
    """How the camera samples the air.

    Parameters
    ----------
    interval_s : float
        From frame to frame.
    frame_s : float
        From the first to the last moment of one frame, all rows included.
    step_s : float
        Between the moments of one exposure.
    """

    interval_s: float
    frame_s: float
    step_s: float


def is_sparse(layer: LayerGeometry, aperture_m: float, pace: Pace) -> bool:
    """Return whether frames lie so far apart in a layer that its finest band is new in each."""
    return layer.wind_m_s * (pace.interval_s - pace.frame_s) > FORGET * aperture_m or (
        layer.wind_m_s * pace.step_s > FORGET * aperture_m
    )


def fine_path_m(
    layer: LayerGeometry, aperture_m: float, pace: Pace, frames: int, stretch_s: float
) -> float:
    """Return how much of the path needs a ribbon of its own.

    Frames that are independent in the finest band take random places on a ribbon of fresh air
    that has one or two apertures for each; and where even the moments of one exposure are
    independent, a long exposure may wrap around it.
    """
    if not is_sparse(layer, aperture_m, pace):
        return layer.wind_m_s * stretch_s
    fresh = max(64, 2 * frames) * aperture_m
    one = layer.wind_m_s * pace.frame_s
    if layer.wind_m_s * pace.step_s > FORGET * aperture_m:
        one = min(one, LONGEST_SPARSE * aperture_m)
    return max(fresh, one)


def frames_per_stretch(
    layers: list[LayerGeometry], aperture_m: float, pitch_m: float, pace: Pace
) -> int:
    """Return how many frames one draw of the finest bands may cover in bounded memory."""
    most = 4096
    for layer in layers:
        if is_sparse(layer, aperture_m, pace):
            most = min(most, MOST_SPARSE_FRAMES)
            continue
        across = (np.ptp(layer.star_across_m) + (1 + FORGET) * aperture_m) / pitch_m
        step = layer.wind_m_s * pace.interval_s / pitch_m
        most = min(most, int(MAX_POINTS / across / max(step, 1e-9)))
    return max(1, most)


class Atmosphere:
    """Phase over the pupil for any star and moment.

    Parameters
    ----------
    layers : list of LayerGeometry
    aperture_m, pitch_m : float
        Pupil and the step of its grid.
    x_m, y_m : ndarray, shape (n_points,)
        Pupil points.
    duration_s : float
    rng : Generator
    """

    def __init__(
        self,
        layers: list[LayerGeometry],
        aperture_m: float,
        pitch_m: float,
        x_m: FloatArray,
        y_m: FloatArray,
        duration_s: float,
        rng: np.random.Generator,
    ) -> None:
        self._layers, self._aperture_m, self._pitch_m = layers, aperture_m, pitch_m
        self._x_m, self._y_m, self._rng = x_m, y_m, rng
        self._duration_s = duration_s
        self._smooth = [
            [CoarseBand(layer, aperture_m, duration_s, band, rng) for band in ("middle", "coarse")]
            for layer in layers
        ]
        self._fine: list[FineBand] = []
        self._frame_start_s = np.zeros(1)
        self._places: list[FloatArray] = []
        radius = aperture_m / 2 * 1.03
        node = np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)
        self._node_x = np.tile(node * radius, NODES)
        self._node_y = np.repeat(node * radius, NODES)
        across, down = _lagrange(node, x_m / radius), _lagrange(node, y_m / radius)
        weights = (down[:, None, :] * across[None, :, :]).reshape(NODES**2, -1)
        self._weights = weights.astype(np.float32)

    def begin_stretch(self, frame_start_s: FloatArray, pace: Pace) -> None:
        """Draw the finest bands anew for a stretch of frames.

        Parameters
        ----------
        frame_start_s : ndarray, shape (n_frames,)
            Starts of the stretch's exposures, increasing.
        pace : Pace
        """
        self._frame_start_s = np.asarray(frame_start_s, dtype=float)
        since = self._frame_start_s - self._frame_start_s[0]
        self._fine, self._places = [], []
        for layer in self._layers:
            path = fine_path_m(
                layer, self._aperture_m, pace, since.size, float(since[-1]) + pace.frame_s
            )
            band = FineBand(layer, self._aperture_m, self._pitch_m, path, self._rng)
            if is_sparse(layer, self._aperture_m, pace):
                place = self._rng.uniform(0, band.length_m, since.size)
            else:
                place = -layer.wind_m_s * since
            self._fine.append(band)
            self._places.append(np.asarray(place))

    def smooth_nodes(self, star: int, time_s: FloatArray) -> NDArray[np.float32]:
        """Return the smooth bands at the nodes of the pupil, shape (n_samples, NODES^2)."""
        total = np.zeros((time_s.size, NODES**2), dtype=np.float32)
        for layer, bands in zip(self._layers, self._smooth, strict=True):
            u, v = layer.rotated(self._node_x, self._node_y)
            path = layer.star_along_m[star] - layer.wind_m_s * time_s
            along = path[:, None] + u[None, :]
            across = np.broadcast_to(layer.star_across_m[star] + v, along.shape)
            for band in bands:
                total += band.phase(along, across)
        return total

    def phase(
        self, star: int, time_s: FloatArray, nodes: NDArray[np.float32]
    ) -> NDArray[np.float32]:
        """Return the phase [rad] over the pupil points.

        Parameters
        ----------
        star : int
        time_s : ndarray, shape (n_samples,)
            Inside the present stretch.
        nodes : ndarray of float32, shape (n_samples, NODES^2)
            From `smooth_nodes` for the same moments.

        Returns
        -------
        ndarray of float32, shape (n_samples, n_points)
        """
        out = nodes @ self._weights
        frame = np.searchsorted(self._frame_start_s, time_s, side="right") - 1
        inside = time_s - self._frame_start_s[frame]
        for layer, band, place in zip(self._layers, self._fine, self._places, strict=True):
            path = layer.star_along_m[star] + place[frame] - layer.wind_m_s * inside
            band.add_phase(star, path, self._x_m, self._y_m, out)
        return np.asarray(out)


def _lagrange(node: FloatArray, at: FloatArray) -> FloatArray:
    """Return Lagrange's basis polynomials of the nodes at other places, shape (node, at)."""
    basis = np.ones((node.size, at.size))
    for i in range(node.size):
        for j in range(node.size):
            if i != j:
                basis[i] *= (at - node[j]) / (node[i] - node[j])
    return basis
