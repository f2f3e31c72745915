"""What sky, telescope and camera do to real sequences: masked or told, never a wrong sample."""

from __future__ import annotations

import numpy as np
import pytest

# Samples of these stars err by 0.03 px (photons); eight of those, and no fault may go further.
WRONG_PX = 0.25
FLUX = np.array([30e3, 26e3, 34e3, 20e3, 24e3])
X = np.array([22.0, 74.0, 50.0, 24.0, 76.0])
Y = np.array([24.0, 22.0, 52.0, 74.0, 76.0])
N = 48


def wander(seed, n=N):
    rng = np.random.default_rng(seed)
    return rng, np.cumsum(rng.normal(0, 0.05, (n, 2)), axis=0)


def places(motion, x=X, y=Y):
    return np.asarray(x) + motion[:, :1], np.asarray(y) + motion[:, 1:]


def test_cosmic_rays_cost_samples_and_not_truth(make_field, measure, tmp_path):
    field = make_field(N)
    rng = np.random.default_rng(11)
    for frame in field.frames:
        y, x = rng.integers(0, 100, (2, 6))
        frame[y, x] += np.exp(rng.uniform(np.log(300), np.log(20_000), 6))
    run = measure(field.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.stars_used == 5
    assert np.nanmax(run.wrong_px(field)) < WRONG_PX
    assert "hot-pixels" not in run.warnings


def test_hot_and_warm_pixels_are_no_stars(make_field, measure, tmp_path):
    field = make_field(N)
    rng = np.random.default_rng(12)
    y, x = rng.integers(0, 100, (2, 40))
    field.frames[:, y, x] += np.exp(rng.uniform(np.log(100), np.log(20_000), 40))
    run = measure(field.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.stars_used <= 5
    assert "hot-pixels" in run.warnings
    assert np.nanmax(run.wrong_px(field)) < WRONG_PX


def test_a_satellite_trail_spoils_only_what_it_crosses(make_field, measure, tmp_path):
    field = make_field(N)
    for number in (15, 16):
        for x in range(100):
            field.frames[number, max(x - 1, 0) : x + 2, x] += 3000
    run = measure(field.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.frames_used >= N - 2
    wrong = run.wrong_px(field)
    assert np.nanmax(wrong) < WRONG_PX
    assert np.isfinite(wrong[:15]).all()
    assert np.isfinite(wrong[17:]).all()


def test_rays_and_crossing_trails_leave_no_hot_pixels_behind(make_field, measure, tmp_path):
    field = make_field(N)
    rng = np.random.default_rng(17)
    for number in range(N):
        y, x = rng.integers(0, 100, (2, 4))
        field.frames[number, y, x] += np.exp(rng.uniform(np.log(1000), np.log(20_000), 4))
    field.frames[5, 40, :] += 3000
    field.frames[9, :, 60] += 3000
    field.frames[5, 40, 60] += 9000
    hot_x, hot_y = np.array([12, 88, 47]), np.array([50, 47, 90])
    field.frames[:, hot_y, hot_x] += 4000
    run = measure(field.cube(tmp_path / "cube.fits"))
    run.accepted()
    told = [w.text for w in run.result.warnings if w.code == "hot-pixels"]
    assert told == ["Hot or dead pixels left out: 3."]
    assert np.nanmax(run.wrong_px(field)) < WRONG_PX


def test_cloud_masks_and_is_told(expose, measure, tmp_path):
    rng, motion = wander(13)
    clear = np.ones((N, 1))
    clear[20:24], clear[24:28] = 0.0, 0.2
    sky = expose(*places(motion), FLUX * clear, rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.frames_used == N - 4
    assert {"cloud", "frames-lost"} <= run.warnings
    assert np.nanmax(run.wrong_px(sky)) < 2 * WRONG_PX  # a fifth of the light, 2.2 times the noise


def test_a_dither_begins_a_segment(expose, measure, tmp_path):
    rng, motion = wander(14)
    motion[24:] += (6.0, -8.0)
    sky = expose(*places(motion), FLUX, rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.segments == 2
    assert "dither" in run.warnings
    # 24 frames at 20 a second: an exposure that holds the jump would not be blur alone.
    assert result.fwhm.blur_time_s == pytest.approx(1.2, abs=0.06)
    assert np.nanmax(run.wrong_px(sky)) < WRONG_PX


@pytest.mark.parametrize(("first", "last"), [(1.6, 2.5), (2.5, 1.6)])
def test_dew_and_focus_drift_are_told(expose, measure, tmp_path, first, last):
    rng, motion = wander(15)
    sky = expose(*places(motion), FLUX, rng, sigma=np.linspace(first, last, N))
    run = measure(sky.cube(tmp_path / "cube.fits"))
    run.accepted()
    assert "width-drift" in run.warnings
    assert np.nanmax(run.wrong_px(sky)) < 1.5 * WRONG_PX  # the widest star has 1.5 times the noise


def test_dropped_frames_leave_holes_in_the_grid(make_field, measure, tmp_path):
    field = make_field(N)
    folder = field.files(tmp_path / "night")
    for number in (7, 8, 21, 33):
        (folder / f"f{number:04d}.fits").unlink()
    run = measure(folder)
    result = run.accepted()
    assert result.sequence.frames_used == N - 4
    assert result.sequence.timing == "regular"
    assert result.sequence.cadence_s == pytest.approx(0.05)
    assert "Frames missing from the time grid: 4." in run.told


def test_a_star_that_leaves_over_the_edge_is_masked_there(expose, measure, tmp_path):
    rng, motion = wander(16)
    motion[:, 0] -= np.linspace(0, 30, N)
    sky = expose(*places(motion), FLUX, rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    run.accepted()
    wrong = run.wrong_px(sky)
    assert np.nanmax(wrong) < WRONG_PX
    assert np.isnan(wrong[-1]).any()
    assert np.isfinite(wrong[-1]).any()


def test_stars_that_land_in_each_others_places_are_not_swapped(expose, measure, tmp_path):
    rng, motion = wander(17)
    motion[24:, 0] += 26.0
    sky = expose(*places(motion, [20.0, 46.0, 30.0], [30.0, 30.0, 70.0]), FLUX[:3], rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    run.accepted()
    assert np.nanmax(run.wrong_px(sky)) < WRONG_PX


def test_double_stars_are_refused(expose, measure, tmp_path):
    rng, motion = wander(18)
    x, y = np.append(X, X[2] + 5.5), np.append(Y, Y[2] + 1.5)
    sky = expose(*places(motion, x, y), np.append(FLUX, 25e3), rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.stars_used == 4
    assert "extended (1)" in run.told
    assert np.nanmax(run.wrong_px(sky, [0, 1, 3, 4])) < WRONG_PX


def test_a_planet_and_a_comet_are_no_stars(expose, measure, tmp_path):
    rng, motion = wander(19)
    keep = [0, 1, 3, 4]
    sky = expose(*places(motion, X[keep], Y[keep]), FLUX[keep], rng)
    rows, columns = np.indices((100, 100))
    for number, (dx, dy) in enumerate(motion):
        far = np.hypot(columns - 50 - dx, rows - 50 - dy)
        sky.frames[number] += rng.poisson(np.where(far < 9, 1500.0, 0.0))  # a planet's disk
        far = np.hypot(columns - 50 - dx, rows - 84 - dy)
        sky.frames[number] += rng.poisson(600.0 * np.exp(-far / 6.0))  # a coma
    run = measure(sky.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.stars_used == 4
    assert "extended" in run.told
    assert np.nanmax(run.wrong_px(sky)) < WRONG_PX


@pytest.mark.parametrize("path_px", [6.0, 30.0])
def test_a_minor_planet_moves_among_the_stars_and_is_left_out(expose, measure, tmp_path, path_px):
    """As sharp and as bright as a star, slow or fast: its own way must not count as air."""
    rng, motion = wander(24)
    x, y = places(motion, np.append(X, 36.0), np.append(Y, 38.0))
    x[:, 5] += np.linspace(0, path_px, N)
    sky = expose(x, y, np.append(FLUX, 22e3), rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.stars_used == 5
    assert {"moving-source", "sources-refused"} & run.warnings
    assert np.nanmax(run.wrong_px(sky, [0, 1, 2, 3, 4])) < WRONG_PX


def test_a_turning_field_keeps_its_stars(expose, measure, tmp_path):
    rng, motion = wander(20)
    turn = np.deg2rad(np.linspace(0, 4.0, N))[:, None]
    dx, dy = X - 49.5, Y - 49.5
    x = 49.5 + np.cos(turn) * dx - np.sin(turn) * dy + motion[:, :1]
    y = 49.5 + np.sin(turn) * dx + np.cos(turn) * dy + motion[:, 1:]
    sky = expose(x, y, FLUX, rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    assert run.accepted().sequence.stars_used == 5
    assert np.nanmax(run.wrong_px(sky)) < WRONG_PX


def test_a_saturated_star_is_left_out(expose, measure, tmp_path):
    rng, motion = wander(21)
    flux = FLUX.copy()
    flux[2] = 4e6
    sky = expose(*places(motion), flux, rng)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.stars_used == 4
    assert {"saturated-pixels", "sources-refused"} <= run.warnings
    assert np.nanmax(run.wrong_px(sky, [0, 1, 3, 4])) < WRONG_PX


def test_a_field_of_saturated_stars_is_refused_with_a_remedy(expose, measure, tmp_path):
    rng, motion = wander(22)
    sky = expose(*places(motion), np.full(5, 4e6), rng)
    line = measure(sky.cube(tmp_path / "cube.fits")).refusal()
    assert "all usable stars are saturated; shorten the exposure or lower the gain" in line


def test_frames_at_full_scale_are_refused(make_field, measure, tmp_path):
    field = make_field()
    field.frames[:] = 65535
    field.frames[:, 0, 0] = 300
    assert "% of the pixels are saturated" in measure(field.cube(tmp_path / "c.fits")).refusal()


def test_a_field_without_stars_is_refused(expose, measure, tmp_path):
    rng, motion = wander(23)
    sky = expose(*places(motion, [], []), np.zeros(0), rng)
    line = measure(sky.cube(tmp_path / "cube.fits")).refusal()
    assert "no star was found in the first frames; check focus" in line


def test_one_star_gives_motion_and_width_and_says_what_it_cannot(make_field, measure, tmp_path):
    sky = make_field(64, stars=1)
    run = measure(sky.cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.sequence.stars_used == 1
    assert "few-stars" in run.warnings
    assert result.fwhm.recorded_px.value > 0
    assert result.motion.pairs == []
    assert "yes" not in result.verdict.matters.values()


def test_without_scale_and_aperture_everything_is_in_pixels(make_field, measure, tmp_path):
    run = measure(make_field().cube(tmp_path / "cube.fits"))
    result = run.accepted()
    assert result.fwhm.recorded_arcsec is None
    # Gaussian stars of sigma 1.8 px seen through square pixels: 2.3548 sqrt(1.8^2 + 1/12).
    assert result.fwhm.recorded_px.value == pytest.approx(4.29, rel=0.05)
    assert {"state-pixel-scale"} <= {step.code for step in result.verdict.next}
