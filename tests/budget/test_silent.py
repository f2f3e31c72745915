"""What structure can still be where no line of it was found."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from blursplit.budget.contributions import Blur, all_widths
from blursplit.budget.silent import EVERYTHING, silent_limit

STRUCTURE = frozenset({"structure"})
R0_M = 0.05
BLUR = Blur(
    j=R0_M ** (-5 / 3),
    outer_scale_m=1e6,
    wavelength_m=500e-9,
    aperture_m=40.0,  # diffraction of 0.003 arcsec: the air alone makes the image
    obstruction=0.0,
    drift_arcsec=(0.0, 0.0),
    sinusoids=(),
    tracking_extra=np.zeros((2, 2)),
    structure=np.zeros((2, 2)),
    unassigned=np.zeros((2, 2)),
    optics_sigma_arcsec=0.0,
    pixel_arcsec=0.01,
    dispersion=np.zeros((2, 2)),
)
NO_BROAD = np.zeros((10, 2, 2))


def width_of_image(r0_m: float, rms_arcsec: float) -> float:
    """FWHM by area of a Kolmogorov image shaken along y, from its sampled image.

    Fried (1966): transfer function exp(-3.44 (lambda f/r0)^(5/3)).
    """
    n, step = 512, 0.05
    f = np.fft.fftfreq(n, step)
    fx, fy = np.meshgrid(f, f)
    baseline = 500e-9 * np.hypot(fx, fy) * 206264.80625
    otf = np.exp(-3.44 * (baseline / r0_m) ** (5 / 3) - 2 * (np.pi * rms_arcsec * fy) ** 2)
    image = np.fft.ifft2(otf).real
    # The contour's place between samples: area by bilinear zoom.
    from scipy.ndimage import zoom

    core = zoom(np.fft.fftshift(image)[216:297, 216:297], 8, order=3)
    fine = step * 80 / (core.shape[0] - 1)
    return float(2 * np.sqrt((core > 0.5 * core.max()).sum() / np.pi) * fine)


@pytest.mark.parametrize("rms_arcsec", [0.2, 0.5])
def test_the_recorded_width_stays_and_the_air_pays_for_the_motion(rms_arcsec: float) -> None:
    found = silent_limit(rms_arcsec, NO_BROAD, [BLUR], [STRUCTURE])
    recorded = width_of_image(R0_M, 0.0)
    r0 = brentq(lambda r: width_of_image(r, rms_arcsec) - recorded, R0_M, 3 * R0_M, xtol=1e-5)
    # Counting samples of 0.006 arcsec along a contour of 6 arcsec errs by less than 1e-3.
    assert_allclose(found.kept[STRUCTURE], width_of_image(r0, 0.0) / recorded, atol=2e-3)
    assert 0.0 < found.share < 1.0


def test_the_limit_joins_weak_lines_and_broadband_motion() -> None:
    broad = np.zeros((400, 2, 2))
    broad[:, 0, 0] = 0.3**2
    found = silent_limit(0.4, broad, [BLUR], [STRUCTURE])
    assert_allclose(found.rms_arcsec, 0.5, rtol=1e-12)


def test_a_motion_wider_than_the_record_takes_all_of_the_air_and_no_more() -> None:
    found = silent_limit(50.0, NO_BROAD, [replace(BLUR, optics_sigma_arcsec=0.4)], [STRUCTURE])
    alone = all_widths(replace(BLUR, j=0.0, optics_sigma_arcsec=0.4))[EVERYTHING]
    recorded = all_widths(replace(BLUR, optics_sigma_arcsec=0.4))[EVERYTHING]
    assert_allclose(found.kept[STRUCTURE], alone / recorded, rtol=2e-3)


def test_open_motion_counts_as_structure_once() -> None:
    open_motion = np.diag([0.3**2, 0.0])
    blur = replace(BLUR, unassigned=open_motion)
    found = silent_limit(0.0, open_motion[None], [blur], [STRUCTURE])
    widths = all_widths(blur)
    expected = widths[EVERYTHING - {"unassigned"}] / widths[EVERYTHING]
    # The root of the width is found to a thousandth of the air's strength.
    assert_allclose(found.kept[STRUCTURE], expected, rtol=1e-3)
