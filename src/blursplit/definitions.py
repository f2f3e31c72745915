"""What every printed number means, read off a history.

A history is one possible course of this very run: how strong the air was, what the optics did,
and for each owner of motion its path at frame times and its blur inside the frames. The estimator
reads its draws off with these functions, and the simulator its truth, so that both speak of the
same quantity.

Widths are diameters of the circle with the area of the image above half its maximum. The base (a
perfect telescope of this aperture and obstruction, and the pixel) is in every image; air, motion
and optics multiply its transfer function. Motions enter by their path itself, since a drift or a
ringing mode is no Gaussian.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from blursplit import constants as const
from blursplit.compiled import kernels
from blursplit.image.otf import HalfMaximum, defocus_otf, telescope_otf
from blursplit.image.stack import BlurWindows
from blursplit.turbulence.conversions import structure_function
from blursplit.types import ComplexArray, FloatArray, IntArray

OWNERS = ("tracking", "structure", "open")
STEADY = "steady"
CAUSES = ("atmosphere", "near_air", "tracking", "structure", "optics", "open")
# What a cure removes; `open` follows in the reading in which it belongs to the cured.
_MOVING = frozenset({"tracking", "structure", "mechanics"})
CURES: dict[str, frozenset[str]] = {
    "tracking": frozenset({"tracking"}),
    "structure": frozenset({"structure"}),
    "mechanics": frozenset({"tracking", "structure"}),
    "near_air": frozenset({"near_air"}),
    "optics": frozenset({"optics"}),
    "atmosphere": frozenset({"atmosphere", "near_air"}),
}


@dataclass(frozen=True)
class Conditions:
    """The telescope and camera that a history was recorded with."""

    aperture_m: float
    obstruction: float
    wavelength_m: float
    pixel_arcsec: float


@dataclass(frozen=True)
class History:
    """One possible course of a run."""

    conditions: Conditions
    # `time_s`, `segment`: (n,): moments of the paths, and the stretch without gap or dither each
    # belongs to.
    time_s: FloatArray
    segment: IntArray
    # By owner, (n, 2): motion at those moments, exposure averaged if there
    # is blur inside the frames.
    path_arcsec: Mapping[str, FloatArray] = field(default_factory=dict)
    # By owner, (2, 2) or (m, 2, 2): blur tensor of the motion inside the
    # frames: its mean, or one a frame. `steady` beside the owners: constant blur beyond stated
    # optics, which may be a vibration.
    inside_arcsec2: Mapping[str, FloatArray] = field(default_factory=dict)
    # `strength`, `near_strength`: r0^(-5/3) of the air outside and of near air along the line of
    # sight [m^(-5/3)].
    strength: float = 0.0
    outer_scale_m: float = 25.0
    near_strength: float = 0.0
    near_outer_scale_m: float = 1.0
    # (2, 2): blur tensor of focus, figure, collimation and dispersion.
    optics_arcsec2: FloatArray = field(default_factory=lambda: np.zeros((2, 2)))
    # Part of the optics' variance that acts as a defocus; the rest is Gaussian.
    defocus_share: float = 0.0
    # Part of the open motion's variance that no witness shows to be mechanical.
    open_is_air: float = 1.0
    # Whether all of the optics may as well be a steady vibration inside the frames.
    optics_may_shake: bool = False

    # --- what is asked of one history many times --------------------------------------------------

    @functools.cached_property
    def covariance_arcsec2(self) -> dict[str, FloatArray]:
        """`motion_covariance` of each owner."""
        return {owner: self.motion_covariance(owner) for owner in (*OWNERS, STEADY)}

    @functools.cached_property
    def places_arcsec(self) -> dict[str, FloatArray]:
        """Some places of each owner's path."""
        return {owner: _some_places(path) for owner, path in self.path_arcsec.items()}

    @functools.cached_property
    def present(self) -> frozenset[str]:
        """Causes that are there at all, steady blur among them."""
        moving = {owner for owner, tensor in self.covariance_arcsec2.items() if np.any(tensor)}
        others = {
            "atmosphere": self.strength > 0,
            "near_air": self.near_strength > 0,
            "optics": np.any(self.optics_arcsec2),
        }
        return frozenset(moving | {cause for cause, there in others.items() if there})

    @functools.cached_property
    def widths_arcsec(self) -> dict[tuple[frozenset[str], float], float]:
        """Widths that were asked for, by the causes removed and what is left of open motion."""
        return {}

    def in_windows(self, blur_time_s: float) -> History:
        """Return the history with each path about its own mean in windows of the blur time."""
        windows = BlurWindows.of(self.time_s, self.segment, blur_time_s)
        paths = {owner: windows.about_mean(path) for owner, path in self.path_arcsec.items()}
        return replace(self, path_arcsec=paths)

    def motion_covariance(self, owner: str) -> FloatArray:
        """Return the covariance of an owner's motion [arcsec^2], shape (2, 2).

        Of a history `in_windows`: inside windows of the blur time, each about its own mean, and
        with what happens inside the frames.
        """
        out = np.zeros((2, 2))
        path = self.path_arcsec.get(owner)
        if path is not None and len(path):
            out = path.T @ path / len(path)
        inside = self.inside_arcsec2.get(owner)
        return out if inside is None else out + np.asarray(inside).reshape(-1, 2, 2).mean(axis=0)

    def savings(self) -> dict[str, tuple[float, float]]:
        """Return the fraction of the width that each cure saves, least and most.

        Of a history `in_windows`. Open motion gives two readings: it stays with the air, but for
        what a witness shows to be mechanics of unknown owner; or it goes with the cured cause. A
        saving may be negative.
        """

        def left(removed: Iterable[str], open_left: float = 1.0) -> float:
            return self.width(removed, open_left=open_left)

        whole = left(())
        has_open = "open" in self.present
        shakers = {"optics"} if self.optics_may_shake else set()
        shakers |= {STEADY} & self.inside_arcsec2.keys()
        out = {}
        for cure, removed in CURES.items():
            least = most = left(removed)
            if has_open and cure in _MOVING:
                most = left(removed | {"open"})
                if cure == "mechanics" and self.open_is_air < 1.0:
                    least = left(removed, self.open_is_air)
            if has_open and cure in {"near_air", "atmosphere"}:
                most = left(removed, 1.0 - self.open_is_air)
            if cure in {"structure", "mechanics"} and shakers:
                most = left(removed | {"open"} | shakers)
            if cure == "optics" and self.optics_may_shake:
                least = whole
            pair = [1.0 - least / whole, 1.0 - most / whole]
            if cure == "optics" and self.defocus_share > 0:
                # frames hardly tell a Gaussian from a defocus as wide, which costs less width
                pair.append(1.0 - least / replace(self, defocus_share=0.0).width())
            out[cure] = (min(pair), max(pair))
        return out

    def shares(self) -> dict[str, float]:
        """Return each cause's share of the width above the base, summing to one (zero for none).

        How much the width falls when a cause is removed, averaged over all orders of removal (the
        value of Shapley 1953 in the theory of games).
        """
        there = self.present | ({"open"} if STEADY in self.present else set())
        present = [cause for cause in CAUSES if cause in there]
        widths = {
            frozenset(chosen): self.width(_all_but(chosen))
            for size in range(len(present) + 1)
            for chosen in itertools.combinations(present, size)
        }
        above = widths[frozenset(present)] - widths[frozenset()]
        out = dict.fromkeys(CAUSES, 0.0)
        if above <= 0:
            return out
        n = len(present)
        for cause in present:
            for chosen, seen in widths.items():
                if cause in chosen:
                    size = len(chosen) - 1
                    weight = math.factorial(size) * math.factorial(n - size - 1) / math.factorial(n)
                    out[cause] += weight * (seen - widths[chosen - {cause}]) / above
        return out

    def width(self, without: Iterable[str] = (), *, open_left: float = 1.0) -> float:
        """Return the FWHM [arcsec] of a history `in_windows` without these causes.

        `without`: any of `CAUSES`. `open_left`: part of the open motion's variance that stays.
        """
        # Cures that differ by causes which are not there leave the same image.
        removed, known = self.present.intersection(without), self.widths_arcsec
        if (removed, open_left) not in known:
            step, columns, size_arcsec = _sampling(self, removed, open_left)
            still = _without_paths(self, removed, open_left, step, columns)
            places = sum(
                factor * self.places_arcsec[owner]
                for owner, factor in _moving(removed, open_left).items()
                if factor > 0 and owner in self.path_arcsec
            )
            path = _of_path(places @ step, columns - 1) if np.any(places) else 1.0
            known[removed, open_left] = size_arcsec * HalfMaximum.mean_of(still * path)
        return known[removed, open_left]


def turn(angle_deg: float) -> FloatArray:
    """Return the matrix that turns rows (x, y), multiplied from the left, from +x toward +y."""
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.array([[c, s], [-s, c]])


def principal_axes(covariance: FloatArray) -> tuple[float, float, float]:
    """Return rms along the larger axis, along the smaller, and its angle [0, 180) deg."""
    values, vectors = np.linalg.eigh(covariance)
    angle = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
    minor, major = np.sqrt(np.clip(values, 0.0, None))
    return float(major), float(minor), angle


def _all_but(kept: Iterable[str]) -> set[str]:
    left = set(CAUSES).difference(kept)
    return left | {STEADY} if "open" in left else left


# --- images ---------------------------------------------------------------------------------------


def _sampling(
    history: History, removed: frozenset[str], open_left: float
) -> tuple[FloatArray, int, float]:
    """Return how the transfer function of an image is sampled, and its rough width [arcsec].

    That is the step of both frequencies [cycles/arcsec] from column to column and from row to row,
    shape (2, 2), and how many columns there are.
    """
    values, vectors = np.linalg.eigh(_rough_covariance(history, removed, open_left))
    scale = const.FWHM_PER_SIGMA * np.sqrt(values)
    trail = float(scale[1] / scale[0])
    # a long trail has ends as sharp as the star is narrow
    fineness = math.ceil(0.5 * trail) if trail > const.FWHM_LONG_TRAIL else 1
    fineness = min(fineness, const.FWHM_MOST_FINENESS)
    step = (vectors / scale)[:, ::-1] * (const.FWHM_HIGHEST / const.FWHM_N_FREQUENCY)
    columns = fineness * const.FWHM_N_FREQUENCY + 1
    return np.ascontiguousarray(step), columns, float(np.sqrt(scale.prod()))


def _moving(removed: frozenset[str], open_left: float) -> dict[str, float]:
    """Return what is left of each owner's motion that is not removed."""
    return {
        owner: math.sqrt(open_left) if owner == "open" else 1.0
        for owner in (*OWNERS, STEADY)
        if owner not in removed
    }


def _without_paths(
    history: History, removed: frozenset[str], open_left: float, step: FloatArray, columns: int
) -> FloatArray:
    """Return the transfer function of all but the paths: base, air, optics, blur in the frames."""
    telescope = history.conditions
    radial = [_pupil_table(telescope.obstruction)]
    groups = []
    if "optics" in history.present - removed:
        groups.append((1.0 - history.defocus_share) * history.optics_arcsec2)
        sigma = math.sqrt(0.5 * history.defocus_share * float(np.trace(history.optics_arcsec2)))
        if sigma > 0:
            where = telescope.aperture_m, telescope.wavelength_m, telescope.obstruction
            radial.append(_defocus_table(round(sigma, 3), *where))
    for owner, factor in _moving(removed, open_left).items():
        inside = history.inside_arcsec2.get(owner)
        if inside is not None and np.any(inside) and factor > 0:
            groups.append(factor**2 * np.asarray(inside))
    tensors = [group.reshape(-1, 2, 2) for group in groups]
    layers = [
        np.log(0.5 * strength) + _structure_table(round(const.OUTER_SCALE_STEPS * math.log(outer)))
        for cause, strength, outer in (
            ("atmosphere", history.strength, history.outer_scale_m),
            ("near_air", history.near_strength, history.near_outer_scale_m),
        )
        if strength > 0 and cause not in removed
    ]
    highest = telescope.aperture_m / telescope.wavelength_m / const.ARCSEC_PER_RADIAN
    out = np.empty((2 * const.FWHM_N_FREQUENCY + 1, columns))
    kernels("air").without_paths(
        step,
        highest,
        tuple(radial),
        np.reshape(layers, (len(layers), const.STRUCTURE_TABLE_POINTS)),
        np.log(const.STRUCTURE_TABLE_M) - math.log(telescope.aperture_m),
        np.concatenate([np.empty((0, 2, 2)), *tensors]),
        np.cumsum([0, *map(len, tensors)]),
        telescope.pixel_arcsec,
        out,
    )
    return out


def _rough_covariance(history: History, removed: frozenset[str], open_left: float) -> FloatArray:
    """Return a covariance good enough to choose the sampling [arcsec^2]."""
    telescope = history.conditions
    diffraction = 1.03 * telescope.wavelength_m / telescope.aperture_m * const.ARCSEC_PER_RADIAN
    strengths = {"atmosphere": history.strength, "near_air": history.near_strength}
    j = sum(strength for cause, strength in strengths.items() if cause not in removed)
    air = const.SEEING_IN_LAMBDA_OVER_R0 * telescope.wavelength_m * j**0.6 * const.ARCSEC_PER_RADIAN
    round_width2 = diffraction**2 + (0.8 * telescope.pixel_arcsec) ** 2 + air**2
    out = round_width2 / const.FWHM_PER_SIGMA**2 * np.eye(2)
    if "optics" not in removed:
        out = out + history.optics_arcsec2
    for owner in (*OWNERS, STEADY):
        if owner not in removed:
            factor = open_left if owner == "open" else 1.0
            out = out + factor * history.covariance_arcsec2[owner]
    return np.asarray(out)


@functools.lru_cache(maxsize=8)
def _pupil_table(obstruction: float) -> FloatArray:
    """Tabulate the telescope's transfer function; interpolating errs by less than 1e-6."""
    return telescope_otf(np.linspace(0.0, 1.0, 4001), obstruction)


@functools.lru_cache(maxsize=256)
def _defocus_table(
    sigma_arcsec: float, aperture_m: float, wavelength_m: float, obstruction: float
) -> FloatArray:
    """Tabulate what a defocus does to the telescope's transfer function."""
    telescope = {"obstruction": obstruction, "aperture_m": aperture_m, "wavelength_m": wavelength_m}
    return defocus_otf(np.linspace(0.0, 1.0, 161), sigma_arcsec, **telescope)


@functools.lru_cache(maxsize=2048)
def _structure_table(outer_scale_step: int) -> FloatArray:
    """Tabulate ln of the structure function for r0 = 1 m, evenly in ln baseline."""
    baseline_m = np.geomspace(*const.STRUCTURE_TABLE_M, const.STRUCTURE_TABLE_POINTS)
    outer_scale_m = math.exp(outer_scale_step / const.OUTER_SCALE_STEPS)
    return np.asarray(np.log(structure_function(baseline_m, 1.0, outer_scale_m)))


def _some_places(path: FloatArray) -> FloatArray:
    """Return at most PATH_PLACES places of a path, one from each equal stretch of it.

    At a random place of the stretch, the same for every path of this length: even steps would
    beat with a mode.
    """
    n = len(path)
    if n <= const.PATH_PLACES:
        return path
    stretch = np.arange(const.PATH_PLACES) + np.random.default_rng(n).random(const.PATH_PLACES)
    return np.asarray(path[(stretch * (n / const.PATH_PLACES)).astype(int)])


def _of_path(turns: FloatArray, finest: int) -> ComplexArray:
    """Return the transfer function of a motion along a path, its mean exp(2 pi i f x).

    `turns`, shape (n, 2), are the path's places times the steps of frequency along both axes,
    of which there are `finest` along the first.
    """
    x = np.empty((2, finest + 1, len(turns)), dtype=np.float32)
    y = np.empty((2, const.FWHM_N_FREQUENCY + 1, len(turns)), dtype=np.float32)
    for angle, powers in zip(2.0 * np.pi * turns.T, (x, y), strict=True):
        kernels("air").powers(angle, *powers)
    # real products: both signs of the frequency come of the same four
    product = y.reshape(-1, len(turns)) @ x.reshape(-1, len(turns)).T / len(turns)
    (cc, cs), (sc, ss) = (np.split(half, 2, axis=1) for half in np.split(product, 2))
    n = len(cc)
    out = np.empty((2 * n - 1, finest + 1), dtype=complex)
    out.real[: n - 1], out.imag[: n - 1] = (cc + ss)[:0:-1], (cs - sc)[:0:-1]
    out.real[n - 1 :], out.imag[n - 1 :] = cc - ss, cs + sc
    return out
