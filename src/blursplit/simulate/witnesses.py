"""What stands beside the telescope in a scene: sensors, and the second camera."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from blursplit.constants import FRAMES_OF_SECOND
from blursplit.evidence.sensor_record import SensorRecord
from blursplit.evidence.sensor_signal import nominal_rotation
from blursplit.simulate.air import Atmosphere
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import SceneSensor, SecondCamera
from blursplit.simulate.sequence import Simulation

UNITS = {"acceleration": "m/s2", "velocity": "m/s", "rate": "rad/s", "angle": "rad"}


def draw_sensor(
    sensor: SceneSensor, shared: Shared, duration_s: float, rng: np.random.Generator
) -> SensorRecord:
    """Return what a sensor at the column's top writes of the supports' motion.

    `shared`: its owner "structure" is what the sensor feels.

    Returns: times are the sensor's own clock's; channels x, y, z.
    """
    motion = shared.of("structure")
    spectrum = np.fft.rfft(motion - motion.mean(axis=0), n=2 * motion.shape[0], axis=0)
    frequency = np.fft.rfftfreq(2 * motion.shape[0], 1 / shared.rate_hz)
    rotation = nominal_rotation(sensor.kind, np.maximum(frequency, 1e-9), sensor.shape_per_m)
    # the sensor's own low-pass; a mode's acceleration is as strong far above it as at it
    edge = frequency / min(shared.rate_hz, sensor.rate_hz)
    low_pass = 0.5 + 0.5 * np.cos(np.pi * np.clip((edge - 0.3) / 0.15, 0, 1))
    finer = 4 * motion.shape[0]
    spectrum *= (low_pass / rotation)[:, None] * 4
    felt = np.fft.irfft(spectrum, n=2 * finer, axis=0)[:finer]
    grid = Shared(shared.start_s, 4 * shared.rate_hz, {})
    true_s = np.arange(0.0, duration_s, 1 / sensor.rate_hz)
    c, s = np.cos(np.deg2rad(sensor.angle_deg)), np.sin(np.deg2rad(sensor.angle_deg))
    read = grid.at(true_s, felt) @ np.array([[c, -s], [s, c]])
    values = np.column_stack([read, np.zeros(true_s.size)])
    values += sensor.noise * np.sqrt(sensor.rate_hz / 2) * rng.standard_normal(values.shape)
    good = np.ones(values.shape, dtype=bool)
    if sensor.range is not None:
        good = np.abs(values) < sensor.range
        values = np.clip(values, -sensor.range, sensor.range)
    clock = true_s * (1 + 1e-6 * sensor.drift_ppm) - sensor.offset_s
    kept = np.ones(true_s.size, dtype=bool)
    if sensor.gap_every_s:
        kept = true_s % sensor.gap_every_s < sensor.gap_every_s - sensor.gap_s
    return SensorRecord(
        kind=sensor.kind,
        time_s=clock[kept],
        values=values[kept],
        good=good[kept],
        channels=("x", "y", "z"),
        noise=np.full(3, sensor.noise) if sensor.noise else None,
    )


def sensor_text(record: SensorRecord, start_utc: str) -> str:
    """Return a record as CSV with its units, the time in seconds since `# t0`."""
    unit = UNITS[record.kind]
    head = [f"# t0: {start_utc}", f"# kind: {record.kind}"]
    if record.noise is not None:
        head.append(f"# noise: {record.noise[0]:g} {unit}/sqrt(Hz)")
    head.append(",".join(["time [s]", *(f"{name} [{unit}]" for name in record.channels)]))
    rows = [
        ",".join([f"{t:.6f}", *(f"{v:.8g}" for v in row)])
        for t, row in zip(record.time_s, record.values, strict=True)
    ]
    return "\n".join([*head, *rows]) + "\n"


class SecondCameraRun(Simulation):
    """The second camera's frames, through the main camera's air and moved by the same mount.

    The main tube's own currents are not in them; the near layer, which both look through, is.

    `main`: of a scene with a second camera.
    """

    def __init__(self, main: Simulation) -> None:
        self._main = main
        given = main.scene.second_camera
        assert given is not None  # noqa: S101 - the caller looked
        self._given = given
        super().__init__(main.scene.of_second_camera(), main.seed + 1, widths=False)
        self.times = replace(self.times, stamp_s=self.times.stamp_s - given.offset_s)
        self._done = 0

    def _draw_motion(self, rng: np.random.Generator) -> Shared:
        del rng
        return as_second_sees(self._main.shared, self._given)

    def _draw_air(
        self, air_rng: np.random.Generator, near_rng: np.random.Generator
    ) -> tuple[Atmosphere, Atmosphere]:
        del air_rng, near_rng
        turn = np.deg2rad(self._given.angle_deg)
        c, s = np.cos(turn), np.sin(turn)
        # its pupil's points along the main camera's axes
        x, y = self.imager.x_m, self.imager.y_m
        pupil = (self.scene.telescope.aperture_m, c * x - s * y, s * x + c * y)
        outside, near = self._main.air
        first = self._main.stars.x_px.size
        return outside.seen_through(*pupil, first), near.seen_through(*pupil, first)

    def until(self, time_s: float) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Yield the frames that begin before a time, those already taken left out."""
        stop = int(np.searchsorted(self.times.start_s, time_s))
        for start in range(self._done, stop, FRAMES_OF_SECOND):
            yield from self.exposed(start, min(start + FRAMES_OF_SECOND, stop))
        self._done = stop


def as_second_sees(shared: Shared, given: SecondCamera) -> Shared:
    """Return the motion along the second camera's axes, its flexure beside it."""
    turn = np.deg2rad(given.angle_deg)
    c, s = np.cos(turn), np.sin(turn)
    axes = np.array([[c, -s], [s, c]])
    own = set(shared.owners.get("near_air", ()))
    terms = {name: path @ axes for name, path in shared.terms.items() if name not in own}
    bend = np.zeros_like(next(iter(shared.terms.values())))
    bend[:, 0] = given.flexure_arcsec_per_min / 60 * shared.time_s
    terms["flexure"] = bend @ axes
    owners = {owner: names for owner, names in shared.owners.items() if owner != "near_air"}
    owners["structure"] = (*owners.get("structure", ()), "flexure")
    return Shared(shared.start_s, shared.rate_hz, terms, None, owners)
