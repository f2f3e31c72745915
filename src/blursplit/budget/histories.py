"""Histories of a run: possible courses of drift, shaking, open motion, air and optics.

Each is one joint draw given one row of the fit. The drive's drift and periodic errors are one
owner, drawn by generalised least squares with a physical prior against the fitted air, open
motion, lines and noise; what is left divides among the stationary parts (`line_terms`). Blur
inside the frames follows from each line's true frequency, or from the shapes of the stars. Modes
that the search could not have found are drawn from a stated prior.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.special import eval_legendre

from blursplit import constants as const
from blursplit.budget.fit import AirFit
from blursplit.budget.line_terms import JointDraw, LineTerm
from blursplit.definitions import STEADY, Conditions, History
from blursplit.drive.terms import DriveTerm
from blursplit.motion.common import GridData
from blursplit.motion.inside import InsideMotion
from blursplit.spectra import LineSearch
from blursplit.types import FloatArray, IntArray


@dataclass(frozen=True)
class HistorySetup:
    """What histories need beside grid, fit and lines."""

    conditions: Conditions
    dispersion_arcsec2: FloatArray  # (2, 2): known blur by atmospheric dispersion
    drive_angle_deg: float | None  # direction of right ascension in the image
    # `hidden_hz`, `hidden_limit_arcsec`: (m,): rms at which 95 % of modes of each true frequency
    # are found (infinite where none is).
    hidden_hz: FloatArray
    hidden_limit_arcsec: FloatArray
    # (path, sigma) by owner: paths on the grid, (n, 2) over all segments, that a second
    # witness gives, with the one-axis error [arcsec].
    known_paths: dict[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    # (n rows of the fit,): part of the open motion that a second camera shows to be none of the
    # air's.
    mechanical_share: FloatArray | None = None


@dataclass(frozen=True)
class DriveDraws:
    """Draws of the drive's terms."""

    rate_arcsec_s: FloatArray  # (n, 2): drift rate along x and y
    # (n, n_terms, 2, 2): cosine and sine amplitude [second last axis] along x and y of each term.
    periodic_arcsec: FloatArray
    terms: tuple[DriveTerm, ...]


@dataclass(frozen=True)
class Histories:
    """Draws of the run, and what they share."""

    runs: tuple[History, ...]  # paths are on the grid of all segments, lost frames filled in
    rows: IntArray  # row of the fit that each belongs to
    drive: DriveDraws
    # By owner, (n_grid, 2): best estimates.
    mean_path_arcsec: dict[str, FloatArray]
    # Rms of the mode that was not found in each, 0 where there is none.
    hidden_rms_arcsec: FloatArray

    @classmethod
    def draw(
        cls,
        grid: GridData,
        fit: AirFit,
        lines: Sequence[LineTerm],
        terms: Sequence[DriveTerm],
        inside: InsideMotion | None,
        setup: HistorySetup,
        *,
        n_draws: int,
        seed: int,
    ) -> Histories:
        """Draw histories of a run with spectra and a fit of the air."""
        rng = np.random.default_rng([seed, 77])
        time_s, segment = grid.time_s, grid.number
        rows = np.linspace(0, len(fit.j_outside) - 1, n_draws).astype(np.int64)
        drive = _Drive(grid, terms, setup.drive_angle_deg)
        shown = _Spectra(grid, fit, rows)
        known = setup.mechanical_share
        runs, rates, periodic, hidden = [], [], [], []
        for k, row in enumerate(rows):
            varied = [line.varied(rng) for line in lines]
            parts = shown.parts(k, varied)
            coefficients = drive.draw(parts, rng)
            paths, inside_lines = _stationary(grid, parts, varied, drive.motion(coefficients), rng)
            paths["tracking"] = paths.get("tracking", 0.0) + drive.tracking(coefficients)
            for owner, (path, sigma) in setup.known_paths.items():
                error = sigma * rng.standard_normal(2)
                paths[owner] = (
                    paths.get(owner, 0.0) + path + error * path / max(float(path.std()), 1e-9)
                )
            history = History(
                conditions=setup.conditions,
                time_s=time_s,
                segment=segment,
                path_arcsec=paths,
                inside_arcsec2=inside_lines | shown.open_inside(k, paths.get("open")),
                strength=float(fit.j_outside[row]),
                outer_scale_m=float(fit.outer_scale_m[row]),
                near_strength=float(fit.j_near[row]),
                near_outer_scale_m=float(fit.near_outer_scale_m[row]),
                optics_arcsec2=fit.optics_arcsec2[row] + setup.dispersion_arcsec2,
                defocus_share=float(fit.optics_shape[row]),
                # The star's image bounds turbulence, not a smooth wedge of warm air in tube or
                # dome.
                open_is_air=1.0 - (0.0 if known is None else float(known[row])),
                optics_may_shake=not fit.optics_stated
                and grid.exposure_s >= const.STEADY_BLUR_EXPOSURE_S,
            )
            history, told_arcsec2 = _with_inside(history, inside, k, rng)
            if fit.model.priors.fast_is_steady:
                steady = max(float(fit.steady_arcsec2[row]) - told_arcsec2, 0.0)
                tensors = {**history.inside_arcsec2, STEADY: steady * np.eye(2)}
                history = replace(history, inside_arcsec2=tensors)
            history, rms = _with_hidden_mode(history, setup, grid, rng=rng)
            runs.append(history)
            hidden.append(rms)
            rates.append(drive.rate(coefficients))
            periodic.append(drive.amplitudes(coefficients))
        owners = {owner for run in runs for owner in run.path_arcsec}
        return cls(
            runs=tuple(runs),
            rows=rows,
            drive=DriveDraws(np.array(rates), np.array(periodic), tuple(terms)),
            mean_path_arcsec={
                owner: np.sum(
                    [r.path_arcsec[owner] for r in runs if owner in r.path_arcsec], axis=0
                )
                / len(runs)
                for owner in owners
            },
            hidden_rms_arcsec=np.array(hidden),
        )


# --- spectra of the parts -------------------------------------------------------------------------


class _Spectra:
    """Densities of air and noise, open motion and lines, at each segment's frequencies."""

    def __init__(self, grid: GridData, fit: AirFit, rows: IntArray) -> None:
        self.grid, self.fit, self.rows = grid, fit, rows
        self.frequency_hz = [
            JointDraw(len(s.real), grid.cadence_s).frequency_hz for s in grid.segments
        ]
        fine = np.geomspace(min(f[0] for f in self.frequency_hz), 0.5 / grid.cadence_s, 200)
        self._fine = fine
        self._log_hz = [np.log(f) for f in self.frequency_hz]
        air, open_ = fit.shared_air_density(fine)[rows], fit.open_density(fine)[rows]
        noise = grid.shared_noise_psd_arcsec2_hz * fit.noise_scale[rows]
        self._rest = air + noise[:, None, None, None] * np.eye(2)[:, :, None]
        self._open = open_
        self._slow = air + open_

    def parts(self, k: int, lines: Sequence[LineTerm]) -> list[dict[str, FloatArray]]:
        """Return the densities by part for each segment, shape (m, 2, 2) each."""
        out = []
        for f, x in zip(self.frequency_hz, self._log_hz, strict=True):
            part = {
                "rest": self._at(self._rest[k], x),
                "open": self._at(self._open[k], x),
                "slow": self._at(self._slow[k], x),
            }
            for i, line in enumerate(lines):
                part[f"line {i}"] = line.density(f, self.grid.longest_s, self.grid.cadence_s)
            out.append(part)
        return out

    def _at(self, density: FloatArray, x: FloatArray) -> FloatArray:
        """Return a density between the fine frequencies; `x`: ln of those wanted."""
        fine = np.log(self._fine)
        out = np.empty((len(x), 2, 2))
        for i in range(2):
            level = np.log(np.maximum(density[i, i], 1e-12))
            out[:, i, i] = np.exp(np.interp(x, fine, level))
        root = np.sqrt(np.maximum(density[0, 0] * density[1, 1], 1e-24))
        slant = np.clip(density[0, 1] / root, -0.999, 0.999)
        out[:, 0, 1] = out[:, 1, 0] = np.interp(x, fine, slant) * np.sqrt(
            out[:, 0, 0] * out[:, 1, 1]
        )
        return out

    def open_inside(self, k: int, path: FloatArray | None) -> dict[str, FloatArray]:
        """Blur tensor of the open motion inside the frames, from its spectrum's shape.

        Below half of the first zero of the exposure's filter only: what lies above is not seen.
        """
        if path is None:
            return {}
        f = self._fine[self._fine * self.grid.exposure_s < 0.5]  # noqa: PLR2004 - half a turn
        if len(f) < 2:  # noqa: PLR2004
            return {}
        kept = np.sinc(f * self.grid.exposure_s) ** 2
        density = np.trace(self._open[k], axis1=0, axis2=1)[: len(f)]
        seen = float(np.trapezoid(density, f))
        lost = float(np.trapezoid(density * (1.0 / kept - 1.0), f))
        ratio = lost / seen if seen > 0 else 0.0
        return {"open": ratio * path.T @ path / len(path)}


def _stationary(
    grid: GridData,
    parts: Sequence[dict[str, FloatArray]],
    lines: Sequence[LineTerm],
    drive: FloatArray,
    rng: np.random.Generator,
) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Draw open motion and lines on the grid, and the lines' blur inside the frames."""
    names = ["open", *(f"line {i}" for i in range(len(lines)))]
    drawn: dict[str, list[FloatArray]] = {name: [] for name in names}
    first = 0
    for segment, part in zip(grid.segments, parts, strict=True):
        n = len(segment.real)
        left = segment.shared_arcsec - drive[first : first + n]
        first += n
        densities = [part[name] for name in ("rest", *names)]
        paths = JointDraw(n, grid.cadence_s).parts(left - left.mean(axis=0), densities, rng)
        for name, path in zip(names, paths[1:], strict=True):
            drawn[name].append(path)
    paths_of: dict[str, FloatArray] = {"open": np.concatenate(drawn["open"])}
    inside: dict[str, FloatArray] = {}
    for i, line in enumerate(lines):
        owner = line.owner
        # Filled-in samples and shared wings: an error no counting shows.
        error = const.AMPLITUDE_SIGMA * rng.standard_normal()
        candidate = int(rng.choice(len(line.odds), p=line.odds))
        true_hz, gain = float(line.candidates_hz[candidate]), float(line.followed[candidate])
        if gain != 1.0:  # of a trail
            gain = 1.0 + (gain - 1.0) * np.exp(const.FOLLOWED_SIGMA * rng.standard_normal())
        path = np.concatenate(drawn[f"line {i}"]) * (1.0 + error) / gain
        paths_of[owner] = paths_of[owner] + path if owner in paths_of else path
        kept = max(float(np.sinc(true_hz * grid.exposure_s)) ** 2, const.LEAST_KEPT)
        blur = (1.0 / kept - 1.0) * path.T @ path / len(path)
        inside[owner] = inside.get(owner, 0.0) + blur
    return paths_of, inside


def _with_inside(
    history: History, inside: InsideMotion | None, k: int, rng: np.random.Generator
) -> tuple[History, float]:
    """Put in what the shapes of the stars say of motion inside the frames.

    A ringing mode that the lags carry outranks what a line's size suggests: it is measured there
    by its square. The constant part that no air leaves stays with the optics.

    Returns the history, and how much of this the fit took for a steady blur [arcsec^2].
    """
    if inside is None:
        return history, 0.0
    measured = inside.tensors_of(k % len(inside.mechanical_arcsec2))
    tensors = dict(history.inside_arcsec2)
    told = 0.0
    if inside.is_shown:
        tensors["structure"] = measured
    elif inside.is_remembered or rng.random() < inside.memory_probability:
        # not enough to blame the mount: a shaken one, or air that remembers itself
        none, size = np.zeros((2, 2)), float(np.trace(measured.mean(axis=0)))
        left = size - float(np.trace(tensors.get("structure", none)))
        if left > float(np.trace(tensors.get("open", none))):
            tensors["open"] = left / size * measured
            told = 0.0 if inside.is_remembered else 0.5 * left
    return replace(history, inside_arcsec2=tensors), told


def _with_hidden_mode(
    history: History,
    setup: HistorySetup,
    grid: GridData,
    *,
    rng: np.random.Generator,
) -> tuple[History, float]:
    """Draw whether a mode was missed, and put it in.

    Spike and slab: no such mode with a stated chance; else frequency and rms flat in their
    logarithms, kept with the chance that the search misses it. What it does inside the frames is
    taken from the optics' blur, and where the frames do not show it at all, that bounds it.
    """
    if rng.random() >= const.HIDDEN_MODE_CHANCE or not len(setup.hidden_hz):
        return history, 0.0
    optics = float(np.trace(history.optics_arcsec2))
    for _ in range(20):
        i = int(rng.integers(len(setup.hidden_hz)))
        rms = float(np.exp(rng.uniform(*np.log(const.HIDDEN_RMS_ARCSEC))))
        miss = LineSearch.chance_missed(rms, setup.hidden_limit_arcsec[i])
        kept = float(np.sinc(setup.hidden_hz[i] * grid.exposure_s)) ** 2
        blur = rms**2 * (1.0 - kept)
        if rng.random() < miss and blur <= optics + 1e-12:
            break
    else:
        return history, 0.0
    angle, phase = rng.uniform(0.0, np.pi), rng.uniform(0.0, 2.0 * np.pi)
    unit = np.array([np.cos(angle), np.sin(angle)])
    wave = (
        np.sqrt(2.0 * kept)
        * rms
        * np.cos(2.0 * np.pi * setup.hidden_hz[i] * history.time_s + phase)
    )
    paths, tensors = dict(history.path_arcsec), dict(history.inside_arcsec2)
    paths["structure"] = paths.get("structure", 0.0) + wave[:, None] * unit
    tensors["structure"] = tensors.get("structure", 0.0) + blur * np.outer(unit, unit)
    left = max(0.0, 1.0 - blur / optics) if optics > 0 else 1.0
    changed = replace(
        history,
        path_arcsec=paths,
        inside_arcsec2=tensors,
        optics_arcsec2=left * history.optics_arcsec2,
    )
    return changed, rms


# --- the drive ------------------------------------------------------------------------------------


class _Drive:
    """Drift and periodic errors as one owner: least squares on means of stretches of the record.

    Slow motion needs no more than a few hundred means, whose dense covariance is exact. How large
    drift and each term are is not known beforehand: flat in the logarithm, from what no width shows
    to the largest of drives (such priors: Gelman 2006, from memory). Flat amplitudes instead would
    say that large ones are likelier by the number of columns: drift and harmonics that are not
    there then fit the air's slow motion, each other's mirror image in a record of one turn. Sizes
    and coefficients are drawn in turn (Gibbs), from the sizes of the last draw on.
    """

    def __init__(self, grid: GridData, terms: Sequence[DriveTerm], angle_deg: float | None) -> None:
        self.grid, self.terms = grid, list(terms)
        self.design, self._prior = _drive_columns(grid, terms, angle_deg)
        self._first = len(grid.segments)  # the drift's column
        values = grid.shared_arcsec
        self._blocks, start = [], 0
        for n in (len(s.real) for s in grid.segments):
            count = max(4, min(n, round(const.DRIVE_BLOCKS * n / len(values))))
            self._blocks.append((start, n, count, n // count))
            start += n
        self._means = self._in_blocks(values)
        own = self._in_blocks(self.design)
        self._design = np.kron(np.eye(2), own)
        self._precision = np.linalg.inv(self._prior)
        self._terms = _sized_terms(self.design, self._prior, self._first)
        # Variance of each coefficient over its largest, all x then all y.
        self._size = np.ones(len(self._prior))
        self._sweeps = const.DRIVE_FIRST_SWEEPS
        x = np.linspace(-1.0, 1.0, len(own))
        bends = np.stack([eval_legendre(order, x) for order in const.DRIFT_BENDS], axis=1)
        bends = bends - own @ (np.linalg.pinv(own) @ bends)
        bends = bends[:, np.ptp(bends, axis=0) > 0.2]  # noqa: PLR2004 - of their range of two
        self._weights = np.kron(np.eye(2), np.linalg.pinv(bends))
        # Of each segment: what slow motion beyond the model looks like, and what means leave.
        self._colours, self._filters = [], []
        for _, n, _, length in self._blocks:
            f = JointDraw(n, grid.cadence_s).frequency_hz
            turns = f * grid.longest_s
            colour = np.where(turns < const.SLOW_TURNS, 1.0 / np.maximum(turns, 0.3), 0.0)
            self._colours.append(colour[:, None, None])
            at = np.arange(len(f)) / (2 * (len(f) - 1))
            with np.errstate(invalid="ignore", divide="ignore"):
                filtered = np.sin(np.pi * at * length) / (length * np.sin(np.pi * at))
            filtered[0] = 1.0
            self._filters.append(filtered[:, None, None] ** 2)

    def _in_blocks(self, values: FloatArray) -> FloatArray:
        return np.concatenate(
            [
                values[start : start + count * length].reshape(count, length, -1).mean(axis=1)
                for start, _, count, length in self._blocks
            ]
        )

    def draw(self, parts: list[dict[str, FloatArray]], rng: np.random.Generator) -> FloatArray:
        """Draw the coefficients, (n_columns, 2); open `parts` grow where bends show slow motion."""
        covariance = self._covariance(parts, [n for n in parts[0] if n != "slow"])
        mean, root = self._posterior(covariance, rng)
        slow = [
            {"slow": colour * part["slow"]}
            for part, colour in zip(parts, self._colours, strict=True)
        ]
        covariance_of_slow = self._covariance(slow, ["slow"])
        bends = self._surplus(covariance_of_slow, covariance, mean, rng)
        if bends > 0:
            for part, one in zip(parts, slow, strict=True):
                part["open"] = part["open"] + bends * one["slow"]
            mean, root = self._posterior(covariance + bends * covariance_of_slow, rng)
        flat = mean + root @ rng.standard_normal(len(mean))
        return np.asarray(flat.reshape(2, -1).T)

    def _posterior(
        self, covariance: FloatArray, rng: np.random.Generator
    ) -> tuple[FloatArray, FloatArray]:
        """Return mean and root of the coefficients' covariance at sizes drawn anew."""
        weighed = cho_solve(cho_factor(covariance, lower=True), self._design)
        normal, right = self._design.T @ weighed, weighed.T @ self._means.T.ravel()
        for _ in range(self._sweeps):
            mean, root = _given(normal + self._prior_precision(), right)
            self._draw_sizes(mean + root @ rng.standard_normal(len(mean)), rng)
        self._sweeps = const.DRIVE_SWEEPS
        return _given(normal + self._prior_precision(), right)

    def _prior_precision(self) -> FloatArray:
        return np.asarray(self._precision / np.sqrt(np.outer(self._size, self._size)))

    def _draw_sizes(self, flat: FloatArray, rng: np.random.Generator) -> None:
        """Draw each term's size given its coefficients."""
        for columns, sizes in self._terms:
            own = flat[columns]
            square = float(own @ self._precision[np.ix_(columns, columns)] @ own)
            log = -0.5 * (len(columns) * np.log(sizes) + square / sizes)
            weight = np.exp(log - log.max())
            self._size[columns] = rng.choice(sizes, p=weight / weight.sum())

    def _covariance(self, parts: list[dict[str, FloatArray]], names: Sequence[str]) -> FloatArray:
        """Covariance of the means, all x then all y."""
        sizes = [count for _, _, count, _ in self._blocks]
        total = sum(sizes)
        out = np.zeros((2, total, 2, total))
        first = 0
        for part, (_, _, count, length), kept in zip(
            parts, self._blocks, self._filters, strict=True
        ):
            density = sum(part[name] for name in names)
            lags = np.fft.irfft((0.5 / self.grid.cadence_s) * density * kept, axis=0)
            few = np.ascontiguousarray(lags[: count * length : length].transpose(1, 2, 0))
            apart = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
            rows = slice(first, first + count)
            out[:, rows, :, rows] = few[:, :, apart].swapaxes(1, 2)
            first += count
        full = out.reshape(2 * total, 2 * total)
        full[np.diag_indices_from(full)] += 1e-10 * np.trace(full) / len(full)
        return full

    def _surplus(
        self,
        slow_motion: FloatArray,
        known: FloatArray,
        mean: FloatArray,
        rng: np.random.Generator,
    ) -> float:
        """Draw how much slow motion the record's bends show beyond the model.

        Squares of the residual's polynomial coefficients over their variances under slow motion sum
        to a chi-square times its strength; what the model itself explains is taken off.
        `slow_motion`, `known`: covariances of the means under slow motion of unit strength and
        under the model.
        """
        weights = self._weights
        if not len(weights):
            return 0.0
        found = weights @ (self._means.T.ravel() - self._design @ mean)
        slow = np.diag(weights @ slow_motion @ weights.T)
        own = np.diag(weights @ known @ weights.T)
        telling = (
            slow > const.LEAST_TELLING * own
        )  # bends that the drive's terms leave nothing of are mute
        if not np.any(telling):
            return 0.0
        found, slow, own = found[telling], slow[telling], own[telling]
        strength = float(np.sum(found**2 / slow)) / rng.chisquare(len(found))
        return max(strength - float(np.mean(own / slow)), 0.0)

    def motion(self, coefficients: FloatArray) -> FloatArray:
        """Return means, drift and periodic terms on the grid, shape (n, 2)."""
        return np.asarray(self.design @ coefficients)

    def tracking(self, coefficients: FloatArray) -> FloatArray:
        """Return drift and periodic terms alone."""
        first = self._first
        return np.asarray(self.design[:, first:] @ coefficients[first:])

    def rate(self, coefficients: FloatArray) -> FloatArray:
        """Return the drift [arcsec/s]."""
        return np.asarray(coefficients[self._first])

    def amplitudes(self, coefficients: FloatArray) -> FloatArray:
        """Return the periodic terms' amplitudes, (n_terms, 2, 2)."""
        return np.asarray(coefficients[self._first + 1 :].reshape(len(self.terms), 2, 2))


def _given(precision: FloatArray, pull: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean and root of the covariance of a Gaussian with this precision."""
    spread = np.linalg.inv(0.5 * (precision + precision.T))
    root = np.linalg.cholesky(0.5 * (spread + spread.T))
    return np.asarray(spread @ pull), np.asarray(root, dtype=np.float64)


def _sized_terms(
    design: FloatArray, prior: FloatArray, first: int
) -> list[tuple[IntArray, FloatArray]]:
    """Return the coefficients of drift and each periodic term, and the sizes they may have.

    A size is a variance over its largest; the least is that of a motion that no width shows.
    """
    n = design.shape[1]
    most = np.diag(prior).reshape(2, n).max(axis=0) * design.var(axis=0)
    out = []
    for columns in ([first], *([i, i + 1] for i in range(first + 1, n, 2))):
        least = min(const.DRIVE_UNSEEN_ARCSEC**2 / float(most[columns].sum()), 1.0)
        both = np.concatenate([columns, n + np.array(columns)])
        out.append((both, np.geomspace(least, 1.0, const.DRIVE_SIZES)))
    return out


def _drive_columns(
    grid: GridData, terms: Sequence[DriveTerm], angle_deg: float | None
) -> tuple[FloatArray, FloatArray]:
    """Return columns (a mean a segment, drift, cosine and sine of each term) and their prior."""
    time_s, n_segments = grid.time_s, len(grid.segments)
    columns = [(grid.number == i).astype(np.float64) for i in range(n_segments)]
    sizes = [1e3] * n_segments
    columns.append(time_s - time_s.mean())
    sizes.append(const.DRIFT_PRIOR_ARCSEC_S)
    for term in terms:
        harmonic = max(term.harmonic, 1)
        phase = 2.0 * np.pi * time_s * harmonic / term.period_s
        columns += [np.cos(phase), np.sin(phase)]
        sizes += [const.PERIODIC_PRIOR_ARCSEC / harmonic] * 2
    n = len(columns)
    prior = np.zeros((2, n, 2, n))
    for i, size in enumerate(sizes):
        shape = np.eye(2)
        if angle_deg is not None and i > n_segments:
            angle = np.radians(angle_deg)
            unit = np.array([np.cos(angle), np.sin(angle)])
            along = np.outer(unit, unit)
            shape = along + const.OFF_AXIS_SHARE**2 * (np.eye(2) - along)
        prior[:, i, :, i] = size**2 * shape
    return np.stack(columns, axis=1), prior.reshape(2 * n, 2 * n)
