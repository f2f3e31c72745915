"""A simulated sequence as FITS files with ordinary headers, and its truth beside them.

Sensors and the second camera of the scene stand beside it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.definitions import turn
from blursplit.errors import OutputError
from blursplit.evidence.sensor_record import SensorRecord, nominal_rotation
from blursplit.series import folder_written_whole
from blursplit.simulate.air import Atmosphere
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import SECOND_NAME, SETUP_NAME, Scene, SceneSensor
from blursplit.simulate.sequence import Simulation
from blursplit.types import sure

if TYPE_CHECKING:
    from astropy.io.fits import Header


UNITS = {"acceleration": "m/s2", "velocity": "m/s", "rate": "rad/s", "angle": "rad"}


def _draw_sensor(
    sensor: SceneSensor, shared: Shared, duration_s: float, rng: np.random.Generator
) -> SensorRecord:
    """Return what a sensor at the column's top writes of the supports' motion.

    It feels what "structure" owns; times are those of its own clock.
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
    read = grid.at(true_s, felt) @ turn(-sensor.angle_deg)
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


def _sensor_text(record: SensorRecord, start_utc: str) -> str:
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


class _SecondCameraRun(Simulation):
    """The second camera's frames, through the main camera's air and moved by the same mount.

    The main tube's own currents are not in them; the near layer, which both look through, is.
    """

    def __init__(self, main: Simulation) -> None:
        self._main = main
        self._given = sure(main.scene.second_camera)
        super().__init__(main.scene.of_second_camera(), main.seed + 1, widths=False)
        self.times = replace(self.times, stamp_s=self.times.stamp_s - self._given.offset_s)
        self._done = 0

    def _draw_motion(self, rng: np.random.Generator) -> Shared:
        del rng
        # along its own axes, its flexure beside it
        shared, given = self._main.shared, self._given
        axes = turn(-given.angle_deg)
        own = set(shared.owners.get("near_air", ()))
        terms = {name: path @ axes for name, path in shared.terms.items() if name not in own}
        bend = np.zeros_like(next(iter(shared.terms.values())))
        bend[:, 0] = given.flexure_arcsec_per_min / 60 * shared.time_s
        terms["flexure"] = bend @ axes
        owners = {owner: names for owner, names in shared.owners.items() if owner != "near_air"}
        owners["structure"] = (*owners.get("structure", ()), "flexure")
        return Shared(shared.start_s, shared.rate_hz, terms, None, owners)

    def _draw_air(
        self, air_rng: np.random.Generator, near_rng: np.random.Generator
    ) -> tuple[Atmosphere, Atmosphere]:
        del air_rng, near_rng
        # its pupil's points along the main camera's axes
        own = np.stack([self.imager.pupil.x_m, self.imager.pupil.y_m], axis=1)
        x, y = (own @ turn(self._given.angle_deg)).T
        pupil = (self.scene.telescope.aperture_m, x, y)
        outside, near = self._main.air
        first = self._main.stars.x_px.size
        return outside.seen_through(*pupil, first), near.seen_through(*pupil, first)

    def until(self, time_s: float) -> Iterator[tuple[int, NDArray[np.uint16]]]:
        """Yield the frames that begin before a time, those already taken left out."""
        stop = int(np.searchsorted(self.times.start_s, time_s))
        for start in range(self._done, stop, const.FRAMES_OF_SECOND):
            yield from self.exposed(start, min(start + const.FRAMES_OF_SECOND, stop))
        self._done = stop


# --- FITS files -----------------------------------------------------------------------------------
DEFAULT_START = datetime.fromisoformat("2024-03-01T22:00:00+00:00")  # an evening
SEQUENCE_NAME = "sequence.fits"
TRUTH_NAME = "truth.json"
SERIES_NAME = "truth.csv"


def _start_of(scene: Scene) -> datetime:
    """Return the start of the scene in UTC."""
    start = scene.sequence.start_utc or DEFAULT_START
    return start.replace(tzinfo=UTC) if start.tzinfo is None else start.astimezone(UTC)


def _iso_time(moment: datetime) -> str:
    """Return a FITS time string with microseconds and no zone (the header says TIMESYS UTC)."""
    return moment.replace(tzinfo=None).isoformat(timespec="microseconds")


def _header_of(scene: Scene, start: datetime) -> Header:
    """Return the header cards that a camera program would write for a frame that starts then."""
    from astropy.io.fits import Header

    camera, telescope = scene.camera, scene.telescope
    focal_mm = camera.pixel_um * 1e-3 / (camera.pixel_scale_arcsec / const.ARCSEC_PER_RADIAN)
    cards: list[tuple[str, Any, str]] = [
        ("OBJECT", scene.sequence.object, "name of the field"),
        ("IMAGETYP", "Light Frame", "kind of exposure"),
        ("TIMESYS", "UTC", "time scale"),
        ("DATE-OBS", _iso_time(start), "start of exposure"),
        ("DATE-BEG", _iso_time(start), "start of exposure"),
        ("EXPTIME", camera.exposure_s, "[s] exposure of one frame"),
        ("XPOSURE", camera.exposure_s, "[s] exposure of one frame"),
        ("XPIXSZ", camera.pixel_um, "[um] pixel size, binning included"),
        ("YPIXSZ", camera.pixel_um, "[um] pixel size, binning included"),
        ("XBINNING", 1, "binning"),
        ("YBINNING", 1, "binning"),
        ("FOCALLEN", round(focal_mm, 4), "[mm] focal length"),
        ("APTDIA", round(telescope.aperture_m * 1e3, 4), "[mm] aperture"),
        ("EGAIN", camera.gain_e_per_adu, "[e-/ADU]"),
        ("RDNOISE", camera.read_noise_e, "[e-] read noise"),
        ("SATURATE", camera.saturation_adu, "[ADU] saturation"),
        ("FILTER", scene.sequence.filter, "pass band"),
        ("AIRMASS", scene.air.airmass, "airmass"),
        ("TELESCOP", "simulated", "not a real telescope"),
        ("INSTRUME", "simulated camera", "not a real camera"),
        ("ORIGIN", "blursplit simulate", "made by computation"),
    ]
    if scene.sequence.site:
        cards.append(("SITENAME", scene.sequence.site, "site"))
    return Header(cards)


_Add = Callable[[int, NDArray[np.uint16]], None]  # number of the first frame, and frames of counts


@contextmanager
def _cube_file(path: Path, run: Simulation) -> Iterator[_Add]:
    """One FITS cube, written block by block; the table of times follows once all have come."""
    from astropy.io import fits

    camera, stamp_s = run.scene.camera, run.times.stamp_s
    start = _start_of(run.scene) + timedelta(seconds=float(stamp_s[0]))
    header = fits.PrimaryHDU(header=_header_of(run.scene, start)).header
    header["BITPIX"], header["NAXIS"] = 16, 3
    for axis, size in enumerate((camera.width_px, camera.height_px, run.n_frames), start=1):
        header.insert(2 + axis, (f"NAXIS{axis}", size))
    header["BZERO"] = (const.UNSIGNED_ZERO, "unsigned 16-bit counts")
    header["BSCALE"] = 1
    with closing(fits.StreamingHDU(path, header)) as cube:
        yield lambda _, frames: cube.write((frames ^ np.uint16(const.UNSIGNED_ZERO)).view(np.int16))
    column = fits.Column("TIME", "D", unit="s", array=stamp_s - stamp_s[0])
    table = fits.BinTableHDU.from_columns([column], name="TIMES")
    table.header["TIMESYS"] = "UTC"
    table.header["DATEREF"] = (_iso_time(start), "zero of TIME")
    table.header["TIMEPIXR"] = (0.0, "TIME is the start of the exposure")
    with fits.open(path, mode="append") as units:
        units.append(table)


@contextmanager
def _frame_files(folder: Path, run: Simulation) -> Iterator[_Add]:
    """One FITS file a frame, named by its number on the camera's clock."""
    from astropy.io.fits import PrimaryHDU

    folder.mkdir(parents=True, exist_ok=True)
    scene, times = run.scene, run.times
    digits = max(4, len(str(scene.sequence.frames)))

    def add(first: int, frames: NDArray[np.uint16]) -> None:
        for index, frame in enumerate(frames, start=first):
            start = _start_of(scene) + timedelta(seconds=float(times.stamp_s[index]))
            name = f"frame_{times.number[index]:0{digits}d}.fits"
            PrimaryHDU(frame, header=_header_of(scene, start)).writeto(folder / name)

    yield add


def _series_text(run: Simulation) -> str:
    """Return the realised motions at each frame's middle as text columns."""
    shared, times = run.shared, run.times
    middle = times.start_s + run.scene.camera.exposure_s / 2
    motions = {term.replace(" ", "_"): shared.at(middle, p) for term, p in shared.terms.items()}
    motions |= {f"air_{star}": tilt for star, tilt in enumerate(run.air_tilt_arcsec.swapaxes(0, 1))}
    names = ["frame", "middle_s", *(f"{word}_{axis}_arcsec" for word in motions for axis in "xy")]
    columns = np.column_stack([times.number.astype(float), middle, *motions.values()])
    rows = [",".join(names)]
    rows += [",".join(f"{v:.6g}" for v in row) for row in columns]
    return "\n".join(rows) + "\n"


def write_sequence(
    scene: Scene,
    out: Path,
    *,
    files: bool = False,
    replace: bool = False,
    seed: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Simulate a scene into a folder that appears only when all of it is written.

    `out`: folder to make: `sequence.fits` (or, with `files`, one file a frame in `frames/`),
    `truth.json`, `truth.csv` (motions frame by frame), `setup.toml`, `sensor_1.csv`, ... for the
    scene's sensors, and `second/` with sequence and setup of the second camera. `replace`: an
    existing folder that an earlier simulation made. `seed`: overrides the scene's. `progress`:
    called with (frames done, frames in all).

    Returns: the truth.

    Raises OutputError when the folder exists and may not be replaced, or cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.simulate import Scene, write_sequence
    >>> scene = Scene.model_validate(
    ...     {
    ...         "camera": {"width_px": 64, "height_px": 64},
    ...         "stars": {"count": 1, "margin_px": 20},
    ...         "sequence": {"frames": 12},
    ...     }
    ... )
    >>> truth = write_sequence(scene, Path("simulated"))
    >>> sorted(file.name for file in Path("simulated").iterdir())
    ['sequence.fits', 'setup.toml', 'truth.csv', 'truth.json']
    """
    if out.exists() and not replace:
        raise OutputError(out, "already exists", "choose another name or add --replace")
    if out.exists() and not (out / TRUTH_NAME).is_file():
        raise OutputError(out, "was not made by a simulation", "choose another name")
    with folder_written_whole(out) as work:
        return _fill(scene, work, files=files, seed=seed, progress=progress)


def _sink(folder: Path, run: Simulation, *, files: bool) -> AbstractContextManager[_Add]:
    if files:
        return _frame_files(folder / "frames", run)
    return _cube_file(folder / SEQUENCE_NAME, run)


def _fill(
    scene: Scene,
    work: Path,
    *,
    files: bool,
    seed: int | None,
    progress: Callable[[int, int], None] | None,
) -> dict[str, Any]:
    run = Simulation(scene, seed)
    with ExitStack() as stack:
        add = stack.enter_context(_sink(work, run, files=files))
        beside: Callable[[float], None] | None = None
        if scene.second_camera is not None:
            other = _SecondCameraRun(run)
            (work / SECOND_NAME).mkdir()
            text = other.scene.setup_text()
            (work / SECOND_NAME / SETUP_NAME).write_text(text, encoding="utf-8")
            add_second = stack.enter_context(_sink(work / SECOND_NAME, other, files=files))

            def beside(time_s: float) -> None:
                for first, block in other.until(time_s):
                    add_second(first, block)

        for first, block in run.blocks(beside):
            add(first, block)
            if progress is not None:
                progress(first + block.shape[0], run.n_frames)
    truth = run.truth()
    (work / TRUTH_NAME).write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    (work / SERIES_NAME).write_text(_series_text(run), encoding="utf-8")
    (work / SETUP_NAME).write_text(scene.setup_text(), encoding="utf-8")
    rng = np.random.default_rng([run.seed, 2])
    for number, sensor in enumerate(scene.sensor, start=1):
        record = _draw_sensor(sensor, run.shared, scene.duration_s, rng)
        text = _sensor_text(record, _iso_time(_start_of(scene)) + "Z")
        (work / f"sensor_{number}.csv").write_text(text, encoding="utf-8")
    return truth
