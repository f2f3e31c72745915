"""One test for each convention of docs/conventions.md, on files, as a user meets them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from astropy.io import fits

from blursplit.frames import open_frames
from blursplit.motion import CommonMotion
from blursplit.rig import Rig
from blursplit.simulate import Scene, write_sequence
from blursplit.simulate.camera import Imager
from blursplit.simulate.scene import SceneTelescope
from blursplit.stars import follow_stars

FRAMES = 30
EXPOSURE_S, INTERVAL_S = 0.01, 0.05
START = datetime(2026, 3, 1, 20, 0, 0, tzinfo=UTC)
STARS = [(30.0, 25.0, 4e6), (95.0, 30.0, 3e6), (60.0, 65.0, 3e6)]


def scene_with(**tables):
    return Scene.model_validate(
        {
            # optics that spread the light over 2.5 px: no centroid feels the pixel phase
            "telescope": {"aperture_m": 0.25, "instrument_fwhm_arcsec": 1.6},
            "camera": {
                "width_px": 128,
                "height_px": 96,
                "exposure_s": EXPOSURE_S,
                "frame_interval_s": INTERVAL_S,
            },
            "air": {"layers": []},
            "stars": {"star": [{"x_px": x, "y_px": y, "flux_e_per_s": f} for x, y, f in STARS]},
            "sequence": {"frames": FRAMES, "start_utc": START},
            **tables,
        }
    )


def tracks_of(folder, scene):
    """Return the star tracks and the common motion of a scene, through files."""
    write_sequence(scene, folder)
    sequence = open_frames(folder / "sequence.fits", folder / "setup.toml")
    tracks = follow_stars(sequence)
    sequence.source.close()
    return tracks, CommonMotion.of(tracks)


def write_cube(path, cube, **header):
    unit = fits.PrimaryHDU(cube)
    unit.header["EXPTIME"] = EXPOSURE_S
    unit.header.update(header)
    unit.writeto(path)
    return path


def test_image_arrays_are_frame_y_x(tmp_path):
    cube = np.zeros((12, 20, 30), dtype=np.uint16)
    cube[3, 7, 11] = 500
    path = write_cube(tmp_path / "cube.fits", cube)
    sequence = open_frames(path, Rig(frame_interval_s=INTERVAL_S))
    block = sequence.source.read(0, 12)
    sequence.source.close()
    assert block.shape == (12, 20, 30)
    assert np.argwhere(block == 500).tolist() == [[3, 7, 11]]
    with fits.open(path) as units:
        assert (units[0].header["NAXIS1"], units[0].header["NAXIS2"]) == (30, 20)


def test_pixel_centres_are_whole_numbers_from_zero(tmp_path):
    """A star laid at (30, 25) is found there, not at (31, 26) nor half a pixel off."""
    tracks, _ = tracks_of(tmp_path / "still", scene_with())
    assert tracks.x_px.shape == (FRAMES, len(STARS))
    found = sorted(zip(tracks.x_px.mean(axis=0), tracks.y_px.mean(axis=0), strict=True))
    # centroid noise of these stars is below 0.02 px a frame; 0.02 leaves five sigma of the mean
    np.testing.assert_allclose(found, sorted((x, y) for x, y, _ in STARS), atol=0.02)


@pytest.mark.parametrize(
    ("axis", "expected"), [("x", (1.0, 0.0)), ("y", (0.0, 1.0))], ids=["plus_x", "plus_y"]
)
def test_tilt_in_plus_y_moves_star_in_plus_y(axis, expected):
    """A phase growing by 2 pi (theta/lambda) a metre moves the image by theta, same sign."""
    telescope = SceneTelescope(aperture_m=0.25)
    wavelength_m, scale_arcsec, theta_arcsec = 550e-9, 0.5, 1.0
    imager = Imager(telescope, wavelength_m, scale_arcsec, 8.0)
    along_m = imager.pupil.x_m if axis == "x" else imager.pupil.y_m
    phase_rad = 2 * np.pi * theta_arcsec / 206264.806 / wavelength_m * along_m
    images = [_image(imager, phase) for phase in (0 * phase_rad, phase_rad)]
    rows, columns = np.indices(images[0].shape)
    at = [((columns * i).sum() / i.sum(), (rows * i).sum() / i.sum()) for i in images]
    moved_arcsec = scale_arcsec * (np.array(at[1]) - at[0])
    # the box cuts the wings of the diffraction image: a few per cent of the shift
    np.testing.assert_allclose(moved_arcsec, np.array(expected) * theta_arcsec, atol=0.06)


def _image(imager, phase_rad):
    spectra = imager.spectra(phase_rad[None].astype(np.float32), np.zeros((1, 2)), 1)
    return imager.pixels(spectra)[0].astype(float)


@pytest.mark.parametrize("angle_deg", [0.0, 90.0, 30.0, 120.0])
def test_angles_run_from_plus_x_toward_plus_y_through_the_whole_chain(tmp_path, angle_deg):
    """A drift declared at an angle is measured at that angle: scene, camera, file, tracks."""
    drift = [{"arcsec_per_min": 120.0, "angle_deg": angle_deg}]
    tracks, motion = tracks_of(tmp_path / "drift", scene_with(drift=drift))
    rate = [np.polyfit(tracks.time_s, axis, 1)[0] for axis in (motion.x_px, motion.y_px)]
    expected = 2.0 / 0.65 * np.array([np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))])
    # 0.02 px of noise a frame over 30 frames in 1.5 s: 0.01 px/s on the slope
    np.testing.assert_allclose(rate, expected, atol=0.05)


def test_a_mode_swings_along_its_angle_from_plus_x_toward_plus_y(tmp_path):
    mode = [{"frequency_hz": 6.0, "rms_arcsec": 0.6, "angle_deg": 30.0}]
    scene = scene_with(mode=mode, sequence={"frames": 120, "start_utc": START})
    _, motion = tracks_of(tmp_path / "ring", scene)
    values, vectors = np.linalg.eigh(np.cov(motion.x_px, motion.y_px))
    angle_deg = np.degrees(np.arctan2(vectors[1, -1], vectors[0, -1])) % 180
    # the direction errs by noise over amplitude over sqrt(n), below 0.2 degrees; other readings
    # of the convention would give 150 or 60
    np.testing.assert_allclose(angle_deg, 30.0, atol=1.0)
    assert values[0] < 0.01 * values[1]


def test_times_are_the_middles_of_exposures(tmp_path):
    """DATE-OBS marks the start of the exposure (FITS standard), so half the exposure is added."""
    exposure_s = 2.0
    for i in range(12):
        begin = START + timedelta(seconds=3.0 * i)
        unit = fits.PrimaryHDU(np.full((20, 20), i, dtype=np.uint16))
        unit.header["DATE-OBS"] = begin.strftime("%Y-%m-%dT%H:%M:%S.%f")
        unit.header["EXPTIME"] = exposure_s
        unit.writeto(tmp_path / f"{i:02}.fits")
    sequence = open_frames([tmp_path])
    sequence.source.close()
    first = datetime.fromisoformat(sequence.start_utc).replace(tzinfo=UTC)
    assert first == START + timedelta(seconds=exposure_s / 2)
    np.testing.assert_allclose(sequence.time_s, 3.0 * np.arange(12), atol=1e-6)
    assert sequence.cadence_s == pytest.approx(3.0, abs=1e-6)


def test_frames_are_put_in_order_of_time_not_of_name(tmp_path):
    for i in range(12):
        unit = fits.PrimaryHDU(np.full((20, 20), i, dtype=np.uint16))
        unit.header["DATE-OBS"] = (START + timedelta(seconds=i)).isoformat()[:19]
        unit.header["EXPTIME"] = 0.5
        unit.writeto(tmp_path / f"{99 - i}.fits")
    sequence = open_frames([tmp_path])
    levels = sequence.source.read(0, 12)[:, 0, 0]
    sequence.source.close()
    np.testing.assert_array_equal(levels, np.arange(12))
