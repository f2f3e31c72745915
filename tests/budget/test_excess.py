"""The broadband shared excess: its shapes and what it does inside the exposures."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.likelihood import LEAST_HUMP, Model
from blursplit.budget.parameters import make_parameters

NYQUIST_HZ = 20.0


def model_of(exposure_s: float) -> Model:
    parameters = make_parameters(
        n_layers=3,
        strongest_j=50.0,
        wind_m_s=(2.0, 30.0),
        outer_scale_m=(10.0, 50.0),
        instrument_sigma_arcsec=(0.01, 1.0),
        known_instrument_arcsec=None,
        nyquist_hz=NYQUIST_HZ,
    )
    return Model(
        parameters=parameters,
        table=SimpleNamespace(height_m=np.zeros(3)),
        data=None,
        optics=None,
        line_power=np.zeros((0, 2)),
        line_log_otf=np.zeros(0),
        exposure_s=exposure_s,
        aperture_m=0.25,
    )


def theta_of(model: Model, *, rms: float, corner_hz: float, centre_hz: float) -> np.ndarray:
    theta = np.zeros((1, len(model.parameters.names)))
    for name, value in (
        ("ln_excess_x", np.log(rms)),
        ("ln_excess_y", np.log(rms)),
        ("ln_excess_corner", np.log(corner_hz)),
        ("excess_centre_hz", centre_hz),
    ):
        theta[0, model.parameters.index(name)] = value
    return theta


@pytest.mark.parametrize(("corner_hz", "centre_hz"), [(0.3, -4.0), (0.3, 0.0), (1.0, 6.0)])
def test_density_of_the_excess_holds_its_variance(corner_hz, centre_hz):
    model = model_of(0.0)
    theta = theta_of(model, rms=0.4, corner_hz=corner_hz, centre_hz=centre_hz)
    f = np.linspace(0.0, 4000.0, 800_001)
    density = model.excess_density(theta, f)[0]
    # integral over all frequencies; the tail beyond 4 kHz holds less than 1e-3 of it
    assert_allclose(np.trapezoid(density, f, axis=1), 0.16, rtol=2e-3)


def test_hump_lies_at_its_centre_and_is_as_wide_as_the_bins_resolve():
    model = model_of(0.0)
    theta = theta_of(model, rms=0.4, corner_hz=0.03, centre_hz=6.0)
    f = np.linspace(0.0, 20.0, 20_001)
    density = model.excess_density(theta, f)[0, 0]
    assert_allclose(f[np.argmax(density)], 6.0, atol=0.1)
    above = f[density > density.max() / 2]
    assert_allclose(np.ptp(above) / 2, np.hypot(0.03, LEAST_HUMP * 6.0), rtol=0.02)


def test_slow_excess_without_hump_blurs_no_short_exposure_and_a_fast_one_does():
    model = model_of(0.02)
    slow = model._excess_blur(theta_of(model, rms=0.4, corner_hz=0.05, centre_hz=-1.0))
    fast = model._excess_blur(theta_of(model, rms=0.4, corner_hz=0.5, centre_hz=15.0))
    # exponentially correlated motion: lost share 2 pi c tau/3 while that is small
    assert_allclose(slow, 0.16 * 2 * np.pi * 0.05 * 0.02 / 3, rtol=0.01)
    # a carrier loses 1 - sinc^2(f tau) besides its width, 0.26 at 0.3 turns
    assert 0.16 * 0.26 < fast[0] < 0.16 * 0.4
