"""Widths with a cause removed, from the model and from shifted frames."""

from types import SimpleNamespace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.budget.cured import CURES, GAUSS, ShiftedFrames, fwhm_part, smoothing_loss_arcsec2
from blursplit.budget.pictures import _enlarged
from blursplit.budget.silent import SilentLimit
from blursplit.estimate import with_error
from blursplit.image.fwhm import resample

FACTS = SimpleNamespace(blur_time_s=20.0)
NOTHING_SPARE = {"tracking": 0.0, "structure": 0.0}
NO_FRAMES = ShiftedFrames({}, NOTHING_SPARE)
RECORDED = {
    "mean": with_error(2.9, 0.03),
    "major": None,
    "minor": None,
    "angle": None,
    "registered": None,
}


def split_of(without: float, silent: SilentLimit | None = None) -> SimpleNamespace:
    n = 400
    removals = [*CURES.values(), *(cure | {"unassigned"} for cure in CURES.values())]
    return SimpleNamespace(
        recorded=np.full(n, 2.9),
        without={removed: np.full(n, without) for removed in removals},
        silent=silent,
    )


def test_an_optimal_estimate_lacks_the_variance_of_its_own_error() -> None:
    rng = np.random.default_rng(4)
    n, signal, noise = 40_000, 0.5, 0.2
    motion = rng.normal(0.0, np.sqrt(signal), (n, 2))
    recorded = motion + rng.normal(0.0, np.sqrt(noise), (n, 2))
    estimate = recorded * signal / (signal + noise)
    grid = SimpleNamespace(
        cadence_s=0.05,
        segments=(SimpleNamespace(start_s=0.0, real=np.ones(n, dtype=bool)),),
    )
    spare = smoothing_loss_arcsec2(np.tile(signal * np.eye(2), (5, 1, 1)), [estimate], grid, 2000.0)
    # Wiener's error variance; the estimate's own variance is known to sqrt(1/n) of itself.
    closed = signal * noise / (signal + noise)
    assert_allclose(spare, closed, atol=4 * signal * n**-0.5)
    # Frames shifted by the estimate are too sharp by just this much.
    assert_allclose(np.var(recorded - estimate) + spare, noise, atol=4 * signal * n**-0.5)


@pytest.mark.parametrize("name", list(CURES))
def test_sharper_frames_overrule_the_model(name: str) -> None:
    part = fwhm_part(split_of(2.8), FACTS, RECORDED, ShiftedFrames({name: 2.4}, NOTHING_SPARE))
    row = getattr(part, f"{name}_arcsec")
    # The frames' width is known as well as the recorded one, to 0.03/2.9.
    assert_allclose([row.value, row.high - row.value], [2.4, 2.4 * 0.03 / 2.9], rtol=0.02)


def test_frames_get_back_what_the_shift_took_of_the_air() -> None:
    frames = ShiftedFrames({"without_structure": 2.4}, {"tracking": 0.0, "structure": 0.1})
    part = fwhm_part(split_of(2.8), FACTS, RECORDED, frames)
    assert part.without_structure_arcsec is not None
    expected = np.sqrt(2.4**2 + 0.1 * GAUSS**2)
    assert_allclose(part.without_structure_arcsec.value, expected, rtol=0.005)


def test_wider_frames_stretch_only_the_upper_end() -> None:
    model = fwhm_part(split_of(1.5), FACTS, RECORDED, NO_FRAMES).without_structure_arcsec
    frames = ShiftedFrames({"without_structure": 1.7}, NOTHING_SPARE)
    both = fwhm_part(split_of(1.5), FACTS, RECORDED, frames)
    row = both.without_structure_arcsec
    assert model is not None
    assert row is not None
    assert_allclose([row.value, row.high95], [model.value, 1.7], rtol=0.003)


def test_a_silent_search_lets_the_lower_end_reach_its_limit() -> None:
    kept = {CURES["without_structure"]: 0.8, CURES["without_both"]: 0.7}
    silent = SilentLimit(rms_arcsec=0.6, share=0.2, kept=kept)
    part = fwhm_part(split_of(2.9, silent), FACTS, RECORDED, NO_FRAMES)
    row, tracking = part.without_structure_arcsec, part.without_tracking_arcsec
    assert row is not None
    assert tracking is not None
    assert_allclose(row.low95, 0.8 * RECORDED["mean"].low95)
    assert tracking.low95 > 2.8


def test_frames_tell_the_width_without_tracking_and_the_model_what_structure_adds_to_it() -> None:
    split = split_of(2.0)
    split.without[CURES["without_both"]] = np.full(400, 1.9)
    # The model's 2.0 arcsec without tracking is 5 % below the frames' 2.1.
    frames = ShiftedFrames({"without_tracking": 2.1}, NOTHING_SPARE, tracking_whole=True)
    part = fwhm_part(split, FACTS, RECORDED, frames)
    assert part.without_tracking_arcsec is not None
    assert part.without_both_arcsec is not None
    # Structure is 5 % of the width, so a tenth of the misfit at most is its own.
    assert_allclose(part.without_tracking_arcsec.value, 2.1, rtol=1e-3)
    assert_allclose(part.without_both_arcsec.value, 1.9 * 1.05**0.95, rtol=2e-3)


def test_enlarged_image_keeps_its_samples_and_hardly_rings() -> None:
    # A star of 1.5 pixels, whose spectrum does not end where the pixels' own does.
    y, x = np.mgrid[-12:13, -12:13] + 0.3
    image = np.exp(-4 * np.log(2) * (x**2 + y**2) / 1.5**2)
    fine = _enlarged(image, 4)
    assert_allclose(fine[::4, ::4], image, atol=1e-12)
    far = np.hypot(*(np.indices(fine.shape) / 4 - 11.7)) > 5
    exact = np.abs(resample(image, 4)[far]).max()
    assert np.abs(fine[far]).max() < 0.2 * exact


def test_no_cure_widens_the_star() -> None:
    spare = {"tracking": np.linspace(0.0, 0.5, 400), "structure": 0.0}
    frames = ShiftedFrames({"without_tracking": 2.88}, spare, tracking_whole=True)
    part = fwhm_part(split_of(2.95), FACTS, RECORDED, frames)
    assert part.without_tracking_arcsec is not None
    assert part.without_structure_arcsec is not None
    assert part.without_tracking_arcsec.value <= RECORDED["mean"].value
    assert part.without_structure_arcsec.value <= RECORDED["mean"].value
