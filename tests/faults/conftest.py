"""A small star field written as FITS, with everything about it known, and the command to run."""

from __future__ import annotations

import datetime as dt
import functools
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from astropy.io import fits
from scipy.special import erf
from typer.testing import CliRunner

from blursplit.cli import app
from blursplit.result import Result

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

START = dt.datetime(2026, 3, 1, 22, 10, 5, 123000, tzinfo=dt.UTC)
INTERVAL_S = 0.05
X = np.array([22.0, 74.0, 50.0, 24.0, 76.0])
Y = np.array([24.0, 22.0, 52.0, 74.0, 76.0])
FLUX = np.array([30e3, 26e3, 34e3, 20e3, 24e3])  # ADU, far above the noise and below saturation


def iso(seconds: float) -> str:
    """Return an ISO time so many seconds after the start."""
    return (START + dt.timedelta(seconds=seconds)).strftime("%Y-%m-%dT%H:%M:%S.%f")


def draw(
    shape: tuple[int, int], x: Any, y: Any, flux: Any, sigma: float = 1.8
) -> NDArray[np.float64]:
    """Draw Gaussian stars, exactly integrated over pixels."""

    def profile(centre: Any, size: int) -> NDArray[np.float64]:
        edges = np.arange(size + 1) - 0.5
        scaled = (edges - np.asarray(centre, dtype=float)[:, None]) / (np.sqrt(2) * sigma)
        return 0.5 * np.diff(erf(scaled), axis=1)

    return (profile(y, shape[0]) * np.asarray(flux)[:, None]).T @ profile(x, shape[1])


@dataclass
class Field:
    """A recorded field: frames to spoil before they are written.

    Parameters
    ----------
    frames : ndarray, shape (n_frames, ny, nx)
    cards : dict
        Header cards of every file; a list gives each frame its own value.
    """

    frames: NDArray[np.float64]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    cards: dict[str, Any] = field(default_factory=dict)

    def files(self, folder: Path, name: str = "f{:04d}.fits") -> Path:
        """Write a file a frame and return the folder."""
        folder.mkdir(parents=True, exist_ok=True)
        for number, frame in enumerate(np.clip(np.rint(self.frames), 0, 65535).astype(np.uint16)):
            header = fits.Header()
            header["EXPTIME"] = 0.01
            header["DATE-OBS"] = iso(number * INTERVAL_S)
            for key, value in self.cards.items():
                header[key] = value[number] if isinstance(value, list) else value
            fits.PrimaryHDU(frame, header).writeto(folder / name.format(number))
        return folder

    def cube(self, path: Path, dtype: Any = np.uint16) -> Path:
        """Write a cube in the primary array and return its path."""
        header = fits.Header()
        header["EXPTIME"], header["FPS"], header["DATE-BEG"] = 0.01, 1 / INTERVAL_S, iso(0.0)
        for key, value in self.cards.items():
            header[key] = value
        frames = self.frames
        if np.issubdtype(dtype, np.integer):
            limits = np.iinfo(dtype)
            frames = np.clip(np.rint(frames), limits.min, limits.max)
        fits.PrimaryHDU(frames.astype(dtype), header).writeto(path)
        return path


def make_field(n: int = 40, **kinds: Any) -> Field:
    """Return a fresh copy of a field, which is made once."""
    made = _made(n, **kinds)
    return Field(made.frames.copy(), made.x_px.copy(), made.y_px.copy())


@functools.cache
def _made(n: int, *, stars: int = 5, shape: tuple[int, int] = (100, 100), seed: int = 1) -> Field:
    """Make a field that wanders by a fraction of a pixel, each star a little on its own."""
    rng = np.random.default_rng(seed)
    shared = np.cumsum(rng.normal(0, 0.05, (n, 2)), axis=0)
    x = X[:stars] + shared[:, :1] + rng.normal(0, 0.05, (n, stars))
    y = Y[:stars] + shared[:, 1:] + rng.normal(0, 0.05, (n, stars))
    return expose(x, y, FLUX[:stars], rng, shape=shape)


def expose(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    flux: Any,
    rng: np.random.Generator,
    *,
    shape: tuple[int, int] = (100, 100),
    sigma: Any = 1.8,
) -> Field:
    """Expose stars at given places, with photon and read noise, a sky and a pedestal.

    `flux` has shape (n_stars,) or (n_frames, n_stars), `sigma` is one number or one a frame.
    """
    n = len(x)
    flux, sigma = np.broadcast_to(flux, x.shape), np.broadcast_to(sigma, n)
    frames = np.empty((n, *shape))
    for i in range(n):
        light = draw(shape, x[i], y[i], flux[i], float(sigma[i])) + 100.0
        frames[i] = rng.poisson(light) + rng.normal(0, 2.0, shape) + 200.0
    return Field(frames, x, y)


@dataclass
class Outcome:
    """What a run of the command left behind."""

    code: int
    stdout: str
    stderr: str
    folder: Path

    @property
    def result(self) -> Result:
        """The result that was written."""
        return Result.from_json((self.folder / "result.json").read_text(encoding="utf-8"))

    @property
    def warnings(self) -> set[str]:
        """The codes of the result's warnings."""
        return {warning.code for warning in self.result.warnings}

    @property
    def told(self) -> str:
        """All that the warnings say."""
        return "\n".join(warning.text for warning in self.result.warnings)

    def accepted(self) -> Result:
        """Return the result, after checking that the run went well."""
        assert self.code == 0, self.stderr
        return self.result

    def wrong_px(self, sky: Field, columns: Any = None) -> NDArray[np.float64]:
        """Return how far each good sample lies from the truth, star by nearest star.

        `columns` picks the true stars that may be followed.
        """
        from blursplit.stars import StarTracks

        tracks = StarTracks.load(self.folder)
        x, y = sky.x_px[tracks.frame], sky.y_px[tracks.frame]
        if columns is not None:
            x, y = x[:, columns], y[:, columns]
        far = np.hypot(tracks.x_px[:, :, None] - x[:, None], tracks.y_px[:, :, None] - y[:, None])
        with np.errstate(invalid="ignore"):
            star = np.nanmedian(far, axis=0).argmin(axis=1)
        assert len(set(star.tolist())) == tracks.n_stars
        return np.where(tracks.good, far[:, np.arange(tracks.n_stars), star], np.nan)

    def refusal(self) -> str:
        """Return the one line of a refusal, after checking that it is one and nothing remains."""
        assert self.code == 2, self.stderr
        assert self.stdout == ""
        (line,) = self.stderr.strip().splitlines()
        assert line.startswith("blursplit: ")
        assert not self.folder.exists()
        left = [entry.name for entry in self.folder.parent.iterdir() if "out" in entry.name]
        assert left == []
        return line


@pytest.fixture
def measure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Run `blursplit measure` on paths; the result goes to `out` beside them.

    The page is left blank: drawing it takes longer than all the rest and is tested elsewhere.
    """
    monkeypatch.setattr("blursplit.report.render_page", lambda *_: "page")

    def run(*arguments: Any) -> Outcome:
        out = tmp_path / "out"
        words = ["measure", *map(str, arguments), "--out", str(out)]
        done = CliRunner().invoke(app, words)
        if done.exception is not None and not isinstance(done.exception, SystemExit):
            raise done.exception
        return Outcome(done.exit_code, done.stdout, done.stderr, out)

    return run


@pytest.fixture(name="make_field")
def _make_field() -> Callable[..., Field]:
    return make_field


@pytest.fixture(name="expose", scope="session")
def _expose() -> Callable[..., Field]:
    return expose


@pytest.fixture(name="iso")
def _iso() -> Callable[[float], str]:
    return iso


@pytest.fixture
def bad_night() -> dict[str, Any]:
    """Return the tables of a scene on whose night much goes wrong."""
    return {
        "telescope": {"aperture_m": 0.25, "obstruction": 0.3, "instrument_fwhm_arcsec": 0.4},
        "camera": {
            "pixel_scale_arcsec": 0.65,
            "width_px": 260,
            "height_px": 200,
            "exposure_s": 0.008,
            "frame_interval_s": 0.03,
            "gain_e_per_adu": 0.8,
            "hot_pixels": 10,
        },
        "air": {"seeing_arcsec": 1.4, "airmass": 1.1},
        "drift": [{"arcsec_per_min": 8.0, "angle_deg": 20.0}],
        "mode": [
            {"frequency_hz": 5.3, "damping_ratio": 0.015, "rms_arcsec": 0.55, "angle_deg": 60.0}
        ],
        "stars": {"count": 6, "seed": 3, "flux_e_per_s": 3e6, "margin_px": 35},
        "sequence": {"frames": 900},
        "faults": {
            "dropped_share": 0.03,
            "clouded_share": 0.04,
            "cosmic_rays_per_frame": 4.0,
            "trail_frames": [250, 251, 252],
            "dither": [{"time_s": 14.0, "dx_px": 7.0, "dy_px": -9.0}],
        },
    }
