"""The result folder: whole or not at all, and never in the place of anything else."""

from __future__ import annotations

import errno
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from blursplit.errors import InputError, OutputError
from blursplit.estimate import Estimate
from blursplit.folder import Measurement, read_result, write_text_whole
from blursplit.result import Fwhm, Result, SequenceInfo
from blursplit.series import Series


@pytest.fixture
def measurement() -> Measurement:
    """Return a result with one series and one image."""
    info = SequenceInfo(name="night", files=1, frames=10, frames_used=10, stars_used=1)
    moved = np.where(np.arange(10) == 4, np.nan, np.linspace(-1.5, 1.0, 10))
    arrays = {
        "time_s": np.arange(10) * 0.02,
        "common_x_arcsec": moved,
        "common_y_arcsec": -moved,
    }
    images = {"recorded": np.linspace(0, 1, 49, dtype=np.float32).reshape(7, 7)}
    return Measurement(Result(version="0", sequence=info), Series(arrays, images, 0.25))


def names(folder: Path) -> set[str]:
    return {entry.name for entry in folder.iterdir()}


def test_what_is_written_is_read_back(measurement, tmp_path):
    folder = measurement.write("<p>page", tmp_path / "night ö-blursplit")
    assert names(tmp_path) == {"night ö-blursplit"}
    again = Measurement.read(folder)
    assert again.result == measurement.result
    assert again.series.image_scale_arcsec == 0.25
    for name, array in measurement.series.arrays.items():
        # half a unit of the last of 24 bits; times are kept in full
        assert_allclose(again.series.arrays[name], array, rtol=6e-8, atol=1e-45)
    assert_array_equal(again.series.images["recorded"], measurement.series.images["recorded"])
    assert (folder / "index.html").read_text(encoding="utf-8") == "<p>page"
    assert folder.stat().st_mode & 0o777 == 0o755


def test_an_existing_result_needs_replace(measurement, tmp_path):
    target = measurement.write("old", tmp_path / "out")
    with pytest.raises(OutputError, match="exists already; add --replace"):
        measurement.write("new", target)
    assert (target / "index.html").read_text() == "old"
    measurement.write("new", target, replace=True)
    assert (target / "index.html").read_text() == "new"
    assert names(tmp_path) == {"out"}


@pytest.mark.parametrize("content", ["{}", '{"schema": "mine/1"}'])
def test_a_foreign_folder_is_never_replaced(tmp_path, content):
    folder = tmp_path / "photos"
    folder.mkdir()
    (folder / "cat.jpg").write_bytes(b"cat")
    with pytest.raises(OutputError, match="holds no result and is not replaced"):
        Measurement.check_target(folder, replace=True)
    (folder / "result.json").write_text(content)
    with pytest.raises(OutputError, match="holds no result and is not replaced"):
        Measurement.check_target(folder, replace=True)
    assert names(folder) == {"cat.jpg", "result.json"}


def test_a_result_with_a_file_of_the_users_own_is_not_replaced(measurement, tmp_path):
    target = measurement.write("page", tmp_path / "out")
    (target / "my notes.txt").write_text("focus was off")
    with pytest.raises(OutputError, match=r"holds 'my notes\.txt', which is no part of a result"):
        measurement.write("new", target, replace=True)
    assert (target / "my notes.txt").exists()
    (target / "my notes.txt").rename(target / ".DS_Store")
    measurement.write("new", target, replace=True)


def test_an_empty_folder_may_be_replaced_a_file_and_a_link_may_not(measurement, tmp_path):
    (tmp_path / "empty").mkdir()
    measurement.write("page", tmp_path / "empty", replace=True)
    (tmp_path / "file").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "empty", target_is_directory=True)
    for name in ("file", "link"):
        with pytest.raises(OutputError, match="is not a folder"):
            Measurement.check_target(tmp_path / name, replace=True)
    with pytest.raises(OutputError, match="is not a folder"):
        Measurement.check_target(tmp_path / "file" / "out", replace=False)


def test_folders_above_a_result_are_made(measurement, tmp_path):
    target = tmp_path / "no" / "such" / "out"
    Measurement.check_target(target, replace=False)
    assert not (tmp_path / "no").exists()
    assert measurement.write("page", target).is_dir()


def full_disk(*_args: object, **_kwargs: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_leaves_the_old_result_and_nothing_half_written(
    measurement, tmp_path, monkeypatch
):
    target = measurement.write("old", tmp_path / "out")
    monkeypatch.setattr("blursplit.folder.write_units", full_disk)
    with pytest.raises(OutputError, match=r"No space left on device.*free disk space"):
        measurement.write("new", target, replace=True)
    assert names(tmp_path) == {"out"}
    assert (target / "index.html").read_text() == "old"


@pytest.mark.parametrize("which", [1, 2])
def test_an_interrupt_while_moving_brings_the_old_result_back(
    measurement, tmp_path, monkeypatch, which
):
    target = measurement.write("old", tmp_path / "out")
    rename, calls = Path.rename, []

    def interrupted(self: Path, other: Path) -> Path:
        calls.append(self.name)
        if len(calls) == which:
            raise KeyboardInterrupt
        return rename(self, other)

    monkeypatch.setattr(Path, "rename", interrupted)
    with pytest.raises(KeyboardInterrupt):
        measurement.write("new", target, replace=True)
    assert names(tmp_path) == {"out"}
    assert (target / "index.html").read_text() == "old"


def test_text_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = tmp_path / "page.html"
    write_text_whole(path, "old")
    monkeypatch.setattr(Path, "replace", full_disk)
    with pytest.raises(OutputError, match="No space left"):
        write_text_whole(path, "new")
    assert path.read_text() == "old"
    assert names(tmp_path) == {"page.html"}
    with pytest.raises(OutputError, match="cannot be written"):
        write_text_whole(tmp_path / "no such folder" / "page.html", "new")


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is not a blursplit result"),
        (b"\xff\xfe", "is not a blursplit result"),
        (b'{"schema": "blursplit-result/2"', "is not a blursplit result"),
        (b"[" * 5000, "is not a blursplit result"),
        (None, "is not a result folder"),
    ],
)
def test_a_damaged_result_is_refused_in_one_line(tmp_path, content, told):
    if content is not None:
        (tmp_path / "result.json").write_bytes(content)
    with pytest.raises(InputError, match=told) as caught:
        read_result(tmp_path)
    assert "\n" not in str(caught.value)


def test_a_result_of_a_later_schema_is_named(measurement, tmp_path):
    target = measurement.write("page", tmp_path / "out")
    text = (target / "result.json").read_text().replace("blursplit-result/2", "blursplit-result/9")
    (target / "result.json").write_text(text)
    with pytest.raises(InputError, match=r"schema 'blursplit-result/9' is not.*update blursplit"):
        read_result(target)
    older = text.replace("blursplit-result/9", "blursplit-result/1")
    (target / "result.json").write_text(older)
    with pytest.raises(InputError, match=r"schema 'blursplit-result/1' is not.*measure again"):
        read_result(target)


@pytest.mark.parametrize("file", ["result.json", "series.fits"])
def test_a_record_that_was_changed_later_is_refused(measurement, tmp_path, file):
    target = measurement.write("page", tmp_path / "out")
    assert read_result(target).digest
    changed = (target / file).read_bytes().replace(b'"files": 1', b'"files": 2', 1)
    if file == "series.fits":
        changed = changed[:-1] + b"\x01"
    (target / file).write_bytes(changed)
    with pytest.raises(InputError, match="was changed after it was measured"):
        read_result(target)


def test_damaged_arrays_are_refused(measurement, tmp_path):
    target = measurement.write("page", tmp_path / "out")
    (target / "images.fits").write_bytes(b"SIMPLE")
    with pytest.raises(InputError, match=r"images\.fits: is missing or damaged"):
        Measurement.read(target)
    (target / "series.fits").unlink()
    with pytest.raises(InputError, match=r"series\.fits: is missing or damaged"):
        Measurement.read(target)


def test_the_page_is_drawn_anew_from_the_folder(measurement, tmp_path):
    target = measurement.write("old", tmp_path / "out")
    page = Measurement.read(target).write_page(target)
    assert page == target / "index.html"
    assert "<html" in page.read_text(encoding="utf-8")


def test_a_record_of_a_version_with_fewer_fields_is_no_changed_record(measurement, tmp_path):
    import hashlib
    import json

    target = measurement.write("page", tmp_path / "out")
    file = target / "result.json"
    record = json.loads(file.read_text())
    del record["witnesses"]  # as a version wrote it that did not know them
    record["digest"] = ""
    own = hashlib.sha256(json.dumps(record, indent=2).encode()).hexdigest()
    series = hashlib.sha256((target / "series.fits").read_bytes()).hexdigest()
    record["digest"] = f"{own}-{series}"
    file.write_text(json.dumps(record, indent=2))
    assert read_result(target).witnesses == []
    file.write_text(file.read_text().replace('"frames": ', '"frames": 1'))
    with pytest.raises(InputError, match="was changed after it was measured"):
        read_result(target)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (None, None, "holds no digest of what was measured; measure the sequence again"),
        ('"low95": ', '"low95": -', "is not a blursplit result; measure"),
        (
            '"high95": ',
            '"high95": 0.5, "was": ',
            "is not a blursplit result; measure the sequence again",
        ),
    ],
    ids=["digest taken out", "negative size", "ends out of order"],
)
def test_an_edited_record_is_refused_with_its_digest_taken_out_or_made_anew(
    measurement, tmp_path, old, new, told
):
    """Whoever edits it may drop the digest or make it anew: sizes and order are looked at too."""
    import hashlib

    width = Estimate(value=2.0, low=1.9, high=2.1, low95=1.8, high95=2.2)
    measurement.result.fwhm = Fwhm(recorded_arcsec=width)
    target = measurement.write("page", tmp_path / "out")
    file = target / "result.json"
    digest = read_result(target).digest
    bare = file.read_text().replace(digest, "", 1)
    if old is not None:
        place = bare.index(old, bare.index('"recorded_arcsec": {'))
        bare = bare[:place] + new + bare[place + len(old) :]
        own = hashlib.sha256(bare.encode()).hexdigest()
        fresh = f"{own}-{digest.partition('-')[2]}"
        bare = bare.replace('"digest": ""', f'"digest": "{fresh}"', 1)
    file.write_text(bare)
    with pytest.raises(InputError, match=told):
        read_result(target)
