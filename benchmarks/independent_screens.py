"""Sequences from an independent library's phase screens, to judge the measurement by.

The air comes from aotools (Fourier screens after Schmidt 2010), the image from a matrix Fourier
transform, the camera and the file from this script alone; nothing of `blursplit.simulate` is
used. A path that is longer than a screen wraps around it at a slant, so the outer scale has to
stay below a third of the screen.

Run it as a script to write one sequence and its truth:

    python benchmarks/independent_screens.py OUT --seed 3
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np
from numba import njit

sys.path.insert(0, str(Path(__file__).parent))

from independent_shake import Oscillator, oscillate

ARCSEC = np.pi / 180 / 3600
UPSAMPLE = 3
# Where the fine screens take over from the coarse ones [cycles/m]: six coarse points a wave, so
# that the spline between them loses nothing; the fine ones go on to waves of 2 cm and less.
CROSSOVER_PER_M = 2.7
FINE_STEP_M = 0.005
LONG_FRAME_S = 5.0  # frames as long as this are windows of their own


@dataclass(frozen=True)
class Layer:
    """A frozen layer; the direction is where the air moves to, from +x toward +y.

    Near air has an outer scale of its own.
    """

    height_m: float
    weight: float
    wind_m_s: float
    direction_deg: float
    outer_scale_m: float | None = None


@dataclass(frozen=True)
class Plan:
    """Everything that goes into a sequence."""

    seed: int = 1
    frames: int = 1200
    exposure_s: float = 0.01
    interval_s: float = 0.025
    aperture_m: float = 0.25
    obstruction: float = 0.0
    wavelength_m: float = 550e-9
    r0_500nm_m: float = 0.09
    outer_scale_m: float = 12.0
    layers: tuple[Layer, ...] = (
        Layer(15, 0.5, 6, 23),
        Layer(1500, 0.25, 11, 131),
        Layer(7000, 0.25, 18, 67),
    )
    oscillators: tuple[Oscillator, ...] = ()
    drift_arcsec_per_min: float = 0.0
    drift_angle_deg: float = 0.0
    worm: tuple[float, float, float] | None = None  # period s, amplitude arcsec, angle deg
    shake: tuple[float, float, float] | None = None  # rms arcsec, corner Hz, angle deg
    stars: int = 7
    flux_e_per_s: float = 3e6
    width_px: int = 300
    height_px: int = 220
    pixel_arcsec: float = 0.65
    blur_fwhm_arcsec: float = 0.0
    read_noise_e: float = 2.5
    sky_e_per_s: float = 50.0
    bias_adu: float = 200.0
    steps: int = 3
    points: int = 2048
    step_m: float = 0.06
    pupil_points: int = 32
    cache: str | None = field(default=None, compare=False)


def screen_of(
    plan: Plan, index: int, step_m: float, outer_scale_m: float | None = None
) -> np.ndarray:
    """Return the coarse or fine part of a screen of r0 = 1 m, as spline coefficients.

    One screen cannot hold both the outer scale and what is smaller than a tenth of a pupil. So
    two are drawn by the library, one of each step, and each keeps its side of the crossover.
    """
    from aotools.turbulence.phasescreen import ft_phase_screen
    from scipy.ndimage import spline_filter

    reach = plan.points * plan.step_m
    outer = plan.outer_scale_m if outer_scale_m is None else outer_scale_m
    if outer > reach / 3:
        message = f"outer scale {outer} m needs a screen wider than {reach} m"
        raise ValueError(message)
    seed = 100_000 * plan.seed + index if plan.cache is None else index
    seed += 50_000 if step_m == FINE_STEP_M else 0
    name = f"screen-{plan.points}-{step_m}-{outer}-{seed}.npy"
    kept = None if plan.cache is None else Path(plan.cache) / name
    if kept is not None and kept.is_file():
        return np.load(kept)
    drawn = ft_phase_screen(1.0, plan.points, step_m, outer, 1e-3, seed=seed)
    transform = np.fft.rfft2(drawn)
    size = np.hypot(
        np.fft.fftfreq(plan.points, step_m)[:, None], np.fft.rfftfreq(plan.points, step_m)
    )
    keep = size >= CROSSOVER_PER_M if step_m == FINE_STEP_M else size < CROSSOVER_PER_M
    drawn = np.fft.irfft2(transform * keep, s=drawn.shape)
    spline = spline_filter(drawn, order=3, output=np.float32, mode="grid-wrap")
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.save(kept, spline)
    return spline


class Optics:
    """Pupil points and the matrices that carry them to the pixels of a stamp."""

    def __init__(self, plan: Plan, fwhm_arcsec: float) -> None:
        n = plan.pupil_points
        edge = (np.arange(n) + 0.5) / n - 0.5
        x, y = np.meshgrid(edge * plan.aperture_m, edge * plan.aperture_m)
        radius = np.hypot(x, y) / (plan.aperture_m / 2)
        inside = (radius <= 1) & (radius >= plan.obstruction)
        self.x_m, self.y_m, self.inside = x[inside], y[inside], inside
        self.edge_m = edge * plan.aperture_m
        self.aperture_m, self.wavelength_m = plan.aperture_m, plan.wavelength_m
        # the pupil's own period on the sky bounds the stamp
        period = n * plan.wavelength_m / plan.aperture_m / ARCSEC
        size = min(7 * fwhm_arcsec + 3, 0.98 * period) / plan.pixel_arcsec
        self.size = 2 * int(size / 2) + 1
        fine = plan.pixel_arcsec / UPSAMPLE
        at = (np.arange(self.size * UPSAMPLE) - (self.size * UPSAMPLE - 1) / 2) * fine * ARCSEC
        coordinate = edge * plan.aperture_m
        self.blur = plan.blur_fwhm_arcsec / 2.3548 * UPSAMPLE / plan.pixel_arcsec
        kernel = np.exp(-2j * np.pi / plan.wavelength_m * np.outer(at, coordinate))
        self.kernel = kernel.astype(np.complex64)
        # energy of the whole period of the image is that of the pupil (Parseval)
        step = fine * ARCSEC * plan.aperture_m / n / plan.wavelength_m
        self.scale = np.float32(step**2 / inside.sum())

    def images(self, phase: np.ndarray, offset_arcsec: np.ndarray, steps: int) -> np.ndarray:
        """Return pixel images (sum 1), each the mean of `steps` moments: (n, size, size)."""
        from scipy.ndimage import gaussian_filter

        s = self.size
        light = self.light(phase, offset_arcsec)
        light = light.reshape(-1, steps, s * UPSAMPLE, s * UPSAMPLE).mean(axis=1)
        if self.blur > 0:
            # on the fine grid: a kernel much narrower than its own step would do nothing
            light = gaussian_filter(light, (0, self.blur, self.blur), truncate=6.0)
        return self.scale * light.reshape(-1, s, UPSAMPLE, s, UPSAMPLE).sum(axis=(2, 4))

    def light(self, phase: np.ndarray, offset_arcsec: np.ndarray) -> np.ndarray:
        """Return the light of each moment on pixels a third as wide, before the optics' blur."""
        k = 2 * np.pi / self.wavelength_m * ARCSEC
        tilt = k * offset_arcsec @ np.stack([self.x_m, self.y_m])
        n = self.kernel.shape[1]
        field_ = np.zeros((phase.shape[0], n, n), dtype=np.complex64)
        field_[:, self.inside] = np.exp(1j * (phase + tilt).astype(np.float32))
        wave = (field_.reshape(-1, n) @ self.kernel.T).reshape(phase.shape[0], n, -1)
        wave = np.matmul(self.kernel, wave)
        return wave.real**2 + wave.imag**2


@njit(cache=True)  # type: ignore[untyped-decorator]
def _taps(at: np.ndarray, first: np.ndarray, weight: np.ndarray) -> None:
    """Write the first of four points and their cubic B-spline weights for each place."""
    for i in range(len(at)):
        below = np.floor(at[i])
        t = at[i] - below
        first[i] = int(below) - 1
        weight[i, 0] = (1.0 - t) ** 3 / 6.0
        weight[i, 1] = (3.0 * t**3 - 6.0 * t**2 + 4.0) / 6.0
        weight[i, 2] = (-3.0 * t**3 + 3.0 * t**2 + 3.0 * t + 1.0) / 6.0
        weight[i, 3] = t**3 / 6.0


@njit(cache=True)  # type: ignore[untyped-decorator]
def read_pupils(
    spline: np.ndarray,
    begin: np.ndarray,
    along: np.ndarray,
    inside: np.ndarray,
    gain: float,
    out: np.ndarray,
) -> None:
    """Add a periodic screen, times `gain`, at the pupil's points for each moment.

    What `scipy.ndimage.map_coordinates` reads, a tenth of the time: the points stand in rows.
    `spline` (n, n): cubic B-spline coefficients. `begin` (moments, 2): x, y of the pupil's centre
    in steps of the screen. `along` (2, points): places of columns and rows about it. `inside`
    (points, points): of the pupil. `out` (moments, points inside), in place.
    """
    n, points = len(spline), along.shape[1]
    first = np.empty((2, points), np.int64)
    weight = np.empty((2, points, 4))
    longest = int(np.abs(along[0, -1] - along[0, 0])) + 8
    line, x = np.empty(longest), np.empty(longest, np.int64)
    for moment in range(len(begin)):
        for axis in range(2):
            _taps(begin[moment, axis] + along[axis], first[axis], weight[axis])
        left = first[0].min()
        width = first[0].max() - left + 4
        for column in range(width):
            x[column] = (left + column) % n
        k = 0
        for row in range(points):
            line[:width] = 0.0
            for tap in range(4):
                y = (first[1, row] + tap) % n
                for column in range(width):
                    line[column] += weight[1, row, tap] * spline[y, x[column]]
            for column in range(points):
                if inside[row, column]:
                    at = first[0, column] - left
                    total = 0.0
                    for tap in range(4):
                        total += weight[0, column, tap] * line[at + tap]
                    out[moment, k] += gain * total
                    k += 1


def star_table(plan: Plan, rng: np.random.Generator) -> np.ndarray:
    """Return x, y [px] and flux [e/s] of stars on a shaken lattice, brightest first."""
    columns = int(np.ceil(np.sqrt(plan.stars * plan.width_px / plan.height_px)))
    rows = int(np.ceil(plan.stars / columns))
    cells = rng.permutation(columns * rows)[: plan.stars]
    x = 26 + (cells % columns + rng.uniform(0.2, 0.8, plan.stars)) * (plan.width_px - 52) / columns
    y = 26 + (cells // columns + rng.uniform(0.2, 0.8, plan.stars)) * (plan.height_px - 52) / rows
    flux = plan.flux_e_per_s * np.geomspace(1, 0.3, plan.stars)
    return np.stack([x, y, flux], axis=1)


def _paths(plan: Plan, rng: np.random.Generator) -> list[dict[str, object]]:
    total = sum(layer.weight for layer in plan.layers)
    r0 = plan.r0_500nm_m * (plan.wavelength_m / 500e-9) ** 1.2
    paths = []
    for index, layer in enumerate(plan.layers):
        pick = index if plan.cache is None else int(rng.integers(0, 8))
        paths.append(
            {
                "splines": [
                    (screen_of(plan, pick, step, layer.outer_scale_m), step)
                    for step in (plan.step_m, FINE_STEP_M)
                ],
                "gain": (r0 * (layer.weight / total) ** (-3 / 5)) ** (-5 / 6),
                "start": rng.uniform(0, plan.points * plan.step_m, 2),
                "flip": rng.choice([-1.0, 1.0], 2),
                "layer": layer,
            }
        )
    return paths


def _phase(
    plan: Plan, optics: Optics, paths: list[dict], star: np.ndarray, t: np.ndarray
) -> np.ndarray:
    middle = np.array([plan.width_px - 1, plan.height_px - 1]) / 2
    view = (star[:2] - middle) * plan.pixel_arcsec * ARCSEC
    phase = np.zeros((t.size, optics.x_m.size), dtype=np.float32)
    for path in paths:
        layer = path["layer"]
        angle = np.deg2rad(layer.direction_deg)
        wind = layer.wind_m_s * np.array([np.cos(angle), np.sin(angle)])
        beam = layer.height_m * view - t[:, None] * wind
        begin = path["start"] + path["flip"] * beam
        for spline, step in path["splines"]:
            along = path["flip"][:, None] * optics.edge_m / step
            read_pupils(spline, begin / step, along, optics.inside, path["gain"], phase)
    return phase


def _shared_motion(plan: Plan, rng: np.random.Generator) -> tuple[float, np.ndarray, np.ndarray]:
    """Return rate, structure and tracking motion [arcsec] on a grid from time zero."""
    fastest = max((mode.frequency_hz for mode in plan.oscillators), default=5.0)
    rate = max(40 * fastest, 400.0)
    n = int((plan.frames * plan.interval_s + 1) * rate)
    structure = np.zeros((n, 2))
    for mode in plan.oscillators:
        structure += oscillate(mode, rate, n, rng)
    if plan.shake is not None:
        rms, corner, angle_deg = plan.shake
        structure += rms * _wander(corner, rate, n, rng)[:, None] * _axis(angle_deg)
    time_s = np.arange(n) / rate
    speed = plan.drift_arcsec_per_min / 60 * _axis(plan.drift_angle_deg)
    tracking = time_s[:, None] * speed
    if plan.worm is not None:
        period, amplitude, angle_deg = plan.worm
        wave = np.sin(2 * np.pi * (time_s / period + rng.random()))
        tracking += amplitude * wave[:, None] * _axis(angle_deg)
    return rate, structure, tracking


def _axis(angle_deg: float) -> np.ndarray:
    return np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])


def _wander(corner_hz: float, rate_hz: float, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return noise that forgets itself after 1/(2 pi corner): exact steps, unit variance."""
    from scipy.signal import lfilter

    kept = np.exp(-2 * np.pi * corner_hz / rate_hz)
    kicks = np.sqrt(1 - kept**2) * rng.standard_normal(n)
    kicks[0] = rng.standard_normal()
    return lfilter([1.0], [1.0, -kept], kicks)


def independent_sequence(plan: Plan, out: Path, *, widths: bool = False) -> dict:
    """Write `sequence.fits`, `truth.json` and `setup.toml` into a folder; return the truth.

    Parameters
    ----------
    plan : Plan
    out : Path
        Folder, made if need be.
    widths : bool
        Draw the brightest star's mean image with and without each cause, for the truth.

    Returns
    -------
    dict
        r0, motions (one-axis rms about the mean over the whole record, which is the blur time
        up to 60 s) and the realised air tilt; the air's nominal r0 counts as the truth.
    """
    rng = np.random.default_rng([plan.seed, 77])
    paths = _paths(plan, rng)
    stars = star_table(plan, rng)
    rate, structure, tracking = _shared_motion(plan, rng)
    r0 = plan.r0_500nm_m * (plan.wavelength_m / 500e-9) ** 1.2
    fwhm = np.hypot(0.98 * plan.wavelength_m / r0 / ARCSEC, plan.blur_fwhm_arcsec)
    optics = Optics(plan, float(fwhm))
    start = np.arange(plan.frames) * plan.interval_s
    inside = (np.arange(plan.steps) + 0.5) / plan.steps * plan.exposure_s
    moments = start[:, None] + inside
    grid = np.arange(structure.shape[0]) / rate
    total = structure + tracking
    moved = _read_at(moments, grid, total)
    shape = (plan.frames, plan.height_px, plan.width_px)
    light = np.full(shape, plan.sky_e_per_s * plan.exposure_s, dtype=np.float32)
    tilt = np.zeros((plan.frames, plan.stars, 2))
    batch = max(1, 144 // plan.steps)
    means = _MeanImages(optics, grid, structure, tracking)
    for number, star in enumerate(stars):
        for first in range(0, plan.frames, batch):
            part = slice(first, min(first + batch, plan.frames))
            place = star[:2] + moved[part] / plan.pixel_arcsec
            centre = np.rint(place.mean(axis=1)).astype(int)
            offset = (place - centre[:, None]) * plan.pixel_arcsec
            phase = _phase(plan, optics, paths, star, moments[part].ravel())
            slope = phase @ means.to_tilt
            tilt[part, number] = slope.reshape(-1, plan.steps, 2).mean(axis=1)
            images = optics.images(phase, offset.reshape(-1, 2), plan.steps)
            _add(light[part], images * (star[2] * plan.exposure_s), centre)
            if widths and number == 0:
                means.add(plan, paths, star, moments[part].ravel(), phase)
    frames = _record(plan, light, rng)
    truth = _truth(plan, structure, tracking, rate, tilt, stars)
    if widths:
        truth["fwhm"] = means.widths(plan)
    out.mkdir(parents=True, exist_ok=True)
    _write(plan, frames, truth, out)
    return truth | {
        "paths": (moments, *(_read_at(moments, grid, p) for p in (structure, tracking)))
    }


def _read_at(moments_s: np.ndarray, grid_s: np.ndarray, path: np.ndarray) -> np.ndarray:
    """Return a path at the moments of the exposures, shape (frames, steps, 2)."""
    return np.stack([np.interp(moments_s, grid_s, path[:, k]) for k in (0, 1)], axis=-1)


class _MeanImages:
    """The mean image of a star with and without each cause, on pixels a third as wide.

    Motion is taken about its mean over the exposures; long frames are images by themselves, each
    about its own mean place, under the air too.
    """

    def __init__(
        self, optics: Optics, grid: np.ndarray, structure: np.ndarray, tracking: np.ndarray
    ) -> None:
        self.optics, self.grid = optics, grid
        plane = np.stack([optics.x_m, optics.y_m, np.ones_like(optics.x_m)], axis=1)
        to_arcsec = optics.wavelength_m / (2 * np.pi) / ARCSEC
        # (points, 2): turns phases into the tilt of their least-squares plane [arcsec]
        self.to_tilt = (np.linalg.pinv(plane)[:2].T * to_arcsec).astype(np.float32)
        still = np.zeros_like(structure)
        self.moved = {
            "recorded": structure + tracking,
            "without_structure": tracking,
            "without_tracking": structure,
            "without_both": still,
            "without_near_air": structure + tracking,
            "without_optics": structure + tracking,
        }
        self.light: dict[str, np.ndarray] = {}

    def add(
        self, plan: Plan, paths: list[dict], star: np.ndarray, t: np.ndarray, phase: np.ndarray
    ) -> None:
        """Add moments of a star, whose phases hold all layers."""
        near = [path for path in paths if path["layer"].outer_scale_m is not None]
        free = phase - _phase(plan, self.optics, near, star, t) if near else phase
        for name, path in self.moved.items():
            at = _read_at(t, self.grid, path)
            seen = free if name == "without_near_air" else phase
            if plan.exposure_s >= LONG_FRAME_S:
                own = (at + seen @ self.to_tilt).reshape(-1, plan.steps, 2)
                at = at - np.repeat(own.mean(axis=1), plan.steps, axis=0)
            else:
                at = at - path[: int(self.last(plan) / self.grid[1])].mean(axis=0)
            whole = np.rint(at * UPSAMPLE / plan.pixel_arcsec).astype(int)
            images = self.optics.light(seen, at - whole * plan.pixel_arcsec / UPSAMPLE)
            if name not in self.light:
                reach = int(np.abs(path - path.mean(axis=0)).max() * UPSAMPLE / plan.pixel_arcsec)
                side = images.shape[1] + 4 * reach + 8
                self.light[name] = np.zeros((side, side))
            box = self.light[name]
            corner = (len(box) - images.shape[1]) // 2
            for image, (x, y) in zip(images, whole + corner, strict=True):
                box[y : y + len(image), x : x + len(image)] += image

    @staticmethod
    def last(plan: Plan) -> float:
        """Return the end of the last exposure [s]."""
        return (plan.frames - 1) * plan.interval_s + plan.exposure_s

    def widths(self, plan: Plan) -> dict[str, float]:
        """Return the diameter of a circle of the area above half maximum, pixel included."""
        from scipy.ndimage import gaussian_filter, uniform_filter, zoom

        out = {}
        for name, light in self.light.items():
            blur = 0.0 if name == "without_optics" else self.optics.blur
            image = gaussian_filter(light, blur, truncate=6.0) if blur else light
            image = zoom(uniform_filter(image, UPSAMPLE, mode="constant"), 4, order=3)
            fine = plan.pixel_arcsec / UPSAMPLE * (len(light) - 1) / (len(image) - 1)
            out[name] = float(2 * np.sqrt((image > image.max() / 2).sum() / np.pi) * fine)
        return out


def _add(frames: np.ndarray, images: np.ndarray, centre: np.ndarray) -> None:
    half = images.shape[1] // 2
    height, width = frames.shape[1:]
    for frame, image, (x, y) in zip(frames, images, centre, strict=True):
        left, top = max(0, half - x), max(0, half - y)
        right = min(images.shape[2], width - x + half)
        bottom = min(images.shape[1], height - y + half)
        if left >= right or top >= bottom:
            continue  # the star has left the frame
        rows = slice(y - half + top, y - half + bottom)
        frame[rows, x - half + left : x - half + right] += image[top:bottom, left:right]


def _record(plan: Plan, light: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    out = np.empty(light.shape, dtype=np.uint16)
    for first in range(0, light.shape[0], 50):
        block = light[first : first + 50]
        counts = rng.poisson(np.maximum(block, 0)) + plan.bias_adu
        counts = counts + plan.read_noise_e * rng.standard_normal(block.shape, dtype=np.float32)
        out[first : first + 50] = np.clip(np.rint(counts), 0, 65535)
    return out


def _truth(
    plan: Plan,
    structure: np.ndarray,
    tracking: np.ndarray,
    rate: float,
    tilt: np.ndarray,
    stars: np.ndarray,
) -> dict:
    n = int(((plan.frames - 1) * plan.interval_s + plan.exposure_s) * rate)
    starts = (np.arange(plan.frames) * plan.interval_s * rate).astype(int)
    inside = starts[:, None] + np.arange(max(2, int(plan.exposure_s * rate)))

    def axes(series: np.ndarray) -> dict:
        windows = series[inside] if plan.exposure_s >= LONG_FRAME_S else series[None, :n]
        parts = windows - windows.mean(axis=1, keepdims=True)
        values, vectors = np.linalg.eigh(
            np.einsum("wti,wtj->ij", parts, parts) / parts[..., 0].size
        )
        minor, major = np.sqrt(np.clip(values, 0, None))
        angle = np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180
        return {"rms_major_arcsec": major, "rms_minor_arcsec": minor, "angle_deg": float(angle)}

    centred = tilt - tilt.mean(axis=0)
    described = asdict(plan)
    described.pop("cache")
    return {
        "seed": plan.seed,
        "blur_time_s": min(60.0, n / rate),
        "atmosphere": {
            "r0_500nm_zenith_m": plan.r0_500nm_m,
            "seeing_500nm_zenith_arcsec": 0.9759 * 500e-9 / plan.r0_500nm_m / ARCSEC,
            "outer_scale_m": plan.outer_scale_m,
            "frame_motion_rms_xy_arcsec": np.sqrt(np.mean(centred**2, axis=(0, 1))).tolist(),
            "frame_common_rms_xy_arcsec": np.std(centred.mean(axis=1), axis=0).tolist(),
        },
        "structure": axes(structure),
        "tracking": {**axes(tracking), "drift_arcsec_per_min": plan.drift_arcsec_per_min},
        "stars": stars.tolist(),
        "plan": described,
    }


def _write(plan: Plan, frames: np.ndarray, truth: dict, out: Path) -> None:
    from astropy.io import fits

    header = fits.Header()
    header["DATE-OBS"] = "2024-05-04T23:10:00.000"
    header["TIMESYS"] = "UTC"
    header["EXPTIME"] = plan.exposure_s
    header["APTDIA"] = plan.aperture_m * 1e3
    header["EGAIN"] = 1.0
    header["AIRMASS"] = 1.0
    header["OBJECT"] = "independent screens"
    times = fits.BinTableHDU.from_columns(
        [fits.Column("TIME", "D", unit="s", array=np.arange(plan.frames) * plan.interval_s)],
        name="TIMES",
    )
    hdus = fits.HDUList([fits.PrimaryHDU(frames, header=header), times])
    hdus.writeto(out / "sequence.fits", overwrite=True)
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    setup = (
        f"[telescope]\naperture_m = {plan.aperture_m}\nobstruction = {plan.obstruction}\n\n"
        f"[camera]\npixel_scale_arcsec = {plan.pixel_arcsec}\nexposure_s = {plan.exposure_s}\n"
        f"frame_interval_s = {plan.interval_s}\ngain_e_per_adu = 1.0\n"
        f'read_noise_e = {plan.read_noise_e}\ntime_stamps = "hardware"\n\n'
        f"[air]\nwavelength_nm = {plan.wavelength_m * 1e9:.1f}\n"
    )
    (out / "setup.toml").write_text(setup, encoding="utf-8")


def main(arguments: list[str] | None = None) -> int:
    """Write one sequence."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--frames", type=int, default=1200)
    parser.add_argument("--r0", type=float, default=0.09, help="at 500 nm and zenith [m]")
    parser.add_argument("--mode-rms", type=float, default=0.0, help="of a 6 Hz mode [arcsec]")
    parser.add_argument("--cache", help="folder for screens that many sequences share")
    given = parser.parse_args(arguments)
    modes = (Oscillator(6.0, 0.02, given.mode_rms, 30.0),) if given.mode_rms else ()
    plan = Plan(
        seed=given.seed,
        frames=given.frames,
        r0_500nm_m=given.r0,
        oscillators=modes,
        cache=given.cache,
    )
    begin = time.process_time()
    truth = independent_sequence(plan, given.out)
    truth.pop("plan"), truth.pop("stars"), truth.pop("paths")
    print(json.dumps(truth, indent=1))
    print(f"{time.process_time() - begin:.1f} s of processor time", file=sys.stderr)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
