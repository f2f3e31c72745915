"""The store and its public tables."""

from __future__ import annotations

import sqlite3

import pytest

from blursplit.campaign import Store
from blursplit.campaign.store import CONDITIONS
from blursplit.constants import STORE_VERSION
from blursplit.errors import InputError, OutputError


def row(**more: object) -> dict[str, object]:
    """Return the columns of a sequence."""
    base: dict[str, object] = {
        "content": "c",
        "settings": "s",
        "status": "done",
        "name": "M 39",
        "first_file": "a.fits",
        "files": 2,
        "frames": 2,
        "version": "0",
        **dict.fromkeys(CONDITIONS),
    }
    return base | more


def test_row_result_and_files_are_written_together_or_not_at_all(tmp_path, make) -> None:
    with Store(tmp_path / "s.db") as store:
        store.put("k", row(night="2026-03-01"), ["a", "b"], make.result().to_json())
        with pytest.raises(sqlite3.IntegrityError):
            store.put("k2", row(status="odd"), ["c"], "{}")
        assert store.known() == {"k"}
        assert [f["path"] for f in store.rows("files")] == ["a", "b"]


def test_measurements_view_has_the_numbers_in_columns_for_sql_and_pandas(tmp_path, make) -> None:
    import pandas as pd

    with Store(tmp_path / "s.db") as store:
        store.put("k", row(night="2026-03-01"), ["a"], make.result().to_json())
        store.put("f", row(status="failed", reason="no star"), ["b"])
    connection = sqlite3.connect(tmp_path / "s.db")
    table = pd.read_sql("SELECT * FROM measurements", connection)
    nights = pd.read_sql("SELECT * FROM nights", connection)
    connection.close()
    assert len(table) == 1
    assert table.loc[0, "structure_rms_arcsec"] == 0.5
    assert table.loc[0, "structure_rms_arcsec_low"] == pytest.approx(0.45)
    assert table.loc[0, "seeing_500nm_zenith_arcsec"] == 1.5
    assert nights.loc[0, "sequences"] == 1


def test_parquet_holds_the_measurements_with_units_for_tables_and_bare_for_pandas(
    tmp_path, make
) -> None:
    import pandas as pd
    from astropy.table import QTable

    path = tmp_path / "new folder" / "s.parquet"
    with Store(tmp_path / "s.db") as store:
        runs = {"a": make.result(), "b": make.result(structure=make.limit(0.2)), "c": make.result()}
        for key, run in runs.items():
            store.put(key, row(telescope="T é"), [key], run.to_json())
        store.put("other", row(settings="t"), ["d"], make.result().to_json())
        store.put("f", row(status="failed", reason="no star"), ["e"])
        assert store.write_parquet(path, {"s"}, {"c"}) == 2
        names = list(store.rows()[0])
    table = QTable.read(path)
    assert table.colnames == names
    assert list(table["key"]) == ["a", "b"]
    assert table["structure_rms_arcsec"].unit == "arcsec"
    assert table["tracking_drift_arcsec_per_min_low"].unit == "arcsec / min"
    assert str(table["recorded_fwhm_px"].unit) == "pix"
    frame = pd.read_parquet(path)
    assert list(frame.columns) == names
    assert frame.loc[0, "structure_rms_arcsec"] == 0.5
    assert pd.isna(frame.loc[1, "structure_rms_arcsec"])
    assert frame.loc[1, "structure_rms_arcsec_high"] == 0.2
    assert frame.loc[0, "telescope"] == "T é"
    assert frame["files"].dtype == "int64"


def test_parquet_of_a_store_without_measurements_has_the_same_columns(tmp_path, make) -> None:
    from astropy.table import Table

    with Store(tmp_path / "s.db") as store:
        assert store.write_parquet(tmp_path / "none.parquet") == 0
        store.put("a", row(), ["a"], make.result().to_json())
        store.write_parquet(tmp_path / "one.parquet")
    none, one = (Table.read(tmp_path / f"{name}.parquet") for name in ("none", "one"))
    assert none.colnames == one.colnames
    assert [c.dtype.kind for c in none.columns.values()] == [
        c.dtype.kind for c in one.columns.values()
    ]


def test_store_is_in_write_ahead_mode_and_carries_its_version(tmp_path) -> None:
    Store(tmp_path / "s.db").close()
    connection = sqlite3.connect(tmp_path / "s.db")
    assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert connection.execute("PRAGMA user_version").fetchone()[0] == STORE_VERSION
    connection.close()


def test_grown_sequence_replaces_its_older_row(tmp_path) -> None:
    with Store(tmp_path / "s.db") as store:
        store.put("old", row(), ["a", "b"])
        store.put("new", row(files=3), ["a", "b", "c"])
        store.put("other setup", row(settings="t", files=3), ["a", "b", "c"])
        assert store.known() == {"new", "other setup"}


@pytest.mark.parametrize(("version", "hint"), [(STORE_VERSION + 1, "update"), (99, "update")])
def test_store_of_a_newer_version_is_refused_politely(tmp_path, version: int, hint: str) -> None:
    path = tmp_path / "s.db"
    Store(path).close()
    connection = sqlite3.connect(path)
    connection.execute(f"PRAGMA user_version = {version}")
    connection.close()
    with pytest.raises(InputError, match=hint):
        Store(path)


def test_foreign_files_are_refused_and_left_alone(tmp_path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("my notes, longer than sixteen bytes")
    with pytest.raises(InputError, match="not a store"):
        Store(text)
    assert text.read_text().startswith("my notes")
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE t (a)")
    connection.commit()
    connection.close()
    with pytest.raises(InputError, match="another program"):
        Store(other)


def test_damaged_store_is_refused(tmp_path) -> None:
    path = tmp_path / "s.db"
    path.write_bytes(b"SQLite format 3\x00" + b"\xff" * 5000)
    with pytest.raises((InputError, OutputError), match=r"s\.db"):
        Store(path)


def test_store_in_a_missing_folder_is_an_output_error(tmp_path) -> None:
    with pytest.raises(OutputError, match="cannot be used"):
        Store(tmp_path / "none" / "s.db")


def test_unknown_table_is_a_wrong_argument(tmp_path) -> None:
    with Store(tmp_path / "s.db") as store, pytest.raises(ValueError, match="no table"):
        store.rows("sqlite_master; DROP TABLE sequences")


@pytest.mark.parametrize("content", [b"SQLite format 3\x00" + b"\xff" * 5000, None])
def test_a_refused_file_is_not_held_open(tmp_path, monkeypatch, content) -> None:
    """Neither a damaged file nor a store of a later version, whose file this process could read."""
    path = tmp_path / "s.db"
    if content is None:
        Store(path).close()
        connection = sqlite3.connect(path)
        connection.execute(f"PRAGMA user_version = {STORE_VERSION + 1}")
        connection.close()
    else:
        path.write_bytes(content)
    opened, connect = [], sqlite3.connect

    def remember(*arguments, **options):
        opened.append(connect(*arguments, **options))
        return opened[-1]

    monkeypatch.setattr(sqlite3, "connect", remember)
    with pytest.raises((InputError, OutputError)):
        Store(path)
    with pytest.raises(sqlite3.ProgrammingError, match="closed"):
        opened[0].execute("SELECT 1")
