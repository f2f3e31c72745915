"""Results and archives made to order, and a stand-in for the measurement."""

from __future__ import annotations

import os
import sys
import textwrap
from typing import TYPE_CHECKING

import numpy as np
import pytest

from blursplit.result import (
    Atmosphere,
    Estimate,
    Fwhm,
    InstrumentPart,
    Line,
    Result,
    SequenceInfo,
    Structure,
    Tracking,
)
from blursplit.rig import Setting

if TYPE_CHECKING:
    from pathlib import Path


def estimate(value: float, sigma: float) -> Estimate:
    """Return a Gaussian estimate."""
    return Estimate(
        value=value,
        low=value - sigma,
        high=value + sigma,
        low95=value - 1.96 * sigma,
        high95=value + 1.96 * sigma,
    )


def limit(high: float) -> Estimate:
    """Return an upper limit."""
    return Estimate(value=None, low=0.0, high=high, high95=high)


def line(hz: float, rms: float, **more: object) -> Line:
    """Return a well measured shared line."""
    values: dict[str, object] = {
        "frequency_hz": estimate(hz, 0.02),
        "rms_arcsec": estimate(rms, 0.05 * rms),
        "false_alarm_probability": 1e-6,
        "shared_probability": 0.99,
        "kind": "steady",
    }
    return Line(**(values | more))


def result(**changes: object) -> Result:
    """Return a plausible result of a 0.2 m telescope at 50 frames a second."""
    structure = changes.pop("structure", estimate(0.5, 0.05))
    seeing = changes.pop("seeing", estimate(1.5, 0.1))
    values: dict[str, object] = {
        "sequence": SequenceInfo(
            name=str(changes.pop("name", "run")),
            files=1,
            frames=1500,
            frames_used=1500,
            stars_used=5,
            frame_exposure_s=0.01,
            cadence_s=changes.pop("cadence_s", 0.02),
            duration_s=changes.pop("duration_s", 30.0),
            start_utc=changes.pop("start_utc", None),
            wavelength_m=550e-9,
            airmass=1.0,
        ),
        "setup": {
            "aperture_m": Setting(value=0.2, origin="setup file"),
            "outer_scale_m": Setting(value=[10.0, 50.0], origin="default"),
            "wind_m_s": Setting(value=[2.0, 30.0], origin="default"),
        },
        "fwhm": Fwhm(
            blur_time_s=changes.pop("blur_time_s", 30.0),
            recorded_arcsec=changes.pop("recorded", estimate(2.2, 0.05)),
        ),
        "atmosphere": Atmosphere(seeing_500nm_zenith_arcsec=seeing),
        "structure": Structure(
            rms_major_arcsec=structure,
            rms_minor_arcsec=estimate(0.1, 0.02),
            angle_deg=estimate(30.0, 2.0),
        ),
        "tracking": Tracking(
            rms_major_arcsec=estimate(0.2, 0.03),
            drift_arcsec_per_min=changes.pop("drift", estimate(0.5, 0.1)),
        ),
        "instrument": InstrumentPart(fwhm_arcsec=estimate(0.7, 0.05)),
    }
    values["motion"] = {"noise_rms_arcsec": changes.pop("noise", 0.03)}
    return Result(**(values | changes))


@pytest.fixture
def make():
    """Return the makers of estimates, limits, lines and results as one namespace."""
    import types

    return types.SimpleNamespace(estimate=estimate, limit=limit, line=line, result=result)


STANDIN = '''
"""Measures nothing: answers from the OBJECT keyword, so that the machinery around can be tested."""
import os, signal, time
from pathlib import Path
from types import SimpleNamespace

from blursplit.errors import InputError
from blursplit.result import Result, SequenceInfo


def measure(paths, rig, *, blur_time):
    cards = Path(paths[0]).read_bytes()[:2880].decode("ascii")
    name = cards.partition("OBJECT  = '")[2].partition("'")[0].strip()
    log = Path(os.environ["STANDIN_LOG"])
    (log / f"{name}-{os.getpid()}-{time.monotonic_ns()}").touch()
    if name == "BAD":
        raise InputError(paths[0], "no star", "point at one")
    if name == "BOOM":
        raise ZeroDivisionError("inside")
    if name == "DIE":
        os.kill(os.getpid(), signal.SIGKILL)
    if name == "DIE-ONCE" and not (log / "died").exists():
        (log / "died").touch()
        os.kill(os.getpid(), signal.SIGKILL)
    wait_for = os.environ.get("STANDIN_GATE")
    if wait_for and name.startswith("GATED"):
        while not Path(wait_for).exists():
            time.sleep(0.02)
    info = SequenceInfo(name=name, files=len(paths), frames=len(paths), frames_used=len(paths),
                        stars_used=3)
    return SimpleNamespace(result=Result(sequence=info))
'''


@pytest.fixture
def standin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Return (name of a measure function importable everywhere, folder with one file a call)."""
    code, log = tmp_path / "code", tmp_path / "calls"
    code.mkdir()
    log.mkdir()
    (code / "campaign_standin.py").write_text(textwrap.dedent(STANDIN))
    monkeypatch.syspath_prepend(str(code))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(code), *sys.path]))
    monkeypatch.setenv("STANDIN_LOG", str(log))
    yield "campaign_standin:measure", log
    sys.modules.pop("campaign_standin", None)


def write_frames(
    folder: Path,
    name: str,
    n: int = 4,
    start: str = "2026-03-01T20:00:00",
    step_s: float = 30.0,
    seed: int = 0,
    **cards: object,
) -> list[Path]:
    """Write single frames of a target; pixels are random, so that no two are the same."""
    from datetime import datetime, timedelta

    from astropy.io import fits

    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([seed, *name.encode()])
    paths = []
    for index in range(n):
        hdu = fits.PrimaryHDU(rng.integers(0, 4000, (16, 20)).astype(np.int16))
        moment = datetime.fromisoformat(start) + timedelta(seconds=index * step_s)
        hdu.header["OBJECT"] = name
        hdu.header["DATE-OBS"] = moment.isoformat()
        hdu.header["EXPTIME"] = 20.0
        hdu.header.update(cards)
        path = folder / f"{name}-{seed}-{start[:10]}-{index}.fits"
        hdu.writeto(path)
        paths.append(path)
    return paths


@pytest.fixture
def frames():
    """Return the writer of single frames."""
    return write_frames
