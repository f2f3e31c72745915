"""What is known of the instrument: origins and their order, and a setup file of any content."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blursplit.errors import BlursplitError, InputError
from blursplit.rig import (
    DEFAULTS,
    ORIGINS_WEAKEST_FIRST,
    Instrument,
    Known,
    Setup,
    assemble,
    read_setup,
)

FUZZ = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def test_the_stronger_origin_wins_whatever_the_order():
    for first in ORIGINS_WEAKEST_FIRST:
        for second in ORIGINS_WEAKEST_FIRST:
            known = (
                Instrument().with_known("airmass", 1.1, first).with_known("airmass", 1.2, second)
            )
            rank = ORIGINS_WEAKEST_FIRST.index
            expected = first if rank(first) > rank(second) else second
            assert known.origin("airmass") == expected


def test_options_beat_the_file_and_the_file_beats_the_header(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text("[telescope]\naperture_m = 0.25\nobstruction = 0.3\n")
    setup, origins = read_setup(path, ["telescope.aperture_m=0.2"])
    header = {key: Known(9.0, "header") for key in ("aperture_m", "obstruction", "exposure_s")}
    instrument = assemble(setup, origins, header)
    found = {key: (entry.value, entry.origin) for key, entry in instrument.known.items()}
    assert found["aperture_m"] == (0.2, "option")
    assert found["obstruction"] == (0.3, "setup file")
    assert found["exposure_s"] == (9.0, "header")
    assert found["outer_scale_m"] == (DEFAULTS["outer_scale_m"], "default")


def test_scale_follows_from_pixel_and_focal_length_with_the_weaker_origin():
    """3.76 um at 1 m: 206264.806 x 3.76e-6 = 0.7756 arcsec."""
    setup = Setup.model_validate({"telescope": {"focal_length_m": 1.0}})
    instrument = assemble(setup, {"focal_length_m": "option"}, {"pixel_um": Known(3.76, "header")})
    entry = instrument.known["pixel_scale_arcsec"]
    assert entry.value == pytest.approx(0.77556, rel=1e-4)
    assert entry.origin == "header"


@pytest.mark.parametrize(
    ("option", "told"),
    [
        ("aperture_m=0.2", "is not SECTION.KEY=VALUE"),
        ("telescope.aperture_m", "is not SECTION.KEY=VALUE"),
        ("telescope.aperture_m=nan", "key 'telescope.aperture_m'"),
        ("telescope.aperture_m=-0.2", "key 'telescope.aperture_m'"),
        ("telescope.aperture_m='a\nb'", "key 'telescope.aperture_m'"),
        ("telescop.aperture_m=0.2", "key 'telescop'"),
        ("camera.row_order=sideways", "key 'camera.row_order'"),
        ("known_lines.name=fan", "key 'known_lines'"),
        ("air.band_nm=[500]", "key 'air.band_nm'"),
    ],
)
def test_a_wrong_option_is_named(option, told):
    with pytest.raises(InputError) as caught:
        read_setup(None, [option])
    assert told in str(caught.value)


@pytest.mark.parametrize("option", ["camera.row_order=first-row-first", "mount.kind='altazimuth'"])
def test_words_need_no_quotation_marks(option):
    setup, origins = read_setup(None, [option])
    assert "option" in origins.values()
    assert setup.mount.kind == "altazimuth" or setup.camera.row_order == "first-row-first"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"\xff\xfe", "is not UTF-8 text"),
        (b"[telescope", "is not valid TOML"),
        (b"a = " + b"[" * 20_000, "is not valid TOML"),
        (b"known_lines = 3", "key 'known_lines'"),
        (None, "cannot be read"),
    ],
)
def test_a_file_that_is_no_setup_is_told(tmp_path, content, told):
    path = tmp_path / "rig.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        read_setup(path)
    assert told in str(caught.value)
    assert "rig.toml" in str(caught.value)


NAMES = sorted(
    {*Setup.model_fields, "aperture_m", "pixel_um", "kind", "band_nm", "name", "frequency_hz"}
)
VALUES = st.recursive(
    st.one_of(
        st.sampled_from(["1", "-1", "1e999", "nan", "0x10", "'text'", "true", "1979-05-27", "''"]),
        st.integers(-(10**30), 10**30).map(str),
        st.floats(allow_nan=True, allow_infinity=True).map(repr),
    ),
    lambda inner: st.lists(inner, max_size=3).map(lambda parts: "[" + ", ".join(parts) + "]"),
    max_leaves=6,
)
LINES = st.one_of(
    st.sampled_from(NAMES).map(lambda name: f"[{name}]"),
    st.sampled_from(NAMES).map(lambda name: f"[[{name}]]"),
    st.tuples(st.sampled_from(NAMES), VALUES).map(" = ".join),
    st.text(max_size=12),
)


@FUZZ
@given(lines=st.lists(LINES, max_size=8))
def test_a_setup_of_any_content_is_read_or_refused_in_our_own_words(tmp_path, lines):
    path = tmp_path / "rig.toml"
    path.write_bytes("\n".join(lines).encode("utf-8", "surrogatepass"))
    with contextlib.suppress(BlursplitError):
        setup, origins = read_setup(path)
        assert set(assemble(setup, origins, {}).known) >= set(DEFAULTS)


@FUZZ
@given(name=st.sampled_from(NAMES), key=st.sampled_from(NAMES), value=VALUES | st.text(max_size=9))
def test_an_option_of_any_content_is_read_or_refused_in_our_own_words(name, key, value):
    with contextlib.suppress(BlursplitError):
        read_setup(None, [f"{name}.{key}={value}"])


@FUZZ
@given(content=st.binary(max_size=200))
def test_bytes_of_any_kind_are_read_or_refused_in_our_own_words(tmp_path, content):
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with contextlib.suppress(BlursplitError):
        read_setup(path)
