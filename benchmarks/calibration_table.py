"""The calibration study as tables: coverage of every stated interval, limits, decisions."""

from __future__ import annotations

import json
import lzma
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import binom

from blursplit.constants import SURE

Row = dict[str, Any]
KEPT = Path(__file__).parents[1] / "data" / "calibration" / "scenes.jsonl.xz"
FIGURES = 5  # of kept numbers: their intervals have two
FEWEST = 10  # values that a line of the table needs
PRESENT_ARCSEC = 0.02  # true rms or saving from which a cause is there at all
CURES = {
    "tracking": "tracking",
    "structure": "structure",
    "mechanics": "mechanics",
    "near_air": "near_air",
    "optics": "instrument",
}
SHARES = {
    "atmosphere": "atmosphere",
    "near_air": "near_air",
    "tracking": "tracking",
    "structure": "structure",
    "optics": "instrument",
}


def read_rows(paths: Iterable[Path]) -> list[Row]:
    """Return the rows of the study, from files with a row a line, packed or not."""
    rows = []
    for path in paths:
        opened = lzma.open if path.suffix == ".xz" else open
        with opened(path, "rt", encoding="utf-8") as file:
            rows += [json.loads(line) for line in file]
    return rows


def keep(paths: list[Path]) -> None:
    """Add what is scored of rows to the kept ones, in the order of their numbers."""
    rows = read_rows([KEPT, *paths] if KEPT.exists() else paths)
    by_number = {row["draw"]["number"]: _shortened(_scored(row)) for row in rows}
    with lzma.open(KEPT, "wt", encoding="utf-8") as file:
        for number in sorted(by_number):
            file.write(json.dumps(by_number[number]) + "\n")


def _scored(row: Row) -> Row:
    if "result" not in row:
        return row
    parts: Row = {}
    for part, key, _ in QUANTITIES.values():
        parts.setdefault(part, {})[key] = row["result"][part].get(key)
    verdict = row["result"]["verdict"]
    names = ("worth_arcsec", "matters", "probability_low", "probability_high", "headline_code")
    parts |= {"fit": row["result"]["fit"], "verdict": {name: verdict[name] for name in names}}
    return {**row, "result": parts}


def _shortened(value: Any) -> Any:
    """Return a record with its numbers at `FIGURES` figures."""
    if isinstance(value, float):
        return float(f"{value:.{FIGURES}g}")
    if isinstance(value, dict):
        return {key: _shortened(inner) for key, inner in value.items()}
    return [_shortened(inner) for inner in value] if isinstance(value, list) else value


def saving(row: Row, cure: str) -> float | None:
    """Return what a cure really would save [arcsec], by definition a part of the true width."""
    truth = row["truth"]
    width = truth.get("recorded")
    return None if width is None else width * truth["saving"][cure]


def _quantities() -> dict[str, tuple[str, str, Callable[[Row], float | None]]]:
    def plain(name: str) -> Callable[[Row], float | None]:
        return lambda row: row["truth"].get(name)

    out = {
        "seeing (500 nm, zenith)": (
            "atmosphere",
            "seeing_500nm_zenith_arcsec",
            plain("seeing"),
        ),
        "structure rms, larger axis": ("structure", "rms_major_arcsec", plain("structure")),
        "tracking rms, larger axis": ("tracking", "rms_major_arcsec", plain("tracking")),
        "drift": ("tracking", "drift_arcsec_per_min", drift),
        "FWHM recorded": ("fwhm", "recorded_arcsec", plain("recorded")),
    }
    for name, cure in (("structure", "structure"), ("tracking", "tracking"), ("both", "mechanics")):
        out[f"FWHM without {name}"] = (
            "fwhm",
            f"without_{name}_arcsec",
            lambda row, c=cure: (
                None if saving(row, c) is None else row["truth"]["recorded"] - saving(row, c)
            ),
        )
        # the same of the truth's own images, with the chances of one run
        out[f"FWHM without {name} (images)"] = (
            "fwhm",
            f"without_{name}_arcsec",
            plain(f"without_{name}"),
        )
    for cure, part in CURES.items():
        out[f"saving: {cure}"] = (part, "saving_arcsec", lambda row, c=cure: saving(row, c))
        # in a run of half a minute the air's own slow motion adds to a drift or takes from it
        out[f"saving: {cure} (images)"] = (
            part,
            "saving_arcsec",
            lambda row, c=cure: saving_of_images(row, c),
        )
    return out


def saving_of_images(row: Row, cure: str) -> float | None:
    """Return by how much the truth's own images are narrower without a cause [arcsec]."""
    truth = row["truth"]
    without = truth.get(f"without_{'both' if cure == 'mechanics' else cure}")
    return None if without is None else truth["recorded"] - without


def drift(row: Row) -> float | None:
    """Return the true drift where no worm shares its slope."""
    return row["draw"]["drift"][0] if row["draw"]["worm"] is None else None


QUANTITIES = _quantities()
GROUPS: dict[str, Callable[[dict[str, Any]], bool]] = {
    "all": bool,
    "own screens": lambda d: d["maker"] == "own",
    "independent screens": lambda d: d["maker"] == "independent",
    "frames of 2 to 20 ms": lambda d: d["regime"] == "fast",
    "frames of 0.05 to 1 s": lambda d: d["regime"] == "slow",
    "frames of 5 to 20 s": lambda d: d["regime"] == "long",
    "no near air": lambda d: d["near"] is None,
    "near air": lambda d: d["near"] is not None,
    "optics stated": lambda d: d["optics_known"],
    "optics not stated": lambda d: not d["optics_known"],
    "defocus or astigmatism": lambda d: d["optics"] != "blur",
    "one to three stars": lambda d: d["stars"] < 4,
    "four stars or more": lambda d: d["stars"] >= 4,
    "wind shake": lambda d: d["shake"] is not None,
    "worm": lambda d: d["worm"] is not None,
    "a mode above half the frame rate": lambda d: any(
        m[0] > 0.5 / d["interval_s"] for m in d["modes"]
    ),
}


def scores(rows: list[Row], name: str) -> dict[str, float] | None:
    """Return how often intervals and limits hold the truth, and the error of the values.

    An absent cause is scored by its limit alone (the upper end of 95 %).
    """
    part, key, truth_of = QUANTITIES[name]
    held: dict[str, list[bool]] = {"68": [], "95": [], "limit": []}
    error: list[float] = []
    for row in rows:
        stated, truth = row["result"][part].get(key), truth_of(row)
        if stated is None or truth is None:
            continue
        absent = abs(truth) < PRESENT_ARCSEC and not name.startswith("FWHM")
        if stated["value"] is None:
            held["limit"].append(truth <= stated["high"] + 1e-9)
        elif absent:
            held["limit"].append(truth <= stated["high95"] + 1e-9)
        else:
            held["68"].append(stated["low"] <= truth <= stated["high"])
            held["95"].append(stated["low95"] <= truth <= stated["high95"])
            error.append(stated["value"] - truth if "saving" in name else stated["value"] / truth)
    if not error and not held["limit"]:
        return None
    size = np.array(error) if "saving" in name else np.log(np.maximum(error, 1e-3))
    return {
        "n": len(error),
        "68": float(np.mean(held["68"])) if error else np.nan,
        "95": float(np.mean(held["95"])) if error else np.nan,
        "median": float(np.median(size)) if error else np.nan,
        "rms": float(np.sqrt(np.mean(size**2))) if error else np.nan,
        "limits": len(held["limit"]),
        "limits held": sum(held["limit"]),
    }


def decisions(rows: list[Row]) -> dict[str, Counter[str]]:
    """Count answers to "does this cure matter" against the truth.

    `clear` nights are those whose true saving is further than a third of `worth` from it.
    """
    counts: dict[str, Counter[str]] = {}
    for row in rows:
        verdict = row["result"]["verdict"]
        worth = verdict["worth_arcsec"]
        for cure in CURES:
            answer, true = verdict["matters"].get(cure), saving(row, cure)
            if worth is None or answer is None or true is None:
                continue
            right = "yes" if true > worth else "no"
            clear = "clear" if abs(true - worth) > worth / 3.0 else "near worth"
            told = ("right" if answer == right else "wrong") if answer in {"yes", "no"} else "open"
            if answer == "open" and _one_reading_decides(verdict, cure, right):
                counts.setdefault(cure, Counter())[f"{clear}, owner"] += 1
            counts.setdefault(cure, Counter())[f"{clear}, {told}"] += 1
    return counts


def _one_reading_decides(verdict: Row, cure: str, right: str) -> bool:
    """Whether only the owner of open motion keeps the answer open: one reading would give it."""
    if cure not in verdict["probability_low"]:  # positions alone
        return False
    if right == "yes":
        return verdict["probability_high"][cure] >= SURE
    return 1.0 - verdict["probability_low"][cure] >= SURE


def blamed(rows: list[Row]) -> tuple[int, int]:
    """Return on how many still-pier scenes the structure was blamed, and of how many."""
    still = [r for r in rows if r["truth"]["structure"] < PRESENT_ARCSEC]
    wrong = [r for r in still if r["result"]["verdict"]["matters"].get("structure") == "yes"]
    return len(wrong), len(still)


def band(n: int, share: float) -> str:
    """Return between which shares 99 of 100 studies of n values lie."""
    low, high = (binom.ppf(q, n, share) / n for q in (0.005, 0.995))
    return f"{low:.2f} to {high:.2f}"


def table(rows: list[Row]) -> str:
    """Return the study as Markdown."""
    good = [r for r in rows if "result" in r]
    refused = [r for r in rows if "refused" in r]
    crashed = [r for r in rows if "crash" in r]
    lines = [
        f"{len(good)} sequences measured, {len(refused)} refused, {len(crashed)} crashed.",
        "",
        (
            "| quantity | scenes | n | 68 % holds | 95 % holds | median error | rms error "
            "| limits that held |"
        ),
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name in QUANTITIES:
        for group, belongs in GROUPS.items():
            found = scores([r for r in good if belongs(r["draw"])], name)
            if found is None or found["n"] + found["limits"] < FEWEST:
                continue
            unit = "{:+.3f} arcsec" if "saving" in name else "{:+.1%}"
            lines.append(
                f"| {name} | {group} | {found['n']} | {found['68']:.2f} | {found['95']:.2f} "
                f"| {unit.format(found['median'])} | {unit.format(found['rms'])[1:]} "
                f"| {found['limits held']} of {found['limits']} |".replace("nan", "-")
            )
    wrong, still = blamed(good)
    open_ = sum(r["result"]["verdict"]["headline_code"] == "open" for r in good)
    ratios = [r["result"]["fit"]["r_hat_max"] for r in good if r["result"].get("fit")]
    ratios = [r for r in ratios if r is not None]
    seconds = [r["measure_s"] for r in good]
    lines += [
        "",
        (
            f"In {len(good)} scenes 99 of 100 studies have 68 % hold {band(len(good), 0.68)} and "
            f"95 % hold {band(len(good), 0.95)}."
        ),
        "",
        (
            f"Headlines that are open: {open_} of {len(good)}. "
            f"Still piers blamed: {wrong} of {still}. "
            f"Fits with R-hat above 1.02: {sum(r > 1.02 for r in ratios)} of {len(ratios)}. "
            f"Processor time: {np.median(seconds):.0f} s in the median, "
            f"{np.quantile(seconds, 0.95):.0f} s in 95 of 100."
        ),
        "",
        "| does it matter? | clear: right | wrong | open | near worth: right | wrong | open |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for cure, kept in decisions(good).items():
        cells = [
            str(kept[f"{night}, {told}"])
            for night in ("clear", "near worth")
            for told in ("right", "wrong", "open")
        ]
        lines.append(f"| {cure} | " + " | ".join(cells) + " |")
    lines += [
        "",
        (
            "| clear answers, all cures | asked | right | wrong | open | open by its owner alone "
            "| right of asked |"
        ),
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for group, belongs in GROUPS.items():
        told = sum(decisions([r for r in good if belongs(r["draw"])]).values(), Counter())
        right, wrong, open_, owner = (
            told[f"clear, {how}"] for how in ("right", "wrong", "open", "owner")
        )
        asked = right + wrong + open_
        if asked:
            lines.append(
                f"| {group} | {asked} | {right} | {wrong} | {open_} | {owner} "
                f"| {right / asked:.0%} |"
            )
    return "\n".join(lines) + "\n"


def draw_figure(rows: list[Row], path: Path) -> None:
    """Draw estimate over truth with 68 % intervals for seeing, structure and tracking."""
    from matplotlib.figure import Figure
    from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter

    figure = Figure(figsize=(9, 8), layout="constrained")
    names = list(QUANTITIES)[:3]
    for ax, name in zip(figure.subplots(3, 1), names, strict=True):
        part, key, truth_of = QUANTITIES[name]
        for maker, marker, colour in (("own", "o", "#2563a8"), ("independent", "s", "#c2600c")):
            chosen = [
                (truth_of(row), row["result"][part].get(key))
                for row in rows
                if row["draw"]["maker"] == maker
            ]
            points = [
                (truth, e["value"] / truth, e["low"] / truth, e["high"] / truth)
                for truth, e in chosen
                if truth and truth > PRESENT_ARCSEC and e is not None and e["value"] is not None
            ]
            if not points:
                continue
            truth, value, low, high = np.array(points).T
            ax.errorbar(
                truth,
                value,
                yerr=[value - low, high - value],
                fmt=marker,
                color=colour,
                markersize=4,
                linewidth=0.8,
                label=f"{maker} screens",
            )
        ax.axhline(1.0, color="black", linewidth=0.8)
        ax.set(xscale="log", xlabel=f"true {name} [arcsec]", ylabel="estimate / truth")
        ax.xaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
        ax.xaxis.set_minor_formatter(NullFormatter())
        ax.set_ylim(0.4, 1.8)
        ax.legend(frameon=False)
    figure.savefig(path, dpi=110)


def write_table(paths: list[Path], out: Path | None) -> None:
    """Print the tables, or put them behind their mark in a page, with the figure beside it."""
    rows = read_rows(paths)
    text = table(rows)
    if out is None:
        print(text)
        return
    draw_figure([r for r in rows if "result" in r], out.parent / "images" / "calibration.png")
    mark = "<!-- table -->"
    head = out.read_text(encoding="utf-8").split(mark)[0]
    out.write_text(f"{head}{mark}\n\n{text}", encoding="utf-8")
