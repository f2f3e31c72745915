"""The record that `tap` writes: ring-downs in arcsec (or pixels) with their intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.result import Document, Part, Remark
from blursplit.spectra.aliases import AliasCandidates
from blursplit.spectra.densities import regular_grid, segment_slices
from blursplit.spectra.ringdown import Interval, Ring, Tap
from blursplit.types import FloatArray, IntArray

TAP_SCHEMA = "blursplit-tap/1"

CAUTIONS: tuple[str, ...] = (
    "Tap with the ball of the hand, gently; with no tool, and never near optics or electronics.",
    "Keep hands, tools, cables and clothing clear of a mount that moves or may start to move.",
    "Nobody stands under a telescope, counterweight or other load; check clamps and locks first.",
    "Do not climb or lean on the structure, and do not tap one that is cracked, loose or leaning.",
    "In the dark, mind cables, mains voltage and steps.",
    "Foundations and supports are work for people licensed for it, under the local code.",
)


# What of the first mode also stands at the top.
_OF_FIRST = (
    "frequency_hz",
    "damping_ratio",
    "log_decrement",
    "half_power_damping_ratio",
    "decay_s",
)


class TapSequence(Part):
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


class TapMode(Part):
    """A mode, averaged over the taps that showed it."""

    frequency_hz: Estimate
    alias_candidates_hz: list[float] = Field(default_factory=list)
    alias_damping_ratios: list[float] = Field(default_factory=list)
    alias_odds: list[float] = Field(default_factory=list)
    decay_s: Estimate | None = None
    frequency_rise: Estimate | None = None
    damping_ratio: Estimate
    log_decrement: float
    half_power_damping_ratio: float | None = None
    peak_arcsec: Estimate | None = None
    peak_px: Estimate
    taps: int


class _TapRing(Part):
    """A mode in one tap."""

    frequency_hz: float
    frequency_sigma_hz: float
    damping_ratio: float
    damping_sigma: float
    amplitude_px: float
    amplitude_arcsec: float | None = None
    angle_deg: float
    frequency_rise: float = 0.0
    misfit: float = 1.0


class _OneTap(Part):
    """One tap."""

    start_s: float
    window_s: float
    peak_px: Estimate | None = None
    peak_arcsec: Estimate | None = None
    settling_s: Estimate | None = None
    to_air_s: Estimate | None = None
    free_after_s: float = 0.0
    modes: list[_TapRing] = Field(default_factory=list)


class TapResult(Document):
    """What `tap` found; the first mode is the largest, and also stands at the top."""

    schema_: str = Field(default=TAP_SCHEMA, alias="schema")
    version: str = ""
    command: str = ""
    sequence: TapSequence
    settle_arcsec: float
    reference_arcsec: float = const.TAP_REFERENCE_ARCSEC
    frequency_hz: Estimate | None = None
    damping_ratio: Estimate | None = None
    log_decrement: float | None = None
    half_power_damping_ratio: float | None = None
    peak_arcsec: Estimate | None = None
    peak_px: Estimate | None = None
    decay_s: Estimate | None = None
    settling_from_reference_s: Estimate | None = None
    settling_s: Estimate | None = None
    to_air_s: Estimate | None = None
    air_rms_arcsec: float | None = None
    air_rms_px: float | None = None
    modes: list[TapMode] = Field(default_factory=list)
    taps: list[_OneTap] = Field(default_factory=list)
    warnings: list[Remark] = Field(default_factory=list)
    cautions: list[str] = Field(default_factory=lambda: list(CAUTIONS))

    @classmethod
    def of(
        cls,
        time_s: FloatArray,
        motion_px: FloatArray,
        cadence_s: float,
        *,
        segment: IntArray | None = None,
        pixel_scale_arcsec: float | None = None,
        settle_arcsec: float = const.TAP_SETTLE_ARCSEC,
        reference_arcsec: float = const.TAP_REFERENCE_ARCSEC,
        sequence: TapSequence | None = None,
        width_px: FloatArray | None = None,
    ) -> TapResult:
        """Measure the ring-downs after taps in the shared motion of the stars.

        `time_s` (n,). `motion_px` (n, 2): shared motion; NaN where lost. `segment` (n,): taps are
        looked for in each stretch. `pixel_scale_arcsec`: without it amplitudes stay in pixels, and
        the settling time, which is defined by an angle, is null. `settle_arcsec`: amplitude that
        counts as still. `reference_arcsec`: amplitude from which the settling time is stated that
        does not depend on the taps. `sequence`: what is known of the sequence; made from the arrays
        when absent. `width_px` (n,): one-axis width of the stars' images, NaN where lost; rings
        that are too fast for the exposure widen them, which tells a fold.

        Examples
        --------
        A tap at 3 s that rings at 8 Hz with a damping ratio of 0.02, and a little noise:

        >>> import numpy as np
        >>> from blursplit.spectra.tap_result import TapResult
        >>> time_s = np.arange(0.0, 10.0, 0.01)
        >>> late_s = np.clip(time_s - 3.0, 0.0, None)
        >>> ring_px = 4.0 * np.exp(-2 * np.pi * 8 * 0.02 * late_s) * np.sin(2 * np.pi * 8 * late_s)
        >>> noise_px = np.random.default_rng(1).normal(0.0, 0.05, (time_s.size, 2))
        >>> found = TapResult.of(time_s, noise_px + ring_px[:, None], 0.01, pixel_scale_arcsec=0.5)
        >>> f"{found.frequency_hz.value:.1f} Hz, damping ratio {found.damping_ratio.value:.3f}"
        '8.0 Hz, damping ratio 0.020'
        """
        parts = [
            part
            for part in segment_slices(segment, time_s.size)
            if part.stop - part.start >= max(50, 2.0 * const.RING_SHORTEST_S / cadence_s)
        ]
        if not parts:
            raise ValueError("no stretch of at least 50 samples")
        level = settle_arcsec / pixel_scale_arcsec if pixel_scale_arcsec else 0.0
        rng = np.random.default_rng(0)
        taps: list[Tap] = []
        quiet, lost = [], []
        for part in parts:
            grid, filled = regular_grid(time_s[part], motion_px[part], cadence_s)
            lost += filled.tolist()
            times = time_s[part][0] + np.arange(len(grid)) * cadence_s
            found = Tap.find(times, grid, cadence_s, settle_amplitude=level, rng=rng)
            taps += found[0]
            quiet.append(found[1])
        warnings = []
        if np.mean(lost) > 0.05:  # noqa: PLR2004 - interpolation bends a ring-down
            warnings.append(Remark.of("tap-lost-frames", share=float(np.mean(lost))))
        sequence = sequence or TapSequence(
            frames=time_s.size,
            frames_used=int(np.isfinite(motion_px).all(axis=1).sum()),
            stars_used=1,
            cadence_s=cadence_s,
            duration_s=float(time_s[-1] - time_s[0]) + cadence_s,
            nyquist_hz=0.5 / cadence_s,
            pixel_scale_arcsec=pixel_scale_arcsec,
        )
        scale, modes = pixel_scale_arcsec, []
        for mode in _modes_over_taps(taps):
            growth = None if width_px is None else _growth(time_s, width_px, taps, mode)
            modes.append(_mode(mode, sequence, scale, growth))
        warnings += _doubts(taps, modes, scale, len(segment_slices(segment, time_s.size)))
        quiet_px, described = float(np.median(quiet)), taps if modes else []
        peak = _mean_of([tap.peak for tap in described])
        settling = _mean_of([tap.settling_s for tap in described])
        return cls(
            sequence=sequence,
            settle_arcsec=settle_arcsec,
            reference_arcsec=reference_arcsec,
            settling_from_reference_s=_from_reference(modes, settle_arcsec, reference_arcsec),
            **({name: getattr(modes[0], name) for name in _OF_FIRST} if modes else {}),
            peak_arcsec=_estimate(peak, scale) if scale else None,
            peak_px=_estimate(peak),
            settling_s=_estimate(settling) if scale else None,
            to_air_s=_estimate(_mean_of([tap.to_air_s for tap in described])),
            air_rms_arcsec=quiet_px * scale if scale else None,
            air_rms_px=quiet_px,
            modes=modes,
            taps=[_tap(tap, scale) for tap in taps],
            warnings=warnings,
        )


def _doubts(
    taps: list[Tap], modes: list[TapMode], scale: float | None, stretches: int
) -> list[Remark]:
    doubts = []
    if scale is None:
        doubts.append(Remark.of("tap-no-scale"))
    if not taps:
        doubts.append(Remark.of("tap-none", stretches=stretches))
    elif not modes:
        rings = any(tap.rings for tap in taps)
        doubts.append(Remark.of("tap-not-repeated" if rings else "tap-no-ring"))
    late = [tap for tap in taps if tap.free_after_s > 0.0]
    if late:
        taps_s, late_s = zip(*((tap.time_s, tap.free_after_s) for tap in late), strict=True)
        doubts.append(Remark.of("tap-not-free", taps_s=list(taps_s), late_s=list(late_s)))
    cut = [tap.time_s for tap in taps if tap.third_harmonic is not None]
    if cut:
        doubts.append(Remark.of("tap-cut-off", taps_s=cut))
    if len(taps) == 1 and modes:
        doubts.append(Remark.of("tap-single"))
    for mode in modes:
        hz = mode.frequency_hz.value
        if mode.frequency_rise is not None:
            rise = float(mode.frequency_rise.value or 0.0)
            way = "higher" if rise > 0 else "lower"
            doubts.append(
                Remark.of("tap-frequency-bends", frequency_hz=hz, share=abs(rise), way=way)
            )
        if max(mode.alias_odds) < const.RING_DECIDED:
            several = {"candidates_hz": mode.alias_candidates_hz[:3]}
            several["damping_ratios"] = mode.alias_damping_ratios[:3]
            doubts.append(Remark.of("tap-fold-open", frequency_hz=hz, **several))
    return doubts


def _from_reference(
    modes: list[TapMode], settle_arcsec: float, reference_arcsec: float
) -> Estimate | None:
    """Return the time in which a motion of the reference amplitude falls to the still level.

    The modes share the amplitude as they did after the taps; the longest of them counts.
    """
    if not modes or settle_arcsec <= 0:
        return None
    total = sum(float(mode.peak_px.value or 0.0) for mode in modes)
    times = []
    for mode in modes:
        size = reference_arcsec * float(mode.peak_px.value or 0.0) / total
        if mode.decay_s is not None and size > settle_arcsec:
            times.append((float(np.log(size / settle_arcsec)), mode.decay_s))
    if not times:
        return Estimate.from_ends([0.0] * 5)
    factor, decay = max(times, key=lambda pair: pair[0] * float(pair[1].value or 0.0))
    return decay.times(factor)


def _growth(
    time_s: FloatArray, width_px: FloatArray, taps: list[Tap], mode: _RingMode
) -> tuple[float, float] | None:
    """Return what a mode adds to the stars' variance, over its own in the frames; with its error.

    Least squares with the square of the mode's envelope after each tap.
    """
    known = np.isfinite(width_px)
    if not known.any():
        return None
    excess = np.where(known, width_px**2, 0.0)
    excess = np.where(known, excess - np.median(excess[known]), 0.0)
    noise = const.SIGMA_PER_MAD * float(np.median(np.abs(excess[known])))
    shown = np.zeros(time_s.size)
    for tap in taps:
        late = time_s - tap.time_s - tap.free_after_s
        during = known & (late >= 0.0) & (late < tap.window_s)
        for ring in tap.rings:
            if abs(ring.frequency_hz / mode.frequency_hz.value - 1.0) < const.RING_SAME_MODE:
                size = 0.25 * float((np.abs(ring.vector) ** 2).sum())
                shown[during] = size * np.exp(-2.0 * ring.decay_s * late[during])
    total = float(shown @ shown)
    return (float(shown @ excess) / total, noise / total**0.5) if total > 0.0 else None


def _mode(
    mode: _RingMode, sequence: TapSequence, scale: float | None, growth: tuple[float, float] | None
) -> TapMode:
    apparent = min(mode.frequency_hz.value, sequence.nyquist_hz)
    candidates = AliasCandidates.of(apparent, sequence.cadence_s).frequency_hz
    # what decays is measured; its ratio to the frequency depends on which frequency it is
    ratios = mode.damping_ratio.value * apparent / candidates
    left = np.abs(np.sinc(candidates * (sequence.frame_exposure_s or 0.0)))
    left = np.maximum(left, const.ALIAS_SMALLEST_LEFT)
    odds = _alias_odds(candidates, ratios, left, mode.peak.value * (scale or 0.0), growth)
    shown = int(np.argmin(np.abs(candidates - apparent)))
    best = int(np.argmax(odds)) if odds.max() >= const.RING_DECIDED else shown
    factor = float(ratios[best] / mode.damping_ratio.value)
    moved = candidates[best] - mode.frequency_hz.value
    rate = 2.0 * np.pi * mode.frequency_hz.value
    zeta = min(mode.damping_ratio.value, 0.99)
    decrement = 2.0 * np.pi * zeta / np.sqrt(1.0 - zeta**2)
    half_power = mode.half_power_damping
    return TapMode(
        frequency_hz=Estimate.from_ends(end + moved for end in mode.frequency_hz),
        alias_candidates_hz=candidates.tolist(),
        alias_damping_ratios=ratios.tolist(),
        alias_odds=odds.tolist(),
        damping_ratio=_damping(mode.damping_ratio, ratios, odds, best),
        decay_s=Estimate.from_ends(
            1.0 / (rate * max(end, 1e-6)) for end in reversed(mode.damping_ratio)
        ),
        frequency_rise=_estimate(mode.bend),
        log_decrement=float(decrement * factor),
        half_power_damping_ratio=None if half_power is None else half_power * factor,
        peak_arcsec=_estimate(mode.peak, scale) if scale else None,
        peak_px=Estimate.from_ends(mode.peak),
        taps=mode.taps,
    )


def _damping(measured: Interval, ratios: FloatArray, odds: FloatArray, best: int) -> Estimate:
    """Return the damping ratio at the best of the true frequencies, its interval over all of them.

    A ring that dies fast for the frequency at which it shows is a faster one that folds, or damped
    as few structures are: where neither is sure its ratio has a limit alone.
    """
    scaled = np.array(measured) / measured.value * ratios[:, None]
    value = float(scaled[best, 2])
    if odds.max() < const.RING_DECIDED and value > const.RING_ODD_DAMPING:
        return Estimate.upper_limit(scaled[best, -1])
    # each candidate's share rises through its own percentiles; together they are the odds
    shares, grid = 0.01 * np.array(const.PERCENTILES), np.sort(scaled, axis=None)
    rise = np.zeros(grid.size)
    for part, row in zip(odds, scaled, strict=True):
        rise += part * np.interp(grid, row, shares, left=0.0, right=1.0)
    return Estimate.from_ends(Estimate.ends_about(value, np.interp(shares, rise, grid)))


def _alias_odds(
    candidates_hz: FloatArray,
    damping_ratios: FloatArray,
    left: FloatArray,
    shown_arcsec: float,
    growth: tuple[float, float] | None,
) -> FloatArray:
    """Return the odds of the true frequencies of a ring-down; they sum to 1.

    Dampings of structures are log-normal about 0.012; low frequencies ring more than high ones
    (as 1/f). The exposure damps the fast ones, but who taps chooses how hard: a ring of any size is
    as likely, up to where hands and tracked stars end. What the exposure takes from the motion it
    adds to the stars' widths. All are stated in the documentation.

    `left`: share of the amplitude that the exposure leaves. `growth`: of the stars' variance, over
    the mode's own in the frames, with its error.
    """
    unusual = np.log(damping_ratios / const.RING_USUAL_DAMPING) / const.RING_DAMPING_SPREAD
    total = -0.5 * unusual**2 - np.log(candidates_hz)
    total = total - np.log1p((shown_arcsec / left / const.RING_LARGEST_ARCSEC) ** 2)
    if growth is not None:
        measured, error = growth
        expected = 1.0 / left**2 - 1.0  # the mean over all phases
        least = np.hypot(error, const.RING_GROWTH_FLOOR)
        sigma = np.hypot(least, const.RING_GROWTH_ERROR * expected)
        total = total - 0.5 * ((measured - expected) / sigma) ** 2 - np.log(sigma)
    odds = np.exp(total - total.max())
    return np.asarray(odds / odds.sum())


def _tap(tap: Tap, scale: float | None) -> _OneTap:
    return _OneTap(
        start_s=tap.time_s,
        window_s=tap.window_s,
        peak_px=_estimate(tap.peak),
        peak_arcsec=_estimate(tap.peak, scale) if scale else None,
        settling_s=_estimate(tap.settling_s) if scale else None,
        to_air_s=_estimate(tap.to_air_s),
        free_after_s=tap.free_after_s,
        modes=[
            _TapRing(
                frequency_hz=ring.frequency_hz,
                frequency_sigma_hz=ring.frequency_sigma,
                damping_ratio=ring.damping_ratio,
                damping_sigma=ring.damping_sigma,
                amplitude_px=ring.amplitude,
                amplitude_arcsec=ring.amplitude * scale if scale else None,
                angle_deg=ring.angle_deg,
                frequency_rise=ring.bend,
                misfit=ring.misfit,
            )
            for ring in tap.rings
        ],
    )


def _estimate(part: Interval | None, factor: float = 1.0) -> Estimate | None:
    return None if part is None else Estimate.from_ends(end * factor for end in part)


# --- what several taps say together ---------------------------------------------------------------
@dataclass(frozen=True)
class _RingMode:
    """A mode averaged over taps."""

    # `frequency_hz`, `damping_ratio`: weighted means; intervals widen with the scatter from tap to
    # tap.
    frequency_hz: Interval
    damping_ratio: Interval
    half_power_damping: float | None  # from the width of the ring-down's spectrum, for comparison
    peak: Interval  # mean amplitude at the onset
    taps: int  # taps that showed it
    # By how much of its frequency it rang higher at the onset than when nearly still, where a tap
    # showed that.
    bend: Interval | None = None


def _mean_of(parts: list[Interval | None]) -> Interval | None:
    """Return the mean of what is known, None where nothing is."""
    known = [part for part in parts if part is not None]
    if not known:
        return None
    return _weighted([(part.value, (part.high - part.low) / 2.0) for part in known], lowest=0.0)


def _weighted(taps: list[tuple[float, float]], lowest: float = -np.inf) -> Interval:
    """Average (value, error) of taps that may differ by more than their errors say.

    The variance between taps is that of DerSimonian and Laird (1986, from memory); where there is
    any, Student's factors widen the interval.
    """
    from scipy.stats import t as student

    values, sigmas = np.array(taps, dtype=np.float64).T
    sigmas = np.maximum(sigmas, 1e-9 * max(float(np.abs(values).max()), 1e-6))
    weights = 1.0 / sigmas**2
    mean = float((weights * values).sum() / weights.sum())
    factor68, factor95 = 1.0, const.Z95
    if values.size > 1:
        excess = float((weights * (values - mean) ** 2).sum()) - (values.size - 1)
        # sum w - sum w^2 / sum w, without the cancellation where one tap outweighs all others
        spread = 2.0 * np.triu(np.outer(weights, weights), 1).sum() / weights.sum()
        between = max(excess / spread, 0.0)
        weights = 1.0 / (sigmas**2 + between)
        mean = float((weights * values).sum() / weights.sum())
        if between > 0.0:
            upper = 0.01 * np.array(const.PERCENTILES[-2:])
            factor68, factor95 = map(float, student.ppf(upper, values.size - 1))
    error = float(1.0 / np.sqrt(weights.sum()))
    factors = (-factor95, -factor68, 0.0, factor68, factor95)
    return Interval(*(max(mean + k * error, lowest if k < 0 else mean) for k in factors))


def _modes_over_taps(taps: Sequence[Tap]) -> tuple[_RingMode, ...]:
    """Join the rings of all taps that are the same mode by frequency, one of each tap at most.

    A structure rings alike after every tap: what a tap alone shows is left out where others ring.
    """
    rings = sorted(
        ((number, ring) for number, tap in enumerate(taps) for ring in tap.rings),
        key=lambda pair: pair[1].frequency_hz,
    )
    groups: list[dict[int, Ring]] = []
    for number, ring in rings:
        last = groups[-1] if groups else {}
        if last and number not in last and _same(list(last.values()), ring):
            last[number] = ring
        else:
            groups.append({number: ring})
    late = {number for number, tap in enumerate(taps) if tap.free_after_s > 0.0}
    ringing = sum(bool(tap.rings) for tap in taps)
    modes = [_mean_mode(group, late) for group in groups if _repeats(len(group), ringing)]
    return tuple(sorted(modes, key=lambda mode: -mode.peak.value * np.sqrt(mode.taps)))


def _repeats(shown: int, taps: int) -> bool:
    """Return whether two taps, and half of all, show a thing; or the only one."""
    return shown >= min(2, taps) and 2 * shown >= taps


def _mean_mode(group: dict[int, Ring], late: set[int]) -> _RingMode:
    rings = list(group.values())
    damping = _weighted([(r.damping_ratio, r.damping_sigma) for r in rings], lowest=0.0)
    frequency = _weighted([(r.frequency_hz, r.frequency_sigma) for r in rings])
    # where the fit begins later than the tap, its amplitude is not that of the onset
    sized = [ring for number, ring in group.items() if number not in late] or rings
    peak = _weighted([(r.amplitude, r.amplitude_sigma) for r in sized], lowest=0.0)
    bends = [(ring.bend, ring.bend_sigma) for ring in rings if ring.bend_sigma > 0.0]
    widths = [ring.half_power for ring in rings if ring.half_power is not None]
    return _RingMode(
        frequency,
        damping,
        float(np.median(widths)) if widths else None,
        peak,
        len(rings),
        _weighted(bends) if bends and _repeats(len(bends), len(rings)) else None,
    )


def _same(group: list[Ring], ring: Ring) -> bool:
    centre = float(np.mean([member.frequency_hz for member in group]))
    width = ring.damping_ratio * ring.frequency_hz
    reach = max(width, 4.0 * ring.frequency_sigma, 0.01 * centre)
    return abs(ring.frequency_hz - centre) <= min(
        reach, max(const.RING_SAME_MODE * centre, 0.5 * width)
    )
