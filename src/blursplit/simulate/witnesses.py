"""What stands beside the telescope in a scene: sensors, and tracks of the second camera."""

from __future__ import annotations

import numpy as np

from blursplit.evidence.sensor_record import SensorRecord
from blursplit.evidence.sensor_signal import nominal_rotation
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import SceneSensor
from blursplit.types import FloatArray

UNITS = {"acceleration": "m/s2", "velocity": "m/s", "rate": "rad/s", "angle": "rad"}


def draw_sensor(
    sensor: SceneSensor, shared: Shared, duration_s: float, rng: np.random.Generator
) -> SensorRecord:
    """Return what a sensor at the column's top writes of the supports' motion.

    Parameters
    ----------
    sensor : SceneSensor
    shared : Shared
        Its owner "structure" is what the sensor feels.
    duration_s : float
    rng : Generator

    Returns
    -------
    SensorRecord
        Times are the sensor's own clock's; channels x, y, z.
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


def quiet_shared(rate_hz: float, motion: FloatArray) -> Shared:
    """Return a motion of the supports given as a series, from time zero."""
    return Shared(0.0, rate_hz, {"given": motion}, None, {"structure": ("given",)})
