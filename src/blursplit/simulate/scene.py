"""The scene: everything that goes into a simulated sequence, read from a TOML file.

Three nights of one width at an invented site come with it: air, a ringing pier, and wind or air
close by. Strengths and seeds are tuned so that the realised long exposures agree; a test holds
them to it.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import Field, model_validator

from blursplit import constants as const
from blursplit.rig import StrictTable, read_toml
from blursplit.turbulence.conversions import r0_m

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, lt=0.9)]
T = TypeVar("T", bound=StrictTable)

DemoNight = Literal["turbulent", "shaken", "open"]
# Beside the frames of a simulation: the setup file, and the second camera's folder.
SETUP_NAME = "setup.toml"
SECOND_NAME = "second"


class SceneTelescope(StrictTable):
    """Aperture and optics; the optics' blur is a Gaussian beside diffraction and pixel."""

    aperture_m: Annotated[float, Field(gt=0.02, le=2)] = 0.25
    obstruction: Annotated[float, Field(ge=0, lt=0.8)] = 0.0
    instrument_fwhm_arcsec: NotNegative = 0.0
    defocus_nm: Finite = 0.0
    astigmatism_nm: Finite = 0.0
    astigmatism_angle_deg: Finite = 0.0


class _SceneCamera(StrictTable):
    """Pixels, timing and electronics."""

    pixel_scale_arcsec: Annotated[float, Field(gt=0.05, le=20)] = 0.65
    pixel_um: Positive = 3.76
    width_px: Annotated[int, Field(ge=16, le=20000)] = 320
    height_px: Annotated[int, Field(ge=16, le=20000)] = 240
    exposure_s: Positive = 0.01
    frame_interval_s: Positive = 0.02
    gain_e_per_adu: Positive = 1.0
    read_noise_e: NotNegative = 2.5
    bias_adu: Annotated[float, Field(ge=0, lt=60000)] = 200.0
    sky_e_per_s: NotNegative = 50.0
    saturation_adu: Annotated[float, Field(gt=0, le=65535)] = 65535.0
    row_time_us: NotNegative = 0.0
    time_jitter_s: NotNegative = 0.0
    stamp_jitter_s: NotNegative = 0.0
    hot_pixels: Annotated[int, Field(ge=0, le=100000)] = 0


class _SceneMask(StrictTable):
    """Two round openings before the telescope; a wedge over one moves its image aside.

    The wedge splits along the line of the openings, from +x toward +y.
    """

    opening_m: Annotated[float, Field(gt=0.02, le=2)]
    separation_m: Positive
    angle_deg: Finite = 0.0
    split_arcsec: Positive


class _AirLayer(StrictTable):
    """One frozen layer; the direction is where the air moves to, from +x toward +y."""

    height_m: NotNegative
    weight: Positive
    wind_m_s: Annotated[float, Field(gt=0, le=100)]
    direction_deg: Finite = 0.0


def _not_both(table: T, one: str, other: str) -> T:
    """Refuse a table in which two keys say the same thing."""
    if getattr(table, one) and getattr(table, other):
        msg = f"give {one} or {other}, not both"
        raise ValueError(msg)
    return table


def _layers(*rows: tuple[float, float, float, float]) -> list[_AirLayer]:
    return [_AirLayer(**dict(zip(_AirLayer.model_fields, row, strict=True))) for row in rows]


def _default_layers() -> list[_AirLayer]:
    # an invented but ordinary profile: half of the turbulence near the ground
    near = (20, 0.35, 5, 20), (300, 0.2, 8, 60)
    return _layers(*near, (2500, 0.25, 12, 130), (9000, 0.2, 22, 100))


class _SceneAir(StrictTable):
    """Turbulence: strength at 500 nm and zenith (r0 or seeing), direction of view, layers."""

    r0_500nm_zenith_m: Annotated[float, Field(gt=0.005, le=5)] | None = None
    seeing_arcsec: Annotated[float, Field(gt=0.02, le=20)] | None = None
    airmass: Annotated[float, Field(ge=1, le=6)] = 1.0
    wavelength_nm: Annotated[float, Field(gt=200, lt=5000)] = 550.0
    outer_scale_m: Annotated[float, Field(ge=1, le=100)] = 25.0
    layers: Annotated[list[_AirLayer], Field(max_length=12)] = Field(
        default_factory=_default_layers
    )

    @model_validator(mode="after")
    def _one_strength(self) -> _SceneAir:
        return _not_both(self, "r0_500nm_zenith_m", "seeing_arcsec")

    @property
    def r0_zenith_m(self) -> float | None:
        """Fried parameter at 500 nm and zenith [m], or None for a scene without air."""
        if not self.layers:
            return None
        if self.r0_500nm_zenith_m is not None:
            return self.r0_500nm_zenith_m
        seeing = 1.5 if self.seeing_arcsec is None else self.seeing_arcsec
        return float(r0_m(seeing, const.SEEING_WAVELENGTH_M))

    @property
    def r0_m(self) -> float | None:
        """Fried parameter at the wavelength and along the line of sight [m]."""
        zenith = self.r0_zenith_m
        if zenith is None:
            return None
        return zenith * float((self.wavelength_nm / 500.0) ** 1.2 * self.airmass**-0.6)


class _NearAir(StrictTable):
    """Turbulence in dome, tube or along walls: a frozen layer with an outer scale of its own.

    Its strength is r0 at 500 nm, or `strength`: its r0^(-5/3) over that of the air outside along
    the line of sight.
    """

    r0_m: Annotated[float, Field(gt=0.005, le=5)] | None = None
    strength: Annotated[float, Field(ge=0, le=1000)] = 0.0
    outer_scale_m: Annotated[float, Field(ge=0.1, le=20)] = 0.57
    wind_m_s: Annotated[float, Field(gt=0, le=30)] = 0.8
    direction_deg: Finite = 0.0

    @model_validator(mode="after")
    def _one_strength(self) -> _NearAir:
        return _not_both(self, "r0_m", "strength")


class _Tube(StrictTable):
    """Slow currents close to the aperture: the same for all stars, and not vibration."""

    rms_arcsec: NotNegative = 0.0
    timescale_s: Positive = 2.0
    rough_rms_nm: NotNegative = 0.0


class _Drift(StrictTable):
    """Steady drift."""

    arcsec_per_min: Finite
    angle_deg: Finite = 0.0


class _Periodic(StrictTable):
    """A steady periodic error of the drive."""

    period_s: Positive
    amplitude_arcsec: Finite
    angle_deg: Finite = 0.0
    phase_deg: Finite = 0.0


class _Mode(StrictTable):
    """A damped mode of pier, mount or tube, driven by white force noise."""

    frequency_hz: Annotated[float, Field(gt=0, le=2000)]
    damping_ratio: Annotated[float, Field(gt=0, lt=1)] = 0.015
    rms_arcsec: NotNegative = 0.0
    angle_deg: Finite = 0.0
    second_rms_arcsec: NotNegative = 0.0


class _WindShake(StrictTable):
    """Broadband shake of the whole telescope, flat up to a corner and falling above it."""

    rms_arcsec: NotNegative = 0.0
    corner_hz: Positive = 2.0
    angle_deg: Finite = 0.0
    second_rms_arcsec: NotNegative = 0.0


class _Tap(StrictTable):
    """A knock: every mode rings down from this amplitude (of its displacement)."""

    time_s: NotNegative
    amplitude_arcsec: Positive


class _StarEntry(StrictTable):
    """One star."""

    x_px: Finite
    y_px: Finite
    flux_e_per_s: Positive


class _Stars(StrictTable):
    """_Stars, listed or drawn; the flux is what the camera would count outside the air."""

    star: list[_StarEntry] = Field(default_factory=list)
    count: Annotated[int, Field(ge=1, le=200)] = 6
    seed: int = 1
    flux_e_per_s: Positive = 4e6
    faintest_ratio: Annotated[float, Field(gt=0, le=1)] = 0.3
    margin_px: Positive = 20.0


class _SequenceTable(StrictTable):
    """Length, start and seed."""

    frames: Annotated[int, Field(ge=1, le=1_000_000)] = 600
    start_utc: datetime | None = None
    seed: int = 1
    object: Annotated[str, Field(max_length=60)] = "SIMULATED FIELD"
    filter: Annotated[str, Field(max_length=20)] = "V"
    site: Annotated[str, Field(max_length=60)] = ""
    sub_exposures: Annotated[int, Field(ge=1, le=1000)] | None = None
    field_rotation_deg_per_hour: Finite = 0.0


class _Dither(StrictTable):
    """A jump of the pointing, in pixels."""

    time_s: NotNegative
    dx_px: Finite
    dy_px: Finite


class SceneSensor(StrictTable):
    """A sensor at the column's top, along +x, +y (and a third axis that sees noise alone).

    Its noise is white, in its own unit over sqrt(Hz); its clock is behind by `offset_s` and runs
    fast by `drift_ppm`; a gap is left every `gap_every_s`.
    """

    kind: Literal["acceleration", "velocity", "rate", "angle"] = "acceleration"
    rate_hz: Annotated[float, Field(gt=1, le=10000)] = 200.0
    noise: NotNegative = 1e-5
    offset_s: Finite = 0.0
    drift_ppm: Finite = 0.0
    shape_per_m: Positive = const.PIER_SHAPE_PER_M
    angle_deg: Finite = 0.0
    gap_every_s: NotNegative = 0.0
    gap_s: NotNegative = 0.5
    range: Positive | None = None


class _SecondCamera(StrictTable):
    """Another camera through another tube on the same mount, recorded at the same time.

    Its clock is behind by `offset_s`; `flexure` turns its tube against the main one.
    """

    baseline_m: tuple[Finite, Finite] = (0.25, 0.0)
    angle_deg: Finite = 0.0
    offset_s: Finite = 0.0
    flexure_arcsec_per_min: Finite = 0.0
    telescope: SceneTelescope = SceneTelescope(aperture_m=0.06)
    camera: _SceneCamera = _SceneCamera(
        pixel_scale_arcsec=2.0, width_px=160, height_px=120, exposure_s=0.02, frame_interval_s=0.05
    )
    stars: _Stars = _Stars(count=2, flux_e_per_s=2e6)


class _Faults(StrictTable):
    """What goes wrong while recording."""

    dropped_share: Share = 0.0
    clouded_share: Share = 0.0
    cosmic_rays_per_frame: NotNegative = 0.0
    trail_frames: list[int] = Field(default_factory=list)
    dither: list[_Dither] = Field(default_factory=list)


class Scene(StrictTable):
    """A whole simulated night at the telescope.

    Examples
    --------
    >>> from blursplit.simulate import Scene
    >>> scene = Scene.model_validate({"air": {"seeing_arcsec": 2.0}, "sequence": {"frames": 100}})
    >>> f"r0 = {scene.air.r0_zenith_m:.4f} m, {scene.duration_s:.2f} s"
    'r0 = 0.0503 m, 1.99 s'
    """

    telescope: SceneTelescope = SceneTelescope()
    camera: _SceneCamera = _SceneCamera()
    air: _SceneAir = _SceneAir()
    near_air: _NearAir = _NearAir()
    tube: _Tube = _Tube()
    drift: list[_Drift] = Field(default_factory=list)
    periodic: list[_Periodic] = Field(default_factory=list)
    mode: list[_Mode] = Field(default_factory=list)
    wind_shake: _WindShake = _WindShake()
    tap: list[_Tap] = Field(default_factory=list)
    stars: _Stars = _Stars()
    sequence: _SequenceTable = _SequenceTable()
    faults: _Faults = _Faults()
    mask: _SceneMask | None = None
    sensor: list[SceneSensor] = Field(default_factory=list)
    second_camera: _SecondCamera | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Scene:
        second, mask, camera = self.second_camera, self.mask, self.camera
        main, tube = self.telescope, None if second is None else second.telescope
        wavelength_m = self.air.wavelength_nm * 1e-9
        bad = "" if mask is None else _mask_problem(mask, main, wavelength_m)
        larger = "second_camera.telescope.aperture_m is larger than the main telescope's"
        longer = "camera.exposure_s is longer than camera.frame_interval_s"
        relative = "near_air.strength is relative to air outside: give near_air.r0_m"
        for is_so, problem in (
            (tube and tube.aperture_m > main.aperture_m, larger),
            (second and mask, "a mask and a second camera are not simulated together"),
            (bad, bad),
            (camera.exposure_s > camera.frame_interval_s * (1 + 1e-9), longer),
            (self.near_air.strength and not self.air.layers, relative),
            (self.tap and not self.mode, "a tap needs a mode to ring"),
        ):
            if is_so:
                raise ValueError(problem)
        return self

    @property
    def near_r0_m(self) -> float | None:
        """Fried parameter of the near layer at the wavelength [m], or None without one."""
        near = self.near_air
        if near.r0_m is not None:
            return near.r0_m * float((self.air.wavelength_nm / 500.0) ** 1.2)
        if not near.strength or self.air.r0_m is None:
            return None
        return self.air.r0_m * float(near.strength**-0.6)

    @property
    def pupil(self) -> SceneTelescope:
        """What forms one image: the telescope, or one opening of the mask."""
        if self.mask is None:
            return self.telescope
        one = {"aperture_m": self.mask.opening_m, "obstruction": 0.0}
        return self.telescope.model_copy(update=one)

    def of_second_camera(self) -> Scene:
        """Return the scene as the second camera sees it, as long as this one."""
        second = self.second_camera
        if second is None:
            msg = "the scene has no second camera"
            raise ValueError(msg)
        frames = int((self.duration_s - second.camera.exposure_s) / second.camera.frame_interval_s)
        length = {"frames": max(1, frames), "sub_exposures": None}
        own = {name: getattr(second, name) for name in ("telescope", "camera", "stars")}
        own |= {"sequence": self.sequence.model_copy(update=length), "faults": _Faults()}
        return self.model_copy(update=own | {"second_camera": None, "sensor": []})

    @property
    def duration_s(self) -> float:
        """From the start of the first exposure to the end of the last [s]."""
        camera = self.camera
        return (self.sequence.frames - 1) * camera.frame_interval_s + camera.exposure_s

    @classmethod
    def read(cls, path: Path) -> Scene:
        """Read a scene file (TOML), in which every key is optional.

        Raises InputError when the file cannot be read or a key is wrong.

        Examples
        --------
        >>> from pathlib import Path
        >>> from blursplit.simulate import Scene
        >>> Scene.read(Path("before.toml")).mode[0].frequency_hz
        9.2
        """
        return cls.from_tables(read_toml(path), path)

    def setup_text(self) -> str:
        """Return a setup file that tells the measurement what an owner would know of this rig."""
        camera, known = self.camera, ["pixel_scale_arcsec", "pixel_um", "exposure_s"]
        known += ["frame_interval_s", "gain_e_per_adu", "read_noise_e", "row_time_us"]
        tables: dict[str, dict[str, Any]] = {
            "telescope": self.telescope.model_dump(include={"aperture_m", "obstruction"}),
            "camera": {key: getattr(camera, key) for key in known},
            "air": {"wavelength_nm": self.air.wavelength_nm},
        }
        if camera.row_time_us:
            tables["camera"]["row_order"] = "first-row-first"
        tables["camera"]["time_stamps"] = "software" if camera.stamp_jitter_s else "hardware"
        if self.mask is not None:
            tables["mask"] = self.mask.model_dump()
        if self.second_camera is not None:
            second = {"setup": f"{SECOND_NAME}/{SETUP_NAME}"}
            tables["second_camera"] = second | {"baseline_m": self.second_camera.baseline_m}
            if not self.second_camera.offset_s:  # one computer, one clock
                tables["second_camera"]["offset_s"] = [-const.SAME_CLOCK_S, const.SAME_CLOCK_S]
        if self.periodic:
            periods = sorted({p.period_s for p in self.periodic}, reverse=True)
            tables["mount"] = {"worm_period_s": periods}
        return "\n".join(
            f"[{name}]\n"
            + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
            for name, table in tables.items()
        )

    @classmethod
    def demo(cls, night: DemoNight) -> Scene:
        """Return a night of the demonstration.

        The air is to blame on the turbulent one. The shaken one, of good air, is as wide and as
        round, on a pier that rings on both axes. On the open one the shared motion may be wind in
        the mount or air close by: the frames alone do not tell, a sensor of acceleration is on the
        mount.
        """
        if night == "turbulent":
            return _night(0.0408, datetime(2024, 3, 1, 21, 40, tzinfo=UTC), 14)
        if night == "shaken":
            modes = [
                _Mode(frequency_hz=6.3, damping_ratio=0.012, rms_arcsec=0.833, angle_deg=0),
                _Mode(frequency_hz=7.4, damping_ratio=0.012, rms_arcsec=0.833, angle_deg=90),
            ]
            return _night(0.115, datetime(2024, 3, 2, 22, 5, tzinfo=UTC), 376, mode=modes)
        shake = _WindShake(rms_arcsec=0.4, corner_hz=0.8, second_rms_arcsec=0.36)
        start = datetime(2024, 3, 3, 20, 50, tzinfo=UTC)
        sensor = [SceneSensor(kind="acceleration", noise=1e-6)]  # m/s2 in 1 Hz: a seismic one
        return _night(0.048, start, 7, wind_shake=shake, sensor=sensor)


def _mask_problem(mask: _SceneMask, telescope: SceneTelescope, wavelength_m: float) -> str:
    """Return why a mask cannot be simulated before this telescope, or nothing."""
    if mask.separation_m < mask.opening_m:
        return "mask: the openings overlap, separation_m is below opening_m"
    if mask.separation_m + mask.opening_m > telescope.aperture_m * (1 + 1e-9):
        return "mask: the openings reach beyond telescope.aperture_m"
    if mask.separation_m - mask.opening_m < telescope.obstruction * telescope.aperture_m:
        return "mask: the openings reach into the central obstruction"
    if telescope.defocus_nm or telescope.astigmatism_nm:
        return "mask: defocus and astigmatism are not simulated behind a mask"
    least = const.LEAST_SPLIT * wavelength_m / mask.opening_m * const.ARCSEC_PER_RADIAN
    if mask.split_arcsec < least:
        return f"mask: split_arcsec below {least:.0f} would let the two images interfere"
    return ""


# --- three nights of one width --------------------------------------------------------------------
def _night(r0_m: float, start: datetime, seed: int, **parts: Any) -> Scene:
    near = (10, 0.35, 4, 15), (150, 0.20, 7, 50)
    layers = _layers(*near, (2500, 0.25, 12, 120), (8000, 0.20, 20, 80))
    return Scene(
        telescope=SceneTelescope(aperture_m=0.25, obstruction=0.3, instrument_fwhm_arcsec=0.3),
        camera=_SceneCamera(
            pixel_scale_arcsec=0.65,
            width_px=320,
            height_px=240,
            exposure_s=0.008,
            frame_interval_s=0.025,
            gain_e_per_adu=0.8,
            read_noise_e=2.0,
            hot_pixels=6,
        ),
        air=_SceneAir(r0_500nm_zenith_m=r0_m, airmass=1.1, outer_scale_m=25, layers=layers),
        stars=_Stars(count=7, seed=5, flux_e_per_s=2.5e6, faintest_ratio=0.25, margin_px=28),
        sequence=_SequenceTable(
            frames=880, start_utc=start, seed=seed, object="Test field 7", site="Quarry Hill"
        ),
        **parts,
    )
