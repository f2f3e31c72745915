"""How much could anybody decide? The study's questions put to somebody who knows its draws.

    python benchmarks/yardstick.py run OUT.jsonl
    python benchmarks/yardstick.py keep OUT.jsonl ...
    python benchmarks/yardstick.py table

Each scene is measured again by the product's own likelihood, with the distribution that
`calibration_scenes.py` draws from in place of the product's priors: near air, wind shake, modes
and worms as often and as large as they are drawn, optics of the drawn sizes, winds of the drawn
layers. Open motion is then wind shake, or a mode that the search did not name: it has an owner,
and both readings are one. The periods of undeclared worms are told, which is more than the draws
tell. What stays open is what these frames leave open, not what an owner's prior does.

Long frames have no spectra: their unknowns are drawn as the scenes are, the air is what they leave
of the width, and each draw counts as often as such an air is drawn. Verdicts that are kept lie in
`data/calibration/yardstick.jsonl.xz`.
"""

from __future__ import annotations

import argparse
import json
import lzma
import os
import tempfile
import traceback
from collections import Counter
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402
from scipy.special import ndtr  # noqa: E402

from blursplit import constants as const  # noqa: E402
from blursplit.budget import answer  # noqa: E402
from blursplit.budget.air_model import AirModel  # noqa: E402
from blursplit.budget.air_state import AirState  # noqa: E402
from blursplit.budget.answer import Readings  # noqa: E402
from blursplit.budget.histories import Histories  # noqa: E402
from blursplit.definitions import CURES, STEADY, History  # noqa: E402
from calibration_scenes import Draw, draw_scene, make  # noqa: E402
from calibration_table import KEPT, read_rows, saving  # noqa: E402

# What `draw_scene` draws.
NEAR_CHANCE, NEAR_STRENGTH, NEAR_WIND_M_S = 0.4, (0.05, 1.5), (0.2, 3.0)
SHAKE_CHANCE, SHAKE_RMS_ARCSEC, SHAKE_CORNER_HZ = 0.2, (0.05, 0.6), (0.3, 3.0)
MODE_CHANCE, MODE_RMS_ARCSEC = 0.45, (0.05, 1.5)
OPTICS_FWHM_ARCSEC, WAVEFRONT_NM, BLUR_SHARE = (0.2, 0.8), (20.0, 120.0), 0.8
GROUND_WIND_M_S, HIGH_WIND_M_S = (2.0, 8.0), (6.0, 28.0)
R0_M = (0.04, 0.2)
R0_GROWS = 1.1**1.2  # from 500 to 550 nm
# Of the nights with modes, those with one that no line was found for: a judgement, on the side of
# more. It is drawn as a hump at any place.
UNNAMED_SHARE = 0.2
DRAWS_OF_LONG = 400
VERDICTS = KEPT.with_name("yardstick.jsonl.xz")


def _log_between(u: Any, ends: tuple[float, float]) -> Any:
    low, high = np.log(ends)
    return np.exp(low + (high - low) * u)


_state = AirModel.state


def drawn_state(model: AirModel, z: np.ndarray) -> AirState:
    """Return the state with the distribution that scenes are drawn from as prior."""
    state = _state(model, z)
    part = {name: ndtr(z[:, place]) for name, place in model._places.items()}  # noqa: SLF001
    near, outside = model.table.near, model.table.outside
    there = part["near_there"][:, 0]
    ratio = np.where(there < NEAR_CHANCE, _log_between(there / NEAR_CHANCE, NEAR_STRENGTH), 1e-6)
    per_near = near.structure_at(state.log_near_outer)[:, -1]
    per_outside = outside.structure_at(state.log_outer)[:, -1]
    total = state.j_near * per_near + state.j_outside * per_outside
    j_outside = total / (ratio * per_near + per_outside)
    scale = j_outside / state.j_outside
    kind = part["open"][:, 0]
    shaken = kind < SHAKE_CHANCE
    humped = ~shaken & (kind < SHAKE_CHANCE + UNNAMED_SHARE * MODE_CHANCE)
    rms = np.full(len(z), const.FIT_OPEN_RMS_ARCSEC[0])
    rms[shaken] = _log_between(kind[shaken] / SHAKE_CHANCE, SHAKE_RMS_ARCSEC)
    rms[humped] = _log_between(
        (kind[humped] - SHAKE_CHANCE) / (UNNAMED_SHARE * MODE_CHANCE), MODE_RMS_ARCSEC
    )
    size2 = np.trace(state.open_arcsec2, axis1=1, axis2=2)
    changed: dict[str, Any] = {
        "j_near": ratio * j_outside,
        "j_ground": state.j_ground * scale,
        "j_high": state.j_high * scale[:, None],
        "log_near_wind": np.log(_log_between(part["wind"][:, 0], NEAR_WIND_M_S)),
        "log_ground_wind": np.log(_log_between(part["wind"][:, 1], GROUND_WIND_M_S)),
        "log_high_wind": np.log(_log_between(part["wind"][:, 2:], HIGH_WIND_M_S)),
        "open_arcsec2": state.open_arcsec2 * (rms**2 / size2)[:, None, None],
        "open_corner_hz": np.where(
            shaken, _log_between(part["open"][:, 1], SHAKE_CORNER_HZ), state.open_corner_hz
        ),
        "open_centre_hz": np.where(humped, part["open"][:, 2] * model.priors.nyquist_hz, 0.0),
    }
    if model.star is not None and "shape" in part:
        shape, size = part["shape"][:, 0], part["optics"][:, 0]
        blur = shape < BLUR_SHARE
        low, high = OPTICS_FWHM_ARCSEC
        fwhm = low + (high - low) * size
        # one-axis rms of the rays of a defocus of this rms: Noll (1976) mode 4
        rays = 12.0**0.5 * _log_between(size, WAVEFRONT_NM) * 1e-9
        rays *= const.ARCSEC_PER_RADIAN / (0.5 * model.optics.aperture_m)
        changed["optics_arcsec"] = np.where(blur, fwhm / const.FWHM_PER_SIGMA, rays)
        changed["optics_shape"] = np.where(blur, 0.0, 1.0)
    return replace(state, **changed)


_draw_histories = Histories.draw


def owned_histories(*given: Any, **named: Any) -> Any:
    """Return histories in which what is open, or steady, belongs to the structure."""
    histories = _draw_histories(*given, **named)
    runs = []
    for run in histories.runs:
        paths, inside = dict(run.path_arcsec), dict(run.inside_arcsec2)
        for of in (paths, inside):
            for name in ("open", STEADY):
                part = of.pop(name, None)
                if part is not None:
                    of["structure"] = of.get("structure", 0.0) + part
        runs.append(replace(run, path_arcsec=paths, inside_arcsec2=inside, optics_may_shake=False))
    return replace(histories, runs=tuple(runs))


def drawn_widths(
    conditions: Any, time_s: Any, segment: Any, paths: Any, inside: Any, recorded: Any, **named: Any
) -> tuple[History, ...]:
    """Return histories of long frames drawn as scenes are, weighed by the air that is left."""
    rng = np.random.default_rng([named["seed"], 79])
    stated = named["stated_optics_arcsec"]
    middle, sigma = recorded.value, recorded.high - recorded.value
    made, weights = [], []
    for k in range(DRAWS_OF_LONG):
        path, blur = dict(paths[k % len(paths)]), dict(inside[k % len(paths)])
        path.pop("open", None)
        blur.pop("open", None)
        shaking = np.zeros((2, 2))
        rms = [
            _log_between(rng.random(), MODE_RMS_ARCSEC)
            for _ in range(int(rng.integers(1, 3)) if rng.random() < MODE_CHANCE else 0)
        ]
        if rng.random() < SHAKE_CHANCE:
            rms.append(_log_between(rng.random(), SHAKE_RMS_ARCSEC))
        for size in rms:
            angle = rng.uniform(0.0, np.pi)
            axis = np.array([np.cos(angle), np.sin(angle)])
            shaking += size**2 * np.outer(axis, axis)
        wanted = max(middle + sigma * rng.standard_normal(), 0.1 * middle)
        low, high = OPTICS_FWHM_ARCSEC
        fwhm = low + (high - low) * rng.random() if stated is None else stated
        near = rng.random() < NEAR_CHANCE
        ratio = float(_log_between(rng.random(), NEAR_STRENGTH)) if near else 0.0
        history = History(
            conditions,
            time_s,
            segment,
            path,
            blur | {"structure": shaking},
            outer_scale_m=float(rng.uniform(11.0, 40.0)),
            near_outer_scale_m=float(_log_between(rng.random(), (0.25, 5.0))),
            optics_arcsec2=(fwhm / const.FWHM_PER_SIGMA) ** 2 * np.eye(2),
        )
        seen = history.in_windows(named["blur_time_s"])

        def at(j: float, seen: History = seen, ratio: float = ratio) -> float:
            return replace(seen, strength=j, near_strength=ratio * j).width()

        # the density of ln r0 is flat: weigh by how much of it makes this width
        ends = [(r0 * R0_GROWS) ** (-5.0 / 3.0) for r0 in reversed(R0_M)]
        grid = np.geomspace(*ends, 12)
        widths = np.array([at(j) for j in grid])
        if not widths[0] <= wanted <= widths[-1]:
            continue
        j = float(np.exp(np.interp(wanted, widths, np.log(grid))))
        slope = float(np.interp(wanted, widths, np.gradient(np.log(grid), widths)))
        made.append(replace(history, strength=j, near_strength=ratio * j))
        weights.append(max(slope, 0.0))
    chosen = rng.choice(len(made), const.N_HISTORIES, p=np.array(weights) / np.sum(weights))
    return tuple(made[i] for i in chosen)


def as_read(readings: Readings) -> Readings:
    """Return the readings as they are: near air is among what was drawn."""
    return readings


def measure_as_drawn(draw: Draw, scratch: Path, cache: Path) -> dict[str, Any]:
    """Make and measure one scene under its own distribution; returns its verdict."""
    from blursplit.measure import measure
    from blursplit.rig import Rig

    what, known, truth = make(draw, scratch, cache)
    if draw.worm is not None and not draw.worm_declared:
        known.append(f"mount.worm_period_s=[{draw.worm[0]}]")
    result = measure(what, Rig.read(None, known)).result
    return {"draw": asdict(draw), "truth": truth, "result": json.loads(result.to_json())}


def run(given: argparse.Namespace) -> None:
    """Measure scenes and write their verdicts, one a line."""
    AirModel.state = drawn_state  # type: ignore[method-assign]
    Histories.draw = owned_histories  # type: ignore[method-assign]
    answer._match_width = drawn_widths  # noqa: SLF001 - the product has no door for this
    answer._near_air_unseen = as_read  # noqa: SLF001
    const.HIDDEN_MODE_CHANCE, const.HIDDEN_RMS_ARCSEC = MODE_CHANCE, MODE_RMS_ARCSEC
    done = {row["draw"]["number"] for row in read_rows(p for p in (given.out,) if p.exists())}
    cache = given.out.parent / "screens"
    cache.mkdir(exist_ok=True)
    numbers = [row["draw"]["number"] for row in read_rows([KEPT])]
    # In an order that is no order, so that a run may end anywhere.
    for number in np.random.default_rng(0).permutation(numbers).tolist():
        if number in done:
            continue
        draw = draw_scene(number)
        with tempfile.TemporaryDirectory(prefix="yardstick-") as scratch:
            try:
                row = measure_as_drawn(draw, Path(scratch), cache)
                row["result"] = {k: row["result"][k] for k in ("verdict", "fwhm", "fit")}
            except Exception:  # noqa: BLE001 - counted, as in the study
                row = {"draw": asdict(draw), "crash": traceback.format_exc()}
        with given.out.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
        print(number, draw.maker, draw.regime, row.get("crash", "")[-300:], flush=True)


def answers(row: dict[str, Any], other: dict[str, Any]) -> list[tuple[str, str]]:
    """Return (cure, right, wrong or open) of the clear questions, asked as in `other`."""
    out = []
    worth = other["result"]["verdict"]["worth_arcsec"]
    for cure in CURES:
        true, said = saving(other, cure), row["result"]["verdict"]["matters"].get(cure)
        if cure == "atmosphere" or true is None or worth is None or said is None:
            continue
        if abs(true - worth) <= worth / 3.0:
            continue
        right = "yes" if true > worth else "no"
        told = ("right" if said == right else "wrong") if said in {"yes", "no"} else "open"
        out.append((cure, told))
    return out


def keep(paths: list[Path]) -> None:
    """Add the verdicts of rows to the kept ones, in the order of their numbers."""
    rows = read_rows([*(p for p in (VERDICTS,) if p.exists()), *paths])
    names = ("matters", "probability_low")
    kept = {
        row["draw"]["number"]: {
            "draw": {"number": row["draw"]["number"]},
            "result": {"verdict": {name: row["result"]["verdict"][name] for name in names}},
        }
        for row in rows
        if "result" in row
    }
    with lzma.open(VERDICTS, "wt", encoding="utf-8") as file:
        for number in sorted(kept):
            file.write(json.dumps(kept[number]) + "\n")


def write_table() -> None:
    """Print how many clear questions are decided, by the product and under the draws."""
    kept = {row["draw"]["number"]: row for row in read_rows([KEPT])}
    counts: dict[str, list[Counter[str]]] = {}
    pairs = [(kept.get(row["draw"]["number"]), row) for row in read_rows([VERDICTS])]
    for ours, theirs in pairs:
        if ours is None or "result" not in ours:
            continue
        near = "near air" if ours["draw"]["near"] else "no near air"
        groups = ["all", f"{ours['draw']['regime']} frames", near]
        for place, row in enumerate((ours, theirs)):
            for cure, told in answers(row, ours):
                for group in [*groups, cure]:
                    counts.setdefault(group, [Counter(), Counter()])[place][told] += 1
    print(
        f"{len(pairs)} scenes.\n\n| clear questions | asked | right: blursplit | under the draws |"
        " open: blursplit | under the draws | wrong: blursplit | under the draws |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for group, both in counts.items():
        n = both[0].total()
        cells = [f"{c[told] / n:.0%}" for told in ("right", "open", "wrong") for c in both]
        print(f"| {group} | {n} | {' | '.join(cells)} |")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="command", required=True)
    runner = commands.add_parser("run")
    runner.add_argument("out", type=Path)
    keeper = commands.add_parser("keep")
    keeper.add_argument("rows", type=Path, nargs="+")
    commands.add_parser("table")
    given = parser.parse_args()
    if given.command == "run":
        run(given)
    elif given.command == "keep":
        keep(given.rows)
    else:
        write_table()


if __name__ == "__main__":
    main()
