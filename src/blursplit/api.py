"""What people may hand in, turned into records: the public calls beside `measure`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from blursplit.campaign.accept import Acceptance
from blursplit.campaign.compare import compare as compare_results
from blursplit.campaign.compare_record import Comparison
from blursplit.campaign.limits import Limits
from blursplit.campaign.plan import Plan
from blursplit.campaign.plan import plan as plan_run
from blursplit.errors import InputError
from blursplit.folder import Measurement
from blursplit.result import Result
from blursplit.rig import Rig, Setup, number_in
from blursplit.series import Series
from blursplit.simulate.scene import Scene

__all__ = ["Simulated", "accept", "compare", "plan", "read", "simulate"]

Night: TypeAlias = Measurement | Result | str | Path
"""A measurement, its result, or the folder that holds it."""


def read(folder: str | Path) -> Measurement:
    """Read a result folder: result, series, images and star tracks.

    Parameters
    ----------
    folder : str or Path

    Raises
    ------
    InputError
        When it is no result, of another edition, damaged, or was changed after it was measured.

    Examples
    --------
    >>> import blursplit as bs
    >>> night = bs.read("night1-result")
    >>> night.tracks.n_frames
    40
    """
    path = Path(folder)
    return Measurement.read(path, with_tracks=(path / "tracks.fits").is_file())


def compare(before: Iterable[Night], after: Iterable[Night], **how: Any) -> Comparison:
    """Compare runs before and after a change.

    Parameters
    ----------
    before, after : iterable of Measurement, Result, str or Path
        At least one each; an A-B-A-B run is all of A before and all of B after.
    **how
        `rng` and `n_draws` of `blursplit.campaign.compare`.

    Examples
    --------
    >>> import blursplit as bs
    >>> found = bs.compare(["before"], ["after"])
    >>> "fwhm.recorded_arcsec" in found.changes
    True
    """
    sides = [[_run(night)[0] for night in _several(side)] for side in (before, after)]
    return compare_results(*sides, **how)


def accept(
    nights: Iterable[Night] | Night,
    limits: str | Path | Limits,
    *,
    tap: Mapping[str, Any] | None = None,
) -> Acceptance:
    """Judge runs against limits.

    Parameters
    ----------
    nights : Measurement, Result, str or Path, or an iterable of them
        Several runs of one telescope are judged together: numbers by their mean, lines by the run
        that shows most.
    limits : str, Path or Limits
        Limits file (TOML), or what was read of one.
    tap : mapping, optional
        Record of `blursplit tap --json`.

    Examples
    --------
    >>> import blursplit as bs
    >>> bs.accept(["before"], "limits.toml").state in {"pass", "fail", "not shown"}
    True
    """
    rules = limits if isinstance(limits, Limits) else Limits.read(Path(limits))
    several = _several(nights)
    if not several:
        raise InputError("accept", "is given no run", "give a result folder or a measurement")
    return Acceptance.of([_run(night) for night in several], rules, tap=tap)


def plan(
    rig: Rig | str | Path,
    *,
    seeing: Any = 2.0,
    stars: int | None = None,
    duration: Any = None,
    damping_ratio: float | None = None,
    night: date | None = None,
) -> Plan:
    """Plan a run: how to record, and what it could show.

    Parameters
    ----------
    rig : Rig, str or Path
        Aperture and pixel scale are needed; a stated exposure or frame interval is kept.
    seeing : Quantity or float [arcsec]
        At 500 nm and zenith.
    stars : int, optional
        Stars to be used, each as bright as the faintest allowed.
    duration : Quantity or float [s], optional
    damping_ratio : float, optional
        Of the structure looked for.
    night : date, optional
        Evening for which fields are listed; needs the site.

    Examples
    --------
    >>> import astropy.units as u
    >>> import blursplit as bs
    >>> run = bs.plan("rig.toml", seeing=2 * u.arcsec, stars=4, duration=1 * u.min)
    >>> f"{run.recording.rate_hz:.0f} frames/s, stars to magnitude {run.recording.faintest_mag:.0f}"
    '50 frames/s, stars to magnitude 11'
    """
    duration_s = None if duration is None else number_in(duration, "s")
    given = {"stars": stars, "duration_s": duration_s, "damping_ratio": damping_ratio}
    known: dict[str, Any] = {key: value for key, value in given.items() if value is not None}
    return plan_run(rig, seeing_arcsec=number_in(seeing, "arcsec"), night=night, **known)


@dataclass(frozen=True)
class Simulated:
    """Frames whose truth is known."""

    frames: NDArray[np.uint16]  # (n_frames, height, width) uint16
    times: Any  # Quantity, shape (n_frames,): middle of each exposure, as its stamp has it
    rig: Rig  # what a setup file would say of telescope and camera
    truth: dict[str, Any]  # what really happened: motions, widths with each cause removed, lines


def simulate(
    scene: Scene | Mapping[str, Any] | str | Path, *, seed: int | None = None
) -> Simulated:
    """Simulate a scene in memory: frames, their times, the rig, and the truth.

    Parameters
    ----------
    scene : Scene, mapping, str or Path
        A scene file (TOML), its tables, or a scene; docs/scene_file.md lists the keys.
    seed : int, optional
        Overrides the scene's own.

    Examples
    --------
    >>> import blursplit as bs
    >>> made = bs.simulate({"sequence": {"frames": 12}, "stars": {"count": 1}}, seed=1)
    >>> made.frames.shape
    (12, 240, 320)
    >>> sorted(made.truth)[:3]
    ['atmosphere', 'blur_time_s', 'duration_s']
    """
    import tomllib

    import astropy.units as u

    from blursplit.simulate.sequence import Simulation

    if isinstance(scene, str | Path):
        scene = Scene.read(Path(scene))
    elif not isinstance(scene, Scene):
        scene = Scene.from_tables(dict(scene), "scene")
    run = Simulation(scene, seed)
    frames = np.concatenate([block for _, block in run.blocks()])
    setup = Setup.model_validate(tomllib.loads(scene.setup_text()))
    middle_s = run.times.stamp_s + 0.5 * scene.camera.exposure_s
    rig = Rig.of_setup(setup).with_setting("exposure_s", scene.camera.exposure_s, "setup file")
    return Simulated(frames, (middle_s - middle_s[0]) * u.s, rig, run.truth())


def _several(nights: Any) -> list[Night]:
    """Return the runs of a side: one by itself or many."""
    if isinstance(nights, Measurement | Result | str | Path):
        return [nights]
    return list(nights)


def _run(night: Night) -> tuple[Result, Series | None]:
    if isinstance(night, Measurement):
        return night.result, night.series
    return (night, None) if isinstance(night, Result) else Measurement.read_parts(Path(night))
