"""Records of sensors: what is read, and what is refused in one line each."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blursplit.errors import InputError
from blursplit.evidence.sensor_record import SensorRecord, _read_sensor
from blursplit.rig import Rig

N = 400
RNG = np.random.default_rng(3)
X, Y = RNG.normal(0, 1e-3, (2, N))


def write(tmp_path, head, rows, name="pier.csv"):
    """Return the path of a file with these lines."""
    path = tmp_path / name
    path.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")
    return path


def rows(time=None, *columns, separator=","):
    """Return text rows of times and columns."""
    time = np.arange(N) / 200 if time is None else time
    data = columns or (X, Y)
    return [separator.join(str(v) for v in row) for row in zip(time, *data, strict=True)]


def test_units_in_the_header_become_si(tmp_path):
    """Milli-g become m/s2; the time's zero and the noise come from comment lines."""
    head = ["# t0: 2026-03-04T21:30:00Z", "# noise: 0.025 mg/sqrt(Hz)", "time [s],ax [mg],ay [mg]"]
    record = _read_sensor(write(tmp_path, head, rows()))
    assert record.kind == "acceleration"
    assert record.channels == ("ax", "ay")
    assert_allclose(record.values[:, 0], X * 9.80665e-3)
    assert_allclose(record.noise, 0.025 * 9.80665e-3)
    assert record.start_utc == datetime(2026, 3, 4, 21, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("head", "separator"),
    [
        ('"Time (s)","Acceleration x (m/s^2)","Acceleration y (m/s^2)"', ","),
        ("time [s];x [m/s2];y [m/s2]", ";"),
        ("time (s)\tx (m/s²)\ty (m/s²)", "\t"),
    ],
)
def test_headers_of_phones_and_loggers_are_read(tmp_path, head, separator):
    """A name with its unit in brackets, whatever the separator."""
    record = _read_sensor(write(tmp_path, [head], rows(separator=separator)))
    assert record.kind == "acceleration"
    assert_allclose(record.values[:, 1], Y)


def test_ecsv_header_gives_units(tmp_path):
    """The columns' units stand in the comment lines of an ECSV file."""
    head = [
        "# %ECSV 1.0",
        "# ---",
        "# datatype:",
        "# - {name: time, unit: s, datatype: float64}",
        "# - {name: x, unit: rad / s, datatype: float64}",
        "# - {name: y, unit: rad / s, datatype: float64}",
        "time x y",
    ]
    record = _read_sensor(write(tmp_path, head, rows(separator=" ")))
    assert record.kind == "rate"
    assert_allclose(record.values[:, 0], X)


def test_iso_times_and_epochs_have_a_zero(tmp_path):
    """Times of day, and milliseconds since 1970."""
    start = datetime(2026, 3, 4, 21, 30, tzinfo=UTC)
    iso = [(start + timedelta(milliseconds=5 * k)).isoformat() for k in range(N)]
    head = ["utc,x [m/s2],y [m/s2]"]
    epoch = [round(start.timestamp() * 1000) + 5 * k for k in range(N)]
    for times, first in ((iso, head), (epoch, ["timestamp [ms],x [m/s2],y [m/s2]"])):
        record = _read_sensor(write(tmp_path, first, rows(times)))
        assert record.start_utc == start
        assert_allclose(record.time_s, np.arange(N) / 200, atol=1e-6)


def test_clipped_samples_are_marked_and_a_useless_channel_left_out(tmp_path):
    """A range of 1.5e-3 clips a seventh of x; z does not move at all."""
    head = ["# range: 0.0015", "time [s],x [m/s2],z [m/s2]"]
    record = _read_sensor(
        write(tmp_path, head, rows(None, np.clip(X, -1.5e-3, 1.5e-3), np.full(N, 9.8)))
    )
    assert record.channels == ("x",)
    assert not record.good.all()
    assert {code for code, _ in record.remarks} == {"sensor-clipped", "sensor-channel-constant"}


def test_empty_cells_are_marked_and_the_rest_is_kept(tmp_path):
    """A logger that leaves a cell empty loses that sample alone."""
    lines = rows()
    lines[7] = f"{7 / 200},,{Y[7]}"
    record = _read_sensor(write(tmp_path, ["time [s],x [m/s2],y [m/s2]"], lines))
    assert record.time_s.size == N
    assert record.good[:, 1].all()
    assert np.flatnonzero(~record.good[:, 0]).tolist() == [7]


@pytest.mark.parametrize(
    ("head", "lines", "words"),
    [
        (["time [s],x,y"], rows(), ["'x' has no unit", "# unit: m/s2"]),
        (["seconds_elapsed,z,y"], rows(), ["'z' has no unit"]),
        (["time [s],x [furlong],y [m/s2]"], rows(), ["'furlong' is not known"]),
        (["time,x [m/s2],y [m/s2]"], rows(np.arange(N) * 5), ["'time [ms]'"]),
        (["time [s],x [m/s],y [m/s]"], rows(), ["velocity or wind", "FILE@KIND"]),
        (["a [m/s2],x [m/s2],y [m/s2]"], rows(), ["no column of times"]),
        ([], rows(), ["names the columns"]),
        (["time [s],x [m/s2],y [m/s2]"], rows()[:20], ["20 samples"]),
        (["time [s],x [m/s2],y [m/s2]"], [*rows(), "2.0,0"], ["a row cannot be read"]),
        (
            ["x [m/s2],time"],
            ["0.001,2026-01-01T00:00:00", "0.002,2026-01-01T00:00:01", "0.003"],
            ["its sample 3 has 1 cells of 2", "repair or remove"],
        ),
        (["time [s],x [m/s2],y [m/s2]"], rows(np.zeros(N)), ["do not advance"]),
        (["time [s],x [m/s2]"], rows(None, np.zeros(N)), ["every channel is constant"]),
        (
            ["time [s],x [m/s2]"],
            rows(None, np.clip(X, -1e-4, 1e-4)),
            ["every channel is saturated"],
        ),
        (["# t0: yesterday", "time [s],x [m/s2],y [m/s2]"], rows(), ["'yesterday'", "(UTC)"]),
        (["# kind: seismic", "time [s],x [m/s2],y [m/s2]"], rows(), ["'seismic' is not known"]),
        (
            ["# noise: 3 furlong/sqrt(Hz)", "time [s],x [m/s2],y [m/s2]"],
            rows(),
            ["unit of '# noise: 3 furlong", "m/s2/sqrt(Hz)"],
        ),
        (
            ["time [s],x [m/s2],y [m/s2]"],
            rows(np.r_[np.arange(200) / 20, np.arange(200) / 20 + 4]),
            ["set back by", "s after its start", "records of their own"],
        ),
        ([""], [], ["is empty"]),
    ],
)
def test_bad_files_are_refused_with_the_remedy(tmp_path, head, lines, words):
    """One line that names the file, what is wrong and what to do."""
    path = write(tmp_path, head, lines)
    with pytest.raises(InputError) as caught:
        _read_sensor(path)
    text = str(caught.value)
    assert text.startswith(str(path))
    assert "\n" not in text
    for word in words:
        assert word in text


def test_another_time_zone_and_another_night_are_told_apart(tmp_path):
    """Two hours off is a zone; a night off is another run."""
    head = ["# t0: 2026-03-04T23:30:00Z", "time [s],x [m/s2],y [m/s2]"]
    record = _read_sensor(write(tmp_path, head, rows()))
    with pytest.raises(InputError, match="another time zone"):
        record.placed(datetime(2026, 3, 4, 21, 30, tzinfo=UTC), 2.0)
    with pytest.raises(InputError, match="no sample while the frames were taken"):
        record.placed(datetime(2026, 3, 2, 21, 17, tzinfo=UTC), 2.0)
    placed = record.placed(datetime(2026, 3, 4, 23, 29, 59, tzinfo=UTC), 3.0)
    assert_allclose(placed.time_s[0], 1.0)


def test_records_without_dates_start_together(tmp_path):
    """Where one of the two has no date, their zeros are taken as one."""
    record = _read_sensor(write(tmp_path, ["time [s],x [m/s2],y [m/s2]"], rows()))
    assert_allclose(record.placed(datetime(2026, 3, 4, tzinfo=UTC), 2.0).time_s[0], 0.0)


def test_noise_may_name_a_unit_of_its_own(tmp_path):
    """Micro-g of noise beside channels in m/s2, as the guide for owners writes it."""
    head = ["# noise: 10 ug/sqrt(Hz)", "time [s],x [m/s2],y [m/s2]"]
    assert_allclose(_read_sensor(write(tmp_path, head, rows())).noise, 10 * 9.80665e-6)


def test_a_clock_that_is_set_forward_is_told(tmp_path):
    """Half the samples come 30 s late: a gap, or a clock that was set; the reader is told."""
    time = np.arange(N) / 200
    time[N // 2 :] += 30
    record = _read_sensor(write(tmp_path, ["time [s],x [m/s2],y [m/s2]"], rows(time)))
    code, facts = record.remarks[0]
    assert code == "sensor-clock-jump"
    assert_allclose([facts["jump_s"], facts["at_s"]], [30.0, 1.0], atol=0.011)
    assert record.time_s.size == N


def test_the_setup_file_lists_sensors_with_what_their_headers_lack(tmp_path):
    """Unit, columns, noise, lever and offset from `[[sensor]]`; the file stands beside it."""
    write(tmp_path, ["time [s],x,y,battery"], rows(None, X, Y, Y))
    setup = tmp_path / "rig.toml"
    text = """
    [[sensor]]
    file = "pier.csv"
    columns = ["x", "y"]
    unit = "mg"
    noise = 0.025
    lever_m = 2.0
    offset_s = [-0.5, 0.5]
    """
    setup.write_text(text, encoding="utf-8")
    (record,) = SensorRecord.read_all(Rig.read(setup), [])
    assert record.channels == ("x", "y")
    assert_allclose(record.values[:, 0], X * 9.80665e-3)
    assert_allclose(record.noise, 0.025 * 9.80665e-3)
    assert record.shape_per_m == 0.75  # 1.5 over the column's length
    assert record.offset_s == (-0.5, 0.5)
    setup.write_text(text.replace('"y"]', '"z"]'), encoding="utf-8")
    with pytest.raises(InputError, match=r"no column 'z'.*x, y, battery"):
        SensorRecord.read_all(Rig.read(setup), [])
