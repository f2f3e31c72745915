"""What is known of telescope, camera, mount, pier and site, and from where it is known."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from blursplit.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

Origin = Literal["header", "setup file", "option", "default", "measured"]
ORIGINS_WEAKEST_FIRST: tuple[Origin, ...] = (
    "default",
    "measured",
    "header",
    "setup file",
    "option",
)

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
PositiveRange = Annotated[list[Positive], Field(min_length=2, max_length=2)]


class _Section(BaseModel):
    """A table of the setup file; unknown keys are refused, so that a typing error shows."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Telescope(_Section):
    """Aperture and optics."""

    aperture_m: Positive | None = None
    obstruction: Annotated[float, Field(ge=0, lt=0.95)] | None = None
    focal_length_m: Positive | None = None
    instrument_fwhm_arcsec: Positive | None = None
    focus_position: Finite | None = None
    focus_step_um: Positive | None = None


class Camera(_Section):
    """Pixels, timing and electronics."""

    pixel_um: Positive | None = None
    pixel_scale_arcsec: Positive | None = None
    frame_interval_s: Positive | None = None
    exposure_s: Positive | None = None
    gain_e_per_adu: Positive | None = None
    read_noise_e: NotNegative | None = None
    saturation_adu: Positive | None = None
    row_time_us: NotNegative | None = None
    row_order: Literal["first-row-first", "last-row-first"] | None = None
    position_angle_deg: Finite | None = None
    time_stamps: Literal["hardware", "software"] | None = None


class Mount(_Section):
    """Drives and guiding."""

    kind: Literal["equatorial", "altazimuth"] | None = None
    worm_period_s: list[Positive] | None = None
    wheel_teeth: list[Annotated[int, Field(ge=10)]] | None = None
    ra_angle_deg: Finite | None = None
    drive: Literal["on", "off"] | None = None
    guide_period_s: Positive | None = None


class Mask(_Section):
    """A mask with two openings on one star."""

    opening_m: Positive | None = None
    separation_m: Positive | None = None
    angle_deg: Finite | None = None
    split_arcsec: Positive | None = None


class Air(_Section):
    """What is assumed of the turbulence."""

    wavelength_nm: Annotated[float, Field(gt=200, lt=30000)] | None = None
    band_nm: PositiveRange | None = None
    outer_scale_m: PositiveRange | None = None
    wind_m_s: PositiveRange | None = None


class Site(_Section):
    """Where the telescope stands, and what runs there."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    height_m: Annotated[float, Field(ge=-450, le=9000)] | None = None
    mains_hz: Literal[50, 60] | None = None
    fan_rpm: list[Positive] | None = None


class KnownLine(_Section):
    """A source of vibration that the user knows of."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    frequency_hz: Positive
    tolerance_hz: Positive | None = None


class Setup(BaseModel):
    """The setup file: every key optional, `pier` is read by the pier model itself.

    Examples
    --------
    >>> from blursplit import Setup
    >>> setup = Setup.model_validate({"telescope": {"aperture_m": 0.2}})
    >>> setup.telescope.aperture_m
    0.2
    >>> setup.camera.pixel_scale_arcsec is None
    True
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    telescope: Telescope = Telescope()
    camera: Camera = Camera()
    mount: Mount = Mount()
    mask: Mask = Mask()
    air: Air = Air()
    site: Site = Site()
    known_lines: list[KnownLine] = Field(default_factory=list)
    pier: dict[str, Any] = Field(default_factory=dict)


@dataclass(frozen=True)
class Known:
    """A value and where it came from."""

    value: Any
    origin: Origin
    note: str = ""


DEFAULTS: dict[str, Any] = {
    "obstruction": 0.0,
    "outer_scale_m": [10.0, 50.0],
    "wind_m_s": [2.0, 30.0],
    "wavelength_nm": 550.0,
    "airmass": 1.0,
    "row_time_us": 0.0,
    "time_stamps": "software",
}


@dataclass(frozen=True)
class Instrument:
    """Everything known before the measurement, each value with its origin.

    Keys are those of the setup file without their section, with `mount_kind` for `mount.kind`
    and `mask_` in front of the mask's; headers add `airmass` and others.
    """

    known: Mapping[str, Known] = field(default_factory=dict)
    setup: Setup = field(default_factory=Setup)

    def get(self, key: str) -> Any:
        """Return the value of `key`, or None where nothing is known."""
        entry = self.known.get(key)
        return None if entry is None else entry.value

    def origin(self, key: str) -> Origin | None:
        """Return where the value of `key` came from."""
        entry = self.known.get(key)
        return None if entry is None else entry.origin

    def with_known(self, key: str, value: Any, origin: Origin, note: str = "") -> Instrument:
        """Return a copy in which `key` is known, unless a stronger origin has already said it."""
        old = self.known.get(key)
        if old is not None and _strength(old.origin) > _strength(origin):
            return self
        return replace(self, known={**self.known, key: Known(value, origin, note)})


def _strength(origin: Origin) -> int:
    return ORIGINS_WEAKEST_FIRST.index(origin)


def flat_key(section: str, key: str) -> str:
    """Return the name under which a key of the setup file is known everywhere else."""
    if section == "mask" or (section, key) == ("mount", "kind"):
        return f"{section}_{key}"
    return key


def read_setup(path: Path | None, options: Iterable[str] = ()) -> tuple[Setup, dict[str, Origin]]:
    """Read a setup file and the `section.key=value` options that override it.

    Parameters
    ----------
    path : Path or None
        TOML file.
    options : iterable of str
        Overrides such as ``telescope.aperture_m=0.2``; values in TOML notation, bare words
        are taken as strings.

    Returns
    -------
    setup : Setup
    origins : dict
        Flat key -> "setup file" or "option".

    Raises
    ------
    InputError
        When the file or an option cannot be read; names the key.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit import read_setup
    >>> setup, origins = read_setup(Path("rig.toml"), ["camera.frame_interval_s=0.02"])
    >>> setup.telescope.aperture_m, origins["aperture_m"]
    (0.25, 'setup file')
    >>> setup.camera.frame_interval_s, origins["frame_interval_s"]
    (0.02, 'option')
    """
    tables: dict[str, Any] = {}
    if path is not None:
        tables = read_toml(path)
    origins: dict[str, Origin] = {}
    for section, content in tables.items():
        if isinstance(content, dict):
            origins.update({flat_key(section, key): "setup file" for key in content})
    for option in options:
        section, key, value = _parse_option(option)
        table = tables.setdefault(section, {})
        if not isinstance(table, dict):
            raise InputError(option, "this section holds no keys", "see the setup file's format")
        table[key] = value
        origins[flat_key(section, key)] = "option"
    source = str(path) if path is not None else "--set"
    try:
        setup = Setup.model_validate(tables)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        remedy = (
            "remove it or correct its spelling"
            if first["type"] == "extra_forbidden"
            else f"got {first['input']!r}"
        )
        raise InputError(source, f"key '{where}': {first['msg'].lower()}", remedy) from error
    return setup, origins


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file, or raise InputError with the line at fault."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(path, "cannot be read", f"check the path ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise InputError(path, "is not UTF-8 text", "save it as UTF-8") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(path, f"is not valid TOML: {error}", "correct that line") from error


def _parse_option(option: str) -> tuple[str, str, Any]:
    name, equals, text = option.partition("=")
    section, dot, key = name.strip().partition(".")
    if not (equals and dot and section and key):
        raise InputError(
            f"--set {option}", "is not SECTION.KEY=VALUE", "write e.g. telescope.aperture_m=0.2"
        )
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        value = text.strip()
    return section, key, value


def assemble(
    setup: Setup, origins: Mapping[str, Origin], header: Mapping[str, Known]
) -> Instrument:
    """Join setup file, options, headers and defaults; the stronger origin wins."""
    instrument = Instrument(setup=setup)
    for key, value in DEFAULTS.items():
        instrument = instrument.with_known(key, value, "default")
    for key, entry in header.items():
        instrument = instrument.with_known(key, entry.value, entry.origin, entry.note)
    for section in ("telescope", "camera", "mount", "mask", "air", "site"):
        for key, value in getattr(setup, section).model_dump(exclude_none=True).items():
            name = flat_key(section, key)
            instrument = instrument.with_known(name, value, origins.get(name, "setup file"))
    if instrument.get("pixel_scale_arcsec") is None:
        instrument = _scale_from_optics(instrument)
    return instrument


def _scale_from_optics(instrument: Instrument) -> Instrument:
    pixel_um, focal_m = instrument.get("pixel_um"), instrument.get("focal_length_m")
    if not (pixel_um and focal_m):
        return instrument
    weaker: Origin = min(
        (instrument.known["pixel_um"].origin, instrument.known["focal_length_m"].origin),
        key=_strength,
    )
    scale = 206264.806 * pixel_um * 1e-6 / focal_m
    return instrument.with_known(
        "pixel_scale_arcsec", scale, weaker, "pixel size / focal length (binning as in the header)"
    )
