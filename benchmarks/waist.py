"""Scenes drawn at the waist of the measurement: star tracks without pixels.

`draw_tracks` draws the tilts of every star from the exact spectrum of each layer: for every
frequency in time, waves whose slope across the wind is drawn inside the bins of a logarithmic
grid, so that variances, spectra, exposures and covariances between beams of any separation and
aperture are right without bias. It takes a second or two a scene.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from blursplit.constants import ARCSEC_PER_RADIAN, FWHM_PER_SIGMA, STEPS_LONG
from blursplit.definitions import turn
from blursplit.evidence.second_camera_air import _signed_tilt_gain
from blursplit.simulate.air import LayerGeometry
from blursplit.simulate.camera import FrameTimes, StarField
from blursplit.simulate.motion import Shared
from blursplit.simulate.scene import Scene
from blursplit.simulate.sequence import _layer_geometries, _near_geometry
from blursplit.stars.tracks import StarTracks
from blursplit.turbulence.conversions import phase_spectrum
from blursplit.types import FloatArray

_NODES = 40  # waves across the wind of each sign and frequency, drawn in their bins
_HIGHEST = 1.6  # V/D; Z tilt above it holds under 1e-3 of the variance (physics: slope -17/3)
_OVERSAMPLING = 4  # grid points over Nyquist's; a local cubic then errs by 1 %


@dataclass(frozen=True)
class Waist:
    """Tracks of a scene and what they are made of."""

    tracks: StarTracks
    # `air_arcsec`, `near_arcsec`: (n_frames, n_stars, 2): tilt of the air outside and of near air
    # in each exposure.
    air_arcsec: FloatArray
    near_arcsec: FloatArray
    shared: Shared  # motion of the owners on its own fine grid
    times: FrameTimes


@dataclass(frozen=True)
class Beam:
    """One star through one aperture: what a tilt is drawn for."""

    aperture_m: float
    obstruction: float
    exposure_s: float
    # `along_m`, `across_m`: (n_layers,): where it crosses each layer, in the layer's own axes.
    along_m: FloatArray
    across_m: FloatArray


def draw_tilts(
    layers: list[LayerGeometry],
    beams: list[Beam],
    wavelength_m: float,
    duration_s: float,
    rng: np.random.Generator,
) -> tuple[float, FloatArray]:
    """Draw the tilts of beams through frozen layers, averaged over each beam's exposure.

    Returns `rate_hz`: of the grid; a value belongs to the middle of an exposure; `tilt_arcsec` (n,
    n_beams, 2).
    """
    highest = 10.0
    for layer in layers:
        reach = max(_HIGHEST * layer.wind_m_s / b.aperture_m for b in beams)
        longest = min(b.exposure_s for b in beams)
        highest = max(highest, min(reach, max(2.0 / longest, 30.0)))
    rate = 2 * highest * _OVERSAMPLING
    n = 2 * int(np.ceil(duration_s * rate))  # twice as long: its ends meet, the record's do not
    spectrum = np.zeros((len(beams), 2, n // 2 + 1), dtype=complex)
    for index, layer in enumerate(layers):
        top = min(highest, max(_HIGHEST * layer.wind_m_s / b.aperture_m for b in beams))
        bins = np.arange(1, int(top * n / rate) + 1)
        for part in np.array_split(bins, max(1, bins.size * len(beams) // 20_000)):
            spectrum[:, :, part] += _layer_waves(
                layer, index, beams, part * rate / n, rate / n, rng
            )
    series = np.fft.irfft(spectrum, n=n, axis=-1)[..., : n // 2 + 1] * (n / 2)
    return rate, np.moveaxis(series, -1, 0) * wavelength_m * ARCSEC_PER_RADIAN


def _layer_waves(
    layer: LayerGeometry,
    index: int,
    beams: list[Beam],
    nu_hz: FloatArray,
    step_hz: float,
    rng: np.random.Generator,
) -> FloatArray:
    """Return the complex amplitudes of one layer, shape (n_beams, 2, n_nu) [waves of phase]."""
    edges = np.r_[0.0, np.geomspace(1e-3, 3.0 / min(b.aperture_m for b in beams), _NODES)]
    width = np.diff(edges)
    shape = (nu_hz.size, 2, width.size)
    across = edges[:-1] + width * rng.uniform(size=shape)
    across[:, 1] *= -1
    along = (nu_hz / layer.wind_m_s)[:, None, None]
    f = np.hypot(along, across)
    power = 2 / layer.wind_m_s * phase_spectrum(f, layer.r0_m, layer.outer_scale_m) * width
    wave = np.sqrt(2 * power * step_hz / 2) * (
        rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    )
    c, s = np.cos(layer.angle_rad), np.sin(layer.angle_rad)
    cosine, sine = along / f, across / f
    out = np.empty((len(beams), 2, nu_hz.size), dtype=complex)
    gains: dict[tuple[float, float], FloatArray] = {}
    for number, beam in enumerate(beams):
        pupil = (beam.aperture_m, beam.obstruction)
        if pupil not in gains:
            gains[pupil] = _signed_tilt_gain(f, *pupil)
        # a layer that drifts toward +along is read ever further upwind: -V t
        phase = np.exp(-2j * np.pi * (along * beam.along_m[index] + across * beam.across_m[index]))
        seen = wave * phase * gains[pupil] * np.sinc(nu_hz * beam.exposure_s)[:, None, None]
        u, v = (seen * cosine).sum(axis=(1, 2)), (seen * sine).sum(axis=(1, 2))
        out[number] = c * u - s * v, s * u + c * v
    return out


def _beams(scenes: list[tuple[Scene, int]], layers: list[LayerGeometry]) -> list[Beam]:
    """Return the beams of the stars of each camera, in order."""
    who = [scene for scene, stars in scenes for _ in range(stars)]
    return [
        Beam(
            scene.pupil.aperture_m,
            scene.pupil.obstruction,
            scene.camera.exposure_s,
            np.array([layer.star_along_m[k] for layer in layers]),
            np.array([layer.star_across_m[k] for layer in layers]),
        )
        for k, scene in enumerate(who)
    ]


def _read(rate_hz: float, series: FloatArray, time_s: FloatArray) -> FloatArray:
    """Return grid series (n, n_beams, 2) at times (n_frames, n_beams) or (n_frames,)."""
    grid = Shared(0.0, rate_hz, {})
    n_beams = series.shape[1]
    when = np.broadcast_to(time_s.reshape(time_s.shape[0], -1), (time_s.shape[0], n_beams))
    return np.stack([grid.at(when[:, k], series[:, k]) for k in range(n_beams)], axis=1)


def _exposed(shared: Shared, series: FloatArray, start_s: FloatArray, tau_s: float) -> FloatArray:
    """Return the mean of a shared motion over each exposure, shape (*start.shape, 2)."""
    steps = int(np.clip(np.ceil(tau_s * shared.rate_hz / 2), 3, STEPS_LONG))
    inside = (np.arange(steps) + 0.5) / steps * tau_s
    return np.asarray(shared.at(start_s[..., None] + inside, series).mean(axis=-2))


def centroid_sigma_px(scene: Scene, flux_e_per_s: FloatArray) -> FloatArray:
    """Return the noise of a centroid [px] from photons, sky and read-out.

    For a Gaussian star as wide as the short exposure: s^2/N (1 + 8 pi s^2 (sky + read^2)/N).
    """
    camera, pupil = scene.camera, scene.pupil
    wavelength = scene.air.wavelength_nm * 1e-9
    strength = sum(r ** (-5 / 3) for r in (scene.air.r0_m, scene.near_r0_m) if r is not None)
    width = np.hypot(wavelength * strength**0.6, wavelength / pupil.aperture_m) * ARCSEC_PER_RADIAN
    width = np.hypot(width, scene.telescope.instrument_fwhm_arcsec)
    s = np.hypot(width / camera.pixel_scale_arcsec / FWHM_PER_SIGMA, 0.3)
    electrons = flux_e_per_s * camera.exposure_s
    sky = camera.sky_e_per_s * camera.exposure_s + camera.read_noise_e**2
    return np.asarray(s / np.sqrt(electrons) * np.sqrt(1 + 8 * np.pi * s**2 * sky / electrons))


def draw_tracks(scene: Scene, seed: int | None = None, *, noise: bool = True) -> list[Waist]:
    """Draw the star tracks of each camera of a scene from the exact spectra of its layers.

    `scene`: faults other than lost frames and dithers, and aberrations, have no place at the waist.
    `seed`: overrides the scene's own seed. `noise`: add the noise of the centroids. A second
    camera sees the same air and motion; its tracks have its own clock's times from the start of the
    main camera's first exposure.
    """
    rng = np.random.default_rng(scene.sequence.seed if seed is None else seed)
    shared_rng, air_rng, noise_rng, time_rng, near_rng, second_rng = rng.spawn(6)
    shared = Shared.draw(scene, shared_rng)
    cameras = [scene] if scene.second_camera is None else [scene, scene.of_second_camera()]
    rngs = [(time_rng, noise_rng), tuple(second_rng.spawn(2))]
    fields = [StarField.place(one).through_mask(one) for one in cameras]
    times = [FrameTimes.plan(one, rngs[k][0]) for k, one in enumerate(cameras)]
    starts = [
        t.start_s[:, None] + one.camera.row_time_us * 1e-6 * f.y_px
        for one, f, t in zip(cameras, fields, times, strict=True)
    ]
    middles = [s + one.camera.exposure_s / 2 for one, s in zip(cameras, starts, strict=True)]
    first = min(float(m.min()) for m in middles)
    last = max(float(m.max()) for m in middles) - first + 1.0
    stars = [f.x_px.size for f in fields]
    tilts: list[list[FloatArray]] = [[], []]
    other = fields[1] if len(fields) > 1 else None
    for kind, layers, part_rng in (
        (0, _layer_geometries(scene, fields[0], other), air_rng),
        (1, _near_geometry(scene, fields[0], other), near_rng),
    ):
        drawn = None
        if layers:
            beams = _beams(list(zip(cameras, stars, strict=True)), layers)
            wavelength = scene.air.wavelength_nm * 1e-9
            drawn = draw_tilts(layers, beams, wavelength, last, part_rng)
        for k, middle in enumerate(middles):
            own = slice(sum(stars[:k]), sum(stars[: k + 1]))
            tilts[kind].append(
                np.zeros((*middle.shape, 2))
                if drawn is None
                else _read(drawn[0], drawn[1][:, own], middle - first)
            )
    out = []
    for k, one in enumerate(cameras):
        camera, field = one.camera, fields[k]
        # the main tube's own currents are not the second camera's
        both = tuple(t for t in shared.terms if not k or t not in shared.owners.get("near_air", ()))
        moved = _exposed(shared, shared.total(both), starts[k], camera.exposure_s)
        whole = tilts[0][k] + tilts[1][k] + moved
        own_rng = rngs[k][1]
        stamp = times[k]
        if k and scene.second_camera is not None:
            second = scene.second_camera
            whole[..., 0] += second.flexure_arcsec_per_min / 60 * middles[k]
            whole = whole @ turn(-second.angle_deg)
            stamp = replace(stamp, stamp_s=stamp.stamp_s - second.offset_s)
        place = np.stack([field.x_px, field.y_px], axis=-1) + stamp.dither_px[:, None]
        place = place + whole / camera.pixel_scale_arcsec
        sigma = np.broadcast_to(centroid_sigma_px(one, field.flux_e_per_s), middles[k].shape)
        if noise:
            place = place + sigma[..., None] * own_rng.standard_normal(place.shape)
        tracks = _tracks(one, field, stamp, place, sigma, own_rng)
        if k:
            shift = float(stamp.stamp_s[0] - times[0].stamp_s[0])
            shift += (camera.exposure_s - scene.camera.exposure_s) / 2
            tracks = replace(tracks, time_s=tracks.time_s + shift)
        out.append(Waist(tracks, tilts[0][k], tilts[1][k], shared, times[k]))
    return out


def _tracks(
    scene: Scene,
    field: StarField,
    times: FrameTimes,
    place_px: FloatArray,
    sigma_px: FloatArray,
    rng: np.random.Generator,
) -> StarTracks:
    camera, shape = scene.camera, sigma_px.shape
    flux = np.broadcast_to(
        field.flux_e_per_s * camera.exposure_s / camera.gain_e_per_adu, shape
    ) * (1 + 0.03 * rng.standard_normal(shape))
    width = sigma_px[0] * np.sqrt(field.flux_e_per_s * camera.exposure_s)
    return StarTracks(
        time_s=times.stamp_s - times.stamp_s[0],
        segment=np.zeros(shape[0], dtype=np.int64),
        row_time_s=np.broadcast_to(camera.row_time_us * 1e-6 * field.y_px, shape),
        x_px=place_px[..., 0],
        y_px=place_px[..., 1],
        sigma_px=sigma_px,
        flux_adu=flux,
        width_px=width * (1 + 0.03 * rng.standard_normal(shape)),
        e1=0.03 * rng.standard_normal(shape),
        e2=0.03 * rng.standard_normal(shape),
        peak_adu=flux / (2 * np.pi * width**2),
        good=np.ones(shape, dtype=bool),
        exposure_s=camera.exposure_s,
        timing="jittered" if camera.time_jitter_s or camera.stamp_jitter_s else "regular",
        cadence_s=camera.frame_interval_s,
        frame=times.number,
    )
