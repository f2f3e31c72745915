"""Witnesses beside the frames: sensors, and a second camera.

What of the shared motion a sensor owns is taken out before the fit: the coherent path is subtracted
from the motion that the fit sees and given back to every history as its owner's; a line that a
sensor explains is reported, and no part of the fit.

What two cameras do apart is air, whatever shakes them: its spectra are data of the fit, whose guest
the second camera is. What they do alike beyond the air that both see is mechanical: so much of the
open motion has an owner.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from blursplit import constants as const
from blursplit.budget.air_state import AirState, in_disk, uniform_between
from blursplit.budget.fit import AirFit
from blursplit.budget.line_search import Lines
from blursplit.budget.lines import FoundLine
from blursplit.budget.record import Motion
from blursplit.budget.sampler import Chains, Draws
from blursplit.errors import InputError
from blursplit.estimate import Estimate
from blursplit.evidence.guest import Guest, Record
from blursplit.evidence.second_camera import CameraMotion, PairSpectra
from blursplit.evidence.second_camera_air import Layer, PairEvidence
from blursplit.evidence.sensor import SensorEvidence
from blursplit.evidence.sensor_record import CLAIMS, Claim, SensorRecord, no_overlap
from blursplit.facts import Facts
from blursplit.result import Remark, Witness
from blursplit.rig import SecondCameraSetup
from blursplit.sources import Source
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import structure_function
from blursplit.types import FloatArray, sure


@dataclass(frozen=True)
class _Weighed(Guest):
    """What the witnesses leave, and what they own: a guest that brings their part of the result."""

    motion: Motion  # without the coherent paths
    lines: Lines  # without the lines that a sensor explains
    # (path, sigma) by owner: on the grid of all segments, with the error of its rms
    # along x and y [arcsec].
    owned: dict[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    witnesses: tuple[Witness, ...] = ()
    said: tuple[Remark, ...] = ()
    # (sensor, owner) by the line's frequency: what a sensor on the column goes with.
    explained: dict[float, tuple[str, Claim]] = field(default_factory=dict)
    curves: dict[str, FloatArray] = field(default_factory=dict)  # for the page

    @property
    def known_paths(self) -> dict[str, tuple[FloatArray, FloatArray]]:
        """Return what it owns of the motion."""
        return self.owned

    def named(self, lines: Lines) -> Lines:
        """Return the lines as found, those that a sensor explains with their cause."""
        found = []
        for line in lines.found:
            known = self.explained.get(line.fit.frequency_hz)
            if known is not None:
                sensor, owner = known
                cause = f"coherent with {sensor}"
                line = replace(line, cause=cause, cause_odds={cause: 1.0}, owner=owner)  # noqa: PLW2901
            found.append(line)
        return replace(lines, found=tuple(found))

    def parts(self, parts: dict[str, Any]) -> dict[str, Any]:
        """Return the parts of the result with the witnesses."""
        return {**parts, "witnesses": list(self.witnesses)}

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return a coherent sensor's curves."""
        del record
        return self.curves

    def remarks(self) -> tuple[Remark, ...]:
        """Return what is to be said of them."""
        return self.said


def weigh_witnesses(
    record: Record,
    motion: Motion,
    lines: Lines,
    sensors: Sequence[SensorRecord],
    second_camera: Source | None,
    seed: int,
) -> tuple[Record, _Weighed]:
    """Find what each sensor explains of the motion that those before it left, then the camera.

    Returns the record with them as guests, and what they leave and own.

    Raises InputError when a sensor or the other camera does not overlap with the frames, or when
    what the camera needs is not known.
    """
    out = _Weighed(motion, lines)
    for sensor in sensors:
        name = sensor.source.rsplit("/", maxsplit=1)[-1]
        if out.motion.quiet is None or record.facts.scale_arcsec is None:
            out = replace(out, said=(*out.said, Remark.of("sensor-not-used", name=name)))
        else:
            out = _weigh(record, out, sensor, name, seed)
    if second_camera is not None:
        record, out = _weigh_second_camera(record, out, second_camera, seed)
    return replace(record, guests=(*record.guests, out)), out


def _weigh(
    record: Record, so_far: _Weighed, sensor: SensorRecord, name: str, seed: int
) -> _Weighed:
    grid = sure(so_far.motion.quiet)
    time_s, shared = grid.time_s, grid.shared_arcsec
    real = np.concatenate([segment.real for segment in grid.segments])
    placed = sensor.placed(_start_of(record.tracks), float(time_s[-1]))
    remarks = [Remark.of(code, name=name, **facts) for code, facts in placed.remarks]
    owner = CLAIMS[sensor.kind]
    if owner is None:
        remarks.append(Remark.of("sensor-proves-nothing", name=name))
        return _with(so_far, Witness(kind=sensor.kind, name=name, used=False), *remarks)
    try:
        found = SensorEvidence.of(time_s[real], shared[real], grid.exposure_s, placed, seed=seed)
    except ValueError as error:
        raise InputError(sensor.source, str(error), "give the record of the whole run") from error
    best = max(found.rms_arcsec, key=lambda rms: (rms.value or 0.0, rms.high or 0.0))
    seen = found.frequency_hz[np.any(found.seen, axis=1)]
    blind = found.blind_band_hz
    witness = Witness(
        kind=sensor.kind,
        name=name,
        offset_s=found.offset_s,
        coherent_rms_arcsec=None if best.high is None else best,
        band_hz=(float(seen.min()), float(seen.max())) if seen.size else None,
        blind_band_hz=blind[0] if blind else None,
        used=found.coherent,
    )
    code = "sensor-coherent" if found.coherent else "sensor-incoherent"
    if best.high is None:
        code = "sensor-blind"
    facts = {"name": name, "rms_arcsec": best.high}
    if best.value is not None:
        facts |= {"rms_arcsec": best.value, "low": best.low, "high": best.high}
    out = _with(so_far, witness, *remarks, Remark.of(code, **facts))
    return _taken(out, found, owner, real, name) if found.coherent else out


def _start_of(tracks: StarTracks) -> datetime | None:
    """Return the zero of the tracks' times, None where it is not known."""
    text = tracks.start_utc
    if text is None:
        return None
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _taken(
    so_far: _Weighed, found: SensorEvidence, owner: Claim, real: np.ndarray, name: str
) -> _Weighed:
    """Return what is left without the path, which the owner gets."""
    path = np.zeros((real.size, 2))
    path[real] = np.nan_to_num(found.path_arcsec)
    motion = so_far.motion
    left = replace(
        motion,
        grid=None if motion.grid is None else motion.grid.without(path),
        quiet=None if motion.quiet is None else motion.quiet.without(path),
    )
    sigma = np.array(
        [
            0.0 if rms.high is None or rms.low is None else 0.5 * (rms.high - rms.low)
            for rms in found.rms_arcsec
        ]
    )
    before = so_far.owned.get(owner)
    if before is not None:
        path, sigma = path + before[0], np.hypot(sigma, before[1])
    kept = tuple(line for line in so_far.lines.found if not _explains(found, line))
    gone = [line.fit.frequency_hz for line in so_far.lines.found if _explains(found, line)]
    explained = dict.fromkeys(gone, (name, owner))
    return replace(
        so_far,
        motion=left,
        lines=replace(so_far.lines, found=kept),
        owned={**so_far.owned, owner: (path, sigma)},
        explained=so_far.explained | explained,
        curves={
            "sensor_frequency_hz": found.frequency_hz,
            "sensor_motion_psd_arcsec2_hz": found.motion.sum(axis=1),
            "sensor_explained_psd_arcsec2_hz": found.explained.sum(axis=1),
            "sensor_coherence": found.coherence.mean(axis=1),
            "sensor_sees": np.any(found.seen, axis=1).astype(np.float64),
        },
    )


def _explains(found: SensorEvidence, line: FoundLine) -> bool:
    at = int(np.argmin(np.abs(found.frequency_hz - line.fit.frequency_hz)))
    return bool(found.coherence[at].max() > const.COHERENT_LINE)


def _weigh_second_camera(
    record: Record, so_far: _Weighed, source: Source, seed: int
) -> tuple[Record, _Weighed]:
    """Find what the other camera does apart from this one, and what both do alike.

    Returns: with it as a guest; with its witness and remarks.

    Raises InputError when aperture, scale or baseline are not known, or the cameras do not overlap.
    """
    facts = record.facts
    if facts.optics is None or facts.scale_arcsec is None or so_far.motion.quiet is None:
        remark = Remark.of("second-camera-not-used", name=source.name)
        return record, replace(so_far, said=(*so_far.said, remark))
    stated = record.rig.setup.second_camera
    baseline = _baseline_m(stated)
    main = _camera_motion(record.tracks, facts, "the sequence")
    second = _camera_motion(source.tracks, Facts.of(source.tracks, source.rig, None), source.name)
    start, other = _start_of(record.tracks), _start_of(source.tracks)
    if start is not None and other is not None:
        second = second.later((other - start).total_seconds())
    _refuse_apart(main, second, stated, source.name)
    lines_hz = (line.fit.frequency_hz for line in so_far.lines.found)
    spectra, unfit = PairSpectra.of_both(main, second, baseline, stated, lines_hz)
    facts_of: dict[str, Any] = {"name": source.name}
    if second.width_px < const.PAIR_LEAST_WIDTH_PX:
        unfit = "second-camera-pixels"
        facts_of |= {"width_px": const.FWHM_PER_SIGMA * second.width_px}
    if unfit is not None:
        witness = Witness(kind="second-camera", name=source.name, used=False)
        return record, _with(so_far, witness, Remark.of(unfit, **facts_of))
    cores = [line.term.core_hz(spectra.duration_s) for line in so_far.lines.found]
    pair = PairEvidence.of(spectra, facts.optics.wavelength_m, cores)
    seen = _seeing_of_two_cameras(pair, seed)
    rng = np.random.default_rng([seed, 17])
    offset_s, angle_deg = spectra.alignment_sigmas()
    alignment = spectra.alignment
    shaken = seen.shaken_arcsec / np.sqrt(2.0)
    low, middle = np.percentile(shaken, [2.5, 50.0])
    is_shaken = bool(low > const.SHAKEN_SHARE * middle)
    draws = rng.standard_normal((2, const.N_WITNESS_DRAWS))
    seeing = facts.seeing_arcsec(seen.r0_m ** (-5.0 / 3.0))
    witness = Witness(
        kind="second-camera",
        name=source.name,
        offset_s=Estimate.of(alignment.offset_s + offset_s * draws[0]),
        angle_deg=Estimate.of(alignment.angle_deg + angle_deg * draws[1]),
        coherent_rms_arcsec=Estimate.of(shaken)
        if is_shaken
        else Estimate.upper_limit(float(np.percentile(shaken, 95.0))),
        band_hz=(float(spectra.frequency_hz[0]), float(spectra.frequency_hz[-1])),
        seeing_500nm_zenith_arcsec=Estimate.of(seeing),
        near_share=Estimate.of(seen.near_share),
        r_hat=max(seen.r_hat.values()),
        flexure_hz=spectra.frequency_hz[~spectra.used.all(axis=1)].tolist(),
    )
    code = "second-camera-shaken" if is_shaken else "second-camera-still"
    rms = witness.coherent_rms_arcsec
    remark = Remark.of(
        code,
        name=source.name,
        rms_arcsec=None if rms is None else rms.value if is_shaken else rms.high95,
        seeing_arcsec=float(np.median(seeing)),
    )
    guests = (*record.guests, _SecondCamera(pair))
    return replace(record, guests=guests), _with(so_far, witness, remark)


def _with(so_far: _Weighed, witness: Witness, *remarks: Remark) -> _Weighed:
    witnesses, said = (*so_far.witnesses, witness), (*so_far.said, *remarks)
    return replace(so_far, witnesses=witnesses, said=said)


def _baseline_m(stated: SecondCameraSetup) -> tuple[float, float]:
    option, key = "--second-camera", "second_camera.baseline_m"
    if stated.baseline_m is None:
        remedy = "give the way from the main to the other aperture along the main camera's columns "
        remedy += f"and rows: --set {key}=[0.25, 0.0]"
        raise InputError(option, f"key '{key}' is not known", remedy)
    x, y = stated.baseline_m
    if not const.PAIR_BASELINES_M[0] <= np.hypot(x, y) <= const.PAIR_BASELINES_M[1]:
        problem = f"key '{key}': two tubes on one mount are not {np.hypot(x, y):g} m apart"
        raise InputError(option, problem, "give it in metres, centre to centre")
    return float(x), float(y)


def _camera_motion(tracks: StarTracks, facts: Facts, name: str) -> CameraMotion:
    """Return the motion of the brightest star in the longest stretch without a gap."""
    if facts.optics is None or facts.scale_arcsec is None or tracks.exposure_s is None:
        problem = "aperture, pixel scale or exposure of the second camera are not known"
        remedy = "give its own setup file: --second-camera SEQUENCE@SETUP"
        raise InputError(name, problem, remedy)
    number, count = np.unique(tracks.segment, return_counts=True)
    flux = np.nanmedian(tracks.seen("flux_adu"), axis=0)
    star = int(np.nanargmax(flux * tracks.good.mean(axis=0)))
    use = (tracks.segment == number[np.argmax(count)]) & tracks.good[:, star]
    if use.sum() < const.PAIR_FEWEST_FRAMES:
        problem = f"its brightest star stands in {int(use.sum())} frames only"
        raise InputError(name, problem, "record longer")
    place = np.stack([tracks.x_px[use, star], tracks.y_px[use, star]], axis=1)
    return CameraMotion(
        time_s=tracks.time_s[use],
        motion_arcsec=place * facts.scale_arcsec,
        noise_arcsec=float(np.median(tracks.sigma_px[use, star])) * facts.scale_arcsec,
        exposure_s=tracks.exposure_s,
        aperture_m=facts.optics.aperture_m,
        obstruction=facts.optics.obstruction,
        width_px=float(np.median(tracks.width_px[use, star])),
    )


def _refuse_apart(
    main: CameraMotion, second: CameraMotion, stated: SecondCameraSetup, name: str
) -> None:
    if np.array_equal(main.motion_arcsec, second.motion_arcsec):
        raise InputError(name, "is the measured sequence itself", "name the other camera's frames")
    low, high = stated.offset_s or const.SENSOR_OFFSET_S
    start = max(main.time_s[0], second.time_s[0] + low)
    stop = min(main.time_s[-1], second.time_s[-1] + high)
    if stop - start < const.PAIR_LEAST_OVERLAP_S:
        span = (float(main.time_s[0]), float(main.time_s[-1]))
        raise InputError(name, *no_overlap(second.time_s, span, "[second_camera] offset_s"))


@dataclass(frozen=True)
class _SecondCamera(Guest):
    """Evidence of a second camera on the fit's parameters, a guest of the fit."""

    evidence: PairEvidence
    parts_winds = True

    def constraint(self, theta: AirState) -> FloatArray:
        """Return the log probability of both cameras' motion for each row, shape (n,)."""
        apart, shared = self._air(theta)
        spectra = self.evidence.spectra
        f, undone = spectra.frequency_hz, spectra.exposure_gains() ** -2.0
        shape = theta.open_shape(f)
        # what is faster than half a frame rate folds to another place in each camera
        folded = -2.0 * shape
        for camera, gain2 in zip(spectra.cameras, undone.T, strict=True):
            folded += theta.sampled_open_shape(f, camera.exposure_s, camera.rate_hz) * gain2
        size = theta.open_arcsec2[:, :, :, None]
        apart += self._turned(size * folded[:, None, None, :])
        shake = self._turned(size * shape[:, None, None, :])
        return self.evidence.log_likelihood(apart, shared, shake, theta.noise_scale)

    def arrays(self, record: Record) -> dict[str, FloatArray]:
        """Return both cameras' spectra."""
        del record
        return self.evidence.arrays()

    def mechanical_share(self, fit: AirFit, seed: int) -> FloatArray:
        """Return how much of each row's open motion both cameras show alike, 0 to 1.

        What lies beyond their common band counts as not shown.
        """
        pair, rng = self.evidence, np.random.default_rng([seed, 16])
        f, width = pair.spectra.frequency_hz, pair.width_hz
        use = pair.steady[:, None] & pair.spectra.used
        some = replace(pair, spectra=replace(pair.spectra, used=use))
        shaken, _ = some.shaken_arcsec2(self._air(fit.state)[1], rng)
        open_ = self._turned(fit.open_density(f)) / np.sinc(f * fit.model.exposure_s)[:, None] ** 2
        inside = (open_ * use * width[:, None]).sum(axis=(1, 2))
        fine = fit.model.table.fine_hz
        whole = np.trace(fit.open_density(fine), axis1=1, axis2=2)
        seen = (fine >= f[0] - 0.5 * width[0]) & (fine <= f[-1] + 0.5 * width[-1])
        band = np.trapezoid(whole * seen, fine, axis=1) / np.trapezoid(whole, fine, axis=1)
        return np.asarray(np.clip(shaken / np.maximum(inside, 1e-12), 0.0, 1.0) * band)

    def _air(self, theta: AirState) -> tuple[FloatArray, FloatArray]:
        turn = 2.0 * self.evidence.spectra.baseline_rad
        back = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        near = theta.j_near, theta.log_near_wind, theta.log_near_outer, theta.near_axis @ back
        layers = [
            Layer(*near, is_near=True),
            Layer(theta.j_ground, theta.log_ground_wind, theta.log_outer, theta.ground_axis @ back),
            *(
                Layer(j, wind, theta.log_outer)
                for j, wind in zip(theta.j_high.T, theta.log_high_wind.T, strict=True)
            ),
        ]
        return self.evidence.air(layers, theta.tilt_scale)

    def _turned(self, density: FloatArray) -> FloatArray:
        """Return the diagonal along and across the baseline, (n, n_f, 2), of (n, 2, 2, n_f)."""
        angle = self.evidence.spectra.baseline_rad
        c, s = np.cos(angle), np.sin(angle)
        axes = np.array([[c, s], [-s, c]])
        return np.asarray(np.einsum("ai,aj,nijf->nfa", axes, axes, density))


@dataclass(frozen=True)
class _PairSeeing:
    """Draws of what two cameras say by themselves, whatever shakes them."""

    # (n,): of all the air along the line of sight: that of air of an outer scale of 25 m which is
    # as rough over 0.1 m.
    r0_m: FloatArray
    near_share: FloatArray  # share of near air in that roughness
    shaken_arcsec: FloatArray  # rms of what turns both alike in their common band, both axes' sum
    r_hat: dict[str, float]  # between two seeds


def _seeing_of_two_cameras(pair: PairEvidence, seed: int = 0) -> _PairSeeing:
    """Measure the air from what two cameras do differently, by themselves, from two seeds.

    Near air, ground and a high layer of unknown shares, winds, directions and outer scales; the
    shake is free in every bin, and falls by a power of frequency beyond them. Runs that differ by
    more than R-hat 1.02 are run again with twice the particles, as those of the fit.
    """
    # orthonormal, of near air, ground and high layer
    contrasts = np.array([[1.0, -1.0, 0.0], [1.0, 1.0, -2.0]]) / np.sqrt([[2.0], [6.0]])

    def layers_of(z: FloatArray) -> tuple[list[Layer], FloatArray, FloatArray]:
        near = uniform_between(z[:, 3], const.PAIR_NEAR_L0_M)
        outer = uniform_between(z[:, 4], const.PAIR_FAR_L0_M)
        share = np.exp(const.FIT_SHARE_SIGMA * z[:, 1:3] @ contrasts)
        share /= share.sum(axis=1, keepdims=True)
        rough = [structure_function(const.PAIR_ROUGH_M, 1.0, np.exp(log)) for log in (near, outer)]
        per_j = share[:, 0] * rough[0] + (1.0 - share[:, 0]) * rough[1]
        usual = structure_function(const.PAIR_ROUGH_M, 1.0, const.PAIR_USUAL_L0_M)
        r0 = np.exp(uniform_between(z[:, 0], const.PAIR_R0_M))
        j = share * (r0 ** (-5.0 / 3.0) * usual / per_j)[:, None]
        layers = [
            Layer(
                j[:, k],
                uniform_between(z[:, 5 + k], const.PAIR_LAYER_WINDS_M_S[k]),
                outer if k else near,
                in_disk(z[:, 8 + 2 * k : 10 + 2 * k]),
                is_near=not k,
            )
            for k in range(3)
        ]
        return layers, r0, share[:, 0] * rough[0] / per_j

    def scales(z: FloatArray) -> tuple[FloatArray, FloatArray]:
        tilt = 1.0 + const.FIT_CENTROID_SIGMA * (1.0 - const.TILT_G_OVER_Z) * z[:, 14]
        return tilt, np.exp(const.FIT_NOISE_SIGMA * z[:, 15])

    def log_likelihood(z: FloatArray) -> FloatArray:
        tilt, noise = scales(z)
        apart, shared = pair.air(layers_of(z)[0], tilt)
        apart += pair.folded_shake(shared, uniform_between(z[:, 16], const.PAIR_SHAKE_FALL))
        return pair.log_likelihood(apart, shared, None, noise)

    rng = np.random.default_rng([seed, const.FIT_MOST_DOUBLINGS + 1])

    def draw(attempt: int, number: int) -> dict[str, FloatArray]:
        run = Draws.sample(
            log_likelihood,
            17,
            np.random.default_rng([seed, attempt, number]),
            n_particles=const.PAIR_PARTICLES * 2**attempt,
            final_sweeps=const.PAIR_FINAL_SWEEPS,
        )
        z = run.chains.reshape(-1, 17)
        layers, r0, near = layers_of(z)
        _, shared = pair.air(layers, scales(z)[0])
        outside = (layers[1].strength + layers[2].strength) ** -0.6
        power, weight = pair.shaken_arcsec2(shared, rng)
        chosen = rng.choice(len(power), len(power), p=weight / weight.sum())
        shaken = np.sqrt(power[chosen])
        return {"r0": r0, "outside_r0": outside, "near_share": near, "shaken": shaken}

    for attempt in range(const.FIT_MOST_DOUBLINGS + 1):
        drawn = [draw(attempt, number) for number in range(2)]
        watched = {f"ln_{key}": [np.log(one[key]) for one in drawn] for key in ("r0", "outside_r0")}
        watched |= {key: [one[key] for one in drawn] for key in ("near_share", "shaken")}
        ratios = {name: Chains(two).r_hat() for name, two in watched.items()}
        if max(ratios.values()) <= const.FIT_R_HAT:
            break
    found = ("r0", "near_share", "shaken")
    r0, near, shaken = (np.concatenate([one[key] for one in drawn]) for key in found)
    return _PairSeeing(r0, near, shaken, ratios)
