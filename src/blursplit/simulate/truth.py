"""The realised truth of a simulated sequence, in the words of the result file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from blursplit.simulate.scene import ARCSEC_PER_RAD, SEEING_IN_LAMBDA_OVER_R0
from blursplit.simulate.widths import (
    atmosphere_fwhm_arcsec,
    expected_variances,
    width_of_transform,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.simulate.sequence import Simulation

    FloatArray = NDArray[np.float64]

SCHEMA = "blursplit-truth/1"
DIGITS = 6


def covariance_in_windows(
    series: FloatArray, rate_hz: float, window_s: float, duration_s: float
) -> FloatArray:
    """Return the mean covariance of a motion inside windows, each about its own mean.

    Parameters
    ----------
    series : ndarray, shape (n, 2)
        Motion on a regular grid that starts with the first exposure.
    rate_hz, window_s, duration_s : float
        Sampling of the series, blur time and length of the sequence; the sequence is cut into
        as many whole windows as fit.

    Returns
    -------
    ndarray, shape (2, 2)
    """
    n = min(series.shape[0], max(2, round(duration_s * rate_hz)))
    length = max(2, min(n, round(window_s * rate_hz)))
    windows = max(1, n // length)
    cut = series[: windows * length].reshape(windows, length, 2)
    cut = cut - cut.mean(axis=1, keepdims=True)
    return np.asarray(np.einsum("wti,wtj->ij", cut, cut) / (windows * length))


def axes_of(covariance: FloatArray) -> dict[str, float]:
    """Return major and minor rms and the axial direction of a covariance of (x, y)."""
    values, vectors = np.linalg.eigh(covariance)
    minor, major = np.sqrt(np.clip(values, 0, None))
    angle = float(np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180)
    return {
        "rms_major_arcsec": round(float(major), DIGITS),
        "rms_minor_arcsec": round(float(minor), DIGITS),
        "angle_deg": round(angle, 3),
    }


def truth_of(run: Simulation) -> dict[str, Any]:
    """Return the truth of a finished simulation, ready for JSON.

    Returns
    -------
    dict
        Keys as in the result file where the meaning is the same: `tracking`, `structure`
        (modes and taps), `wind_shake` and `tube` (shared, cause open), `atmosphere`,
        `instrument`, `fwhm`, `lines`. Motions are rms over `blur_time_s` about each window's
        own mean, of the image's instantaneous position.
    """
    scene = run.scene
    return {
        "schema": SCHEMA,
        "seed": run.seed,
        "blur_time_s": run.blur_time_s(),
        "frames": run.n_frames,
        "duration_s": scene.duration_s,
        "sub_exposures": run.n_sub,
        "atmosphere": _air_truth(run),
        **{group: _motion_truth(run, group) for group in _groups()},
        "lines": _lines_truth(run),
        "instrument": _instrument_truth(run),
        "fwhm": _width_truth(run),
        "stars": [
            {"x_px": round(float(x), 4), "y_px": round(float(y), 4), "flux_e_per_s": float(f)}
            for x, y, f in zip(run.stars.x_px, run.stars.y_px, run.stars.flux_e_per_s, strict=True)
        ],
        "scene": scene.model_dump(mode="json"),
    }


def _groups() -> tuple[str, ...]:
    return ("tracking", "structure", "wind_shake", "tube")


def _window_of(run: Simulation, series: FloatArray) -> FloatArray:
    first = round(-run.shared.start_s * run.shared.rate_hz)
    return covariance_in_windows(
        series[first:], run.shared.rate_hz, run.blur_time_s(), run.scene.duration_s
    )


def _motion_truth(run: Simulation, group: str) -> dict[str, Any]:
    names = run.shared.groups.get(group, ())
    total = run.shared.total(names) if names else np.zeros((4, 2))
    out: dict[str, Any] = axes_of(_window_of(run, total)) if names else axes_of(np.zeros((2, 2)))
    if group == "tracking":
        angle = np.deg2rad([d.angle_deg for d in run.scene.drift])
        rate = np.array([d.arcsec_per_min for d in run.scene.drift])
        speed = np.hypot(np.sum(rate * np.cos(angle)), np.sum(rate * np.sin(angle)))
        out["drift_arcsec_per_min"] = round(float(speed), DIGITS)
    return out


def _lines_truth(run: Simulation) -> list[dict[str, Any]]:
    lines = []
    for number, mode in enumerate(run.scene.mode, start=1):
        entry: dict[str, Any] = {
            "frequency_hz": mode.frequency_hz,
            "damping_ratio": mode.damping_ratio,
        }
        entry.update(axes_of(_window_of(run, run.shared.terms[f"mode {number}"])))
        lines.append(entry)
    lines += [
        {
            "frequency_hz": 1 / error.period_s,
            "amplitude_arcsec": error.amplitude_arcsec,
            "angle_deg": error.angle_deg,
        }
        for error in run.scene.periodic
    ]
    return lines


def _air_truth(run: Simulation) -> dict[str, Any]:
    scene = run.scene
    r0 = scene.air.r0_m
    if r0 is None:
        return {"r0_500nm_zenith_m": None, "seeing_500nm_zenith_arcsec": 0.0}
    imager, outer = run.imager, scene.air.outer_scale_m
    tilt, rest = expected_variances(imager.x_m, imager.y_m, imager.share, r0, outer)
    # the roughness left after tilt goes as r0^(-5/3), and half a minute holds many draws of it
    ratio = (run.rest_rad2 / run.n_samples / rest) ** (-3 / 5)
    zenith = scene.air.r0_zenith_m or np.nan
    seeing = SEEING_IN_LAMBDA_OVER_R0 * 500e-9 / zenith * ARCSEC_PER_RAD
    motion = run.air_tilt_arcsec
    centred = motion - motion.mean(axis=0)
    common = centred.mean(axis=1)
    parted = centred - common[:, None]
    n_stars = motion.shape[1]
    spare = np.sqrt(n_stars / (n_stars - 1)) if n_stars > 1 else np.nan

    def rms(a: FloatArray, factor: float = 1.0) -> list[float] | None:
        value = factor * np.sqrt(np.mean(a**2, axis=tuple(range(a.ndim - 1))))
        return [round(float(v), DIGITS) for v in value] if np.all(np.isfinite(value)) else None

    return {
        "r0_500nm_zenith_m": zenith,
        "r0_500nm_zenith_realised_m": round(zenith * ratio, DIGITS),
        "seeing_500nm_zenith_arcsec": round(float(seeing), DIGITS),
        "seeing_500nm_zenith_realised_arcsec": round(float(seeing / ratio), DIGITS),
        "r0_m": r0,
        "outer_scale_m": outer,
        "fwhm_arcsec": round(atmosphere_fwhm_arcsec(r0, outer, run.wavelength_m), DIGITS),
        "fwhm_realised_arcsec": round(
            atmosphere_fwhm_arcsec(r0 * ratio, outer, run.wavelength_m), DIGITS
        ),
        "tilt_rms_expected_arcsec": round(
            float(np.sqrt(tilt) * np.mean(np.abs(run.tilt_arcsec))),
            DIGITS,
        ),
        "frame_motion_rms_xy_arcsec": rms(centred),
        "frame_common_rms_xy_arcsec": rms(common),
        "frame_parted_rms_xy_arcsec": rms(parted, spare),
    }


def _instrument_truth(run: Simulation) -> dict[str, Any]:
    imager = run.imager
    still = np.zeros((1, imager.x_m.size), dtype=np.float32)
    light = imager.spectra(still, np.zeros((1, 2)), 1)[0].astype(complex)
    width = width_of_transform(light * imager.blur_transfer(light.shape[0]), imager.fine_arcsec)
    diffraction = width_of_transform(light, imager.fine_arcsec)
    return {
        "fwhm_arcsec": round(width.fwhm, DIGITS),
        "before_pixel_and_blur_arcsec": round(diffraction.fwhm, DIGITS),
        "blur_fwhm_arcsec": run.scene.telescope.instrument_fwhm_arcsec,
        "pixel_arcsec": run.scene.camera.pixel_scale_arcsec,
    }


def _width_truth(run: Simulation) -> dict[str, Any]:
    """Mean widths of the brightest stars; the direction is that of the first."""
    out: dict[str, Any] = {"stars": 0, "blur_time_s": run.blur_time_s()}
    for name, names in run.variants.items():
        widths = [mean.width() for mean in run.mean_light[names] if mean.image.any()]
        if not widths:
            continue
        out["stars"] = len(widths)
        out[f"{name}_arcsec"] = round(float(np.mean([w.fwhm for w in widths])), DIGITS)
        out[f"{name}_major_arcsec"] = round(float(np.mean([w.major for w in widths])), DIGITS)
        out[f"{name}_minor_arcsec"] = round(float(np.mean([w.minor for w in widths])), DIGITS)
        out[f"{name}_angle_deg"] = round(widths[0].angle_deg, 2)
    return out
