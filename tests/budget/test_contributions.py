"""Widths with causes removed, and the shares of the causes."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from blursplit.budget.contributions import Blur, all_widths, shares, width_arcsec
from blursplit.result import CONTRIBUTIONS

WAVELENGTH = 500e-9


def make_blur(**changes: object) -> Blur:
    values: dict = {
        "j": 0.1 ** (-5 / 3),
        "outer_scale_m": 20.0,
        "wavelength_m": WAVELENGTH,
        "aperture_m": 0.2,
        "obstruction": 0.0,
        "drift_arcsec": (0.0, 0.0),
        "sinusoids": (),
        "tracking_extra": np.zeros((2, 2)),
        "structure": np.zeros((2, 2)),
        "unassigned": np.zeros((2, 2)),
        "optics_sigma_arcsec": 0.0,
        "pixel_arcsec": 1e-6,
        "dispersion": np.zeros((2, 2)),
    }
    return Blur(**(values | changes))


# Numeric transform of von Karman air, filled pupil, diffraction included (physics notes,
# section 1; these five confirmed by an independent library).
@pytest.mark.parametrize(
    ("r0", "outer", "aperture", "expected"),
    [
        (0.05, 10.0, 0.1, 2.009),
        (0.1, 20.0, 0.2, 1.0045),
        (0.15, 50.0, 0.4, 0.6482),
        (0.1, 20.0, 0.1, 1.363),
    ],
)
def test_long_exposure_width_of_air_and_telescope(
    r0: float, outer: float, aperture: float, expected: float
) -> None:
    blur = make_blur(j=r0 ** (-5 / 3), outer_scale_m=outer, aperture_m=aperture)
    # Contour by the gradient at 23 points a width: 0.3 %.
    assert_allclose(width_arcsec(blur, ["atmosphere", "instrument"]), expected, rtol=4e-3)


def test_diffraction_alone_has_the_airy_width() -> None:
    """1.0290 lambda/D for a filled pupil (closed form of the Airy disk)."""
    expected = 1.0290 * WAVELENGTH / 0.2 * 206264.806
    assert_allclose(width_arcsec(make_blur(), ["instrument"]), expected, rtol=4e-3)


# Kolmogorov core of FWHM 1 drawn out by a drift of rms q/2.3548: geometric mean of the widths
# along and across, numeric transforms (physics notes, section 8).
@pytest.mark.parametrize(("q", "expected"), [(0.5, 1.0748), (1.0, 1.2764)])
def test_drift_draws_the_star_out(q: float, expected: float) -> None:
    core = 0.97586 * WAVELENGTH * 206264.806  # r0 that gives one arcsec
    length = q / 2.354820 * np.sqrt(12.0)
    blur = make_blur(
        j=core ** (-5 / 3), outer_scale_m=1e5, drift_arcsec=(length, 0.0), aperture_m=100.0
    )
    # Diameter of equal area against geometric mean of the axes: 1 % for a slightly flat top.
    assert_allclose(width_arcsec(blur, ["atmosphere", "tracking"]), expected, rtol=1.5e-2)


positive = st.floats(0.0, 1.5)


@settings(max_examples=15, deadline=None)
@given(drift=positive, structure=positive, unassigned=positive, optics=positive)
def test_shares_sum_to_one_and_no_cause_narrows_the_star(
    drift: float, structure: float, unassigned: float, optics: float
) -> None:
    blur = make_blur(
        drift_arcsec=(drift, 0.5 * drift),
        structure=np.diag([structure**2, 0.2 * structure**2]),
        unassigned=unassigned**2 * np.eye(2),
        optics_sigma_arcsec=0.3 * optics,
        pixel_arcsec=0.5,
    )
    widths = all_widths(blur)
    share = shares(widths)
    assert_allclose(sum(share.values()), 1.0, atol=1e-9)
    whole = frozenset(CONTRIBUTIONS)
    for part in CONTRIBUTIONS:
        # The contour's own error, 0.4 %, is all that may go below zero.
        assert share[part] > -4e-3
        assert widths[whole - {part}] <= widths[whole] * 1.004


def test_equal_kernels_have_equal_shares() -> None:
    kernel = np.diag([0.4, 0.3])
    share = shares(all_widths(make_blur(structure=kernel, unassigned=kernel, pixel_arcsec=0.5)))
    assert_allclose(share["structure"], share["unassigned"], rtol=1e-6)


def test_absent_cause_has_no_share() -> None:
    share = shares(all_widths(make_blur(pixel_arcsec=0.5)))
    assert share["structure"] == 0
    assert share["tracking"] == 0


@pytest.mark.parametrize("angle", [0.0, 0.6, 2.1])
def test_long_thin_star_has_the_geometric_mean_of_its_widths(angle: float) -> None:
    """Gaussians: the area above half maximum is pi/4 times both full widths (closed form)."""
    unit = np.array([np.cos(angle), np.sin(angle)])
    blur = make_blur(
        j=0.0,
        aperture_m=100.0,
        optics_sigma_arcsec=0.4,
        structure=1.9**2 * np.outer(unit, unit),
    )
    expected = 2.354820 * np.sqrt(0.4 * np.hypot(0.4, 1.9))
    assert_allclose(width_arcsec(blur, ["instrument", "structure"]), expected, rtol=4e-3)


def test_kernel_of_a_path_is_that_of_its_places() -> None:
    """A path drawn from a normal distribution blurs like the Gaussian of its covariance."""
    rng = np.random.default_rng(3)
    root = np.array([[1.2, 0.0], [0.5, 0.2]])
    path = rng.standard_normal((500, 2)) @ root.T
    covariance = np.cov(path.T)
    smooth = make_blur(structure=covariance, optics_sigma_arcsec=0.4, pixel_arcsec=0.5)
    drawn = make_blur(
        structure=covariance,
        optics_sigma_arcsec=0.4,
        pixel_arcsec=0.5,
        structure_path=0.1 * path,
    )
    everything = ["atmosphere", "structure", "instrument"]
    # 500 places: the half-maximum width of a sample scatters by some per cent
    assert_allclose(width_arcsec(drawn, everything), width_arcsec(smooth, everything), rtol=0.06)


def test_path_of_a_steady_oscillation_blurs_like_the_bessel_function() -> None:
    phase = np.linspace(0, 2 * np.pi, 500, endpoint=False)
    amplitude = np.array([1.5, 0.7])
    path = np.outer(np.cos(phase), amplitude)
    covariance = 0.5 * np.outer(amplitude, amplitude)
    drawn = make_blur(structure=covariance, structure_path=path, optics_sigma_arcsec=0.6)
    closed = make_blur(sinusoids=(tuple(amplitude),), optics_sigma_arcsec=0.6)
    assert_allclose(
        width_arcsec(drawn, ["atmosphere", "structure", "instrument"]),
        width_arcsec(closed, ["atmosphere", "tracking", "instrument"]),
        rtol=1e-3,
    )
