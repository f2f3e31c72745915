"""Stars read out at different times: their motions brought to one time.

A rolling shutter reads a star on row y later than one on row 0. Motion that all stars share then
differs from star to star, and would pass for air. Below the Nyquist frequency a delay is a phase,
which is taken out exactly; above it the folded motion keeps a phase of 2 pi n fs d in zone n.
Above it the mean over the stars loses most of a line: with the delays undone as its true zone asks,
the stars add up again, and the air, which lies in the lowest zone, is what gets smeared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from blursplit import constants as const
from blursplit.estimate import Estimate
from blursplit.motion.common import GridData
from blursplit.spectra import LineFit, LineSearch
from blursplit.stars.raw_checks import Check
from blursplit.stars.tracks import StarTracks
from blursplit.types import BoolArray, ComplexArray, FloatArray, IntArray, sure


# --- lines that the plain mean loses --------------------------------------------------------------
def _zones_to_search(grid: GridData) -> list[tuple[int, int]]:
    """Return the zones (order, sign) that the plain mean over the rows loses."""
    if grid.row_time_s is None or len(grid.star) < const.ROWS_FEWEST_STARS:
        return []
    orders = np.arange(1, const.ROWS_HIGHEST_ORDER + 1)
    kept = grid.kept_by_rows(orders / grid.cadence_s)
    lost = orders[kept < const.ROWS_MOST_KEPT].tolist()
    return [(order, sign) for order in lost for sign in (-1, 1)]


def _row_aligned_motion(
    x: FloatArray, y: FloatArray, row_time_s: FloatArray, cadence_s: float, order: int, sign: int
) -> FloatArray:
    """Return the stars' mean motion with the rows' delays taken out for one zone of frequencies.

    `x`, `y` (n, n_stars): motion of each star on the regular grid, without NaN. `row_time_s`
    (n_stars,). `order`, `sign`: zone: true frequencies order x frame rate + sign x apparent
    frequency.

    Returns: (n, 2): A line whose true frequency lies in this zone keeps its full amplitude here; a
    plain mean over rows damps it by |mean exp(2 pi i nu d)|, which for fast lines can hide it.
    """
    n = x.shape[0]
    apparent = np.fft.rfftfreq(n, cadence_s)
    true = order / cadence_s + sign * apparent
    turn = np.exp(-2j * np.pi * sign * np.outer(true, row_time_s))
    columns = []
    for values in (x, y):
        mean = values.mean(axis=0)
        spectrum = (np.fft.rfft(values - mean, axis=0) * turn).mean(axis=1)
        columns.append(np.fft.irfft(spectrum, n=n) + mean.mean())
    return np.stack(columns, axis=1)


def rolling_shutter_lines(
    grid: GridData, time_s: FloatArray, segment: IntArray, found: list[LineFit]
) -> list[LineFit]:
    """Return the lines of all zones: those given, and what the rows' delays had hidden.

    `time_s`, `segment` (n,): of the joined segments. `found`: lines of the plain mean.

    Returns: of each apparent line the fit that holds most of it.
    """
    zones = _zones_to_search(grid)
    lines = list(found)
    for zone in zones:
        pieces = [
            _row_aligned_motion(*s.read_xy_arcsec, sure(grid.row_time_s), grid.cadence_s, *zone)
            for s in grid.segments
        ]
        search = LineSearch.of(
            time_s,
            np.concatenate(pieces),
            cadence_s=grid.cadence_s,
            segment=segment,
            false_alarm=const.ROWS_FALSE_ALARM / len(zones),
        )
        for fit in search.lines:
            same = [k for k, line in enumerate(lines) if _meet(line, fit)]
            if not same:
                lines.append(fit)
            elif fit.rms > max(lines[k].rms for k in same):
                lines = [line for k, line in enumerate(lines) if k not in same] + [fit]
    return sorted(lines, key=lambda line: line.frequency_hz)


def _meet(line: LineFit, other: LineFit) -> bool:
    """Return whether one of two lines stands in the band of the other."""
    return any(
        one.band_hz[0] <= second.frequency_hz <= one.band_hz[1]
        for one, second in ((line, other), (other, line))
    )


# --- rows whose times nobody stated ---------------------------------------------------------------
# A mode moves every star at the moment its row is read. Seen from the stars' mean, star s lags by a
# phase of 2 pi f k (y_s - y), k the time from row to row: one k on both axes and in every line. Air
# that drifts along the rows delays the stars as well, but in a continuum. What the bins beside a
# line show of such delays is taken off, and a line's own phase is left.
@dataclass(frozen=True)
class _Delay:
    """What one line says on one axis, by row and by column [s/px]."""

    frequency_hz: float
    by_row: float
    row_error: float
    by_column: float
    column_error: float


def find_row_delay(
    grid: GridData | None, tracks: StarTracks, lines: Sequence[LineFit]
) -> tuple[Check, ...]:
    """Return the check "rows-delayed" where the lines show one delay from row to row, else nothing.

    `tracks`: what the grid was made of. `lines`: of the shared motion.

    Notes
    -----
    A line that is folded shows a delay of another size, and of the other sign in every second zone.
    A mode that turns the field out of step with its shift feigns a delay on one axis, not on both.
    """
    if grid is None or grid.row_time_s is not None or len(grid.star) < 2:  # noqa: PLR2004
        return ()
    place = [np.nanmedian(values[:, grid.star], axis=0) for values in (tracks.y_px, tracks.x_px)]
    row, column = (at - at.mean() for at in place)
    found = [d for line in _apart(lines) for d in _delays(grid, row, column, line, lines)]
    best: tuple[float, list[_Delay]] = 0.0, []
    for seed in found:
        apart = [abs(d.by_row - seed.by_row) / np.hypot(d.row_error, seed.row_error) for d in found]
        agree = [d for d, far in zip(found, apart, strict=True) if far < const.ROWS_AGREE]
        sigmas = abs(np.divide(*_joined(agree)))
        if sigmas > best[0]:
            best = float(sigmas), agree
    sigmas, agree = best
    agree = sorted(agree, key=lambda d: -abs(d.by_row / d.row_error))
    if sigmas < const.SURE_SIGMAS or len(agree) < 2:  # noqa: PLR2004
        return ()
    delay, error = _joined(agree)
    second = np.divide(*_joined(agree[1:])) * np.sign(delay)
    if second < const.ROWS_SECOND_SIGMAS or _is_sideways(agree, delay):
        return ()
    size = Estimate.with_error(1e6 * abs(delay), 1e6 * error)
    facts: dict[str, float | str] = {
        "row_time_us": 1e6 * abs(delay),
        "low_us": float(size.low95 or 0.0),
        "high_us": float(size.high95 or 0.0),
        "row_order": "first-row-first" if delay > 0 else "last-row-first",
        "frequency_hz": agree[0].frequency_hz,
    }
    return (Check("rows-delayed", "doubt", facts, ("motion", "seeing")),)


def _apart(lines: Sequence[LineFit]) -> list[LineFit]:
    """Return the lines, the strongest first, without those that stand in the band of another."""
    kept: list[LineFit] = []
    for line in sorted(lines, key=lambda line: -float(np.trace(line.covariance))):
        if not any(_meet(line, other) for other in kept):
            kept.append(line)
    return kept


def _joined(delays: Sequence[_Delay]) -> tuple[float, float]:
    """Return the weighted mean of the delays by row and its error."""
    weight = np.array([d.row_error for d in delays]) ** -2
    mean = weight @ np.array([d.by_row for d in delays]) / weight.sum()
    return float(mean), float(weight.sum() ** -0.5)


def _is_sideways(delays: Sequence[_Delay], by_row: float) -> bool:
    """Return whether the columns are delayed too, half as much as the rows or more."""
    known = [replace(d, by_row=d.by_column, row_error=d.column_error) for d in delays]
    known = [d for d in known if np.isfinite(d.row_error)]
    if not known:
        return False
    mean, error = _joined(known)
    return abs(mean) > max(0.5 * abs(by_row), const.ROWS_SECOND_SIGMAS * error)


def _delays(
    grid: GridData, row: FloatArray, column: FloatArray, line: LineFit, lines: Sequence[LineFit]
) -> list[_Delay]:
    """Return what a line says on the axes on which it stands out."""
    piece = max(grid.segments, key=lambda s: len(s.real))
    n, stars, cadence_s = len(piece.real), len(grid.star), grid.cadence_s
    frequency = np.asarray(np.fft.rfftfreq(n, cadence_s), dtype=np.float64)
    step = 1.0 / (n * cadence_s)
    reach = 1.5 * step  # of a Hann taper's peak
    low, high = line.band_hz
    low, high = min(low, line.frequency_hz - reach), max(high, line.frequency_hz + reach)
    usable = frequency > reach
    inside = usable & (frequency > low) & (frequency < high)
    beside = usable & ~inside
    beside &= abs(frequency - line.frequency_hz) < const.ARRAY_SIDE_BAND * (high - low)
    for other in lines:
        if other is not line:
            beside &= (frequency < other.band_hz[0]) | (frequency > other.band_hz[1])
    if np.ptp(row) == 0 or inside.sum() < 2 or beside.sum() < const.ROWS_FEWEST_BINS:  # noqa: PLR2004
        return []
    taper = np.hanning(n + 2)[1:-1, None]
    centred = piece.stars_arcsec - piece.stars_arcsec.mean(axis=0)
    spectrum = np.fft.rfft(centred * taper, axis=0)
    used = inside | beside
    omega, inside = 2.0 * np.pi * frequency[used], inside[used]
    out = []
    for axis in range(2):
        z = spectrum[used, axis * stars : (axis + 1) * stars]
        by_row = _phase_delay(z, inside, omega, row, _beside(row, column), cadence_s)
        by_column = None
        if stars > 2:  # noqa: PLR2004 - of two stars rows and columns are one direction
            by_column = _phase_delay(z, inside, omega, column, _beside(column, row), cadence_s)
        if by_row is not None:
            out.append(_Delay(line.frequency_hz, *by_row, *(by_column or (0.0, np.inf))))
    return out


def _beside(place: FloatArray, other: FloatArray) -> FloatArray:
    """Return the part of the places along one axis that those along the other do not share."""
    if place.size < 3 or not other.any():  # noqa: PLR2004 - two stars show one direction
        return place
    return place - (place @ other) / (other @ other) * other


def _phase_delay(
    z: ComplexArray,
    inside: BoolArray,
    omega: FloatArray,
    place: FloatArray,
    lever: FloatArray,
    cadence_s: float,
) -> tuple[float, float] | None:
    """Return the delay a pixel that a line's phases show, and its error; None where it is weak.

    `z` (b, n_stars): spectra of one axis in the line's bins and beside them. `lever` (n_stars,):
    weights of the stars, summing to zero; what it does not see is left out.

    With m the stars' mean and u what the lever weighs, turned back by the delay so far, the rest is
    sum of omega Im(u m*) over lever.place times sum of omega^2 |m|^2, both less what as many
    bins beside the line hold.
    """
    share = inside.sum() / (~inside).sum()
    # no shutter takes longer over its rows than the next frame takes to come
    longest = cadence_s / np.ptp(place) if np.ptp(place) > 0 else 0.0
    trials = np.linspace(-longest, longest, const.ROWS_DELAY_STEPS)
    turns = [np.exp(-1j * np.outer(omega, k * place)) for k in trials]
    together = [np.square(abs((z * turn)[inside].mean(axis=1))).sum() for turn in turns]
    delay = float(trials[int(np.argmax(together))])
    for _ in range(const.ROWS_ROUNDS):
        turned = z * np.exp(-1j * np.outer(omega, delay * place))
        mean, weighed = turned.mean(axis=1), turned @ lever
        power = np.square(abs(mean))
        product = omega * (weighed * mean.conj()).imag
        square = omega**2 * power
        scale = lever @ place * (square[inside].sum() - share * square[~inside].sum())
        stands_out = power[inside].mean() > const.ROWS_LEAST_CONTRAST * power[~inside].mean()
        if scale <= 0 or not stands_out:
            return None
        delay += float((product[inside].sum() - share * product[~inside].sum()) / scale)
        if abs(delay) > longest:
            return None
    # noise that stands across the mean's phase: no smaller than that along it within the line
    along = (weighed * mean.conj()).real[inside] / abs(mean[inside])
    noise = max(np.square(abs(weighed[~inside])).mean() / 2.0, np.square(along).mean())
    variance = noise * square[inside].sum() + share**2 * product[~inside].var() * (~inside).sum()
    return delay, float(np.sqrt(const.HANN_OVERLAP * variance) / scale)
