"""Drawing: units on axes, no window, the same text each time, and the mathematics inside."""

from __future__ import annotations

import re
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.constants import FIGURE_PAIRS
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.report import figures as draw
from blursplit.report.figures._canvas import block_means, power_label
from blursplit.report.figures.evidence import binned_pairs
from blursplit.result import Result, SequenceInfo, Structure
from blursplit.rig import Setting
from blursplit.series import Series


def plots(case):
    return draw.Plots(case.result, case.series)


DRAWINGS = {
    "pairs": lambda case: plots(case).pairs(),
    "otf": lambda case: plots(case).otf(),
    "spectrum": lambda case: plots(case).spectrum(),
    "coherence": lambda case: plots(case).coherence(),
    "motion": lambda case: plots(case).motion("x"),
    "ellipses": lambda case: plots(case).ellipses(),
    "periodic": lambda case: plots(case).periodic(),
    "finder": lambda case: plots(case).finder(),
}
UNIT = re.compile(r"\[(arcsec|arcsec²/Hz|Hz|s|m|px|%|turns)\]")


@pytest.fixture(params=DRAWINGS)
def drawing(request, cases):
    """Return each kind of figure with its name."""
    with draw.figure_style():
        return request.param, DRAWINGS[request.param](cases["yes"])


def test_every_axis_has_a_unit(drawing) -> None:
    name, figure = drawing
    (ax,) = figure.axes
    assert UNIT.search(ax.get_xlabel())
    if name == "coherence":
        assert ax.get_ylabel().startswith("share")
    elif name == "otf":
        assert "1 =" in ax.get_ylabel()
    else:
        assert UNIT.search(ax.get_ylabel())


def test_svg_is_small_well_formed_and_named(drawing) -> None:
    name, figure = drawing
    with draw.figure_style():
        text = draw.svg_text(figure, name, "Title <b>", "Description & more")
    root = ET.fromstring(text)  # noqa: S314 - our own text
    assert root.get("role") == "img"
    ids = [element.get("id") for element in root.iter() if element.get("id")]
    assert len(ids) == len(set(ids))
    assert all(entry.startswith(f"{name}-") for entry in ids)
    assert len(text) < 200_000
    assert "<style" not in text
    assert "metadata" not in text
    assert "Title &lt;b&gt;" in text


def test_svg_is_the_same_each_time(full) -> None:
    texts = []
    for _ in range(2):
        with draw.figure_style():
            figure = plots(full).spectrum()
            texts.append(draw.svg_text(figure, "spectrum", "t", "d"))
    assert texts[0] == texts[1]


def test_palette_colours_become_variables_of_the_page(full) -> None:
    with draw.figure_style():
        text = draw.svg_text(plots(full).ellipses(), "w", "t", "d")
    assert "var(--structure, #8c1f6b)" in text
    # No colour of the drawing is left that the looks could not change.
    styles = " ".join(re.findall(r'style="([^"]*)"', text))
    bare = re.sub(r"var\(--[a-z]+, #[0-9a-f]{6}\)", "", styles)
    assert not re.search(r"(fill|stroke): #", bare)


def test_drawing_uses_the_axes_it_is_given(full) -> None:
    from matplotlib.figure import Figure

    left, right = Figure().subplots(1, 2)
    assert plots(full).motion("x", ax=left) is left.get_figure()
    plots(full).motion("y", ax=right)
    assert "along x" in left.get_ylabel()
    assert "along y" in right.get_ylabel()


def test_drawing_follows_the_style_of_axes_of_somebodys_own(full) -> None:
    import matplotlib as mpl
    from matplotlib.figure import Figure

    with mpl.rc_context({"text.color": "#00ff00"}):
        ax = Figure().subplots()
        plots(full).spectrum(ax)
        own = plots(full).spectrum()
    assert {text.get_color() for text in ax.get_legend().get_texts()} == {"#00ff00"}
    assert {text.get_color() for text in own.legends[0].get_texts()} != {"#00ff00"}


def test_a_figure_whose_data_are_not_there_is_refused(full) -> None:
    bare = draw.Plots(full.result.model_copy(deep=True), Series({}))
    bare._result.tracking.phase_curves = []
    for name in ("spectrum", "motion", "by_time", "pairs", "otf", "shape", "finder", "periodic"):
        with pytest.raises(InputError, match="holds no"):
            getattr(bare, name)()


def test_drawing_opens_no_window_and_keeps_settings(full) -> None:
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    with draw.figure_style():
        plots(full).pairs()
    assert dict(mpl.rcParams) == before


def test_mathematical_markup_in_a_name_stays_text(full) -> None:
    with draw.figure_style():
        figure = plots(full).motion("x")
        figure.axes[0].set_title("$\\frac{1}{2}$ <script>alert(1)</script>")
        text = draw.svg_text(figure, "m", "t", "d")
    assert "$\\frac{1}{2}$ &lt;script" in text


def test_decimate_keeps_extremes_and_gaps() -> None:
    y = np.sin(np.arange(20_000) / 50.0)
    y[12_345], y[5_000:6_000] = 7.0, np.nan
    x, thin = draw.decimate(np.arange(20_000), y, 600)
    assert x.size <= 600
    assert np.all(np.diff(x) > 0)
    assert np.nanmax(thin) == 7.0
    assert np.isnan(thin[(x > 5_100) & (x < 5_900)]).all()


def test_decimate_for_a_logarithmic_axis_keeps_the_first_samples() -> None:
    x, _ = draw.decimate(np.arange(1, 5001), np.ones(5000), 400, logarithmic=True)
    assert_allclose(x[:4], [1, 2, 3, 4])


def test_block_means_keep_the_mean_of_what_is_finite() -> None:
    y = np.arange(1000.0)
    y[10] = np.nan
    (thin,) = block_means([y], 100)
    assert thin.size == 100
    assert_allclose(thin[0], np.arange(10.0).mean())
    assert_allclose(thin[1], np.arange(11.0, 20.0).mean())


def test_many_pairs_are_joined_without_changing_their_variance() -> None:
    rng = np.random.default_rng(3)
    separation, rms = rng.uniform(0, 100, 1500), rng.uniform(0.1, 0.3, 1500)
    x, y = binned_pairs(separation, rms)
    assert x.size == FIGURE_PAIRS
    # 1500 pairs in 150 equal groups: the mean square is the mean of the groups' mean squares
    assert_allclose(np.mean(y**2), np.mean(rms**2), rtol=1e-12)


def _oriented(angle_of_y: float, *, flip: bool | None, angle: float, position: float) -> Result:
    def exact(value: float) -> Estimate:
        return Estimate(value=value, low=value - 1, high=value + 1)

    setup = {"position_angle_deg": Setting(value=angle_of_y, origin="header")}
    if flip is not None:
        setup["flip"] = Setting(value=flip, origin="header")
    return Result(
        sequence=SequenceInfo(files=1, frames=10, frames_used=10, stars_used=4),
        setup=setup,
        structure=Structure(
            rms_major_arcsec=exact(1.0),
            angle_deg=exact(angle),
            position_angle_deg=exact(position),
        ),
    )


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle_of_y", [0.0, 30.0, 200.0])
def test_north_agrees_with_a_celestial_coordinate_system(angle_of_y: float, mirrored: bool) -> None:
    """Against astropy's own projection: step to the north and east of the field's centre."""
    from astropy.wcs import WCS

    turn = np.radians(angle_of_y)
    side = 1.0 if mirrored else -1.0  # direction of east for the +x axis when +y is north
    # Columns of CD: where a step along +x and +y goes in (east, north).
    step_y = np.array([np.sin(turn), np.cos(turn)])
    step_x = side * np.array([np.cos(turn), -np.sin(turn)])
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix = [80.0, 0.0], [1.0, 1.0]
    wcs.wcs.cd = np.column_stack([step_x, step_y]) / 3600.0
    result = _oriented(angle_of_y, flip=mirrored, angle=0.0, position=0.0)
    found = result.north_in_image()
    assert found is not None
    for angle, sky in zip(found, ((80.0, 10 / 3600), (80.0 + 10 / 3600, 0.0)), strict=True):
        x, y = wcs.world_to_pixel_values(*sky)
        expected = np.degrees(np.arctan2(y, x))
        # ten pixels on a plane tangent within arcseconds: the angles agree to rounding
        assert_allclose((angle - expected + 180) % 360 - 180, 0.0, atol=1e-3)


def test_handedness_follows_from_a_known_direction() -> None:
    plain = _oriented(180.0, flip=None, angle=24.0, position=114.0)
    mirrored = _oriented(180.0, flip=None, angle=24.0, position=66.0)
    assert (
        plain.north_in_image() == _oriented(180.0, flip=False, angle=0, position=0).north_in_image()
    )
    assert (
        mirrored.north_in_image()
        == _oriented(180.0, flip=True, angle=0, position=0).north_in_image()
    )


def test_north_is_not_claimed_when_the_image_may_be_mirrored() -> None:
    # along +y both hands give the same position angle
    assert _oriented(30.0, flip=None, angle=90.0, position=30.0).north_in_image() is None


def test_stars_share_one_scale_of_angle_and_brightness(full) -> None:
    made = [
        draw.draw_star(
            full.series.images[name], pixel_scale_arcsec=0.2, half_size=4.0, white=2.5
        ).axes[0]
        for name in ("recorded", "without_both")
    ]
    assert made[0].get_xlim() == made[1].get_xlim() == (-4.0, 4.0)
    sharp, recorded = made[1].images[0].get_array().max(), made[0].images[0].get_array().max()
    assert sharp > recorded


def test_plus_y_is_up_in_star_and_finder(full) -> None:
    for figure in (draw.draw_star(np.ones((5, 5))), plots(full).finder()):
        bottom, top = figure.axes[0].get_ylim()
        assert top > bottom


def test_half_maximum_ring_has_the_width_of_the_star() -> None:
    y, x = np.mgrid[:65, :65] - 32.0
    image = np.exp(-0.5 * (x**2 + y**2) / 6.0**2)
    ax = draw.draw_star(image, pixel_scale_arcsec=0.5).axes[0]
    (contour,) = ax.collections
    corners = contour.get_paths()[0].vertices
    # FWHM of a Gaussian is 2.3548 sigma; the contour interpolates linearly between pixels, an
    # error of at most 1/8 px^2 times the curvature, far under 1 percent here.
    assert_allclose(np.ptp(corners[:, 0]), 2.3548 * 6.0 * 0.5, rtol=0.01)


@pytest.mark.parametrize(
    ("value", "text"), [(0.01, "0.01"), (1, "1"), (1000, "1000"), (1e-6, "10⁻⁶"), (3.0, "")]
)
def test_ticks_of_logarithmic_axes_are_plain(value: float, text: str) -> None:
    assert power_label(value) == text
