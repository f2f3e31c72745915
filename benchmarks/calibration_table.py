"""The calibration study as a table: coverage, bias, verdicts."""

from __future__ import annotations

import json
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

Row = dict[str, Any]
DETECTABLE = 1.0  # truth over the stated limit from which a mode counts as above detection


def read_rows(path: Path) -> list[Row]:
    """Return the rows of the study."""
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def estimate_of(row: Row, part: str, key: str) -> dict[str, float] | None:
    """Return an estimate of the result, None where there is none or only a limit."""
    value = row["result"][part].get(key)
    return value if value is not None and value["value"] is not None else None


QUANTITIES: dict[str, tuple[str, str, Callable[[Row], float | None]]] = {
    "seeing (500 nm, zenith)": (
        "atmosphere",
        "seeing_500nm_zenith_arcsec",
        lambda r: r["truth"]["seeing"],
    ),
    "structure rms, larger axis": (
        "structure",
        "rms_major_arcsec",
        lambda r: r["truth"]["structure"] or None,
    ),
    "drift": ("tracking", "drift_arcsec_per_min", lambda r: r["truth"]["drift"] or None),
    "recorded FWHM": ("fwhm", "recorded_arcsec", lambda r: r["truth"]["recorded"]),
    "FWHM without tracking": (
        "fwhm",
        "without_tracking_arcsec",
        lambda r: r["truth"]["without_tracking"],
    ),
    "FWHM without structure": (
        "fwhm",
        "without_structure_arcsec",
        lambda r: r["truth"]["without_structure"],
    ),
    "FWHM without structure, where a mode rings": (
        "fwhm",
        "without_structure_arcsec",
        lambda r: r["truth"]["without_structure"] if r["truth"]["structure"] else None,
    ),
}


def coverage(rows: list[Row], name: str) -> dict[str, float] | None:
    """Return how often the intervals hold the truth, and the error of the values."""
    part, key, truth_of = QUANTITIES[name]
    inside68, inside95, ratio = [], [], []
    for row in rows:
        estimate, truth = estimate_of(row, part, key), truth_of(row)
        if estimate is None or truth is None:
            continue
        inside68.append(estimate["low"] <= truth <= estimate["high"])
        inside95.append(estimate["low95"] <= truth <= estimate["high95"])
        ratio.append(estimate["value"] / truth)
    if not ratio:
        return None
    log = np.log(np.maximum(ratio, 1e-3))
    return {
        "n": len(ratio),
        "68": float(np.mean(inside68)),
        "95": float(np.mean(inside95)),
        "bias": float(np.expm1(np.median(log))),
        "scatter": float(np.sqrt(np.mean(np.square(log)))),
    }


def true_dominant(row: Row) -> str:
    """Return which contribution really was the largest, from the modelled truth."""
    from blursplit.budget.contributions import Blur, all_widths, shares

    draw, truth = row["draw"], row["truth"]
    r0 = 0.97586 * 500e-9 * 206264.8 / truth["seeing"] * (550 / 500) ** 1.2
    unassigned = (truth["tube"] ** 2) * 0.5
    wave = {"structure": truth["structure"], "tracking": truth["tracking"]}
    blur = Blur(
        j=r0 ** (-5 / 3),
        outer_scale_m=draw["outer_scale_m"],
        wavelength_m=550e-9,
        aperture_m=draw["aperture_m"],
        obstruction=0.0,
        drift_arcsec=(wave["tracking"] * 12**0.5, 0.0),
        sinusoids=(),
        tracking_extra=np.zeros((2, 2)),
        structure=_structure(draw["modes"], wave["structure"]),
        unassigned=unassigned * np.eye(2),
        optics_sigma_arcsec=draw["blur_fwhm_arcsec"] / 2.3548,
        pixel_arcsec=draw["pixel_arcsec"],
        dispersion=np.zeros((2, 2)),
    )
    share = shares(all_widths(blur))
    # Slow currents in the tube are air by definition.
    share["atmosphere"] += share.pop("unassigned")
    return max(share, key=share.__getitem__)


def _structure(modes: list[tuple[float, float, float, float]], major: float) -> Any:
    """Return the covariance of modes along lines, scaled to the realised larger rms."""
    total = np.zeros((2, 2))
    for _, _, rms, angle in modes:
        unit = np.array([np.cos(np.deg2rad(angle)), np.sin(np.deg2rad(angle))])
        total += rms**2 * np.outer(unit, unit)
    largest = np.linalg.eigvalsh(total)[1]
    return total * major**2 / largest if largest > 0 else total


def confusion(rows: list[Row]) -> Counter[tuple[str, str]]:
    """Count verdicts against truth."""
    return Counter((true_dominant(r), r["result"]["verdict"]["dominant"]) for r in rows)


def false_structure(rows: list[Row]) -> tuple[int, int]:
    """Return on how many still-pier scenes structure was called present, and of how many."""
    still = [r for r in rows if r["truth"]["structure"] == 0]
    wrong = [
        r
        for r in still
        if r["result"]["verdict"]["dominant"] == "structure"
        or r["result"]["verdict"]["findings"]["structure"].startswith("present")
    ]
    return len(wrong), len(still)


def limits(rows: list[Row]) -> tuple[int, int]:
    """Return how often a stated upper limit on the structure was above its truth."""
    stated = [
        (r["truth"]["structure"], r["result"]["structure"]["rms_major_arcsec"])
        for r in rows
        if r["result"]["structure"].get("rms_major_arcsec") is not None
        and r["result"]["structure"]["rms_major_arcsec"]["value"] is None
    ]
    return sum(truth <= limit["high"] for truth, limit in stated), len(stated)


def table(rows: list[Row]) -> str:
    """Return the study as Markdown."""
    good = [r for r in rows if "result" in r]
    refused = [r for r in rows if "refused" in r]
    crashed = [r for r in rows if "crash" in r]
    groups = {
        "all": good,
        "own simulator": [r for r in good if r["draw"]["maker"] == "own"],
        "independent screens": [r for r in good if r["draw"]["maker"] == "independent"],
        "instrument known": [r for r in good if r["draw"]["instrument_known"]],
        "instrument unknown": [r for r in good if not r["draw"]["instrument_known"]],
        "the design's case": [r for r in good if is_design_case(r)],
        "modes slower than Nyquist": [r for r in good if is_resolved(r)],
        "four stars or more": [r for r in good if r["draw"]["stars"] >= 4],
        "exposure of 20 ms or less": [r for r in good if r["draw"]["exposure_s"] <= 0.02],
        "ground share above 0.8": [r for r in good if r["draw"]["ground_share"] > 0.8],
    }
    lines = [
        f"{len(good)} sequences measured, {len(refused)} refused, {len(crashed)} crashed.",
        "",
        "| quantity | scenes | n | 68 % holds | 95 % holds | median error | rms error (ln) |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name in QUANTITIES:
        for group, members in groups.items():
            found = coverage(members, name)
            if found is not None:
                lines.append(
                    f"| {name} | {group} | {found['n']} | {found['68']:.2f} | {found['95']:.2f} "
                    f"| {100 * found['bias']:+.1f} % | {found['scatter']:.3f} |"
                )
    undecided = sum(r["result"]["verdict"]["dominant"] == "undecided" for r in good)
    wrong, still = false_structure(good)
    held, stated = limits(good)
    lines += [
        "",
        f"Verdicts that are undecided: {undecided} of {len(good)}.",
        f"Structure called present or dominant on a still pier: {wrong} of {still}.",
        f"Upper limits on structure that held: {held} of {stated}.",
        "",
        "| truth \\ verdict | " + " | ".join(VERDICTS) + " |",
        "| --- " * (len(VERDICTS) + 1) + "|",
    ]
    counts = confusion(good)
    for truth in VERDICTS[:-1]:
        row = [counts.get((truth, verdict), 0) for verdict in VERDICTS]
        if sum(row):
            lines.append(f"| {truth} | " + " | ".join(str(n) for n in row) + " |")
    return "\n".join(lines) + "\n"


VERDICTS = ("atmosphere", "tracking", "structure", "unassigned", "instrument", "undecided")


def is_design_case(row: Row) -> bool:
    """Return whether a scene is the one for which the design promises seeing within 10 %."""
    draw = row["draw"]
    return (
        draw["instrument_known"]
        and draw["stars"] >= 4
        and draw["frames"] * draw["interval_s"] >= 14.0
        and draw["interval_s"] <= 0.05
        and not draw["modes"]
        and draw["tube_rms_arcsec"] == 0
    )


def is_resolved(row: Row) -> bool:
    """Return whether the frames sample every mode of the scene at least twice a turn."""
    nyquist = 0.5 / row["draw"]["interval_s"]
    return all(mode[0] < nyquist for mode in row["draw"]["modes"])


def draw_figure(rows: list[Row], path: Path) -> None:
    """Draw estimate over truth with 68 % intervals for seeing and structure."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter

    figure = Figure(figsize=(9, 6), layout="constrained")
    axes = figure.subplots(2, 1)
    names = ("seeing (500 nm, zenith)", "structure rms, larger axis")
    for ax, name in zip(axes, names, strict=True):
        part, key, truth_of = QUANTITIES[name]
        points = [
            (truth_of(row), estimate_of(row, part, key), row["draw"]["maker"])
            for row in rows
            if estimate_of(row, part, key) is not None and truth_of(row) is not None
        ]
        for maker, marker, colour in (("own", "o", "#2563a8"), ("independent", "s", "#c2600c")):
            chosen = [(t, e) for t, e, m in points if m == maker]
            if not chosen:
                continue
            truth = np.array([t for t, _ in chosen])
            value = np.array([e["value"] for _, e in chosen]) / truth
            low = value - np.array([e["low"] for _, e in chosen]) / truth
            high = np.array([e["high"] for _, e in chosen]) / truth - value
            ax.errorbar(
                truth,
                value,
                yerr=[low, high],
                fmt=marker,
                color=colour,
                markersize=4,
                linewidth=0.8,
                label=f"{maker} screens" if maker == "independent" else "own simulator",
            )
        ax.axhline(1.0, color="black", linewidth=0.8)
        ax.set(xscale="log", xlabel=f"true {name} [arcsec]", ylabel="estimate / truth")
        ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
        ax.xaxis.set_minor_formatter(NullFormatter())
        ax.set_ylim(0.4, 1.8)
        ax.legend(frameon=False)
    figure.savefig(path, dpi=110)


def write_table(rows_path: Path, out: Path | None) -> None:
    """Print the table, or put it behind its mark in a page, with the figure beside it."""
    rows = read_rows(rows_path)
    text = table(rows)
    if out is None:
        print(text)
        return
    draw_figure([r for r in rows if "result" in r], out.parent / "images" / "calibration.png")
    mark = "<!-- table -->"
    head = out.read_text(encoding="utf-8").split(mark)[0]
    out.write_text(f"{head}{mark}\n\n{text}", encoding="utf-8")
