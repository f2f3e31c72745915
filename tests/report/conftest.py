"""Invented results and series that cover what a report can meet."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from blursplit import result as record
from blursplit.estimate import Estimate
from blursplit.rig import Setting
from blursplit.series import Series

HOSTILE = "<script>document.title='owned'</script>"


@dataclass(frozen=True)
class Case:
    """A result with its series."""

    result: record.Result
    series: Series


def estimate(value: float, error: float) -> Estimate:
    """Return an estimate with a symmetric interval."""
    return Estimate(
        value=value,
        low=value - error,
        high=value + error,
        low95=value - 2 * error,
        high95=value + 2 * error,
    )


def star(sigma_x_px: float, sigma_y_px: float, size: int = 64) -> np.ndarray:
    """Return a Gaussian star of constant flux."""
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    image = np.exp(-0.5 * ((x / sigma_x_px) ** 2 + (y / sigma_y_px) ** 2))
    return image / (sigma_x_px * sigma_y_px) * 30


def film(rng: np.random.Generator, count: int = 48, side: int = 24) -> np.ndarray:
    """Return frames of a wandering, speckled star, brightest pixel 1."""
    y, x = np.mgrid[:side, :side] - (side - 1) / 2
    frames = np.zeros((count, side, side))
    for k in range(count):
        for _ in range(3):
            dx = rng.normal(1.5 * np.sin(0.9 * k), 1.2)
            dy = rng.normal(0.4 * np.cos(0.9 * k), 1.2)
            frames[k] += np.exp(-0.5 * ((x - dx) ** 2 + (y - dy) ** 2) / 1.4**2)
    frames += rng.normal(0.02, 0.01, frames.shape)
    return frames / frames.max()


def _series(rng: np.random.Generator, n: int = 3000) -> Series:
    dt = 0.02
    t = np.arange(n) * dt
    air = [np.cumsum(rng.normal(size=n)) for _ in range(2)]
    air = [0.25 * (a - a.mean()) / a.std() for a in air]
    shake = 0.5 * np.sin(2 * np.pi * 8.3 * t) * (1 + 0.4 * np.sin(2 * np.pi * 0.21 * t))
    drive = 0.02 * (t - t.mean()) + 0.35 * np.sin(2 * np.pi * t / 24.0)
    x, y = air[0] + 0.9 * shake + drive, air[1] + 0.4 * shake
    x[700:740] = np.nan
    f = np.fft.rfftfreq(n, dt)[1:]
    smooth = 0.03 * f**-0.67 / (1 + (f / 3) ** 3) + 1e-6
    peak = 0.3 / (1 + ((f - 8.3) / 0.15) ** 2)
    psd = (smooth + peak) * rng.chisquare(12, f.size) / 12
    separation = np.sort(rng.uniform(20, 900, 45))
    grid = np.linspace(10, 950, 60)

    def model(s: np.ndarray) -> np.ndarray:
        return 0.42 * np.sqrt(1 - 0.6 * (1 + s / 60) ** (-1 / 3))

    baseline = np.linspace(0, 0.2, 40)
    otf = np.exp(-3.44 * (baseline / 0.09) ** (5 / 3) * 0.5) * (1 - baseline / 0.2)
    finder = rng.normal(200, 6, (240, 320))
    star_x, star_y = rng.uniform(20, 300, 10), rng.uniform(20, 220, 10)
    yy, xx = np.mgrid[:240, :320]
    for k in range(10):
        spread = (xx - star_x[k]) ** 2 + (yy - star_y[k]) ** 2
        finder += (4000 / (k + 1)) * np.exp(-0.5 * spread / 2.2**2)
    edge_s, edge_hz = np.linspace(0, 60, 21), np.geomspace(0.2, 25, 31)
    by_time = rng.chisquare(6, (20, 30)) * 0.03 / (0.5 * (edge_hz[:-1] + edge_hz[1:]))
    arrays = {
        "time_s": t,
        "common_x_arcsec": x,
        "common_y_arcsec": y,
        "tracking_x_arcsec": drive,
        "tracking_y_arcsec": np.zeros(n),
        "structure_x_arcsec": 0.9 * shake,
        "structure_y_arcsec": 0.4 * shake,
        "frequency_hz": f,
        "common_psd_x_arcsec2_hz": 0.8 * psd,
        "common_psd_y_arcsec2_hz": 0.2 * psd,
        "common_psd_low_arcsec2_hz": 0.7 * psd,
        "common_psd_high_arcsec2_hz": 1.5 * psd,
        "differential_psd_arcsec2_hz": 0.5 * smooth * rng.chisquare(40, f.size) / 40,
        "air_psd_arcsec2_hz": smooth,
        "air_psd_low_arcsec2_hz": 0.6 * smooth,
        "air_psd_high_arcsec2_hz": 1.7 * smooth,
        "noise_psd_arcsec2_hz": np.full(f.size, 4e-6),
        "coherence": np.clip((0.3 * smooth + peak) / (smooth + peak), 0, 1),
        "time_edge_s": edge_s,
        "frequency_edge_hz": edge_hz,
        "common_psd_by_time_arcsec2_hz": by_time,
        "pair_separation_arcsec": separation,
        "pair_along_rms_arcsec": model(separation) * rng.normal(1, 0.05, 45),
        "pair_across_rms_arcsec": 0.8 * model(separation) * rng.normal(1, 0.05, 45),
        "pair_model_separation_arcsec": grid,
        "baseline_m": baseline,
        "otf_measured": otf * rng.normal(1, 0.01, 40),
        "otf_model": otf,
        "otf_model_low": 0.95 * otf,
        "otf_model_high": np.minimum(1.05 * otf, 1),
        "elongation_e1": rng.normal(0.06, 0.03, n),
        "elongation_e2": rng.normal(-0.01, 0.03, n),
        "star_flux_adu": 1e5 / np.arange(1, 11),
        "star_x_px": star_x,
        "star_y_px": star_y,
    }
    for part, factor in (("along", 1.0), ("across", 0.8)):
        for end, scale in (("_low", 0.93), ("", 1.0), ("_high", 1.07)):
            arrays[f"pair_model_{part}{end}_arcsec"] = scale * factor * model(grid)
    images = {
        "recorded": star(5.4, 5.2),
        "without_tracking": star(5.2, 5.1),
        "without_structure": star(2.4, 2.3),
        "without_both": star(2.3, 2.2),
        "loop": film(rng),
        "finder": finder,
    }
    return Series(
        arrays=arrays,
        images={name: image.astype(np.float32) for name, image in images.items()},
        image_scale_arcsec=0.2,
    )


def remark(code: str, **facts: Any) -> record.Remark:
    """Return a remark."""
    return record.Remark(code=code, facts=facts)


def step(code: str, gain: float | None = None, **facts: Any) -> record.NextStep:
    """Return a next step."""
    return record.NextStep(code=code, facts=facts, gain_arcsec=gain)


def _line(frequency_hz: float, rms_arcsec: float) -> record.Line:
    return record.Line(
        frequency_hz=estimate(frequency_hz, 0.013),
        folded_frequency_hz=estimate(frequency_hz, 0.013),
        rms_arcsec=estimate(rms_arcsec, 0.04 * rms_arcsec),
        angle_deg=estimate(22.0, 3.0),
        damping_ratio=estimate(0.012, 0.003),
        false_alarm_probability=1e-9,
        shared_probability=0.998,
        alias_candidates_hz=[frequency_hz, 50 - frequency_hz],
        alias_odds=[0.97, 0.03],
        cause="pier or mount",
        cause_odds={"pier or mount": 0.9, "unknown": 0.1},
    )


def _shaken(text: str = "HD 1234") -> record.Result:
    """Return a night on which the structure shakes, and nothing else matters."""
    cures = ("atmosphere", "near_air", "tracking", "structure", "mechanics", "optics")
    return record.Result(
        version="0.2.0",
        command="blursplit measure night1 --setup rig.toml",
        sequence=record.SequenceInfo(
            name="night1",
            object=text,
            files=1,
            frames=3012,
            frames_used=2960,
            frames_dropped={"clouded": 40, "cosmic_ray": 12},
            stars_used=10,
            frame_exposure_s=0.008,
            cadence_s=0.02,
            duration_s=60.24,
            nyquist_hz=25.0,
            timing="jittered",
            start_utc="2024-03-02T22:05:00.000",
        ),
        setup={
            "aperture_m": Setting(value=0.25, origin="setup file"),
            "obstruction": Setting(value=0.3, origin="setup file"),
            "pixel_scale_arcsec": Setting(value=0.65, origin="header"),
            "outer_scale_m": Setting(value=[10.0, 50.0], origin="default"),
            "wavelength_nm": Setting(value=550.0, origin="default"),
            "position_angle_deg": Setting(value=12.0, origin="header"),
            "flip": Setting(value=False, origin="header"),
            "gain_e_per_adu": Setting(value=0.8, origin="header"),
        },
        motion=record.Motion(
            common_rms_x_arcsec=estimate(0.61, 0.03),
            common_rms_y_arcsec=estimate(0.312, 0.014),
            noise_rms_arcsec=estimate(0.0242, 0.0012),
            pair_rms_x_px=estimate(0.31, 0.02),
            pair_rms_y_px=estimate(0.29, 0.02),
            rotation_rms_arcsec=estimate(370.0, 12.0),
            pairs=[
                record.PairMotion(
                    separation_arcsec=separation,
                    along_rms_arcsec=estimate(along, 0.02),
                    across_rms_arcsec=estimate(0.8 * along, 0.02),
                    count=15,
                )
                for separation, along in ((150.0, 0.32), (420.0, 0.35), (750.0, 0.37))
            ],
        ),
        fwhm=record.Fwhm(
            blur_time_s=60.0,
            recorded_arcsec=estimate(2.494, 0.014),
            recorded_major_arcsec=estimate(2.62, 0.02),
            recorded_minor_arcsec=estimate(2.37, 0.02),
            without_tracking_arcsec=estimate(2.41, 0.03),
            without_structure_arcsec=estimate(1.12, 0.05),
            without_both_arcsec=estimate(1.08, 0.05),
            registered_arcsec=estimate(1.31, 0.01),
            method="frames",
        ),
        atmosphere=record.Atmosphere(
            fwhm_arcsec=estimate(0.86, 0.04),
            seeing_500nm_zenith_arcsec=estimate(0.81, 0.05),
            r0_500nm_zenith_m=estimate(0.124, 0.008),
            lower_seeing_arcsec=estimate(0.62, 0.05),
            upper_seeing_arcsec=estimate(1.05, 0.06),
            wind_m_s=estimate(9.2, 2.1),
            motion_rms_arcsec=estimate(0.21, 0.02),
            saving_arcsec=estimate(0.26, 0.04),
            saving_fraction=estimate(0.104, 0.016),
            share=0.20,
        ),
        near_air=record.NearAir(saving_arcsec=Estimate.upper_limit(0.058), share=0.02),
        tracking=record.Tracking(
            rms_major_arcsec=estimate(0.24, 0.02),
            rms_minor_arcsec=Estimate.upper_limit(0.0058),
            angle_deg=estimate(2.0, 1.5),
            saving_arcsec=estimate(0.083, 0.021),
            saving_fraction=estimate(0.033, 0.008),
            share=0.05,
            drift_arcsec_per_min=estimate(1.2, 0.04),
            drift_angle_deg=estimate(2.0, 1.0),
            phase_curves=[
                record.PhaseCurve(
                    name="worm",
                    period_s=24.0,
                    turns_covered=2.5,
                    covered_share=1.0,
                    angle_deg=0.0,
                    phase_turns=[(k + 0.5) / 20 for k in range(20)],
                    shift_arcsec=[0.35 * float(np.sin(0.314 * k)) for k in range(20)],
                    shift_error_arcsec=[0.03] * 20,
                    curve_arcsec=[0.35 * float(np.sin(0.314 * k)) for k in range(20)],
                    curve_low_arcsec=[0.35 * float(np.sin(0.314 * k)) - 0.02 for k in range(20)],
                    curve_high_arcsec=[0.35 * float(np.sin(0.314 * k)) + 0.02 for k in range(20)],
                    peak_to_peak_arcsec=estimate(0.70, 0.03),
                )
            ],
        ),
        structure=record.Structure(
            rms_major_arcsec=estimate(0.84, 0.03),
            rms_minor_arcsec=estimate(0.79, 0.03),
            angle_deg=estimate(22.0, 3.0),
            saving_arcsec=estimate(1.374, 0.052),
            saving_fraction=estimate(0.551, 0.021),
            share=0.68,
            undetected_rms_arcsec=0.0212,
            band_hz=(0.5, 25.0),
        ),
        mechanics=record.Saving(
            saving_arcsec=estimate(1.414, 0.05), saving_fraction=estimate(0.567, 0.02)
        ),
        open=record.Open(
            motion_rms_major_arcsec=estimate(0.08, 0.03),
            motion_rms_minor_arcsec=estimate(0.075, 0.03),
            band_hz=(0.05, 4.0),
            share=0.02,
        ),
        instrument=record.InstrumentPart(
            base_fwhm_arcsec=0.72,
            optics_fwhm_arcsec=estimate(0.31, 0.08),
            optics_from="star image alone",
            saving_arcsec=estimate(0.021, 0.011),
            saving_fraction=estimate(0.008, 0.004),
            share=0.03,
        ),
        lines=[_line(6.31, 0.83), _line(8.32, 0.21)],
        events=[
            record.Event(
                start_s=14.02,
                duration_s=0.62,
                frames=31,
                kind="shock",
                onsets=1,
                peak_arcsec=estimate(2.1, 0.05),
                frequency_hz=8.3,
                frequency_low_hz=6.1,
                frequency_high_hz=9.9,
            )
        ],
        event_search=record.EventSearch(
            frames_searched=2960,
            frames_affected=31,
            fast_motion_share=0.03,
            smallest_peak_arcsec=0.4,
            window_s=0.5,
            false_alarm_probability=0.01,
        ),
        fit=record.Fit(method="sampler, two seeds", r_hat_max=1.004, effective_draws=900),
        verdict=record.Verdict(
            level="split",
            worth_arcsec=0.2494,
            matters={
                **dict.fromkeys(cures, "no"),
                "atmosphere": "yes",
                "structure": "yes",
                "mechanics": "yes",
            },
            largest=["structure"],
            headline_code="cure-matters",
            headline_facts={
                "cure": "structure",
                "width_arcsec": 2.494,
                "without_arcsec": [1.12, 1.04, 1.21],
                "seeing_arcsec": [0.81, 0.76, 0.87],
            },
            reasons=[
                remark(
                    "lines-found", count=2, strongest_hz=[6.31], rms_arcsec=0.83, owner="structure"
                ),
                remark("pairs-show-air", seeing_arcsec=0.62),
                remark("drift-found", rate_arcsec_per_min=1.2, angle_deg=2.0),
                remark(
                    "saving",
                    cure="structure",
                    low_arcsec=1.32,
                    value_arcsec=1.374,
                    high_arcsec=1.43,
                ),
            ],
            next=[
                step("stiffen", 1.37, frequency_hz=[6.31]),
                step("tap-pier", 1.37, frequency_hz=[6.31]),
                step("polar-alignment", 0.08, rate_arcsec_per_min=1.2),
            ],
        ),
        warnings=[remark("optics-unstated")],
    )


def _like(result: record.Result, **parts: Any) -> record.Result:
    return result.model_copy(update=parts)


def _turbulent(shaken: record.Result) -> record.Result:
    return _like(
        shaken,
        fwhm=record.Fwhm(
            blur_time_s=60.0,
            recorded_arcsec=estimate(2.478, 0.012),
            without_tracking_arcsec=estimate(2.477, 0.012),
            without_structure_arcsec=estimate(2.476, 0.012),
            without_both_arcsec=estimate(2.475, 0.012),
        ),
        atmosphere=record.Atmosphere(
            fwhm_arcsec=estimate(2.36, 0.06),
            seeing_500nm_zenith_arcsec=estimate(2.31, 0.06),
            lower_seeing_arcsec=estimate(1.9, 0.1),
            saving_arcsec=estimate(1.6, 0.05),
            share=0.96,
        ),
        near_air=record.NearAir(saving_arcsec=Estimate.upper_limit(0.12), share=0.01),
        tracking=record.Tracking(
            rms_major_arcsec=Estimate.upper_limit(0.031),
            saving_arcsec=Estimate.upper_limit(0.0058),
            share=0.001,
        ),
        structure=record.Structure(
            rms_major_arcsec=Estimate.upper_limit(0.045),
            saving_arcsec=Estimate.upper_limit(0.012),
            share=0.004,
            undetected_rms_arcsec=0.045,
            band_hz=(0.5, 25.0),
        ),
        mechanics=record.Saving(saving_arcsec=Estimate.upper_limit(0.018)),
        instrument=record.InstrumentPart(
            base_fwhm_arcsec=0.72, saving_arcsec=Estimate.upper_limit(0.1), share=0.01
        ),
        open=record.Open(share=0.015),
        lines=[],
        events=[],
        verdict=record.Verdict(
            level="split",
            worth_arcsec=0.248,
            matters=dict.fromkeys(
                ("near_air", "tracking", "structure", "mechanics", "optics"), "no"
            ),
            largest=[],
            headline_code="no-cure-matters",
            headline_facts={
                "worth_arcsec": 0.248,
                "width_arcsec": 2.478,
                "seeing_arcsec": [2.31, 2.22, 2.41],
            },
            reasons=[
                remark("no-line-found", limit_rms_arcsec=0.045, band_low_hz=0.5, band_high_hz=25.0),
                remark("pairs-show-air", seeing_arcsec=1.9),
            ],
            next=[step("observe-higher", 0.2, airmass=1.43)],
        ),
    )


def _open(shaken: record.Result) -> record.Result:
    return _like(
        shaken,
        fwhm=record.Fwhm(
            blur_time_s=60.0,
            recorded_arcsec=estimate(2.51, 0.013),
            without_both_arcsec=estimate(2.3, 0.15),
        ),
        structure=record.Structure(
            saving_arcsec=Estimate(value=0.2, low=0.02, high=0.41, low95=0.0, high95=0.46),
            share=0.02,
        ),
        mechanics=record.Saving(
            saving_arcsec=Estimate(value=0.2, low=0.02, high=0.41, low95=0.0, high95=0.46)
        ),
        near_air=record.NearAir(
            saving_arcsec=Estimate(value=0.2, low=0.01, high=0.4, low95=0.0, high95=0.45),
            share=0.05,
        ),
        atmosphere=record.Atmosphere(seeing_500nm_zenith_arcsec=estimate(2.0, 0.2), share=0.55),
        tracking=record.Tracking(saving_arcsec=Estimate.upper_limit(0.04), share=0.01),
        open=record.Open(motion_rms_major_arcsec=estimate(0.42, 0.03), share=0.35),
        instrument=record.InstrumentPart(
            base_fwhm_arcsec=0.72, saving_arcsec=Estimate.upper_limit(0.1), share=0.02
        ),
        lines=[],
        verdict=record.Verdict(
            level="split",
            worth_arcsec=0.251,
            matters={
                "near_air": "open",
                "tracking": "no",
                "structure": "open",
                "mechanics": "open",
                "optics": "no",
            },
            largest=["mechanics", "near_air"],
            headline_code="open",
            headline_facts={"cure": "mechanics", "up_to_arcsec": 0.44, "width_arcsec": 2.51},
            reasons=[remark("open-motion", rms_arcsec=0.42)],
            next=[step("sensor", 0.44), step("longer-run", 0.2, duration_s=600.0)],
        ),
    )


def _unknown_optics(turbulent: record.Result) -> record.Result:
    return _like(
        turbulent,
        atmosphere=record.Atmosphere(upper_seeing_arcsec=estimate(2.4, 0.1)),
        near_air=record.NearAir(),
        instrument=record.InstrumentPart(base_fwhm_arcsec=0.72),
        open=record.Open(constant_blur_arcsec=Estimate.upper_limit(2.2)),
        verdict=record.Verdict(
            level="split",
            worth_arcsec=0.248,
            matters={"tracking": "no", "structure": "no", "mechanics": "no", "optics": "open"},
            headline_code="no-cure-matters",
            headline_facts={"worth_arcsec": 0.248, "width_arcsec": 2.478},
            reasons=[remark("optics-unstated"), remark("steady-blur-open", fwhm_arcsec=2.2)],
            next=[step("focus-runs", 1.2), step("state-optics", 1.2)],
        ),
    )


def _positions(shaken: record.Result) -> Case:
    rng = np.random.default_rng(3)
    series = _series(rng, 900)
    kept = {
        name: values
        for name, values in series.arrays.items()
        if name.startswith(("time_s", "common_", "frequency", "star_"))
        and "by_time" not in name
        and name != "frequency_edge_hz"
    }
    result = record.Result(
        version="0.2.0",
        command="blursplit measure positions.csv",
        sequence=record.SequenceInfo(
            name="positions", files=1, frames=900, frames_used=900, stars_used=1, duration_s=18.0
        ),
        motion=record.Motion(
            common_rms_x_px=estimate(0.41, 0.02),
            common_rms_y_px=estimate(0.22, 0.01),
            noise_rms_px=estimate(0.02, 0.001),
        ),
        structure=record.Structure(undetected_rms_arcsec=None),
        lines=[_line(6.31, 0.2)],
        verdict=record.Verdict(
            level="positions",
            matters={"mechanics": "open"},
            headline_code="positions-only",
            headline_facts={
                "band_low_hz": 0.2,
                "band_high_hz": 25.0,
                "rms_arcsec": [0.31, 0.29, 0.33],
                "added_arcsec": 0.12,
            },
            reasons=[remark("no-star-image"), remark("one-star")],
            next=[step("raw-frames"), step("more-stars", 0.1)],
        ),
        warnings=[remark("pixels-not-checked")],
    )
    del shaken
    return Case(result, Series(kept, {}, None))


def _void(shaken: record.Result) -> record.Result:
    check = record.Check(code="frames-recentred", severity="void", facts={})
    return _like(
        shaken,
        structure=record.Structure(),
        tracking=record.Tracking(),
        mechanics=record.Saving(),
        near_air=record.NearAir(),
        atmosphere=record.Atmosphere(),
        open=record.Open(),
        instrument=record.InstrumentPart(base_fwhm_arcsec=0.72),
        lines=[],
        fwhm=record.Fwhm(blur_time_s=60.0, recorded_arcsec=estimate(1.31, 0.01)),
        checks=[check],
        verdict=record.Verdict(
            level="positions",
            matters=dict.fromkeys(("tracking", "structure", "mechanics"), "not asked"),
            headline_code="not-asked",
            headline_facts={"check": "frames-recentred"},
            next=[step("raw-frames")],
        ),
        warnings=[record.Remark(code="frames-recentred")],
    )


def _not_converged(shaken: record.Result) -> record.Result:
    return _like(
        _void(shaken),
        checks=[],
        fit=record.Fit(method="sampler, two seeds", r_hat_max=1.08, converged=False),
        verdict=record.Verdict(
            headline_code="not-converged",
            headline_facts={"r_hat": 1.08},
            next=[step("longer-run", None, duration_s=300.0)],
        ),
        warnings=[],
    )


def _tracked(shaken: record.Result) -> record.Result:
    return _like(
        shaken,
        fwhm=record.Fwhm(
            blur_time_s=60.0,
            recorded_arcsec=estimate(3.41, 0.02),
            without_tracking_arcsec=estimate(2.1, 0.05),
            without_both_arcsec=estimate(2.08, 0.05),
        ),
        tracking=record.Tracking(
            rms_major_arcsec=estimate(1.1, 0.03),
            saving_arcsec=estimate(1.31, 0.05),
            share=0.5,
            drift_arcsec_per_min=estimate(3.2, 0.1),
        ),
        structure=record.Structure(saving_arcsec=Estimate.upper_limit(0.06), share=0.02),
        atmosphere=record.Atmosphere(seeing_500nm_zenith_arcsec=estimate(1.9, 0.1), share=0.42),
        verdict=record.Verdict(
            level="split",
            worth_arcsec=0.341,
            matters={
                "near_air": "no",
                "tracking": "yes",
                "structure": "no",
                "mechanics": "yes",
                "optics": "no",
            },
            headline_code="cure-matters",
            headline_facts={
                "cure": "tracking",
                "width_arcsec": 3.41,
                "without_arcsec": [2.1, 2.0, 2.2],
                "seeing_arcsec": [1.9, 1.8, 2.0],
            },
            reasons=[
                remark("drift-found", rate_arcsec_per_min=3.2, angle_deg=2.0),
                remark("drive-period-found", period_s=480.0, turns=1.5),
            ],
            next=[
                step("polar-alignment", 1.0, rate_arcsec_per_min=3.2),
                step("service-drive", 0.3, period_s=480.0),
            ],
        ),
    )


@pytest.fixture(scope="session")
def cases() -> dict[str, Case]:
    """Return every kind of case by name; nobody changes them."""
    shaken = _shaken()
    series = _series(np.random.default_rng(7))
    turbulent = _turbulent(shaken)
    made = {
        "yes": shaken,
        "no": turbulent,
        "open": _open(shaken),
        "unknown-optics": _unknown_optics(turbulent),
        "voided": _void(shaken),
        "not-converged": _not_converged(shaken),
        "tracking": _tracked(shaken),
        "hostile": _shaken(HOSTILE),
    }
    found = {name: Case(result, series) for name, result in made.items()}
    bare = record.SequenceInfo(files=1, frames=20, frames_used=20, stars_used=1)
    return {
        **found,
        "positions": _positions(shaken),
        "empty": Case(record.Result(sequence=bare), Series()),
    }


@pytest.fixture
def full(cases: dict[str, Case]) -> Case:
    """Return the case that has everything."""
    return cases["yes"]


CASE_NAMES = (
    "yes",
    "no",
    "open",
    "unknown-optics",
    "voided",
    "not-converged",
    "tracking",
    "hostile",
    "positions",
    "empty",
)


@pytest.fixture(params=CASE_NAMES)
def case(request: pytest.FixtureRequest, cases: dict[str, Case]) -> Case:
    """Return each case in turn."""
    return cases[request.param]


@pytest.fixture(scope="session")
def page_of(cases: dict[str, Case]) -> Callable[[str], str]:
    """Return the function that renders a case's page, each once."""
    from blursplit.report.page import render_page

    @functools.cache
    def page(name: str) -> str:
        return render_page(cases[name].result, cases[name].series)

    return page
