"""Runs at several focus positions: what of the optics is defocus or astigmatism, and in words.

The run that is measured is one point of the curve. Its own star then enters the joint fit as
well; that is no second use of it, since the curve leaves open how much of the rest is air.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from blursplit import constants as const
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.evidence.focus import FocusFit
from blursplit.evidence.guest import Guest, KnownOptics, Record
from blursplit.facts import Facts, Optics
from blursplit.image.otf import (
    BASELINE_SHARES,
    DIRECTIONS_RAD,
    DefocusShape,
    OpticsData,
    defocus_loss,
    modulus_around,
    telescope_otf,
)
from blursplit.image.stack import StarImages
from blursplit.motion import CommonMotion
from blursplit.motion.common import GridData
from blursplit.result import Facts as RemarkFacts
from blursplit.result import Focus, FocusPosition, NextStep, Remark
from blursplit.rig import Rig
from blursplit.stars.robust import remove_trend
from blursplit.stars.tracks import StarTracks
from blursplit.types import FloatArray, sure


def _defocus_sigma_arcsec(
    defocus_m: ArrayLike, *, aperture_m: float, focal_length_m: float, obstruction: float = 0.0
) -> FloatArray:
    """Return the one-axis rms [arcsec] of the rays of a defocused pupil.

    `defocus_m`: distance of the detector from best focus [m]. `aperture_m`, `focal_length_m`:
    diameter and effective focal length [m]. `obstruction`: diameter ratio.

    Second moment of a uniform annulus: R^2 (1 + obstruction^2)/4 on one axis, with the radius
    R = D |dz|/(2 f^2). Geometrical optics (derived).
    """
    radius = aperture_m * np.abs(np.asarray(defocus_m, dtype=float)) / (2.0 * focal_length_m**2)
    out: FloatArray = radius * const.ARCSEC_PER_RADIAN * np.sqrt(1.0 + obstruction**2) / 2.0
    return out


def _equivalent_variance(log_loss: ArrayLike, cycles_arcsec: ArrayLike) -> FloatArray:
    """Return the variance of the Gaussian that costs the same contrast, any level left free.

    `log_loss` (..., n_b): -ln of a transfer function. `cycles_arcsec` (n_b,): frequencies
    [cycles/arcsec].

    Returns: (...): one-axis variance [arcsec^2]: the least-squares slope against 2 pi^2 f^2. It is
    linear in `log_loss`, so those of air and optics add up.
    """
    x = 2.0 * np.pi**2 * np.asarray(cycles_arcsec, dtype=float) ** 2
    weight = x - x.mean()
    return np.asarray(np.asarray(log_loss, float) @ (weight / (weight @ x)), dtype=float)


@dataclass(frozen=True)
class _FocusRun:
    """What a run at one focus position contributes."""

    name: str
    position: float  # in the unit of the recorded focus position
    # (n_baselines, n_angles): -ln of the registered star's transfer function with telescope, pixel
    # and dispersion divided out, at 0.05 to 0.3 apertures; NaN from the first baseline that fails.
    log_loss: FloatArray
    # (n_blocks, n_baselines, n_angles): the same from disjoint stretches of time.
    block_loss: FloatArray
    cycles_arcsec: FloatArray  # (n_baselines,)
    # (mean, sigma): ln r0^(-5/3), but for a constant, from the run's own pairs; None without pairs.
    log_air: tuple[float, float] | None

    @property
    def n_usable(self) -> int:
        """How many baselines, from the shortest on, stand above the noise."""
        return int(np.isfinite(self.log_loss).all(axis=1).sum())

    def variance_arcsec2(self, n_baselines: int) -> tuple[float, float]:
        """Return the equivalent variance over the shortest baselines and its measuring error."""
        cycles = self.cycles_arcsec[:n_baselines]
        value = _equivalent_variance(self.log_loss[:n_baselines].mean(axis=1), cycles)
        blocks = _equivalent_variance(self.block_loss[:, :n_baselines].mean(axis=2), cycles)
        unit = _equivalent_variance(np.eye(n_baselines), cycles)
        error = np.std(blocks, ddof=1) / np.sqrt(len(blocks)) if len(blocks) > 1 else 0.0
        own = const.TRANSFER_POINT_SIGMA * np.linalg.norm(unit)
        return float(value), float(np.hypot(error, own))


@dataclass(frozen=True)
class _Astigmatism:
    """Draws of the astigmatism."""

    # (n_draws,): one-axis variance of its rays at best focus, the scatter of the draws taken out.
    variance_arcsec2: FloatArray
    # (n_draws,): direction along which the image is longer beyond best focus (larger positions).
    angle_deg: FloatArray
    is_shown: bool  # whether the draws exclude none with 95 %


def _find_astigmatism(
    runs: Sequence[_FocusRun], n_baselines: int, fit: FocusFit, rng: np.random.Generator
) -> _Astigmatism | None:
    """Find how the elongation changes through focus; None with fewer than four runs.

    `n_baselines`: baselines that all runs share.

    With the rms h of the defocused rays and a of the astigmatic ones, the variance along an axis
    at the angle t from the astigmatism's is (h + a cos 2t)^2, so that the second harmonic over
    angle is 2 h a (derived): least squares on 2 k (z - z0), one a draw of the curve. What the
    elongation does beside that line (wind, motion inside the exposures) is its error, with
    Student's t.
    """
    from scipy.stats import f

    if len(runs) < const.FOCUS_FEWEST_ASTIGMATIC:
        return None
    cycles = runs[0].cycles_arcsec[:n_baselines]
    waves = 2.0 * np.exp(2j * DIRECTIONS_RAD) / len(DIRECTIONS_RAD)
    harmonic = np.array([run.log_loss[:n_baselines] @ waves for run in runs])
    real, imaginary = (_equivalent_variance(p, cycles) for p in (harmonic.real, harmonic.imag))
    second = real + 1j * imaginary
    position = np.array([run.position for run in runs])
    sigma = fit.defocus_arcsec(position)
    # What the loss gains for a small change of the squared rays, beyond the Gaussian regime too.
    table = (fit.loss[0] ** 2, fit.loss[1])
    step = const.FOCUS_STEP_ARCSEC2
    gain = (np.interp(sigma**2 + step, *table) - np.interp(sigma**2, *table)) / step
    x = 2.0 * gain * sigma * np.sign(position[:, None] - fit.best)
    x = x - x.mean(axis=0)
    power = (x**2).sum(axis=0)
    slope = (x * (second - second.mean())[:, None]).sum(axis=0) / power
    left = second[:, None] - second.mean() - x * slope
    freedom = 2 * (len(runs) - 2)  # real and imaginary parts
    noise = (np.abs(left) ** 2).sum(axis=0) / freedom / power
    heavy = np.sqrt(freedom / rng.chisquare(freedom, len(power)))
    shift = rng.standard_normal((2, len(power))) * np.sqrt(noise) * heavy
    draws = np.stack([slope.real + shift[0], slope.imag + shift[1]])
    variance, typical = (draws**2).sum(axis=0), float(np.median(noise))
    # the 95 % point of the F distribution of a vector of two against its noise
    likely = float(f.ppf(0.95, 2, freedom))
    shown = float(np.median(np.abs(slope) ** 2)) > 2.0 * typical * likely
    if shown:
        # A length that scatters comes out too long, once in the data and once in the draws.
        variance = np.maximum(variance - 4.0 * typical, 0.0)
    return _Astigmatism(
        variance_arcsec2=variance,
        angle_deg=np.degrees(np.arctan2(draws[1], draws[0])) / 2.0 % 180.0,
        is_shown=shown,
    )


@dataclass(frozen=True)
class FocusRuns(Guest):
    """Runs of the same telescope at other focus positions."""

    runs: tuple[tuple[str, StarTracks, Rig], ...]  # (name, tracks, rig) each: as followed
    own_position: float = 0.0  # of the measured run, in the unit of the recorded focus position
    others: tuple[_FocusRun, ...] = ()
    # Predicted rms of the defocused rays for each unit of position.
    slope_arcsec: float | None = None
    # None before the star's image was seen, and where that does not show the focus.
    curve: _FocusCurve | None = None

    def prepare(self, record: Record) -> Record:
        """Read the other runs, where telescope and camera of the measured one are known."""
        optics, scale = record.facts.optics, record.facts.scale_arcsec
        if not self.runs or optics is None or scale is None:
            return record
        own = record.rig.get("focus_position")
        if own is None:
            problem = "the focus position of the measured run is not known"
            raise InputError("--focus-run", problem, "give it: --set telescope.focus_position=...")
        others = tuple(_read_focus_run(*run, optics, scale) for run in self.runs)
        guest = FocusRuns(self.runs, float(own), others, _predicted_slope(record.rig, optics))
        return replace(record, guests=(*record.guests, guest))

    def seen(
        self, record: Record, stack: StarImages, grid: GridData, transfer: OpticsData | None
    ) -> FocusRuns:
        """Fit the curve; not where pixels as large as the star, or a mask, hide the focus."""
        facts = record.facts
        if transfer is None or not record.shapes_are_stars:
            return self
        rng = np.random.default_rng(const.FOCUS_SEED)
        own = _focus_run("this run", self.own_position, stack, facts, grid)
        curve = _focus_curve(own, self.others, sure(facts.optics), transfer, self.slope_arcsec, rng)
        stated = facts.known_instrument_arcsec
        if stated is not None and curve.least_arcsec2 is not None:
            low = float(np.percentile(curve.least_arcsec2, const.PERCENTILES[0]))
            least = const.FWHM_PER_SIGMA * low**0.5
            if least > stated * (1.0 + 2.0 * const.FOCUS_STATED_SIGMA):
                curve.warn("focus-disagrees", least_arcsec=least, stated_arcsec=stated)
        return replace(self, curve=curve)

    @property
    def optics(self) -> KnownOptics | None:
        """What the curve says of the optics."""
        if self.curve is None:
            return None
        shape = self.curve.shape if self.curve.is_shown else None
        return KnownOptics("focus positions", self.curve.least_arcsec2, shape)

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Put the curve into the instrument's part."""
        if self.curve is None:
            return parts
        told = {
            "defocus_arcsec": self.curve.defocus,
            "astigmatism_arcsec": self.curve.astigmatism,
            "focus": self.curve.part,
        }
        return {**parts, "instrument": parts["instrument"].model_copy(update=told)}

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return the curve for its figure."""
        del record
        return {} if self.curve is None else self.curve.arrays

    def remarks(self) -> tuple[Remark, ...]:
        """Return doubts, and what the curve says."""
        if self.curve is None:
            return (Remark.of("focus-not-used"),)
        return (*self.curve.warnings, *self.curve.notes)

    def steps(self) -> tuple[NextStep, ...]:
        """Return where to move the focus."""
        return () if self.curve is None else tuple(self.curve.steps)


@dataclass
class _FocusCurve:
    """What the focus positions say."""

    # Draws of the variance of defocus (and astigmatism, where shown) of the measured run, as a
    # Gaussian of the joint fit; None when no curve could be fitted.
    least_arcsec2: FloatArray | None = None
    shape: DefocusShape | None = None  # of that defocus, for the joint fit
    part: Focus | None = None  # for the result
    # `defocus`, `astigmatism`: Gaussian-equivalent FWHM [arcsec].
    defocus: Estimate | None = None
    astigmatism: Estimate | None = None
    arrays: dict[str, FloatArray] = field(default_factory=dict)  # for the figure
    warnings: list[Remark] = field(default_factory=list)
    # `notes`, `steps`: for the verdict.
    notes: list[Remark] = field(default_factory=list)
    steps: list[NextStep] = field(default_factory=list)

    @property
    def is_shown(self) -> bool:
        """Whether defocus, or astigmatism, was found and not only limited."""
        return any(part and not part.is_limit for part in (self.defocus, self.astigmatism))

    def warn(self, code: str, **facts: float | str | None) -> None:
        """Keep a doubt that goes with the numbers."""
        self.warnings.append(Remark.of(code, **facts))


# --- one run --------------------------------------------------------------------------------------
def _focus_run(
    name: str, position: float, images: StarImages, facts: Facts, grid: GridData | None
) -> _FocusRun:
    """Return what a run contributes.

    `facts`: with optics and pixel scale. `grid`: for what its pairs say of its air.
    """
    optics, scale = sure(facts.optics), sure(facts.scale_arcsec)
    cycles = BASELINE_SHARES * optics.aperture_m / optics.wavelength_m / const.ARCSEC_PER_RADIAN
    fx, fy = np.outer(cycles, np.cos(DIRECTIONS_RAD)), np.outer(cycles, np.sin(DIRECTIONS_RAD))
    known = np.log(telescope_otf(BASELINE_SHARES, optics.obstruction))[:, None]
    known = known + np.log(np.sinc(fx * scale) * np.sinc(fy * scale))
    form = facts.dispersion[0, 0] * fx**2 + facts.dispersion[1, 1] * fy**2
    known = known - 2.0 * np.pi**2 * (form + 2.0 * facts.dispersion[0, 1] * fx * fy)
    stack = images.stack
    otf = np.maximum(modulus_around(stack.images["registered"], cycles * scale), 1e-6)
    good = cycles * scale < const.MOST_TRANSFER_CYCLES_PX
    good = np.cumprod(good & (otf.mean(axis=1) > const.LEAST_TRANSFER)).astype(bool)
    loss = np.where(good[:, None], known - np.log(otf), np.nan)
    parts = np.stack([modulus_around(b, cycles * scale) for b in stack.blocks["registered"]])
    blocks = known - np.log(np.maximum(parts, 1e-6))
    log_air = None if grid is None else _air_by_pairs(grid)
    return _FocusRun(name, position, loss, blocks, cycles, log_air)


def _predicted_slope(rig: Rig, optics: Optics) -> float | None:
    """Return k [arcsec for each unit of position] by geometry; None where a number is missing."""
    step_um = rig.get("focus_step_um")
    focal_m = rig.get("focal_length_m")
    pixel_um, scale = rig.get("pixel_um"), rig.get("pixel_scale_arcsec")
    if focal_m is None and pixel_um and scale:
        focal_m = const.ARCSEC_PER_RADIAN * pixel_um * 1e-6 / scale
    if not step_um or not focal_m:
        return None
    sizes = {"aperture_m": optics.aperture_m, "obstruction": optics.obstruction}
    return float(_defocus_sigma_arcsec(step_um * 1e-6, focal_length_m=float(focal_m), **sizes))


def _read_focus_run(
    name: str, tracks: StarTracks, rig: Rig, reference: Optics, scale_arcsec: float
) -> _FocusRun:
    """Return what another run contributes, after checking that it is of the same telescope.

    `reference`: of the run that is measured. `scale_arcsec`: its pixel scale.

    Raises InputError when the run has no focus position, no star image, or another telescope, pixel
    scale or wavelength.
    """
    position = rig.get("focus_position")
    if position is None:
        problem = "its focus position is not known"
        remedy = "write it behind the path: --focus-run PATH@POSITION"
        raise InputError(f"--focus-run {name}", problem, remedy)
    facts = Facts.of(tracks, rig, None)
    if facts.optics is None or facts.scale_arcsec is None:
        raise InputError(
            f"--focus-run {name}", "has no aperture or pixel scale", "give them in --setup"
        )
    for key, here, there in (
        ("aperture", reference.aperture_m, facts.optics.aperture_m),
        ("wavelength", reference.wavelength_m, facts.optics.wavelength_m),
        ("pixel scale", scale_arcsec, facts.scale_arcsec),
    ):
        if abs(there / here - 1.0) > const.FOCUS_SAME:
            problem = f"its {key} differs from that of the measured run"
            remedy = "take all focus positions with one telescope, camera and filter"
            raise InputError(f"--focus-run {name}", problem, remedy)
    images = StarImages.of(tracks, facts.blur_time_s, facts.scale_arcsec, {})
    if images is None:
        raise InputError(f"--focus-run {name}", "no star image could be stacked", "leave it out")
    return _focus_run(name, float(position), images, facts, _grid_of(tracks, facts))


def _grid_of(tracks: StarTracks, facts: Facts) -> GridData | None:
    if tracks.cadence_s is None or tracks.timing == "irregular":
        return None
    motion, scale = CommonMotion.of(tracks), sure(facts.scale_arcsec)
    grid = GridData.of(tracks, motion, scale_arcsec=scale, cadence_s=tracks.cadence_s)
    return None if grid is None else grid.rows_aligned()


def _air_by_pairs(grid: GridData) -> tuple[float, float] | None:
    """Return ln of the stars' differential variance and its sampling error; None where unseen.

    Shift is taken out of every frame, rotation and scale too with three stars or more; of two
    stars only the motion along the line that joins them is used. What is left is air alone and
    proportional to r0^(-5/3). The error is the scatter of eight stretches.
    """
    pattern = grid.patterns_of_air()
    if pattern is None:
        return None
    floor = float((grid.noise_arcsec2 @ pattern**2).mean())
    variance: list[float] = []
    for segment in grid.segments:
        n_blocks = min(const.FOCUS_AIR_BLOCKS, len(segment.real) // const.FOCUS_BLOCK_FRAMES)
        if n_blocks:
            parts = np.array_split(segment.stars_arcsec @ pattern, n_blocks)
            variance += [float(remove_trend(p).var(axis=0).mean()) - floor for p in parts]
    mean = float(np.mean(variance)) if variance else 0.0
    if len(variance) < 2 or mean <= 0.0:  # noqa: PLR2004 - no error from one
        return None
    error = float(np.std(variance, ddof=1)) / np.sqrt(len(variance)) / mean
    return float(np.log(mean)), float(np.hypot(error, const.FOCUS_AIR_ERROR))


# --- the curve ------------------------------------------------------------------------------------
def _focus_curve(
    own: _FocusRun,
    others: Sequence[_FocusRun],
    optics: Optics,
    transfer: OpticsData,
    predicted: float | None,
    rng: np.random.Generator,
) -> _FocusCurve:
    """Fit the focus curve and say what follows for the measured run.

    `own`: the measured run. `transfer`: of the measured run, for the weights that the joint fit
    gives its baselines. `predicted`: slope [arcsec for each unit of position] by geometry.
    """
    out = _FocusCurve()
    runs = [run for run in (own, *others) if run.n_usable >= const.FOCUS_FEWEST_BASELINES]
    for run in (own, *others):
        if run not in runs:
            out.warn("focus-run-too-blurred", name=run.name, position=run.position)
    n = min((run.n_usable for run in runs), default=0)  # baselines that all of them share
    positions = len({run.position for run in runs})
    if own not in runs or positions < const.FOCUS_FEWEST - (predicted is not None):
        out.warn("focus-few-positions", positions=positions)
        return out
    telescope = {
        "aperture_m": optics.aperture_m,
        "wavelength_m": optics.wavelength_m,
        "obstruction": optics.obstruction,
    }
    sigma, loss = defocus_loss(BASELINE_SHARES[:n], **telescope)
    table = (sigma, _equivalent_variance(loss, own.cycles_arcsec[:n]))
    fit = _fit(runs, n, table, predicted, rng, out)
    defocus = fit.defocus_arcsec(own.position)
    out.shape = _as_gaussian(transfer, telescope, float(np.median(defocus)))
    as_gaussian = (out.shape.sigma_arcsec, out.shape.variance_arcsec2)
    out.least_arcsec2 = np.interp(defocus, *as_gaussian)
    _describe_curve(out, own, runs, n, fit, predicted)
    _add_astigmatism(out, _find_astigmatism(runs, n, fit, rng), as_gaussian)
    return out


def _fit(
    runs: list[_FocusRun],
    n: int,
    table: tuple[FloatArray, FloatArray],
    predicted: float | None,
    rng: np.random.Generator,
    out: _FocusCurve,
) -> FocusFit:
    """Fit the curve; a predicted slope helps where the measured one does not contradict it."""
    measured = np.array([run.variance_arcsec2(n) for run in runs])
    air = np.array([(np.nan, np.nan) if run.log_air is None else run.log_air for run in runs])
    position = np.array([run.position for run in runs])

    def fitted(slope: tuple[float, float] | None) -> FocusFit:
        return FocusFit.of(
            position,
            measured[:, 0],
            measured[:, 1],
            loss=table,
            rng=rng,
            predicted_slope=slope,
            log_air=air[:, 0],
            log_air_error=air[:, 1],
        )

    if predicted is None:
        return fitted(None)
    known = (predicted, const.FOCUS_SLOPE_SIGMA)
    if len(np.unique(position)) < const.FOCUS_FEWEST:
        return fitted(known)
    free = fitted(None)
    low, *_, high = np.percentile(free.slope_arcsec, const.PERCENTILES)
    away = 2.0 * const.FOCUS_SLOPE_SIGMA
    if low < predicted * (1.0 + away) and high > predicted * (1.0 - away):
        return fitted(known)
    out.warn("focus-slope-disagrees", times=float(np.median(free.slope_arcsec)) / predicted)
    return free


def _as_gaussian(
    transfer: OpticsData, telescope: dict[str, float], here_arcsec: float
) -> DefocusShape:
    """Tabulate the variance of the Gaussian that the joint fit would take a defocus for.

    The loss of the measured defocus departs from that Gaussian's over the baselines: it grows
    more slowly than f^2, almost like that of the air.

    Its level is nearly fixed and its baselines are weighted by their errors, so that the same
    defocus counts for more than in a slope with a free level.
    """
    sigma, loss = defocus_loss(transfer.baseline_m / telescope["aperture_m"], **telescope)
    x = 2.0 * np.pi**2 * transfer.frequency_rad2 / const.ARCSEC_PER_RADIAN**2
    weight = np.linalg.solve(transfer.covariance, x)
    variance = np.asarray(loss @ weight / (weight @ x))
    row = int(np.clip(np.searchsorted(sigma, here_arcsec), 1, len(sigma) - 2))
    return DefocusShape(np.asarray(loss[row] / (variance[row] * x)), sigma, variance)


def _add_astigmatism(
    out: _FocusCurve, found: _Astigmatism | None, as_gaussian: tuple[FloatArray, FloatArray]
) -> None:
    """Add astigmatism to the least width where it is shown, else state its limit."""
    if found is None:
        return
    ratio = as_gaussian[1][1] / as_gaussian[0][1] ** 2
    width = const.FWHM_PER_SIGMA * np.sqrt(ratio * found.variance_arcsec2)
    if not found.is_shown:
        out.astigmatism = Estimate.limit(width)
        return
    out.astigmatism = Estimate.of(width)
    out.least_arcsec2 = sure(out.least_arcsec2) + ratio * found.variance_arcsec2
    sure(out.part).astigmatism_angle_deg = Estimate.axial(found.angle_deg)
    out.notes.append(Remark.of("focus-astigmatism"))


# --- as parts of the result -----------------------------------------------------------------------
def _describe_curve(
    out: _FocusCurve,
    own: _FocusRun,
    runs: list[_FocusRun],
    n: int,
    fit: FocusFit,
    predicted: float | None,
) -> None:
    """Fill in the record, the figure's arrays, doubts and words."""
    points = [(run, *run.variance_arcsec2(n)) for run in runs]
    rest = const.FWHM_PER_SIGMA * np.sqrt(fit.rest_arcsec2)
    defocus = const.FWHM_PER_SIGMA * np.sqrt(sure(out.least_arcsec2))
    least = const.FOCUS_LEAST_SHOWN * float(np.median(rest))
    shown = np.percentile(defocus, const.PERCENTILES[0]) > least
    out.defocus = Estimate.of(defocus) if shown else Estimate.limit(defocus)
    out.part = Focus(
        positions=[
            FocusPosition(name=run.name, position=run.position, fwhm_arcsec=_width(value, error))
            for run, value, error in points
        ],
        used_position=own.position,
        best_position=Estimate.of(fit.best),
        rest_fwhm_arcsec=Estimate.of(rest),
        slope_arcsec=Estimate.of(fit.slope_arcsec),
        predicted_slope_arcsec=predicted,
        air_change=Estimate.of(fit.air_scatter),
    )
    _arrays(out, points, fit)
    _doubts(out, runs, fit)
    best, width = sure(out.part.best_position), sure(out.defocus)  # there are draws
    places: RemarkFacts = {"best": best.value, "here": own.position}
    told = Remark.of(
        "focus-curve",
        **places,
        runs=len(runs),
        best_low=best.low,
        best_high=best.high,
        defocus_arcsec=width.value,
        low_arcsec=width.low,
        high_arcsec=width.high,
        limit_arcsec=None if shown else width.high,
    )
    out.notes.append(told)
    if shown:
        out.steps.append(NextStep(code="refocus", facts=places))


def _width(variance: float, error: float) -> Estimate:
    """Return a variance with its error as a Gaussian FWHM."""
    return Estimate.with_error(variance, error, lambda v: const.FWHM_PER_SIGMA * max(v, 0.0) ** 0.5)


def _arrays(out: _FocusCurve, points: list[tuple[_FocusRun, float, float]], fit: FocusFit) -> None:
    position = np.array([run.position for run, _, _ in points])
    value = np.array([value for _, value, _ in points])
    # Each point may lie off the curve by its error and by its own air.
    spread = np.median(fit.air_scatter) * np.median(fit.rest_arcsec2)
    error = np.hypot([error for _, _, error in points], spread)
    low, high = position.min(), position.max()
    at = np.linspace(low - 0.1 * (high - low), high + 0.1 * (high - low), const.FOCUS_N_CURVE)
    bands = np.percentile(fit.variance_arcsec2(at), const.PERCENTILES[1:4], axis=1)
    out.arrays = {
        "focus_position": position,
        "focus_fwhm_arcsec": const.FWHM_PER_SIGMA * np.sqrt(np.maximum(value, 0.0)),
        "focus_fwhm_low_arcsec": const.FWHM_PER_SIGMA * np.sqrt(np.maximum(value - error, 0.0)),
        "focus_fwhm_high_arcsec": const.FWHM_PER_SIGMA * np.sqrt(np.maximum(value + error, 0.0)),
        "focus_curve_position": at,
    }
    for name, band in zip(("_low", "", "_high"), bands, strict=True):
        out.arrays[f"focus_curve{name}_arcsec"] = const.FWHM_PER_SIGMA * np.sqrt(band)


def _doubts(out: _FocusCurve, runs: list[_FocusRun], fit: FocusFit) -> None:
    position = np.array([run.position for run in runs])
    low, high = np.percentile(fit.best, const.PERCENTILES[1:4:2])
    if low < position.min() or high > position.max():
        out.warn("focus-not-bracketed")
    changed = float(np.median(fit.air_scatter))
    if changed > const.FOCUS_AIR_CHANGE:
        out.warn("focus-air-changed", share=0.6 * changed)
    if not any(run.log_air is not None for run in runs):
        out.warn("focus-air-unseen", share=0.6 * const.AIR_SCATTER)
