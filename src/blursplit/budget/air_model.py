"""The model of air, open motion and optics: what a set of parameters says of the data.

A set of parameters is a vector z whose prior is a unit normal in every direction; `state` turns
it into physical quantities, `log_likelihood` compares them with the powers of the modes and with
the registered star's transfer function. Everything works on many vectors at once.

Coordinates: the strength of all the air is told by its phase structure function at a fifth of the
aperture, which the star's image measures; ground and the layers above share r0^(-5/3) by the
softmax of Gaussians. Near air over all of these has a prior of its own and may be all but gone.

The logarithm of a power that is the mean of n coefficients has the mean ln S + psi(n) - ln n and
the variance psi_1(n). The model's shape errs too: real air blows in more ways than the model
knows. That error is a Gaussian process in ln nu, one for the shared shift along x, one along y,
one for the coherence of both, one common to the differential modes and one of each mode's own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.budget.air_data import AirTable, SpectralData
from blursplit.budget.air_state import AirState, Priors, in_disk, uniform_between
from blursplit.compiled import kernels
from blursplit.evidence.guest import Guest
from blursplit.facts import Optics
from blursplit.image.otf import OpticsData, RegisteredBias, defocus_loss
from blursplit.turbulence.conversions import STRUCTURE_CONSTANT
from blursplit.turbulence.tilt import centroid_tilt_mix, rows_between
from blursplit.types import FloatArray


@dataclass(frozen=True)
class AirModel:
    """Everything the likelihood needs."""

    priors: Priors
    table: AirTable
    data: SpectralData
    star: OpticsData | None  # none when no star image could be registered
    optics: Optics
    # (n_bins, 2, 2): density that lines add to the shared shift [arcsec^2/Hz].
    line_power: FloatArray
    # (n_baselines,): ln of what the lines' motion inside an exposure does to the OTF.
    line_log_otf: FloatArray
    # `exposure_s`, `registration_noise_arcsec2`: the latter is the one-axis variance that
    # registering on a noisy centroid adds.
    exposure_s: float
    registration_noise_arcsec2: float = 0.0
    # Sigma of the centroid's window in lambda/D; None for that of a sharp, well-sampled star.
    window_over_diffraction: float | None = None
    guests: Sequence[Guest] = ()

    # --- parameters -------------------------------------------------------------------------------

    @cached_property
    def _places(self) -> dict[str, slice]:
        """Where each part of z lies."""
        k = len(self.table.height_m)
        sizes = {
            "strength": 1,
            "shares": k + 1,
            "near_there": 1,
            "outer": 2,
            "wind": k + 2,
            "near_axis": 2,
            "ground_axis": 2,
            "centroid": 1,
            "open": 3,
            "open_axis": 2,
            "noise": 1,
        }
        if self.star is not None:
            sizes |= {"otf": 1, "optics": 1}
            sizes |= {"shape": 1} if self._shape_is_free else {}
            sizes |= {"fast": 1} if self.priors.fast_arcsec2 > 0 else {}
        ends = np.cumsum([0, *sizes.values()]).tolist()
        return {name: slice(*ends[i : i + 2]) for i, name in enumerate(sizes)}

    @property
    def _shape_is_free(self) -> bool:
        star = self.star
        return (
            star is not None and star.defocus is None and self.priors.stated_optics_arcsec is None
        )

    @property
    def n_parameters(self) -> int:
        """Length of z."""
        return max(int(place.stop) for place in self._places.values())

    @cached_property
    def _contrasts(self) -> FloatArray:
        """Orthonormal contrasts of ground and high layers, shape (k, k + 1)."""
        k = len(self.table.height_m) + 1
        rows = [[1.0] * i + [-float(i)] + [0.0] * (k - i - 1) for i in range(1, k)]
        return np.array([np.array(row) / np.linalg.norm(row) for row in rows]).reshape(-1, k)

    def state(self, z: FloatArray) -> AirState:
        """Return the physical quantities of each row of z, shape (n, n_parameters)."""
        part = {name: z[:, place] for name, place in self._places.items()}
        p, n = self.priors, len(z)
        log_near_outer = uniform_between(part["outer"][:, 0], const.FIT_NEAR_OUTER_SCALE_M)
        log_outer = uniform_between(part["outer"][:, 1], p.outer_scale_m)
        outside = np.exp(const.FIT_SHARE_SIGMA * part["shares"][:, 1:] @ self._contrasts)
        outside /= outside.sum(axis=1, keepdims=True)
        # near air over all others: into how many layers those are cut is no evidence of it
        near = np.exp(2.0**0.5 * const.FIT_SHARE_SIGMA * part["shares"][:, 0])
        near *= const.FIT_NEAR_ABSENT ** Priors.uniform(part["near_there"][:, 0])
        share = np.column_stack([near, outside]) / (1.0 + near)[:, None]
        per_j = share[:, 0] * self.table.near.structure_at(log_near_outer)[:, -1]
        per_j += (1.0 - share[:, 0]) * self.table.outside.structure_at(log_outer)[:, -1]
        j = (
            share
            * (np.exp(uniform_between(part["strength"][:, 0], p.structure_rad2)) / per_j)[:, None]
        )
        open_ = part["open"]
        centre = const.FIT_OPEN_CENTRE[0] + (
            const.FIT_OPEN_CENTRE[1] - const.FIT_OPEN_CENTRE[0]
        ) * Priors.uniform(open_[:, 2])
        none = np.zeros(n)
        star = self.star is not None
        log_optics = self._log_optics(part["optics"][:, 0]) if star else none
        shape = Priors.uniform(part["shape"][:, 0]) if "shape" in part else none
        return AirState(
            j_near=j[:, 0],
            j_ground=j[:, 1],
            j_high=j[:, 2:],
            log_near_outer=log_near_outer,
            log_outer=log_outer,
            log_near_wind=uniform_between(part["wind"][:, 0], const.FIT_NEAR_WIND_M_S),
            log_ground_wind=uniform_between(part["wind"][:, 1], p.wind_m_s),
            log_high_wind=uniform_between(part["wind"][:, 2:], p.wind_m_s),
            near_axis=in_disk(part["near_axis"]),
            ground_axis=in_disk(part["ground_axis"]),
            tilt_scale=self._tilt_scale(j.sum(axis=1), part["centroid"][:, 0]),
            noise_scale=np.exp(const.FIT_NOISE_SIGMA * part["noise"][:, 0]),
            otf_scale=1.0 + const.FIT_OTF_SIGMA * part["otf"][:, 0] if star else none + 1.0,
            optics_arcsec=np.exp(log_optics) if star else none,
            optics_shape=shape,
            open_arcsec2=_ellipses(
                np.exp(2.0 * uniform_between(open_[:, 0], const.FIT_OPEN_RMS_ARCSEC)),
                part["open_axis"],
            ),
            open_corner_hz=np.exp(uniform_between(open_[:, 1], const.FIT_OPEN_CORNER_HZ)),
            open_centre_hz=np.maximum(centre, 0.0) * p.nyquist_hz,
            fast_arcsec2=p.fast_at(part["fast"][:, 0]) if "fast" in part else none,
        )

    def _log_optics(self, z: FloatArray) -> FloatArray:
        p = self.priors
        if p.stated_optics_arcsec is not None:
            return np.asarray(np.log(p.stated_optics_arcsec) + const.FIT_INSTRUMENT_SIGMA * z)
        if p.measured_optics is not None:
            log_sigma, below = p.measured_optics
            return np.asarray(np.interp(Priors.uniform(z), below, log_sigma))
        low, high = p.optics_arcsec
        return np.asarray(np.log(low + (high - low) * Priors.uniform(z)))

    def _tilt_scale(self, j: FloatArray, z: FloatArray) -> FloatArray:
        """Tilt variance of the centroid over Z-tilt's: it grows with D/r0 (`centroid_tilt`)."""
        grid, mean, sigma = self._centroid_table
        at = self.optics.aperture_m * j**0.6
        mix = np.interp(at, grid, mean) + np.interp(at, grid, sigma) * z
        return np.asarray(np.maximum(const.TILT_G_OVER_Z + (1.0 - const.TILT_G_OVER_Z) * mix, 0.5))

    @cached_property
    def _centroid_table(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        grid = np.geomspace(0.3, 8.0, 60)
        mean, sigma = centroid_tilt_mix(grid, self.window_over_diffraction, self.optics.obstruction)
        # Optics that blur the star beyond the window's own width are not in the table.
        return grid, mean, np.hypot(sigma, const.FIT_CENTROID_SIGMA)

    # --- the likelihood ---------------------------------------------------------------------------

    def log_likelihood(self, z: FloatArray) -> FloatArray:
        """Return ln likelihood of each row of z."""
        state = self.state(z)
        total = self._log_powers(state)
        if self.star is not None:
            misfit = (self.star.log_otf - self.log_otf(state)) @ self._star_whitening
            total += -0.5 * np.einsum("tb,tb->t", misfit, misfit)
        if self.priors.ln_j is not None:
            mean, sigma = self.priors.ln_j
            total += -0.5 * ((np.log(state.j_near + state.j_outside) - mean) / sigma) ** 2
        for guest in self.guests:
            total += guest.constraint(state)
        return np.nan_to_num(total, nan=-1e30, neginf=-1e30)

    def _log_powers(self, state: AirState) -> FloatArray:
        measured, n_own = self._measured, self.data.power.shape[1] - 2
        first, common, contrasts = self._modes(state)
        shared = self._shared(state)
        shared[:, :2] += first
        # Shared power can always be mechanical: a bin may hold more than the model says, at the
        # price of the chance that it does.
        coherence = shared[:, 2] / np.sqrt(shared[:, 0] * shared[:, 1])
        shared[:, 2] = _odds(coherence)
        np.log(shared, out=shared)
        beyond = np.minimum(measured.log_shared - shared[:, :2], self._shared_error.most)
        out = self._shared_error.log_density(beyond)
        most = self._coherence_error.most
        left = np.clip(measured.coherence - 0.5 * shared[:, 2], -most, most)
        out += self._coherence_error.log_density(left[:, None])
        if n_own:
            white = (common @ self._from_own_to_common)[:, None]
            out += self._common_error.log_density(white, whiten=False)
            # of the contrasts one is less than modes
            out += (n_own - 1) * self._own_error.constant - 0.5 * contrasts
        return out

    @cached_property
    def _from_own_to_common(self) -> FloatArray:
        """Turn means that are whitened as own modes into what the common mode is whitened to."""
        return np.asarray(np.linalg.solve(self._own_error.whiten, self._common_error.whiten))

    @cached_property
    def _measured(self) -> _Measured:
        from scipy.special import digamma

        data = self.data
        bias = np.log(data.count) - digamma(data.count)
        power = (np.maximum(data.power, const.FIT_LEAST_POWER) * np.exp(bias)[:, None]).T
        coherence = data.shared_xy / np.sqrt(data.power[:, 0] * data.power[:, 1])
        own = np.ascontiguousarray(power[2:], dtype=np.float32)
        return _Measured(np.log(power[:2]), _fisher(coherence), own)

    def _air_share(self, modes: slice) -> FloatArray:
        """Share of the power that is not noise: only there does the model of the air err."""
        share = 1.0 - self.data.noise[modes] / self.data.power[:, modes]
        return np.asarray(np.clip(share, 0.0, 1.0).mean(axis=1))

    def _errors(self, sampling: float, sigma: float, share: FloatArray, variance: str) -> _Errors:
        from scipy.special import polygamma

        count = self.data.count
        each = polygamma(1, count) if variance == "power" else 0.5 / count
        scatter = self.data.correlation * np.sqrt(np.outer(each, each)) * sampling
        step = np.subtract.outer(np.log(self.data.centre_hz), np.log(self.data.centre_hz))
        kernel = np.exp(-0.5 * (step / const.FIT_MODEL_ERROR_OCTAVE) ** 2)
        return _Errors.of(scatter + sigma**2 * kernel * np.outer(share, share))

    @cached_property
    def _shared_error(self) -> _Errors:
        return self._errors(
            1.0, const.FIT_MODEL_ERROR_SHARED, self._air_share(slice(0, 2)), "power"
        )

    @cached_property
    def _coherence_error(self) -> _Errors:
        share = self._air_share(slice(0, 2))
        return self._errors(1.0, const.FIT_MODEL_ERROR_SHARED, share, "coherence")

    @cached_property
    def _common_error(self) -> _Errors:
        n = self.data.power.shape[1] - 2
        sigma = float(
            np.hypot(const.FIT_MODEL_ERROR_COMMON, const.FIT_MODEL_ERROR_OWN / np.sqrt(n))
        )
        return self._errors(1.0 / n, sigma, self._air_share(slice(2, None)), "power")

    @cached_property
    def _own_error(self) -> _Errors:
        return self._errors(
            1.0, const.FIT_MODEL_ERROR_OWN, self._air_share(slice(2, None)), "power"
        )

    @cached_property
    def _star_whitening(self) -> FloatArray:
        assert self.star is not None  # noqa: S101 - callers check
        return np.asarray(np.linalg.inv(np.linalg.cholesky(self.star.covariance)).T)

    # --- powers of the modes ----------------------------------------------------------------------

    def powers(self, state: AirState) -> tuple[FloatArray, FloatArray]:
        """Return the model's densities in the bins [arcsec^2/Hz].

        Returns `shared` (n, 3, n_bins): along x, along y, cross; `own` (n, n_modes - 2, n_bins).
        """
        data, table = self.data, self.table
        modes = np.empty((len(state.j_near), *data.power.T.shape), np.float32)
        modes[:] = (state.noise_scale[:, None] * data.noise + const.FIT_LEAST_POWER)[:, :, None]
        if len(table.height_m):
            strength = state.j_high * state.tilt_scale[:, None]
            table.high_at(table.high, strength, state.log_high_wind, state.log_outer, modes)
        shared = self._shared(state)
        shared[:, :2] += modes[:, :2]
        return shared, modes[:, 2:]

    def _shared(self, state: AirState) -> FloatArray:
        """Return what the stars share but for noise and the high layers, as `powers` does."""
        n_stars = self.data.n_stars
        shape = state.sampled_open_shape(
            self.data.centre_hz, self.exposure_s, 2.0 * self.priors.nyquist_hz
        )
        shared = shape[:, None] * (n_stars * _three(state.open_arcsec2))[:, :, None]
        shared += n_stars * _three(self.line_power).T
        self._at_telescope(state, "bins", n_stars, shared)
        return shared

    def _modes(self, state: AirState) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return powers of the first two modes, and how far the differential ones are off.

        Returns `first` (n, 2, n_bins): noise and high layers; `common` (n, n_bins): mean of ln of
        the differential modes over what was measured, white as if it were an own one; `contrasts`
        (n,): squares of what that leaves. Single precision is enough where powers are compared, as
        long as the ratio is small.
        """
        table, n, bins = self.table, len(state.j_near), len(self.data.count)
        node, weight = table.corners(
            state.j_high * state.tilt_scale[:, None], state.log_high_wind, state.log_outer
        )
        first, common = np.empty((n, 2, bins)), np.empty((n, bins))
        contrasts = np.empty(n)
        kernels("air").mode_misfits(
            self._noise_over_measured,
            state.noise_scale,
            self._high_over_measured,
            node,
            weight,
            self._whiten_own,
            self._is_differential,
            first,
            common,
            contrasts,
        )
        return first, common, contrasts

    @cached_property
    def _whiten_own(self) -> NDArray[np.float32]:
        """Row by row what whitens the differential modes; nothing where there is none."""
        bins = len(self.data.count)
        out = np.zeros((bins, bins + -bins % const.SUMS_AT_ONCE), np.float32)
        if self.data.power.shape[1] > 2:  # noqa: PLR2004 - shared ones
            out[:, :bins] = self._own_error.whiten.T
        return out.ravel()

    @cached_property
    def _is_differential(self) -> NDArray[np.float32]:
        """One for each differential mode among the sixteen that the kernel takes, else zero."""
        out = np.zeros(const.LANES // 2, np.float32)
        out[2 : self.data.power.shape[1]] = 1.0
        return out

    def _over_measured(self, modes: NDArray[Any]) -> NDArray[np.float32]:
        """Return powers (..., n_modes, n_bins), differential ones over what was seen, in lanes.

        Shape (..., n_bins * 16); the first two are as they are, lanes without a mode hold one.
        """
        out = np.ones((*modes.shape[:-2], modes.shape[-1], const.LANES // 2), np.float32)
        modes = np.concatenate([modes[..., :2, :], modes[..., 2:, :] / self._measured.own], axis=-2)
        out[..., : modes.shape[-2]] = np.swapaxes(modes, -1, -2)
        return out.reshape(*out.shape[:-2], out.shape[-2] * out.shape[-1])

    @cached_property
    def _noise_over_measured(self) -> NDArray[np.float32]:
        noise = (self.data.noise + const.FIT_LEAST_POWER)[:, None] * np.ones(len(self.data.count))
        return self._over_measured(noise)

    @cached_property
    def _high_over_measured(self) -> NDArray[np.float32]:
        rows = self._over_measured(self.table.high)
        return rows.reshape(int(np.prod(rows.shape[:-1])), rows.shape[-1])

    def _at_telescope(
        self, state: AirState, where: str, times: float, out: FloatArray
    ) -> FloatArray:
        """Add the near and ground layers' density, so many times, to (n, 3, n_frequencies).

        Of `out` the middle axis is x, y and the cross density.
        """
        for one, j, log_wind, log_outer, axis in (
            (
                self.table.near,
                state.j_near,
                state.log_near_wind,
                state.log_near_outer,
                state.near_axis,
            ),
            (
                self.table.outside,
                state.j_ground,
                state.log_ground_wind,
                state.log_outer,
                state.ground_axis,
            ),
        ):
            pair = one.at(getattr(one, where), log_wind, log_outer)
            kernels("air").turn(pair, times * j * state.tilt_scale, axis, out)
        return out

    def open_density(self, state: AirState, frequency_hz: FloatArray) -> FloatArray:
        """Return the broadband shared excess as the frames show it, (n, 2, 2, n_frequencies)."""
        shape = state.sampled_open_shape(
            frequency_hz, self.exposure_s, 2.0 * self.priors.nyquist_hz
        )
        return np.asarray(state.open_arcsec2[:, :, :, None] * shape[:, None, None, :])

    def surplus(self, state: AirState) -> FloatArray:
        """Return the shared density that no smooth model explains, (2, 2, n_bins) [arcsec^2/Hz].

        What the bins hold beyond the median model, where the likelihood let it go.
        """
        shared, _ = self.powers(state)
        middle = _matrices(np.median(shared, axis=0).T)
        data, most = self.data, self._shared_error.most
        beyond = np.zeros((2, 2, len(most)))
        excess = np.empty_like(middle)
        for i in (0, 1):
            excess[:, i, i] = data.power[:, i] - middle[:, i, i]
        excess[:, 0, 1] = excess[:, 1, 0] = data.shared_xy - middle[:, 0, 1]
        for b in range(len(most)):
            residual = self._measured.log_shared[:, b] - np.log(np.diagonal(middle[b]))
            if np.any(residual > most[b]):
                values, vectors = np.linalg.eigh(excess[b])
                beyond[:, :, b] = (vectors * np.maximum(values, 0.0)) @ vectors.T
        return beyond / data.n_stars

    def shared_air(self, state: AirState, frequency_hz: FloatArray) -> FloatArray:
        """Return the air's part of the stars' mean shift, shape (n, 2, 2, n_frequencies)."""
        table = self.table
        fine = np.zeros((len(state.j_near), 3, len(table.fine_hz)))
        self._at_telescope(state, "fine", 1.0, fine)
        if len(table.height_m):
            strength = state.j_high * state.tilt_scale[:, None]
            high = table.high_at(table.high_fine, strength, state.log_high_wind, state.log_outer)
            fine[:, :2] += high[:, None]
        fine[:, 2] /= np.sqrt(fine[:, 0] * fine[:, 1])
        fine[:, :2] = np.log(fine[:, :2])
        at = np.interp(np.log(frequency_hz), np.log(table.fine_hz), np.arange(len(table.fine_hz)))
        rows = np.moveaxis(fine, 2, 0).reshape(len(table.fine_hz), -1)
        out = rows_between(np.ascontiguousarray(rows), at).reshape(len(at), len(fine), 3)
        out[..., :2] = np.exp(out[..., :2])
        out[..., 2] *= np.sqrt(out[..., 0] * out[..., 1])
        return _matrices(out).transpose(1, 2, 3, 0)

    # --- the registered star ----------------------------------------------------------------------

    def removed_tilt_arcsec2(self, state: AirState) -> FloatArray:
        """Return the air's one-axis motion variance that registering one star removes."""
        return np.asarray(state.tilt_scale * self._plane_tilt_arcsec2(state)[:, 0])

    def _plane_tilt_arcsec2(self, state: AirState) -> FloatArray:
        """Return the variance of the least-squares plane's tilt on one axis, shape (n, 2).

        Averaged over an exposure, and what it were if the exposures were short.
        """
        near, outside = self.table.near, self.table.outside
        total = state.j_near[:, None] * near.at(
            near.variance, state.log_near_wind, state.log_near_outer
        )
        j = np.column_stack([state.j_ground, state.j_high])
        wind = np.column_stack([state.log_ground_wind, state.log_high_wind])
        each = outside.at(outside.variance, wind.ravel(), np.repeat(state.log_outer, j.shape[1]))
        total += np.einsum("nk,nkt->nt", j, each.reshape(*j.shape, 2))
        return np.asarray(total)

    def log_otf(self, state: AirState) -> FloatArray:
        """Return the model of ln OTF of the registered star, shape (n, n_baselines)."""
        assert self.star is not None  # noqa: S101 - callers check
        out = self.air_log_otf(state)
        scale = self._per_arcsec2
        out += self.line_log_otf + self.star.cut_at(state.j_near + state.j_outside)
        return out - self._optics_loss(state) - self.motion_loss(state, scale)

    @cached_property
    def _per_arcsec2(self) -> FloatArray:
        """Loss of ln OTF per arcsec^2 of one-axis variance, shape (n_baselines,)."""
        assert self.star is not None  # noqa: S101 - callers check
        return np.asarray(2.0 * np.pi**2 * self.star.frequency_rad2 / const.ARCSEC_PER_RADIAN**2)

    @cached_property
    def _baseline_over_aperture(self) -> FloatArray:
        return np.asarray(self.table.baseline_m[:-1] / self.optics.aperture_m)

    def air_log_otf(self, state: AirState) -> FloatArray:
        """Return what the air, registered, does to ln OTF.

        A centroid that follows another tilt than the plane's moves the star more or less, but
        what it takes from the image hardly differs (`RegisteredBias`).
        """
        structure = state.j_near[:, None] * self.table.near.structure_at(state.log_near_outer)
        structure += state.j_outside[:, None] * self.table.outside.structure_at(state.log_outer)
        removed, still = self._plane_tilt_arcsec2(state).T
        out = removed[:, None] * self._per_arcsec2 - 0.5 * structure[:, :-1]
        kept = removed / still
        reference = const.REFERENCE_BASELINE ** (5.0 / 3.0) * STRUCTURE_CONSTANT
        d_over_r0 = (structure[:, -1] / reference) ** 0.6
        out += kept[:, None] * self._bias.at(d_over_r0)
        return np.asarray(out * state.otf_scale[:, None])

    @cached_property
    def _bias(self) -> RegisteredBias:
        return RegisteredBias.of(
            self._baseline_over_aperture, self.window_over_diffraction, self.optics.obstruction
        )

    def _optics_loss(self, state: AirState) -> FloatArray:
        """Return -ln of the optics' transfer function beside the air.

        A registered star keeps more contrast in a defocus than the product of both has.
        """
        assert self.star is not None  # noqa: S101 - callers check
        gauss = state.optics_arcsec[:, None] ** 2 * self._per_arcsec2
        if self.star.defocus is not None:
            return np.asarray(gauss * self.star.defocus.loss * self._defocus_kept(state))
        if not self._shape_is_free:
            return gauss
        sigma, loss = self._defocus_table
        at = np.interp(state.optics_arcsec, sigma, np.arange(len(sigma)))
        defocus = rows_between(loss, at)
        shape = state.optics_shape[:, None]
        return np.asarray((1.0 - shape) * gauss + shape * defocus * self._defocus_kept(state))

    def _defocus_kept(self, state: AirState) -> FloatArray:
        """Share of a defocus's loss that is left once the star is registered under the air."""
        j = (state.j_near + state.j_outside) * self.optics.aperture_m ** (5.0 / 3.0)
        lost = const.DEFOCUS_REGISTERED * j[:, None] * self._baseline_over_aperture**2
        return np.asarray(1.0 - np.minimum(lost, const.DEFOCUS_MOST_REGISTERED))

    @cached_property
    def _defocus_table(self) -> tuple[FloatArray, FloatArray]:
        optics = self.optics
        return defocus_loss(
            self._baseline_over_aperture,
            aperture_m=optics.aperture_m,
            wavelength_m=optics.wavelength_m,
            obstruction=optics.obstruction,
        )

    def motion_loss(self, state: AirState, scale: FloatArray) -> FloatArray:
        """Return -ln of the azimuthal mean OTF of motion inside exposures and of registration."""
        inside = self._open_inside(state)
        mean = 0.5 * (inside[:, 0, 0] + inside[:, 1, 1])
        half = np.hypot(0.5 * (inside[:, 0, 0] - inside[:, 1, 1]), inside[:, 0, 1])
        # mean over directions of exp(-s (mean + half cos 2a)) = exp(-s mean) I0(s half)
        round_ = (mean + state.fast_arcsec2 + self.registration_noise_arcsec2)[:, None] * scale
        uneven = np.empty_like(round_)
        kernels("air").log_bessel(half[:, None] * scale, uneven)
        return np.asarray(round_ - uneven)

    def _open_inside(self, state: AirState) -> FloatArray:
        """Covariance of the open motion inside an exposure, shape (n, 2, 2) [arcsec^2]."""
        a = 2.0 * np.pi * state.open_half_width_hz * self.exposure_s
        left = 2.0 * (a + np.expm1(-a)) / a**2
        lost = 1.0 - left * np.sinc(state.open_centre_hz * self.exposure_s) ** 2
        return np.asarray(state.open_arcsec2 * np.clip(lost, 0.0, 1.0)[:, None, None])


@dataclass(frozen=True)
class _Measured:
    """Powers freed from the bias of their logarithm, and Fisher's z of the coherence."""

    log_shared: FloatArray  # (2, n_bins)
    coherence: FloatArray  # (n_bins,)
    own: NDArray[np.float32]  # (n_modes - 2, n_bins)


@dataclass(frozen=True)
class _Errors:
    """Gaussian errors of one quantity in all bins: what whitens them, and their constant."""

    whiten: FloatArray
    constant: float
    most: FloatArray

    @classmethod
    def of(cls, covariance: FloatArray) -> _Errors:
        root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance)))
        constant = -float(np.log(np.diag(root)).sum()) - 0.5 * len(root) * np.log(2.0 * np.pi)
        most = np.sqrt(-2.0 * np.log(const.FIT_CONTAMINATED) * np.diag(covariance))
        return cls(np.asarray(np.linalg.inv(root).T), constant, most)

    def log_density(self, residual: FloatArray, *, whiten: bool = True) -> FloatArray:
        """Return ln of their density at residuals, shape (n, of each, bins), summed over each.

        `whiten`: unless they are white already.
        """
        n, each, bins = residual.shape
        white = residual.reshape(-1, bins)
        white = (white @ self.whiten if whiten else white).reshape(n, -1)
        return np.asarray(each * self.constant - 0.5 * np.einsum("nb,nb->n", white, white))


def _three(matrices: FloatArray) -> FloatArray:
    """Return xx, yy and xy of symmetric matrices (..., 2, 2), shape (..., 3)."""
    return matrices.reshape(*matrices.shape[:-2], 4)[..., [0, 3, 1]]


def _matrices(three: FloatArray) -> FloatArray:
    """Return symmetric matrices (..., 2, 2) of xx, yy and xy."""
    return three[..., [[0, 2], [2, 1]]]


def _fisher(coherence: FloatArray) -> FloatArray:
    """Return Fisher's z; a coherence of one counts as one that is finite."""
    return np.asarray(0.5 * np.log(_odds(coherence)))


def _odds(coherence: FloatArray) -> FloatArray:
    """Return the exponential of twice Fisher's z."""
    kept = np.clip(coherence, -const.FIT_COHERENCE_LIMIT, const.FIT_COHERENCE_LIMIT)
    return np.asarray((1.0 + kept) / (1.0 - kept))


def _ellipses(major_arcsec2: FloatArray, z: FloatArray) -> FloatArray:
    """Return covariances whose axes' ratio is flat from 0 to 1 and whose direction is free."""
    square = np.maximum((z**2).sum(axis=1), 1e-30)
    minor = major_arcsec2 * np.exp(-square)  # the ratio of the rms is exp(-square/2)
    mean, half = 0.5 * (major_arcsec2 + minor), 0.5 * (major_arcsec2 - minor)
    cosine, sine = (z / np.sqrt(square)[:, None]).T
    out = np.empty((len(z), 2, 2))
    out[:, 0, 0], out[:, 1, 1] = mean + half * cosine, mean - half * cosine
    out[:, 0, 1] = out[:, 1, 0] = half * sine
    return out
