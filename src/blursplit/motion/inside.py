"""Motion inside the exposures, from the second moments that all stars share.

What moves within one exposure leaves no trace in the centroids but widens every star alike: the
image's transfer function is multiplied by exp(-2 pi^2 f.V.f), V the motion's covariance over the
exposure [arcsec^2], whatever the air does. A ringing mode's V grows and shrinks with its envelope,
so that V is remembered from one frame to the next; the air's changes are forgotten within the time
that it takes to cross the aperture; a constant part is optics or a steady vibration, which nothing
here can part.

Changes of the elongation that all stars share are evidence of such motion by themselves. Its
constant part stays "optics or steady fast motion" until two exposure times, or a camera turned by
90 degrees, decide.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from blursplit import constants as const
from blursplit.motion.ringing import RingingAxis
from blursplit.stars.tracks import Stamps, StarTracks
from blursplit.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class _SharedShape:
    """Elongation that all stars have in common."""

    constant: float  # size of the mean elongation, (a^2 - b^2)/(a^2 + b^2)
    constant_sigma: float
    angle_deg: float  # direction of the longer axis, [0, 180) from +x toward +y
    changing: float  # rms of its changes over the frames, what single stars scatter removed
    changing_sigma: float
    sigma_px: float  # median one-axis width of the stars

    @property
    def change_is_shown(self) -> bool:
        """Whether the elongation changes beyond what single stars scatter."""
        return self.changing > max(const.SHAPE_SURE * self.changing_sigma, const.LEAST_ELONGATION)

    @classmethod
    def of(cls, tracks: StarTracks) -> _SharedShape | None:
        """Measure the elongation shared by all stars; None for fewer than three stars.

        The shared elongation of a frame is the median over its stars. Its error follows from how
        far the stars lie from it, so that air, which differs from star to star, counts as error.
        """
        good = tracks.good & np.isfinite(tracks.e1) & np.isfinite(tracks.e2)
        enough = good.sum(axis=1) >= const.SHAPE_LEAST_STARS
        if enough.sum() < const.SHAPE_LEAST_FRAMES:
            return None
        e = np.where(good[..., None], np.stack([tracks.e1, tracks.e2], axis=-1), np.nan)[enough]
        count = good[enough].sum(axis=1)
        shared = np.nanmedian(e, axis=1)
        scatter = const.SIGMA_PER_MAD * np.nanmedian(np.abs(e - shared[:, None]), axis=1)
        # The median of n values errs by 1.25 sigma/sqrt(n).
        noise2 = np.mean((1.25 * scatter) ** 2 / count[:, None], axis=0)
        mean = shared.mean(axis=0)
        star_mean = np.nanmean(e, axis=0)
        between = np.nanstd(star_mean, axis=0) / np.sqrt(e.shape[1])
        spread2 = np.maximum(shared.var(axis=0) - noise2, 0.0)
        n = len(shared)
        changing = float(np.sqrt(spread2.sum()))
        floor = float(np.sqrt(noise2.sum()) * (2.0 / n) ** 0.25)
        return cls(
            constant=float(np.hypot(*mean)),
            constant_sigma=float(np.hypot(*between)),
            angle_deg=float(np.degrees(0.5 * np.arctan2(mean[1], mean[0])) % 180.0),
            changing=changing,
            changing_sigma=floor,
            sigma_px=float(np.nanmedian(np.where(good, tracks.width_px, np.nan))),
        )


# --- motion inside the exposures ------------------------------------------------------------------
@dataclass(frozen=True)
class FrameTensors:
    """Second moments of the motion inside each frame that all stars share, and all within them."""

    time_s: FloatArray  # (n_frames,)
    segment: IntArray  # (n_frames,)
    # (n_frames, 3): xx, yy, xy: air, optics and motion together; NaN where no star could be used.
    shared_arcsec2: FloatArray
    # (n_frames, 3): one sigma of the shared part, from the stars' scatter (from photons for one
    # star).
    sigma_arcsec2: FloatArray
    # (3,): one sigma of its mean, from how the stars' means differ (optics across the field).
    constant_sigma_arcsec2: FloatArray
    stars: int  # How many stars were used. With one, air of every height passes for shared.

    @classmethod
    def of(
        cls, tracks: StarTracks, scale_arcsec: float, *, gain_e_per_adu: float | None = None
    ) -> FrameTensors | None:
        """Measure the motion tensor of every frame that the stamped stars share.

        `tracks`: with stamps; frames in which a star was lost leave that star out. `scale_arcsec`:
        size of a pixel. `gain_e_per_adu`: for the stars' photon noise; without it only the
        background's noise counts.

        Returns: none without stamps, or where no stamp holds one period of a frequency low enough
        for the logarithm (a stamp under four star widths).

        Per frame and star, -ln|OTF|/(2 pi^2) = fx^2 Vxx + fy^2 Vyy + 2 fx fy Vxy, residuals
        weighted by 1/f^2, from one period across the stamp up to 0.2/FWHM: in this band a streak's
        logarithm is still its second moment (-ln J0(z) = z^2/4 (1 + z^2/16...)); moments within a
        window are not additive and read 1.2 to 1.7 times too much.
        """
        stamps = tracks.stamps
        if stamps is None or not len(stamps.star):
            return None
        width_px = float(np.nanmedian(tracks.seen("width_px")))
        size = stamps.pixels_adu.shape[-1]
        lowest = 1.0 / size
        highest = max(const.INSIDE_BAND_FWHM[1] / (const.FWHM_PER_SIGMA * width_px), 1.2 * lowest)
        lowest = max(lowest, const.INSIDE_BAND_FWHM[0] / (const.FWHM_PER_SIGMA * width_px))
        if (
            not np.isfinite(width_px)
            or highest * const.FWHM_PER_SIGMA * width_px > const.INSIDE_BAND_FWHM[2]
        ):
            return None
        reader = _TensorReader(size, lowest, highest, scale_arcsec)
        good = tracks.good[:, stamps.star]
        each = [reader.read(stamps, k, good[:, k], gain_e_per_adu) for k in range(len(stamps.star))]
        tensor = np.stack([one[0] for one in each], axis=1)
        noise2 = np.stack([one[1] for one in each], axis=1)
        whole = np.isfinite(np.sum(tensor, axis=2))
        if int(whole.any(axis=1).sum()) < const.INSIDE_LEAST_BINS:
            return None
        shared, variance, between = _share(tensor, noise2)
        return cls(
            tracks.time_s,
            tracks.segment,
            shared,
            np.sqrt(variance),
            between,
            int(whole.any(axis=0).sum()),
        )


@dataclass(frozen=True)
class InsideMotion:
    """Motion inside the exposures: draws of what is mechanical, and what stays open."""

    # That a ringing mode is inside the frames: `memory_probability` times `form_probability`.
    probability: float
    # That the changes remember more than air's do, both weighted alike beforehand.
    memory_probability: float
    # That the changes have the form of a motion, not that of slow currents in the tube, which
    # remember themselves too; both weighted alike beforehand.
    form_probability: float
    # Whether the changes remember more than air's do along the first axis, by 0.99. Where their
    # form does not exceed 0.95, the owner of what is drawn is open: a shaken mount, or slow air.
    is_remembered: bool
    # (n_draws, 2, 2): realised mean over the frames, given that a mode is there.
    mechanical_arcsec2: FloatArray
    # (n_frames, 2, 2): its mean over the draws, frame by frame (smoothed), given that a mode is
    # there.
    frames_arcsec2: FloatArray
    # (n_draws, 2, 2): the least of the constant part (air, optics and steady vibration together)
    # that no air leaves: its elongation, along one axis.
    steady_arcsec2: FloatArray
    # (n_draws, 2, 2): what the shared changes without memory would be if they were a shake too
    # damped to ring: near air, or that; part of the constant. Nothing in the frames parts the two.
    open_arcsec2: FloatArray
    # (n_draws, 2): time in which the mode's energy falls to 1/e, 1/(4 pi f zeta), along each
    # principal axis.
    decay_s: FloatArray
    angle_deg: float  # first principal axis, [0, 180) from +x toward +y
    # 95 % upper end of the rms along the major axis, given that a mode is there.
    limit_rms_arcsec: float

    @property
    def is_shown(self) -> bool:
        """Whether it is shown to be a motion."""
        return self.is_remembered and self.form_probability > const.INSIDE_SHOWN[1]

    @staticmethod
    def largest_variance_px2(tracks: StarTracks) -> float:
        """Return the largest one-axis variance of motion inside the exposures [px^2], 0 for none.

        With fewer than three stars their own changes set the upper end.

        Streaks of a mode's motion differ from frame to frame by about as much as their mean, so
        without a change there is none, and the constant part may be theirs too. Air close to the
        telescope changes shapes alike, which makes this an upper end.
        """
        shape = _SharedShape.of(tracks)
        if shape is not None:
            whole = float(np.hypot(shape.constant, shape.changing))
            elongation = whole if shape.change_is_shown else 0.0
            width_px = shape.sigma_px
        else:
            good = tracks.good & np.isfinite(tracks.e1) & np.isfinite(tracks.e2)
            if good.sum() < const.SHAPE_LEAST_FRAMES:
                return 0.0
            width_px = float(np.median(tracks.width_px[good]))
            # A position known to s says of (a^2 - b^2)/(a^2 + b^2) two s/width, each component.
            noise2 = 8.0 * float(np.mean((tracks.sigma_px[good] / width_px) ** 2))
            power = float(np.mean(tracks.e1[good] ** 2 + tracks.e2[good] ** 2))
            elongation = float(np.sqrt(max(power - noise2, 0.0)))
        return const.WINDOW_DIMMING * elongation * width_px**2

    def tensors_of(self, draw: int, most: int = 48) -> FloatArray:
        """Return tensors of evenly spread frames whose mean is that of a draw, (m, 2, 2).

        A ringing mode's streaks differ from frame to frame, and the short ones keep the core of
        their sum narrow: one tensor for all frames would make the image too wide.
        """
        n = len(self.frames_arcsec2)
        tensors = self.frames_arcsec2[np.linspace(0, n - 1, min(n, most)).astype(np.int64)]
        have, want = tensors.mean(axis=0), self.mechanical_arcsec2[draw]
        size = float(np.trace(have))
        if size <= 0.0:
            return np.asarray(want[None])
        # the draw's axes may differ from the mean's: what is missing is put into every frame
        scaled = tensors * (float(np.trace(want)) / size)
        rest, vector = np.linalg.eigh(scaled + (want - scaled.mean(axis=0)))
        return np.asarray((vector * np.maximum(rest, 0.0)[:, None, :]) @ vector.swapaxes(1, 2))

    def log_otf(self, cycles_arcsec: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return ln of the azimuthal mean transfer function of this motion, and its error.

        `cycles_arcsec` (n,): sky frequencies.
        """
        angle = np.pi * (np.arange(const.STREAK_ANGLES) + 0.5) / const.STREAK_ANGLES
        unit = np.stack([np.cos(angle), np.sin(angle)])
        draws = []
        for draw in range(0, len(self.mechanical_arcsec2), const.INSIDE_OTF_STEP):
            along = np.einsum("ia,nij,ja->na", unit, self.tensors_of(draw), unit)
            loss = 2.0 * np.pi**2 * along.ravel() * cycles_arcsec[:, None] ** 2
            draws.append(np.log(np.exp(-loss).mean(axis=1)))
        return np.mean(draws, axis=0), np.std(draws, axis=0)

    @classmethod
    def of(
        cls,
        tensors: FrameTensors,
        exposure_s: float,
        cadence_s: float,
        *,
        air_time_s: float = 0.0,
        swings: tuple[FloatArray, FloatArray] | None = None,
        n_draws: int = 200,
        seed: int = 0,
    ) -> InsideMotion | None:
        """Draw what is mechanical in the shared tensors, from what their changes remember.

        `air_time_s`: time after which the air over the aperture has been replaced (aperture over
        the slowest wind): frames closer than that are averaged, since air remembers itself for so
        long. `swings` (n,) twice: frequencies [Hz] that the motion may have, and how much of it
        each has.

        Returns: none where fewer than 20 stretches of `air_time_s` are left.

        On each principal axis of the lag-one covariance m_i = c + V_i + a_i + noise: V_i a gamma
        Markov chain (mean energy of a complex envelope: shape 1/h, h(a) = 2 (a - 1 + e^-a)/a^2,
        memory rho_1 = (sinh(a/2)/(a/2))^2 e^-a / h), a_i positively skewed air without memory. The
        rival is air alone, with a memory of up to 0.25 from one frame to the next. An exposure of
        less than a turn holds more or less of V_i as its phase falls (`_flicker`). Both are
        integrated by adaptive importance sampling over a forward filter, so that the odds come with
        the draws. Motion has a form: V is a sum of E_k e_k e_k^T along fixed lines, so that the
        traceless part of its changes has at least the variance of half its trace (equal for
        independent energies, more where close frequencies beat). A defocus has no traceless part,
        and the low orders of slow air together less than their trace. The realised mean(m) - c is
        drawn, never the mean energy that a longer run would show.
        """
        rng = np.random.default_rng(seed)
        bins = _bin_frames(tensors, exposure_s, cadence_s, air_time_s)
        if bins is None:
            return None
        axes = _principal_axes(bins.value)
        per_bin = round(bins.spacing_s / cadence_s)
        flicker = 0.0 if swings is None else _flicker(*swings, exposure_s, cadence_s, per_bin)
        fits = []
        for k in range(2):
            c, s = axes[:, k]
            sigma = float(np.sqrt(np.array([c**4, s**4, 4 * c**2 * s**2]) @ bins.sigma**2))
            value = _project(bins.value, axes[:, k], axes[:, k])
            duty = bins.window_s / bins.spacing_s
            fits.append(
                RingingAxis.fit(
                    value, bins.fitted, sigma, duty, bins.air_share, flicker, n_draws, rng
                )
            )
        if fits[1].probability > fits[0].probability:
            axes, fits = axes[:, ::-1], fits[::-1]
        odds = np.array([f.probability for f in fits])
        memory, form = float(1.0 - np.prod(1.0 - odds)), _form_probability(bins)
        scale = np.exp(const.INSIDE_SCALE_ERROR * rng.standard_normal(n_draws))
        along = np.stack([f.realised for f in fits], axis=1) * scale[:, None]
        along[:, 1] *= rng.random(n_draws) < odds[1]  # given a mode on the first axis
        least, most = np.log(const.INSIDE_DAMPED_DECAYS)
        damped = np.exp(rng.uniform(least, most, n_draws))
        unremembered = np.stack([f.air for f in fits], axis=1)
        unremembered = unremembered / np.sqrt(RingingAxis.energy_spread(damped))[:, None]
        unremembered = np.minimum(
            unremembered, np.stack([f.constant for f in fits], axis=1).clip(0.0)
        )
        across = np.nanmean(_project(bins.value, axes[:, 0], axes[:, 1]))
        constant = np.zeros((n_draws, 2, 2))
        for k in range(2):
            constant[:, k, k] = fits[k].constant
        constant[:, 0, 1] = constant[:, 1, 0] = across
        error = tensors.constant_sigma_arcsec2
        noise = np.where(np.isfinite(error), error, 0.0) * rng.standard_normal((n_draws, 3))
        constant = axes @ constant @ axes.T + noise[:, [0, 2, 2, 1]].reshape(n_draws, 2, 2)
        smooth = np.stack([f.smoothed for f in fits], axis=1)
        smooth[:, 1] *= odds[1]
        frames = np.einsum("nk,ik,jk->nij", smooth[bins.bin_of_frame], axes, axes)
        return cls(
            probability=memory * form,
            memory_probability=memory,
            form_probability=form,
            is_remembered=bool(odds[0] > const.INSIDE_SHOWN[0]),
            mechanical_arcsec2=np.einsum("nk,ik,jk->nij", along, axes, axes),
            frames_arcsec2=frames,
            steady_arcsec2=_elongation(constant),
            decay_s=bins.spacing_s / np.stack([f.decay for f in fits], axis=1),
            angle_deg=float(np.degrees(np.arctan2(axes[1, 0], axes[0, 0])) % 180.0),
            open_arcsec2=np.einsum("nk,ik,jk->nij", unremembered, axes, axes),
            limit_rms_arcsec=float(np.sqrt(np.quantile(fits[0].realised * scale, 0.95))),
        )


# --- measurement --------------------------------------------------------------------------------


class _TensorReader:
    """Fixed plan of one run: frequencies, taper and least squares."""

    def __init__(self, size: int, lowest: float, highest: float, scale: float) -> None:
        axis = np.arange(size) - (size - 1) / 2.0
        edge = np.clip((size / 2.0 - np.abs(axis)) / const.INSIDE_TAPER_PX, 0.0, 1.0)
        ramp = np.sin(0.5 * np.pi * edge) ** 2
        self.taper = np.outer(ramp, ramp).astype(np.float32)
        radius = np.linspace(lowest, highest, const.INSIDE_RADII)
        angle = np.pi * np.arange(const.INSIDE_ANGLES) / const.INSIDE_ANGLES
        fx = np.outer(radius, np.cos(angle)).ravel()
        fy = np.outer(radius, np.sin(angle)).ravel()
        wave = np.exp(-2j * np.pi * (fy[:, None, None] * axis[:, None] + fx[:, None, None] * axis))
        flat = wave.reshape(len(fx), -1)
        self.waves = np.vstack([flat.real, flat.imag]).astype(np.float32)
        fx, fy = fx / scale, fy / scale
        f2 = fx**2 + fy**2
        design = np.stack([fx**2, fy**2, 2.0 * fx * fy], axis=1)
        # weights 1/f^2 on the residuals; the factor turns -ln|OTF| into the tensor
        self.solve = np.linalg.pinv(design / f2[:, None]) / f2 / (2.0 * np.pi**2)

    def read(
        self, stamps: Stamps, k: int, good: BoolArray, gain: float | None
    ) -> tuple[FloatArray, FloatArray]:
        """Return tensor and noise variance of one star, shape (n_frames, 3); NaN where unusable."""
        n = len(good)
        tensor, noise2 = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
        light = stamps.pixels_adu[:, k] - stamps.sky_adu[:, k, None, None].astype(np.float32)
        edge = np.concatenate([light[:, 0], light[:, -1]], axis=1)
        light = (light * self.taper).reshape(n, -1)
        total = light.sum(axis=1, dtype=np.float64)
        rows = np.flatnonzero(good & np.isfinite(total) & (total > 0))
        if not rows.size:
            return tensor, noise2
        transform = light[rows] @ self.waves.T
        m = len(self.waves) // 2
        share = np.hypot(transform[:, :m], transform[:, m:]) / total[rows, None]
        pixel2 = (const.SIGMA_PER_MAD * float(np.nanmedian(np.abs(edge - np.nanmedian(edge))))) ** 2
        background, photons = self._noise_weights(light[rows].astype(np.float64), total[rows])
        noise = background * pixel2 / total[rows, None] ** 2
        if gain:
            noise = noise + photons / gain / total[rows, None]
        # a modulus under the pixels' noise has no logarithm
        least = np.sqrt(np.sum(self.taper**2) * pixel2) / total[rows, None]
        loss = -np.log(np.maximum(share, np.maximum(least, 1e-6)))
        tensor[rows] = loss @ self.solve.T
        noise2[rows] = noise
        return tensor, noise2

    def _noise_weights(self, light: FloatArray, total: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the sums over pixels of the squared gradient, flat and weighted by the star."""
        m = len(self.waves) // 2
        mean = light.mean(axis=0, dtype=np.float64) / float(total.mean())
        spectrum = (self.waves @ mean).reshape(2, m)
        modulus2 = np.maximum((spectrum**2).sum(axis=0), 1e-6)
        along = (self.waves.reshape(2, m, -1) * spectrum[:, :, None]).sum(axis=0)
        gradient = self.solve @ (1.0 - along / modulus2[:, None])
        squared = gradient**2
        window = self.taper.ravel().astype(np.float64)
        star = squared @ np.maximum(mean * window, 0.0)
        return squared @ window**2, star


def _share(tensor: FloatArray, noise2: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return the shared part, its variance, and the error of its mean from the stars' means."""
    seen = np.isfinite(np.sum(tensor, axis=2))
    middle = np.nanmedian(tensor, axis=0)
    usable = np.isfinite(middle).all(axis=1) & (seen.sum(axis=0) >= const.INSIDE_LEAST_BINS)
    if not usable.any():
        usable = seen.sum(axis=0) == seen.sum(axis=0).max()
    tensor, noise2 = tensor[:, usable], noise2[:, usable]
    seen, n_stars = seen[:, usable], int(usable.sum())
    whole = seen.all(axis=1)
    means = np.nanmean(tensor[whole] if whole.sum() >= const.INSIDE_LEAST_BINS else tensor, axis=0)
    constant = means.mean(axis=0)
    apart = tensor - means + constant
    photon2 = np.nanmean(noise2, axis=0)
    own2 = photon2.copy()
    weight = 1.0 / np.maximum(own2, 1e-12)
    shared = np.zeros((len(tensor), 3))
    for _ in range(3):
        w = np.where(seen[..., None], weight, 0.0)
        total = w.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            shared = np.where(seen[..., None], w * apart, 0.0).sum(axis=1) / total
        if n_stars > 1:
            share = weight / weight.sum(axis=0)
            rest = np.where(seen[..., None], apart - shared[:, None], np.nan)
            spread = (const.SIGMA_PER_MAD * np.nanmedian(np.abs(rest), axis=0)) ** 2
            # a star's distance from a mean that it is part of is too small by 1 - its share
            own2 = np.maximum(spread / np.maximum(1.0 - share, 0.2), photon2)
            weight = 1.0 / (own2 + np.median(own2, axis=0))
    part = w / np.where(total > 0, total, np.inf)[:, None]
    variance = np.where(seen[..., None], part**2 * own2, 0.0).sum(axis=1)
    variance[~seen.any(axis=1)] = np.nan
    between = means.std(axis=0, ddof=1) / np.sqrt(n_stars) if n_stars > 1 else np.full(3, np.inf)
    return shared, variance, between


# --- fit ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Bins:
    """Means over stretches of frames on a regular grid; NaN where a stretch holds no frame."""

    value: FloatArray  # (n, 3)
    sigma: FloatArray  # (3,)
    fitted: IntArray  # the bins that the fit reads; all are smoothed
    spacing_s: float
    window_s: float
    air_share: float
    bin_of_frame: IntArray


def _bin_frames(
    tensors: FrameTensors, exposure_s: float, cadence_s: float, air_time_s: float
) -> _Bins | None:
    """Average frames until air has forgotten itself, further while a mode still remembers.

    The fit reads at most INSIDE_MOST_BINS bins, from stretches spread over the run.
    """
    forgotten = max(1, int(np.ceil(air_time_s / cadence_s - 0.01)))
    number, value, variance = _means(tensors, cadence_s, forgotten)
    per_bin = forgotten * max(1, round(_memory_bins(value) / const.INSIDE_BINS_PER_MEMORY))
    if per_bin > forgotten:
        number, value, variance = _means(tensors, cadence_s, per_bin)
    filled = np.flatnonzero(np.isfinite(value[:, 0]))
    if filled.size < const.INSIDE_LEAST_BINS:
        return None
    fitted = filled
    if filled.size > const.INSIDE_MOST_BINS:
        each = const.INSIDE_MOST_BINS // const.INSIDE_STRETCHES
        starts = np.linspace(0, filled.size - each, const.INSIDE_STRETCHES).astype(np.int64)
        fitted = filled[np.unique(starts[:, None] + np.arange(each))]
    window = (per_bin - 1) * cadence_s + exposure_s
    crossings = window / air_time_s if air_time_s > 0 else 1.0
    share = const.INSIDE_LARGEST_AIR_SHARE * min(
        1.0, np.sqrt(const.INSIDE_AIR_CROSSINGS / crossings)
    )
    spacing = per_bin * cadence_s
    return _Bins(value, np.sqrt(variance), fitted, spacing, window, float(share), number)


def _means(
    tensors: FrameTensors, cadence_s: float, per_bin: int
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return each frame's bin, the bins' means (n, 3) and their median variance (3,)."""
    steps = np.diff(tensors.time_s) / cadence_s
    gaps = np.minimum(np.rint(steps), const.INSIDE_LONGEST_GAP * per_bin)
    gaps[np.diff(tensors.segment) != 0] = const.INSIDE_LONGEST_GAP * per_bin
    number = np.concatenate([[0.0], np.cumsum(gaps)]).astype(np.int64) // per_bin
    seen = np.isfinite(tensors.shared_arcsec2).all(axis=1)
    n = int(number[-1]) + 1
    count = np.bincount(number[seen], minlength=n)
    filled = count > 0
    value, variance = np.full((n, 3), np.nan), np.zeros(3)
    for j in range(3):
        total = np.bincount(number[seen], tensors.shared_arcsec2[seen, j], n)
        value[filled, j] = total[filled] / count[filled]
        square = np.bincount(number[seen], tensors.sigma_arcsec2[seen, j] ** 2, n)
        if filled.any():
            variance[j] = np.median(square[filled] / count[filled] ** 2)
    return number, value, variance


def _memory_bins(value: FloatArray) -> int:
    """Return the lag at which the changes are remembered to 1/e of what they are at lag one."""
    centred = value - np.nanmean(value, axis=0)
    first = 0.0
    for lag in range(1, max(len(value) // 4, 2)):
        product = np.nansum(centred[lag:] * centred[:-lag])
        if lag == 1:
            first = float(product)
        if first <= 0.0 or product < first / math.e:
            return lag
    return max(len(value) // 4, 1)


def _project(tensor: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
    """Return a.V.b of tensors (n, 3)."""
    return np.asarray(
        tensor[:, 0] * a[0] * b[0]
        + tensor[:, 1] * a[1] * b[1]
        + tensor[:, 2] * (a[0] * b[1] + a[1] * b[0])
    )


def _flicker(
    frequency_hz: FloatArray, share: FloatArray, exposure_s: float, cadence_s: float, per_bin: int
) -> float:
    """Return by which part of its mean the energy inside a bin's exposures varies with the phase.

    A motion a cos(2 pi nu t + phi) has a^2/2 [1 - k + (sinc(2 nu tau) - k) cos 2 phi] inside an
    exposure tau, k = sinc^2(nu tau); a bin is the mean over its frames' phases. Of several the root
    mean square.
    """
    kept = np.sinc(frequency_hz * exposure_s) ** 2
    part = (np.sinc(2.0 * frequency_hz * exposure_s) - kept) / np.maximum(1.0 - kept, 1e-9)
    turn = 4.0 * np.pi * frequency_hz * cadence_s
    mean = np.abs(np.exp(1j * np.outer(np.arange(per_bin), turn)).mean(axis=0))
    return float(np.sqrt(np.average((part * mean) ** 2, weights=share)))


def _principal_axes(value: FloatArray) -> FloatArray:
    """Return the axes (columns) of the change that is remembered from one bin to the next."""
    centred = value - np.nanmean(value, axis=0)
    both = np.isfinite(centred[1:, 0]) & np.isfinite(centred[:-1, 0])
    lag = centred[1:][both].T @ centred[:-1][both] / max(int(both.sum()), 1)
    weight, vector = np.linalg.eigh(0.5 * (lag + lag.T))
    xx, yy, xy = vector[:, int(np.argmax(weight))]
    axes: FloatArray = np.linalg.eigh(np.array([[xx, xy], [xy, yy]]) * np.sign(xx + yy))[1][:, ::-1]
    return axes


def _form_probability(bins: _Bins) -> float:
    """Return how well the changes' traceless variance over half-trace variance suits a motion.

    At least one for motion; air and aberrations that remember themselves lie below (0.8 for five
    low orders of equal size). Error by jackknife over stretches.
    """
    from scipy.stats import norm

    value = bins.value[np.isfinite(bins.value[:, 0])]
    centred = value - value.mean(axis=0)
    trace = 0.5 * (centred[:, 0] + centred[:, 1])
    rest = np.hypot(0.5 * (centred[:, 0] - centred[:, 1]), centred[:, 2])
    noise2 = 0.25 * (bins.sigma[0] ** 2 + bins.sigma[1] ** 2)
    part = np.arange(len(value)) * const.INSIDE_JACKKNIFE // len(value)

    def ratio(rows: BoolArray) -> float:
        below = float(np.mean(trace[rows] ** 2)) - noise2
        above = float(np.mean(rest[rows] ** 2)) - noise2 - float(bins.sigma[2] ** 2)
        return above / below if below > 0 else np.nan

    without = np.array([ratio(part != k) for k in range(const.INSIDE_JACKKNIFE)])
    found = ratio(part >= 0)
    if not np.isfinite(found + without.sum()):
        return 0.5
    error = float(np.sqrt((const.INSIDE_JACKKNIFE - 1) * np.var(without)))
    likely = []
    for low, high in (const.INSIDE_FORM_MOTION, const.INSIDE_FORM_CURRENTS):
        inside = norm.cdf((high - found) / error) - norm.cdf((low - found) / error)
        likely.append(float(inside) / (high - low) + 1e-12)
    return likely[0] / sum(likely)


def _elongation(tensor: FloatArray) -> FloatArray:
    """Return what the longer axis has beyond the shorter one, shape (n, 2, 2)."""
    weight, vector = np.linalg.eigh(tensor)
    longer = vector[..., 1]
    size = weight[..., 1] - weight[..., 0]
    return np.asarray(size[:, None, None] * longer[:, :, None] * longer[:, None, :])
