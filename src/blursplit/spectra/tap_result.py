"""The record that `tap` writes: ring-downs in arcsec (or pixels) with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from blursplit.estimate import Estimate
from blursplit.result import Remark
from blursplit.spectra.aliases import alias_candidates
from blursplit.spectra.densities import regular_grid, segment_slices
from blursplit.spectra.free_decay import third_harmonic
from blursplit.spectra.ringdown import measure_ringdown

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.spectra.ringdown import RingDown, Tap
    from blursplit.spectra.tap_means import Interval, RingMode

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

TAP_SCHEMA = "blursplit-tap/1"
SETTLE_ARCSEC = 0.5
SEED = 20240229

CAUTIONS: tuple[str, ...] = (
    "Tap gently with the flat of a hand or a rubber mallet; never near optics or electronics.",
    "Keep hands, tools, cables and clothing clear of a mount that moves or may start to move.",
    "Nobody stands under a telescope, counterweight or other load; check clamps and locks first.",
    "Do not climb or lean on the structure, and do not tap one that is cracked, loose or leaning.",
    "In the dark, mind cables, mains voltage and steps.",
    "Foundations and supports are work for people licensed for it, under the local code.",
)


class _Part(BaseModel):
    model_config = ConfigDict(extra="ignore", allow_inf_nan=False)


class TapSequence(_Part):
    """What was read."""

    name: str = ""
    frames: int
    frames_used: int
    stars_used: int
    frame_exposure_s: float | None = None
    cadence_s: float
    duration_s: float
    nyquist_hz: float
    pixel_scale_arcsec: float | None = None
    pixel_scale_origin: str | None = None


class TapMode(_Part):
    """A mode, averaged over the taps that showed it."""

    frequency_hz: Estimate
    alias_candidates_hz: list[float] = Field(default_factory=list)
    alias_damping_ratios: list[float] = Field(default_factory=list)
    damping_ratio: Estimate
    log_decrement: float
    half_power_damping_ratio: float | None = None
    peak_arcsec: Estimate | None = None
    peak_px: Estimate
    taps: int


class TapRing(_Part):
    """A mode in one tap."""

    frequency_hz: float
    frequency_sigma_hz: float
    damping_ratio: float
    damping_sigma: float
    amplitude_px: float
    amplitude_arcsec: float | None = None
    angle_deg: float


class OneTap(_Part):
    """One tap."""

    start_s: float
    window_s: float
    peak_px: Estimate | None = None
    peak_arcsec: Estimate | None = None
    settling_s: Estimate | None = None
    to_air_s: Estimate | None = None
    free_after_s: float = 0.0
    modes: list[TapRing] = Field(default_factory=list)


class TapResult(_Part):
    """What `tap` found; the first mode is the largest, and also stands at the top."""

    schema_: str = Field(default=TAP_SCHEMA, alias="schema")
    version: str = ""
    command: str = ""
    sequence: TapSequence
    settle_arcsec: float
    frequency_hz: Estimate | None = None
    damping_ratio: Estimate | None = None
    log_decrement: float | None = None
    half_power_damping_ratio: float | None = None
    peak_arcsec: Estimate | None = None
    peak_px: Estimate | None = None
    settling_s: Estimate | None = None
    to_air_s: Estimate | None = None
    air_rms_arcsec: float | None = None
    air_rms_px: float | None = None
    modes: list[TapMode] = Field(default_factory=list)
    taps: list[OneTap] = Field(default_factory=list)
    warnings: list[Remark] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))

    model_config = ConfigDict(extra="ignore", allow_inf_nan=False, populate_by_name=True)

    def to_json(self) -> str:
        """Return the text of tap.json."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"

    @classmethod
    def from_json(cls, text: str) -> TapResult:
        """Read the text of tap.json (pydantic's ValidationError when it is not one)."""
        return cls.model_validate_json(text)


def measure_taps(
    time_s: FloatArray,
    motion_px: FloatArray,
    cadence_s: float,
    *,
    segment: IntArray | None = None,
    pixel_scale_arcsec: float | None = None,
    settle_arcsec: float = SETTLE_ARCSEC,
    lowest_hz: float = 1.0,
    sequence: TapSequence | None = None,
    seed: int = SEED,
) -> TapResult:
    """Measure the ring-downs after taps in the shared motion of the stars.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
    motion_px : ndarray, shape (n, 2)
        Shared motion; NaN where lost.
    cadence_s : float
    segment : ndarray of int, shape (n,), optional
        The longest stretch is used.
    pixel_scale_arcsec : float, optional
        Without it amplitudes stay in pixels, and the settling time, which is defined by an
        angle, is null.
    settle_arcsec : float
    lowest_hz : float
    sequence : TapSequence, optional
        What is known of the sequence; made from the arrays when absent.
    seed : int
        Of the draws behind the intervals of derived times.

    Returns
    -------
    TapResult

    Examples
    --------
    A tap at 3 s that rings at 8 Hz with a damping ratio of 0.02, and a little noise:

    >>> import numpy as np
    >>> from blursplit.spectra.tap_result import measure_taps
    >>> time_s = np.arange(0.0, 10.0, 0.01)
    >>> late_s = np.clip(time_s - 3.0, 0.0, None)
    >>> ring_px = 4.0 * np.exp(-2 * np.pi * 8 * 0.02 * late_s) * np.sin(2 * np.pi * 8 * late_s)
    >>> noise_px = np.random.default_rng(1).normal(0.0, 0.05, (time_s.size, 2))
    >>> found = measure_taps(time_s, noise_px + ring_px[:, None], 0.01, pixel_scale_arcsec=0.5)
    >>> f"{found.frequency_hz.value:.1f} Hz, damping ratio {found.damping_ratio.value:.3f}"
    '8.0 Hz, damping ratio 0.020'
    """
    parts = segment_slices(segment, time_s.size)
    longest = max(parts, key=lambda part: part.stop - part.start)
    warnings = []
    if len(parts) > 1:
        warnings.append(
            Remark(
                code="tap-gaps",
                text=f"the record has {len(parts)} stretches; the longest one is used",
            )
        )
    times, motion = time_s[longest], motion_px[longest]
    grid, filled = regular_grid(times, motion, cadence_s)
    if filled.mean() > 0.05:  # noqa: PLR2004 - interpolation bends a ring-down
        warnings.append(
            Remark(code="tap-lost-frames", text=f"{filled.mean():.0%} of frames interpolated")
        )
    level = settle_arcsec / pixel_scale_arcsec if pixel_scale_arcsec else 0.0
    found = measure_ringdown(
        times[0] + np.arange(len(grid)) * cadence_s,
        grid,
        cadence_s,
        settle_amplitude=level,
        lowest_hz=lowest_hz,
        rng=np.random.default_rng(seed),
    )
    warnings += _doubts(found, pixel_scale_arcsec)
    sequence = sequence or TapSequence(
        frames=time_s.size,
        frames_used=int(np.isfinite(motion_px).all(axis=1).sum()),
        stars_used=1,
        cadence_s=cadence_s,
        duration_s=float(time_s[-1] - time_s[0]) + cadence_s,
        nyquist_hz=0.5 / cadence_s,
        pixel_scale_arcsec=pixel_scale_arcsec,
    )
    return _result(found, sequence, settle_arcsec, pixel_scale_arcsec, warnings)


def _result(
    found: RingDown,
    sequence: TapSequence,
    settle_arcsec: float,
    scale: float | None,
    warnings: list[Remark],
) -> TapResult:
    modes = [_mode(mode, sequence.cadence_s, scale) for mode in found.modes]
    first = modes[0] if modes else None
    return TapResult(
        sequence=sequence,
        settle_arcsec=settle_arcsec,
        frequency_hz=first.frequency_hz if first else None,
        damping_ratio=first.damping_ratio if first else None,
        log_decrement=first.log_decrement if first else None,
        half_power_damping_ratio=first.half_power_damping_ratio if first else None,
        peak_arcsec=_estimate(found.peak, scale) if scale else None,
        peak_px=_estimate(found.peak),
        settling_s=_estimate(found.settling_s) if scale else None,
        to_air_s=_estimate(found.to_air_s),
        air_rms_arcsec=found.quiet_rms * scale if scale else None,
        air_rms_px=found.quiet_rms,
        modes=modes,
        taps=[_tap(tap, scale) for tap in found.taps],
        warnings=warnings,
    )


def _doubts(found: RingDown, scale: float | None) -> list[Remark]:
    doubts = []
    if scale is None:
        doubts.append(
            Remark(
                code="tap-no-scale",
                text="no pixel scale: amplitudes in pixels, no settling time; give "
                "camera.pixel_scale_arcsec",
            )
        )
    if not found.taps:
        doubts.append(
            Remark(
                code="tap-none",
                text="no tap stands out of the motion; tap a little harder, three to five times, "
                "ten seconds apart, with the camera running",
            )
        )
    elif not found.modes:
        doubts.append(
            Remark(code="tap-no-ring", text="shocks were found, but no ring-down after them")
        )
    late = [tap for tap in found.taps if tap.free_after_s > 0.0]
    if late:
        times = ", ".join(f"{tap.time_s:.2f} s (by {tap.free_after_s:.2g} s)" for tap in late)
        doubts.append(
            Remark(
                code="tap-not-free",
                text=f"no single free decay from the start: the fit begins later after the tap at "
                f"{times}; taps that overlap, a star that left its window or motion that rubs do "
                "this: tap more gently, ten seconds apart",
            )
        )
    cut = [tap for tap in found.taps if third_harmonic(tap.rings) is not None]
    if cut:
        times = ", ".join(f"{tap.time_s:.2f} s" for tap in cut)
        doubts.append(
            Remark(
                code="tap-cut-off",
                text=f"a mode at three times another's frequency after the tap at {times}: the "
                "motion may be cut off, and damping ratios then come out too small",
            )
        )
    if len(found.taps) == 1 and found.modes:
        doubts.append(
            Remark(
                code="tap-single",
                text="one tap only: the scatter from tap to tap is not in the intervals",
            )
        )
    return doubts


def _mode(mode: RingMode, cadence_s: float, scale: float | None) -> TapMode:
    apparent = min(mode.frequency_hz.value, 0.5 / cadence_s)
    peak = _estimate(mode.peak)
    frequency, damping = _estimate(mode.frequency_hz), _estimate(mode.damping_ratio)
    if peak is None or frequency is None or damping is None or damping.value is None:
        raise ValueError("a mode without estimates")
    candidates = [float(f) for f in alias_candidates(apparent, cadence_s).frequency_hz]
    return TapMode(
        frequency_hz=frequency,
        alias_candidates_hz=candidates,
        # what decays is measured; its ratio to the frequency depends on which frequency it is
        alias_damping_ratios=[damping.value * apparent / f for f in candidates],
        damping_ratio=damping,
        log_decrement=mode.decrement,
        half_power_damping_ratio=mode.half_power_damping,
        peak_arcsec=_estimate(mode.peak, scale) if scale else None,
        peak_px=peak,
        taps=mode.taps,
    )


def _tap(tap: Tap, scale: float | None) -> OneTap:
    return OneTap(
        start_s=tap.time_s,
        window_s=tap.window_s,
        peak_px=_estimate(tap.peak),
        peak_arcsec=_estimate(tap.peak, scale) if scale else None,
        settling_s=_estimate(tap.settling_s) if scale else None,
        to_air_s=_estimate(tap.to_air_s),
        free_after_s=tap.free_after_s,
        modes=[
            TapRing(
                frequency_hz=ring.frequency_hz,
                frequency_sigma_hz=ring.frequency_sigma,
                damping_ratio=ring.damping_ratio,
                damping_sigma=ring.damping_sigma,
                amplitude_px=ring.amplitude,
                amplitude_arcsec=ring.amplitude * scale if scale else None,
                angle_deg=ring.angle_deg,
            )
            for ring in tap.rings
        ],
    )


def _estimate(part: Interval | None, factor: float = 1.0) -> Estimate | None:
    if part is None:
        return None
    return Estimate(
        value=part.value * factor,
        low=part.low * factor,
        high=part.high * factor,
        low95=part.low95 * factor,
        high95=part.high95 * factor,
    )
