"""`blursplit inspect`."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from blursplit.cli import _common as cli
from blursplit.errors import InputError, OutputError, TimingError, plain
from blursplit.types import sure

if TYPE_CHECKING:
    from rich.console import Console

    from blursplit.frames.inspection import Inspection


@cli.speaks_plainly
def run(
    sequence: Annotated[
        list[Path], typer.Argument(help="Folder, files, pattern or cube: one sequence.")
    ],
    setup: cli.SetupFile = None,
    set_: cli.Overrides = None,
    write_setup: Annotated[
        Path | None, typer.Option(help="Write a setup file: what is known, what is missing.")
    ] = None,
    json: cli.AsJson = False,
) -> None:
    """Read headers and a few frames; no star is measured."""
    from blursplit.folder import write_text_whole
    from blursplit.report.words import put_in_words
    from blursplit.report.words_evidence import NEEDED_FOR

    if write_setup is not None and write_setup.exists():
        raise OutputError(write_setup, "exists already", "name another or remove it")
    try:
        found = _look(sequence, setup, set_ or [])
    except TimingError as error:
        try:
            found = _look(sequence, setup, [*(set_ or []), "camera.frame_interval_s=1"])
        except TimingError:
            raise error from None
        found = found.without_times(f"{error.problem}; {error.remedy}")
    put_in_words((*found.can, *found.cannot, *found.advice, *found.notes))
    put_in_words(one.use for one in found.calibration)
    for one in found.missing:
        one.needed_for = NEEDED_FOR[one.key]
    if write_setup is not None:
        write_text_whole(write_setup, _setup_text(found))
        cli.say(f"setup written: {write_setup}")
    if json:
        typer.echo(found.to_json(), nl=False)
        return
    from rich.console import Console

    # A pipe has no width: lines are then long enough for any value.
    console = Console(width=None if Console().is_terminal else 160, highlight=False)
    _show(console, found)
    told = " ".join(shlex.quote(str(path)) for path in sequence)
    rig = "" if setup is None else f" --setup {shlex.quote(str(setup))}"
    console.print(f"\nNext: blursplit measure {plain(told)}{rig}", markup=False, soft_wrap=True)


def _look(sequence: list[Path], setup: Path | None, options: list[str]) -> Inspection:
    from blursplit.frames import open_frames
    from blursplit.frames.inspection import Inspection
    from blursplit.rig import Rig
    from blursplit.stars.positions import is_positions_file

    if len(sequence) == 1 and sequence[0].is_file() and is_positions_file(sequence[0]):
        problem = "is a table of positions, in which there are no frames to inspect"
        raise InputError(sequence[0], problem, f"blursplit measure {sequence[0]}")
    opened = open_frames(sequence, Rig.read(setup, options))
    try:
        return Inspection.of(opened, sequence)
    finally:
        opened.source.close()


def _setup_text(found: Inspection) -> str:
    """Return a setup file: stated values as they are, others and missing ones as remarks."""
    import json

    from blursplit.rig import SECTIONS, Setup

    rows: dict[str, list[str]] = {section: [] for section in SECTIONS}
    places = Setup.places()
    for key, fact in found.known.items():
        if key not in places:
            continue
        section, name = places[key]
        stated = fact.origin in {"setup file", "option"}
        value = json.dumps(fact.value, ensure_ascii=False)
        text = f"{name} = {value}" + ("" if stated else f"  # {fact.origin} {fact.note}".rstrip())
        rows[section].append(plain(text if stated else f"# {text}"))
    for one in found.missing:
        if one.key in places:
            section, name = places[one.key]
            rows[section].append(f"# {name} =   # missing: {one.needed_for}")
    tables = "\n".join(f"\n[{name}]\n" + "\n".join(rows[name]) for name in SECTIONS if rows[name])
    head = "# Setup for blursplit. Remarks hold what headers say or what was assumed: take the #\n"
    return f"{head}# away to overrule them, and fill in what is missing.\n{tables}\n"


def _show(console: Console, found: Inspection) -> None:
    from rich.markup import escape

    from blursplit.report.numbers import setting, setup_text

    files = "file" if found.files == 1 else "files"
    size = f"{found.width_px} x {found.height_px} px"
    console.print(f"[bold]{escape(found.name)}[/bold]: {found.frames} frames of {size}", end="")
    length = "times unknown" if found.duration_s is None else f"{setting(found.duration_s)} s"
    console.print(f" in {found.files} {files}, {length}")
    if found.timing is not None:
        cli.show_table(console, ("what", "value"), _timing_rows(found), "Timing")
    known = found.known.items()
    rows = [(key, setup_text(key, fact.value), fact.origin, fact.note) for key, fact in known]
    cli.show_table(console, ("fact", "value", "origin", "from"), rows, "Setting")
    absent = [(one.key, one.needed_for, one.remedy) for one in found.missing]
    cli.show_table(console, ("fact", "needed for", "remedy"), absent, "Missing")
    for title, lines in (
        ("Calibration frames", _calibration_texts(found)),
        ("What can be told", [one.text for one in found.can]),
        ("What cannot be told", [one.text for one in found.cannot]),
        ("How to record better", [one.text for one in found.advice]),
        ("Notes", [f"{note.text} ({note.code})" for note in found.notes]),
    ):
        if lines:
            console.print(f"\n[bold]{title}[/bold]")
            for line in lines:
                console.print(f"  - {escape(line)}", soft_wrap=True)


def _calibration_texts(found: Inspection) -> list[str]:
    texts = []
    for one in found.calibration:
        exposed = "" if one.exposure_s is None else f" of {one.exposure_s:.4g} s"
        frames = f"{one.frames} {one.kind} frame{'s' * (one.frames != 1)}"
        size = f"{one.width_px} x {one.height_px} px"
        texts.append(f"{frames}{exposed}, {size}, in {one.folder}: {one.use.text}")
    return texts


def _timing_rows(found: Inspection) -> list[tuple[str, str]]:
    timing = sure(found.timing)
    rows = [
        ("times from", timing.source),
        ("middle of first exposure", f"{found.start_utc} UTC" if found.start_utc else "unknown"),
        ("spacing", timing.kind),
        ("frame interval", f"{timing.cadence_s:.6g} s ({timing.rate_hz:.4g} frames/s)"),
        ("Nyquist frequency", f"{timing.nyquist_hz:.4g} Hz"),
        ("frequency step", f"{timing.frequency_step_hz:.3g} Hz"),
        ("exposure", "unknown" if found.exposure_s is None else f"{found.exposure_s:.4g} s"),
    ]
    rows += [
        (f"frame rate from {part.start_s:.4g} s", f"{part.rate_hz:.5g} /s, {part.frames} frames")
        for part in timing.rates
    ]
    if timing.exposed_share is not None:
        rows.append(("shutter open", f"{100 * timing.exposed_share:.0f} % of the time"))
    if timing.stamp_resolution_s is not None:
        rows.append(("resolution of the stamps", f"{timing.stamp_resolution_s:.3g} s"))
    if timing.jitter_rms_s is not None:
        rows.append(("scatter about the grid", f"{timing.jitter_rms_s:.3g} s rms"))
    rows.append(("frames missing from the grid", str(timing.missing_frames)))
    gaps = ", ".join(f"{length:.3g} s at {start:.4g} s" for start, length in timing.gaps[:5])
    rows.append(("gaps", gaps or "none"))
    if timing.backward_steps:
        rows.append(("steps back in time", str(timing.backward_steps)))
    dropped = ", ".join(f"{count} ({reason})" for reason, count in found.dropped.items())
    rows.append(("left out", dropped or "nothing"))
    return rows
