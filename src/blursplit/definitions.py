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
from numpy.typing import NDArray

from blursplit import constants as const
from blursplit.image.otf import defocus_otf, half_maximum_width, scaled_frequencies, telescope_otf
from blursplit.image.stack import about_window_mean, window_number
from blursplit.turbulence.conversions import structure_function
from blursplit.types import FloatArray, IntArray

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
        return {owner: motion_covariance(self, owner) for owner in (*OWNERS, STEADY)}

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


def in_windows(history: History, blur_time_s: float) -> History:
    """Return the history with each path about its own mean in windows of the blur time."""
    window = window_number(history.time_s, history.segment, blur_time_s)
    paths = {owner: about_window_mean(path, window) for owner, path in history.path_arcsec.items()}
    return replace(history, path_arcsec=paths)


def motion_covariance(history: History, owner: str) -> FloatArray:
    """Return the covariance of an owner's motion [arcsec^2], shape (2, 2).

    Of a history `in_windows`: inside windows of the blur time, each about its own mean, and with
    what happens inside the frames.
    """
    out = np.zeros((2, 2))
    path = history.path_arcsec.get(owner)
    if path is not None and len(path):
        out = path.T @ path / len(path)
    inside = history.inside_arcsec2.get(owner)
    return out if inside is None else out + np.asarray(inside).reshape(-1, 2, 2).mean(axis=0)


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


def width(history: History, without: Iterable[str] = (), *, open_left: float = 1.0) -> float:
    """Return the FWHM [arcsec] of a history `in_windows` without these causes.

    `without`: any of `CAUSES`. `open_left`: part of the open motion's variance that stays.
    """
    # Cures that differ by causes which are not there leave the same image.
    removed, known = history.present.intersection(without), history.widths_arcsec
    if (removed, open_left) not in known:
        image = _Image.of(history, removed, open_left)
        otf = image.base()
        for factor in (image.air(), image.optics(), image.motion()):
            if factor is not None:
                otf = otf * factor
        known[removed, open_left] = image.size_arcsec * half_maximum_width(otf)
    return known[removed, open_left]


def savings(history: History) -> dict[str, tuple[float, float]]:
    """Return the fraction of the width that each cure saves, least and most.

    Of a history `in_windows`. Open motion gives two readings: it stays with the air, but for what a
    witness shows to be mechanics of unknown owner; or it goes with the cured cause. A saving may be
    negative.
    """

    def left(removed: Iterable[str], open_left: float = 1.0) -> float:
        return width(history, removed, open_left=open_left)

    whole = left(())
    has_open = "open" in history.present
    shakers = {"optics"} if history.optics_may_shake else set()
    shakers |= {STEADY} & history.inside_arcsec2.keys()
    out = {}
    for cure, removed in CURES.items():
        least = most = left(removed)
        if has_open and cure in _MOVING:
            most = left(removed | {"open"})
            if cure == "mechanics" and history.open_is_air < 1.0:
                least = left(removed, history.open_is_air)
        if has_open and cure in {"near_air", "atmosphere"}:
            most = left(removed, 1.0 - history.open_is_air)
        if cure in {"structure", "mechanics"} and shakers:
            most = left(removed | {"open"} | shakers)
        if cure == "optics" and history.optics_may_shake:
            least = whole
        pair = [1.0 - least / whole, 1.0 - most / whole]
        if cure == "optics" and history.defocus_share > 0:
            # frames hardly tell a Gaussian from a defocus of as wide rays, which costs less width
            pair.append(1.0 - least / width(replace(history, defocus_share=0.0)))
        out[cure] = (min(pair), max(pair))
    return out


def shares(history: History) -> dict[str, float]:
    """Return each cause's share of the width above the base, summing to one (zero for none).

    How much the width falls when a cause is removed, averaged over all orders of removal (the
    value of Shapley 1953 in the theory of games).
    """
    there = history.present | ({"open"} if STEADY in history.present else set())
    present = [cause for cause in CAUSES if cause in there]
    widths = {
        frozenset(chosen): width(history, _all_but(chosen))
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


def _all_but(kept: Iterable[str]) -> set[str]:
    left = set(CAUSES).difference(kept)
    return left | {STEADY} if "open" in left else left


# --- images ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Image:
    """Transfer functions of a history's causes on frequencies that suit its image.

    `fx` and `fy` [cycles/arcsec] have shape (2 n + 1, n + 1), `pupil` is the baseline there over
    the aperture; `step` is their step along the second axis of the arrays and, in its second
    column, along the first.
    """

    history: History
    removed: frozenset[str]
    open_left: float
    fx: FloatArray
    fy: FloatArray
    pupil: FloatArray
    step: FloatArray
    size_arcsec: float

    @classmethod
    def of(cls, history: History, removed: frozenset[str], open_left: float) -> _Image:
        values, vectors = np.linalg.eigh(_rough_covariance(history, removed, open_left))
        scale = const.FWHM_PER_SIGMA * np.sqrt(values)
        trail = float(scale[1] / scale[0])
        # a long trail has ends as sharp as the star is narrow
        fineness = math.ceil(0.5 * trail) if trail > const.FWHM_LONG_TRAIL else 1
        unit_x, unit_y = scaled_frequencies(min(fineness, const.FWHM_MOST_FINENESS))
        along = vectors / scale
        fx = along[0, 1] * unit_x + along[0, 0] * unit_y
        fy = along[1, 1] * unit_x + along[1, 0] * unit_y
        step = along[:, ::-1] * (const.FWHM_HIGHEST / const.FWHM_N_FREQUENCY)
        size = float(np.sqrt(scale.prod()))
        telescope = history.conditions
        pupil = np.hypot(fx, fy) * (
            const.ARCSEC_PER_RADIAN * telescope.wavelength_m / telescope.aperture_m
        )
        return cls(history, removed, open_left, fx, fy, pupil, step, size)

    def base(self) -> FloatArray:
        telescope = self.history.conditions
        out = _read(_pupil_table(telescope.obstruction), self.pupil)
        return np.asarray(out * self._pixel(0) * self._pixel(1))

    def _pixel(self, side: int) -> FloatArray:
        """Transfer function of one side of the square pixel, sin(x)/x with x = pi side f.

        The sine of a plane is that of a sum: sines of every point would take most of the time.
        """
        (rows, columns), step = self.fx.shape, np.pi * self.history.conditions.pixel_arcsec
        x = np.arange(columns) * (step * self.step[side, 0])
        y = (np.arange(rows)[:, None] - rows // 2) * (step * self.step[side, 1])
        sine = np.sin(y) * np.cos(x) + np.cos(y) * np.sin(x)
        return np.asarray(np.divide(sine, x + y, out=np.ones_like(sine), where=x + y != 0.0))

    def air(self) -> FloatArray | None:
        history = self.history
        baseline = self.pupil * history.conditions.aperture_m
        exponent = None
        for cause, strength, outer in (
            ("atmosphere", history.strength, history.outer_scale_m),
            ("near_air", history.near_strength, history.near_outer_scale_m),
        ):
            if strength > 0 and cause not in self.removed:
                part = 0.5 * strength * _structure(baseline, outer)
                exponent = part if exponent is None else exponent + part
        return None if exponent is None else np.exp(-exponent)

    def optics(self) -> FloatArray | None:
        history, telescope = self.history, self.history.conditions
        if "optics" not in history.present - self.removed:
            return None
        rest = (1.0 - history.defocus_share) * history.optics_arcsec2
        out = _gaussian(rest, self.fx, self.fy)
        sigma = math.sqrt(0.5 * history.defocus_share * float(np.trace(history.optics_arcsec2)))
        if sigma > 0:
            where = telescope.aperture_m, telescope.wavelength_m, telescope.obstruction
            out = out * np.interp(self.pupil, *_defocus_table(round(sigma, 3), *where))
        return np.asarray(out)

    def motion(self) -> FloatArray | None:
        history = self.history
        left = {
            owner: math.sqrt(self.open_left) if owner == "open" else 1.0
            for owner in (*OWNERS, STEADY)
            if owner not in self.removed
        }
        out = None
        places = sum(
            factor * history.places_arcsec[owner]
            for owner, factor in left.items()
            if factor > 0 and owner in history.path_arcsec
        )
        if np.any(places):
            out = _of_path(places @ self.step, self.fx.shape[1] - 1)
        for owner, factor in left.items():
            inside = history.inside_arcsec2.get(owner)
            if inside is None or not np.any(inside) or factor <= 0:
                continue
            tensors = factor**2 * np.asarray(inside).reshape(-1, 2, 2)
            blur = np.mean([_gaussian(t, self.fx, self.fy) for t in tensors], axis=0)
            out = blur if out is None else out * blur
        return out


def _rough_covariance(history: History, removed: frozenset[str], open_left: float) -> FloatArray:
    """Return a covariance good enough to choose the sampling [arcsec^2]."""
    telescope = history.conditions
    diffraction = 1.03 * telescope.wavelength_m / telescope.aperture_m * const.ARCSEC_PER_RADIAN
    j = (0.0 if "atmosphere" in removed else history.strength) + (
        0.0 if "near_air" in removed else history.near_strength
    )
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


def _read(table: FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate a table of even steps from 0 to 1, which goes on as it ends."""
    place = np.minimum(at, 1.0) * (len(table) - 1)
    lower = np.minimum(place.astype(np.int64), len(table) - 2)
    low = table[lower]
    return np.asarray(low + (place - lower) * (table[lower + 1] - low))


@functools.lru_cache(maxsize=8)
def _pupil_table(obstruction: float) -> FloatArray:
    """Tabulate the telescope's transfer function; interpolating errs by less than 1e-6."""
    return telescope_otf(np.linspace(0.0, 1.0, 4001), obstruction)


@functools.lru_cache(maxsize=256)
def _defocus_table(
    sigma_arcsec: float, aperture_m: float, wavelength_m: float, obstruction: float
) -> tuple[FloatArray, FloatArray]:
    """Tabulate what a defocus does to the telescope's transfer function."""
    u = np.linspace(0.0, 1.0, 161)
    return u, defocus_otf(
        u,
        sigma_arcsec,
        obstruction=obstruction,
        aperture_m=aperture_m,
        wavelength_m=wavelength_m,
    )


def _structure(baseline_m: FloatArray, outer_scale_m: float) -> FloatArray:
    """Structure function for r0 = 1 m; the outer scale is rounded to half a per cent."""
    table = _structure_table(round(200.0 * math.log(outer_scale_m)))
    log_d = np.interp(np.log(np.maximum(baseline_m, 1e-4)), *table)
    return np.asarray(np.where(baseline_m > 0, np.exp(log_d), 0.0))


@functools.lru_cache(maxsize=2048)
def _structure_table(outer_scale_step: int) -> tuple[FloatArray, FloatArray]:
    log_baseline = np.linspace(np.log(1e-4), np.log(1e2), 600)
    outer_scale_m = math.exp(outer_scale_step / 200.0)
    return log_baseline, np.log(structure_function(np.exp(log_baseline), 1.0, outer_scale_m))


def _gaussian(covariance: FloatArray, fx: FloatArray, fy: FloatArray) -> FloatArray:
    form = covariance[0, 0] * fx**2 + covariance[1, 1] * fy**2 + 2 * covariance[0, 1] * fx * fy
    return np.asarray(np.exp(-2.0 * np.pi**2 * form))


def _some_places(path: FloatArray) -> FloatArray:
    """Return at most PATH_PLACES places of a path, one from each equal stretch of it.

    At a random place of the stretch, the same for every path of this length: even steps would
    beat with a mode.
    """
    n = len(path)
    if n <= const.PATH_PLACES:
        return path
    jitter = np.random.default_rng(n).random(const.PATH_PLACES)
    return np.asarray(
        path[((np.arange(const.PATH_PLACES) + jitter) * (n / const.PATH_PLACES)).astype(int)]
    )


def _of_path(turns: FloatArray, finest: int) -> FloatArray:
    """Return the transfer function of a motion along a path, its mean exp(2 pi i f x).

    `turns`, shape (n, 2), are the path's places times the steps of frequency along both axes,
    of which there are `finest` along the first.
    """
    x = _powers(2.0 * np.pi * turns[:, 0], finest)
    y = _powers(2.0 * np.pi * turns[:, 1], const.FWHM_N_FREQUENCY)
    # real products: both signs of the frequency come of the same four
    product = np.concatenate([y.real, y.imag]) @ np.concatenate([x.real, x.imag]).T
    (cc, cs), (sc, ss) = (np.split(half, 2, axis=1) for half in np.split(product, 2))
    out = np.concatenate([((cc + ss) + 1j * (cs - sc))[:0:-1], (cc - ss) + 1j * (cs + sc)])
    return np.asarray(out / len(turns), dtype=np.complex128)


def _powers(angle: FloatArray, n: int) -> NDArray[np.complex64]:
    """Return exp(i k angle) for k = 0 to n, shape (n + 1, n_angles)."""
    out = np.empty((n + 1, len(angle)), dtype=np.complex64)
    out[0], out[1] = 1.0, np.exp(1j * angle)
    known = 1
    while known < n:
        more = min(known, n - known)
        np.multiply(out[1 : more + 1], out[known], out=out[known + 1 : known + more + 1])
        known += more
    return out
