"""Invented results and series that cover what a report can meet."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from blursplit import result as record
from blursplit.series import Series

if TYPE_CHECKING:
    from collections.abc import Callable

WORM_CURVE = Path(__file__).with_name("worm_curve.json").read_text()
HOSTILE = "<script>document.title='owned'</script>"


@dataclass(frozen=True)
class Case:
    """A result with its series."""

    result: record.Result
    series: Series


def estimate(value: float, error: float) -> record.Estimate:
    """Return an estimate with a symmetric interval."""
    low95, high95 = max(0.0, value - 2 * error), value + 2 * error
    return record.Estimate(
        value=value, low=max(low95, value - error), high=value + error, low95=low95, high95=high95
    )


def limit(high: float) -> record.Estimate:
    """Return an upper limit."""
    return record.Estimate(value=None, low=0.0, high=high, high95=high)


def star(sigma_x_px: float, sigma_y_px: float, size: int = 64) -> np.ndarray:
    """Return a Gaussian star of constant flux."""
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    image = np.exp(-0.5 * ((x / sigma_x_px) ** 2 + (y / sigma_y_px) ** 2))
    return image / (sigma_x_px * sigma_y_px) * 30


def _series(rng: np.random.Generator, n: int = 3000) -> Series:
    dt = 0.02
    t = np.arange(n) * dt
    air = [np.cumsum(rng.normal(size=n)) for _ in range(2)]
    air = [0.25 * (a - a.mean()) / a.std() for a in air]
    shake = 0.5 * np.sin(2 * np.pi * 8.3 * t) * (1 + 0.4 * np.sin(2 * np.pi * 0.21 * t))
    drive = 0.02 * (t - t.mean()) + 0.35 * np.sin(2 * np.pi * t / 24.0)
    x = air[0] + 0.9 * shake + drive
    y = air[1] + 0.4 * shake
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
        finder += (4000 / (k + 1)) * np.exp(
            -0.5 * ((xx - star_x[k]) ** 2 + (yy - star_y[k]) ** 2) / 2.2**2
        )
    exposure = np.geomspace(0.02, 60, 14)
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
        "pair_separation_arcsec": separation,
        "pair_along_rms_arcsec": model(separation) * rng.normal(1, 0.05, 45),
        "pair_across_rms_arcsec": 0.8 * model(separation) * rng.normal(1, 0.05, 45),
        "pair_model_separation_arcsec": grid,
        "baseline_m": baseline,
        "otf_measured": otf * rng.normal(1, 0.01, 40),
        "otf_model": otf,
        "otf_model_low": 0.95 * otf,
        "otf_model_high": np.minimum(1.05 * otf, 1),
        "exposure_grid_s": exposure,
        "exposure_fwhm_arcsec": 2.5 - 1.2 * np.exp(-exposure / 0.4),
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
        "recorded": star(5.3, 5.0),
        "without_tracking": star(5.0, 4.9),
        "without_structure": star(4.0, 3.9),
        "without_both": star(3.5, 3.4),
        "finder": finder,
    }
    return Series(
        arrays=arrays,
        images={name: image.astype(np.float32) for name, image in images.items()},
        image_scale_arcsec=0.2,
    )


def _full(text: str = "HD 1234") -> record.Result:
    return record.Result(
        version="0.1.0",
        command="blursplit measure night1 --setup rig.toml",
        sequence=record.SequenceInfo(
            name="night1",
            object=text,
            files=1,
            frames=3012,
            frames_used=2960,
            frames_dropped={"clouded": 40},
            stars_used=10,
            frame_exposure_s=0.008,
            cadence_s=0.02,
            duration_s=60.0,
            nyquist_hz=25.0,
            timing="jittered",
            segments=2,
        ),
        setup={
            "aperture_m": record.SetupEntry(value=0.2, origin="setup file"),
            "obstruction": record.SetupEntry(value=0.0, origin="default"),
            "pixel_scale_arcsec": record.SetupEntry(
                value=0.61234, origin="header", note="pixel size / focal length"
            ),
            "outer_scale_m": record.SetupEntry(value=[10.0, 50.0], origin="default"),
            "object": record.SetupEntry(value=text, origin="header"),
            "flip": record.SetupEntry(value=False, origin="header"),
            "position_angle_deg": record.SetupEntry(value=180.0, origin="header"),
        },
        motion=record.Motion(
            common_rms_x_arcsec=0.62,
            common_rms_y_arcsec=0.41,
            noise_rms_arcsec=0.031,
        ),
        fwhm=record.Fwhm(
            blur_time_s=60.0,
            recorded_arcsec=estimate(2.51, 0.03),
            recorded_major_arcsec=estimate(2.6, 0.04),
            recorded_minor_arcsec=estimate(2.4, 0.04),
            recorded_angle_deg=estimate(12.0, 9.0),
            without_tracking_arcsec=estimate(2.36, 0.05),
            without_structure_arcsec=estimate(1.88, 0.08),
            without_both_arcsec=estimate(1.64, 0.09),
            method="both",
        ),
        atmosphere=record.Atmosphere(
            fwhm_arcsec=estimate(1.42, 0.12),
            seeing_500nm_zenith_arcsec=estimate(1.48, 0.13),
            r0_500nm_zenith_m=estimate(0.068, 0.006),
            lower_seeing_arcsec=estimate(1.21, 0.07),
            upper_seeing_arcsec=estimate(1.66, 0.05),
            evidence=["pairs of stars"],
            unseen_by_pairs_share=estimate(0.32, 0.11),
            wind_m_s=estimate(9.0, 4.0),
            motion_rms_arcsec=estimate(0.36, 0.04),
            saved_arcsec=estimate(0.74, 0.08),
        ),
        tracking=record.Tracking(
            rms_major_arcsec=estimate(0.38, 0.03),
            rms_minor_arcsec=limit(0.08),
            angle_deg=estimate(3.0, 4.0),
            position_angle_deg=estimate(93.0, 4.0),
            gaussian_equivalent_fwhm_arcsec=estimate(0.89, 0.07),
            saved_arcsec=estimate(0.15, 0.03),
            drift_arcsec_per_min=estimate(1.2, 0.2),
            periodic=[
                record.PeriodicTerm(
                    name="worm",
                    period_s=24.0,
                    amplitude_arcsec=estimate(0.35, 0.04),
                    angle_deg=3.0,
                    turns_covered=2.5,
                )
            ],
            phase_curves=[record.PhaseCurve.model_validate_json(WORM_CURVE)],
        ),
        structure=record.Structure(
            rms_major_arcsec=estimate(0.71, 0.05),
            rms_minor_arcsec=estimate(0.31, 0.04),
            angle_deg=estimate(24.0, 3.0),
            position_angle_deg=estimate(114.0, 3.0),
            gaussian_equivalent_fwhm_arcsec=estimate(1.67, 0.12),
            saved_arcsec=estimate(0.63, 0.07),
        ),
        unassigned=record.Unassigned(
            rms_major_arcsec=limit(0.15),
            gaussian_equivalent_fwhm_arcsec=limit(0.35),
            saved_arcsec=limit(0.04),
        ),
        instrument=record.InstrumentPart(
            fwhm_arcsec=estimate(0.72, 0.06),
            diffraction_arcsec=0.57,
            pixel_arcsec=0.5,
            dispersion_arcsec=0.2,
            saved_arcsec=estimate(0.14, 0.03),
        ),
        lines=[
            record.Line(
                frequency_hz=estimate(8.31, 0.02),
                rms_arcsec=estimate(0.71, 0.05),
                angle_deg=estimate(24, 3),
                damping_ratio=estimate(0.012, 0.003),
                false_alarm_probability=1e-9,
                shared_probability=0.99,
                cause="pier, first bending mode",
                cause_odds={"pier, first bending mode": 0.7, "mount": 0.3},
            ),
            record.Line(
                frequency_hz=estimate(19.7, 0.05),
                rms_arcsec=estimate(0.06, 0.02),
                false_alarm_probability=0.004,
                kind="steady",
                alias_candidates_hz=[19.7, 30.3, 69.7],
                alias_odds=[0.5, 0.3, 0.2],
            ),
        ],
        verdict=record.Verdict(
            dominant="structure",
            probability=0.97,
            shares={
                "atmosphere": estimate(0.33, 0.05),
                "tracking": estimate(0.1, 0.02),
                "structure": estimate(0.47, 0.05),
                "unassigned": limit(0.05),
                "instrument": estimate(0.08, 0.02),
            },
            findings={"structure": "present", "unassigned": "below 0.15 arcsec"},
            statement="Most of this star's 2.51 arcsec (2.48 to 2.54) comes from the structure: "
            "it rings at 8.31 Hz (8.29 to 8.33).",
            reasons=["All ten stars share a damped line at 8.31 Hz (8.29 to 8.33)."],
            next=["Tap the pier and measure its ring-down.", "Stiffen the bolts at its head."],
        ),
        warnings=[
            record.Warning_(code="timing-software", text="Time stamps made by software jitter.")
        ],
    )


def _one_star(full: Case) -> Case:
    result = full.result.model_copy(
        update={
            "sequence": full.result.sequence.model_copy(update={"stars_used": 1}),
            "atmosphere": record.Atmosphere(upper_seeing_arcsec=estimate(1.66, 0.05)),
            "verdict": record.Verdict(next=["Record a field with four stars or more."]),
            "structure": record.Structure(),
            "unassigned": record.Unassigned(rms_major_arcsec=estimate(0.5, 0.1)),
        }
    )
    arrays = {
        name: values
        for name, values in full.series.arrays.items()
        if not name.startswith(("pair", "coherence", "differential"))
    }
    return Case(result, Series(arrays, full.series.images, 0.2))


def _px_only(full: Case) -> Case:
    result = record.Result(
        sequence=full.result.sequence,
        motion=record.Motion(common_rms_x_px=1.1, common_rms_y_px=0.7, noise_rms_px=0.05),
        fwhm=record.Fwhm(recorded_px=estimate(4.1, 0.1)),
        lines=[
            record.Line(
                frequency_hz=estimate(8.31, 0.02),
                rms_px=estimate(0.8, 0.1),
                false_alarm_probability=1e-6,
            )
        ],
    )
    images = {name: full.series.images[name] for name in ("recorded", "finder")}
    return Case(result, Series({}, images, None))


def _subframes(full: Case) -> Case:
    result = record.Result(
        sequence=record.SequenceInfo(
            files=6, frames=6, frames_used=6, stars_used=30, frame_exposure_s=60.0, duration_s=400.0
        ),
        fwhm=record.Fwhm(blur_time_s=60.0, recorded_arcsec=estimate(3.0, 0.2)),
        warnings=[record.Warning_(code="few-frames", text="Six frames allow no spectrum.")],
    )
    arrays = {
        "time_s": np.arange(6) * 70.0,
        "common_x_arcsec": np.array([0.0, 0.4, 0.9, 1.2, np.nan, 2.1]),
        "common_y_arcsec": np.array([0.0, -0.1, 0.1, 0.0, np.nan, 0.1]),
        "elongation_e1": np.full(6, np.nan),
        "elongation_e2": np.full(6, np.nan),
        "pair_separation_arcsec": np.zeros(0),
    }
    return Case(result, Series(arrays, {"recorded": full.series.images["recorded"]}, 0.2))


def _limits(full: Case) -> Case:
    result = full.result.model_copy(
        update={
            "tracking": record.Tracking(
                rms_major_arcsec=limit(0.1),
                gaussian_equivalent_fwhm_arcsec=limit(0.23),
                saved_arcsec=limit(0.01),
            ),
            "structure": record.Structure(
                rms_major_arcsec=limit(0.12),
                gaussian_equivalent_fwhm_arcsec=limit(0.3),
                saved_arcsec=limit(0.02),
            ),
            "lines": [],
            "events": [],
            "verdict": record.Verdict(
                dominant="undecided",
                probability=0.61,
                shares={"tracking": limit(0.02), "atmosphere": estimate(0.6, 0.2)},
                statement="These data do not decide between air and optics.",
                next=["Measure the instrument's width with an artificial star, by laser."],
            ),
        }
    )
    return Case(result, full.series)


@pytest.fixture(scope="session")
def cases() -> dict[str, Case]:
    """Return every kind of case by name; nobody changes them."""
    full = Case(_full(), _series(np.random.default_rng(7)))
    return {
        "full": full,
        "hostile": Case(_full(HOSTILE), full.series),
        "one-star": _one_star(full),
        "px-only": _px_only(full),
        "subframes": _subframes(full),
        "undecided": _limits(full),
        "empty": Case(
            record.Result(
                sequence=record.SequenceInfo(files=1, frames=20, frames_used=20, stars_used=1)
            ),
            Series(),
        ),
    }


@pytest.fixture
def full(cases: dict[str, Case]) -> Case:
    """Return the case that has everything."""
    return cases["full"]


CASE_NAMES = ("full", "hostile", "one-star", "px-only", "subframes", "undecided", "empty")


@pytest.fixture(params=CASE_NAMES)
def case(request: pytest.FixtureRequest, cases: dict[str, Case]) -> Case:
    """Return each case in turn."""
    return cases[request.param]


@pytest.fixture(scope="session")
def page_of(cases: dict[str, Case]) -> Callable[[str], str]:
    """Return the function that renders a case's page, each once."""
    from blursplit.report import render_page

    @functools.cache
    def page(name: str) -> str:
        return render_page(cases[name].result, cases[name].series)

    return page
