"""`blursplit tap`."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError, OutputError, TimingError, TooFewFramesError, plain

if TYPE_CHECKING:
    from rich.console import Console

    from blursplit.estimate import Estimate
    from blursplit.rig import Rig
    from blursplit.spectra.tap_result import TapMode, TapResult
    from blursplit.stars import StarTracks

TAP_FILE = "tap.json"
OTHERS = "could also be [Hz] (then damped by)"


@cli.speaks_plainly
def run(
    sequence: Annotated[list[Path], typer.Argument(help="Frames, a cube, or a RESULT folder.")],
    setup: cli.SetupFile = None,
    set_: cli.Overrides = None,
    settle: Annotated[float, typer.Option(help="Amplitude that counts as still.")] = 0.5,
    reference: Annotated[
        float, typer.Option(help="Amplitude from which settling is stated.")
    ] = 5.0,
    out: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to write tap.json into.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an older tap.json.")] = False,
    json: cli.AsJson = False,
) -> None:
    """Find taps in the motion all stars share and fit the ring-downs after them.

    Record at 50 frames/s or more, tap the pier with the ball of the hand, gently and with no tool,
    three to five times, ten seconds apart.
    """
    from importlib.metadata import version

    from blursplit.folder import write_text_whole
    from blursplit.rig import Rig

    if not 0.0 < settle < 1000.0:  # noqa: PLR2004 - a quarter of a degree is no star any more
        raise InputError("--settle", f"'{settle}' is not a usable angle", "give it in arcsec")
    if not settle < reference < 1000.0:  # noqa: PLR2004
        raise InputError("--reference", f"'{reference}' is not above --settle", "give it in arcsec")
    if out is not None and (out / TAP_FILE).exists() and not replace:
        raise OutputError(out / TAP_FILE, "exists already", "add --replace or name another --out")
    tracks, name, scale = _tracks(sequence, Rig.read(setup, set_ or []))
    result = _measure(tracks, name, scale, settle, reference)
    command = plain(shlex.join(["blursplit", *sys.argv[1:]]))
    result = result.model_copy(update={"version": version("blursplit"), "command": command})
    if out is not None:
        write_text_whole(out / TAP_FILE, result.to_json())
        cli.say(f"tap record written, for `accept --tap`: {out / TAP_FILE}")
    cli.give(result, json, _show)


def _tracks(paths: list[Path], rig: Rig) -> tuple[StarTracks, str, tuple[float, str] | None]:
    """Return tracks, name and pixel scale of a sequence or of a RESULT folder."""
    from blursplit.folder import Measurement, read_result
    from blursplit.frames import open_frames
    from blursplit.report import progress
    from blursplit.stars import StarTracks, follow_stars

    if len(paths) == 1 and Measurement.is_at(paths[0]):
        result = read_result(paths[0])
        key = "pixel_scale_arcsec"
        entry = rig.settings.get(key) or result.setup.get(key)
        scale = (float(entry.value), str(entry.origin)) if entry and entry.value else None
        return StarTracks.load(paths[0]), result.sequence.name or paths[0].name, scale
    frames = open_frames(list(paths), rig)
    try:
        with progress("following stars") as step:
            tracks = follow_stars(frames, progress=step)
    finally:
        frames.source.close()
    value = frames.instrument.get("pixel_scale_arcsec")
    origin = frames.instrument.origin("pixel_scale_arcsec")
    return tracks, frames.name, (float(value), str(origin)) if value else None


def _measure(
    tracks: StarTracks, name: str, scale: tuple[float, str] | None, settle: float, reference: float
) -> TapResult:
    import numpy as np

    from blursplit.motion import CommonMotion
    from blursplit.report.words import put_in_words
    from blursplit.spectra.tap_result import TapResult, TapSequence
    from blursplit.stars.robust import masked_median

    if not tracks.cadence_s:
        raise TimingError(name, "no frame interval is known", "give camera.frame_interval_s")
    common = CommonMotion.of(tracks)
    motion = common.xy_px
    good = np.isfinite(motion).all(axis=1)
    needed = 50  # a second at 50 frames/s: below, no ring-down can be told from the air
    if good.sum() < needed:
        raise TooFewFramesError(name, int(good.sum()), needed, tracks.dropped)
    about = TapSequence(
        name=name,
        frames=tracks.n_frames,
        frames_used=int(good.sum()),
        stars_used=tracks.n_stars,
        frame_exposure_s=tracks.exposure_s,
        cadence_s=tracks.cadence_s,
        duration_s=tracks.duration_s,
        nyquist_hz=0.5 / tracks.cadence_s,
        pixel_scale_arcsec=scale[0] if scale else None,
        pixel_scale_origin=scale[1] if scale else None,
    )
    result = TapResult.of(
        tracks.time_s[good],
        motion[good],
        tracks.cadence_s,
        segment=tracks.segment[good],
        pixel_scale_arcsec=scale[0] if scale else None,
        settle_arcsec=settle,
        reference_arcsec=reference,
        sequence=about,
        width_px=masked_median(tracks.seen("width_px")[good]),
    )
    put_in_words(result.warnings)
    return result


def _show(result: TapResult, console: Console) -> None:
    about = result.sequence
    console.print(
        f"{about.name}: {about.frames_used} frames at {1 / about.cadence_s:.4g} frames/s; "
        f"stars: {about.stars_used}; taps: {len(result.taps)}."
    )
    if about.pixel_scale_arcsec:
        scale = f"{about.pixel_scale_arcsec:.4g} arcsec/pixel ({about.pixel_scale_origin})"
        console.print(f"Pixel scale {scale}.")
    peak = "peak [arcsec]" if about.pixel_scale_arcsec else "peak [pixel]"
    rows: list[tuple[object, ...]] = []
    for mode in result.modes:
        width = mode.half_power_damping_ratio
        ring = _text(mode.frequency_hz), _text(mode.damping_ratio)
        check, size = "-" if width is None else f"{width:.2g}", mode.peak_arcsec or mode.peak_px
        rows.append((*ring, check, _text(size), mode.taps, _others(mode)))
    heads = ("frequency [Hz]", "damping ratio", "half-power check", peak, "taps", OTHERS)
    cli.show_table(console, heads, rows, "Modes (mean over taps, 68 % range)")
    rows = []
    for tap in result.taps:
        ends = _text(tap.settling_s), _text(tap.to_air_s)
        rows.append((f"{tap.start_s:.2f}", _text(tap.peak_arcsec or tap.peak_px), *ends))
    times = ("at [s]", peak, "still after [s]", "below the air after [s]")
    cli.show_table(console, times, rows, "Taps (68 % range)")
    if result.taps:
        console.print(
            f"Still (below {result.settle_arcsec:g} arcsec): {_text(result.settling_s, 's')}"
            f"; below the motion of quiet times: {_text(result.to_air_s, 's')} (68 %)."
        )
    if result.decay_s is not None:
        console.print(
            f"However hard the tap: falls to 1/e in {_text(result.decay_s, 's')}, from "
            f"{result.reference_arcsec:g} to {result.settle_arcsec:g} arcsec in "
            f"{_text(result.settling_from_reference_s, 's')}."
        )
    for warning in result.warnings:
        console.print(f"note: {warning.text} ({warning.code})")
    for line in result.cautions:
        console.print(f"caution: {line}")


def _text(estimate: Estimate | None, unit: str = "") -> str:
    from blursplit.report.numbers import estimate_text

    return "not measured" if estimate is None else estimate_text(estimate, unit)


def _others(mode: TapMode) -> str:
    """Return up to three true frequencies that the frames cannot exclude, with their damping."""
    pairs = zip(mode.alias_candidates_hz, mode.alias_damping_ratios, strict=True)
    stated = mode.frequency_hz.value or 0.0
    others = [pair for pair in pairs if abs(pair[0] - stated) > 1e-6 * stated][:3]
    return ", ".join(f"{hz:.1f} ({ratio:.2g})" for hz, ratio in others) or "-"
