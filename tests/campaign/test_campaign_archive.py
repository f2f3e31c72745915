"""Archives: resumable, nothing lost or doubled, one failure does not stop the rest."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time

import numpy as np
import pytest

from blursplit.campaign import Store, archive
from blursplit.errors import InputError
from blursplit.rig import Rig


def calls(log, name: str = "") -> int:
    """Return how often the stand-in was called for a target."""
    return len(list(log.glob(f"{name}*-*-*")))


def statuses(path) -> dict[str, str]:
    """Return target -> status."""
    with Store(path) as store:
        return {r["object"]: r["status"] for r in store.rows("sequences")}


def test_second_run_does_only_what_is_new(tmp_path, frames, standin) -> None:
    measure, log = standin
    frames(tmp_path / "in", "A")
    frames(tmp_path / "in", "B")
    store = tmp_path / "s.db"
    first = archive(tmp_path / "in", store, measure=measure, workers=0)
    assert (first.done, first.known) == (2, 0)
    frames(tmp_path / "in", "C")
    second = archive(tmp_path / "in", store, measure=measure, workers=0)
    assert (second.done, second.known) == (1, 2)
    assert calls(log) == 3
    # Another blur time is another measurement, beside the first.
    third = archive(tmp_path / "in", store, measure=measure, workers=0, blur_time_s=5.0)
    assert third.done == 3
    with Store(store) as opened:
        assert len(opened.rows("measurements")) == 6


def test_renamed_files_are_known_and_their_new_place_is_kept(tmp_path, frames, standin) -> None:
    measure, _ = standin
    frames(tmp_path / "in" / "old", "A")
    archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0)
    (tmp_path / "in" / "old").rename(tmp_path / "in" / "new")
    run = archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0)
    assert (run.done, run.known) == (0, 1)
    with Store(tmp_path / "s.db") as store:
        assert all("/new/" in f["path"] for f in store.rows("files"))


def test_failures_keep_their_reason_and_the_rest_goes_on(tmp_path, frames, standin) -> None:
    measure, _ = standin
    for name in ("A", "BAD", "BOOM", "DIE", "Z"):
        frames(tmp_path / "in", name)
    frames(tmp_path / "in", "SHORT", 2)
    (tmp_path / "in" / "empty.fits").touch()
    run = archive(tmp_path / "in", tmp_path / "s.db", measure=measure)
    assert (run.done, run.failed, run.too_short, run.refused_files) == (2, 3, 1, 1)
    assert statuses(tmp_path / "s.db") == {
        "A": "done", "BAD": "failed", "BOOM": "failed", "DIE": "failed", "SHORT": "too short",
        "Z": "done",
    }  # fmt: skip
    with Store(tmp_path / "s.db") as store:
        reasons = {r["object"]: r["reason"] for r in store.rows("sequences")}
        assert store.rows("refused_files")[0]["path"].endswith("empty.fits")
    assert "no star; point at one" in reasons["BAD"]
    assert "ZeroDivisionError: inside (campaign_standin.py:" in reasons["BOOM"]
    assert "died" in reasons["DIE"]
    again = archive(tmp_path / "in", tmp_path / "s.db", measure=measure)
    assert (again.done, again.failed) == (0, 0)


def test_process_that_dies_once_costs_nothing(tmp_path, frames, standin) -> None:
    measure, _ = standin
    for name in ("DIE-ONCE", "B", "C", "D"):
        frames(tmp_path / "in", name)
    run = archive(tmp_path / "in", tmp_path / "s.db", measure=measure)
    assert (run.done, run.failed) == (4, 0)
    assert set(statuses(tmp_path / "s.db").values()) == {"done"}


RUN = """
import sys
from pathlib import Path
from blursplit.campaign import archive

if __name__ == "__main__":
    archive(Path(sys.argv[1]), Path(sys.argv[2]), measure=sys.argv[3], workers=1)
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGINT])
def test_run_killed_half_way_resumes_with_nothing_lost_or_doubled(
    tmp_path, frames, standin, monkeypatch, how
) -> None:
    measure, log = standin
    for name in ("A1", "A2", "GATED", "GATED2"):
        frames(tmp_path / "in", name)
    script = tmp_path / "run.py"
    script.write_text(textwrap.dedent(RUN))
    gate = tmp_path / "gate"
    monkeypatch.setenv("STANDIN_GATE", str(gate))
    store = tmp_path / "s.db"
    with subprocess.Popen(
        [sys.executable, str(script), str(tmp_path / "in"), str(store), measure],
        stderr=subprocess.PIPE,
    ) as process:
        while calls(log, "GATED") == 0:
            assert process.poll() is None
            time.sleep(0.02)
        while len(_measured(store)) < 2:
            time.sleep(0.02)
        worker = int(next(log.glob("GATED*")).name.split("-")[1])
        process.send_signal(how)
        try:
            process.communicate(timeout=60)
        finally:
            process.kill()  # does nothing to a process that has ended; else the test would hang
    _wait_until_gone(worker)
    assert _measured(store) == {"A1", "A2"}
    gate.touch()
    run = archive(tmp_path / "in", store, measure=measure, workers=1)
    assert (run.done, run.known) == (2, 2)
    with Store(store) as opened:
        assert sorted(r["object"] for r in opened.rows("measurements")) == [
            "A1", "A2", "GATED", "GATED2",
        ]  # fmt: skip
    assert calls(log, "A") == 2


def _measured(store) -> set[str]:
    """Return the targets measured so far, read beside the running archive."""
    import contextlib
    import sqlite3

    with contextlib.closing(sqlite3.connect(store)) as db:
        return {row[0] for row in db.execute("SELECT object FROM measurements")}


def _wait_until_gone(pid: int) -> None:
    """Wait for a worker to notice that its parent is gone."""
    for _ in range(500):
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return
        with open(f"/proc/{pid}/stat") as file:  # noqa: PTH123
            if file.read().rpartition(")")[2].split()[0] == "Z":
                return
        time.sleep(0.02)
    pytest.fail("the worker outlived its parent")


def test_failed_sequences_are_tried_again_on_request(tmp_path, frames, standin) -> None:
    measure, log = standin
    frames(tmp_path / "in", "BAD")
    archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0)
    run = archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0, retry_failed=True)
    assert run.failed == 1
    assert calls(log, "BAD") == 2


def test_setup_reaches_the_measurement_and_the_key(tmp_path, frames, standin) -> None:
    measure, _ = standin
    frames(tmp_path / "in", "A")
    rig = Rig(aperture_m=0.2)
    one = archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0)
    two = archive(tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0, rig=rig)
    assert one.settings != two.settings
    assert two.done == 1


def test_progress_counts_to_the_total(tmp_path, frames, standin) -> None:
    measure, _ = standin
    frames(tmp_path / "in", "A")
    frames(tmp_path / "in", "B")
    seen = []
    archive(
        tmp_path / "in", tmp_path / "s.db", measure=measure, workers=0,
        on_sequence=lambda done, total: seen.append((done, total)),
    )  # fmt: skip
    assert seen == [(1, 2), (2, 2)]


def test_empty_folder_makes_an_empty_store(tmp_path) -> None:
    (tmp_path / "in").mkdir()
    assert archive(tmp_path / "in", tmp_path / "s.db").sequences == 0


def test_unreachable_scheduler_is_one_clear_error(tmp_path, frames, monkeypatch) -> None:
    monkeypatch.setattr("blursplit.constants.CONNECT_TIMEOUT_S", 1)
    frames(tmp_path / "in", "A")
    with pytest.raises(InputError, match="does not answer"):
        archive(tmp_path / "in", tmp_path / "s.db", scheduler="tcp://127.0.0.1:9")


def test_a_scale_given_for_a_telescope_measures_its_sequences_alone_anew(
    tmp_path, frames, standin
) -> None:
    measure, log = standin
    frames(tmp_path / "in", "A", TELESCOP="Old reflector")
    frames(tmp_path / "in", "B", TELESCOP="T1")
    how = {"measure": measure, "workers": 0}
    archive(tmp_path / "in", tmp_path / "s.db", **how)
    run = archive(tmp_path / "in", tmp_path / "s.db", scales={"old reflector": 1.2}, **how)
    assert (run.done, run.known) == (1, 1)
    assert (calls(log, "A"), calls(log, "B")) == (2, 1)
    with Store(tmp_path / "s.db") as store:
        assert len(store.rows()) == 3
        assert store.summary(run.settings, run.superseded).sequences["done"] == 2
    with pytest.raises(InputError, match="did you mean 'Old reflector'"):
        archive(tmp_path / "in", tmp_path / "s.db", scales={"Old refractor": 1.0}, **how)


def test_frames_without_times_give_their_width_and_nothing_that_needs_times(monkeypatch) -> None:
    import types

    from blursplit.campaign.archive import _measure_task, _Task
    from blursplit.errors import TimingError
    from blursplit.estimate import Estimate
    from blursplit.result import Fwhm, Result, SequenceInfo, Tracking

    width = Estimate(value=2.0, low=1.9, high=2.1)

    def measure(paths, rig, **_):
        if rig.get("frame_interval_s") is None:
            raise TimingError(paths[0], "no frame times", "give camera.frame_interval_s")
        info = SequenceInfo(files=1, frames=9, frames_used=9, stars_used=3, cadence_s=20.0)
        found = Result(
            sequence=info,
            fwhm=Fwhm(blur_time_s=60.0, recorded_px=width, without_both_arcsec=width),
            tracking=Tracking(rms_major_arcsec=width),
        )
        return types.SimpleNamespace(result=found)

    module = types.ModuleType("timeless")
    module.measure = measure
    monkeypatch.setitem(sys.modules, "timeless", module)
    outcome = _measure_task(_Task("k", ("a.fits",), measure="timeless:measure", interval_s=20.0))
    assert outcome.status == "done"
    alone = Result.from_json(outcome.result)
    assert alone.fwhm.recorded_px == width
    assert alone.fwhm.without_both_arcsec is None
    assert alone.tracking.rms_major_arcsec is None
    assert alone.sequence.cadence_s is None
    assert [w.code for w in alone.warnings] == ["times-unknown"]


@pytest.mark.parametrize(("key", "value"), [("JD", 2461101.3), ("MJD-OBS", 61100.8)])
def test_night_is_known_by_julian_dates_too(tmp_path, key, value) -> None:
    from astropy.io import fits

    from blursplit.campaign.grouping import walk

    hdu = fits.PrimaryHDU(np.random.default_rng(3).integers(0, 99, (8, 9)).astype(np.int16))
    hdu.header["OBJECT"], hdu.header[key] = "A", value
    hdu.writeto(tmp_path / "a.fits")
    # JD 2461101 begins at noon of 1 March 2026
    assert walk(tmp_path).groups[0].facts["night"] == "2026-03-01"
