"""What is known of telescope, camera, mount, pier and site, and from where it is known."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from blursplit import constants as const
from blursplit.errors import InputError

Origin = Literal["default", "measured", "header", "setup file", "option"]
ORIGINS_WEAKEST_FIRST: tuple[Origin, ...] = get_args(Origin)


def _no_truth(value: Any) -> Any:
    if isinstance(value, bool):
        msg = "a number is needed, not true or false"
        raise ValueError(msg)  # noqa: TRY004 - pydantic turns it into an error by field
    return value


def _rising(pair: list[float]) -> list[float]:
    if not pair[0] <= pair[1]:  # equal ends: a value that is known
        msg = f"give the lower end first: [{pair[1]:g}, {pair[0]:g}]"
        raise ValueError(msg)
    return pair


_Number = Annotated[float, BeforeValidator(_no_truth)]
Positive = Annotated[_Number, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[_Number, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[_Number, Field(allow_inf_nan=False)]
_PAIR = Field(min_length=2, max_length=2)
PositiveRange = Annotated[list[Positive], _PAIR, AfterValidator(_rising)]
FiniteRange = Annotated[list[Finite], _PAIR, AfterValidator(_rising)]


class StrictTable(BaseModel):
    """A table of a file by hand; unknown keys are refused, so that a typing error shows."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    @classmethod
    def from_tables(cls, tables: Mapping[str, Any], source: str | Path, place: str = "") -> Self:
        """Validate the tables of a file by hand; an InputError names the first key at fault.

        `place`: the part of the file that they are.
        """
        try:
            return cls.model_validate(tables)
        except ValidationError as error:
            raise _refusal(error, cls, source, place) from error


class _Telescope(StrictTable):
    """Aperture and optics."""

    aperture_m: Positive | None = None
    obstruction: Annotated[float, Field(ge=0, lt=0.95)] | None = None
    focal_length_m: Positive | None = None
    instrument_fwhm_arcsec: Positive | None = None
    focus_position: Finite | None = None
    focus_step_um: Positive | None = None


class _Camera(StrictTable):
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

    def refuse_interval(self, interval_s: float, source: str | Path) -> None:
        """Refuse an interval between frames that is shorter than the exposure."""
        exposure_s = self.exposure_s
        if exposure_s and exposure_s > const.LONGEST_EXPOSED_SHARE * interval_s:
            problem = f"key 'camera.exposure_s': {exposure_s:g} s is longer than the interval of "
            problem += f"{interval_s:.4g} s between frames"
            raise InputError(source, problem, "give both in seconds")


class _Mount(StrictTable):
    """Drives and guiding."""

    kind: Literal["equatorial", "altazimuth"] | None = None
    worm_period_s: list[Positive] | None = None
    wheel_teeth: list[Annotated[int, Field(ge=10)]] | None = None
    ra_angle_deg: Finite | None = None
    drive: Literal["on", "off"] | None = None
    guide_period_s: Positive | None = None
    lever_m: Positive | None = None


class _Mask(StrictTable):
    """A mask with two openings on one star."""

    opening_m: Positive | None = None
    separation_m: Positive | None = None
    angle_deg: Finite | None = None
    split_arcsec: Positive | None = None


class _Air(StrictTable):
    """What is assumed of the turbulence."""

    wavelength_nm: Annotated[float, Field(gt=200, lt=30000)] | None = None
    band_nm: PositiveRange | None = None
    outer_scale_m: PositiveRange | None = None
    wind_m_s: PositiveRange | None = None


class _Site(StrictTable):
    """Where the telescope stands, and what runs there."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)] | None = None
    longitude_deg: Annotated[float, Field(ge=-360, le=360)] | None = None
    height_m: Annotated[float, Field(ge=-450, le=9000)] | None = None
    mains_hz: Literal[50, 60] | None = None
    fan_rpm: list[Positive] | None = None


class KnownLine(StrictTable):
    """A source of vibration that the user knows of."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    frequency_hz: Positive
    tolerance_hz: Positive | None = None


class SecondCameraSetup(StrictTable):
    """Another camera on the same mount: its own setup file, and how it lies to the main one."""

    setup: str | None = None
    baseline_m: Annotated[list[Finite], _PAIR] | None = None
    angle_deg: Finite | None = None
    mirrored: bool = False
    offset_s: FiniteRange | None = None


class _SensorSetup(StrictTable):
    """A record of a sensor beside the telescope."""

    file: Annotated[str, Field(min_length=1)]
    kind: str | None = None
    columns: list[str] | None = None
    unit: str | None = None
    noise: Positive | None = None
    lever_m: Positive | None = None
    offset_s: FiniteRange | None = None


class Setup(StrictTable):
    """The setup file: every key optional, `pier` is read by the pier model itself.

    Examples
    --------
    >>> from blursplit.rig import Setup
    >>> Setup.model_validate({"telescope": {"aperture_m": 0.2}}).telescope.aperture_m
    0.2
    """

    telescope: _Telescope = _Telescope()
    camera: _Camera = _Camera()
    mount: _Mount = _Mount()
    mask: _Mask = _Mask()
    air: _Air = _Air()
    site: _Site = _Site()
    known_lines: list[KnownLine] = Field(default_factory=list)
    second_camera: SecondCameraSetup = SecondCameraSetup()
    sensor: list[_SensorSetup] = Field(default_factory=list)
    pier: dict[str, Any] = Field(default_factory=dict)

    @staticmethod
    def flat_key(section: str, key: str) -> str:
        """Return the name under which a key of the file is known everywhere else."""
        if section == "mask" or (section, key) == ("mount", "kind"):
            return f"{section}_{key}"
        return key

    @staticmethod
    @lru_cache(maxsize=1)
    def places() -> dict[str, tuple[str, str]]:
        """Return flat key -> (section, key) of everything that the file may say."""
        return {
            Setup.flat_key(section, key): (section, key)
            for section in SECTIONS
            for key in type(getattr(Setup(), section)).model_fields
        }


@dataclass(frozen=True)
class Setting:
    """A value and where it came from."""

    value: Any
    origin: Origin
    note: str = ""


# What is assumed where nobody says otherwise; docs/setup_file.md states the same.
DEFAULTS: dict[str, Any] = {
    "obstruction": 0.0,
    "outer_scale_m": list(const.OUTER_SCALE_RANGE_M),
    "wind_m_s": list(const.WIND_RANGE_M_S),
    "wavelength_nm": const.CAMERA_WAVELENGTH_NM,
    "airmass": 1.0,
    "row_time_us": 0.0,
    "time_stamps": "software",
}
SECTIONS = ("telescope", "camera", "mount", "mask", "air", "site")

# Ending of a setup key -> its unit; the keyword of `Rig` is the key without the ending.
_ENDINGS = {
    "_e_per_adu": "electron / adu",
    "_m_s": "m / s",
    "_rpm": "1 / min",
    "_arcsec": "arcsec",
    "_deg": "deg",
    "_adu": "adu",
    "_um": "um",
    "_us": "us",
    "_nm": "nm",
    "_hz": "Hz",
    "_e": "electron",
    "_m": "m",
    "_s": "s",
}


@dataclass(frozen=True, init=False, repr=False)
class Rig:
    """Telescope, camera, mount and site as far as they are known, each value with its origin.

    Parameters
    ----------
    **values
        What is declared: `aperture`, `obstruction`, `focal_length`, `pixel_scale`, `exposure`,
        `frame_interval`, `mount_kind`, `outer_scale` and all other keys of the setup file, without
        the ending that names their unit, as quantities; or with it, as plain numbers.
        `known_lines` takes names with their frequencies, `pier` the pier's table.

    Raises
    ------
    TypeError
        For a plain number where a unit is needed, and for an unknown name.
    InputError
        For a value out of range; names the key.

    Examples
    --------
    >>> import astropy.units as u
    >>> from blursplit import Rig
    >>> rig = Rig(aperture=25 * u.cm, obstruction=0.3, outer_scale=[10, 40] * u.m)
    >>> rig.aperture, rig.origin("aperture_m")
    (<Quantity 0.25 m>, 'option')
    >>> Rig.read("rig.toml").aperture
    <Quantity 0.25 m>
    """

    settings: Mapping[str, Setting]
    setup: Setup

    def __init__(
        self,
        settings: Mapping[str, Setting] | None = None,
        setup: Setup | None = None,
        **values: Any,
    ) -> None:
        if values:
            setup = _validated(_tables_of(values, setup), "Rig")
            settings = {**(settings or {}), **_declared(setup, {}, "option")}
        object.__setattr__(self, "settings", dict(settings or {}))
        object.__setattr__(self, "setup", setup or Setup())

    @classmethod
    def read(cls, path: str | Path | None = None, options: Iterable[str] = ()) -> Rig:
        """Read a setup file and the `section.key=value` options that override it.

        Parameters
        ----------
        path : str or Path, optional
            TOML file; docs/setup_file.md lists its keys.
        options : iterable of str
            Overrides such as ``telescope.aperture_m=0.2``; values in TOML notation, bare words
            are taken as strings.

        Raises
        ------
        InputError
            When the file or an option cannot be read; names the key.

        Examples
        --------
        >>> from blursplit import Rig
        >>> rig = Rig.read("rig.toml", ["camera.frame_interval_s=0.02"])
        >>> rig.frame_interval, rig.origin("frame_interval_s")
        (<Quantity 0.02 s>, 'option')
        """
        setup, origins = _read_setup(path, options)
        return cls.of_setup(setup, origins)

    @classmethod
    def of_setup(cls, setup: Setup, origins: Mapping[str, Origin] | None = None) -> Rig:
        """Return the rig that a setup and the origins of its keys describe."""
        return cls(_declared(setup, origins or {}, "setup file"), setup)

    def get(self, key: str) -> Any:
        """Return the value of a setup or header key such as "aperture_m", None where unknown."""
        return getattr(self.settings.get(key), "value", None)

    def origin(self, key: str) -> Origin | None:
        """Return where the value of `key` came from."""
        entry = self.settings.get(key)
        return None if entry is None else entry.origin

    def with_setting(self, key: str, value: Any, origin: Origin, note: str = "") -> Rig:
        """Return a copy in which `key` is known, unless a stronger origin has already said it."""
        old = self.settings.get(key)
        if old is not None and _strength(old.origin) > _strength(origin):
            return self
        return Rig({**self.settings, key: Setting(value, origin, note)}, self.setup)

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name not in _keywords():
            msg = f"a rig has no {name!r}; known are {', '.join(sorted(_keywords()))}"
            raise AttributeError(msg)
        key, unit = _keywords()[name]
        value = self.get(key)
        if value is None or not unit:
            return value
        import astropy.units as u

        return u.Quantity(value, unit)

    def __dir__(self) -> list[str]:
        return sorted([*super().__dir__(), *_keywords()])

    def __repr__(self) -> str:
        said = [f"{key}={e.value!r}" for key, e in self.settings.items() if e.origin != "default"]
        return f"Rig({', '.join(said)})"

    def _repr_html_(self) -> str:
        from html import escape

        rows = "".join(
            f"<tr><td>{escape(key)}</td><td>{escape(str(e.value))}</td>"
            f"<td>{escape(' '.join(part for part in (e.origin, e.note) if part))}</td></tr>"
            for key, e in self.settings.items()
        )
        return f"<table><tr><th>key</th><th>value</th><th>origin</th></tr>{rows}</table>"

    @classmethod
    def of(cls, rig: Rig | str | Path | None) -> Rig:
        """Return the rig that a caller means: a rig itself, a setup file, or nothing known."""
        if rig is None or isinstance(rig, cls):
            return rig or cls()
        if isinstance(rig, str | Path):
            return cls.read(rig)
        msg = f"rig must be a Rig or the path of a setup file, not {type(rig).__name__}"
        raise TypeError(msg)

    def with_header(self, header: Mapping[str, Setting]) -> Rig:
        """Join what is declared with headers and defaults; the stronger origin wins."""
        defaults = {key: Setting(value, "default") for key, value in DEFAULTS.items()}
        merged = Rig(defaults, self.setup)
        for key, entry in (*header.items(), *self.settings.items()):
            merged = merged.with_setting(key, entry.value, entry.origin, entry.note)
        if merged.get("pixel_scale_arcsec") is None:
            merged = _scale_from_optics(merged)
        return merged

    def scale_readings(self) -> dict[str, float]:
        """Return every reading of the pixel scale that setup and headers allow [arcsec].

        Where the header's pixel size may or may not include the binning, and nothing else says
        which, both are readings; with another reading the nearer of the two counts.
        """
        readings: dict[str, float] = {}
        if self.origin("pixel_scale_arcsec") in {"setup file", "option"}:
            readings["the setup"] = float(self.get("pixel_scale_arcsec"))
        for key, name in const.SCALE_SOURCES.items():
            if key in self.settings:
                readings[name] = float(self.get(key))
        pixel_um, focal_m = self.get("pixel_um"), self.get("focal_length_m")
        if not (pixel_um and focal_m):
            return readings
        whole = const.ARCSEC_PER_RADIAN * float(pixel_um) * 1e-6 / float(focal_m)
        binning = float(self.get("binning") or 1)
        name, pixel = "pixel size over focal length", self.settings["pixel_um"]
        sure = pixel.origin in {"setup file", "option"} or "CCDXPIXE" in pixel.note
        if binning <= 1 or sure:
            readings[name] = whole
        elif readings:
            known = next(iter(readings.values()))
            two = whole, whole * binning
            readings[name] = min(two, key=lambda one: abs(math.log(one / known)))
        else:
            readings[f"{name}, binning in it"] = whole
            readings[f"{name} times binning"] = whole * binning
        return readings


def _strength(origin: Origin) -> int:
    return ORIGINS_WEAKEST_FIRST.index(origin)


@lru_cache(maxsize=1)
def _keywords() -> dict[str, tuple[str, str]]:
    """Return keyword of `Rig` -> (flat key, unit)."""
    out = {}
    for key in Setup.places():
        ending = next((e for e in _ENDINGS if key.endswith(e)), "")
        out[key.removesuffix(ending)] = (key, _ENDINGS.get(ending, ""))
    return out


def _tables_of(values: Mapping[str, Any], setup: Setup | None) -> dict[str, Any]:
    """Return the tables of a setup file that says what the keywords of `Rig` say."""
    import astropy.units as u

    tables: dict[str, Any] = {} if setup is None else setup.model_dump(exclude_none=True)
    for name, value in values.items():
        if name == "known_lines":
            tables[name] = [
                {"name": line, "frequency_hz": float(u.Quantity(f).to_value(u.Hz))}
                for line, f in value.items()
            ]
            continue
        if name == "pier":
            tables[name] = dict(value)
            continue
        key, unit = _keywords().get(name, (name, ""))
        if key not in Setup.places():
            near = get_close_matches(name, [*_keywords(), *Setup.places()], n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            msg = f"Rig has no keyword {name!r}{hint}"
            raise TypeError(msg)
        if unit:
            if not hasattr(value, "unit"):
                msg = f"{name} needs a unit, e.g. {name}={value} * u.Unit({unit!r}), or say {key}"
                raise TypeError(msg)
            try:
                value = value.to_value(unit).tolist()  # noqa: PLW2901 - now without its unit
            except u.UnitConversionError as error:
                msg = f"{name} is in {value.unit}, which is no {unit}"
                raise TypeError(msg) from error
        section, place = Setup.places()[key]
        tables.setdefault(section, {})[place] = value
    return tables


def _declared(setup: Setup, origins: Mapping[str, Origin], otherwise: Origin) -> dict[str, Setting]:
    """Return the settings that a setup file and options make."""
    return {
        Setup.flat_key(section, key): Setting(
            value, origins.get(Setup.flat_key(section, key), otherwise)
        )
        for section in SECTIONS
        for key, value in getattr(setup, section).model_dump(exclude_none=True).items()
    }


def _read_setup(path: str | Path | None, options: Iterable[str]) -> tuple[Setup, dict[str, Origin]]:
    """Return what a setup file and options say, and flat key -> "setup file" or "option"."""
    tables: dict[str, Any] = {}
    if path is not None:
        tables = read_toml(path)
        _resolve_files(tables, Path(path).parent)
    origins: dict[str, Origin] = {}
    for section, content in tables.items():
        if isinstance(content, dict):
            origins.update({Setup.flat_key(section, key): "setup file" for key in content})
    for option in options:
        section, key, value = _parse_option(option)
        table = tables.setdefault(section, {})
        if not isinstance(table, dict):
            raise InputError(option, "this section holds no keys", "see the setup file's format")
        table[key] = value
        origins[Setup.flat_key(section, key)] = "option"
    return _validated(tables, "--set" if path is None else path), origins


def _resolve_files(tables: dict[str, Any], folder: Path) -> None:
    """Let files that a setup file names stand beside it."""
    sensors = tables.get("sensor")
    named = [(one, "file") for one in (sensors if isinstance(sensors, list) else ())]
    for table, key in (*named, (tables.get("second_camera"), "setup")):
        if isinstance(table, dict) and isinstance(table.get(key), str):
            table[key] = str(folder / table[key])


def _validated(tables: dict[str, Any], source: str | Path) -> Setup:
    try:
        setup = Setup.from_tables(tables, source)
    except RecursionError as error:
        raise InputError(source, "is nested too deeply", "see the setup file's format") from error
    _check_plausible(setup, source)
    return setup


def _refusal(
    error: ValidationError, model: type[BaseModel], source: str | Path, table: str
) -> InputError:
    """Return the refusal of a file by hand: the first key at fault, what is wrong, what to do.

    `model`: what the file was held against. `table`: the part of the file that it describes.
    """
    first = error.errors()[0]
    where = ".".join(str(part) for part in (table, *first["loc"]) if part != "")
    said = first["msg"].removeprefix("Value error, ")
    said = f"{said[:1].lower()}{said[1:]}"
    if first["type"] == "extra_forbidden":
        said, remedy = "is unknown", _nearest_key(model, first["loc"])
    elif first["type"] == "missing":
        remedy = "add it"
    elif isinstance(first["input"], dict | BaseModel):
        remedy = "correct it"
    else:
        got = repr(first["input"])
        more = " ..." if len(got) > const.LONGEST_QUOTE else ""
        remedy = f"got {got[: const.LONGEST_QUOTE]}{more}"
    return InputError(source, f"key '{where}': {said}" if where else said, remedy)


def _nearest_key(model: type[BaseModel], place: tuple[int | str, ...]) -> str:
    """Return the remedy for an unknown key: the key of its table that looks most like it."""
    here: Any = model
    for part in place[:-1]:
        field = None if isinstance(part, int) else here.model_fields.get(part)
        kinds = [] if field is None else [field.annotation, *get_args(field.annotation)]
        here = next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), here)
    near = get_close_matches(str(place[-1]), list(here.model_fields), n=1)
    return f"did you mean '{near[0]}'?" if near else "remove it or correct its spelling"


def _check_plausible(setup: Setup, source: str | Path) -> None:
    """Refuse values in another unit than their key's, and times that contradict each other."""
    for section in SECTIONS:
        for key, value in getattr(setup, section).model_dump(exclude_none=True).items():
            limits = const.PLAUSIBLE.get(f"{section}.{key}")
            if limits is None:
                continue
            for number in value if isinstance(value, list) else [value]:
                if not limits[0] <= number <= limits[1]:
                    raise _implausible(source, f"{section}.{key}", number, limits)
    camera = setup.camera
    if camera.frame_interval_s:
        camera.refuse_interval(camera.frame_interval_s, source)


def _implausible(
    source: str | Path, where: str, value: float, limits: tuple[float, float]
) -> InputError:
    ending = next((e for e in _ENDINGS if where.endswith(e)), "")
    unit = _ENDINGS.get(ending, "").replace(" ", "")
    low, high = limits
    problem = f"key '{where}': {value:g} {unit} lies outside of {low:g} to {high:g} {unit}"
    for factor in (1e-3, 1e3, 1e-6, 1e6):
        meant = value * factor
        if low <= meant <= high:
            return InputError(source, problem, f"did you mean {meant:g}? the unit is {unit}")
    return InputError(source, problem, f"give it in {unit}" if unit else "correct it")


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file, or raise InputError with the line at fault."""
    try:
        with Path(path).open("rb") as file:
            content = file.read(const.LARGEST_TOML_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(path, "cannot be read", f"check the path ({why})") from error
    if len(content) > const.LARGEST_TOML_BYTES:
        raise InputError(path, "is larger than 1 MB", "a setup file has a few lines")
    try:
        tables = tomllib.loads(content.decode("utf-8-sig"))  # some editors begin with a mark
    except UnicodeDecodeError as error:
        raise InputError(path, "is not UTF-8 text", "save it as UTF-8") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(path, f"is not valid TOML: {error}", "correct that line") from error
    level: list[Any] = [tables]
    for _ in range(const.DEEPEST_TOML):
        level = [
            inner
            for one in level
            for inner in (one.values() if isinstance(one, dict) else one)
            if isinstance(inner, dict | list)
        ]
    if level:
        raise InputError(path, "is nested too deeply", "a setup file has tables with keys")
    return tables


def _parse_option(option: str) -> tuple[str, str, Any]:
    name, equals, text = option.partition("=")
    section, dot, key = name.strip().partition(".")
    if not (equals and dot and section and key):
        remedy = "write e.g. telescope.aperture_m=0.2"
        raise InputError(f"--set {option}", "is not SECTION.KEY=VALUE", remedy)
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except (tomllib.TOMLDecodeError, RecursionError):
        value = text.strip()
    return section, key, value


def number_in(value: Any, unit: str) -> float:
    """Return a quantity, or a plain number, in a unit."""
    if not hasattr(value, "to_value"):
        return float(value)
    try:
        return float(value.to_value(unit))
    except ValueError as error:  # astropy's UnitConversionError is one
        msg = f"{value} is given where {unit} is meant"
        raise ValueError(msg) from error


def _scale_from_optics(rig: Rig) -> Rig:
    pixel_um, focal_m = rig.get("pixel_um"), rig.get("focal_length_m")
    if not (pixel_um and focal_m):
        return rig
    both = rig.settings["pixel_um"].origin, rig.settings["focal_length_m"].origin
    scale = const.ARCSEC_PER_RADIAN * pixel_um * 1e-6 / focal_m
    note = "pixel size / focal length (binning as in the header)"
    return rig.with_setting("pixel_scale_arcsec", scale, min(both, key=_strength), note)
