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


def true_savings(row: Row) -> dict[str, float]:
    """Return what each cure really would save [arcsec], from the mean images of the truth."""
    truth = row["truth"]
    without = {
        "tracking": truth["without_tracking"],
        "structure": truth["without_structure"],
        "mechanics": truth.get("without_both"),
    }
    return {cure: truth["recorded"] - w for cure, w in without.items() if w is not None}


def decisions(rows: list[Row]) -> dict[str, Counter[str]]:
    """Count answers to "does this cure matter" against the truth.

    `clear` nights are those whose true saving is further than a third of `worth` from it.
    """
    counts: dict[str, Counter[str]] = {}
    for row in rows:
        verdict = row["result"]["verdict"]
        worth = verdict["worth_arcsec"]
        for cure, saving in true_savings(row).items():
            answer = verdict["matters"].get(cure)
            if worth is None or answer is None:
                continue
            kept = counts.setdefault(cure, Counter())
            right = "yes" if saving > worth else "no"
            clear = "clear" if abs(saving - worth) > worth / 3.0 else "near worth"
            answer_is = "right" if answer == right else "wrong"
            told = answer_is if answer in {"yes", "no"} else "open"
            kept[f"{clear}, {told}"] += 1
    return counts


def false_structure(rows: list[Row]) -> tuple[int, int]:
    """Return on how many still-pier scenes the structure was blamed, and of how many."""
    still = [r for r in rows if r["truth"]["structure"] == 0]
    wrong = [r for r in still if r["result"]["verdict"]["matters"].get("structure") == "yes"]
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
    wrong, still = false_structure(good)
    held, stated = limits(good)
    open_ = sum(r["result"]["verdict"]["headline_code"] == "open" for r in good)
    lines += [
        "",
        f"Headlines that are open: {open_} of {len(good)}.",
        f"Still piers blamed: {wrong} of {still}.",
        f"Upper limits on structure that held: {held} of {stated}.",
        "",
        "| cure | clear: right | wrong | open | near worth: right | wrong | open |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for cure, kept in decisions(good).items():
        cells = [
            str(kept[f"{night}, {told}"])
            for night in ("clear", "near worth")
            for told in ("right", "wrong", "open")
        ]
        lines.append(f"| {cure} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


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
