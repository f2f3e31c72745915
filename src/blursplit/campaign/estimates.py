"""What runs say: estimates by their path, as distributions, as the mean of several runs.

And what a line in a run must stand out of: the shared air and noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from pydantic import BaseModel

from blursplit import constants as const
from blursplit.result import Result
from blursplit.series import Series
from blursplit.spectra.aliases import apparent_frequency
from blursplit.spectra.detection_limit import mode_limit_arcsec
from blursplit.turbulence.conversions import r0_m, scale_r0
from blursplit.types import FloatArray

Range = Literal["low", "middle", "high"]


def value_at(record: BaseModel | dict[str, Any], path: str) -> Any:
    """Return what stands at a path of a record or of parsed JSON; None where the path ends."""
    here: Any = record
    for part in path.split("."):
        here = here.get(part) if isinstance(here, dict) else getattr(here, part, None)
        if here is None:
            return None
    return here


# --- what a line must stand out of ----------------------------------------------------------------
@dataclass(frozen=True)
class Background:
    """What a line must stand out of, on one axis of the shared motion."""

    frequency_hz: FloatArray  # (m,): increasing, from about 1/duration to the Nyquist frequency
    # `low`, `middle`, `high`: (m,): one-sided density [arcsec^2/Hz] and its range, mostly that of
    # the wind.
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    duration_s: float
    cadence_s: float
    exposure_s: float

    @property
    def stretches(self) -> int:
        """Number of stretches into which the line search cuts a long run."""
        return int(np.ceil(self.duration_s / self.cadence_s / const.LINE_PIECE_SAMPLES))

    @property
    def stretch_s(self) -> float:
        """Length of one of them, which sets the resolution of the search."""
        return self.duration_s / self.stretches

    @property
    def nyquist_hz(self) -> float:
        """Half of the frame rate."""
        return 0.5 / self.cadence_s

    def at(self, frequency_hz: FloatArray | float, which: Range = "middle") -> FloatArray:
        """Return the density at a true frequency, found where sampling folds it to."""
        seen = apparent_frequency(frequency_hz, 1.0 / self.cadence_s)
        log_density = np.log(np.maximum(getattr(self, which), 1e-300))
        return np.asarray(np.exp(np.interp(seen, self.frequency_hz, log_density)))

    @classmethod
    def modelled(
        cls,
        known: Callable[[str], Any],
        *,
        seeing_arcsec: float,
        wavelength_m: float,
        airmass: float,
        noise_arcsec: float,
        duration_s: float,
        cadence_s: float,
        exposure_s: float,
    ) -> Background:
        """Return the shared motion's background: air seen by all stars alike, plus centroid noise.

        `known`: from keys of the setup to values. `seeing_arcsec`: at 500 nm and zenith. Winds
        between the ends of `wind_m_s` are equally likely in their logarithm; the density's median
        over them is `middle`, the 16 % and 84 % points are `low` and `high`. `noise_arcsec`:
        one-axis noise of the shared motion in one frame.

        Tilt spectra (Conan, Rousset & Madec 1995, JOSA A 12, 1559), mean of the two wind
        directions, times sinc^2 of the exposure; what lies above the Nyquist frequency is folded
        back once. All of the air counts as common, which is the ground-layer case and the worst one
        for a line. Noise: 2 sigma^2 dt.
        """
        from blursplit.turbulence.tilt import tilt_spectra

        nyquist = 0.5 / cadence_s
        f = np.geomspace(min(1.0 / duration_s, 0.1 * nyquist), nyquist, 400)
        aperture_m, obstruction = float(known("aperture_m")), float(known("obstruction") or 0.0)
        r0 = r0_along_sight_m(seeing_arcsec, wavelength_m, airmass)
        unit = (
            (const.ARCSEC_PER_RADIAN * wavelength_m) ** 2 * r0 ** (-5 / 3) * aperture_m ** (-1 / 3)
        )
        slowest, fastest = known("wind_m_s") or (2.0, 30.0)
        winds = np.geomspace(slowest, fastest, 7)
        air = np.empty((len(winds), f.size))
        ratio = aperture_m / math.sqrt(math.prod(known("outer_scale_m") or (10.0, 50.0)))
        for k, wind in enumerate(winds):
            scale = unit * aperture_m / wind
            for image in (f, 2 * nyquist - f):
                along, across = tilt_spectra(image * aperture_m / wind, ratio, obstruction, "Z")
                term = 0.5 * scale * (along + across)
                term *= np.sinc(image * exposure_s) ** 2
                air[k] = term if image is f else air[k] + term
        noise = 2.0 * noise_arcsec**2 * cadence_s
        low, middle, high = np.percentile(air, const.BAND_PERCENTILES, axis=0) + noise
        return cls(f, low, middle, high, duration_s, cadence_s, exposure_s)

    @classmethod
    def of(cls, result: Result, series: Series | None = None) -> Background | None:
        """Return the background of a measured run: its own density, else that of its model.

        `series`: with the density of the shared motion; the running median over two dozen bins is
        the continuum, so that the lines themselves do not raise it. None when too little is known
        (no frame interval, no seeing, no aperture).
        """
        s = result.sequence
        if not (s.cadence_s and s.duration_s and s.duration_s > 8 * s.cadence_s):
            return None
        exposure = s.frame_exposure_s or 0.0
        if series is not None and "common_psd_x_arcsec2_hz" in series.arrays:
            return _measured(series, s.duration_s, s.cadence_s, exposure)
        seeing = result.atmosphere.seeing_500nm_zenith_arcsec
        noise = result.motion.noise_rms_arcsec
        if seeing is None or not result.setting("aperture_m"):
            return None
        return Background.modelled(
            result.setting,
            seeing_arcsec=float(seeing.quantile(0.0)),
            wavelength_m=s.wavelength_m or 550e-9,
            airmass=s.airmass or 1.0,
            noise_arcsec=0.0 if noise is None else noise.value or 0.0,
            duration_s=s.duration_s,
            cadence_s=s.cadence_s,
            exposure_s=exposure,
        )

    def smallest_arcsec(
        self,
        frequency_hz: FloatArray | float,
        damping_ratio: float = 0.0,
        *,
        which: Range = "middle",
    ) -> FloatArray:
        """Return the rms [arcsec] of the smallest motion that is found 95 times in 100.

        `damping_ratio`: 0 for a steady line.
        """
        return mode_limit_arcsec(
            frequency_hz,
            damping_ratio,
            self.frequency_hz,
            getattr(self, which),
            duration_s=self.duration_s,
            cadence_s=self.cadence_s,
            exposure_s=self.exposure_s,
        )


def r0_along_sight_m(
    seeing_500nm_zenith_arcsec: float, wavelength_m: float, airmass: float
) -> float:
    """Return r0 at a wavelength and airmass from the seeing at 500 nm and zenith (Fried 1966)."""
    zenith = r0_m(seeing_500nm_zenith_arcsec, const.SEEING_WAVELENGTH_M)
    places = {"from_wavelength_m": const.SEEING_WAVELENGTH_M, "to_wavelength_m": wavelength_m}
    return float(scale_r0(zenith, **places, to_airmass=airmass))


def _measured(series: Series, duration_s: float, cadence_s: float, exposure_s: float) -> Background:
    from scipy.ndimage import median_filter

    f = np.asarray(series.arrays["frequency_hz"], dtype=float)
    x = np.asarray(series.arrays["common_psd_x_arcsec2_hz"], dtype=float)
    y = np.asarray(series.arrays["common_psd_y_arcsec2_hz"], dtype=float)
    ok = (f > 0) & np.isfinite(x) & np.isfinite(y)
    # The worse axis counts: a line may lie along it.
    worse = np.exp(median_filter(np.log(np.maximum(x, y)[ok]), size=25, mode="nearest"))
    return Background(f[ok], worse, worse, worse, duration_s, cadence_s, exposure_s)
