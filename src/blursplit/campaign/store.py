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
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from importlib.util import find_spec
from pathlib import Path
from statistics import median
from typing import Any, Self

import numpy as np
from pydantic import Field

from blursplit import constants as const
from blursplit.errors import InputError, OutputError
from blursplit.folder import written_whole
from blursplit.report.numbers import unit_of_key
from blursplit.report.words import sentence
from blursplit.result import Document, Part

ARCHIVE_SCHEMA = "blursplit-archive/1"
Row = dict[str, Any]

# What headers say of a sequence, as columns.
_CONDITIONS = """object TEXT, telescope TEXT, instrument TEXT, filter TEXT, exposure_s REAL,
  start_utc TEXT, end_utc TEXT, night TEXT, airmass REAL, altitude_deg REAL, azimuth_deg REAL,
  pier_side TEXT, wind_m_s REAL, temperature_c REAL"""
CONDITIONS = [column.split()[0] for column in _CONDITIONS.split(",")]

_MEASURED: dict[str, str] = {
    "blur_time_s": "$.fwhm.blur_time_s",
    "stars_used": "$.sequence.stars_used",
    "frames_used": "$.sequence.frames_used",
    "mechanics_matters": "$.verdict.matters.mechanics",
    "headline": "$.verdict.headline",
}
_MEASURED_TEXTS = {"mechanics_matters", "headline"}
_ESTIMATES: dict[str, str] = {
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
    ends = {"": "value", "_low": "low", "_high": "high"}
    places = {f"{n}{e}": f"{p}.{end}" for n, p in _ESTIMATES.items() for e, end in ends.items()}
    return _MEASURED | places


_EXTRACTED = ", ".join(f"json_extract(result, '{path}')" for path in _numbers().values())
_FILL = f"INSERT INTO numbers SELECT key, {_EXTRACTED} FROM results"  # noqa: S608 - names of our own

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
  {_CONDITIONS},
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
            remedy = "restore it, or name another with --store"
            raise InputError(self.path, f"is damaged ({error})", remedy) from error
        tables = self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables == 0 and ours == 0:
            return
        other = "name another file with --store"
        if ours != const.STORE_APPLICATION_ID:
            raise InputError(self.path, "is a database of another program", other)
        if version != const.STORE_VERSION:
            problem = f"has layout {version}, this version reads {const.STORE_VERSION}"
            newer = f"update blursplit, or {other}"
            older = f"{other}; the archive is measured again"
            raise InputError(self.path, problem, newer if version > const.STORE_VERSION else older)

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
            remedy = "check disk and rights, then run again"
            raise OutputError(self.path, f"cannot be written ({error})", remedy) from error

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
            of_file = "key IN (SELECT key FROM files WHERE path = ?)"
            db.executemany(
                f"DELETE FROM sequences WHERE settings = ? AND {of_file}",  # noqa: S608
                [(row["settings"], _writable(path)) for path in paths],
            )
            insert = f"INSERT INTO sequences ({', '.join(columns)}) VALUES ({marks})"  # noqa: S608
            db.execute(insert, (key, *map(_writable, row.values())))
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
        from astropy.table import Column, Table

        self.check_parquet()
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

    @staticmethod
    def check_parquet() -> None:
        """Refuse to write Parquet, before anything is measured, where the library is not there."""
        if find_spec("pyarrow") is None:
            remedy = "python -m pip install pyarrow"
            raise InputError("--parquet", "needs the library pyarrow", remedy)

    @staticmethod
    def with_unscaled(rows: Sequence[Row]) -> list[Row]:
        """Return rows with the width in pixels of those that have no other."""
        ends = ("", "_low", "_high")
        return [
            row
            | {
                f"unscaled_fwhm_px{end}": row[f"recorded_fwhm_px{end}"]
                if row["recorded_fwhm_arcsec"] is None
                else None
                for end in ends
            }
            for row in rows
        ]

    def summary(
        self, settings: str | Collection[str] | None = None, without: Collection[str] = ()
    ) -> ArchiveSummary:
        """Return a store in numbers; `settings` and `without` as for `Store.rows`."""
        chosen = {settings} if isinstance(settings, str) else settings
        everything = self.rows("sequences", chosen, without)
        rows = self.with_unscaled(self.rows("measurements", chosen, without))
        nights = _groups(rows, lambda r: r["night"] or UNDATED)
        for night in nights:
            if night.label != UNDATED:
                # the day that began at noon of 1 January 1 (proleptic) is 1 721 426
                night.julian_day = date.fromisoformat(night.label).toordinal() + 1_721_425
        overall = _group("all sequences", rows)
        picks = _picks(rows)
        return ArchiveSummary(
            sequences={s: sum(r["status"] == s for r in everything) for s in _STATES},
            refused_files=len(self.rows("refused_files")),
            settings=sorted(chosen or ()),
            headline=_headline(overall, nights, picks),
            without_scale=_count(
                r["telescope"] or "" for r in rows if r["unscaled_fwhm_px"] is not None
            ),
            overall=overall,
            nights=nights,
            pier_sides=_groups(rows, lambda r: r["pier_side"]),
            azimuths=_groups(rows, lambda r: _quarter(r["azimuth_deg"])),
            trends=[t for q in QUANTITIES for c in TRENDED if (t := _trend(rows, q, c))],
            worth_opening=picks,
            failures=_count(r["reason"] for r in everything if r["status"] == "failed"),
            mechanics_matters=_count(r["mechanics_matters"] or "not asked" for r in rows),
        )


def _put_files(db: sqlite3.Connection, key: str, paths: list[str]) -> None:
    rows = [(key, i, _writable(path)) for i, path in enumerate(paths)]
    db.executemany("INSERT INTO files VALUES (?, ?, ?)", rows)


# --- the store in numbers: nights, medians and spreads, trends, what is worth opening -------------
QUANTITIES: dict[str, str] = {
    "recorded_fwhm_arcsec": "Recorded FWHM [arcsec]",
    "unscaled_fwhm_px": "Recorded FWHM without a scale [px]",
    "seeing_500nm_zenith_arcsec": "Seeing, 500 nm and zenith [arcsec]",
    "atmosphere_fwhm_arcsec": "FWHM of all the air [arcsec]",
    "tracking_rms_arcsec": "Tracking, rms [arcsec]",
    "structure_rms_arcsec": "Structure, rms [arcsec]",
    "open_rms_arcsec": "Shared, owner open, rms [arcsec]",
    "optics_fwhm_arcsec": "Optics, FWHM [arcsec]",
}
TRENDED: dict[str, str] = {
    "airmass": "airmass",
    "wind_m_s": "wind [m/s]",
    "temperature_c": "temperature [C]",
}


class _Spread(Part):
    """Median and 16 to 84 % range over sequences; null where that rank is only a limit."""

    median: float | None
    low: float | None
    high: float | None
    values: int
    limits: int

    @property
    def text(self) -> str:
        """Median with the range of the middle 68 %; limits rank below all values."""
        if self.median is None:
            return f"limits in {self.limits} of {self.limits + self.values}"
        if self.values + self.limits == 1:
            return f"{self.median:.2f} (one)"
        low, high = ("limit" if v is None else f"{v:.2f}" for v in (self.low, self.high))
        return f"{self.median:.2f} ({low} to {high})"


class GroupSpread(Part):
    """Spreads of all quantities over the sequences of one night, pier side or quarter.

    A night is named by its evening's date; `julian_day` begins at noon of that date (UTC).
    """

    label: str
    julian_day: int | None = None
    sequences: int
    spreads: dict[str, _Spread]


class _Trend(Part):
    """Rank correlation of a quantity with a condition (Spearman) and its 95 % interval."""

    quantity: str
    condition: str
    sequences: int
    rank_correlation: float
    low95: float
    high95: float


class _Pick(Part):
    """A sequence worth opening, and why."""

    key: str
    name: str
    first_file: str
    start_utc: str | None
    reasons: list[str]


class ArchiveSummary(Document):
    """A store in numbers."""

    schema_: str = Field(default=ARCHIVE_SCHEMA, alias="schema")
    sequences: dict[str, int]
    refused_files: int
    settings: list[str] = Field(default_factory=list)
    headline: str = ""
    without_scale: dict[str, int] = Field(default_factory=dict)
    overall: GroupSpread
    nights: list[GroupSpread]
    pier_sides: list[GroupSpread]
    azimuths: list[GroupSpread]
    trends: list[_Trend]
    worth_opening: list[_Pick]
    failures: dict[str, int]
    mechanics_matters: dict[str, int]


UNDATED = "undated"


def _headline(overall: GroupSpread, nights: list[GroupSpread], picks: list[_Pick]) -> str:
    width, unit = None, None
    for quantity, of in (("recorded_fwhm_arcsec", "arcsec"), ("unscaled_fwhm_px", "px")):
        found = overall.spreads.get(quantity)
        if width is None and found is not None and found.median is not None:
            width, unit = found.median, of
    dated = sum(night.label != UNDATED for night in nights) or None
    held = {"sequences": overall.sequences, "nights": dated, "width": width, "unit": unit}
    text = sentence("archive-holds", **held) + "."
    if picks:
        name, reason = picks[0].name, picks[0].reasons[0]
        return f"{text} {sentence('archive-stands-out', name=name, reason=reason)}"
    return f"{text} {sentence('archive-even')}" if overall.sequences > 1 else text


_STATES = ("done", "failed", "too short")


def _groups(rows: list[Row], label: Callable[[Row], str | None]) -> list[GroupSpread]:
    names = sorted({name for r in rows if (name := label(r)) is not None})
    return [_group(name, [r for r in rows if label(r) == name]) for name in names]


def _group(label: str, rows: list[Row]) -> GroupSpread:
    spreads = {q: s for q in QUANTITIES if (s := _spread(rows, q)) is not None}
    return GroupSpread(label=label, sequences=len(rows), spreads=spreads)


def _spread(rows: list[Row], quantity: str) -> _Spread | None:
    """Return median and range, None where no row knows it; limits rank below all values."""
    values = sorted(r[quantity] for r in rows if r[quantity] is not None)
    limits = sum(r[quantity] is None and r[f"{quantity}_high"] is not None for r in rows)
    if not values and not limits:
        return None
    below = -1e300  # where a limit stands: what is drawn to it has no rank
    ranked = np.percentile([below] * limits + values, const.BAND_PERCENTILES)
    low, median, high = (float(value) if value > 1e-9 * below else None for value in ranked)
    return _Spread(median=median, low=low, high=high, values=len(values), limits=limits)


def _quarter(azimuth_deg: float | None) -> str | None:
    if azimuth_deg is None:
        return None
    names = ("north", "east", "south", "west")
    return names[int(((azimuth_deg + 45.0) % 360.0) // 90.0)]


def _trend(rows: list[Row], quantity: str, condition: str) -> _Trend | None:
    """Return the rank correlation; its interval is Fisher's z with the error of Fieller 1957."""
    from scipy.stats import spearmanr

    both = [(r[condition], r[quantity]) for r in rows]
    pairs = [pair for pair in both if None not in pair]
    x, y = np.array(pairs, dtype=float).reshape(-1, 2).T
    if len(pairs) < const.FEWEST_FOR_TREND or np.ptp(x) == 0 or np.ptp(y) == 0:
        return None
    rho = float(spearmanr(x, y).statistic)
    # Fieller, Hartley & Pearson 1957, Biometrika 44, 470: variance 1.06/(n - 3) (from memory).
    half = const.Z95 * np.sqrt(1.06 / (len(pairs) - 3))
    z = np.arctanh(np.clip(rho, -0.999999, 0.999999))
    return _Trend(
        quantity=quantity,
        condition=condition,
        sequences=len(pairs),
        rank_correlation=rho,
        low95=float(np.tanh(z - half)),
        high95=float(np.tanh(z + half)),
    )


def _picks(rows: list[Row]) -> list[_Pick]:
    """Return what stands out: wide for its telescope, or with a cure that saves much."""
    scored = []
    usual = _usual_widths(rows)
    for row in rows:
        reasons, score = [], 0.0
        width = row["recorded_fwhm_arcsec"]
        for cause in ("structure", "tracking"):
            saved, low = row[f"{cause}_saving_arcsec"], row[f"{cause}_saving_arcsec_low"]
            if width and saved and low and saved > const.ARCHIVE_WORTH_SHARE * width and low > 0:
                facts = {"saving_arcsec": saved, "width_arcsec": width}
                reasons.append(sentence("pick-cause", cause=cause, **facts))
                score = max(score, saved / width)
        for unit in ("arcsec", "px"):
            own, middle = row[_WIDTHS[unit]], usual.get((row["telescope"], unit))
            if own is not None and middle is not None and own > const.ARCHIVE_WIDE * middle:
                times = own / middle
                reasons.append(sentence("pick-wide", width=own, unit=unit, times=times))
                score = max(score, times - 1.0)
        if row["mechanics_matters"] == "yes":
            reasons.append(sentence("pick-mechanics"))
            score = max(score, const.ARCHIVE_WORTH_SHARE)
        if reasons:
            about = {name: row[name] for name in ("key", "name", "first_file", "start_utc")}
            scored.append((score, _Pick(**about, reasons=reasons)))
    scored.sort(key=lambda item: (-item[0], item[1].key))
    return [pick for _, pick in scored[: const.MANY_SEQUENCES]]


_WIDTHS = {"arcsec": "recorded_fwhm_arcsec", "px": "unscaled_fwhm_px"}


def _usual_widths(rows: list[Row]) -> dict[tuple[str | None, str], float]:
    """Return the median width by telescope and unit, where it has sequences enough."""
    found: dict[tuple[str | None, str], list[float]] = {}
    for row in rows:
        for unit, column in _WIDTHS.items():
            if row[column] is not None:
                found.setdefault((row["telescope"], unit), []).append(row[column])
    return {k: median(v) for k, v in found.items() if len(v) >= const.ARCHIVE_FEWEST_FOR_WIDE}


def _count(items: Iterable[str]) -> dict[str, int]:
    return dict(Counter(items).most_common())
