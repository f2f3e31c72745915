"""One run at one focus position: its registered star at short baselines, and its own air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from blursplit.budget.facts import gather_facts
from blursplit.budget.focus_air import air_by_pairs
from blursplit.budget.optics_data import (
    ARCSEC,
    HIGHEST_BASELINE,
    LEAST_OTF,
    LOWEST_BASELINE,
    MAX_CYCLES_PX,
    N_ANGLES,
    N_BASELINES,
    POINT_SIGMA,
)
from blursplit.errors import InputError
from blursplit.evidence.rolling_rows import align_rows
from blursplit.image.otf import telescope_otf
from blursplit.image.stack import star_images
from blursplit.motion import fit_common_motion
from blursplit.motion.grid import grid_data
from blursplit.turbulence.defocus import defocus_sigma_arcsec, equivalent_variance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from blursplit.budget.air_data import Optics
    from blursplit.budget.facts import Facts
    from blursplit.image.stack import StarImages
    from blursplit.motion.grid import GridData
    from blursplit.rig import Instrument
    from blursplit.stars.tracks import StarTracks

    FloatArray = NDArray[np.float64]

SAME = 0.02  # relative: two runs of one telescope and camera
ANGLES = np.pi * (np.arange(N_ANGLES) + 0.5) / N_ANGLES
SHARE = np.linspace(LOWEST_BASELINE, HIGHEST_BASELINE, N_BASELINES)


@dataclass(frozen=True)
class FocusRun:
    """What a run at one focus position contributes.

    Parameters
    ----------
    name : str
    position : float
        In the unit of the recorded focus position.
    log_loss : ndarray, shape (n_baselines, n_angles)
        -ln of the registered star's transfer function with telescope, pixel and dispersion
        divided out, at 0.05 to 0.3 apertures; NaN from the first baseline that fails.
    block_loss : ndarray, shape (n_blocks, n_baselines, n_angles)
        The same from disjoint stretches of time.
    cycles_arcsec : ndarray, shape (n_baselines,)
    log_air : (mean, sigma) or None
        ln r0^(-5/3), but for a constant, from the run's own pairs; None without pairs.
    """

    name: str
    position: float
    log_loss: FloatArray
    block_loss: FloatArray
    cycles_arcsec: FloatArray
    log_air: tuple[float, float] | None

    @property
    def n_usable(self) -> int:
        """How many baselines, from the shortest on, stand above the noise."""
        return int(np.isfinite(self.log_loss).all(axis=1).sum())

    def variance_arcsec2(self, n_baselines: int) -> tuple[float, float]:
        """Return the equivalent variance over the shortest baselines and its measuring error."""
        cycles = self.cycles_arcsec[:n_baselines]
        value = equivalent_variance(self.log_loss[:n_baselines].mean(axis=1), cycles)
        blocks = equivalent_variance(self.block_loss[:, :n_baselines].mean(axis=2), cycles)
        unit = equivalent_variance(np.eye(n_baselines), cycles)
        error = np.std(blocks, ddof=1) / np.sqrt(len(blocks)) if len(blocks) > 1 else 0.0
        return float(value), float(np.hypot(error, POINT_SIGMA * np.linalg.norm(unit)))


@dataclass(frozen=True)
class FocusSeries:
    """Runs at other focus positions than that of the measured run.

    Parameters
    ----------
    own_position : float
        Of the measured run.
    others : tuple of FocusRun
    slope_arcsec : float or None
        Predicted rms of the defocused rays for each unit of position.
    """

    own_position: float
    others: tuple[FocusRun, ...]
    slope_arcsec: float | None


def focus_run(
    name: str,
    position: float,
    images: StarImages,
    facts: Facts,
    grid: GridData | None,
) -> FocusRun:
    """Return what a run contributes.

    Parameters
    ----------
    name : str
    position : float
    images : StarImages
    facts : Facts
        With optics and pixel scale.
    grid : GridData or None
        For what its pairs say of its air.
    """
    optics, scale = facts.optics, facts.scale_arcsec
    assert optics is not None  # noqa: S101 - callers have checked
    assert scale is not None  # noqa: S101
    cycles = SHARE * optics.aperture_m / optics.wavelength_m / ARCSEC
    fx, fy = np.outer(cycles, np.cos(ANGLES)), np.outer(cycles, np.sin(ANGLES))
    known = np.log(telescope_otf(SHARE, optics.obstruction))[:, None]
    known = known + np.log(np.sinc(fx * scale) * np.sinc(fy * scale))
    form = facts.dispersion[0, 0] * fx**2 + facts.dispersion[1, 1] * fy**2
    known = known - 2.0 * np.pi**2 * (form + 2.0 * facts.dispersion[0, 1] * fx * fy)
    stack = images.stack
    otf = _transfer(stack.images["registered"], cycles * scale)
    good = (otf.mean(axis=1) > LEAST_OTF) & (cycles * scale < MAX_CYCLES_PX)
    good = np.cumprod(good).astype(bool)
    loss = np.where(good[:, None], known - np.log(otf), np.nan)
    blocks = np.stack(
        [known - np.log(_transfer(b, cycles * scale)) for b in stack.blocks["registered"]]
    )
    log_air = None if grid is None else air_by_pairs(grid)
    return FocusRun(name, position, loss, blocks, cycles, log_air)


def _transfer(image: FloatArray, cycles_px: FloatArray) -> FloatArray:
    """Modulus of the image's transform over its value at zero, shape (n_baselines, n_angles)."""
    axis = np.arange(image.shape[0]) - (image.shape[0] - 1) / 2.0
    wave_x = np.exp(-2j * np.pi * np.multiply.outer(np.outer(cycles_px, np.cos(ANGLES)), axis))
    wave_y = np.exp(-2j * np.pi * np.multiply.outer(np.outer(cycles_px, np.sin(ANGLES)), axis))
    value = np.abs(np.einsum("bay,yx,bax->ba", wave_y, image, wave_x))
    return np.asarray(np.maximum(value / image.sum(), 1e-6))


def predicted_slope(instrument: Instrument, optics: Optics) -> float | None:
    """Return k [arcsec for each unit of position] by geometry; None where a number is missing."""
    step_um = instrument.get("focus_step_um")
    focal_m = instrument.get("focal_length_m")
    pixel_um, scale = instrument.get("pixel_um"), instrument.get("pixel_scale_arcsec")
    if focal_m is None and pixel_um and scale:
        focal_m = 206264.806 * pixel_um * 1e-6 / scale
    if not step_um or not focal_m:
        return None
    return float(
        defocus_sigma_arcsec(
            step_um * 1e-6,
            aperture_m=optics.aperture_m,
            focal_length_m=float(focal_m),
            obstruction=optics.obstruction,
        )
    )


def read_focus_run(
    name: str,
    tracks: StarTracks,
    instrument: Instrument,
    reference: Optics,
    scale_arcsec: float,
) -> FocusRun:
    """Return what another run contributes, after checking that it is of the same telescope.

    Parameters
    ----------
    name : str
    tracks : StarTracks
    instrument : Instrument
    reference : Optics
        Of the run that is measured.
    scale_arcsec : float
        Its pixel scale.

    Raises
    ------
    InputError
        When the run has no focus position, no star image, or another telescope, pixel scale or
        wavelength.
    """
    position = instrument.get("focus_position")
    if position is None:
        raise InputError(
            f"--focus-run {name}",
            "its focus position is not known",
            "write it behind the path: --focus-run PATH@POSITION",
        )
    facts = gather_facts(tracks, instrument, None)
    if facts.optics is None or facts.scale_arcsec is None:
        raise InputError(
            f"--focus-run {name}", "has no aperture or pixel scale", "give them in --setup"
        )
    for key, here, there in (
        ("aperture", reference.aperture_m, facts.optics.aperture_m),
        ("wavelength", reference.wavelength_m, facts.optics.wavelength_m),
        ("pixel scale", scale_arcsec, facts.scale_arcsec),
    ):
        if abs(there / here - 1.0) > SAME:
            raise InputError(
                f"--focus-run {name}",
                f"its {key} differs from that of the measured run",
                "take all focus positions with one telescope, camera and filter",
            )
    images = star_images(tracks, facts.blur_time_s, facts.scale_arcsec, {})
    if images is None:
        raise InputError(f"--focus-run {name}", "no star image could be stacked", "leave it out")
    return focus_run(name, float(position), images, facts, _grid_of(tracks, facts))


def _grid_of(tracks: StarTracks, facts: Facts) -> GridData | None:
    if tracks.cadence_s is None or tracks.timing == "irregular":
        return None
    assert facts.scale_arcsec is not None  # noqa: S101 - callers have checked
    motion = fit_common_motion(tracks)
    grid = grid_data(tracks, motion, scale_arcsec=facts.scale_arcsec, cadence_s=tracks.cadence_s)
    return None if grid is None else align_rows(grid)
