"""What follows the pixels: its cost against the number of frames, on tracks made for it.

    python benchmarks/after_pixels.py [--frames 10000] [--stars 30]

The tracks are those of the simulator's own air and shaking (a quarter of a metre in 0.9 arcsec
of seeing on a ringing pier), without drawing frames: tilts of every star, stamps of three. Cut to
shorter records they show how the cost grows. Processor time of one thread; docs/speed.md holds
the result.
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import fields, replace

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402 - after the number of threads

from blursplit.measure import Source, measure_tracks  # noqa: E402
from blursplit.rig import Rig, Setting  # noqa: E402
from blursplit.simulate import Scene  # noqa: E402
from blursplit.simulate.sequence import Simulation  # noqa: E402
from blursplit.stars.tracks import Stamps, StarTracks  # noqa: E402
from ledger import keep  # noqa: E402

STAMPED, STAMP_PX, SKY_E, READ_E, SIGMA_PX = 3, 25, 30.0, 2.0, 1.3
SAMPLES_AT_ONCE = 128


def make_run(frames: int, stars: int) -> Simulation:
    """Return a simulation of the shaken night with more stars and frames."""
    scene = Scene.demo("shaken")
    changes = {
        "stars": {"count": stars, "flux_e_per_s": 1e7},
        "camera": {"width_px": 512, "height_px": 512},
        "sequence": {"frames": frames, "sub_exposures": 1},
    }
    parts = {k: getattr(scene, k).model_copy(update=v) for k, v in changes.items()}
    return Simulation(scene.model_copy(update=parts))


def place_of(run: Simulation, star: int, start: int, stop: int) -> np.ndarray:
    """Return where a star stands in some frames, air and shared motion included [px]."""
    time_s = run._moments(star, start, stop)  # noqa: SLF001 - no frames are drawn here
    nodes = run._air.smooth_nodes(star, time_s.ravel())  # noqa: SLF001
    tilt = []
    for first in range(0, stop - start, SAMPLES_AT_ONCE):
        part = slice(first, first + SAMPLES_AT_ONCE)
        phase = run._air.phase(star, time_s[part].ravel(), nodes[part])  # noqa: SLF001
        tilt.append((phase @ run._project)[:, 1:] * run.tilt_arcsec)  # noqa: SLF001
    shared = run.shared.at(time_s, run.shared.total())
    scale = run.scene.camera.pixel_scale_arcsec
    still = run._positions(star, time_s)  # noqa: SLF001
    return (still + shared / scale).mean(axis=1) + np.concatenate(tilt) / scale


def make_source(frames: int, stars: int) -> Source:
    """Return tracks of a simulated record, and what is known of it."""
    run, rng = make_run(frames, stars), np.random.default_rng(2)
    camera, telescope = run.scene.camera, run.scene.telescope
    gain = camera.gain_e_per_adu
    place = np.zeros((frames, stars, 2))
    pixels = np.zeros((frames, STAMPED, STAMP_PX, STAMP_PX), dtype=np.float32)
    corner = np.zeros((2, frames, STAMPED), dtype=np.int64)
    for start in range(0, frames, run._stretch):  # noqa: SLF001
        stop = min(start + run._stretch, frames)  # noqa: SLF001
        run._air.begin_stretch(run.times.start_s[start:stop], run._pace)  # noqa: SLF001
        for star in range(stars):
            place[start:stop, star] = place_of(run, star, start, stop)
        for star in range(STAMPED):
            light, x0, y0 = run._star_light(star, start, stop)  # noqa: SLF001
            edge = (STAMP_PX - light.shape[-1]) // 2
            sides = (edge, STAMP_PX - light.shape[-1] - edge)
            light = np.pad(light, ((0, 0), sides, sides))
            electrons = rng.poisson(light + SKY_E) + rng.normal(0, READ_E, light.shape)
            pixels[start:stop, star] = electrons / gain
            corner[0, start:stop, star], corner[1, start:stop, star] = x0 - edge, y0 - edge
    electrons = run.stars.flux_e_per_s * camera.exposure_s
    # Photons of the star and of the sky under it (see `blursplit.stars.pixels`).
    variance = SIGMA_PX**2 / electrons
    variance = variance + 8 * np.pi * SIGMA_PX**4 * (SKY_E + READ_E**2) / electrons**2
    sigma = np.broadcast_to(np.sqrt(variance), (frames, stars))
    place += sigma[:, :, None] * rng.standard_normal(place.shape)

    def about(value: float, spread: float) -> np.ndarray:
        return value + spread * rng.standard_normal((frames, stars))

    flux = electrons / gain * about(1.0, 0.03)
    tracks = StarTracks(
        time_s=run.times.start_s - run.times.start_s[0],
        segment=np.zeros(frames, dtype=np.int64),
        row_time_s=np.zeros((frames, stars)),
        x_px=place[:, :, 0],
        y_px=place[:, :, 1],
        sigma_px=sigma,
        flux_adu=flux,
        width_px=about(SIGMA_PX, 0.04),
        e1=about(0.0, 0.03),
        e2=about(0.0, 0.03),
        peak_adu=flux / (2 * np.pi * SIGMA_PX**2),
        good=np.ones((frames, stars), dtype=bool),
        exposure_s=camera.exposure_s,
        cadence_s=camera.frame_interval_s,
        frame=np.arange(frames),
        stamps=Stamps(
            np.arange(STAMPED),
            pixels,
            corner[0],
            corner[1],
            np.full((frames, STAMPED), SKY_E / gain),
        ),
    )
    known = {
        "aperture_m": telescope.aperture_m,
        "obstruction": telescope.obstruction,
        "pixel_scale_arcsec": camera.pixel_scale_arcsec,
        "exposure_s": camera.exposure_s,
        "gain_e_per_adu": gain,
        "read_noise_e": READ_E,
    }
    instrument = Rig().with_header({key: Setting(v, "header") for key, v in known.items()})
    return Source(tracks, instrument, "made up", 1, frames)


def shortened(source: Source, frames: int) -> Source:
    """Return the first frames of a record."""
    tracks, stamps = source.tracks, source.tracks.stamps
    n = tracks.n_frames
    stamps = replace(
        stamps,
        **{f.name: getattr(stamps, f.name)[:frames] for f in fields(stamps) if f.name != "star"},
    )
    names = [f.name for f in fields(tracks) if len(np.shape(getattr(tracks, f.name))) > 0]
    cut = {k: getattr(tracks, k)[:frames] for k in names if np.shape(getattr(tracks, k))[0] == n}
    return replace(source, tracks=replace(tracks, **cut, stamps=stamps), n_frames=frames)


def main() -> None:
    """Measure the whole record, half and a quarter of it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--frames", type=int, default=10_000)
    parser.add_argument("--stars", type=int, default=30)
    given = parser.parse_args()
    source = make_source(given.frames, given.stars)
    measure_tracks(shortened(source, given.frames // 8))  # imports and tables: once a process
    print(f"| frames of {given.stars} stars | processor time [s] | load | before |")
    print("| --- | --- | --- | --- |")
    for part in (4, 2, 1):
        frames = given.frames // part
        start = time.process_time()
        measure_tracks(shortened(source, frames))
        taken = time.process_time() - start
        what = f"{frames} frames of {given.stars} stars"
        before = keep("after_pixels", what, taken, "s of processor time")
        print(f"| {frames} | {taken:.1f} | {os.getloadavg()[0]:.0f} | {before} |", flush=True)


if __name__ == "__main__":
    main()
