"""The blur split: fit, histories and all that is read off them, as far as the record allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import brentq

from blursplit import constants as const
from blursplit.budget.air_data import TILT
from blursplit.budget.fit import AirFit, FitSetup, Pace
from blursplit.budget.histories import DriveDraws, Histories, HistorySetup
from blursplit.budget.line_search import Lines
from blursplit.budget.record import Allowed, Motion
from blursplit.definitions import CAUSES, CURES, OWNERS, STEADY, Conditions, History
from blursplit.estimate import Estimate
from blursplit.evidence.guest import Guest, KnownOptics, Record
from blursplit.evidence.long_frames import slow_motion
from blursplit.facts import Optics
from blursplit.image.otf import OpticsData
from blursplit.image.stack import StarImages
from blursplit.motion import PairStatistics
from blursplit.motion.common import GridData
from blursplit.motion.inside import InsideMotion
from blursplit.stars.robust import remove_trend
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.tilt import pair_kernels
from blursplit.types import FloatArray, IntArray, sure


@dataclass(frozen=True)
class Readings:
    """What the definitions read off the histories, one row a draw."""

    width_arcsec: FloatArray  # (n,): modelled FWHM with everything
    base_arcsec: float  # FWHM of the base alone
    # By cure, (n, 2): fraction of the width saved, in the low and in the high
    # reading.
    saving: dict[str, FloatArray]
    # By owner, (n, 2, 2): covariance inside windows of the blur time.
    motion_arcsec2: dict[str, FloatArray]
    # (n, 2, 2): constant blur that may as well be a steady vibration inside the frames.
    steady_arcsec2: FloatArray
    # Cause to its mean share of the width above the base; None where not read off.
    share: dict[str, float | None]
    # `air_arcsec`, `optics_arcsec`: (n,): FWHM of all the air alone, and of the optics beyond the
    # base as a Gaussian.
    air_arcsec: FloatArray
    optics_arcsec: FloatArray


def _read_off(runs: Sequence[History], blur_time_s: float, *, with_shares: bool = True) -> Readings:
    """Read every number off every history; shares decide nothing and may be left out."""
    seen = [run.in_windows(blur_time_s) for run in runs]
    saved = [run.savings() for run in seen]
    some = seen[:: max(1, len(seen) // const.N_SHARES)]
    parts = [run.shares() for run in some] if with_shares else []
    optics = np.array([np.trace(run.optics_arcsec2) for run in seen])
    return Readings(
        width_arcsec=np.array([run.width() for run in seen]),
        base_arcsec=seen[0].width({*CAUSES, STEADY}),
        saving={cure: np.array([s[cure] for s in saved]) for cure in CURES},
        motion_arcsec2={
            owner: np.array([run.motion_covariance(owner) for run in seen]) for owner in OWNERS
        },
        steady_arcsec2=np.array(
            [
                run.optics_may_shake * run.optics_arcsec2 + run.motion_covariance(STEADY)
                for run in seen
            ]
        ),
        share={
            cause: float(np.mean([p[cause] for p in parts])) if parts else None for cause in CAUSES
        },
        air_arcsec=np.array([_air_alone(run) for run in seen]),
        optics_arcsec=const.FWHM_PER_SIGMA * np.sqrt(0.5 * optics),
    )


def _air_alone(run: History) -> float:
    """Return the width that the air alone makes, through a telescope that adds nothing to it."""
    if run.strength + run.near_strength <= 0:
        return 0.0
    return History(
        Conditions(100.0, 0.0, run.conditions.wavelength_m, 1e-3),
        run.time_s[:1],
        run.segment[:1],
        strength=run.strength,
        outer_scale_m=run.outer_scale_m,
        near_strength=run.near_strength,
        near_outer_scale_m=run.near_outer_scale_m,
    ).width()


@dataclass(frozen=True)
class Answer:
    """What was drawn, as far as the record allows: each None where it does not."""

    fit: AirFit | None = None
    histories: Histories | None = None
    readings: Readings | None = None
    transfer: OpticsData | None = None  # the registered star's transfer function
    guests: tuple[Guest, ...] = ()  # with what the star's image told them
    inside: InsideMotion | None = None
    # Draws of the smallest r0^(-5/3) that the pairs allow; empty without a pair.
    lower_strength: FloatArray | None = None

    @property
    def optics(self) -> KnownOptics | None:
        """What a guest has measured of the optics."""
        return next((g.optics for g in self.guests if g.optics is not None), None)

    @property
    def optics_source(self) -> str | None:
        """What a part of the optics was measured with."""
        known = self.optics
        return None if known is None or known.least_arcsec2 is None else known.source

    @classmethod
    def of(
        cls,
        record: Record,
        motion: Motion,
        stack: StarImages | None,
        allowed: Allowed,
        lines: Lines,
        seed: int,
        pace: Pace = Pace(),  # noqa: B008 - frozen
    ) -> Answer:
        """Draw histories of the run at the level that it allows."""
        lower = _lower_bound(record, motion, seed)
        if allowed.level == "positions" or stack is None or record.conditions is None:
            return cls(lower_strength=lower, guests=record.guests)
        if allowed.level == "widths":
            return _from_widths(record, motion, stack, lines.inside, lower, seed)
        return _from_spectra(record, motion, stack, lines, lower, seed, pace)


def _lower_bound(record: Record, motion: Motion, seed: int) -> FloatArray | None:
    facts = record.facts
    if facts.optics is None or facts.scale_arcsec is None or motion.quiet is None:
        return None
    rng = np.random.default_rng([seed, 5])
    for guest in record.guests:
        strength = guest.lower_strength(rng)
        if strength is not None:
            return strength
    return _lower_bound_j(motion.pairs, motion.quiet, facts.optics, facts.scale_arcsec, rng)


def _registration_noise_arcsec2(tracks: StarTracks, scale: float) -> float:
    """Return the one-axis variance that registering on noisy centroids adds."""
    sigma = tracks.seen("sigma_px")[:, sure(tracks.stamps).star]
    return float(np.nanmean(sigma**2)) * scale**2


def _window_over_diffraction(
    tracks: StarTracks, scale: float, aperture_m: float, wavelength_m: float
) -> float:
    """Return the sigma of the centroid's window in lambda/D, the pixel's own width included.

    A pixel blurs the image before the window weighs it, which acts like a wider window.
    """
    sigma_px = float(np.nanmedian(tracks.seen("width_px")))
    window = scale * float(np.hypot(const.WINDOW_OVER_SIGMA * sigma_px, 12.0**-0.5))
    return window * aperture_m / (wavelength_m * const.ARCSEC_PER_RADIAN)


def _from_spectra(
    record: Record,
    motion: Motion,
    stack: StarImages,
    lines: Lines,
    lower: FloatArray | None,
    seed: int,
    pace: Pace,
) -> Answer:
    facts, tracks, rig = record.facts, record.images, record.rig
    # this level has spectra, scale and aperture
    grid, quiet, conditions = sure(motion.grid), sure(motion.quiet), sure(record.conditions)
    optics, scale = sure(facts.optics), sure(facts.scale_arcsec)
    transfer = OpticsData.of(
        stack.stack.images["registered"],
        stack.stack.blocks["registered"],
        optics,
        scale_arcsec=scale,
        dispersion_arcsec2=0.5 * float(np.trace(facts.dispersion)),
    )
    guests = tuple(guest.seen(record, stack, quiet, transfer) for guest in record.guests)
    known = next((guest.optics for guest in guests if guest.optics is not None), None)
    if transfer is not None and known is not None and known.shape is not None:
        transfer = replace(transfer, defocus=known.shape)
    inside, terms = lines.inside, [line.term for line in lines.found]
    fast = InsideMotion.largest_variance_px2(record.tracks) * scale**2
    shown = inside if inside is not None and inside.is_remembered else None
    if inside is not None:
        fast = inside.limit_rms_arcsec**2 if shown is None else 0.0
    fit = AirFit.of(
        quiet,
        terms,
        transfer,
        FitSetup(
            optics=optics,
            recorded_fwhm_arcsec=stack.widths["recorded"].mean,
            known_instrument_arcsec=facts.known_instrument_arcsec,
            registration_noise_arcsec2=_registration_noise_arcsec2(tracks, scale),
            fast_motion_arcsec2=fast,
            inside=shown,
            continuum=None if lines.search is None else lines.search.continuum,
            strength=record.strength,
            window_over_diffraction=_window_over_diffraction(
                tracks, scale, optics.aperture_m, optics.wavelength_m
            ),
            least_instrument_arcsec2=None if known is None else known.least_arcsec2,
        ),
        guests=guests,
        seed=seed,
        pace=pace,
    )
    histories = Histories.draw(
        grid,
        fit,
        terms,
        motion.terms,
        inside,
        HistorySetup(
            conditions=conditions,
            dispersion_arcsec2=facts.dispersion,
            drive_angle_deg=rig.get("ra_angle_deg"),
            hidden_hz=lines.hidden_hz,
            hidden_limit_arcsec=lines.hidden_limit_arcsec,
            known_paths={k: v for guest in record.guests for k, v in guest.known_paths.items()},
            mechanical_share=_mechanical_share(guests, fit, seed),
        ),
        n_draws=pace.histories,
        seed=seed,
    )
    readings = _read_off(histories.runs, facts.blur_time_s, with_shares=pace.with_shares)
    return Answer(fit, histories, readings, transfer, guests, inside, lower)


def _mechanical_share(guests: tuple[Guest, ...], fit: AirFit, seed: int) -> FloatArray | None:
    shown = [guest.mechanical_share(fit, seed) for guest in guests]
    known = [share for share in shown if share is not None]
    return np.max(known, axis=0) if known else None


def _from_widths(
    record: Record,
    motion: Motion,
    stack: StarImages,
    inside: InsideMotion | None,
    lower: FloatArray | None,
    seed: int,
) -> Answer:
    """Draw histories of frames without spectra: long ones, or at uneven times."""
    facts, tracks, conditions = record.facts, record.tracks, sure(record.conditions)
    recorded = sure(stack.recorded_estimates()["mean"])
    rng = np.random.default_rng([seed, 6])
    paths, tensors, rates = slow_motion(record, motion.shared, seed)
    if inside is not None:
        for k, tensor in enumerate(tensors):
            blur = inside.tensors_of(k % len(inside.mechanical_arcsec2))
            if facts.is_long and inside.is_shown:
                # A drive's wander is remembered over such frames as ringing is over short ones:
                # what the steps do not tell of it is mechanical, of unknown owner.
                told = float(np.trace(tensor["tracking"]) / max(np.trace(blur.mean(axis=0)), 1e-12))
                tensor["open"] = max(1.0 - told, 0.0) * blur
            elif inside.is_shown:
                tensor["structure"] = blur
            elif rng.random() < inside.memory_probability:
                tensor["open"] = blur
    seen = np.isfinite(motion.shared.x_px)
    runs = _match_width(
        conditions,
        tracks.time_s[seen],
        tracks.segment[seen],
        paths,
        tensors,
        recorded,
        blur_time_s=facts.blur_time_s,
        outer_scale_m=sure(facts.optics).outer_scale_m,
        stated_optics_arcsec=facts.known_instrument_arcsec,
        narrowest_arcsec=_narrowest(record),
        seed=seed,
    )
    if facts.is_long and inside is not None and inside.is_shown:
        runs = tuple(replace(run, open_is_air=0.0) for run in runs)
    empty = np.zeros((len(runs), 0, 2, 2))
    histories = Histories(
        runs, np.arange(len(runs)), DriveDraws(rates, empty, ()), {}, np.zeros(len(runs))
    )
    return Answer(
        histories=histories,
        readings=_near_air_unseen(_read_off(runs, facts.blur_time_s)),
        guests=record.guests,
        inside=inside,
        lower_strength=lower,
    )


def _near_air_unseen(readings: Readings) -> Readings:
    """Let near air be anything from none to all of the air, which one width cannot part."""
    either = np.stack([0.0 * readings.width_arcsec, readings.saving["atmosphere"][:, 1]], axis=1)
    return replace(readings, saving={**readings.saving, "near_air": either})


def _narrowest_width_arcsec(fwhm_arcsec: FloatArray, sigma_arcsec: FloatArray) -> float | None:
    """Return the upper end (95 %) of the width of the narrowest frames: no constant cause is wider.

    `fwhm_arcsec`, `sigma_arcsec` (n_frames,): width of each frame (median of its stars) and its
    error; NaN where unknown. None with fewer than ten widths.
    """
    rows = np.flatnonzero(np.isfinite(fwhm_arcsec))
    if len(rows) < 2 * const.LONG_FRAME_LEAST_STEPS:
        return None
    few = rows[np.argsort(fwhm_arcsec[rows])[: max(int(const.LONG_FRAME_NARROWEST * len(rows)), 3)]]
    narrow = fwhm_arcsec[few]
    # the least of many noisy widths is too small by about their noise
    error = float(np.median(sigma_arcsec[few]))
    return float(
        narrow.mean() + const.ONE_SIDED_95 * np.hypot(error, narrow.std() / np.sqrt(len(few)))
    )


def _narrowest(record: Record) -> float | None:
    """Return the FWHM that no constant cause exceeds: that of the narrowest frames (95 %)."""
    tracks, scale = record.tracks, record.facts.scale_arcsec or 1.0
    width = tracks.seen("width_px") * const.FWHM_PER_SIGMA * scale
    count = np.isfinite(width).sum(axis=1)
    if not np.any(count):
        return None
    seen = count > 0
    middle = np.nanmedian(width[seen], axis=1)
    sigma = 1.25 * np.nanstd(width[seen], axis=1) / np.sqrt(count[seen])
    return _narrowest_width_arcsec(middle, np.maximum(sigma, 1e-3 * middle))


# --- air that a width leaves ----------------------------------------------------------------------
def _match_width(
    conditions: Conditions,
    time_s: FloatArray,
    segment: IntArray,
    paths: Sequence[dict[str, FloatArray]],
    inside: Sequence[dict[str, FloatArray]],
    recorded: Estimate,
    *,
    blur_time_s: float,
    outer_scale_m: tuple[float, float],
    stated_optics_arcsec: float | None,
    narrowest_arcsec: float | None,
    seed: int,
) -> tuple[History, ...]:
    """Return histories of a run whose widths are known but whose air no spectrum shows.

    The air is what is left: in each draw a constant blur takes a part of the width that motion and
    base leave, flat between what was stated of the optics and all of it, and the air the rest. So
    air and constant blur come out as ranges that only their sum bounds. Optics that nobody stated
    may be a vibration, which is steady over exposures as long as these; of stated ones only what
    exceeds them may, by an even chance.

    `time_s`, `segment` (n,). `paths`, `inside`: of each draw: paths (n, 2) and blur tensors inside
    the frames, by owner. `recorded`: its error is drawn. `outer_scale_m` (low, high).
    `stated_optics_arcsec`: FWHM of the optics as stated. `narrowest_arcsec`: FWHM that the optics,
    constant over the run, cannot exceed.
    """
    rng = np.random.default_rng([seed, 78])
    middle = sure(recorded.value)  # a measured width
    sigma = sure(recorded.high) - middle
    stated = (stated_optics_arcsec or 0.0) / const.FWHM_PER_SIGMA
    constant2 = np.inf
    if narrowest_arcsec is not None:
        bare = History(conditions, time_s[:1], segment[:1])
        most = (narrowest_arcsec / const.FWHM_PER_SIGMA) ** 2
        constant2 = _solve(bare, "optics", narrowest_arcsec, most)
    out = []
    for path, blur in zip(paths, inside, strict=True):
        wanted = max(middle + sigma * rng.standard_normal(), 0.1 * middle)
        history = History(
            conditions,
            time_s,
            segment,
            path,
            blur,
            outer_scale_m=float(np.exp(rng.uniform(*np.log(outer_scale_m)))),
        )
        seen = history.in_windows(blur_time_s)
        stated2 = (stated * np.exp(const.FIT_INSTRUMENT_SIGMA * rng.standard_normal())) ** 2
        most2 = _solve(seen, "optics", wanted, (wanted / const.FWHM_PER_SIGMA) ** 2)
        steady = rng.random() * max(min(most2, constant2) - stated2, 0.0) * np.eye(2)
        shakes = rng.random() < const.HIDDEN_MODE_CHANCE
        if stated_optics_arcsec is None:
            constant: dict[str, Any] = {"optics_arcsec2": steady, "optics_may_shake": True}
        else:
            inside_ = blur | {STEADY: shakes * steady}
            constant = {"optics_arcsec2": stated2 * np.eye(2), "inside_arcsec2": inside_}
        unit = const.SEEING_IN_LAMBDA_OVER_R0 * conditions.wavelength_m * const.ARCSEC_PER_RADIAN
        strongest = (2.0 * wanted / unit) ** (5.0 / 3.0)
        with_optics = replace(seen, **constant)
        strength = _solve(with_optics, "air", wanted, strongest)
        out.append(replace(history, strength=strength, **constant))
    return tuple(out)


def _solve(history: History, what: str, wanted: float, most: float) -> float:
    """Return how much of the optics' variance, or of air, makes the wanted width.

    0 where it is wider without any, `most` where it is narrower with all of it.
    """

    def beyond(size: float) -> float:
        if what == "air":
            return replace(history, strength=size).width() - wanted
        return replace(history, optics_arcsec2=size * np.eye(2)).width() - wanted

    if beyond(0.0) >= 0:
        return 0.0
    return most if beyond(most) <= 0 else float(brentq(beyond, 0.0, most, rtol=1e-3))


# --- the lower bound on the air -------------------------------------------------------------------
# No vibration moves two stars apart, so all of what pairs do differently is air. The bound uses the
# variance as measured, noise removed, exposure averaging not undone, and the largest kernel that
# any height can have.
def _lower_bound_j(
    pairs: PairStatistics,
    grid: GridData,
    optics: Optics,
    scale_arcsec: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Return draws of the smallest r0^(-5/3) that the pairs allow; empty without a pair.

    `grid`: for the length of the record.

    J >= variance/(K lambda^2 D^(-1/3)) with K the largest pair kernel: both axes' mean at the
    separation and outer scale at which it peaks. With two stars only their motion along the line
    that joins them is used, since rotation adds across it.
    """
    if not len(pairs.separation_px) or len(grid.star) < 2:  # noqa: PLR2004
        return np.zeros(0)
    two_stars = len(grid.star) == 2  # noqa: PLR2004
    if two_stars:
        variance = float(pairs.along_var_px2[0]) * scale_arcsec**2
    else:
        variance = _mean_pair_variance(grid)
    s = np.geomspace(0.5, 200.0, 40)
    largest = 0.0
    for outer in optics.outer_scale_m:
        k_along, k_across = pair_kernels(s, optics.aperture_m / outer, optics.obstruction, TILT)
        largest = max(largest, float(np.max(k_along if two_stars else 0.5 * (k_along + k_across))))
    independent = max(grid.duration_s * const.DIFFERENTIAL_SLOWEST_HZ, 1.0) * (
        1.0 if two_stars else 4.0
    )
    spread = 1.0 + rng.standard_normal(const.LOWER_BOUND_DRAWS) / np.sqrt(independent)
    tilt = rng.uniform(const.TILT_G_OVER_Z, const.LARGEST_TILT, const.LOWER_BOUND_DRAWS)
    j = variance * np.maximum(spread, 0.0) / (largest * tilt * optics.unit_arcsec2)
    return np.asarray(np.maximum(j, 1e-9))


def _mean_pair_variance(grid: GridData) -> float:
    """Mean variance of the pairs, one axis, that rotation and plate scale cannot have made.

    Of n stars, 2n - 4 numbers are left after shift, rotation and scale of every frame are
    removed. Beams that have fully parted give each of them half the variance of a pair; beams
    that have not give more of it to rotation and scale, the widest patterns of all, so that
    what is left then falls short, as a lower bound may.
    """
    pattern = sure(grid.patterns_of_air())  # of three stars or more
    left = sum(
        len(s.real) * float(remove_trend(s.stars_arcsec @ pattern).var(axis=0).sum())
        for s in grid.segments
    )
    noise = float((grid.noise_arcsec2 @ pattern**2).sum())
    total = left / sum(len(s.real) for s in grid.segments) - noise
    return max(total, 0.0) / (len(grid.star) - 2)
