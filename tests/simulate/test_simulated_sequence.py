"""Whole sequences: what goes in comes out, and the truth says so."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.ndimage import shift, zoom

import blursplit as bs
from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.image.otf import HalfMaximum
from blursplit.simulate import Scene, Simulation
from blursplit.simulate.sequence import _sub_exposures
from blursplit.turbulence.conversions import structure_function

SMALL = {"width_px": 64, "height_px": 56, "frame_interval_s": 0.02, "exposure_s": 0.005}
ONE = {"star": [{"x_px": 31.3, "y_px": 27.8, "flux_e_per_s": 2e7}]}
STILL = {"layers": []}
SOFT = {"instrument_fwhm_arcsec": 1.5}  # three pixels: a plain centre of gravity is exact


def scene_of(frames=40, camera=None, **tables):
    """Return a small scene with these tables."""
    tables = {"stars": ONE, **tables}
    base = {"sequence": {"frames": frames, **tables.pop("sequence", {})}}
    return Scene.model_validate({**base, "camera": {**SMALL, **(camera or {})}, **tables})


def centres(frames, bias=200.0, around=None, half=8):
    """Return centroids [px] of a star in a window around a place."""
    x0, y0 = (31, 28) if around is None else around
    cut = frames[:, y0 - half : y0 + half + 1, x0 - half : x0 + half + 1].astype(float) - bias
    y, x = np.indices(cut.shape[1:])
    total = cut.sum(axis=(1, 2))
    return np.stack(
        [
            (cut * x).sum(axis=(1, 2)) / total + x0 - half,
            (cut * y).sum(axis=(1, 2)) / total + y0 - half,
        ],
        axis=1,
    )


def test_same_seed_gives_the_same_frames_and_another_seed_others():
    """Same seed gives the same frames and another seed others."""
    scene = scene_of(frames=12)
    first, again, other = bs.simulate(scene), bs.simulate(scene), bs.simulate(scene, seed=2)
    assert np.array_equal(first.frames, again.frames)
    assert first.truth == again.truth
    assert not np.array_equal(first.frames, other.frames)


def test_camera_noise_does_not_change_the_air():
    """Camera noise does not change the air."""
    scene = scene_of(frames=8)
    noisier = scene_of(frames=8, camera={"read_noise_e": 9.0})
    runs = [Simulation(s) for s in (scene, noisier)]
    for run in runs:
        for _ in run.blocks():
            pass
    assert_allclose(runs[0].air_tilt_arcsec, runs[1].air_tilt_arcsec)


def test_star_of_a_still_night_stands_where_the_scene_puts_it():
    """Star of a still night stands where the scene puts it."""
    run = bs.simulate(scene_of(air=STILL, telescope=SOFT))
    # read noise in the window: 2.5 sqrt(17^2 (17^2 - 1)/12)/1e5 = 0.002 px a frame; 1 percent
    # of the light lies outside the window and pulls by its asymmetry
    assert_allclose(centres(run.frames).mean(axis=0), [31.3, 27.8], atol=0.01)
    flux = run.frames.astype(float).sum(axis=(1, 2)) - 200.0 * 64 * 56 - 64 * 56 * 50 * 0.005
    assert_allclose(flux.mean(), 2e7 * 0.005, rtol=0.005)
    assert run.truth["atmosphere"]["r0_500nm_zenith_m"] is None


def test_motion_in_the_frames_is_the_motion_of_the_truth():
    """Motion in the frames is the motion of the truth."""
    scene = scene_of(
        air=STILL,
        telescope=SOFT,
        frames=120,
        mode=[{"frequency_hz": 4.0, "damping_ratio": 0.02, "rms_arcsec": 0.8, "angle_deg": 35}],
        drift=[{"arcsec_per_min": -20.0, "angle_deg": 0}],
    )
    run = Simulation(scene)
    frames = np.concatenate([block for _, block in run.blocks()])
    assert_allclose(centres(frames), run.star_px[:, 0], atol=0.04)
    truth = run.truth()
    motion = run.star_px[:, 0] * 0.65
    # an exposure of 5 ms keeps 0.999 of a 4 Hz motion
    total = truth["tracking"]["rms_major_arcsec"]
    assert_allclose(total, 20 / 60 * scene.duration_s / np.sqrt(12), rtol=1e-2)
    assert_allclose(
        np.std(motion[:, 1]),
        truth["structure"]["rms_major_arcsec"] * np.sin(np.deg2rad(35)),
        rtol=0.02,
    )
    assert_allclose(truth["structure"]["angle_deg"], 35, atol=0.1)


def test_air_moves_the_star_as_the_truth_says():
    """Air moves the star as the truth says."""
    scene = scene_of(frames=200, air={"seeing_arcsec": 0.8})
    run = Simulation(scene)
    frames = np.concatenate([block for _, block in run.blocks()])
    measured = centres(frames) * 0.65
    for axis in (0, 1):
        tilt = run.air_tilt_arcsec[:, 0, axis]
        # the centroid lies between gradient and plane tilt, and the window adds noise
        assert np.corrcoef(measured[:, axis], tilt)[0, 1] > 0.97
        slope = np.polyfit(tilt, measured[:, axis], 1)[0]
        assert_allclose(slope, 1.0, atol=0.1)


def test_long_exposure_is_von_karman_times_telescope_pixel_and_blur():
    """Frames five metres apart in air of five metres outer scale: nearly independent."""
    scene = scene_of(
        frames=480,
        camera={"frame_interval_s": 0.5, "exposure_s": 0.001},
        telescope={"aperture_m": 0.2, "instrument_fwhm_arcsec": 0.5},
        air={
            "r0_500nm_zenith_m": 0.08,
            "outer_scale_m": 5.0,
            "layers": [{"height_m": 0, "weight": 1, "wind_m_s": 10, "direction_deg": 37}],
        },
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    width = run.mean_light[frozenset()][0].width()
    expected = _theory_fwhm(scene, 0.08 * 1.1**1.2)
    # 480 independent pupils of D/r0 = 2.3: the scatter of the width over seeds is 1.3 percent
    assert_allclose(width.mean, expected, rtol=0.04)


def _theory_fwhm(scene, r0_m):
    """Return the width of telescope, air, blur and pixel together."""
    wavelength, aperture, pixel = 550e-9, scene.telescope.aperture_m, 0.65
    n, step = 128, 0.1
    fx, fy = np.fft.rfftfreq(n, step)[None, :], np.fft.fftfreq(n, step)[:, None]
    f = np.hypot(fx, fy)
    baseline = f * ARCSEC_PER_RADIAN * wavelength
    u = np.clip(baseline / aperture, 0, 1)
    diffraction = 2 / np.pi * (np.arccos(u) - u * np.sqrt(1 - u**2))
    air = np.exp(-structure_function(baseline, r0_m, scene.air.outer_scale_m) / 2)
    blur = np.exp(-2 * np.pi**2 * (0.5 / 2.35482) ** 2 * f**2)
    whole = diffraction * air * blur * np.sinc(fx * pixel) * np.sinc(fy * pixel)
    return HalfMaximum.of_transform(whole.astype(complex), step).mean


def test_realised_strength_of_the_air_is_near_the_nominal_one():
    """Realised strength of the air is near the nominal one."""
    truth = bs.simulate(scene_of(frames=500, air={"r0_500nm_zenith_m": 0.09})).truth["atmosphere"]
    # some 800 apertures of air in 10 s, with a dozen modes each: about 2 percent
    assert_allclose(truth["r0_500nm_zenith_realised_m"], 0.09, rtol=0.06)


def test_low_layers_move_all_stars_alike_and_high_layers_do_not():
    """Low layers move all stars alike and high layers do not."""
    stars = {
        "star": [
            {"x_px": 12.0, "y_px": 28.0, "flux_e_per_s": 1e6},
            {"x_px": 52.0, "y_px": 28.0, "flux_e_per_s": 1e6},
        ]
    }
    shares = []
    for height in (1.0, 20_000.0):
        layer = {"height_m": height, "weight": 1, "wind_m_s": 8, "direction_deg": 70}
        run = Simulation(scene_of(frames=250, stars=stars, air={"layers": [layer]}))
        for _ in run.blocks():
            pass
        tilt = run.air_tilt_arcsec - run.air_tilt_arcsec.mean(axis=0)
        shares.append(np.var(tilt[:, 0] - tilt[:, 1]) / np.var(tilt) / 2)
    # 26 arcsec at 1 m: s/D = 0.0005; at 20 km: 2.5 m, ten apertures
    assert shares[0] < 1e-3
    assert shares[1] > 0.3


def test_rolling_shutter_delays_lower_rows():
    """Rolling shutter delays lower rows."""
    stars = {
        "star": [
            {"x_px": 30.0, "y_px": 10.0, "flux_e_per_s": 1e7},
            {"x_px": 30.0, "y_px": 46.0, "flux_e_per_s": 1e7},
        ]
    }
    scene = scene_of(
        air=STILL,
        stars=stars,
        camera={"row_time_us": 100.0},
        drift=[{"arcsec_per_min": 650.0 * 6}],
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    # 36 rows of 100 us at 65 arcsec/s = 100 px/s
    gap = run.star_px[:, 1, 0] - run.star_px[:, 0, 0]
    assert_allclose(gap, 36 * 100e-6 * 100, atol=1e-3)


def test_field_turns_from_plus_x_toward_plus_y():
    """Field turns from plus x toward plus y."""
    stars = {"star": [{"x_px": 51.5, "y_px": 27.5, "flux_e_per_s": 1e7}]}
    scene = scene_of(
        air=STILL,
        stars=stars,
        frames=30,
        camera={"frame_interval_s": 1.0},
        sequence={"field_rotation_deg_per_hour": 360.0},
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    turn = np.deg2rad(360 / 3600 * (run.times.start_s + 0.0025))
    assert_allclose(run.star_px[:, 0, 1] - 27.5, 20 * np.sin(turn), atol=1e-3)


def test_faults_are_laid_over_the_frames():
    """Faults are laid over the frames."""
    scene = scene_of(
        frames=100,
        air=STILL,
        camera={"hot_pixels": 5},
        faults={
            "dropped_share": 0.1,
            "clouded_share": 0.2,
            "cosmic_rays_per_frame": 1.0,
            "trail_frames": [3],
            "dither": [{"time_s": 1.0, "dx_px": 6.0, "dy_px": -4.0}],
        },
    )
    run = Simulation(scene)
    frames = np.concatenate([block for _, block in run.blocks()]).astype(float)
    assert frames.shape[0] == 90
    assert np.all(np.diff(run.times.number) > 0)
    clear = run.times.transparency == 1
    assert 70 <= np.sum(clear) <= 80
    light = frames[:, 16:40, 16:48].sum(axis=(1, 2)) - 200.0 * 24 * 32
    assert light[~clear].max() < 0.5 * light[clear].min()
    jump = run.star_px[run.times.start_s > 1.0, 0].mean(axis=0)
    assert_allclose(jump - run.star_px[0, 0], [6, -4], atol=1e-6)
    typical = np.median(frames, axis=0)
    typical[12:44, 12:56] = 200  # the star's own places
    assert 1 <= np.sum(typical > 240) <= 5
    # read noise is 2.5 counts: 100 counts in a row's every column are the trail
    trail = int(np.flatnonzero(run.times.number == 3)[0])
    crossed = np.any(frames[trail] > 300, axis=0)
    assert crossed.mean() > 0.95
    others = np.delete(np.arange(90), trail)
    assert np.any(frames[others] > 300, axis=1).mean() < 0.5
    hits = np.sum(np.delete(frames, trail, axis=0)[:, :10] - typical[:10] > 100)
    # one hit a frame, 10 of 56 rows, most of them over 100 electrons: 16 +- 4
    assert 4 <= hits <= 32


def test_saturation_clips_and_jitter_moves_the_times():
    """Saturation clips and jitter moves the times."""
    scene = scene_of(
        frames=50,
        air=STILL,
        camera={"saturation_adu": 4000.0, "time_jitter_s": 0.002, "stamp_jitter_s": 0.003},
    )
    run = Simulation(scene)
    frames = np.concatenate([block for _, block in run.blocks()])
    assert frames.max() == 4000
    regular = np.arange(50) * 0.02
    # 50 draws: the scatter is known to 10 percent, three of them allowed
    assert_allclose(np.std(run.times.start_s - regular), 0.002, rtol=0.3)
    assert_allclose(np.std(run.times.stamp_s - run.times.start_s), 0.003, rtol=0.3)


def test_noise_of_the_empty_frame_is_read_noise_and_sky():
    """Noise of the empty frame is read noise and sky."""
    scene = scene_of(
        frames=20,
        air=STILL,
        stars={"star": [{"x_px": 31, "y_px": 27, "flux_e_per_s": 1.0}]},
        camera={"gain_e_per_adu": 0.5, "read_noise_e": 4.0, "sky_e_per_s": 2000.0},
    )
    frames = bs.simulate(scene).frames
    assert_allclose(frames.mean(), 200 + 10 / 0.5, rtol=1e-3)
    # read noise 4 e, sky 10 e, rounding 1/12 ADU^2; 70000 pixels: 0.3 percent
    assert_allclose(frames.std(), np.sqrt((16 + 10) / 0.25 + 1 / 12), rtol=0.012)


@pytest.mark.parametrize(("exposure", "expected"), [(0.0001, 1), (0.005, 3), (0.02, 8), (1.0, 48)])
def test_sub_exposures_follow_wind_and_exposure(exposure, expected):
    """Sub exposures follow wind and exposure."""
    layer = {"height_m": 10, "weight": 1, "wind_m_s": 30}
    camera = {"exposure_s": exposure, "frame_interval_s": max(exposure, 0.02)}
    scene = scene_of(camera=camera, air={"layers": [layer]})
    assert _sub_exposures(scene) == expected
    chosen = scene_of(camera=camera, sequence={"sub_exposures": 5})
    assert _sub_exposures(chosen) == 5


def test_widths_without_a_contribution_shrink_in_the_right_order():
    """Widths without a contribution shrink in the right order."""
    scene = scene_of(
        frames=150,
        air={"seeing_arcsec": 0.8},
        mode=[{"frequency_hz": 5.0, "damping_ratio": 0.05, "rms_arcsec": 0.9}],
        drift=[{"arcsec_per_min": 60.0, "angle_deg": 90}],
    )
    widths = bs.simulate(scene).truth["fwhm"]
    assert widths["without_both_arcsec"] < widths["without_structure_arcsec"]
    assert widths["without_structure_arcsec"] < widths["recorded_arcsec"]
    assert widths["without_both_arcsec"] < widths["without_tracking_arcsec"]
    assert widths["without_tracking_arcsec"] < widths["recorded_arcsec"]


def test_near_air_moves_all_stars_alike_and_its_cure_narrows_the_star():
    """A layer at the aperture is common; with it left out the truth's star is narrower."""
    stars = {"star": [{"x_px": x, "y_px": 28.0, "flux_e_per_s": 1e6} for x in (20.0, 44.0)]}
    scene = scene_of(
        frames=60, stars=stars, air={"seeing_arcsec": 0.8}, near_air={"r0_m": 0.04, "wind_m_s": 3.0}
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    # one screen read at the same place; the finest band is read by the same look-ups
    assert_allclose(run.near_tilt_arcsec[:, 0], run.near_tilt_arcsec[:, 1], atol=1e-5)
    truth = run.truth()
    assert truth["fwhm"]["without_near_air_arcsec"] < truth["fwhm"]["recorded_arcsec"]
    assert truth["near_air"]["outer_scale_m"] == 0.57
    assert truth["structure"]["rms_major_arcsec"] == 0.0
    # 60 frames at 3 m/s hold some 6 outer scales of it, and roughness is mostly finer
    assert_allclose(truth["near_air"]["r0_m"], 0.04 * 1.1**1.2, rtol=0.15)


def test_wind_shake_is_the_supports_and_tube_currents_are_near_air():
    """Owners are physical: nothing shared is left without one."""
    scene = scene_of(
        frames=150,
        air={"layers": []},
        wind_shake={"rms_arcsec": 0.5},
        tube={"rms_arcsec": 0.3, "timescale_s": 0.3},
        drift=[{"arcsec_per_min": 30.0, "angle_deg": 0.0}],
    )
    run = Simulation(scene)
    inside = run.recorded
    time = run.shared.time_s[inside]
    paths = {owner: run.shared.of(owner)[inside] for owner in run.shared.owners}
    assert set(paths) == {"tracking", "structure", "near_air"}
    assert_allclose(sum(paths.values()), run.shared.at(time, run.shared.total()), atol=1e-9)
    assert np.ptp(paths["structure"][:, 0]) > 0.5
    assert np.ptp(paths["near_air"][:, 0]) > 0.3


def test_long_frames_far_apart_stay_in_bounded_memory_and_are_smooth():
    """Ordinary 30 s subframes: 26 km of air in the fastest layer; widths as theory says."""
    import tracemalloc

    layers = [
        {"height_m": 0, "weight": 1, "wind_m_s": 5, "direction_deg": 30},
        {"height_m": 8000, "weight": 1, "wind_m_s": 22},
    ]
    scene = scene_of(
        frames=10,
        camera={"exposure_s": 30.0, "frame_interval_s": 120.0},
        telescope={"aperture_m": 0.2, "instrument_fwhm_arcsec": 0.5},
        air={"r0_500nm_zenith_m": 0.08, "outer_scale_m": 5.0, "layers": layers},
    )
    tracemalloc.start()
    truth = bs.simulate(scene).truth
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1.5e9
    # 480 moments, some of them close together in the slow layers
    expected = _theory_fwhm(scene, 0.08 * 1.1**1.2)
    assert_allclose(truth["fwhm"]["recorded_arcsec"], expected, rtol=0.06)


def test_savings_and_shares_are_those_of_the_definitions():
    """Without air the images are what the definitions make of the same course."""
    scene = scene_of(
        frames=400,
        air=STILL,
        telescope={"aperture_m": 0.2, "instrument_fwhm_arcsec": 0.8},
        drift=[{"arcsec_per_min": 12.0, "angle_deg": 20.0}],
        mode=[{"frequency_hz": 9.0, "damping_ratio": 0.01, "rms_arcsec": 0.4, "angle_deg": 110}],
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    truth, course = run.truth(), run.course().in_windows(run.blur_time_s())
    recorded = truth["fwhm"]["recorded_arcsec"]
    # definitions 0.3 %, and frames that see a quarter of the time of a mode
    assert_allclose(course.width(), recorded, rtol=0.03)
    for cure in ("tracking", "structure", "mechanics", "optics"):
        saved = truth["savings"][cure]["saving_fraction"]
        assert_allclose(saved, course.savings()[cure][0], atol=0.03)
    assert truth["savings"]["near_air"]["saving_arcsec"] == 0.0
    assert_allclose(sum(truth["shares"].values()), 1.0, atol=1e-5)
    assert truth["shares"]["atmosphere"] == 0.0


def test_blur_without_a_transfer_function_gets_no_share():
    run = Simulation(scene_of(frames=4, tube={"rms_arcsec": 0.3, "timescale_s": 0.3}))
    for _ in run.blocks():
        pass
    assert run.truth()["shares"] is None


def test_truth_of_long_frames_is_the_width_of_each_frame_by_itself():
    """Whatever pauses lie between them: against the half-maximum area of the frames' own images."""
    scale = 0.3
    camera = {"exposure_s": 6.0, "frame_interval_s": 7.5, "pixel_scale_arcsec": scale}
    layers = [{"height_m": 0.0, "weight": 1.0, "wind_m_s": 5.0, "direction_deg": 40.0}]
    tables = {
        "air": {"seeing_arcsec": 2.0, "layers": layers},
        "drift": [{"arcsec_per_min": 20.0, "angle_deg": 30.0}],
        "stars": {"star": [{"x_px": 20.3, "y_px": 20.8, "flux_e_per_s": 5e4}]},
        "sequence": {"sub_exposures": 60},
    }
    made = bs.simulate(scene_of(frames=4, camera=camera, **tables))
    mean = 0.0
    for frame in made.frames:
        star = frame - np.median(frame)
        y, x = (np.arange(size) for size in star.shape)
        inside = star * (star > 0.1 * star.max())
        at = (inside.sum(axis=1) @ y, inside.sum(axis=0) @ x) / inside.sum()
        mean = mean + shift(
            zoom(star, 4, mode="grid-constant", grid_mode=True), 112 - 4 * (at + 0.5) + 0.5
        )
    area = np.count_nonzero(mean > 0.5 * mean.max()) / 4**2
    width = 2.0 * scale * np.sqrt(area / np.pi)
    assert_allclose(made.truth["fwhm"]["recorded_arcsec"], width, rtol=0.02)
