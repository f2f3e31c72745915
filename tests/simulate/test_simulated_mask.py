"""A mask with two openings in the simulator: two images, one shake, the air of two places."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

import blursplit as bs
from blursplit.constants import ARCSEC_PER_RADIAN
from blursplit.errors import InputError
from blursplit.simulate import Scene, Simulation
from blursplit.turbulence.tilt import pair_kernels

MASK = {"opening_m": 0.08, "separation_m": 0.2, "angle_deg": 30.0, "split_arcsec": 30.0}
CAMERA = {
    "pixel_scale_arcsec": 1.0,
    "width_px": 80,
    "height_px": 64,
    "exposure_s": 0.004,
    "frame_interval_s": 0.02,
}
TABLES = {
    "telescope": {"aperture_m": 0.3, "obstruction": 0.3, "instrument_fwhm_arcsec": 2.0},
    "camera": CAMERA,
    "mask": MASK,
    "air": {"layers": []},
    "stars": {"star": [{"x_px": 24.0, "y_px": 22.0, "flux_e_per_s": 5e7}]},
    "sequence": {"frames": 40},
}


def with_mask(**tables):
    """Return a scene behind the mask."""
    return Scene.model_validate({**TABLES, **tables})


def centre(frames, x0, y0, half=9):
    """Return the centroid [px] in a window around a place, frame by frame."""
    cut = frames[:, y0 - half : y0 + half + 1, x0 - half : x0 + half + 1].astype(float) - 200.0
    y, x = np.indices(cut.shape[1:])
    total = cut.sum(axis=(1, 2))
    centroid = [(cut * x).sum(axis=(1, 2)) / total, (cut * y).sum(axis=(1, 2)) / total]
    return np.stack(centroid, axis=1) + np.array([x0 - half, y0 - half]), total


def test_wedge_puts_the_second_image_along_the_line_of_the_openings():
    """Split and direction as declared, each image with the light of its opening."""
    frames = bs.simulate(with_mask()).frames
    first, light = centre(frames, 24, 22)
    second, other = centre(frames, 50, 37)
    expected = 30.0 * np.array([np.cos(np.pi / 6), np.sin(np.pi / 6)])
    # noise of a centroid of 1.6e4 e- and 19 x 19 px of 2.5 e-: 0.03 px a frame, 40 frames; one
    # per cent of the light lies outside the window and pulls by its asymmetry
    assert_allclose((second - first).mean(axis=0), expected, atol=0.05)
    share = 0.08**2 / (0.3**2 * (1 - 0.3**2)) * 5e7 * 0.004
    sky = 0.2 * 19**2
    assert_allclose([light.mean(), other.mean()], share + sky, rtol=0.03)


def test_shake_moves_both_images_alike():
    """The difference of the images holds no vibration, their mean all of it."""
    shaken = [{"frequency_hz": 5.0, "rms_arcsec": 2.0, "angle_deg": 60.0}]
    run = Simulation(with_mask(mode=shaken))
    frames = np.concatenate([block for _, block in run.blocks()])
    first, second = centre(frames, 24, 22)[0], centre(frames, 50, 37)[0]
    assert np.std(first, axis=0).max() > 0.5
    # 0.03 px a frame and image, and what a moving window cuts off
    assert np.std(second - first, axis=0).max() < 0.12
    assert_allclose(run.star_px[:, 1] - run.star_px[:, 0], np.tile([25.98, 15.0], (40, 1)), 1e-3)


@pytest.mark.parametrize("seed", [3, 4])
def test_openings_see_the_air_that_far_apart(seed):
    """Differential variance along and across the openings as the numerical kernels say.

    600 nearly independent frames (0.3 s, 3 m of wind apart) per axis and seed: a standard error
    of sqrt(2/600) = 6 percent; three of them.
    """
    scene = with_mask(
        air={
            "r0_500nm_zenith_m": 0.07,
            "wavelength_nm": 500.0,
            "outer_scale_m": 20.0,
            "layers": [{"height_m": 4000.0, "weight": 1.0, "wind_m_s": 10.0, "direction_deg": 75}],
        },
        camera={**CAMERA, "exposure_s": 0.0005, "frame_interval_s": 0.3},
        sequence={"frames": 600, "seed": seed, "sub_exposures": 1},
    )
    run = Simulation(scene)
    for _ in run.blocks():
        pass
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    difference = run.air_tilt_arcsec[:, 1] - run.air_tilt_arcsec[:, 0]
    got = np.var(difference @ np.array([[c, -s], [s, c]]), axis=0)
    unit = (500e-9 * ARCSEC_PER_RADIAN) ** 2 * 0.07 ** (-5 / 3) * 0.08 ** (-1 / 3)
    along, across = pair_kernels(0.2 / 0.08, 0.08 / 20.0, 0.0, "Z")
    assert_allclose(got, unit * np.array([along, across]).ravel(), rtol=0.18)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"separation_m": 0.07}, "overlap"),
        ({"separation_m": 0.25}, "beyond telescope.aperture_m"),
        ({"opening_m": 0.1, "separation_m": 0.15}, "central obstruction"),
        ({"split_arcsec": 5.0}, "interfere"),
        ({"wedge": 1}, "mask.wedge"),
    ],
)
def test_mask_that_cannot_be_is_refused_with_its_reason(change, words):
    """One line that names what is wrong."""
    with pytest.raises(InputError, match=words):
        Scene.from_tables({**TABLES, "mask": {**MASK, **change}}, "scene.toml")


def test_aberrations_behind_a_mask_are_refused():
    """They would tilt the wavefronts of the openings apart, which is not simulated."""
    telescope = {**TABLES["telescope"], "defocus_nm": 50.0}
    with pytest.raises(InputError, match="defocus"):
        Scene.from_tables({**TABLES, "telescope": telescope}, "scene.toml")
