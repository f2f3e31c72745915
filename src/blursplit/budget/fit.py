"""The fit of the air: one posterior for air, open motion and optics, run from two seeds."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from blursplit import constants as const
from blursplit.budget.air_data import TILT, AirTable, SpectralData
from blursplit.budget.air_model import AirModel
from blursplit.budget.air_state import AirState, Priors
from blursplit.budget.line_terms import LineTerm
from blursplit.budget.sampler import Chains, Draws
from blursplit.evidence.guest import Guest, KnownStrength
from blursplit.facts import Optics
from blursplit.image.otf import OpticsData, RegisteredBias
from blursplit.motion.common import GridData
from blursplit.motion.inside import InsideMotion
from blursplit.spectra import Continuum
from blursplit.turbulence.conversions import STRUCTURE_CONSTANT
from blursplit.turbulence.tilt import pair_kernels
from blursplit.types import FloatArray


@dataclass(frozen=True)
class FitSetup:
    """What the fit is told beside the data."""

    optics: Optics
    recorded_fwhm_arcsec: float
    known_instrument_arcsec: float | None  # stated FWHM of the instrument
    registration_noise_arcsec2: float
    # Largest one-axis variance of shake inside the exposures that changing shapes suggest.
    fast_motion_arcsec2: float = 0.0
    inside: InsideMotion | None = None  # where it is shown: what lines do there is part of it
    # Smooth density of the shared motion, to take strong lines out of the fit's data.
    continuum: Continuum | None = None
    strength: KnownStrength | None = None  # where a guest has measured the air
    window_over_diffraction: float | None = None  # sigma of the centroid's window in lambda/D
    # Draws of the variance of a measured defocus.
    least_instrument_arcsec2: FloatArray | None = None


@dataclass(frozen=True)
class Kept:
    """What a fit leaves for the next one of the same run: new frames hardly change it."""

    # `star_x_arcsec`, `star_y_arcsec`: places of the stars that the table was made for.
    star_x_arcsec: FloatArray
    star_y_arcsec: FloatArray
    table: AirTable
    frequency_hz: FloatArray  # of the bins that the table is sampled at
    ends: FloatArray  # (n_particles, n_parameters): where the runs ended

    def as_before(self, grid: GridData) -> GridData:
        """Return a grid with the stars where they were, if they hardly moved in the field."""
        now = np.stack([grid.star_x_arcsec, grid.star_y_arcsec])
        then = np.stack([self.star_x_arcsec, self.star_y_arcsec])
        if now.shape != then.shape:
            return grid
        off = (now - now.mean(axis=1)[:, None]) - (then - then.mean(axis=1)[:, None])
        if np.abs(off).max() > const.KEPT_NEAR_ARCSEC:
            return grid
        return replace(grid, star_x_arcsec=then[0], star_y_arcsec=then[1])

    def table_for(
        self, grid: GridData, frequency_hz: FloatArray, fine_hz: FloatArray, baseline_m: FloatArray
    ) -> AirTable | None:
        """Return the table if it is of these stars, frequencies and baselines, else None."""
        if not np.array_equal(grid.star_x_arcsec, self.star_x_arcsec):
            return None
        for before, now in (
            (self.frequency_hz, frequency_hz),
            (self.table.fine_hz, fine_hz),
            (self.table.baseline_m, baseline_m),
        ):
            if before.shape != now.shape or not np.allclose(
                before, now, rtol=const.KEPT_NEAR, atol=0.0
            ):
                return None
        return self.table


@dataclass(frozen=True)
class Pace:
    """How thorough an answer is: all that `measure` does, unless somebody waits for it."""

    histories: int = const.N_HISTORIES
    particles: int = const.FIT_PARTICLES
    with_shares: bool = True  # shares decide nothing
    kept: Kept | None = None  # of an earlier fit of the same run


@dataclass(frozen=True)
class AirFit:
    """Posterior draws, one row a draw, and what the fit says of itself."""

    model: AirModel
    state: AirState  # the draws as physical quantities
    # (n,): strength of air alone that would explain the registered star: no motion inside the
    # exposures, perfect optics, no near air. NaN without a star image.
    upper_j: FloatArray
    log_evidence: float
    # Between the two runs, or halves of a single one: ln of the strengths, motions, open rms.
    r_hat: dict[str, float]
    effective_draws: float  # fewest of those quantities
    seconds: float  # processor time
    # `n_particles`, `n_sweeps`: in each run; sweeps at the posterior itself.
    n_particles: int
    n_sweeps: int
    converged: bool
    kept: Kept
    is_warm: bool  # the runs went on from earlier ones

    @property
    def r_hat_max(self) -> float:
        """Largest R-hat."""
        return max(self.r_hat.values())

    @property
    def j_outside(self) -> FloatArray:
        """Strength of the air outside, r0^(-5/3) [m^(-5/3)], ground layer included."""
        return self.state.j_outside

    @property
    def j_near(self) -> FloatArray:
        """Strength of the near air."""
        return self.state.j_near

    @property
    def outer_scale_m(self) -> FloatArray:
        """Outer scale of the air outside."""
        return np.asarray(np.exp(self.state.log_outer))

    @property
    def near_outer_scale_m(self) -> FloatArray:
        """Outer scale of the near air."""
        return np.asarray(np.exp(self.state.log_near_outer))

    @property
    def optics_arcsec2(self) -> FloatArray:
        """Blur tensor of the optics beyond the base, shape (n, 2, 2)."""
        sigma = self.state.optics_arcsec
        star = self.model.star
        if star is not None and star.defocus is not None:
            sigma = star.defocus.rays_arcsec(sigma)
        return np.asarray(sigma[:, None, None] ** 2 * np.eye(2))

    @property
    def optics_shape(self) -> FloatArray:
        """Shape of that blur: 0 a Gaussian, 1 a defocus."""
        star = self.model.star
        if star is not None and star.defocus is not None:
            return np.ones(len(self.upper_j))
        return self.state.optics_shape

    @property
    def optics_stated(self) -> bool:
        """Whether somebody stated the optics' width."""
        return self.model.priors.stated_optics_arcsec is not None

    @property
    def steady_arcsec2(self) -> FloatArray:
        """One-axis variance of shake inside the exposures that may be steady, shape (n,)."""
        return np.asarray(self.model.priors.fast_is_steady * self.state.fast_arcsec2)

    @property
    def noise_scale(self) -> FloatArray:
        """Centroid noise over what was stated."""
        return self.state.noise_scale

    def mean_wind_m_s(self) -> FloatArray:
        """Return the wind of the layers, weighted by their strength (5/3 power mean)."""
        state = self.state
        j = np.column_stack([state.j_near, state.j_ground, state.j_high])
        log_wind = np.column_stack(
            [state.log_near_wind, state.log_ground_wind, state.log_high_wind]
        )
        mean = (j * np.exp(log_wind * 5.0 / 3.0)).sum(axis=1) / j.sum(axis=1)
        return np.asarray(mean**0.6)

    def one_star_motion_arcsec(self) -> FloatArray:
        """Return the one-axis rms of one star's air motion, exposure averaged."""
        return np.asarray(np.sqrt(self.model.removed_tilt_arcsec2(self.state)))

    def shared_air_density(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the air's part of the stars' mean shift, (n, 2, 2, n_f) [arcsec^2/Hz].

        One-sided, exposure averaged and folded as the sampling does.
        """
        return self.model.shared_air(self.state, frequency_hz)

    def open_density(self, frequency_hz: FloatArray) -> FloatArray:
        """Return the broadband shared excess, (n, 2, 2, n_f) [arcsec^2/Hz].

        One-sided, exposure averaged and folded; with what single bins hold beyond any smooth model.
        """
        data = self.model.data
        out = self.model.open_density(self.state, frequency_hz)
        bins = np.clip(np.searchsorted(data.low_hz, frequency_hz, side="right") - 1, 0, None)
        inside = (frequency_hz >= data.low_hz[bins]) & (frequency_hz <= data.high_hz[bins])
        out += self.model.surplus(self.state)[:, :, bins] * inside
        return out

    # --- curves for the report --------------------------------------------------------------------

    def air_curves(self, frequency_hz: FloatArray) -> dict[str, FloatArray]:
        """Return the band of the air's shared density, both axes' sum."""
        density = self.shared_air_density(np.maximum(frequency_hz, self.model.table.fine_hz[0]))
        total = density[:, 0, 0] + density[:, 1, 1]
        ends = ("air_psd_low_arcsec2_hz", "air_psd_arcsec2_hz", "air_psd_high_arcsec2_hz")
        return dict(zip(ends, np.percentile(total, const.BAND_PERCENTILES, axis=0), strict=True))

    def transfer_curves(self) -> dict[str, FloatArray]:
        """Return the registered star's transfer function, measured and fitted."""
        star = self.model.star
        if star is None:
            return {}
        fitted = np.exp(self.model.log_otf(self.state) + star.instrument)
        ends = ("otf_model_low", "otf_model", "otf_model_high")
        return {
            "baseline_m": star.baseline_m,
            "otf_measured": np.exp(star.log_otf + star.instrument),
            **dict(zip(ends, np.percentile(fitted, const.BAND_PERCENTILES, axis=0), strict=True)),
        }

    def pair_curves(self, separation_arcsec: FloatArray) -> dict[str, FloatArray]:
        """Return what the fitted air makes of a pair's motion against separation.

        Exposure averaging is left out; pairs are damped more when the wind blows along them.
        """
        optics, state = self.model.optics, self.state
        ratio = optics.aperture_m / float(np.exp(np.median(state.log_outer)))
        sums = [np.zeros((len(state.j_near), len(separation_arcsec))) for _ in range(2)]
        for height, j in zip(self.model.table.height_m, state.j_high.T, strict=True):
            s = separation_arcsec / const.ARCSEC_PER_RADIAN * height / optics.aperture_m
            kernels = pair_kernels(s, ratio, optics.obstruction, TILT)
            strength = (j * state.tilt_scale)[:, None]
            sums = [total + strength * kernel for total, kernel in zip(sums, kernels, strict=True)]
        out = {"pair_model_separation_arcsec": separation_arcsec}
        for name, variance in zip(("along", "across"), sums, strict=True):
            bands = np.percentile(
                np.sqrt(optics.unit_arcsec2 * variance), const.BAND_PERCENTILES, axis=0
            )
            for end, band in zip(("_low", "", "_high"), bands, strict=True):
                out[f"pair_model_{name}{end}_arcsec"] = band
        return out

    @classmethod
    def of(
        cls,
        grid: GridData,
        lines: Sequence[LineTerm],
        star: OpticsData | None,
        setup: FitSetup,
        guests: Sequence[Guest] = (),
        *,
        seed: int,
        n_draws: int = 400,
        pace: Pace = Pace(),
    ) -> AirFit:
        """Fit air, open motion and optics to powers and registered star at once, from two seeds.

        `lines`: accepted lines; their cores take no part, their feet are modelled. `star`: the
        registered star's transfer function. `guests`: further evidence on the same parameters.
        `n_draws`: rows of the result, chosen from both runs.

        A fit whose two runs differ by more than R-hat 1.02 is run again with twice the particles,
        three times at most; then `converged` is False. Somebody waits for a fit that goes on from
        an earlier one: it is a single run, whose two halves must agree. It is run again twice as
        long from where it is, once; then two runs start from the prior.
        """
        start = time.process_time()
        kept = pace.kept
        model = _build_model(grid, lines, star, setup, guests, kept)
        ends = np.zeros((0, 0)) if kept is None else kept.ends
        goes_on = ends.shape == (pace.particles, model.n_parameters)
        for attempt in range(-2 if goes_on else 0, const.FIT_MOST_DOUBLINGS + 1):
            is_warm = attempt < 0
            sweeps = (
                const.FIT_WARM_SWEEPS * 2 ** (attempt + 2) if is_warm else const.FIT_FINAL_SWEEPS
            )
            # Sweeps settle a peak; how much lies in each of several is decided while the ladder of
            # powers parts them, by the number of particles.
            particles = pace.particles * 2 ** max(attempt, 0)
            runs = [
                Draws.sample(
                    model.log_likelihood,
                    model.n_parameters,
                    np.random.default_rng([seed, abs(attempt), number + 2 * is_warm]),
                    n_particles=particles,
                    final_sweeps=sweeps,
                    start=ends if is_warm else None,
                )
                for number in range(1 if is_warm else 2)
            ]
            watched = [_watched(model, run) for run in runs]
            last = np.concatenate([run.chains[-1] for run in runs])
            ends = last[:: len(last) // pace.particles]
            parts = _halves(watched) if is_warm else watched
            ratios = {name: Chains([w[name] for w in parts]).r_hat() for name in parts[0]}
            if max(ratios.values()) <= const.FIT_R_HAT:
                break
        rng = np.random.default_rng([seed, const.FIT_MOST_DOUBLINGS + 1])
        flat = np.concatenate([run.chains.reshape(-1, model.n_parameters) for run in runs])
        state = model.state(flat[rng.choice(len(flat), n_draws, replace=len(flat) < n_draws)])
        shifted = [run.log_evidence - runs[0].log_evidence for run in runs]
        return cls(
            model=model,
            state=state,
            upper_j=_air_alone(model, state, rng),
            log_evidence=runs[0].log_evidence + float(np.log(np.mean(np.exp(shifted)))),
            r_hat=ratios,
            effective_draws=min(
                Chains([w[name] for w in watched]).effective_draws() for name in ratios
            ),
            seconds=time.process_time() - start,
            n_particles=particles,
            n_sweeps=sweeps,
            converged=max(ratios.values()) <= const.FIT_R_HAT,
            kept=_for_the_next(grid, model, kept, ends),
            is_warm=is_warm,
        )


def _for_the_next(grid: GridData, model: AirModel, kept: Kept | None, ends: FloatArray) -> Kept:
    if kept is not None and model.table is kept.table:
        return replace(kept, ends=ends)
    at = grid if kept is None else kept.as_before(grid)
    return Kept(at.star_x_arcsec, at.star_y_arcsec, model.table, model.data.frequency_hz, ends)


def _halves(watched: Sequence[dict[str, FloatArray]]) -> list[dict[str, FloatArray]]:
    """Return the earlier and the later draws of each run."""
    return [
        {name: np.array_split(value, 2)[half] for name, value in run.items()}
        for run in watched
        for half in (0, 1)
    ]


def _build_model(
    grid: GridData,
    lines: Sequence[LineTerm],
    star: OpticsData | None,
    setup: FitSetup,
    guests: Sequence[Guest] = (),
    kept: Kept | None = None,
) -> AirModel:
    """Return the model of a fit with its data and tables; those kept where they still hold."""
    optics = setup.optics
    grid = grid if kept is None else kept.as_before(grid)
    modes = SpectralData.modes_of(grid.star_x_arcsec, grid.star_y_arcsec, optics)
    cores = [line.core_hz(grid.longest_s) for line in lines]
    data = SpectralData.of(LineTerm.taken_out(lines, grid, setup.continuum), modes, skip_hz=cores)
    fine = np.geomspace(0.1 / grid.longest_s, 0.5 / grid.cadence_s, const.FIT_FINE_FREQUENCIES)
    baseline = np.zeros(0) if star is None else star.baseline_m
    reference = const.REFERENCE_BASELINE * optics.aperture_m
    baselines = np.append(baseline, reference)
    table = None if kept is None else kept.table_for(grid, data.frequency_hz, fine, baselines)
    table = table or AirTable.of(
        grid,
        data,
        optics,
        fine_hz=fine,
        baseline_m=baselines,
        parts_winds=any(guest.parts_winds for guest in guests),
    )
    if setup.strength is not None:
        table = table.mean_of_openings(optics, data.centre_hz, setup.strength.separation_m)
    cycles_arcsec = baseline / optics.wavelength_m / const.ARCSEC_PER_RADIAN
    inside, doubt = (
        LineTerm.blur_inside(lines, grid.exposure_s, cycles_arcsec)
        if setup.inside is None
        else setup.inside.log_otf(cycles_arcsec)
    )
    if star is not None:
        star = replace(star, covariance=star.covariance + np.outer(doubt, doubt))
    power = np.zeros((len(data.centre_hz), 2, 2))
    for term in lines:
        power += term.density(data.centre_hz, grid.longest_s, grid.cadence_s)
    model = AirModel(
        priors=_priors(setup, grid, reference, has_star=star is not None),
        table=table,
        data=data,
        star=star,
        optics=optics,
        line_power=power,
        line_log_otf=inside,
        exposure_s=grid.exposure_s,
        registration_noise_arcsec2=setup.registration_noise_arcsec2,
        window_over_diffraction=setup.window_over_diffraction,
        guests=guests,
    )
    if star is None:
        return model
    bias = RegisteredBias.of(
        star.baseline_m / optics.aperture_m, setup.window_over_diffraction, optics.obstruction
    )
    doubt = const.REGISTERED_BIAS_SIGMA * bias.at(optics.aperture_m / _kolmogorov_r0_m(setup))[0]
    covariance = star.covariance + np.outer(doubt, doubt)
    return replace(model, star=replace(star, covariance=covariance))


def _kolmogorov_r0_m(setup: FitSetup) -> FloatArray:
    """Return r0 of Kolmogorov air as wide as the recorded star, shape (1,)."""
    width_rad = setup.recorded_fwhm_arcsec / const.ARCSEC_PER_RADIAN
    return np.array([const.SEEING_IN_LAMBDA_OVER_R0 * setup.optics.wavelength_m / width_rad])


def _priors(setup: FitSetup, grid: GridData, reference_m: float, *, has_star: bool) -> Priors:
    optics = setup.optics
    width = setup.recorded_fwhm_arcsec
    kolmogorov_r0 = float(_kolmogorov_r0_m(setup)[0])
    strength = STRUCTURE_CONSTANT * (reference_m / kolmogorov_r0) ** (5.0 / 3.0)
    low, high = (part * width / const.FWHM_PER_SIGMA for part in const.FIT_OPTICS_RANGE)
    known, least = setup.known_instrument_arcsec, setup.least_instrument_arcsec2
    steady = known is not None and grid.exposure_s >= const.STEADY_BLUR_EXPOSURE_S
    fast = max(setup.fast_motion_arcsec2, high**2) if steady else setup.fast_motion_arcsec2
    return Priors(
        structure_rad2=(
            const.FIT_STRENGTH_RANGE[0] * strength,
            const.FIT_STRENGTH_RANGE[1] * strength,
        ),
        outer_scale_m=optics.outer_scale_m,
        wind_m_s=optics.wind_m_s,
        optics_arcsec=(low, high),
        stated_optics_arcsec=None if known is None else known / const.FWHM_PER_SIGMA,
        measured_optics=None
        if known is not None or least is None
        else _measured_width_prior(least, low, high),
        nyquist_hz=0.5 / grid.cadence_s,
        fast_arcsec2=fast if has_star else 0.0,
        fast_is_steady=steady,
        ln_j=None if setup.strength is None else setup.strength.ln_j,
    )


def _measured_width_prior(
    least_arcsec2: FloatArray, low_arcsec: float, high_arcsec: float
) -> tuple[FloatArray, FloatArray]:
    """Return ln sigma and its cumulated probability: a measured least variance and a rest.

    `least_arcsec2`: draws of the part that was measured (defocus, astigmatism), not negative.
    `low_arcsec`, `high_arcsec`: the rest (aberrations) is flat in the logarithm of its rms between
    these.

    P(sigma < x) = mean over draws of (ln sqrt(x^2 - least) - ln low)/ln(high/low), cut to 0...1.
    """
    top = float(
        np.sqrt(high_arcsec**2 + np.quantile(least_arcsec2, 1.0 - const.FIT_EXCLUDED_WIDTH))
    )
    edge = np.linspace(np.log(low_arcsec), np.log(top), 300)
    left = np.exp(2.0 * edge)[:, None] - least_arcsec2
    rest = 0.5 * np.log(np.maximum(left, 1e-30))
    span = np.log(high_arcsec / low_arcsec)
    below = np.clip((rest - np.log(low_arcsec)) / span, 0.0, 1.0).mean(axis=1)
    steps = np.maximum(np.diff(below, prepend=0.0), 1e-9)
    return edge, np.asarray(np.cumsum(steps) / steps.sum())


def _watched(model: AirModel, run: Draws) -> dict[str, FloatArray]:
    """Return the quantities that must agree between runs, shape (n_kept, n_particles) each."""
    kept, n, d = run.chains.shape
    state = model.state(run.chains.reshape(-1, d))
    structure = state.j_near * model.table.near.structure_at(state.log_near_outer)[:, -1]
    outside = state.j_outside * model.table.outside.structure_at(state.log_outer)[:, -1]
    open_ = 0.5 * np.log(np.trace(state.open_arcsec2, axis1=1, axis2=2))
    named = {
        "ln_air": np.log(structure + outside),
        "ln_j_outside": np.log(state.j_outside),
        "near_share": structure / (structure + outside),
        "ln_motion": 0.5 * np.log(model.removed_tilt_arcsec2(state)),
        "ln_open_rms": open_,
    }
    if model.star is not None:
        named["ln_optics"] = np.log(state.optics_arcsec)
    return {name: value.reshape(kept, n) for name, value in named.items()}


def _air_alone(model: AirModel, state: AirState, rng: np.random.Generator) -> FloatArray:
    """Return draws of J from the star image alone: the upper bound on the air.

    Perfect optics, no motion inside the exposures, all of the air outside. Each draw keeps its
    outer scale, winds and centroid; J follows from the transfer function, which is linear in it.
    """
    star, n = model.star, len(state.j_near)
    if star is None:
        return np.full(n, np.nan)
    total = state.j_outside + state.j_near
    growth = (total / state.j_outside)[:, None]
    alone = replace(
        state,
        j_near=0.0 * total,
        j_ground=state.j_ground * growth[:, 0],
        j_high=state.j_high * growth,
        otf_scale=1.0 + const.FIT_OTF_SIGMA * rng.standard_normal(n),
    )
    per_j = model.air_log_otf(alone) / total[:, None]
    noise = rng.multivariate_normal(np.zeros(len(star.log_otf)), star.covariance, n)
    scale = 2.0 * np.pi**2 * star.frequency_rad2 / const.ARCSEC_PER_RADIAN**2
    target = star.log_otf - star.cut_at(total) + noise + model.registration_noise_arcsec2 * scale
    weight = np.linalg.inv(star.covariance)
    top = np.einsum("ti,ij,tj->t", per_j, weight, target)
    bottom = np.einsum("ti,ij,tj->t", per_j, weight, per_j)
    return np.asarray(np.maximum(top / bottom, 0.0))
