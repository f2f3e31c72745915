"""A second camera in the whole measurement: frames of both, and what is refused in one line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from blursplit.budget.witnesses import _weigh_second_camera, _Weighed
from blursplit.errors import InputError
from blursplit.evidence.guest import Record
from blursplit.measure import measure
from blursplit.rig import Rig
from blursplit.simulate import Scene, write_sequence
from blursplit.sources import Source
from waist import draw_tracks

SCENE = {
    "telescope": {"aperture_m": 0.2, "obstruction": 0.3},
    "camera": {"width_px": 100, "height_px": 80, "exposure_s": 0.01, "frame_interval_s": 0.04},
    "air": {
        "r0_500nm_zenith_m": 0.12,
        "layers": [
            {"height_m": 20, "weight": 0.3, "wind_m_s": 5},
            {"height_m": 6000, "weight": 0.7, "wind_m_s": 15, "direction_deg": 70},
        ],
    },
    "second_camera": {
        "baseline_m": [0.3, 0.0],
        "angle_deg": 30.0,
        "telescope": {"aperture_m": 0.07},
        "camera": {
            "pixel_scale_arcsec": 1.0,
            "width_px": 64,
            "height_px": 64,
            "exposure_s": 0.02,
            "frame_interval_s": 0.05,
        },
        "stars": {"star": [{"x_px": 31.5, "y_px": 31.5, "flux_e_per_s": 4e6}]},
    },
    "stars": {
        "star": [
            {"x_px": 49.5, "y_px": 39.5, "flux_e_per_s": 8e6},
            {"x_px": 25.0, "y_px": 50.0, "flux_e_per_s": 5e6},
            {"x_px": 75.0, "y_px": 25.0, "flux_e_per_s": 5e6},
        ]
    },
    "sequence": {"frames": 1000, "start_utc": "2026-03-04T21:30:00Z"},
}
SHAKEN = {"wind_shake": {"rms_arcsec": 0.45, "corner_hz": 3.0, "second_rms_arcsec": 0.4}}
WARM = {"near_air": {"strength": 3.0, "outer_scale_m": 1.0}}


@pytest.mark.slow
def test_frames_of_two_cameras_tell_shake_from_near_air(tmp_path):
    """No line to go by, sizes alike: mechanics with the one, near air with the other."""
    verdicts, witnesses = [], []
    for name, change in (("shaken", SHAKEN), ("warm", WARM)):
        write_sequence(Scene.model_validate(SCENE | change), tmp_path / name, seed=11)
        run = tmp_path / name
        if name == "warm":  # such air goes too little with itself to tell the turn
            with (run / "setup.toml").open("a") as setup:
                setup.write("angle_deg = 30.0\n")
        night = measure(
            run / "sequence.fits", run / "setup.toml", second_camera=run / "second/sequence.fits"
        )
        verdicts.append(night.verdict.matters)
        witnesses.append(night.result.witnesses[0])
        assert night.result.fit.r_hat_max <= 1.02
    shaken, warm = witnesses
    assert verdicts[0]["mechanics"] == "yes"
    assert verdicts[1]["mechanics"] == "no"
    assert verdicts[1]["near_air"] == "yes"
    # one axis of 0.45 and 0.4 arcsec, less what lies beyond the cameras' band: a tenth
    assert 0.8 * 0.43 < shaken.coherent_rms_arcsec.value < 1.1 * 0.43
    assert abs(shaken.angle_deg.value - 30.0) < 5.0
    assert warm.coherent_rms_arcsec.high95 < 0.25


@pytest.fixture(scope="module")
def pair():
    """Return both cameras' sources, drawn without pixels, and the main one's record."""
    change = {"sequence": {"frames": 600, "seed": 5}} | SHAKEN
    scene = Scene.model_validate(SCENE | change)
    sources = []
    for waist, seen in zip(draw_tracks(scene), (scene, scene.of_second_camera()), strict=True):
        text = [
            f"telescope.aperture_m={seen.telescope.aperture_m}",
            f"camera.pixel_scale_arcsec={seen.camera.pixel_scale_arcsec}",
            "second_camera.baseline_m=[0.3, 0.0]",
            "second_camera.offset_s=[-0.005, 0.005]",
        ]
        rig = Rig.read(None, text)
        sources.append(Source(waist.tracks, rig, "guide", 1, waist.tracks.n_frames))
    return sources


def weigh(main, second, *options):
    """Return what a second camera is worth to a record that nothing else is known of."""
    from blursplit.budget.line_search import Lines
    from blursplit.budget.record import Motion
    from blursplit.rig import Rig

    rig = Rig(main.rig.settings, Rig.read(None, options).setup) if options else main.rig
    record = Record.of(main.tracks, rig.with_header({}), None)
    none = np.zeros(0)
    lines = Lines(None, (), none, none, None, {})
    second = replace(second, rig=second.rig.with_header({}))
    so_far = _Weighed(Motion.of(record), lines)
    return _weigh_second_camera(record, so_far, second, 1)


def test_an_unknown_clock_without_a_line_is_not_used(pair):
    """Air that blows along the baseline looks like a late clock: nothing is claimed."""
    record, weighed = weigh(*pair, "second_camera.baseline_m=[0.3, 0.0]")
    assert record.guests == ()
    assert weighed.said[0].code == "second-camera-clock"
    assert not weighed.witnesses[0].used


def test_a_star_narrower_than_its_pixels_is_not_used(pair):
    """It is drawn to the middles of the pixels, which would pass for air of its own."""
    main, second = pair
    narrow = replace(second.tracks, width_px=np.full_like(second.tracks.width_px, 0.6))
    record, weighed = weigh(main, replace(second, tracks=narrow))
    assert record.guests == ()
    assert weighed.said[0].code == "second-camera-pixels"
    assert weighed.said[0].facts["width_px"] == pytest.approx(1.41, abs=0.01)


@pytest.mark.parametrize(
    ("change", "options", "words"),
    [
        ({}, ("air.outer_scale_m=[10, 40]",), "baseline_m' is not known"),
        ({}, ("second_camera.baseline_m=[300.0, 0.0]",), "are not 300 m apart"),
        ({"start_utc": "2026-03-04T23:30:00"}, (), r"\+2 h from the frames'.*another time zone"),
        ({"start_utc": "2026-03-05T21:41:00"}, (), "no sample while the frames were taken"),
        ({"exposure_s": None}, (), "are not known.*SEQUENCE@SETUP"),
    ],
)
def test_bad_input_is_refused_in_one_line(pair, change, options, words):
    """Each names what is wrong and the remedy."""
    main, second = pair
    main = replace(main, tracks=replace(main.tracks, start_utc="2026-03-04T21:30:00"))
    tracks = replace(second.tracks, start_utc="2026-03-04T21:30:00")
    with pytest.raises(InputError, match=words) as error:
        weigh(main, replace(second, tracks=replace(tracks, **change)), *options)
    assert "\n" not in str(error.value)


def test_the_sequence_itself_is_no_second_camera(pair):
    """The same frames twice would have no difference at all."""
    with pytest.raises(InputError, match="is the measured sequence itself"):
        weigh(pair[0], pair[0])
