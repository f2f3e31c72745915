"""What to record, the smallest vibration that such a run would show, and what limits take."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date
from importlib.metadata import version
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.campaign.accept import EXACT, mount_ends_arcsec
from blursplit.campaign.estimates import Background, Range
from blursplit.campaign.fields import FieldTonight
from blursplit.campaign.limits import Limit, Limits, LineRule, SettleRule
from blursplit.errors import InputError
from blursplit.evidence.second_camera import witness_baseline_m
from blursplit.evidence.sensor_record import accelerometer_noise_ug
from blursplit.report.words import said, sentence
from blursplit.result import Document, Part, Remark
from blursplit.rig import Rig, Setting
from blursplit.spectra.aliases import apparent_frequency

if TYPE_CHECKING:
    _Make = Callable[[float, float], Background]
    """Background of a run by its length [s] and frame interval [s]."""


def _star_electrons(
    magnitude: float, aperture_m: float, obstruction: float, band_um: float, exposure_s: float
) -> float:
    """Return the electrons of a star in one exposure through a band of some width."""
    area = 0.25 * np.pi * aperture_m**2 * (1.0 - obstruction**2)
    rate = const.PHOTONS_ZERO_MAG * area * band_um * const.EFFICIENCY * 10.0 ** (-0.4 * magnitude)
    return float(rate * exposure_s)


def _centroid_noise_px(electrons: float, background_e: float, sigma_px: float) -> float:
    """Return the one-axis noise of a Gaussian-weighted centroid.

    `electrons`: in the star. `background_e`: sky electrons plus read noise squared, a pixel.
    `sigma_px`: of the star, before the pixel.

    Weight of the star's own width s_w = s, star in pixels s_p^2 = s^2 + 1/12,
    1/s_c^2 = 1/s_p^2 + 1/s_w^2, 1/s_d^2 = 1/s_p^2 + 2/s_w^2:
    s_d^4 s_p^6/(N s_c^8) + pi B s_w^4 s_p^8/(2 N^2 s_c^8) (method notes, section 7: agrees with
    simulation to 5 percent).
    """
    w2 = sigma_px**2
    p2 = w2 + 1.0 / 12.0
    c2 = 1.0 / (1.0 / p2 + 1.0 / w2)
    d2 = 1.0 / (1.0 / p2 + 2.0 / w2)
    variance = d2**2 * p2**3 / (electrons * c2**4)
    variance += np.pi * background_e * w2**2 * p2**4 / (2.0 * electrons**2 * c2**4)
    return float(np.sqrt(variance))


def _peak_electrons(electrons: float, sigma_px: float) -> float:
    """Return the electrons in the brightest pixel of a Gaussian star centred on it."""
    from scipy.special import erf

    return float(electrons * erf(0.5 / (np.sqrt(2.0) * sigma_px)) ** 2)


PLAN_SCHEMA = "blursplit-plan/1"


class _Recording(Part):
    """How to record."""

    exposure_s: float
    exposure_reason: str
    frame_interval_s: float
    rate_hz: float
    rate_reason: str
    duration_s: float
    duration_reason: str
    nyquist_hz: float
    stars: int
    faintest_mag: float
    brightest_mag: float | None
    star_noise_arcsec: float
    shared_noise_arcsec: float


class _Detectable(Part):
    """Smallest steady line and smallest damped mode found in nine of ten runs, one-axis rms.

    The range is that of the wind; null: hidden by the exposure, or too few periods.
    """

    frequency_hz: float
    line_rms_arcsec: float | None
    line_low_arcsec: float | None
    line_high_arcsec: float | None
    mode_rms_arcsec: float | None
    mode_low_arcsec: float | None
    mode_high_arcsec: float | None


class _SeenHeight(Part):
    """What a pair of stars sees: the height from which a tenth and half of the motion shows."""

    separation_arcsec: float
    tenth_seen_above_m: float
    half_seen_above_m: float


class _Witness(Part):
    """What parts air from shaking where the stars alone leave it open, and what it must be.

    A sensor on the mount of a noise of `noise_ug` micro-g/sqrt(Hz), which shows shaking of
    `shake_arcsec` rms spread over the frames' band; a second tube at `baseline_m`; a mask.
    """

    kind: Literal["sensor", "second-camera", "mask"]
    text: str
    shake_arcsec: float | None = None
    noise_ug: float | None = None
    baseline_m: float | None = None
    opening_m: float | None = None
    separation_m: float | None = None


class _Turns(Part):
    """How long a drive period takes to cover."""

    period_s: float
    turns_in_run: float
    two_turns_s: float


class _Mains(Part):
    """Where the mains and its harmonics show at this frame rate."""

    true_hz: float
    apparent_hz: float
    amplitude_left: float


class _LimitNeeds(Part):
    """What a limit takes to be shown; no length where none would do, or any does (`how`)."""

    key: str
    name: str = ""
    length_s: float | None
    runs: int
    how: str


class Plan(Document):
    """A plan for a run."""

    schema_: str = Field(default=PLAN_SCHEMA, alias="schema")
    version: str = ""
    seeing_arcsec: float
    damping_ratio: float
    setup: dict[str, Setting]
    recording: _Recording
    detectable: list[_Detectable]
    smallest_structure_arcsec: float | None
    smallest_line_arcsec: float | None
    smallest_between_hz: tuple[float, float]
    pairs: list[_SeenHeight]
    witnesses: list[_Witness]
    turns: list[_Turns]
    mains: list[_Mains]
    night: str | None = None
    fields: list[FieldTonight] = Field(default_factory=list)
    limits: list[_LimitNeeds] = Field(default_factory=list)
    statement: str = ""
    warnings: list[Remark] = Field(default_factory=list)


def _plan_recording(
    instrument: Rig, seeing: float, stars: int, duration_s: float, warnings: list[Remark]
) -> _Recording:
    """Return how to record: exposure, rate, length and the magnitudes that serve.

    A stated exposure or frame interval is kept. `warnings`: doubts are added to it.
    """
    aperture = float(instrument.get("aperture_m"))
    wind = math.sqrt(math.prod(instrument.get("wind_m_s")))  # the geometric mean
    exposure, why = instrument.get("exposure_s"), sentence("as-stated")
    interval = instrument.get("frame_interval_s")
    if exposure is None:
        longest = min(const.PLAN_LONGEST_EXPOSURE_S, interval or const.PLAN_LONGEST_EXPOSURE_S)
        exposure = min(max(0.3 * aperture / wind, 1e-3), longest)
        why = sentence("exposure-of-air", wind_m_s=wind)
    rate_why = sentence("as-stated")
    if interval is None:
        interval = max(exposure, const.PLAN_INTERVAL_S)
        is_slow = exposure > const.PLAN_INTERVAL_S
        rate_why = sentence("rate-of-exposure" if is_slow else "rate-of-plan")
    if interval < exposure:
        warnings.append(said("interval-below-exposure", interval_s=interval, exposure_s=exposure))
    faintest, brightest, noise = _magnitudes(instrument, seeing, exposure, warnings)
    is_long = duration_s >= const.PLAN_DURATION_S
    return _Recording(
        exposure_s=exposure,
        exposure_reason=why,
        frame_interval_s=interval,
        rate_hz=1.0 / interval,
        rate_reason=rate_why,
        duration_s=duration_s,
        duration_reason=sentence("length-of-plan" if is_long else "length-short"),
        nyquist_hz=0.5 / interval,
        stars=stars,
        faintest_mag=faintest,
        brightest_mag=brightest,
        star_noise_arcsec=noise,
        shared_noise_arcsec=noise / float(np.sqrt(stars)),
    )


def _magnitudes(
    instrument: Rig, seeing: float, exposure: float, warnings: list[Remark]
) -> tuple[float, float | None, float]:
    """Return the faintest and brightest useful magnitude and the noise of the faintest star."""
    scale = float(instrument.get("pixel_scale_arcsec"))
    aperture = float(instrument.get("aperture_m"))
    wavelength = float(instrument.get("wavelength_nm")) * 1e-9
    airy = const.AIRY_FWHM * wavelength / aperture * const.ARCSEC_PER_RADIAN
    width = float(np.hypot(seeing, airy))
    sigma = width / const.FWHM_PER_SIGMA / scale
    least_px = 2.1  # method notes: below, the centroid feels the pixel phase
    if width / scale < least_px:
        facts = {"pixel_arcsec": scale, "fwhm_px": width / scale, "least_px": least_px}
        warnings.append(said("undersampled", of="plan", **facts))
    band = instrument.get("band_nm") or [400.0, 700.0]
    band_um = (band[1] - band[0]) / 1000.0
    obstruction = float(instrument.get("obstruction") or 0.0)

    def electrons(magnitude: float) -> float:
        return _star_electrons(magnitude, aperture, obstruction, band_um, exposure)

    sky = electrons(const.SKY_MAG_ARCSEC2) * scale**2
    read = float(instrument.get("read_noise_e") or 3.0)
    grid = np.arange(-2.0, 18.0, 0.05)
    noise = np.array([_centroid_noise_px(electrons(m), sky + read**2, sigma) for m in grid]) * scale
    usable = np.flatnonzero(noise <= const.PLAN_NOISE_ARCSEC)
    if len(usable) == 0:
        warnings.append(said("too-little-light"))
        return float(grid[0]), None, float(noise[0])
    faintest = float(grid[usable[-1]])
    brightest = None
    level, gain = instrument.get("saturation_adu"), instrument.get("gain_e_per_adu")
    if level and gain:
        # The magnitude whose sharpest frame fills 80 % of the range: short exposures reach half
        # the seeing in lucky moments, never less than diffraction.
        sharp = max(max(airy, 0.5 * seeing) / const.FWHM_PER_SIGMA / scale, 0.3)
        full = const.FULL_WELL_SHARE * level * gain
        brightest = float(2.5 * np.log10(_peak_electrons(electrons(0.0), sharp) / full))
    if brightest is None:
        warnings.append(said("saturation-unknown"))
    elif brightest > faintest:
        warnings.append(said("saturation", faintest_mag=faintest, brightest_mag=brightest))
    return faintest, brightest, float(noise[usable[-1]])


def plan(
    rig: Rig | str | Path,
    *,
    seeing_arcsec: float = 2.0,
    stars: int = const.PLAN_STARS,
    duration_s: float = const.PLAN_DURATION_S,
    damping_ratio: float = const.PLAN_DAMPING,
    night: date | None = None,
    limits: Limits | None = None,
) -> Plan:
    """Plan a run.

    `rig`: aperture and pixel scale are needed; a stated exposure or frame interval is kept.
    `seeing_arcsec`: at 500 nm and zenith. `stars`: to be used, each as bright as the faintest
    allowed. `damping_ratio`: of the structure looked for. `night`: evening for which fields are
    listed; needs the site. `limits`: whose length and number of runs are told.

    All of the air is taken as common to the stars, which is the worst case for a line. Detection
    as in the measurement's own line search; see `smallest_arcsec`.
    """
    instrument = Rig.of(rig).with_header({})
    _check(instrument, seeing_arcsec, stars, duration_s, damping_ratio)
    warnings: list[Remark] = []
    recording = _plan_recording(instrument, seeing_arcsec, stars, duration_s, warnings)
    background = _background(instrument, recording, seeing_arcsec)
    shown_hz = [f for f in const.SHOWN_HZ if f <= 2.0 * recording.nyquist_hz]
    band = (3.0, max(0.8 * recording.nyquist_hz, 3.5))
    grid = np.geomspace(*band, 24)
    mode = _worst(background.smallest_arcsec(grid, damping_ratio))
    line = _worst(background.smallest_arcsec(grid))
    mains = _mains(recording)
    warnings += _mains_warnings(mains, recording) + _row_warnings(instrument)
    air = (seeing_arcsec, damping_ratio)
    return Plan(
        version=version("blursplit"),
        seeing_arcsec=seeing_arcsec,
        damping_ratio=damping_ratio,
        setup=dict(instrument.settings),
        recording=recording,
        detectable=[_detectable(f, damping_ratio, background) for f in shown_hz],
        smallest_structure_arcsec=mode,
        smallest_line_arcsec=line,
        smallest_between_hz=band,
        pairs=[_seen(s, instrument) for s in const.PLAN_SEPARATIONS_ARCSEC],
        witnesses=_witnesses(instrument, recording, seeing_arcsec),
        turns=_turns(instrument, recording.duration_s),
        mains=mains,
        night=None if night is None else night.isoformat(),
        fields=_fields(instrument, night, warnings),
        limits=[] if limits is None else _needs(limits, instrument, recording, *air),
        statement=_statement(recording, mode, line, band, *air),
        warnings=warnings,
    )


def _needs(
    limits: Limits, instrument: Rig, recording: _Recording, seeing: float, damping: float
) -> list[_LimitNeeds]:
    """Return what each limit takes with this telescope, in the order of the file; refuse others'.

    `damping`: ratio of the structure looked for. A limit counts as shown where the run would show
    half of it (numbers) or a line of its size (rules on lines), as `accept` asks: the upper range
    of winds, found 95 times in 100.
    """
    limits.refuse_other_aperture("plan", float(instrument.get("aperture_m")), "setup is")

    def make(length_s: float, cadence_s: float) -> Background:
        how = {"duration_s": length_s, "frame_interval_s": cadence_s}
        return _background(instrument, recording.model_copy(update=how), seeing)

    cadence_s = recording.frame_interval_s
    found = [
        _number(key, limit, limits.blur_time_s or 0.0, make, cadence_s, damping)
        for key, limit in limits.limits.items()
    ]
    found += [_lines(rule, make, cadence_s) for rule in limits.lines]
    return found + [_slew(rule, make, cadence_s) for rule in limits.after_slew]


def _check(
    instrument: Rig, seeing_arcsec: float, stars: int, duration_s: float, damping: float
) -> None:
    for key, section in (("aperture_m", "telescope"), ("pixel_scale_arcsec", "camera")):
        if instrument.get(key) is None:
            also = " (or pixel_um and focal_length_m)" if section == "camera" else ""
            remedy = f"state it in the setup file or with --set {section}.{key}=...{also}"
            raise InputError(f"setup key {section}.{key}", "is not known", remedy)
    if not 0.1 <= seeing_arcsec <= 20.0:  # noqa: PLR2004 - what skies do
        raise InputError("--seeing", f"{seeing_arcsec:g} arcsec makes no sense", "give 0.1 to 20")
    if stars < 1:
        raise InputError("--stars", f"{stars} makes no sense", "give 1 or more")
    if not 1.0 <= duration_s <= 1e5:  # noqa: PLR2004 - from a second to a night
        raise InputError("--length", f"{duration_s:g} s makes no sense", "give 1 s to a night")
    if not 0.0 <= damping < 1.0:
        remedy = "give a part of critical damping, such as 0.01; 0 for a steady line"
        raise InputError("--damping", f"{damping:g} makes no sense", remedy)


def _background(instrument: Rig, recording: _Recording, seeing: float) -> Background:
    return Background.modelled(
        instrument.get,
        seeing_arcsec=seeing,
        wavelength_m=float(instrument.get("wavelength_nm")) * 1e-9,
        airmass=float(instrument.get("airmass") or 1.0),
        noise_arcsec=recording.shared_noise_arcsec,
        duration_s=recording.duration_s,
        cadence_s=recording.frame_interval_s,
        exposure_s=recording.exposure_s,
    )


def _detectable(frequency: float, damping: float, background: Background) -> _Detectable:
    numbers = {}
    ranges: tuple[tuple[str, Range], ...] = (("low", "low"), ("rms", "middle"), ("high", "high"))
    for kind, ratio in (("line", 0.0), ("mode", damping)):
        for name, which in ranges:
            smallest = float(background.smallest_arcsec(frequency, ratio, which=which))
            numbers[f"{kind}_{name}_arcsec"] = smallest if np.isfinite(smallest) else None
    return _Detectable(frequency_hz=frequency, **numbers)


def _worst(values: Any) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite.max()) if finite.size else None


def _seen(separation_arcsec: float, instrument: Rig) -> _SeenHeight:
    from blursplit.turbulence.tilt import pair_kernels, tilt_coefficient

    aperture = float(instrument.get("aperture_m"))
    ratio = aperture / math.sqrt(math.prod(instrument.get("outer_scale_m")))
    obstruction = float(instrument.get("obstruction") or 0.0)
    sizes = np.geomspace(0.02, 60.0, 400)
    along, across = pair_kernels(sizes, ratio, obstruction, "Z")
    seen = 0.5 * (along + across) / (2.0 * tilt_coefficient("Z", obstruction, ratio))
    heights = sizes * aperture / (separation_arcsec / const.ARCSEC_PER_RADIAN)
    tenth, half = (float(heights[np.argmax(seen >= part)]) for part in (0.1, 0.5))
    above = {"tenth_seen_above_m": tenth, "half_seen_above_m": half}
    return _SeenHeight(separation_arcsec=separation_arcsec, **above)


def _witnesses(instrument: Rig, recording: _Recording, seeing_arcsec: float) -> list[_Witness]:
    """Return what would decide between shaking and air, the easiest first.

    The sensor must show the shaking that is just worth a cure, spread evenly up to half the rate.
    """
    aperture = float(instrument.get("aperture_m"))
    worth = max(const.LEAST_WORTH_ARCSEC, const.WORTH_SHARE * seeing_arcsec)
    shake = float(np.sqrt((seeing_arcsec + worth) ** 2 - seeing_arcsec**2)) / const.FWHM_PER_SIGMA
    noise_ug = accelerometer_noise_ug(shake**2 / recording.nyquist_hz)
    baseline = witness_baseline_m(aperture)
    widest = _seen(const.PLAN_SEPARATIONS_ARCSEC[-1], instrument)
    opening, apart = aperture / 4.0, 0.72 * aperture
    board_from_hz = float(np.sqrt(const.PLAN_BOARD_UG / noise_ug))
    beside = {"board_from_hz": board_from_hz, "board_ug": const.PLAN_BOARD_UG}
    beside["unseen_below_m"] = widest.tenth_seen_above_m
    facts: dict[Any, dict[str, float]] = {
        "sensor": {"shake_arcsec": shake, "noise_ug": noise_ug},
        "second-camera": {"baseline_m": baseline},
        "mask": {"opening_m": opening, "separation_m": apart},
    }
    return [
        _Witness(kind=kind, text=sentence(f"witness-{kind}", **own, **beside), **own)
        for kind, own in facts.items()
    ]


def _turns(instrument: Rig, duration_s: float) -> list[_Turns]:
    periods = list(instrument.get("worm_period_s") or [])
    periods += [const.SIDEREAL_DAY_S / teeth for teeth in instrument.get("wheel_teeth") or []]
    return [
        _Turns(period_s=p, turns_in_run=duration_s / p, two_turns_s=2.0 * p)
        for p in sorted(set(periods))
    ]


def _mains(recording: _Recording) -> list[_Mains]:
    return [
        _Mains(
            true_hz=f,
            apparent_hz=float(apparent_frequency(f, recording.rate_hz)),
            amplitude_left=abs(float(np.sinc(f * recording.exposure_s))),
        )
        for f in (base * harmonic for base in const.MAINS_HZ for harmonic in (1, 2, 3, 4))
    ]


def _mains_warnings(mains: list[_Mains], recording: _Recording) -> list[Remark]:
    slow = 15.0 / recording.duration_s
    hidden = [m for m in mains if m.apparent_hz < slow and m.amplitude_left > 0.1]  # noqa: PLR2004
    if not hidden:
        return []
    rate = recording.rate_hz
    facts = {"rate_hz": rate, "other_rate_hz": const.PLAN_OTHER_RATE * rate}
    return [said("mains-alias", mains_hz=[m.true_hz for m in hidden], **facts)]


def _row_warnings(instrument: Rig) -> list[Remark]:
    row_us = float(instrument.get("row_time_us") or 0.0)
    if row_us == 0.0:
        stated = instrument.origin("row_time_us") != "default"
        return [] if stated else [said("row-time-unknown")]
    rows, frequency_hz = 1000, 20.0  # an example
    turn = frequency_hz * rows * row_us * 1e-6 * 360.0
    return [said("rolling-shutter", rows=rows, frequency_hz=frequency_hz, turn_deg=turn)]


def _fields(instrument: Rig, night: date | None, warnings: list[Remark]) -> list[FieldTonight]:
    if night is None:
        return []
    latitude, longitude = instrument.get("latitude_deg"), instrument.get("longitude_deg")
    if latitude is None or longitude is None:
        warnings.append(said("site-unknown"))
        return []
    found = FieldTonight.highest(night, latitude, longitude)
    if not found:
        warnings.append(said("no-dark-hours"))
    return found


def _statement(
    recording: _Recording,
    mode: float | None,
    line: float | None,
    band: tuple[float, float],
    seeing: float,
    damping: float,
) -> str:
    how = sentence("plan-record", **recording.model_dump())
    if mode is None or line is None:
        return f"{how} {sentence('plan-shows-nothing')}"
    facts = {"seeing_arcsec": seeing, "damping_ratio": damping}
    facts |= {"mode_rms_arcsec": mode, "line_rms_arcsec": line}
    facts |= {"band_low_hz": band[0], "band_high_hz": band[1]}
    return f"{how} {sentence('plan-shows', **facts)}"


def _number(
    key: str, limit: Limit, blur_s: float, make: _Make, cadence_s: float, damping: float
) -> _LimitNeeds:
    frame = {"key": key, "name": limit.name}
    edge = limit.at_most if limit.at_most is not None else limit.at_least
    if key.startswith("tap."):
        return _LimitNeeds(**frame, length_s=const.PLAN_TAPS_S, runs=1, how=sentence("needs-taps"))
    if key.startswith(EXACT):
        return _LimitNeeds(**frame, length_s=None, runs=1, how=sentence("needs-any-run"))
    if key.startswith("structure.rms") and edge:

        def smallest(length_s: float) -> float:
            background = make(length_s, cadence_s)
            grid = np.geomspace(3.0, 0.8 * background.nyquist_hz, 24)
            return float(background.smallest_arcsec(grid, damping, which="high").max())

        return _until(frame, smallest, edge, blur_s, sentence("needs-no-mode"))
    if key == "tracking.drift_arcsec_per_min" and edge:

        def drift(length_s: float) -> float:
            # slope of white noise of one-sided density S over T: variance 6 S / T^3
            slow = float(make(length_s, cadence_s).high[0])
            return 2.0 * const.Z95 * 60.0 * float(np.sqrt(6.0 * slow / length_s**3))

        return _until(frame, drift, edge, blur_s, sentence("needs-little-drift"))
    length_s = max(blur_s, const.PLAN_DURATION_S)
    how = sentence("needs-repeats")
    return _LimitNeeds(**frame, length_s=length_s, runs=const.PLAN_REPEATS, how=how)


def _until(
    frame: dict[str, str],
    smallest: Callable[[float], float],
    limit: float,
    least_s: float,
    how: str,
    runs: int = 1,
) -> _LimitNeeds:
    """Return the first length, in steps of a quarter, at which a size at the limit shows."""
    length = max(least_s, const.PLAN_DURATION_S / 4)
    while length <= const.ACCEPT_LONGEST_S:
        if smallest(length) <= limit:
            return _LimitNeeds(**frame, length_s=float(ceil(length)), runs=runs, how=how)
        length *= const.ACCEPT_LENGTH_STEP
    left = smallest(const.ACCEPT_LONGEST_S)
    facts = {"least_arcsec": left, "longest_s": const.ACCEPT_LONGEST_S}
    hidden = sentence("needs-other-air" if np.isfinite(left) else "needs-other-frames", **facts)
    return _LimitNeeds(**frame, length_s=None, runs=runs, how=hidden)


def _lines(rule: LineRule, make: _Make, cadence_s: float) -> _LimitNeeds:
    low, high = rule.between_hz
    rate = 1.0 / cadence_s
    frame = {"key": f"lines between {low:g} and {high:g} Hz", "name": rule.name}
    cadences = [cadence_s]
    how = sentence("needs-one-run")
    if high > 0.5 * rate:
        # frames are blind about each multiple of their rate, and fold what lies above half of it
        cadences.append(cadence_s / const.PLAN_OTHER_RATE)
        how = sentence("needs-other-rate", rate_hz=const.PLAN_OTHER_RATE * rate)

    def smallest(length_s: float) -> float:
        grid = np.unique(np.concatenate([np.geomspace(low, high, 60), rate * np.arange(1, 9)]))
        grid = grid[(grid >= low) & (grid <= high)]
        each = [make(length_s, c).smallest_arcsec(grid, which="high") for c in cadences]
        return float(np.min(each, axis=0).max())

    exposure = make(const.PLAN_DURATION_S, cadence_s).exposure_s
    if abs(np.sinc(high * exposure)) < const.LINE_LEFT_AT_LEAST:
        how = sentence("needs-shorter-exposure", exposure_s=0.5 / high)
        return _LimitNeeds(**frame, length_s=None, runs=len(cadences), how=how)
    limit = rule.no_shared_line_above_arcsec
    return _until(frame, smallest, limit, 0.0, how, runs=len(cadences))


def _slew(rule: SettleRule, make: _Make, cadence_s: float) -> _LimitNeeds:
    """Return what stillness after a slew takes, and how small a motion the air lets show."""
    length = rule.slew_ended_s + rule.within_s + rule.over_s
    background = make(max(length, const.PLAN_DURATION_S), cadence_s)
    air = (background.low, background.middle, background.high)
    _, high = mount_ends_arcsec(None, background.frequency_hz, air, rule.over_s)
    least = float(high[0])
    frame = {"key": f"after a slew, {rule.over_s:g} s", "name": rule.name}
    if least > rule.rms_at_most_arcsec:
        how = sentence("needs-mount-sensor", least_arcsec=least, over_s=rule.over_s)
        return _LimitNeeds(**frame, length_s=None, runs=const.PLAN_REPEATS, how=how)
    how = sentence("needs-slews")
    return _LimitNeeds(**frame, length_s=float(ceil(length)), runs=const.PLAN_REPEATS, how=how)
