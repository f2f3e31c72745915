"""Lines as the records of the result: exposure and rows undone where the frequency is decided."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blursplit.budget.lines import FoundLine
from blursplit.constants import LEAST_ALIAS_ODDS, LEAST_SINC2, LINE_DIRECTION_DRAWS, LINE_LEAST_ROWS
from blursplit.estimate import Estimate, axial_estimate, upper_limit, with_error
from blursplit.result import Line
from blursplit.spectra import LineFit
from blursplit.types import FloatArray


def to_result(
    found: Sequence[FoundLine],
    *,
    exposure_s: float,
    in_arcsec: bool,
    rng: np.random.Generator,
    lever_m: float | None = None,
) -> list[Line]:
    """Turn lines into the records of the result.

    Parameters
    ----------
    lever_m : float, optional
        From where the structure turns to its head: adds the head's motion to lines that are not
        the drive's.

    Notes
    -----
    Exposure averaging is undone where the true frequency is decided and a tenth of the power is
    left; else the interval covers the candidates.
    """
    records = [_one_line(line, exposure_s, rng, in_arcsec=in_arcsec) for line in found]
    if lever_m is None:
        return records
    return [
        record if line.owner == "tracking" else _with_head(record, line, lever_m)
        for record, line in zip(records, found, strict=True)
    ]


def _with_head(record: Line, line: FoundLine, lever_m: float) -> Line:
    """Add what the line is at the pier's head, over all true frequencies that it may have."""
    from blursplit.pier.report import head_motion

    if record.rms_arcsec is None:
        return record
    order = np.argsort(-line.alias.odds, kind="stable")
    likely = [k for k in order if k == order[0] or line.alias.odds[k] > LEAST_ALIAS_ODDS]
    head = head_motion(record.rms_arcsec, line.alias.candidates_hz[likely].tolist(), lever_m)
    return record.model_copy(
        update={
            "head_displacement_um": head.displacement_um,
            "head_velocity_um_s": head.velocity_um_s,
            "vibration_class": head.vibration_class or "none",
        }
    )


def _one_line(
    line: FoundLine, exposure_s: float, rng: np.random.Generator, *, in_arcsec: bool
) -> Line:
    fit = line.fit
    kept = np.sinc(line.alias.candidates_hz * exposure_s) ** 2
    gains = 1.0 / np.maximum(kept, LEAST_SINC2)
    if line.kept is not None:
        gains = gains / np.maximum(line.kept, LINE_LEAST_ROWS)
    gain = float(np.sqrt(gains[int(np.argmax(line.alias.odds))]))
    rms = with_error(fit.rms * gain, fit.rms_sigma * gain)
    if not line.alias.is_decided:
        likely = np.sqrt(gains[line.alias.odds > LEAST_ALIAS_ODDS])
        rms = _widened(rms, fit.rms, likely)
    damping: Estimate | None
    if fit.damping_ratio is None:
        damping = Estimate(value=None, low=0.0, high=fit.damping_high, high95=fit.damping_high)
    else:
        half = fit.damping_high - fit.damping_ratio
        damping = Estimate(
            value=fit.damping_ratio,
            low=fit.damping_low,
            high=fit.damping_high,
            low95=max(0.0, 2.0 * fit.damping_low - fit.damping_ratio),
            high95=fit.damping_ratio + 2.0 * half,
        )
    return Line(
        frequency_hz=with_error(fit.frequency_hz, fit.frequency_sigma),
        rms_arcsec=rms if in_arcsec else None,
        rms_px=None if in_arcsec else rms,
        angle_deg=axial_estimate(
            fit.angle_deg + fit.angle_sigma_deg * rng.standard_normal(LINE_DIRECTION_DRAWS)
        ),
        minor_over_major=_axis_ratio(fit, rng),
        damping_ratio=damping,
        false_alarm_probability=fit.false_alarm_probability,
        shared_probability=line.shared_probability,
        alias_candidates_hz=[float(f) for f in line.alias.candidates_hz],
        alias_odds=[float(o) for o in line.alias.odds],
        kind=fit.kind,
        steady_chance=line.steady_chance,
        family=line.family,
        cause=line.cause,
        cause_odds=line.cause_odds,
    )


def _axis_ratio(fit: LineFit, rng: np.random.Generator) -> Estimate:
    """Return the smaller over the larger half axis of the ellipse of motion.

    A limit where motion along a straight line is not excluded: errors then turn some variance
    along the smaller axis negative, which counts as none.
    """
    noise = (
        rng.standard_normal((LINE_DIRECTION_DRAWS, 3)) * fit.covariance_sigma[[0, 0, 1], [0, 1, 1]]
    )
    xx, xy, yy = (fit.covariance[[0, 0, 1], [0, 1, 1]] + noise).T
    mean, half = (xx + yy) / 2.0, np.hypot((xx - yy) / 2.0, xy)
    larger = np.maximum(mean + half, np.finfo(np.float64).tiny)
    draws = np.sqrt(np.clip((mean - half) / larger, 0.0, 1.0))
    low95, low, high, high95 = np.percentile(draws, [2.275, 15.865, 84.135, 97.725])
    if low95 <= 0.0:
        return upper_limit(float(np.percentile(draws, 95.0)))
    value = float(fit.axis_ratio)
    ends = [float(min(low, value)), float(max(high, value))]
    ends += [float(min(low95, value)), float(max(high95, value))]
    return Estimate(value=value, low=ends[0], high=ends[1], low95=ends[2], high95=ends[3])


def _widened(rms: Estimate, measured: float, gains: FloatArray) -> Estimate:
    """Let the interval reach from the smallest to the largest gain of the likely candidates."""
    assert rms.low is not None  # noqa: S101 - `with_error` sets all ends
    assert rms.high is not None  # noqa: S101
    return Estimate(
        value=rms.value,
        low=min(rms.low, measured * float(gains.min())),
        high=max(rms.high, measured * float(gains.max())),
        low95=min(rms.low95 or 0.0, measured * float(gains.min())),
        high95=max(rms.high95 or 0.0, measured * float(gains.max())),
    )
