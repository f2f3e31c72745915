"""False alarms and detections of the checks on frames (`stars/raw_checks.py`, `row_delays.py`).

Clean scenes are drawn over a wide range of telescopes, cameras, air and shakes, each from its own
seed, and scored as they are; then the same frames are spoilt, one fault after the other, as cameras
and programs do it. Limits came from derivations, from scenes 0 to 99 and from drawn tracks 10000 to
12999 and 20000 to 21186, those of steps from normal paths; what other seeds gave stands in
docs/frame_checks.md.

    python benchmarks/frame_checks.py --scenes 300 --kept FOLDER [--faults gamma,median]
    python benchmarks/frame_checks.py --paths 600        of tracks drawn without pixels
    python benchmarks/frame_checks.py --noise 2000       the ratio that steps of normal paths pass

What was followed is kept in the folder, for a run that was broken off and for checks that changed.
Real records are scored as well where BLURSPLIT_REAL names their folder.
"""

from __future__ import annotations

import argparse
import os
import pickle
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, median_filter
from scipy.signal import lfilter

from blursplit import constants
from blursplit.errors import BlursplitError
from blursplit.frames import ArrayFrames, Sequence, open_frames
from blursplit.rig import Rig
from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import Simulation
from blursplit.stars import follow_stars, raw_checks, steps
from blursplit.stars.raw_checks import are_these_raw
from blursplit.stars.tracks import StarTracks
from row_delays import look_at

Frames = NDArray[np.float32]

SENSOR_PX = 120
EDGE_PX = 14  # on all sides of the window that is read out, which may move over the sensor
FRAMES = 300


def scene_of(seed: int) -> Scene:
    """Draw an ordinary night: nothing is wrong with its frames."""
    rng = np.random.default_rng([seed, 1])
    aperture = float(rng.choice([0.08, 0.1, 0.15, 0.2, 0.25]))
    seeing = float(np.exp(rng.uniform(np.log(1.0), np.log(4.0))))
    image = float(np.hypot(seeing, 550e-9 / aperture * 206265.0))
    scale = float(np.clip(image / rng.uniform(1.8, 4.5), 0.4, 2.0))
    interval = float(rng.choice([0.01, 0.02, 0.05]))
    exposure = interval * float(rng.uniform(0.2, 1.0))
    shakes = rng.uniform(size=5) < (0.5, 0.5, 0.3, 0.3, 0.3)
    scene: dict[str, Any] = {
        "telescope": {"aperture_m": aperture, "obstruction": float(rng.choice([0.0, 0.3]))},
        "camera": {
            "pixel_scale_arcsec": scale,
            "width_px": SENSOR_PX,
            "height_px": SENSOR_PX,
            "exposure_s": exposure,
            "frame_interval_s": interval,
            "gain_e_per_adu": float(np.exp(rng.uniform(np.log(0.2), np.log(5.0)))),
            "read_noise_e": float(rng.uniform(1.5, 8.0)),
            "sky_e_per_s": float(np.exp(rng.uniform(np.log(20.0), np.log(5000.0)))),
            "hot_pixels": int(rng.choice([0, 0, 5, 30])),
        },
        "air": {"seeing_arcsec": seeing},
        "stars": {
            "count": int(rng.integers(1, 5)),
            "seed": seed,
            "flux_e_per_s": float(np.exp(rng.uniform(np.log(1e4), np.log(1e5)))) / exposure,
            "faintest_ratio": 0.1,
            "margin_px": 32.0,
        },
        "sequence": {"frames": FRAMES, "sub_exposures": 1},
        "mode": [],
        "drift": [],
        "periodic": [],
    }
    if shakes[0]:
        scene["mode"].append(
            {
                "frequency_hz": float(rng.uniform(1.0, 20.0)),
                "damping_ratio": float(rng.uniform(0.005, 0.05)),
                "rms_arcsec": float(np.exp(rng.uniform(np.log(0.05), np.log(2.5)))),
                "angle_deg": float(rng.uniform(0, 180)),
                "second_rms_arcsec": float(rng.uniform(0, 0.5)),
            }
        )
    if shakes[1]:
        scene["drift"].append(
            {
                "arcsec_per_min": float(rng.uniform(1.0, 30.0)),
                "angle_deg": float(rng.uniform(0, 360)),
            }
        )
    if shakes[2]:
        scene["periodic"].append(
            {
                "period_s": float(rng.uniform(2.0, 60.0)),
                "amplitude_arcsec": float(rng.uniform(0.2, 3.0)),
                "angle_deg": float(rng.uniform(0, 180)),
            }
        )
    if shakes[3]:
        scene["wind_shake"] = {"rms_arcsec": float(rng.uniform(0.1, 1.0)), "corner_hz": 2.0}
    if shakes[4]:
        scene["tube"] = {"rms_arcsec": float(rng.uniform(0.1, 0.6))}
    return Scene.model_validate(scene)


def draw_sensor(seed: int) -> tuple[NDArray[np.uint16], Scene]:
    """Return the frames of a whole sensor, in counts, with a fixed pattern in half of the cases."""
    scene = scene_of(seed)
    run = Simulation(scene, seed)
    run._note_light = lambda *_: None  # type: ignore[method-assign]  # noqa: SLF001 - no truth is asked for
    frames = np.concatenate([block for _, block in run.blocks()])
    rng = np.random.default_rng([seed, 2])
    if rng.uniform() < 0.5:
        camera = scene.camera
        pattern = rng.normal(0, 0.5 * camera.read_noise_e / camera.gain_e_per_adu, frames.shape[1:])
        frames = np.clip(np.rint(frames + pattern), 0, 65535).astype(np.uint16)
    return frames, scene


def window(frames: Frames, x: int = 0, y: int = 0) -> Frames:
    """Return what a window in the middle of the sensor, or moved from there, reads out."""
    height, width = (size - 2 * EDGE_PX for size in frames.shape[-2:])
    x, y = (int(np.clip(EDGE_PX + shift, 0, 2 * EDGE_PX)) for shift in (x, y))
    return frames[..., y : y + height, x : x + width]


def recentred(frames: Frames, *, sub_pixel: bool = False) -> Frames:
    """Move the window by whole pixels, or shift the image by parts of them, after the star."""
    from scipy.ndimage import shift as move

    smooth = gaussian_filter(median_filter(frames, (1, 3, 3)), (0, 1.0, 1.0))
    edge, reach = 2 * EDGE_PX, 7
    inner = smooth[:24].mean(axis=0)[edge:-edge, edge:-edge]
    at_y, at_x = (int(v) + edge for v in np.unravel_index(int(inner.argmax()), inner.shape))
    first_y, first_x = at_y, at_x
    height, width = frames.shape[1:]
    out = np.empty_like(window(frames), dtype=np.float32)
    offsets = np.arange(-reach, reach + 1)
    for number, image in enumerate(smooth):
        part = image[at_y - reach : at_y + reach + 1, at_x - reach : at_x + reach + 1]
        light = np.clip(part - np.median(part), 0, None)
        light[light < 0.4 * light.max()] = 0
        y = at_y + float((light.sum(axis=1) * offsets).sum() / light.sum())
        x = at_x + float((light.sum(axis=0) * offsets).sum() / light.sum())
        at_y = int(np.clip(round(y), reach + 1, height - reach - 2))
        at_x = int(np.clip(round(x), reach + 1, width - reach - 2))
        if sub_pixel:
            out[number] = window(move(frames[number], (first_y - y, first_x - x), order=1))
        else:
            out[number] = window(frames[number], round(x) - first_x, round(y) - first_y)
    return out


def stepped(frames: Frames, *, px: int = 3) -> Frames:
    """Let the pointing step in the middle of the run."""
    half = len(frames) // 2
    return np.concatenate([window(frames[:half]), window(frames[half:], px)])


def smeared(frames: Frames, *, px: int = 8) -> Frames:
    """Smear every frame along its rows; noise is drawn anew."""
    sky = np.median(frames)
    light = np.mean([np.roll(frames - sky, i - px // 2, axis=2) for i in range(px)], axis=0)
    noise = np.std(frames[:, :6, :6])
    drawn = np.random.default_rng(5).normal(0, noise, light.shape) * np.sqrt(1 - 1 / px)
    return window(np.rint(sky + light + drawn).astype(np.float32))


def recursive(frames: Frames) -> Frames:
    """Filter noise in time, as some cameras do: each frame keeps a part of the one before."""
    out = window(frames).copy()
    for i in range(1, len(out)):
        out[i] = 0.69 * out[i - 1] + 0.31 * out[i]
    return np.rint(out)


def as_recorded(frames: Frames) -> Frames:
    """Return the frames of a window that stays where it is."""
    return window(frames)


def _share(frames: Frames) -> Frames:
    """Return the frames from 0 at the lowest level to 1 at the highest."""
    low = float(np.quantile(frames[:8], 0.001)) - 1.0
    return np.clip((frames - low) / (float(frames.max()) - low), 0, 1)


FAULTS: dict[str, tuple[str, Callable[[Frames], Frames]]] = {
    "window re-centred by whole pixels": ("frames-recentred", recentred),
    "frames aligned by parts of pixels": (
        "frames-recentred",
        lambda f: recentred(f, sub_pixel=True),
    ),
    "each frame twice": ("frames-repeated", lambda f: window(np.repeat(f[: len(f) // 2], 2, 0))),
    "every third repeated": (
        "frames-repeated",
        lambda f: window(f[np.arange(len(f)) - (np.arange(len(f)) % 3 == 2)]),
    ),
    "one in fifty repeated": (
        "frames-repeated",
        lambda f: window(f[np.arange(len(f)) - (np.arange(len(f)) % 50 == 49)]),
    ),
    "running mean of two": (
        "frames-mixed",
        lambda f: np.rint(0.5 * (window(f[1:]) + window(f[:-1]))),
    ),
    "recursive noise filter": ("frames-mixed", recursive),
    "3x3 median": ("pixels-filtered", lambda f: window(median_filter(f, (1, 3, 3)))),
    "unsharp mask": (
        "pixels-filtered",
        lambda f: np.rint(window(f + 0.5 * (f - gaussian_filter(f, (0, 1.0, 1.0))))),
    ),
    "gamma 0.5": ("pixels-nonlinear", lambda f: np.rint(window(65535 * np.sqrt(_share(f))))),
    "soft compression": (
        "pixels-nonlinear",
        lambda f: np.rint(window(65535 * np.log1p(20 * _share(f)) / np.log(21))),
    ),
    "smeared by 8 px": ("stars-trailed", smeared),
    "step of 3 px": ("pointing-stepped", stepped),
    "step of 8 px": ("pointing-stepped", lambda f: stepped(f, px=8)),
}
CASES = {"clean": ("", as_recorded), **FAULTS}


def tracks_of(frames: Frames, scene: Scene) -> StarTracks:
    """Follow the stars of frames in memory; nothing is known but the interval."""
    n = len(frames)
    camera = scene.camera
    sequence = Sequence(
        name="scene",
        source=ArrayFrames(frames),
        time_s=np.arange(n) * camera.frame_interval_s,
        start_utc=None,
        exposure_s=camera.exposure_s,
        cadence_s=camera.frame_interval_s,
        timing="regular",
        segment=np.zeros(n, dtype=np.int64),
        frame=np.arange(n),
        instrument=Rig(),
        n_files=1,
    )
    return follow_stars(sequence)


def followed(kept: Path, seed: int, name: str) -> StarTracks | str:
    """Return the tracks of one scene and fault, or why there are none; kept for the next time."""
    path = kept / f"{seed} {name}.pickle"
    if not path.exists():
        spoilt = np.clip(CASES[name][1](_whole(seed)), 0, 65535).astype(np.float32)
        try:
            found: StarTracks | str = tracks_of(spoilt, scene_of(seed)).without_stamps()
        except BlursplitError as error:
            found = f"refused: {type(error).__name__}"
        path.with_suffix(".part").write_bytes(pickle.dumps(found))
        path.with_suffix(".part").rename(path)
    return pickle.loads(path.read_bytes())  # noqa: S301 - written above


@lru_cache(maxsize=1)
def _whole(seed: int) -> Frames:
    return draw_sensor(seed)[0].astype(np.float32)


def score(kept: Path, scenes: int, first: int, chosen: list[str]) -> None:
    """Print how often each check speaks, on clean scenes and on spoilt ones."""
    cases = [name for name in CASES if not chosen or any(c in name for c in chosen)]
    spoke: dict[str, Counter[str]] = {name: Counter() for name in cases}
    put_in: list[tuple[float, int, bool]] = []  # usual change [px], size [px], told
    for seed in range(first, first + scenes):
        for name in cases:
            tracks = followed(kept, seed, name)
            if isinstance(tracks, str):
                spoke[name][tracks] += 1
                continue
            found = are_these_raw(tracks, None, Rig())
            if name == "clean":
                found += look_at(tracks, scene_of(seed))[2]
                for check in found:
                    print(seed, check)
                put_in += [(_unforetold_px(tracks), px, _is_told(tracks, px)) for px in STEPS_PX]
            # A new segment at a step is told too: as a dither, which splits the record there.
            dither = "dither" in dict(tracks.notes)
            codes = {check.code for check in found}
            spoke[name].update(
                {
                    "scored": 1,
                    **dict.fromkeys(codes, 1),
                    "dither": dither,
                    "its own or dither": dither or CASES[name][0] in codes,
                    "any void": any(check.severity == "void" for check in found),
                }
            )
    for name, counts in spoke.items():
        code, ran = CASES[name][0], counts.pop("scored", 0)
        told = counts.pop(code, 0)
        print(f"{name:36} {code or '-':18} {told:4d} of {ran:4d}   {dict(counts)}")
    _print_steps(put_in)


STEPS_PX = (1, 2, 3, 4, 5, 6, 8)


def _is_told(tracks: StarTracks, px: int) -> bool:
    """Return whether a step put in at the middle is told."""
    late = np.arange(tracks.n_frames)[:, None] >= tracks.n_frames // 2
    found = are_these_raw(replace(tracks, x_px=tracks.x_px - px * late), None, Rig())
    return "pointing-stepped" in {check.code for check in found}


def _unforetold_px(tracks: StarTracks) -> float:
    """Return how far the path goes along x in a frame beyond what its past and y foretell."""
    path = raw_checks._shared_path(tracks)  # noqa: SLF001
    known = path[:, np.isfinite(path).all(axis=0)]
    return float(np.linalg.inv(steps._fit_noise(known).covariance)[0, 0] ** -0.5)  # noqa: SLF001


def _print_steps(put_in: list[tuple[float, int, bool]]) -> None:
    for px in STEPS_PX:
        told = [found for _, size, found in put_in if size == px]
        print(f"{px} px put in: told {sum(told)} of {len(told)}")
    usual = [usual for usual, size, _ in put_in if size == STEPS_PX[0]]
    if usual:
        print("px that the past does not foretell:", np.quantile(usual, (0.1, 0.5, 0.9)).round(2))
    for low, high in pairwise((1, 2, 3, 4, 5, 6, 7, 8, 10, 15)):
        told = [found for usual, size, found in put_in if low <= size / usual < high]
        print(f"step of {low} to {high} of these: told {sum(told)} of {len(told)}")


def score_real(folder: Path) -> None:
    """Print what each check says of every real record."""
    for name in sorted(path.name for path in folder.iterdir() if path.is_dir()):
        try:
            sequence = open_frames([folder / name])
            tracks = follow_stars(sequence)
            tracks = replace(tracks, notes=(*sequence.notes, *tracks.notes))
            found = are_these_raw(tracks, None, sequence.instrument)
        except BlursplitError as error:
            print(f"{name:20} refused: {error}")
            continue
        print(f"{name:20} {tracks.n_frames} frames, {tracks.n_stars} stars: {found or 'clean'}")


def drawn_tracks(seed: int) -> StarTracks:
    """Draw tracks without pixels: motions of all sizes and memories, knocks, clouds, noise."""
    rng = np.random.default_rng([seed, 3])
    n, stars = int(rng.choice([200, 600, 2000])), int(rng.integers(1, 5))
    times = np.arange(n) * 0.02

    def wander(size: float, keep: float, k: int) -> np.ndarray:
        drive = size * np.sqrt(1 - keep**2) * rng.normal(size=(n, k))
        drive[0] /= np.sqrt(1 - keep**2)
        return lfilter([1.0], [1.0, -keep], drive, axis=0)

    keeps = (0.0, 0.5, 0.9, 0.99)
    path = wander(float(np.exp(rng.uniform(np.log(0.05), np.log(2.5)))), rng.choice(keeps), 2)
    path = path + rng.normal(0, 3, 2) * (rng.random() < 0.5) * (times / times[-1])[:, None]
    if rng.random() < 0.4:
        turn = 2 * np.pi * (times * rng.uniform(0.05, 20.0) + rng.random())
        path += rng.uniform(0.1, 3.0) * np.sin(turn)[:, None] * rng.normal(size=2)
    for _ in range(rng.integers(0, 4) * (rng.random() < 0.3)):  # knocks that ring down
        since = times - rng.uniform(0, times[-1])
        ring = np.exp(-np.maximum(since, 0) * rng.uniform(0.5, 5)) * (since > 0)
        ring = ring * np.sin(2 * np.pi * rng.uniform(2, 20) * since)
        path += rng.uniform(1.0, 10.0) * ring[:, None] * rng.normal(size=2)
    noise = float(np.exp(rng.uniform(np.log(0.002), np.log(0.1))))
    own = [wander(rng.uniform(0.03, 0.6), rng.choice(keeps[:3]), stars) for _ in "xy"]
    place = rng.uniform(20, 80, (2, stars))
    x, y = (place[i] + path[:, i : i + 1] + own[i] for i in (0, 1))
    width = 2.0 * np.exp(wander(rng.uniform(0.03, 0.2), rng.choice(keeps[:3]), 1))
    light = np.exp(wander(rng.uniform(0.01, 0.05), rng.choice(keeps[:3]), 1))
    if rng.random() < 0.3:  # clouds
        light = light * np.exp(-np.abs(wander(0.5, 0.99, 1)))
    error = noise * rng.normal(size=(3, n, stars))  # of places, width, and flux with the width
    flux = 1e4 * light * (1 + error[2] + error[1])
    seen = np.ones((n, stars))
    return StarTracks(
        time_s=times,
        segment=np.zeros(n, dtype=np.int64),
        row_time_s=0.0 * seen,
        x_px=x + 2 * error[0],
        y_px=y + 2 * noise * rng.normal(size=(n, stars)),
        sigma_px=2 * noise * seen,
        flux_adu=flux,
        width_px=width * (1 + error[1]),
        e1=0.02 * rng.normal(size=(n, stars)),
        e2=0.02 * rng.normal(size=(n, stars)),
        peak_adu=flux / width**2,
        good=seen > 0,
        exposure_s=0.01,
        cadence_s=0.02,
    )


def score_paths(first: int, draws: int) -> None:
    """Print how often the checks that need no pixels speak of drawn tracks."""
    spoke: Counter[str] = Counter()
    for seed in range(first, first + draws):
        found = are_these_raw(drawn_tracks(seed), None, Rig())
        spoke.update(check.code for check in found)
        for check in found:
            print(seed, check.code, check.facts)
    print(f"drawn tracks {first} to {first + draws - 1}: {dict(spoke)} of {draws}")


def score_noise(draws: int) -> None:
    """Print the log ratio that the steps of 0.5 % of normal paths without any pass.

    Pushes on both axes and a place that is forgotten by a factor a frame, with white noise on top;
    and air with a current as large, which no few places foretell: as large as other limits of a
    step let pass.
    """
    usual = constants.STEP_LOG_RATIO
    constants.STEP_LOG_RATIO = 15.0
    kinds: list[tuple[str, Callable[[int, np.random.Generator], np.ndarray]]] = [
        (f"keeps {keep}", partial(_forgetting, keep)) for keep in (0.5, 0.9, 0.97, 1.0)
    ]
    kinds += [(f"current of {n} frames", partial(_air_with_current, n)) for n in (30, 100, 300)]
    for n, part in ((120, 0.75), (300, 1.0), (1000, 0.3)):
        for name, draw in kinds:
            rng = np.random.default_rng([n, *name.encode()])
            ratios, count = [], int(part * draws)
            for _ in range(count):
                found = are_these_raw(bare_tracks(*(3.0 * draw(n, rng))))
                steps = [check for check in found if check.code == "pointing-stepped"]
                ratios += [float(check.facts["sigmas"]) ** 2 for check in steps]
            above = np.sort(np.array(ratios))[::-1]
            most = int(0.005 * count)
            limit = above[most] if most < above.size else 15.0
            passed = int((above > usual).sum())
            print(f"{n} frames, {name}: {limit:.1f}; {passed} of {count} pass {usual}", flush=True)
    constants.STEP_LOG_RATIO = usual


def _forgetting(keep: float, n: int, rng: np.random.Generator) -> np.ndarray:
    pushes, white = rng.normal(size=(2, 2, n))
    return lfilter([1.0], [1.0, -keep], pushes, axis=1) + 0.3 * white


def _air_with_current(memory: int, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return tilt of one layer (its knee at a seventh of the frame rate) and a current as large."""
    f = np.fft.rfftfreq(8 * n)[1:]
    air = (f**2 + 0.005**2) ** (-1 / 3) / (1 + (f / 0.14) ** 2) ** 1.5
    current = (1 + (2 * np.pi * f * memory) ** 2) ** (-4 / 3)
    out = np.zeros((2, n))
    for density in (air, current):
        waves = rng.normal(size=(2, 2, f.size)) * np.sqrt(density / density.sum())
        pad = np.pad(waves[0] + 1j * waves[1], ((0, 0), (1, 0)))
        out += 4 * n * np.sqrt(2) * np.fft.irfft(pad, 8 * n)[:, :n]
    return out


def bare_tracks(x_px: np.ndarray, y_px: np.ndarray) -> StarTracks:
    """Return tracks of one star of which nothing but its places is known."""
    n = x_px.size
    unknown = np.full((n, 1), np.nan)
    return StarTracks(
        time_s=0.02 * np.arange(n), segment=np.zeros(n, dtype=np.int64),
        row_time_s=np.zeros((n, 1)), x_px=x_px[:, None], y_px=y_px[:, None], sigma_px=unknown,
        flux_adu=unknown, width_px=unknown, e1=unknown, e2=unknown, peak_adu=unknown,
        good=np.ones((n, 1), dtype=bool), exposure_s=None, cadence_s=0.02,
    )  # fmt: skip


def main() -> None:
    """Score scenes, drawn tracks or normal paths."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenes", type=int, default=300)
    parser.add_argument("--first", type=int, default=0, help="seed of the first scene")
    parser.add_argument("--kept", type=Path, default=Path("scenes"), help="folder of the tracks")
    parser.add_argument("--paths", type=int, default=0, help="drawn tracks to score instead")
    parser.add_argument("--noise", type=int, default=0, help="normal paths to score instead")
    parser.add_argument("--faults", default="", help="parts of their names; clean is one")
    chosen = parser.parse_args()
    if chosen.paths:
        score_paths(chosen.first, chosen.paths)
        return
    if chosen.noise:
        score_noise(chosen.noise)
        return
    chosen.kept.mkdir(parents=True, exist_ok=True)
    score(chosen.kept, chosen.scenes, chosen.first, [f for f in chosen.faults.split(",") if f])
    if os.environ.get("BLURSPLIT_REAL"):
        score_real(Path(os.environ["BLURSPLIT_REAL"]))


if __name__ == "__main__":
    main()
