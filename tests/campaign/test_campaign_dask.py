"""Archives on a real Dask cluster whose worker is killed half way."""

from __future__ import annotations

import os
import signal
import threading
import time

import pytest

from blursplit.campaign import Store, archive


@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_cluster_that_loses_a_worker_half_way_loses_and_doubles_nothing(
    tmp_path, frames, standin, monkeypatch
) -> None:
    distributed = pytest.importorskip("distributed")
    measure, log = standin
    names = ["A", "B", "GATED1", "GATED2", "Y", "Z"]
    for name in names:
        frames(tmp_path / "in", name)
    gate = tmp_path / "gate"
    monkeypatch.setenv("STANDIN_GATE", str(gate))
    store = tmp_path / "s.db"

    def kill_one() -> None:
        """Kill the process in which a gated task runs, then let the others through."""
        while not list(log.glob("GATED*")):
            time.sleep(0.02)
        pid = int(next(log.glob("GATED*")).name.split("-")[1])
        os.kill(pid, signal.SIGKILL)
        gate.touch()

    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        killer = threading.Thread(target=kill_one, daemon=True)
        killer.start()
        run = archive(tmp_path / "in", store, measure=measure, scheduler=cluster.scheduler_address)
        killer.join(timeout=30)
        assert not killer.is_alive()
    assert (run.done, run.failed) == (6, 0)
    with Store(store) as opened:
        assert sorted(r["object"] for r in opened.rows("measurements")) == names
