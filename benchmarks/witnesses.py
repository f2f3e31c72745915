"""What a sensor and a second camera find of the truth, at the waist of the measurement.

    python benchmarks/witnesses.py second-camera [--records 10] [--seed 1000] [--minutes 1]
    python benchmarks/witnesses.py sensor        [--records 30] [--seed 5000]
    python benchmarks/witnesses.py trap          [--records 100] [--seed 43000] [--keep FILE]

Second camera: air of three layers with near air of a share of 0 to 95 % of r0^(-5/3), and shake of
0 to 0.5 arcsec; tracks of a star in both cameras, clocks known to 5 ms, the turn found. Scored
are seeing, what both share, and whether shake worth a cure is told from near air (`decided`: the
90 % interval of what it widens lies on one side of worth, as the verdict asks).
Sensor: shake of 0 to 0.4 arcsec under 0.4 arcsec of air, an accelerometer's noise, length; and
sensors of another night.
Trap: the whole measurement, from frames of both cameras, one star each, near air of any share, no
shake or one of 0.45 arcsec; whether what shakes is told from what swims. docs/witnesses.md holds
the tables.
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from pathlib import Path
from typing import Any

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

import numpy as np  # noqa: E402 - after the number of threads

from blursplit.budget.witnesses import _seeing_of_two_cameras  # noqa: E402
from blursplit.constants import (  # noqa: E402
    FWHM_PER_SIGMA,
    LEAST_WORTH_ARCSEC,
    PAIR_ROUGH_M,
    PAIR_USUAL_L0_M,
    WORTH_SHARE,
)
from blursplit.evidence.second_camera import CameraMotion, _align_cameras, _pair_spectra  # noqa: E402
from blursplit.evidence.second_camera_air import PairEvidence  # noqa: E402
from blursplit.evidence.sensor import SensorEvidence  # noqa: E402
from blursplit.measure import measure  # noqa: E402
from blursplit.simulate import Scene, write_sequence  # noqa: E402
from blursplit.simulate.motion import Shared, _mode_density, _noise_series, _shake_density  # noqa: E402
from blursplit.simulate.scene import SceneSensor  # noqa: E402
from blursplit.simulate.write import _draw_sensor  # noqa: E402
from blursplit.turbulence.conversions import seeing_arcsec, structure_function  # noqa: E402
from waist import draw_tracks  # noqa: E402

WAVELENGTH_M = 550e-9
NEAR_SHARES, SHAKES = (0.0, 0.2, 0.5, 0.8, 0.95), (0.0, 0.15, 0.3, 0.5)
MICRO_G = 9.80665e-6
OFFSET_S, TURN_DEG = 0.005, 1.0


def draw_scene(seed: int, near_share: float, shake: float, minutes: float) -> Scene:
    """Return a night of any winds, strengths, tubes and baselines."""
    rng = np.random.default_rng([seed, 99])
    u = rng.uniform
    ground = u(0.2, 0.8)
    return Scene.model_validate(
        {
            "sequence": {"frames": int(1500 * minutes), "seed": seed},
            "camera": {"exposure_s": 0.01, "frame_interval_s": 0.04},
            "telescope": {"aperture_m": 0.2, "obstruction": 0.3},
            "stars": {"star": [{"x_px": 159.5, "y_px": 119.5, "flux_e_per_s": 4e6}]},
            "air": {
                # the more near air, the less of it outside: widths stay alike
                "r0_500nm_zenith_m": u(0.07, 0.12) * (1 - near_share) ** -0.45,
                "outer_scale_m": u(12, 45),
                "layers": [
                    {
                        "height_m": 20,
                        "weight": ground,
                        "wind_m_s": u(2, 8),
                        "direction_deg": u(0, 360),
                    },
                    {
                        "height_m": 8000,
                        "weight": 1 - ground,
                        "wind_m_s": u(10, 25),
                        "direction_deg": u(0, 360),
                    },
                ],
            },
            "near_air": {
                "strength": near_share / (1 - near_share),
                "outer_scale_m": u(0.4, 3),
                "wind_m_s": u(0.5, 4),
                "direction_deg": u(0, 360),
            },
            "wind_shake": {
                "rms_arcsec": shake,
                "corner_hz": u(1, 4),
                "second_rms_arcsec": shake * u(0.3, 1.0),
            },
            "second_camera": {
                "baseline_m": [u(0.2, 0.45), u(-0.1, 0.1)],
                "angle_deg": u(-180, 180),
                "offset_s": u(-OFFSET_S, OFFSET_S),
                "telescope": {"aperture_m": u(0.05, 0.08)},
                "camera": {
                    "pixel_scale_arcsec": 2.0,
                    "exposure_s": 0.02,
                    "frame_interval_s": 0.05,
                    "width_px": 160,
                    "height_px": 120,
                },
                "stars": {"star": [{"x_px": 79.5, "y_px": 59.5, "flux_e_per_s": 4e6}]},
            },
        }
    )


def score_pair(seed: int, near_share: float, shake: float, minutes: float) -> dict[str, float]:
    """Return what was found of one night, and the truth."""
    scene = draw_scene(seed, near_share, shake, minutes)
    waists = draw_tracks(scene)
    motions = []
    for waist, seen in zip(waists, (scene, scene.of_second_camera()), strict=True):
        scale, tracks = seen.camera.pixel_scale_arcsec, waist.tracks
        motions.append(
            CameraMotion(
                tracks.time_s,
                np.stack([tracks.x_px[:, 0], tracks.y_px[:, 0]], axis=1) * scale,
                float(tracks.sigma_px.mean()) * scale,
                seen.camera.exposure_s,
                seen.telescope.aperture_m,
                seen.telescope.obstruction,
            )
        )
    main, second = motions
    found = _align_cameras(main, second, (-OFFSET_S, OFFSET_S))
    at = float(np.clip(found.offset_s, -OFFSET_S, OFFSET_S))
    spectra = _pair_spectra(
        main,
        second,
        scene.second_camera.baseline_m,
        type(found)(at, found.angle_deg, found.mirrored, found.agreement),
        reach_s=(-OFFSET_S - at, OFFSET_S - at),
    )
    got = _seeing_of_two_cameras(PairEvidence.of(spectra, WAVELENGTH_M), seed)
    r0 = r0_of_all_air(scene)
    step = spectra.frequency_hz[0]
    band = (step - step / 2, spectra.frequency_hz[-1] + step / 2)
    shared = waists[0].shared
    path = shared.of("structure")
    power = np.abs(np.fft.rfft((path - path.mean(axis=0)) * np.hanning(len(path))[:, None], axis=0))
    f = np.fft.rfftfreq(len(path), 1 / shared.rate_hz)
    inside = (f >= band[0]) & (f <= band[1])
    total = (power**2).sum(axis=1)
    variance = path.var(axis=0).sum() * total[inside].sum() / max(total[1:].sum(), 1e-30)
    log_r0 = np.log(got.r0_m)
    q = np.percentile(log_r0, [2.5, 15.865, 50, 84.135, 97.5])
    rms = got.shaken_arcsec / np.sqrt(2)
    true_rms = float(np.sqrt(variance / 2))
    width = seeing_arcsec(got.r0_m, WAVELENGTH_M)

    save, worth = saving(width, rms)
    true_save, true_worth = saving(seeing_arcsec(r0, WAVELENGTH_M), np.array(true_rms))
    chance = float(np.mean(save > worth))
    r = np.percentile(rms, [2.5, 50, 95, 97.5])
    return {
        "near": near_share,
        "shake": shake,
        "error": float(q[2] - np.log(r0)),
        "sigma": float(q[3] - q[1]) / 2,
        "held": float(q[0] <= np.log(r0) <= q[4]),
        "rms_error": float(r[1] - true_rms),
        "rms_held": float(r[0] <= true_rms <= r[3]),
        "limit": float(r[2]),
        "limit_holds": float(true_rms <= r[2]),
        "decided": float(chance >= 0.95 or chance <= 0.05),
        "wrong": float(
            (chance >= 0.95 and true_save < true_worth)
            or (chance <= 0.05 and true_save > true_worth)
        ),
        "r_hat": max(got.r_hat["ln_r0"], got.r_hat["shaken"]),
        "r_hat_all": max(got.r_hat.values()),
    }


def r0_of_all_air(scene: Scene) -> float:
    """Return r0 of usual air as rough as that outside and near air together [m]."""
    rough = structure_function(PAIR_ROUGH_M, scene.air.r0_m, scene.air.outer_scale_m)
    if scene.near_r0_m is not None:
        near = scene.near_air.outer_scale_m
        rough = rough + structure_function(PAIR_ROUGH_M, scene.near_r0_m, near)
    return float((rough / structure_function(PAIR_ROUGH_M, 1.0, PAIR_USUAL_L0_M)) ** -0.6)


def saving(width_arcsec: np.ndarray, rms_arcsec: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return what curing a shake saves of the width, and what is worth a cure."""
    whole = np.hypot(width_arcsec, FWHM_PER_SIGMA * rms_arcsec)
    return whole - width_arcsec, np.maximum(LEAST_WORTH_ARCSEC, WORTH_SHARE * whole)


def second_camera(records: int, seed: int, minutes: float, keep: Path | None) -> None:
    """Print the tables of the second camera; rows are kept in a file, and taken from it."""
    rows = []
    if keep is not None and keep.exists():
        rows = [json.loads(line) for line in keep.read_text(encoding="utf-8").splitlines()]
    done = len(rows)
    cases = [(n, s) for n in NEAR_SHARES for s in SHAKES]
    for number in range(records):
        for k, (near, shake) in enumerate(cases):
            if number * len(cases) + k < done:
                continue
            rows.append(score_pair(seed + number * len(cases) + k, near, shake, minutes))
            if keep is not None:
                with keep.open("a", encoding="utf-8") as file:
                    file.write(json.dumps(rows[-1]) + "\n")
    table = {key: np.array([row[key] for row in rows]) for key in rows[0]}
    print(f"seeds {seed} to {seed + len(rows) - 1}, {minutes:g} min each")
    print(
        "| near share | records | ln r0 bias | scatter | stated sigma | 95 % holds | decided "
        "| wrong |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for near in (*NEAR_SHARES, None):
        use = np.ones(len(rows), bool) if near is None else table["near"] == near
        part = {key: value[use] for key, value in table.items()}
        print(
            f"| {'all' if near is None else f'{100 * near:.0f} %'} | {use.sum()} "
            f"| {part['error'].mean():+.3f} | {part['error'].std():.3f} "
            f"| {part['sigma'].mean():.3f} | {part['held'].sum():.0f} "
            f"| {part['decided'].sum():.0f} | {part['wrong'].sum():.0f} |"
        )
    print(
        "| shake [arcsec] | records | rms error | scatter | 95 % holds | limit (95 %) | holds "
        "| decided |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for shake in SHAKES:
        part = {key: value[table["shake"] == shake] for key, value in table.items()}
        print(
            f"| {shake:g} | {part['shake'].size} | {part['rms_error'].mean():+.3f} "
            f"| {part['rms_error'].std():.3f} | {part['rms_held'].sum():.0f} "
            f"| {np.median(part['limit']):.3f} | {part['limit_holds'].sum():.0f} "
            f"| {part['decided'].sum():.0f} |"
        )
    for name in ("r_hat", "r_hat_all"):
        high = np.percentile(table[name], [50, 95, 100])
        print(f"{name}: median {high[0]:.4f}, 95 % {high[1]:.4f}, largest {high[2]:.4f}")


def score_trap(seed: int, near_share: float, shake: float, turn: bool) -> dict[str, Any]:
    """Return what frames of both cameras tell of one minute, and what images say of it.

    `turn`: whether the turn between the cameras is stated, to a degree.
    """
    scene = draw_scene(seed, near_share, shake, 1.0).model_dump()
    # a star of 1.4 px is drawn to its pixels' middles, and `measure` refuses it
    scene["second_camera"]["camera"]["pixel_scale_arcsec"] = 1.0
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made"
        truth = write_sequence(Scene.model_validate(scene), made)
        with (made / "setup.toml").open("a", encoding="utf-8") as setup:
            setup.write(f"offset_s = [{-OFFSET_S}, {OFFSET_S}]\n")
            if turn:
                error = np.random.default_rng([seed, 98]).normal(0.0, TURN_DEG)
                angle = scene["second_camera"]["angle_deg"] + error
                setup.write(f"angle_deg = {angle:.2f}\n")
        guide = made / "second/sequence.fits"
        night = measure(made / "sequence.fits", made / "setup.toml", second_camera=guide)
    width, seeing = truth["fwhm"], night.result.atmosphere.seeing_500nm_zenith_arcsec
    recorded = width["recorded_arcsec"]
    worth = night.verdict.worth_arcsec
    row: dict[str, Any] = {"near": near_share, "shake": shake, "turn": turn}
    row["used"] = night.result.witnesses[0].used
    for cause, name in (("mechanics", "without_both"), ("near_air", "without_near_air")):
        saves = recorded - width[f"{name}_arcsec"]
        said = night.verdict.matters[cause]
        # a third of worth away from it is clear, as in the calibration
        clear = abs(saves - worth) >= worth / 3
        right = "yes" if saves > worth else "no"
        # a fit that does not converge gives no answer
        row[cause] = (said == right if said in {"yes", "no"} else "open") if clear else None
    true = truth["atmosphere"]["seeing_500nm_zenith_realised_arcsec"]
    row["seeing_error"] = float(np.log(seeing.value / true))
    row["seeing_held"] = seeing.low95 <= true <= seeing.high95
    witness = night.result.witnesses[0]
    if witness.used:
        whole = witness.seeing_500nm_zenith_arcsec
        r0_500nm_m = r0_of_all_air(Scene.model_validate(scene)) * (500e-9 / WAVELENGTH_M) ** 1.2
        true = float(seeing_arcsec(r0_500nm_m, 500e-9))
        row["all_error"] = float(np.log(whole.value / true))
        row["all_held"] = whole.low95 <= true <= whole.high95
        row["all_sigma"] = float(np.log(whole.high / whole.low)) / 2
    found = witness.angle_deg
    turned = 0.0 if found is None else found.value - scene["second_camera"]["angle_deg"]
    row["turn_error"] = (turned + 180) % 360 - 180
    return row


def trap(records: int, seed: int, keep: Path | None, turn: bool) -> None:
    """Print the table of the whole measurement; rows are kept in a file, and taken from it."""
    rows = []
    if keep is not None and keep.exists():
        rows = [json.loads(line) for line in keep.read_text(encoding="utf-8").splitlines()]
    for k in range(len(rows), records):
        near, shake = NEAR_SHARES[k % 5], (0.0, 0.45)[k // 5 % 2]
        rows.append(score_trap(seed + k, near, shake, turn))
        if keep is not None:
            with keep.open("a", encoding="utf-8") as file:
                file.write(json.dumps(rows[-1]) + "\n")
    print(f"seeds {seed} to {seed + len(rows) - 1}, a minute each")
    print(
        "| near share | records | used | shaking right | open | wrong | near air right | open "
        "| wrong | seeing: error | scatter | 95 % holds | of all air: error | scatter "
        "| 95 % holds |"
    )
    print("| --- " * 15 + "|")
    for near in (*NEAR_SHARES, None):
        part = [row for row in rows if near in {None, row["near"]}]
        if not part:
            continue
        counts = " | ".join(
            str(sum(row[cause] == kind and row[cause] is not None for row in part))
            for cause in ("mechanics", "near_air")
            for kind in (True, "open", False)
        )
        error = np.array([row["seeing_error"] for row in part])
        used = [row for row in part if row["used"]]
        whole = np.array([row["all_error"] for row in used])
        print(
            f"| {'all' if near is None else f'{100 * near:.0f} %'} | {len(part)} "
            f"| {len(used)} | {counts} | {np.median(error):+.2f} "
            f"| {error.std():.2f} | {sum(row['seeing_held'] for row in part)} "
            f"| {np.median(whole):+.2f} | {whole.std():.2f} "
            f"| {sum(row['all_held'] for row in used)} |"
        )


FINE_HZ, FRAME_HZ, EXPOSURE_S = 200.0, 25.0, 0.01


def draw_shake(rms: float, duration_s: float, rng: np.random.Generator) -> np.ndarray:
    """Return a swaying and ringing column on the fine grid."""
    n = int(duration_s * FINE_HZ)
    parts = (
        (0.25, lambda f: _shake_density(f, 0.7)),
        (0.50, lambda f: _mode_density(f, 5.3, 0.02)),
        (0.25, lambda f: _mode_density(f, 7.9, 0.015)),
    )

    def axis() -> np.ndarray:
        return rms * sum(np.sqrt(w) * _noise_series(n, FINE_HZ, d, rng) for w, d in parts)

    return np.stack([axis(), axis()], axis=1)


def score_sensor(seed: int, rms: float, noise_ug: float, duration_s: float) -> dict[str, float]:
    """Return what one record found of the shake that its sensor sees, and of another night's."""
    rng = np.random.default_rng([seed, 7])
    shared = Shared(
        0.0,
        FINE_HZ,
        {"given": draw_shake(rms, duration_s + 2, rng)},
        owners={"structure": ("given",)},
    )
    middle = np.arange(0.02, duration_s, 1 / FRAME_HZ)
    inside = middle[:, None] + (np.arange(6) - 2.5) / 6 * EXPOSURE_S
    true = shared.at(inside, shared.total()).mean(axis=1)

    def air() -> np.ndarray:
        return _noise_series(middle.size, FRAME_HZ, lambda f: 0.16 * _shake_density(f, 0.8), rng)

    motion = true + np.stack([air(), air()], axis=1) + 0.05 * rng.standard_normal(true.shape)
    spec = SceneSensor(noise=noise_ug * MICRO_G, offset_s=rng.uniform(-1, 1))
    found = SensorEvidence.of(
        middle, motion, EXPOSURE_S, _draw_sensor(spec, shared, duration_s, rng), seed=seed
    )
    other = Shared(
        0.0,
        FINE_HZ,
        {"given": draw_shake(max(rms, 0.1), duration_s + 2, rng)},
        owners={"structure": ("given",)},
    )
    wrong = SensorEvidence.of(
        middle, motion, EXPOSURE_S, _draw_sensor(spec, other, duration_s, rng), seed=seed
    )
    line = np.polynomial.polynomial.polyfit(middle, true[:, 0], 3)
    rest = true[:, 0] - np.polynomial.polynomial.polyval(middle, line)
    power = 2 * np.abs(np.fft.rfft(rest)) ** 2 / rest.size**2
    f = np.fft.rfftfreq(rest.size, 1 / FRAME_HZ)
    band = np.zeros(f.size, dtype=bool)
    for centre, width, seen in zip(
        found.frequency_hz, found.width_hz, found.seen[:, 0], strict=True
    ):
        band |= seen & (abs(f - centre) <= width / 2)
    true_rms, got = float(np.sqrt(power[band].sum())), found.rms_arcsec[0]
    is_value = got.value is not None and got.low is not None
    held = got.high95 is not None and (got.low95 or 0.0) <= true_rms <= got.high95
    return {
        "coherent": found.coherent,
        "error": got.value - true_rms if is_value else np.nan,
        "limit": got.high95 if got.high95 is not None and not is_value else np.nan,
        "held": held,
        "told": got.high95 is not None,
        "in_band": true_rms,
        "wrong": wrong.coherent,
    }


def sensor(records: int, seed: int) -> None:
    """Print the table of the sensor."""
    print(
        "| length | noise | shake | records | coherent | rms in its band | error | scatter "
        "| 95 % holds | limit | other nights taken |"
    )
    print("| --- " * 11 + "|")
    for duration_s in (60.0, 300.0):
        for noise_ug in (1.0, 25.0, 150.0):
            for rms in (0.0, 0.1, 0.2, 0.4):
                rows = [score_sensor(seed + k, rms, noise_ug, duration_s) for k in range(records)]
                seed += records
                t = {key: np.array([row[key] for row in rows], dtype=float) for key in rows[0]}
                seen, limits = np.isfinite(t["error"]), np.isfinite(t["limit"])
                mean = f"{np.nanmean(t['error']):+.3f}" if seen.any() else "-"
                scatter = f"{np.nanstd(t['error']):.3f}" if seen.sum() > 2 else "-"
                limit = f"{np.nanmedian(t['limit']):.3f}" if limits.any() else "-"
                print(
                    f"| {duration_s:g} s | {noise_ug:g} µg | {rms:g} | {records} "
                    f"| {t['coherent'].sum():.0f} | {t['in_band'].mean():.3f} | {mean} | {scatter} "
                    f"| {t['held'].sum():.0f} of {t['told'].sum():.0f} | {limit} "
                    f"| {t['wrong'].sum():.0f} |",
                    flush=True,
                )


def main() -> None:
    """Read the options and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("witness", choices=("second-camera", "sensor", "trap"))
    parser.add_argument("--records", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--turn", action="store_true", help="state the turn between the cameras")
    parser.add_argument("--keep", type=Path, help="rows as they come (not of sensors)")
    given = parser.parse_args()
    if given.witness == "sensor":
        sensor(given.records, given.seed)
    elif given.witness == "trap":
        trap(given.records, given.seed, given.keep, given.turn)
    else:
        second_camera(given.records, given.seed, given.minutes, given.keep)


if __name__ == "__main__":
    main()
