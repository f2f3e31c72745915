"""The simulation itself, from scene to frames and truth, in bounded memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.definitions import Conditions, History, principal_axes, turn
from blursplit.image.otf import HalfMaximum
from blursplit.simulate.air import Atmosphere, LayerGeometry, Pace
from blursplit.simulate.camera import (
    Detector,
    FrameTimes,
    Imager,
    MeanLight,
    StarField,
)
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import Scene
from blursplit.turbulence.conversions import seeing_arcsec, structure_function
from blursplit.types import BoolArray, FloatArray

# a width of the truth: the causes that its image leaves out
WIDTHS: dict[str, frozenset[str]] = {
    "recorded": frozenset(),
    "without_tracking": frozenset({"tracking"}),
    "without_structure": frozenset({"structure"}),
    "without_both": frozenset({"tracking", "structure"}),
    "without_near_air": frozenset({"near_air"}),
    "without_optics": frozenset({"optics"}),
}


def _sub_exposures(scene: Scene) -> int:
    """Return how many moments stand for one exposure."""
    if scene.sequence.sub_exposures is not None:
        return scene.sequence.sub_exposures
    tau = scene.camera.exposure_s
    wind = max((layer.wind_m_s for layer in scene.air.layers), default=0.0)
    if scene.near_r0_m is not None:
        wind = max(wind, scene.near_air.wind_m_s)
    fastest = max((mode.frequency_hz for mode in scene.mode), default=0.0)
    steps = max(const.STEPS_PER_APERTURE * wind * tau / scene.pupil.aperture_m, 1.0)
    steps = max(const.STEPS_PER_CYCLE * fastest * tau, steps)
    most = const.STEPS_SHORT if tau <= const.SHORT_EXPOSURE_S else const.STEPS_LONG
    return min(int(np.ceil(steps)), most)


def _beams(
    scene: Scene, field: StarField, second: StarField | None
) -> tuple[FloatArray, FloatArray]:
    """Return direction [rad, times airmass] and opening [m] of all beams, shape (n, 2) each.

    A star at +x on the image is met at +x in the layer; heights count along the line of sight.
    The openings of a mask, and the second camera's tube, stand apart by the same distance in
    every layer.
    """
    opening, wedge = field.beams()
    skies, openings = [_sky(scene, field, wedge)], [opening]
    if second is not None and scene.second_camera is not None:
        seen = scene.of_second_camera()
        own = _sky(seen, second, np.zeros((second.x_px.size, 2)))
        skies.append(own @ turn(scene.second_camera.angle_deg))
        openings.append(np.tile(scene.second_camera.baseline_m, (second.x_px.size, 1)))
    return np.concatenate(skies), np.concatenate(openings)


def _sky(scene: Scene, field: StarField, wedge_px: FloatArray) -> FloatArray:
    camera = scene.camera
    scale = camera.pixel_scale_arcsec / const.ARCSEC_PER_RADIAN * scene.air.airmass
    x = field.x_px - wedge_px[:, 0] - (camera.width_px - 1) / 2
    y = field.y_px - wedge_px[:, 1] - (camera.height_px - 1) / 2
    return np.asarray(np.stack([x, y], axis=1) * scale)


def _crossed(
    r0_m: float, outer_scale_m: float, wind_m_s: float, direction_deg: float, place_m: FloatArray
) -> LayerGeometry:
    angle = float(np.deg2rad(direction_deg))
    along, across = (place_m @ turn(-direction_deg)).T
    return LayerGeometry(r0_m, outer_scale_m, wind_m_s, angle, along, across)


def _layer_geometries(
    scene: Scene, field: StarField, second: StarField | None = None
) -> list[LayerGeometry]:
    """Return each layer with its own r0 and the places of the beams, the second camera's last."""
    air, r0 = scene.air, scene.air.r0_m
    if r0 is None:
        return []
    total = sum(layer.weight for layer in air.layers)
    sky, opening = _beams(scene, field, second)
    return [
        _crossed(
            # r0^(-5/3) of the layers add
            r0 * (layer.weight / total) ** (-3 / 5),
            air.outer_scale_m,
            layer.wind_m_s,
            layer.direction_deg,
            layer.height_m * sky + opening,
        )
        for layer in air.layers
    ]


def _near_geometry(
    scene: Scene, field: StarField, second: StarField | None = None
) -> list[LayerGeometry]:
    """Return the near layer, at height 0, or no layer."""
    near, r0 = scene.near_air, scene.near_r0_m
    if r0 is None:
        return []
    opening = _beams(scene, field, second)[1]
    return [_crossed(r0, near.outer_scale_m, near.wind_m_s, near.direction_deg, opening)]


def _frames_per_stretch(
    layers: list[LayerGeometry], aperture_m: float, pitch_m: float, pace: Pace
) -> int:
    """Return how many frames one draw of the finest bands may cover in bounded memory."""
    most = 4096
    for layer in layers:
        if layer.is_sparse(aperture_m, pace):
            most = min(most, const.SPARSE_FRAMES)
            continue
        across = (np.ptp(layer.star_across_m) + (1 + const.FORGET) * aperture_m) / pitch_m
        step = layer.wind_m_s * pace.interval_s / pitch_m
        most = min(most, int(const.RIBBON_POINTS / across / max(step, 1e-9)))
    return max(1, most)


class Simulation:
    """One realisation of a scene.

    `seed`: overrides the scene's own seed. `widths`: draw the mean images of the brightest stars,
    with and without each cause, for the truth.
    """

    def __init__(self, scene: Scene, seed: int | None = None, *, widths: bool = True) -> None:
        self.scene = scene
        self._draws_widths = widths
        self.seed = scene.sequence.seed if seed is None else seed
        rng = np.random.default_rng(self.seed)
        shared_rng, air_rng, camera_rng, time_rng, near_rng = rng.spawn(5)
        self.wavelength_m = scene.air.wavelength_nm * 1e-9
        self.stars = StarField.place(scene).through_mask(scene)
        self.times = FrameTimes.plan(scene, time_rng)
        self.shared = self._draw_motion(shared_rng)
        self.n_sub = _sub_exposures(scene)
        scale = scene.camera.pixel_scale_arcsec
        self.imager = Imager(scene.pupil, self.wavelength_m, scale, self._reach())
        self._detector = Detector(scene, camera_rng)
        rows_s = scene.camera.row_time_us * 1e-6 * scene.camera.height_px
        self._pace = Pace(
            interval_s=scene.camera.frame_interval_s,
            frame_s=scene.camera.exposure_s + rows_s,
            step_s=scene.camera.exposure_s / self.n_sub,
        )
        self._air, self._near = self._draw_air(air_rng, near_rng)
        self._prepare_truth()

    def _draw_motion(self, rng: np.random.Generator) -> Shared:
        return Shared.draw(self.scene, rng)

    def _draw_air(
        self, air_rng: np.random.Generator, near_rng: np.random.Generator
    ) -> tuple[Atmosphere, Atmosphere]:
        """Return the air outside and near, wide and long enough for a second camera too."""
        scene, other = self.scene, None
        if scene.second_camera is not None:
            seen = scene.of_second_camera()
            other = StarField.place(seen)
            # its frames lie anywhere between these: no frame takes a place of its own in the air
            reach = scene.camera.frame_interval_s + seen.camera.frame_interval_s
            self._pace = replace(self._pace, frame_s=self._pace.frame_s + reach)
        outside = _layer_geometries(scene, self.stars, other)
        near = _near_geometry(scene, self.stars, other)
        pupil = scene.pupil.aperture_m, self.imager.grid.pitch_m
        self._stretch = _frames_per_stretch([*outside, *near], *pupil, self._pace)
        return self._frozen(outside, air_rng), self._frozen(near, near_rng)

    def _frozen(self, layers: list[LayerGeometry], rng: np.random.Generator) -> Atmosphere:
        imager, scene = self.imager, self.scene
        pupil = scene.pupil.aperture_m, imager.grid.pitch_m, imager.pupil.x_m, imager.pupil.y_m
        return Atmosphere(layers, *pupil, scene.duration_s, rng)

    @property
    def air(self) -> tuple[Atmosphere, Atmosphere]:
        """The air outside and the near layer."""
        return self._air, self._near

    @property
    def n_frames(self) -> int:
        """Frames that are recorded."""
        return int(self.times.number.size)

    @property
    def _air_arcsec(self) -> float:
        """Width that all the air makes, about lambda/r0."""
        r0s = (self.scene.air.r0_m, self.scene.near_r0_m)
        strength = sum(r0 ** (-5 / 3) for r0 in r0s if r0 is not None)
        return float(self.wavelength_m * strength**0.6 * const.ARCSEC_PER_RADIAN)

    def _reach(self) -> float:
        """Return how far from its pixel a star's light may fall [arcsec]."""
        scene = self.scene
        width = np.hypot(self._air_arcsec, scene.telescope.instrument_fwhm_arcsec)
        motion = self.shared.total()
        inside = max(1, int(scene.camera.exposure_s * self.shared.rate_hz))
        swing = np.abs(motion[inside:] - motion[:-inside]).max() if inside < len(motion) else 0.0
        slow = scene.camera.pixel_scale_arcsec
        return float(const.STAMP_REACH * width + swing + slow)

    def _prepare_truth(self) -> None:
        imager, pupil, n_stars = self.imager, self.imager.pupil, self.stars.x_px.size
        weight = pupil.weight
        self._project = (pupil.tilt_basis() * weight).T.astype(np.float32)
        self._weight = weight.astype(np.float32)
        # a tilt of one radian rms over the pupil, as a slope [rad/m]: the pupil is symmetric
        slope = np.array([1 / np.sqrt(np.sum(weight * at**2)) for at in (pupil.x_m, pupil.y_m)])
        self.tilt_arcsec = slope * self.wavelength_m / (2 * np.pi) * const.ARCSEC_PER_RADIAN
        shape = (self.n_frames, n_stars, 2)
        self.air_tilt_arcsec, self.near_tilt_arcsec = np.zeros(shape), np.zeros(shape)
        self.star_px = np.zeros(shape)
        self._roughness = {"air": [0.0, 0], "near": [0.0, 0]}
        present = self._present()
        self.widths = {name: gone & present for name, gone in WIDTHS.items()}
        self.mean_light: dict[frozenset[str], list[MeanLight]] = {}
        for gone in set(self.widths.values()) if self._draws_widths else ():
            span, optics = self._window_span(gone), "optics" not in gone
            few = range(min(n_stars, const.TRUTH_STARS))
            self.mean_light[gone] = [MeanLight(imager, span, optics=optics) for _ in few]

    def _present(self) -> frozenset[str]:
        """Return the causes that could be left out of this scene's images."""
        scene, telescope = self.scene, self.scene.telescope
        found = {owner for owner in self.shared.owners if np.any(self.shared.of(owner))}
        if scene.near_r0_m is not None or self.shared.rough_nm is not None:
            found.add("near_air")
        if telescope.instrument_fwhm_arcsec or telescope.defocus_nm or telescope.astigmatism_nm:
            found.add("optics")
        return frozenset(found)

    @property
    def recorded(self) -> BoolArray:
        """Which times of the fine grid lie between the first exposure and the end of the last."""
        time = self.shared.time_s
        return np.asarray((time >= 0) & (time <= self.scene.duration_s))

    def course(self) -> History:
        """Return the run as one history, the air as realised so far."""
        scene, telescope = self.scene, self.scene.pupil
        inside = self.recorded
        strength = {
            name: (0.0, 25.0) if air is None else (air[0] ** (-5.0 / 3.0), air[1])
            for name, air in self.air_strengths().items()
        }
        blur = scene.telescope.instrument_fwhm_arcsec / const.FWHM_PER_SIGMA
        optics = telescope.aperture_m, telescope.obstruction, self.wavelength_m
        return History(
            Conditions(*optics, scene.camera.pixel_scale_arcsec),
            self.shared.time_s[inside],
            np.zeros(int(inside.sum()), dtype=np.int64),
            {owner: self.shared.of(owner)[inside] for owner in ("tracking", "structure")},
            strength=strength["outside"][0],
            outer_scale_m=strength["outside"][1],
            near_strength=strength["near"][0],
            near_outer_scale_m=strength["near"][1],
            optics_arcsec2=blur**2 * np.eye(2),
        )

    def air_strengths(self) -> dict[str, tuple[float, float] | None]:
        """Return r0 at the wavelength along the line of sight and the outer scale [m].

        Of the air "outside" and of the "near" layer, as realised; None where there is none.
        """
        scene = self.scene
        out: dict[str, tuple[float, float] | None] = {"outside": None, "near": None}
        for name, kind, r0, outer in (
            ("outside", "air", scene.air.r0_m, scene.air.outer_scale_m),
            ("near", "near", scene.near_r0_m, scene.near_air.outer_scale_m),
        ):
            total, samples = self._roughness[kind]
            if r0 is not None and samples:
                _, rest = self.imager.pupil.expected_variances(r0, outer)
                # the roughness left after tilt goes as r0^(-5/3), and half a minute holds many
                # draws of it
                out[name] = (r0 * float(total / samples / rest) ** (-3 / 5), outer)
        return out

    def blocks(
        self, beside: Callable[[float], None] | None = None
    ) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Yield (number of the first frame of the block, frames of counts), in order.

        The truth is complete when the last block has been taken. `beside` is called with the time
        [s] up to which the present stretch of air holds, before the next one is drawn.
        """
        for start in range(0, self.n_frames, self._stretch):
            stop = min(start + self._stretch, self.n_frames)
            for air in (self._air, self._near):
                air.begin_stretch(self.times.start_s[start:stop], self._pace)
            yield from self.exposed(start, stop)
            if beside is not None:
                beside(float(self.times.start_s[stop]) if stop < self.n_frames else np.inf)

    def exposed(self, start: int, stop: int) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Yield the frames of one stretch of air, as `blocks` does."""
        parts = [self._star_light(star, start, stop) for star in range(self.stars.x_px.size)]
        light = np.stack([part[0] for part in parts])
        x0, y0 = np.stack([part[1] for part in parts]), np.stack([part[2] for part in parts])
        for first in range(start, stop, const.FRAMES_AT_ONCE):
            here = slice(first - start, min(first + const.FRAMES_AT_ONCE, stop) - start)
            number = self.times.number[start:stop][here]
            yield first, self._detector.expose(light[:, here], x0[:, here], y0[:, here], number)

    def _phases(
        self, star: int, start: int, time_s: FloatArray
    ) -> Iterator[tuple[slice, NDArray[np.float32], NDArray[np.float32]]]:
        """Yield a few frames at a time the phases of the air outside and near, and note them."""
        airs = (self._air, self._near)
        nodes = [air.smooth_nodes(star, time_s.ravel()) for air in airs]
        batch = max(1, const.PUPILS_AT_ONCE // self.n_sub)
        for first in range(0, len(time_s), batch):
            part = slice(first, min(first + batch, len(time_s)))
            samples = slice(part.start * self.n_sub, part.stop * self.n_sub)
            outside, near = (
                air.phase(star, time_s[part].ravel(), at[samples])
                for air, at in zip(airs, nodes, strict=True)
            )
            self._note_air(star, start + part.start, outside, near)
            yield part, outside, near

    def _moments(self, star: int, start: int, stop: int) -> FloatArray:
        """Return the middles of the sub-exposures as the star's row sees them."""
        camera = self.scene.camera
        inside = (np.arange(self.n_sub) + 0.5) / self.n_sub * camera.exposure_s
        row = camera.row_time_us * 1e-6 * self.stars.y_px[star]
        return np.asarray(self.times.start_s[start:stop, None] + inside + row)

    def _positions(self, star: int, time_s: FloatArray) -> FloatArray:
        """Return where the star would stand without shared motion [px], with field rotation."""
        camera = self.scene.camera
        middle = np.array([(camera.width_px - 1) / 2, (camera.height_px - 1) / 2])
        wedge = self.stars.beams()[1][star]
        x, y = np.array([self.stars.x_px[star], self.stars.y_px[star]]) - wedge - middle
        turn = np.deg2rad(self.scene.sequence.field_rotation_deg_per_hour / 3600) * time_s
        c, s = np.cos(turn), np.sin(turn)
        return np.asarray(np.stack([c * x - s * y, s * x + c * y], axis=-1) + middle + wedge)

    def _star_light(
        self, star: int, start: int, stop: int
    ) -> tuple[NDArray[np.float32], NDArray[np.int64], NDArray[np.int64]]:
        """Return the expected electrons of one star and where its stamps lie."""
        scene, grid = self.scene, self.imager.grid
        time = self._moments(star, start, stop)
        moved = self.shared.at(time, self.shared.total()) / scene.camera.pixel_scale_arcsec
        place = self._positions(star, time) + moved + self.times.dither_px[start:stop, None, :]
        self.star_px[start:stop, star] = place.mean(axis=1)
        centre = np.rint(place.mean(axis=1)).astype(np.int64)
        offset = (place - centre[:, None, :]) * scene.camera.pixel_scale_arcsec
        electrons = self.stars.flux_e_per_s[star] * scene.camera.exposure_s
        electrons = electrons * self.times.transparency[start:stop]
        light = np.empty((stop - start, grid.stamp_px, grid.stamp_px), dtype=np.float32)
        for part, outside, near in self._phases(star, start, time):
            self._add_rough(star, time[part].ravel(), near)
            spectra = self.imager.spectra(outside + near, offset[part].reshape(-1, 2), self.n_sub)
            light[part] = self.imager.pixels(spectra)
            if star < const.TRUTH_STARS:
                self._note_light(star, time[part], outside, near)
        light *= electrons.astype(np.float32)[:, None, None]
        corner = centre - grid.stamp_px // 2
        return light, corner[:, 0], corner[:, 1]

    def _add_rough(self, star: int, time_s: FloatArray, phase: NDArray[np.float32]) -> None:
        if self.shared.rough_nm is None:
            return
        radius = self.scene.telescope.aperture_m / 2
        modes = self.imager.pupil.rough_modes(radius, self.stars.beams()[0][star])
        rad = self.shared.at(time_s, self.shared.rough_nm) * 2e-9 * np.pi / self.wavelength_m
        phase += (rad @ modes).astype(np.float32)

    def _note_air(
        self, star: int, frame: int, outside: NDArray[np.float32], near: NDArray[np.float32]
    ) -> None:
        """Keep the realised tilt of each frame and the realised roughness of the air."""
        for kind, phase, kept in (
            ("air", outside, self.air_tilt_arcsec),
            ("near", near, self.near_tilt_arcsec),
        ):
            part = phase @ self._project
            tilt = (part[:, 1:] * self.tilt_arcsec).reshape(-1, self.n_sub, 2)
            kept[frame : frame + tilt.shape[0], star] = tilt.mean(axis=1)
            square = np.square(phase) @ self._weight
            self._roughness[kind][0] += float(np.sum(square - np.sum(part**2, axis=1)))
            self._roughness[kind][1] += phase.shape[0]

    def _note_light(
        self, star: int, time_s: FloatArray, outside: NDArray[np.float32], near: NDArray[np.float32]
    ) -> None:
        """Add a star's light, with causes left out, to its mean images.

        Long frames are images by themselves: each about its own mean place, under the air too.
        """
        for gone, means in self.mean_light.items():
            series = self._kept(gone)
            phase = outside if "near_air" in gone else outside + near
            offset = self.shared.at(time_s, series)
            if self.scene.camera.exposure_s >= const.LONG_FRAME_S:
                tilt = (phase @ self._project)[:, 1:] * self.tilt_arcsec
                offset = offset - (offset + tilt.reshape(offset.shape)).mean(axis=1, keepdims=True)
            else:
                offset = offset - self._window_mean(time_s, series)
            means[star].add(phase, offset)

    def _kept(self, gone: frozenset[str]) -> FloatArray:
        """Return the shared motion without that of the named causes."""
        owners = gone & set(self.shared.owners)
        total = self.shared.total()
        return np.asarray(total - sum((self.shared.of(owner) for owner in owners), start=0.0))

    def _window_span(self, gone: frozenset[str]) -> float:
        """Return how far that motion, under long frames the air's, goes from its means [arcsec]."""
        if self.scene.camera.exposure_s >= const.LONG_FRAME_S:
            return self._air_arcsec
        series = self._kept(gone)
        return float(np.abs(series - self._window_mean(self.shared.time_s, series)).max())

    def blur_time_s(self) -> float:
        """Return the blur time T that the truth is stated for."""
        if self.scene.camera.exposure_s >= const.LONG_FRAME_S:
            return self.scene.camera.exposure_s
        return min(self.scene.duration_s, const.LONGEST_BLUR_TIME_S)

    def _window_mean(self, time_s: FloatArray, series: FloatArray) -> FloatArray:
        """Return the mean of a series over the window of length T that each moment lies in."""
        windows = max(1, int(self.scene.duration_s / self.blur_time_s() + 1e-9))
        edges = np.linspace(0, self.scene.duration_s, windows + 1)
        grid = self.shared.time_s
        owner = np.clip(np.searchsorted(edges, grid, side="right") - 1, 0, windows - 1)
        inside = self.recorded
        count = np.bincount(owner[inside], minlength=windows)
        sums = [np.bincount(owner[inside], series[inside, k], windows) for k in range(2)]
        means = np.stack(sums, axis=1) / count[:, None]
        which = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, windows - 1)
        return np.asarray(means[which])

    def truth(self) -> dict[str, Any]:
        """Return the truth, ready for JSON, as realised: after the last block.

        Keys are as in the result file where the meaning is the same. Causes are physical
        owners: `tracking` (drift and drive), `structure` (modes, taps, wind shake), `near_air` (the
        near layer, the tube's currents), `atmosphere` (the air outside), `instrument`. Motions are
        rms over `blur_time_s` about each window's own mean, of the image's instantaneous position.
        """
        stars = self.stars
        return {
            "schema": "blursplit-truth/1",
            "seed": self.seed,
            "blur_time_s": self.blur_time_s(),
            "frames": self.n_frames,
            "duration_s": self.scene.duration_s,
            "sub_exposures": self.n_sub,
            "atmosphere": _air_truth(self),
            "near_air": _near_truth(self),
            **{owner: _motion_truth(self, owner) for owner in ("tracking", "structure")},
            "lines": _lines_truth(self),
            "instrument": _instrument_truth(self),
            "fwhm": (widths := _width_truth(self)),
            "savings": _savings_truth(widths),
            "shares": _shares_truth(self),
            "stars": [
                {"x_px": round(x, 4), "y_px": round(y, 4), "flux_e_per_s": flux}
                for x, y, flux in np.stack([stars.x_px, stars.y_px, stars.flux_e_per_s], 1).tolist()
            ],
            "scene": self.scene.model_dump(mode="json"),
        }


def _axes_of(covariance: FloatArray) -> dict[str, float]:
    """Return major and minor rms and the axial direction of a covariance of (x, y)."""
    major, minor, angle = principal_axes(covariance)
    sizes = {"rms_major_arcsec": round(major, 6), "rms_minor_arcsec": round(minor, 6)}
    return sizes | {"angle_deg": round(angle, 3)}


def _window_of(run: Simulation, series: FloatArray) -> FloatArray:
    moved = replace(run.course(), path_arcsec={"structure": series[run.recorded]})
    return moved.in_windows(run.blur_time_s()).motion_covariance("structure")


def _motion_truth(run: Simulation, owner: str) -> dict[str, Any]:
    out: dict[str, Any] = _axes_of(_window_of(run, run.shared.of(owner)))
    if owner == "tracking":
        angle = np.deg2rad([d.angle_deg for d in run.scene.drift])
        rate = np.array([d.arcsec_per_min for d in run.scene.drift])
        speed = np.hypot(np.sum(rate * np.cos(angle)), np.sum(rate * np.sin(angle)))
        out["drift_arcsec_per_min"] = round(float(speed), 6)
    if owner == "structure" and "wind shake" in run.shared.terms:
        out["wind_shake"] = _axes_of(_window_of(run, run.shared.total(("wind shake",))))
    return out


def _near_truth(run: Simulation) -> dict[str, Any]:
    """Motion frame by frame, and the layer's strength at the wavelength, as realised."""
    middle = run.times.start_s + run.scene.camera.exposure_s / 2
    path = run.near_tilt_arcsec.mean(axis=1) + run.shared.at(middle, run.shared.of("near_air"))
    out: dict[str, Any] = _axes_of(np.cov(path.T, ddof=0) if len(path) > 1 else np.zeros((2, 2)))
    layer = run.air_strengths()["near"]
    out["r0_m"] = None if layer is None else round(layer[0], 6)
    out["outer_scale_m"] = None if layer is None else layer[1]
    return out


def _lines_truth(run: Simulation) -> list[dict[str, Any]]:
    modes: list[dict[str, Any]] = [
        {"frequency_hz": mode.frequency_hz, "damping_ratio": mode.damping_ratio}
        | _axes_of(_window_of(run, run.shared.terms[f"mode {number}"]))
        for number, mode in enumerate(run.scene.mode, start=1)
    ]
    return modes + [
        {"frequency_hz": 1 / error.period_s}
        | {name: getattr(error, name) for name in ("amplitude_arcsec", "angle_deg")}
        for error in run.scene.periodic
    ]


def _air_truth(run: Simulation) -> dict[str, Any]:
    scene = run.scene
    r0 = scene.air.r0_m
    if r0 is None:
        return {"r0_500nm_zenith_m": None, "seeing_500nm_zenith_arcsec": 0.0}
    outer = scene.air.outer_scale_m
    tilt, _ = run.imager.pupil.expected_variances(r0, outer)
    realised = run.air_strengths()["outside"]
    ratio = 1.0 if realised is None else realised[0] / r0
    zenith = scene.air.r0_zenith_m or np.nan
    seeing = seeing_arcsec(zenith, const.SEEING_WAVELENGTH_M)
    motion = run.air_tilt_arcsec
    centred = motion - motion.mean(axis=0)
    common = centred.mean(axis=1)
    parted = centred - common[:, None]
    n_stars = motion.shape[1]
    spare = np.sqrt(n_stars / (n_stars - 1)) if n_stars > 1 else np.nan

    def rms(a: FloatArray, factor: float = 1.0) -> list[float] | None:
        value = factor * np.sqrt(np.mean(a**2, axis=tuple(range(a.ndim - 1))))
        return [round(float(v), 6) for v in value] if np.all(np.isfinite(value)) else None

    realised_arcsec = _atmosphere_fwhm_arcsec(r0 * ratio, outer, run.wavelength_m)
    tilt_arcsec = np.sqrt(tilt) * np.mean(np.abs(run.tilt_arcsec))
    return {
        "r0_500nm_zenith_m": zenith,
        "r0_500nm_zenith_realised_m": round(zenith * ratio, 6),
        "seeing_500nm_zenith_arcsec": round(float(seeing), 6),
        "seeing_500nm_zenith_realised_arcsec": round(float(seeing / ratio), 6),
        "r0_m": r0,
        "outer_scale_m": outer,
        "fwhm_arcsec": round(_atmosphere_fwhm_arcsec(r0, outer, run.wavelength_m), 6),
        "fwhm_realised_arcsec": round(realised_arcsec, 6),
        "tilt_rms_expected_arcsec": round(float(tilt_arcsec), 6),
        "frame_motion_rms_xy_arcsec": rms(centred),
        "frame_common_rms_xy_arcsec": rms(common),
        "frame_parted_rms_xy_arcsec": rms(parted, spare),
    }


def _instrument_truth(run: Simulation) -> dict[str, Any]:
    imager = run.imager
    still = np.zeros((1, imager.pupil.x_m.size), dtype=np.float32)
    light = imager.spectra(still, np.zeros((1, 2)), 1)[0].astype(complex)
    width = HalfMaximum.of_transform(
        light * imager.blur_transfer(light.shape[0]), imager.fine_arcsec
    )
    diffraction = HalfMaximum.of_transform(light, imager.fine_arcsec)
    return {
        "fwhm_arcsec": round(width.mean, 6),
        "before_pixel_and_blur_arcsec": round(diffraction.mean, 6),
        "blur_fwhm_arcsec": run.scene.telescope.instrument_fwhm_arcsec,
        "pixel_arcsec": run.scene.camera.pixel_scale_arcsec,
    }


def _width_truth(run: Simulation) -> dict[str, Any]:
    """Mean widths of the brightest stars; the direction is that of the first."""
    out: dict[str, Any] = {"stars": 0, "blur_time_s": run.blur_time_s()}
    for name, gone in run.widths.items() if run.mean_light else ():
        widths = [mean.width() for mean in run.mean_light[gone] if mean.image.any()]
        if not widths:
            continue
        out["stars"] = len(widths)
        for part, of in (("mean", ""), ("major", "_major"), ("minor", "_minor")):
            size = float(np.mean([getattr(one, part) for one in widths]))
            out[f"{name}{of}_arcsec"] = round(size, 6)
        out[f"{name}_angle_deg"] = round(widths[0].angle_deg, 2)
    return out


def _savings_truth(widths: dict[str, Any]) -> dict[str, dict[str, float] | None]:
    """Return what each cure would save of the recorded width, from the images without its cause."""
    recorded = widths.get("recorded_arcsec")
    out: dict[str, dict[str, float] | None] = {}
    for cure in ("tracking", "structure", "mechanics", "near_air", "optics"):
        left = widths.get(f"without_{'both' if cure == 'mechanics' else cure}_arcsec")
        out[cure] = None
        if recorded and left is not None:
            saved = {"saving_arcsec": recorded - left, "saving_fraction": 1.0 - left / recorded}
            out[cure] = {name: round(value, 6) for name, value in saved.items()}
    return out


def _shares_truth(run: Simulation) -> dict[str, float] | None:
    """Return each cause's share of the width above the base, as the estimator defines it.

    None of a scene whose blur has no place in a history: currents in the tube and bent optics.
    """
    telescope = run.scene.telescope
    if np.any(run.shared.of("near_air")) or telescope.defocus_nm or telescope.astigmatism_nm:
        return None
    course = run.course().in_windows(run.blur_time_s())
    return {cause: round(share, 6) for cause, share in course.shares().items()}


def _atmosphere_fwhm_arcsec(r0_m: float, outer_scale_m: float, wavelength_m: float) -> float:
    """Return the long-exposure width of the air alone, by Hankel transform of its OTF.

    exp(-D(lambda f)/2) transformed to the sky, half maximum found by bisection (Fried 1966,
    with the von Karman structure function).
    """
    from scipy.optimize import brentq
    from scipy.special import j0

    baseline = np.linspace(0, 6 * r0_m, 6000)[1:]
    otf = np.exp(-structure_function(baseline, r0_m, outer_scale_m) / 2)
    # what an outer scale leaves coherent is a spike that has no width of its own
    otf = (otf - otf[-1]) * (otf > otf[-1])

    def profile(angle_rad: float) -> float:
        return float(np.sum(otf * baseline * j0(2 * np.pi * angle_rad * baseline / wavelength_m)))

    peak = profile(0.0)
    guess = 0.98 * wavelength_m / r0_m
    half = brentq(lambda a: profile(a) - peak / 2, 0.05 * guess, 1.5 * guess)
    return float(2 * half * const.ARCSEC_PER_RADIAN)
