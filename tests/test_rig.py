"""What is known of the instrument: origins and their order, and a setup file of any content."""

from __future__ import annotations

import contextlib
import re

import astropy.units as u
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from blursplit.errors import BlursplitError, InputError
from blursplit.rig import (
    DEFAULTS,
    ORIGINS_WEAKEST_FIRST,
    Rig,
    Setting,
    Setup,
    _keywords,
)

FUZZ = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


def test_the_stronger_origin_wins_whatever_the_order():
    for first in ORIGINS_WEAKEST_FIRST:
        for second in ORIGINS_WEAKEST_FIRST:
            known = Rig().with_setting("airmass", 1.1, first).with_setting("airmass", 1.2, second)
            rank = ORIGINS_WEAKEST_FIRST.index
            expected = first if rank(first) > rank(second) else second
            assert known.origin("airmass") == expected


def test_options_beat_the_file_and_the_file_beats_the_header(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text("[telescope]\naperture_m = 0.25\nobstruction = 0.3\n")
    declared = Rig.read(str(path), ["telescope.aperture_m=0.2"])
    header = {key: Setting(9.0, "header") for key in ("aperture_m", "obstruction", "exposure_s")}
    rig = declared.with_header(header)
    found = {key: (entry.value, entry.origin) for key, entry in rig.settings.items()}
    assert found["aperture_m"] == (0.2, "option")
    assert found["obstruction"] == (0.3, "setup file")
    assert found["exposure_s"] == (9.0, "header")
    assert found["outer_scale_m"] == (DEFAULTS["outer_scale_m"], "default")


def test_scale_follows_from_pixel_and_focal_length_with_the_weaker_origin():
    """3.76 um at 1 m: 206264.806 x 3.76e-6 = 0.7756 arcsec."""
    rig = Rig(focal_length_m=1.0).with_header({"pixel_um": Setting(3.76, "header")})
    entry = rig.settings["pixel_scale_arcsec"]
    assert entry.value == pytest.approx(0.77556, rel=1e-4)
    assert entry.origin == "header"


def test_a_rig_is_made_of_quantities_in_any_unit_and_gives_them_back():
    rig = Rig(
        aperture=25 * u.cm,
        obstruction=0.3,
        outer_scale=[1000, 4000] * u.cm,
        mount_kind="equatorial",
        known_lines={"fan": 3000 / u.min},
    )
    assert (rig.aperture, rig.obstruction) == (0.25 * u.m, 0.3)
    assert rig.get("outer_scale_m") == [10.0, 40.0]
    assert rig.setup.mount.kind == "equatorial"
    assert rig.setup.known_lines[0].frequency_hz == pytest.approx(50.0)
    assert rig.pixel_scale is None
    assert {entry.origin for entry in rig.settings.values()} == {"option"}


def test_a_rig_says_the_same_from_python_as_from_a_file(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text("[telescope]\naperture_m = 0.25\n[camera]\npixel_scale_arcsec = 0.8\n")
    made = Rig(aperture_m=0.25, pixel_scale=0.8 * u.arcsec)
    assert made.setup == Rig.read(path).setup == Rig.of(str(path)).setup
    assert Rig.of(made) is made
    assert not Rig.of(None).settings


def test_every_key_of_the_setup_file_has_a_keyword_of_its_own():
    assert len(_keywords()) == len(Setup.places())
    for keyword, (_, unit) in _keywords().items():
        assert not unit or u.Unit(unit)
        assert keyword.isidentifier()


@pytest.mark.parametrize(
    ("values", "told"),
    [
        ({"aperture": 0.25}, "aperture needs a unit"),
        ({"aperture": 25 * u.s}, "aperture is in s, which is no m"),
        ({"apertur": 0.25 * u.m}, "did you mean 'aperture'?"),
    ],
)
def test_a_wrong_keyword_is_named(values, told):
    with pytest.raises(TypeError, match=re.escape(told)):
        Rig(**values)


def test_a_value_that_no_rig_has_is_named():
    with pytest.raises(InputError, match=re.escape("key 'telescope.aperture_m'")):
        Rig(aperture=-1 * u.m)
    with pytest.raises(AttributeError, match="a rig has no 'apertur'"):
        Rig().apertur  # noqa: B018 - the access is the test
    with pytest.raises(TypeError, match="not int"):
        Rig.of(3)


def test_a_rig_shows_its_values_and_where_they_come_from():
    rig = Rig(aperture_m=0.25).with_header({"object": Setting("<b>", "header", "OBJECT")})
    assert "aperture_m=0.25" in repr(rig)
    assert "airmass" not in repr(rig)  # a default is nothing that was said
    assert "<td>&lt;b&gt;</td><td>header OBJECT</td>" in rig._repr_html_()


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
        Rig.read(None, [option])
    assert told in str(caught.value)


@pytest.mark.parametrize("option", ["camera.row_order=first-row-first", "mount.kind='altazimuth'"])
def test_words_need_no_quotation_marks(option):
    rig = Rig.read(None, [option])
    assert {entry.origin for entry in rig.settings.values()} == {"option"}
    assert rig.mount_kind == "altazimuth" or rig.row_order == "first-row-first"


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
        Rig.read(path)
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
        assert set(Rig.read(path).with_header({}).settings) >= set(DEFAULTS)


@FUZZ
@given(name=st.sampled_from(NAMES), key=st.sampled_from(NAMES), value=VALUES | st.text(max_size=9))
def test_an_option_of_any_content_is_read_or_refused_in_our_own_words(name, key, value):
    with contextlib.suppress(BlursplitError):
        Rig.read(None, [f"{name}.{key}={value}"])


@FUZZ
@given(content=st.binary(max_size=200))
def test_bytes_of_any_kind_are_read_or_refused_in_our_own_words(tmp_path, content):
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with contextlib.suppress(BlursplitError):
        Rig.read(path)


@pytest.mark.parametrize(
    ("option", "said"),
    [
        ("telescope.aperture_m=200", "did you mean 0.2? the unit is m"),
        ("telescope.focal_length_m=1250", "did you mean 1.25? the unit is m"),
        ("telescope.aperture_m=true", "a number is needed, not true or false"),
        ("camera.row_time_us=1e6", "did you mean 1000? the unit is us"),
        ("camera.exposure_s=3600000", "lies outside of 1e-07 to 100000 s"),
        ("air.wind_m_s=[30, 2]", "give the lower end first: [2, 30]"),
        ("air.band_nm=[700, 500]", "give the lower end first: [500, 700]"),
        ("air.band_nm=[0.5, 0.7]", "did you mean 500? the unit is nm"),
    ],
)
def test_values_in_another_unit_are_refused_with_their_own(option, said):
    """The message names the key, what was meant, and the unit."""
    with pytest.raises(InputError) as refused:
        Rig.read(None, [option])
    assert said in str(refused.value)
    assert option.partition("=")[0] in str(refused.value)
    assert "\n" not in str(refused.value)


def test_an_exposure_longer_than_the_interval_is_refused():
    """Both may be right alone; together they cannot be."""
    with pytest.raises(InputError, match=r"exposure_s.*longer than the interval"):
        Rig.read(None, ["camera.exposure_s=0.5", "camera.frame_interval_s=0.02"])


def test_a_mark_at_the_beginning_of_a_setup_is_skipped(tmp_path):
    """Some editors begin UTF-8 files with a byte order mark."""
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf[telescope]\naperture_m = 0.2\n")
    assert Rig.read(path).get("aperture_m") == 0.2


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"#" * 1_000_001, "is larger than 1 MB"),
        (b"pier = " + b"[" * 5000 + b"]" * 5000, "is not valid TOML"),
        (b"pier" + b".a" * 3000 + b" = 1", "rig.toml"),
    ],
    ids=["huge", "deep", "dotted"],
)
def test_huge_and_deep_setups_are_refused_in_one_line(tmp_path, content, said):
    """A setup file has a few lines; nothing else is read to its end."""
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as refused:
        Rig.read(path)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
