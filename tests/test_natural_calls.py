"""The calls that people try first work as they stand, with quantities and columns in units."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import astropy.units as u
import numpy as np
import pytest
from astropy.table import QTable, Table

import blursplit as bs
from blursplit.errors import InputError, OutputError
from blursplit.simulate import Scene, write_sequence

DATA = Path(__file__).parents[1] / "data"
FRAMES = 120
SCENE = {
    "camera": {"width_px": 128, "height_px": 96, "exposure_s": 0.008, "frame_interval_s": 0.02},
    "air": {"seeing_arcsec": 1.5},
    "stars": {"count": 3, "margin_px": 24},
    "mode": [{"frequency_hz": 8.0, "rms_arcsec": 0.6}],
    "sequence": {"frames": FRAMES, "start_utc": "2026-03-01T20:00:00Z"},
}
LIMITS = """
blur_time_s = 2.0
[limits]
"fwhm.recorded_arcsec" = { at_most = 9.0 }
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """Return a folder with a night, its rig and limits, and what was measured of it."""
    folder = tmp_path_factory.mktemp("desk")
    write_sequence(Scene.model_validate(SCENE), folder / "frames")
    (folder / "frames" / "sequence.fits").rename(folder / "night1.fits")
    (folder / "frames" / "setup.toml").rename(folder / "rig.toml")
    (folder / "limits.toml").write_text(LIMITS)
    return folder


@pytest.fixture(scope="module")
def night(desk):
    return bs.measure(str(desk / "night1.fits"), str(desk / "rig.toml"))


@pytest.fixture(autouse=True)
def _at_the_desk(desk, monkeypatch):
    monkeypatch.chdir(desk)


def test_text_and_path_mean_the_same(night, desk):
    same = bs.measure(desk / "night1.fits", bs.Rig.read("rig.toml"))
    assert same.result.sequence == night.result.sequence
    assert night.result.sequence.frames_used == FRAMES


def test_a_table_of_positions_is_measured_and_the_band_says_so_without_an_exposure():
    positions = Table(QTable.read(DATA / "tracks" / "ringing_pier.csv", comment="#"))
    for column, unit in (("time", "s"), ("x", "arcsec"), ("y", "arcsec"), ("sigma", "arcsec")):
        positions[column].unit = unit
    table = bs.measure(positions, bs.Rig(aperture=0.25 * u.m))
    assert table.result.verdict.level == "positions"
    assert "Hz" in str(table.verdict)
    codes = {remark.code for remark in table.result.warnings}
    assert {"exposure-unknown", "pixels-not-checked"} <= codes
    assert np.abs(table.lines["frequency"][0] - 8.2 * u.Hz) < 0.2 * u.Hz


def test_frames_are_checked_and_the_tracks_kept_of_them_are_too(night):
    """A record measured again from its tracks knows what its pixels said."""
    again = bs.measure(night.tracks, bs.Rig.read("rig.toml"))
    for made in (night, again):
        assert "pixels-not-checked" not in {remark.code for remark in made.result.warnings}
    bare = bs.measure(replace(night.tracks, pixels=None), bs.Rig.read("rig.toml"))
    assert "pixels-not-checked" in {remark.code for remark in bare.result.warnings}


def test_an_array_with_times_gives_what_the_file_gives(night):
    made = bs.simulate(SCENE)
    frames, rig, t = made.frames, made.rig, made.times
    cube = bs.measure(frames, rig, times=t)
    assert cube.result.sequence.frames_used == FRAMES
    assert cube.result.motion.common_rms_x_arcsec.value == pytest.approx(
        night.result.motion.common_rms_x_arcsec.value, rel=1e-3
    )


def test_what_was_measured_prints_and_draws_itself(night):
    print(night.seeing)  # noqa: T201 - as people write it
    night.budget  # noqa: B018 - likewise
    night.lines["frequency"]
    figure = night.plot.spectrum()
    assert figure.axes
    assert night.budget["saving"].unit == u.arcsec
    assert night.lines["frequency"].unit == u.Hz
    assert max(map(len, str(night.budget).splitlines())) < 400
    for shown in (night, night.tracks, bs.Rig(aperture=0.25 * u.m), night.fwhm):
        assert isinstance(shown._repr_html_(), str)


def test_an_estimate_prints_two_figures_of_its_interval_and_its_unit():
    seeing = bs.Estimate(value=1.4213, low=1.371, high=1.4802).in_unit("arcsec")
    assert str(seeing) == "1.421 +0.059 -0.050 arcsec"
    assert (
        str(bs.Estimate(value=None, low=0.0, high=0.1).in_unit("arcsec")) == "< 0.10 arcsec (95 %)"
    )
    assert seeing.quantity == 1.4213 * u.arcsec


def test_a_figure_without_data_is_refused_with_the_reason():
    plain = bs.measure(DATA / "tracks" / "turbulence.csv")
    with pytest.raises(InputError, match="holds no image 'recorded'; see the reasons"):
        plain.plot.star()


def test_saved_read_compared_and_accepted(night, desk):
    night.save("out")
    with pytest.raises(OutputError, match="exists already"):
        night.save("out")
    again = bs.read("out")
    assert again.result.sequence == night.result.sequence
    assert again.tracks.n_frames == FRAMES
    other = bs.measure("out", "rig.toml")
    other.result.sequence.name = "other"
    assert bs.compare([night], [other]).changes
    judged = bs.accept([night], "limits.toml")
    assert judged.judgements[0].key == "fwhm.recorded_arcsec"
    assert bs.accept("out", desk / "limits.toml").state == judged.state
    assert len(bs.accept([night, "out"], "limits.toml").runs) == 2


def test_tracks_are_measured_as_readily():
    tracks = bs.StarTracks.read(DATA / "tracks" / "ringing_pier.csv")
    assert re.fullmatch(r"StarTracks\(800 frames, 4 stars, 20 s, 40 a second\)", repr(tracks))
    assert bs.measure(tracks, bs.Rig(pixel_scale=1 * u.arcsec)).result.sequence.stars_used == 4


def test_the_three_lines_of_the_readme_lead_from_positions_to_a_verdict(monkeypatch, capsys):
    readme = (DATA.parent / "README.md").read_text(encoding="utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", readme, re.DOTALL)
    assert len([line for line in code.splitlines() if line]) == 3
    monkeypatch.chdir(DATA.parent)
    exec(code, {})  # noqa: S102 - what the README tells people to run
    assert re.match(
        r"Your stars moved by at most [\d.]+ arcsec rms between",
        capsys.readouterr().out,
    )


def test_a_plan_takes_quantities():
    run = bs.plan("rig.toml", seeing=2000 * u.mas, duration=2 * u.min)
    assert run.recording.duration_s == 120.0
    with pytest.raises(ValueError, match="arcsec is meant"):
        bs.plan("rig.toml", seeing=2 * u.s)
