"""Frames followed while they arrive: folders that fill, files that grow, writers that misbehave."""

from __future__ import annotations

import multiprocessing
import struct
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits

from blursplit.campaign.live import ModeChange, Update, so_far
from blursplit.campaign.live_fit import Fits, FitSoFar, _fit_so_far, _QuickFits
from blursplit.campaign.pages import live_page
from blursplit.campaign.watch import Watch, _Arrivals, _LiveRun
from blursplit.constants import WATCH_FRAMES_KEPT, WATCH_GIVE_UP_S
from blursplit.report.words_campaign import LIVE_CAUTIONS
from blursplit.rig import Rig
from blursplit.stars import StarTracks

RATE_HZ, SIDE, LINE_HZ = 50.0, 64, 11.0
STARS = ((16.0, 18.0, 9e3), (46.0, 20.0, 7e3), (30.0, 47.0, 8e3))
PER_SAMPLE = ("row_time_s", "x_px", "y_px", "sigma_px", "flux_adu", "width_px", "e1", "e2")
PER_SAMPLE += ("peak_adu", "good")
START = np.datetime64("2026-03-01T22:10:00.000", "ms")


def make_frames(count, first=0, amplitude_px=0.5, seed=0, side=SIDE):
    """Return uint16 frames of three stars that share a line and a small random motion."""
    rng = np.random.default_rng([seed, first])
    y, x = np.mgrid[:side, :side]
    out = np.empty((count, side, side), dtype=np.uint16)
    for i in range(count):
        t = (first + i) / RATE_HZ
        dx = amplitude_px * np.sin(2 * np.pi * LINE_HZ * t) + rng.normal(0, 0.02)
        dy = rng.normal(0, 0.02)
        image = np.full((side, side), 100.0)
        for at_x, at_y, flux in STARS:
            far = (x - at_x - dx) ** 2 + (y - at_y - dy) ** 2
            image += flux / (2 * np.pi * 1.6**2) * np.exp(-0.5 * far / 1.6**2)
        out[i] = np.clip(image + rng.normal(0, 5, image.shape), 0, 65535)
    return out


def stamp(number, pause_s=0.0):
    return str(START + np.timedelta64(round(1000 * (number / RATE_HZ + pause_s)), "ms"))


def write_frame(folder, number, frame, pause_s=0.0, exposure=0.01):
    header = fits.Header({"DATE-OBS": stamp(number, pause_s), "EXPTIME": exposure})
    fits.PrimaryHDU(frame, header).writeto(folder / f"f{number:05d}.fits")


def rig(*options):
    return Rig.read(None, ["camera.pixel_scale_arcsec=1.0", "camera.gain_e_per_adu=1", *options])


class Clock:
    """A clock that moves only when someone sleeps; a writer works meanwhile."""

    def __init__(self, writer=None):
        self.now, self.writer = 0.0, writer

    def __call__(self):
        """Return the time."""
        return self.now

    def sleep(self, seconds):
        """Let the writer work, and time pass."""
        if self.writer is not None:
            self.writer(seconds)
        self.now += max(seconds, 0.1)


def watched(path, *options):
    return Watch(path, rig(*options))


def test_a_folder_is_followed_as_it_fills(tmp_path):
    frames = make_frames(120)
    watch = watched(tmp_path)
    assert watch.look(0.0) == 0
    for number in range(60):
        write_frame(tmp_path, number, frames[number])
    assert watch.look(1.0) == 60
    for number in range(60, 120):
        write_frame(tmp_path, number, frames[number])
    assert watch.look(2.0) == 60
    tracks = watch.run.tracks()
    assert tracks.n_frames == 120
    assert tracks.n_stars == len(STARS)
    assert len(np.unique(tracks.segment)) == 1
    np.testing.assert_allclose(tracks.time_s, np.arange(120) / RATE_HZ, atol=1e-3)
    assert len(watch.run_files) == 120
    assert watch.runs == 1


def test_too_few_frames_wait_for_more(tmp_path):
    frames = make_frames(16)
    watch = watched(tmp_path)
    for number in range(8):
        write_frame(tmp_path, number, frames[number])
    assert watch.look(0.0) == 0
    for number in range(8, 16):
        write_frame(tmp_path, number, frames[number])
    assert watch.look(1.0) == 16


def test_half_written_files_wait_and_dead_ones_are_left_out(tmp_path):
    frames = make_frames(40)
    for number in range(30):
        write_frame(tmp_path, number, frames[number])
    whole = (tmp_path / "f00029.fits").read_bytes()
    (tmp_path / "f00029.fits").write_bytes(whole[:5000])
    watch = watched(tmp_path)
    assert watch.look(0.0) == 29
    assert watch.arrivals.waiting == ["f00029.fits"]
    (tmp_path / "f00029.fits").write_bytes(whole)
    for number in range(30, 40):
        write_frame(tmp_path, number, frames[number])
    (tmp_path / "f00040.fits").write_bytes(whole[:100])
    assert watch.look(1.0) == 11
    watch.look(2.0 + WATCH_GIVE_UP_S)
    assert any("f00040.fits was left out" in note for note in watch.notes)
    assert watch.arrivals.waiting == []


def test_a_growing_fits_cube_gives_its_whole_frames(tmp_path):
    frames = make_frames(100)
    path = tmp_path / "cube.fits"
    header = fits.Header({"DATE-OBS": stamp(0), "EXPTIME": 0.01, "FRAMERAT": RATE_HZ})
    fits.PrimaryHDU(frames, header).writeto(path)
    content = path.read_bytes()
    begin = len(content) - -(-frames.nbytes // 2880) * 2880
    path.write_bytes(content[: begin + 40 * frames[0].nbytes + 17])
    watch = watched(path)
    assert watch.look(0.0) == 40
    path.write_bytes(content[: begin + 75 * frames[0].nbytes])
    assert watch.look(1.0) == 35
    path.write_bytes(content)
    assert watch.look(2.0) == 25
    tracks = watch.run.tracks()
    np.testing.assert_allclose(tracks.time_s, np.arange(100) / RATE_HZ, atol=1e-6)
    assert len(np.unique(tracks.segment)) == 1
    assert watch.run_files == [path]


def test_frames_that_come_while_a_file_is_opened_are_followed_once(tmp_path):
    frames = make_frames(60)
    path = tmp_path / "run.ser"
    header = b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, SIDE, SIDE, 16, 0) + bytes(136)
    one = frames[0].nbytes
    path.write_bytes(header + frames.tobytes()[: 30 * one])
    watch = watched(path, f"camera.frame_interval_s={1 / RATE_HZ}")
    (batch,) = watch.arrivals.look(0.0)
    path.write_bytes(header + frames.tobytes())
    assert watch._take(batch) == 30
    assert watch.look(1.0) == 30
    assert watch.run.frames == 60


def test_a_growing_ser_file_is_followed(tmp_path):
    frames = make_frames(60)
    path = tmp_path / "run.ser"
    start = (739_675 * 86_400 + 22 * 3600) * 10_000_000
    header = b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, SIDE, SIDE, 16, 0)
    header += bytes(120) + struct.pack("<2q", start, start)
    body = frames.tobytes()
    one = frames[0].nbytes
    path.write_bytes(header + body[: 30 * one + 3])
    watch = watched(path, f"camera.frame_interval_s={1 / RATE_HZ}")
    assert watch.look(0.0) == 30
    path.write_bytes(header + body)
    assert watch.look(1.0) == 30
    assert watch.run.tracks().n_frames == 60


def test_a_long_pause_begins_a_new_run_and_a_short_one_does_not(tmp_path):
    frames = make_frames(90)
    watch = watched(tmp_path)
    for first, pause in ((0, 0.0), (30, 20.0), (60, 120.0)):
        for number in range(first, first + 30):
            write_frame(tmp_path, number, frames[number], pause)
        assert watch.look(first) == 30
        assert watch.runs == (2 if first == 60 else 1)
        if first == 30:
            assert len(np.unique(watch.run.tracks().segment)) == 2
    assert any("paused for 100 s" in note or "paused for 99 s" in note for note in watch.notes)
    assert len(watch.run_files) == 30


@pytest.mark.parametrize("change", ["region", "exposure"])
def test_another_region_or_exposure_begins_a_new_run(tmp_path, change):
    watch = watched(tmp_path)
    for number, frame in enumerate(make_frames(30)):
        write_frame(tmp_path, number, frame)
    watch.look(0.0)
    side, exposure = (80, 0.01) if change == "region" else (SIDE, 0.005)
    for number, frame in enumerate(make_frames(30, first=30, side=side)):
        write_frame(tmp_path, 30 + number, frame, exposure=exposure)
    watch.look(1.0)
    assert watch.runs == 2
    assert any(f"the {change} changed" in note for note in watch.notes)
    assert watch.run.tracks().n_frames == 30


def test_a_replaced_file_is_taken_anew(tmp_path):
    path = tmp_path / "cube.fits"
    header = fits.Header({"FRAMERAT": RATE_HZ})
    fits.PrimaryHDU(make_frames(40), header).writeto(path)
    watch = watched(path)
    assert watch.look(0.0) == 40
    path.unlink()
    fits.PrimaryHDU(make_frames(30, seed=2), header).writeto(path)
    assert watch.look(1.0) == 30
    assert any("taken anew" in note for note in watch.notes)


def test_frames_without_the_field_are_left_out(tmp_path):
    watch = watched(tmp_path)
    for number, frame in enumerate(make_frames(30)):
        write_frame(tmp_path, number, frame)
    watch.look(0.0)
    rng = np.random.default_rng(3)
    for number in range(30, 60):
        write_frame(tmp_path, number, rng.normal(100, 5, (SIDE, SIDE)).astype(np.uint16))
    watch.look(1.0)
    assert watch.run.frames == 30
    for number, frame in enumerate(make_frames(30, first=60)):
        write_frame(tmp_path, 60 + number, frame)
    assert watch.look(2.0) == 30


def line_tracks(seconds, amplitude_px, seed=0, noise_px=0.02, rate=RATE_HZ, stars=3):
    """Return tracks of stars that share a line along x, with noise of their own."""
    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    time = np.arange(n) / rate
    shared = amplitude_px * np.sin(2 * np.pi * LINE_HZ * time + rng.uniform(0, 6))
    shape = (n, stars)
    x = np.linspace(20, 80, stars) + shared[:, None] + rng.normal(0, noise_px, shape)
    y = np.linspace(30, 60, stars) + rng.normal(0, noise_px, shape)
    full = np.ones(shape)
    return StarTracks(
        time_s=time,
        segment=np.zeros(n, dtype=np.int64),
        row_time_s=0 * full,
        x_px=x,
        y_px=y,
        sigma_px=noise_px * full,
        flux_adu=1e4 * full,
        width_px=1.6 * full,
        e1=0 * full,
        e2=0 * full,
        peak_adu=600 * full,
        good=full.astype(bool),
        exposure_s=0.01,
        timing="regular",
        cadence_s=1 / rate,
        start_utc=None,
        frame=np.arange(n, dtype=np.int64),
        finder_adu=None,
    )


def test_numbers_on_the_way_are_those_of_the_motion_put_in():
    """A line of amplitude A has a one-axis variance, mean of both axes, of A^2 / 4."""
    amplitude = 0.6
    found = so_far(line_tracks(20, amplitude), rig())
    rms = amplitude / 2
    assert found.shared_rms.value == pytest.approx(rms, rel=0.02)
    assert found.shared_rms.low95 <= rms * 1.01
    assert found.shared_rms.high95 >= rms * 0.99
    assert found.line_hz == pytest.approx(LINE_HZ, abs=0.05)
    assert found.line_rms.value == pytest.approx(rms, rel=0.1)
    assert found.fwhm.value == pytest.approx(2.3548 * np.hypot(1.6, rms), rel=0.01)
    saving = 2.3548 * (np.hypot(1.6, rms) - 1.6)
    assert found.saving_shared.value == pytest.approx(saving, rel=0.05)


@pytest.mark.parametrize(("amplitude", "verdict"), [(0.1, "no"), (3.0, "yes")])
def test_clear_cases_are_decided(amplitude, verdict):
    assert so_far(line_tracks(20, amplitude), rig()).mechanics == verdict


def test_shared_motion_without_a_line_stays_open_whatever_the_time():
    """White shared motion may be air as well: no length of record makes it mechanical."""
    tracks = line_tracks(20, 0.0)
    shake = np.random.default_rng(5).normal(0, 1.5, (tracks.n_frames, 1))
    tracks.x_px[:] += shake
    found = so_far(tracks, rig())
    assert found.mechanics == "open"
    assert found.more_s is None
    assert any("does not decide" in line for line in Update(found).lines())


@pytest.mark.slow
def test_intervals_of_the_shared_motion_hold_the_truth():
    """Of 60 records 57 should: binomial, less than 52 happens in 1 % of such sets."""
    held = 0
    for seed in range(60):
        tracks = line_tracks(16, 0.0, seed=seed)
        rng = np.random.default_rng(1000 + seed)
        tracks.x_px[:] += rng.normal(0, 0.3, (tracks.n_frames, 1))
        found = so_far(tracks, rig()).shared_rms
        held += found.low95 <= 0.3 / 2**0.5 <= found.high95
    assert held >= 52


def test_a_mode_that_a_brace_halves_is_shown_to_have_changed():
    changes = ModeChange.between(line_tracks(20, 0.8), line_tracks(20, 0.4, seed=1), rig())
    one = next(c for c in changes if abs(c.frequency_hz - LINE_HZ) < 0.5)
    assert one.before.value == pytest.approx(0.4, rel=0.1)
    assert one.now.value == pytest.approx(0.2, rel=0.1)
    assert one.change.high95 < 0
    assert one.shown < 0.2


def test_equal_records_show_no_change():
    changes = ModeChange.between(line_tracks(20, 0.5), line_tracks(20, 0.5, seed=4), rig())
    one = next(c for c in changes if abs(c.frequency_hz - LINE_HZ) < 0.5)
    assert abs(one.change.value) < 0.03


def test_updates_come_in_time_and_end_when_decided(tmp_path):
    written = [0]

    def writer(seconds):
        for _ in range(round(seconds * RATE_HZ)):
            number = written[0]
            write_frame(tmp_path, number, make_frames(1, first=number, amplitude_px=0.1)[0])
            written[0] += 1

    clock = Clock(writer)
    times, last = [], None
    for update in watched(tmp_path).updates(
        until_decided=True, every_s=4.0, clock=clock, sleep=clock.sleep
    ):
        times.append(clock.now)
        last = update
    assert last.ended == "decided twice in a row"
    assert last.found.mechanics == "no"
    assert times[0] <= 4.0 + 2.5
    assert last.late_s < 2.0


def test_a_watch_does_not_end_while_frames_come(tmp_path):
    """Telling took longer than the idle time: what came meanwhile is looked at, not lost."""
    clock = Clock()
    frames = make_frames(120)

    def arrive(first):
        for number in range(first, first + 40):
            write_frame(tmp_path, number, frames[number])

    arrive(0)
    watch = watched(tmp_path)
    said = []
    for update in watch.updates(every_s=2.0, idle_s=5.0, clock=clock, sleep=clock.sleep):
        said.append(update.ended)
        if len(said) <= 2:
            arrive(40 * len(said))
            clock.now += 20.0
    assert said[-1] == "no new frame for 5 s"
    assert watch.run.frames == 120


def test_frames_without_any_star_are_counted_and_named(tmp_path):
    watch = watched(tmp_path)
    for number, frame in enumerate(make_frames(30)):
        write_frame(tmp_path, number, frame)
    watch.look(0.0)
    for number in range(30, 60):
        write_frame(tmp_path, number, np.full((SIDE, SIDE), 100, dtype=np.uint16))
    watch.look(1.0)
    assert watch.run.frames == 30
    assert watch.run.left_out == 30
    assert any(note.startswith("Frames left out: 30 (") for note in watch.notes)


def test_a_star_lost_throughout_disturbs_nothing():
    tracks = line_tracks(20, 0.6)
    for name in ("x_px", "y_px", "sigma_px", "flux_adu", "width_px"):
        getattr(tracks, name)[:, 1] = np.nan
    tracks.good[:, 1] = False
    found = so_far(tracks, rig())
    assert found.shared_rms.value == pytest.approx(0.3, rel=0.02)
    assert found.fwhm.value == pytest.approx(2.3548 * np.hypot(1.6, 0.3), rel=0.01)
    run = _LiveRun(((96, 128), 0.01), rig())
    assert run.add(line_tracks(20, 0.6), 0.0)
    assert run.add(tracks, 20.0)
    assert run.left_out == 0
    assert not run.tracks().good[-1, 1]


@pytest.mark.parametrize("lost", [0, 5, 8])
def test_stars_on_a_lattice_keep_their_names(lost):
    """Its neighbour's shift matches two thirds of the stars: the field stays where it lay."""
    full = line_tracks(8, 0.3, stars=9)
    step = np.array([0.0, 30.0, 60.0])
    tracks = replace(
        full,
        x_px=full.x_px - np.linspace(20, 80, 9) + np.tile(20 + step, 3),
        y_px=full.y_px - np.linspace(30, 60, 9) + np.repeat(20 + step, 3),
    )
    run = _LiveRun(((96, 128), 0.01), rig())
    assert run.add(tracks, 0.0)
    for number in range(1, 4):
        keep = np.delete(np.arange(9), [lost, (lost + number) % 9])
        part = {name: getattr(tracks, name)[:, keep] for name in PER_SAMPLE}
        assert run.add(replace(tracks, **part), 8.0 * number)
    middle = np.nanmedian(run.tracks().x_px, axis=0)
    np.testing.assert_allclose(middle, np.median(tracks.x_px, axis=0), atol=0.1)
    assert run.left_out == 0


def test_a_watch_ends_when_nothing_comes(tmp_path):
    clock = Clock()
    last = list(watched(tmp_path).updates(idle_s=20.0, clock=clock, sleep=clock.sleep))[-1]
    assert last.found is None
    assert last.ended == "no new frame for 20 s"


def test_the_latest_frames_come_with_the_cut_outs_of_the_same_stars(tmp_path):
    """Each piece is found anew, stars in any order: a cut-out stays with its own star."""
    path = tmp_path / "run.ser"
    header = b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, SIDE, SIDE, 16, 0) + bytes(136)
    frames = make_frames(90)
    watch = watched(path, f"camera.frame_interval_s={1 / RATE_HZ}")
    for count in (30, 60, 90):
        path.write_bytes(header + frames[:count].tobytes())
        assert watch.look(float(count)) == 30
    latest = watch.run.latest()
    assert latest.n_frames == 90
    stamps = latest.stamps
    middle = (stamps.pixels_adu.shape[-1] - 1) // 2
    for column, star in enumerate(stamps.star):
        for frame in (0, 45, 89):
            x, y = stamps.x0_px[frame, column] + middle, stamps.y0_px[frame, column] + middle
            assert abs(x - latest.x_px[frame, star]) < 1.0
            assert abs(y - latest.y_px[frame, star]) < 1.0
            value = stamps.pixels_adu[frame, column, middle, middle]
            assert value == frames[frame][y, x]


def test_memory_is_bounded():
    """Pieces beyond the latest minutes go, but for the one that names the stars."""
    run = _LiveRun(((96, 128), 0.01), rig())
    piece = line_tracks(40, 0.2)
    for number in range(16):
        assert run.add(piece, number * 40.0)
    assert run.frames == 16 * piece.n_frames
    assert run._held() <= WATCH_FRAMES_KEPT + piece.n_frames
    assert run.tracks().n_frames <= WATCH_FRAMES_KEPT


def test_the_page_renews_itself_with_and_without_scripts():
    found = so_far(line_tracks(20, 0.6), rig())
    changes = ModeChange.between(line_tracks(20, 0.8), line_tracks(20, 0.4, seed=1), rig())
    quick = FitSoFar(20.0, 40.0, "The air < the pier.", "no", is_whole=False)
    update = Update(found, changes, fits=(quick,))
    text = live_page("Watching <x>", update, ["a & b"], renew_s=10, cautions=LIVE_CAUTIONS)
    fit = "<p>Provisional, quick fit of the frames from 20 to 40 s: The air &lt; the pier.</p>"
    assert fit in text.replace("\u00a0", " ").replace("&nbsp;", " ")
    assert '<noscript><meta http-equiv="refresh" content="10"></noscript>' in text
    assert "Watching &lt;x&gt;" in text
    assert "a &amp; b" in text
    assert "Provisional" in text
    assert "Hands off a moving mount" in text
    ended = Update(found, ended="stopped")
    last = live_page("x", ended, [], renew_s=None, result_page="r.html")
    assert 'http-equiv="refresh"' not in last
    assert "<script>" not in last
    assert 'href="r.html"' in last


def test_the_page_can_be_held(open_page):
    page = open_page(live_page("x", Update(), [], renew_s=2), "watch")
    page.locator("#hold").check()  # before anything else: a page that renews itself forgets it
    page.evaluate("document.title = 'as it was'")
    page.wait_for_timeout(3000)
    assert page.title() == "as it was"
    page.locator("#hold").uncheck()
    page.wait_for_function("() => document.title === 'x'")


def test_no_barrier_that_a_checker_can_find(barriers):
    found = so_far(line_tracks(20, 0.6), rig())
    changes = ModeChange.between(line_tracks(20, 0.8), line_tracks(20, 0.4, seed=1), rig())
    update = Update(found, changes, ended="stopped")
    how = {"renew_s": 999, "result_page": "r.html", "cautions": LIVE_CAUTIONS}
    text = live_page("Watching <x>", update, ["a & b"], **how)
    assert barriers(text, "watch") == []


def test_arrivals_of_a_missing_folder_wait(tmp_path):
    assert list(_Arrivals(tmp_path / "later").look(0.0)) == []


@pytest.mark.slow
def test_a_whole_fit_of_the_first_part_comes_beside_the_watch(tmp_path):
    """The fit runs in a process of its own; it says what `measure` says of the same frames."""
    frames = make_frames(600)
    for number, frame in enumerate(frames):
        write_frame(tmp_path, number, frame)
    watch, fits_ = watched(tmp_path), Fits()
    watch.look(0.0)
    given = (1, watch.run_files, watch.rig)
    fits_.offer(*given, 5.0)
    assert fits_.known == ()  # too short to be fitted
    fits_.offer(*given, 12.0)  # begins
    fits_.wait()
    fits_.offer(*given, 13.0)  # too soon for the next
    (found,) = fits_.known
    expected = _fit_so_far(watch.run_files, watch.rig)
    assert found == replace(expected, cpu_s=found.cpu_s)
    assert found.end_s == pytest.approx(599 / RATE_HZ)
    assert found.headline
    assert found.is_whole
    fits_.offer(2, watch.run_files, watch.rig, 1.0)
    assert fits_.known == ()  # of another run
    fits_.close()


def test_asking_does_not_wait_until_the_answerer_reads():
    """It may be looking ahead, and half a minute of tracks is more than a pipe holds."""
    here, there = multiprocessing.Pipe()
    fits_, many = Fits(), bytes(10_000_000)
    fits_._answerer = SimpleNamespace(is_alive=lambda: True, join=lambda: None), here
    fits_.ask(1, many, None)  # would not come back
    assert fits_.is_asked
    assert not fits_.answer(0.0)
    assert there.recv() == (1, many, None)
    there.close()
    assert not fits_.answer(1.0)  # it is gone: the next to ask begins another
    assert not fits_.is_asked


@pytest.mark.slow
def test_quick_fits_go_on_from_the_last_one_and_say_the_same(tmp_path):
    """The second answer is made from the first one's draws; one made from nothing agrees."""
    rig_ = rig("telescope.aperture_m=0.2", f"camera.frame_interval_s={1 / RATE_HZ}")
    path = tmp_path / "run.ser"
    header = b"LUCAM-RECORDER" + struct.pack("<7i", 0, 0, 0, SIDE, SIDE, 16, 0) + bytes(136)
    frames = make_frames(900)
    path.write_bytes(header + frames[:600].tobytes())
    watch = Watch(path, rig_)
    watch.look(0.0)
    fits_ = Fits()
    assert fits_.is_cold(1)
    assert not fits_.is_quick(1e9)  # nobody knows yet
    fits_.ask(1, watch.run.latest(), watch.run.rig)
    assert not fits_.is_cold(1)
    assert fits_.answer(500.0)
    first = fits_.quick
    assert fits_.is_quick(1e9)
    assert not fits_.is_quick(0.0)
    assert not first.is_whole
    assert not first.is_warm
    assert first.end_s == pytest.approx(599 / RATE_HZ)
    path.write_bytes(header + frames.tobytes())
    watch.look(1.0)
    fits_.ask(1, watch.run.latest(), watch.run.rig)
    assert fits_.answer(500.0)
    second = fits_.quick
    fits_.close()
    assert second.is_warm
    assert second.end_s == pytest.approx(899 / RATE_HZ)
    fresh = _QuickFits().answer(watch.run.latest(), watch.run.rig)
    assert not fresh.is_warm
    assert second.mechanics == fresh.mechanics
    assert "Provisional" in second.sentence
