"""The store: one SQLite file with a row and the result of each sequence.

These tables and views are public and may be read with plain SQL or pandas while `archive` runs:

sequences
    One row a sequence, failed ones included: ``key``, ``content`` (digest of its files),
    ``settings`` (digest of setup and blur time), ``status`` (done, failed, too short),
    ``reason``, ``name``, ``first_file``, ``files``, ``frames``, the conditions from the headers
    (``object`` ... ``temperature_c``), ``seconds``, ``measured_utc``, ``version``.
results
    ``key`` and ``result``, the text of result.json; SQLite's ``json_extract`` reaches into it.
numbers
    ``key`` and the main numbers as columns, each estimate as NAME, NAME_low and NAME_high (68 %).
    An upper limit has NAME null and NAME_high set.
files
    ``key``, ``position``, ``path``.
refused_files
    FITS files that could not be read, and why.
measurements
    View: the done rows of ``sequences`` with their ``numbers``; the texts of the results, which
    are most of the file, are not read.
nights
    View: counts and means by night (date of the evening).

For example ``pandas.read_sql("SELECT * FROM measurements", sqlite3.connect(path))``.
`Store.write_parquet` writes ``measurements`` for what reads columns rather than SQL.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Self

from blursplit import constants as const
from blursplit.errors import InputError, OutputError
from blursplit.folder import written_whole
from blursplit.report.numbers import unit_of_key

CONDITIONS = (
    "object",
    "telescope",
    "instrument",
    "filter",
    "exposure_s",
    "start_utc",
    "end_utc",
    "night",
    "airmass",
    "altitude_deg",
    "azimuth_deg",
    "pier_side",
    "wind_m_s",
    "temperature_c",
)

MEASURED: dict[str, str] = {
    "blur_time_s": "$.fwhm.blur_time_s",
    "stars_used": "$.sequence.stars_used",
    "frames_used": "$.sequence.frames_used",
    "mechanics_matters": "$.verdict.matters.mechanics",
    "headline": "$.verdict.headline",
}
_MEASURED_TEXTS = {"mechanics_matters", "headline"}
ESTIMATES: dict[str, str] = {
    "recorded_fwhm_arcsec": "$.fwhm.recorded_arcsec",
    "without_both_arcsec": "$.fwhm.without_both_arcsec",
    "recorded_fwhm_px": "$.fwhm.recorded_px",
    "seeing_500nm_zenith_arcsec": "$.atmosphere.seeing_500nm_zenith_arcsec",
    "atmosphere_fwhm_arcsec": "$.atmosphere.fwhm_arcsec",
    "tracking_rms_arcsec": "$.tracking.rms_major_arcsec",
    "tracking_drift_arcsec_per_min": "$.tracking.drift_arcsec_per_min",
    "structure_rms_arcsec": "$.structure.rms_major_arcsec",
    "structure_saving_arcsec": "$.structure.saving_arcsec",
    "tracking_saving_arcsec": "$.tracking.saving_arcsec",
    "open_rms_arcsec": "$.open.motion_rms_major_arcsec",
    "optics_fwhm_arcsec": "$.instrument.optics_fwhm_arcsec",
}


def _numbers() -> dict[str, str]:
    """Return the columns of ``numbers`` and the place of each in result.json."""
    found = dict(MEASURED)
    for name, path in ESTIMATES.items():
        found |= {
            name: f"{path}.value",
            f"{name}_low": f"{path}.low",
            f"{name}_high": f"{path}.high",
        }
    return found


_EXTRACTED = ", ".join(f"json_extract(result, '{path}')" for path in _numbers().values())
_FILL = f"INSERT INTO numbers SELECT key, {_EXTRACTED} FROM results"  # noqa: S608 - names of our own


_TEXTS = {
    "object",
    "telescope",
    "instrument",
    "filter",
    "start_utc",
    "end_utc",
    "night",
    "pier_side",
}
_CONDITION_COLUMNS = ", ".join(f"{c} {'TEXT' if c in _TEXTS else 'REAL'}" for c in CONDITIONS)
_TABLES = f"""
CREATE TABLE sequences (
  key TEXT PRIMARY KEY,
  content TEXT NOT NULL,
  settings TEXT NOT NULL,
  status TEXT NOT NULL CHECK (status IN ('done', 'failed', 'too short')),
  reason TEXT NOT NULL DEFAULT '',
  name TEXT NOT NULL,
  first_file TEXT NOT NULL,
  files INTEGER NOT NULL,
  frames INTEGER NOT NULL,
  {_CONDITION_COLUMNS},
  seconds REAL,
  measured_utc TEXT NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%SZ', 'now')),
  version TEXT NOT NULL
);
CREATE INDEX sequences_night ON sequences (night);
CREATE TABLE results (
  key TEXT PRIMARY KEY REFERENCES sequences (key) ON DELETE CASCADE,
  result TEXT NOT NULL
);
CREATE TABLE numbers (
  key TEXT PRIMARY KEY REFERENCES sequences (key) ON DELETE CASCADE,
  {", ".join(_numbers())}
) WITHOUT ROWID;
CREATE TABLE files (
  key TEXT NOT NULL REFERENCES sequences (key) ON DELETE CASCADE,
  position INTEGER NOT NULL,
  path TEXT NOT NULL,
  PRIMARY KEY (key, position)
) WITHOUT ROWID;
CREATE INDEX files_path ON files (path);
CREATE TABLE refused_files (path TEXT PRIMARY KEY, reason TEXT NOT NULL);
CREATE VIEW measurements AS
SELECT s.*, {", ".join(f"n.{name}" for name in _numbers())}
FROM sequences AS s JOIN numbers AS n USING (key)
WHERE s.status = 'done';
CREATE VIEW nights AS
SELECT night, count(*) AS sequences, sum(frames) AS frames,
  avg(seeing_500nm_zenith_arcsec) AS mean_seeing_arcsec,
  avg(structure_rms_arcsec) AS mean_structure_rms_arcsec,
  avg(tracking_rms_arcsec) AS mean_tracking_rms_arcsec,
  avg(recorded_fwhm_arcsec) AS mean_recorded_fwhm_arcsec
FROM measurements GROUP BY night;
"""  # noqa: S608 - names of our own


def check_parquet() -> None:
    """Refuse to write Parquet, before anything is measured, where the library is not there."""
    if find_spec("pyarrow") is None:
        raise InputError("--parquet", "needs the library pyarrow", "python -m pip install pyarrow")


def _writable(value: Any) -> Any:
    r"""Return a value as the store keeps it: the bytes of a name that are no UTF-8 as ``\xNN``.

    Unlike a replacement character, this keeps two such names apart.
    """
    if not isinstance(value, str):
        return value
    return value.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


class Store:
    """A store opened for reading and writing, created when absent.

    Raises InputError when the file is not a store, or of another version; OutputError when it
    cannot be created or written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from blursplit.campaign import Store
    >>> with Store(Path("nights.sqlite")) as store:
    ...     [(row["object"], row["frames"], row["status"]) for row in store.rows("sequences")]
    [('SIMULATED FIELD', 40, 'done')]
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        existed = path.exists() and path.stat().st_size > 0
        if existed:
            with path.open("rb") as file:
                if not file.read(16).startswith(b"SQLite format 3"):
                    raise InputError(path, "is not a store", "name another file with --store")
        try:
            self._db = sqlite3.connect(path, timeout=60.0, isolation_level=None)
            try:
                self._prepare(existed=existed)
            except BaseException:
                self._db.close()  # a file that is refused is not held open
                raise
        except sqlite3.DatabaseError as error:
            raise OutputError(path, f"cannot be used ({error})", "check its folder") from error

    def _prepare(self, *, existed: bool) -> None:
        self._db.row_factory = sqlite3.Row
        if existed:
            self._check()
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")
        self._db.execute("PRAGMA foreign_keys = ON")
        self._create()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; the write-ahead log is folded back into it."""
        self._db.close()

    def _check(self) -> None:
        try:
            ours = self._db.execute("PRAGMA application_id").fetchone()[0]
            version = self._db.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.DatabaseError as error:
            raise InputError(
                self.path, f"is damaged ({error})", "restore it, or name another with --store"
            ) from error
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables == 0 and ours == 0:
            return
        if ours != const.STORE_APPLICATION_ID:
            raise InputError(
                self.path, "is a database of another program", "name another file with --store"
            )
        if version != const.STORE_VERSION:
            remedy = (
                "update blursplit, or name another file with --store"
                if version > const.STORE_VERSION
                else "name another file with --store; the archive is measured again"
            )
            raise InputError(
                self.path, f"has layout {version}, this version reads {const.STORE_VERSION}", remedy
            )

    def _create(self) -> None:
        # Two first runs at once: the second waits here and then finds the tables there.
        self._db.execute("BEGIN IMMEDIATE")
        try:
            if self._db.execute("PRAGMA user_version").fetchone()[0] != const.STORE_VERSION:
                for statement in _TABLES.split(";\n"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA application_id = {const.STORE_APPLICATION_ID}")
                self._db.execute(f"PRAGMA user_version = {const.STORE_VERSION}")
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            raise

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        try:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.OperationalError as error:
            raise OutputError(
                self.path, f"cannot be written ({error})", "check disk and rights, then run again"
            ) from error

    def known(self, *, with_failed: bool = True) -> set[str]:
        """Return the keys of the sequences that are in the store."""
        condition = "" if with_failed else " WHERE status <> 'failed'"
        return {row[0] for row in self._db.execute(f"SELECT key FROM sequences{condition}")}  # noqa: S608

    def put(
        self, key: str, row: Mapping[str, Any], paths: list[str], result_json: str | None = None
    ) -> None:
        """Write a sequence, its files and its result together or not at all.

        `row`: columns of ``sequences`` besides the key. `result_json`: text of result.json; absent
        for sequences that failed.
        """
        columns = ["key", *row]
        marks = ", ".join("?" * len(columns))
        with self._transaction() as db:
            db.execute("DELETE FROM sequences WHERE key = ?", (key,))
            # A sequence that has grown, or files that were replaced: the old row must not stay
            # beside the new one.
            for path in paths:
                db.execute(
                    "DELETE FROM sequences WHERE settings = ? AND key IN "
                    "(SELECT key FROM files WHERE path = ?)",
                    (row["settings"], _writable(path)),
                )
            db.execute(
                f"INSERT INTO sequences ({', '.join(columns)}) VALUES ({marks})",  # noqa: S608
                (key, *map(_writable, row.values())),
            )
            _put_files(db, key, paths)
            if result_json is not None:
                db.execute("INSERT INTO results VALUES (?, ?)", (key, result_json))
                db.execute(f"{_FILL} WHERE key = ?", (key,))

    def moved(self, key: str, paths: list[str]) -> None:
        """Remember where the files of a known sequence are now."""
        paths = [_writable(path) for path in paths]
        with self._transaction() as db:
            known = db.execute("SELECT path FROM files WHERE key = ? ORDER BY position", (key,))
            if [row[0] for row in known] != paths:
                db.execute("DELETE FROM files WHERE key = ?", (key,))
                _put_files(db, key, paths)
                db.execute("UPDATE sequences SET first_file = ? WHERE key = ?", (paths[0], key))

    def refuse(self, files: list[tuple[str, str]]) -> None:
        """Replace the list of files that could not be read."""
        with self._transaction() as db:
            db.execute("DELETE FROM refused_files")
            rows = [tuple(map(_writable, file)) for file in files]
            db.executemany("INSERT OR REPLACE INTO refused_files VALUES (?, ?)", rows)

    def rows(
        self,
        table: str = "measurements",
        settings: Collection[str] | None = None,
        without: Collection[str] = (),
    ) -> list[dict[str, Any]]:
        """Return the rows of a public table or view.

        `settings`: only the rows of these setups and blur times (column ``settings``); default all.
        `without`: keys of rows that are left out.

        Raises ValueError when there is no such table.
        """
        if table not in {"sequences", "measurements", "nights", "refused_files", "files"}:
            msg = f"no table {table!r} in a store"
            raise ValueError(msg)
        order = " ORDER BY start_utc, key" if table in {"sequences", "measurements"} else ""
        found = self._db.execute(f"SELECT * FROM {table}{order}")  # noqa: S608
        return [
            dict(row)
            for row in found
            if (settings is None or row["settings"] in settings)
            and (not without or row["key"] not in without)
        ]

    def write_parquet(
        self, path: Path, settings: Collection[str] | None = None, without: Collection[str] = ()
    ) -> int:
        """Write the rows of ``measurements`` as a Parquet file and return how many they are.

        Columns carry the units that astropy's ``QTable.read`` gives back. What is not known is NaN
        or an empty text. `settings` and `without` as for `rows`.

        Raises InputError when the library that writes such files is not installed, OutputError when
        the file cannot be written.

        Examples
        --------
        >>> from pathlib import Path
        >>> from blursplit.campaign import Store
        >>> with Store(Path("nights.sqlite")) as store:
        ...     store.write_parquet(Path("nights.parquet"))
        1
        >>> from astropy.table import QTable
        >>> QTable.read("nights.parquet")["recorded_fwhm_arcsec"].unit
        Unit("arcsec")
        """
        import numpy as np
        from astropy.table import Column, Table

        check_parquet()
        rows = self.rows(settings=settings, without=without)
        types = dict(self._db.execute("SELECT name, type FROM pragma_table_info('measurements')"))
        columns = []
        for name, declared in types.items():
            values = [row[name] for row in rows]
            if declared == "TEXT" or name in _MEASURED_TEXTS:
                columns.append(Column(["" if v is None else v for v in values], name, dtype="U"))
            elif declared == "INTEGER":
                columns.append(Column(values, name, dtype=np.int64))
            else:
                unit = unit_of_key(name.removesuffix("_low").removesuffix("_high"))
                unit = {"px": "pix", "°C": "deg_C"}.get(unit, unit)
                columns.append(Column(np.array(values, dtype=np.float64), name, unit=unit or None))
        with written_whole(path) as temporary:
            Table(columns).write(temporary, format="parquet", overwrite=True)
        return len(rows)

    def result_json(self, key: str) -> str | None:
        """Return the text of result.json of a sequence, None when it has no result."""
        row = self._db.execute("SELECT result FROM results WHERE key = ?", (key,)).fetchone()
        return None if row is None else str(row[0])


def _put_files(db: sqlite3.Connection, key: str, paths: list[str]) -> None:
    rows = [(key, i, _writable(path)) for i, path in enumerate(paths)]
    db.executemany("INSERT INTO files VALUES (?, ?, ?)", rows)
