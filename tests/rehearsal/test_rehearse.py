"""Whole stations on a clock of their own: what they keep, lose, say and find."""

from __future__ import annotations

import asyncio
import os
import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from acqd import open_archive
from acqd.config.load import load_config
from acqd.drivers.registry import load_drivers
from acqd.errors import ConfigError, WrongUsage
from acqd.plan.preview import preview
from acqd.plan.schedule import Schedule
from acqd.plan.windows import window_from_text
from acqd.rehearsal.outcome import Outcome, outcome_of
from acqd.rehearsal.run import NOTE, Progress, Rehearsed, default_start_s, rehearse
from acqd.rehearsal.told import conflicts, disk_lines, message_lines, missed_text
from acqd.station.replay import Replay
from acqd.station.replay_check import Check

if TYPE_CHECKING:
    from conftest import Rehearsals

NIGHT_S = 1_795_899_600.0

QUICK = 'sweep_time = "100 ms"'
SLOW = 'sweep_time = "3 s"'
LONG = 'sweep_time = "5.5 s"'


def levels_of(done: Rehearsed, job: str) -> Any:
    with open_archive(done.archive) as archive:
        return archive.sweeps(job)["level"].values


def findings_of(done: Rehearsed) -> list[tuple[str, int, str, float, str, dict[str, Any]]]:
    with open_archive(done.archive) as archive:
        return [
            (one.job, one.number, one.what, one.at_s, one.text, dict(one.figures))
            for job in ("station", *archive.jobs())
            for one in archive.findings(job)
        ]


def by_name(outcome: Outcome, job: str) -> Any:
    return next(one for one in outcome.jobs if one.job == job)


HALF_AN_HOUR_S = 1800.0


@pytest.fixture(scope="module")
def threads_before() -> set[threading.Thread]:
    return set(threading.enumerate())


@pytest.fixture(scope="module")
def done(threads_before: set[threading.Thread], one_night: Rehearsals) -> Rehearsed:
    """Two jobs that leave each other enough time."""
    return one_night(
        one_night.sweeper(),
        one_night.job("vhf", more=QUICK),
        one_night.job("calling", 'every = "20 s", burst = 3', more=f"{QUICK}\npriority = 5"),
        length_s=HALF_AN_HOUR_S,
    )


@pytest.fixture(scope="module")
def outcome(done: Rehearsed) -> Outcome:
    return outcome_of(done)


class TestANightWithoutConflicts:
    def test_coverage_is_what_the_plan_alone_foresees(
        self, done: Rehearsed, outcome: Outcome
    ) -> None:
        view = preview([job.planned for job in done.built.jobs], NIGHT_S, NIGHT_S + HALF_AN_HOUR_S)
        for seen, job in zip(view.jobs, outcome.jobs, strict=True):
            burst = 3 if job.job == "calling" else 1
            assert seen.missed == 0
            assert (job.due, job.kept) == (seen.due * burst, seen.started * burst)
            assert job.coverage == 1.0
            assert job.missed == {}

    def test_every_sweep_starts_when_it_is_due_or_behind_another(self, done: Rehearsed) -> None:
        with open_archive(done.archive) as archive:
            sweeps = archive.sweeps("vhf")
        late_s = (sweeps["time"].values - sweeps["due"].values) / np.timedelta64(1, "s")
        assert late_s.min() >= 0.0
        assert np.median(late_s) == 0.0
        assert late_s.max() < 1.0

    def test_the_archive_is_whole_merged_and_of_that_night(self, done: Rehearsed) -> None:
        folder = done.archive / "sweeps" / "vhf"
        files = sorted(path.name.split("_")[0] for path in folder.rglob("*.nc"))
        assert files == ["volume"]
        with open_archive(done.archive) as archive:
            seen = archive.coverage("vhf")
            times = archive.sweeps("vhf")["time"].values
            (note,) = archive.overlays()
        assert seen.stored == 900
        assert str(times[0]).startswith("2026-11-28T21:00:00")
        assert (note.kind, note.body["text"]) == ("note", NOTE)

    def test_a_report_of_any_part_of_it_says_that_it_was_one(self, done: Rehearsed) -> None:
        from acqd.report.draw.plots import sheet_plot, sweeps_plot
        from acqd.report.gather import gather
        from acqd.report.source import JobSource

        late = gather(done.archive, jobs=["vhf"], start_s=done.to_s - 300.0, stop_s=done.to_s)
        (job,) = late.jobs
        assert not job.notes, "the remark stands at the beginning"
        assert job.coverage.stored > 0
        assert any("This was a rehearsal" in one for one in job.limits)
        (software,) = [one.text for one in job.footer if one.name == "software"]
        assert "rehearsal simulated sweepers" in software
        source = JobSource(
            open_archive(done.archive), "vhf", start_s=done.to_s - 300.0, stop_s=done.to_s
        )
        for plotted in (sheet_plot(source), sweeps_plot(source, [900])):
            assert plotted.about.endswith("; a rehearsal, its sweepers simulated")

    def test_a_replay_of_it_gives_the_same_bit_for_bit(self, done: Rehearsed) -> None:
        for job in ("vhf", "calling"):
            with open_archive(done.archive) as archive:
                check = Check(same_place=True)
                for told in Replay(archive=archive, job=job).run():
                    check.take(told)
            assert check.is_exact, check.differences
            assert check.sweeps > 0

    def test_messages_are_those_of_the_sweeps_and_findings(self, outcome: Outcome) -> None:
        by_topic = outcome.messages.by_topic
        # One summary and one trace a pass: a burst is told of once.
        assert by_topic["summary"].messages == by_topic["trace"].messages == 900 + 90
        told = sum(sum(job.findings.values()) for job in outcome.jobs)
        assert told > 0
        assert by_topic["finding"].messages == told
        assert by_topic["status"].messages == pytest.approx(HALF_AN_HOUR_S / 60, abs=3)
        assert outcome.messages.dropped == 0
        assert by_topic["trace"].size_bytes > 900 * 100

    def test_disk_use_is_that_of_the_files(self, done: Rehearsed, outcome: Outcome) -> None:
        files = sum(path.stat().st_size for path in (done.archive / "sweeps").rglob("*"))
        kept = (done.archive / "ledger.sqlite").stat().st_size
        assert outcome.disk.size_bytes == pytest.approx(files + kept, rel=0.02)
        # Half an hour of jobs that are always open: a day has 48 of them.
        assert outcome.disk.a_day_bytes == pytest.approx(48 * outcome.disk.size_bytes, rel=0.01)

    def test_it_takes_far_less_time_than_the_night(self, done: Rehearsed) -> None:
        assert done.to_s - done.from_s == HALF_AN_HOUR_S
        assert done.took_s < HALF_AN_HOUR_S / 10

    def test_it_leaves_no_thread_and_no_loop(
        self, threads_before: set[threading.Thread], done: Rehearsed
    ) -> None:
        assert done.took_s > 0
        ends_s = time.monotonic() + 10.0
        while set(threading.enumerate()) - threads_before and time.monotonic() < ends_s:
            time.sleep(0.01)
        assert set(threading.enumerate()) - threads_before == set()
        with pytest.raises(RuntimeError):
            asyncio.get_running_loop()

    def test_its_sentences_say_that_all_went_well(self, outcome: Outcome) -> None:
        assert [text for text in conflicts(outcome) if "lost" in text] == []
        assert missed_text(by_name(outcome, "vhf")) == "–"
        assert "in a day of 24 hours" in disk_lines(outcome)[0]
        assert "an hour" in message_lines(outcome)[0]


def test_jobs_that_cannot_share_a_sweeper_overrun_and_it_is_said_to_whom(night: Rehearsals) -> None:
    done = night(
        night.sweeper(),
        night.job("quick"),
        night.job("slow", 'every = "6 s"', more=f"{LONG}\npriority = 5"),
    )
    outcome = outcome_of(done)
    quick = by_name(outcome, "quick")
    assert quick.coverage is not None
    assert quick.coverage < 0.8
    assert quick.missed == {"overrun": quick.due - quick.kept}
    assert by_name(outcome, "slow").coverage == 1.0
    (lost,) = outcome.lost
    assert (lost.job, lost.behind, lost.count) == ("quick", "slow", quick.missed["overrun"])
    said = conflicts(outcome)
    assert any(text.startswith(f"quick lost {lost.count:,} sweeps to slow ") for text in said)
    assert any(text.startswith("quick started up to ") for text in said)


def test_a_job_slower_than_its_own_rhythm_is_behind_itself(night: Rehearsals) -> None:
    outcome = outcome_of(night(night.sweeper(), night.job("slow", more=SLOW)))
    (lost,) = outcome.lost
    assert lost.behind == "slow"
    (said,) = [text for text in conflicts(outcome) if "lost" in text]
    assert said.endswith("its own sweep before was still under way")
    assert any("it is full" in text for text in conflicts(outcome))


def test_looks_that_wait_for_each_other_are_no_late_passes_of_their_job(night: Rehearsals) -> None:
    """A look is due to nobody; what the job missed by it is an overrun."""
    look = '[[job.vhf.on_finding]]\nwhat = "signal_appeared"\nhold_off = "0 s"\n'
    looks = f'{look}look = "zero span"\nsweeps = 20\n{look}look = "zoom"\n'
    job = night.job("vhf", 'every = "1 s"').rstrip() + "\n" + looks
    outcome = outcome_of(night(night.sweeper(), job, length_s=240.0))
    vhf = by_name(outcome, "vhf")
    assert vhf.findings["looked_closer"] >= 2 and set(vhf.missed) == {"overrun"}
    assert vhf.sweeps - vhf.kept >= 23
    assert vhf.worst_late_s < 1.0


def test_a_sweeper_that_is_unplugged_is_lost_and_comes_back(night: Rehearsals) -> None:
    done = night(night.sweeper("plug"), night.job("vhf", sweeper="plug"))
    outcome = outcome_of(done)
    assert outcome.station_findings == {"sweeper_lost": 1, "sweeper_back": 1}
    vhf = by_name(outcome, "vhf")
    assert vhf.due == 300
    assert 85 <= vhf.due - vhf.kept <= 110
    assert vhf.missed["sweeper lost"] > 80
    said = next(text for text in conflicts(outcome) if "its sweeper was away" in text)
    assert "from 21:02:" in said
    assert " to 21:0" in said


def test_one_that_is_unplugged_at_the_beginning_comes_later(night: Rehearsals) -> None:
    done = night(night.sweeper("plug"), night.job("vhf", sweeper="plug"), from_s=NIGHT_S + 180.0)
    vhf = by_name(outcome_of(done), "vhf")
    assert 0 < vhf.kept < vhf.due == 300


def test_equal_seeds_give_equal_archives(night: Rehearsals) -> None:
    parts = (night.sweeper(), night.job("vhf"), night.job("calling", 'every = "7 s"'))
    first, again = night(*parts, seed=5), night(*parts, seed=5)
    for job in ("vhf", "calling"):
        assert np.array_equal(levels_of(first, job), levels_of(again, job))
    assert findings_of(first) == findings_of(again) != []
    other = night(*parts, seed=6)
    assert not np.array_equal(levels_of(first, "vhf"), levels_of(other, "vhf"))


def test_back_to_back_takes_what_time_there_is(night: Rehearsals) -> None:
    outcome = outcome_of(
        night(
            night.sweeper(),
            night.job("always", "back_to_back = true", more='sweep_time = "1 s"'),
            length_s=120.0,
        )
    )
    always = by_name(outcome, "always")
    assert always.kept == pytest.approx(120, abs=2)
    assert always.worst_late_s == 0.0
    assert not any("full" in text for text in conflicts(outcome))


def test_what_a_window_shuts_out_is_never_due(night: Rehearsals) -> None:
    outcome = outcome_of(
        night(
            night.sweeper(),
            night.job("vhf"),
            night.job("noon", 'every = "2 s", window = "12:00..13:00"'),
            length_s=60.0,
        )
    )
    noon = by_name(outcome, "noon")
    assert (noon.due, noon.kept, noon.coverage) == (0, 0, None)
    assert any(text.startswith("noon was never due") for text in conflicts(outcome))


def test_a_day_like_this_counts_what_is_due_in_it(night: Rehearsals) -> None:
    outcome = outcome_of(
        night(night.sweeper(), night.job("vhf", 'every = "2 s", window = "21:00..22:00"'))
    )
    vhf = by_name(outcome, "vhf")
    assert vhf.a_day_bytes == pytest.approx(6 * vhf.size_bytes)


def test_it_tells_how_far_it_is(night: Rehearsals) -> None:
    seen: list[Progress] = []
    night(night.sweeper(), night.job("vhf"), length_s=1200.0, progress=seen.append)
    assert seen
    assert all(0.0 <= one.done <= 1.0 for one in seen)
    assert [one.at_s for one in seen] == sorted(one.at_s for one in seen)


def test_an_interrupt_ends_it_early_with_what_was_rehearsed(night: Rehearsals) -> None:
    def stop(progress: Progress) -> None:
        if progress.done < 1.0:
            os.kill(os.getpid(), signal.SIGINT)

    before = signal.getsignal(signal.SIGINT)
    done = night(night.sweeper(), night.job("vhf"), length_s=86_400.0, progress=stop)
    assert done.is_cut_short
    assert done.to_s < NIGHT_S + 86_400.0
    outcome = outcome_of(done)
    vhf = by_name(outcome, "vhf")
    assert 0 < vhf.kept == vhf.due
    assert outcome.is_cut_short
    assert signal.getsignal(signal.SIGINT) is before


def test_in_another_thread_it_runs_to_its_end(night: Rehearsals) -> None:
    found: list[Rehearsed] = []
    thread = threading.Thread(
        target=lambda: found.append(night(night.sweeper(), night.job("vhf"), length_s=30.0))
    )
    thread.start()
    thread.join()
    assert not found[0].is_cut_short


def test_a_soak_that_ends_ends_the_rehearsal(night: Rehearsals) -> None:
    soak = '[job.vhf.soak]\nlength = "5 min"\n'
    done = night(night.sweeper(), night.job("vhf") + soak, length_s=3600.0)
    assert done.to_s - NIGHT_S == pytest.approx(300.0, abs=10.0)
    assert not done.is_cut_short


class TestWhatIsRefused:
    def test_a_folder_that_holds_something(self, night: Rehearsals) -> None:
        full = night.folder / "full"
        full.mkdir()
        (full / "thesis.txt").write_text("mine")
        with pytest.raises(WrongUsage, match="empty folder"):
            night(night.sweeper(), night.job("vhf"), archive=full)
        assert [path.name for path in full.iterdir()] == ["thesis.txt"]

    @pytest.mark.parametrize("length_s", [0.0, -5.0, 40 * 86_400.0, float("nan")])
    def test_a_length_that_is_none(self, night: Rehearsals, length_s: float) -> None:
        with pytest.raises(WrongUsage, match="a rehearsal lasts"):
            night(night.sweeper(), night.job("vhf"), length_s=length_s)

    def test_a_station_without_jobs(self, night: Rehearsals) -> None:
        with pytest.raises(WrongUsage, match="nothing to rehearse"):
            night(night.sweeper(), night.job("vhf", more="enabled = false"))

    def test_a_disk_without_room(self, night: Rehearsals, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr("acqd.rehearsal.run.free_bytes", lambda path: 80_000_000)
        with pytest.raises(WrongUsage, match="80 MB free"):
            night(night.sweeper(), night.job("vhf"), length_s=86_400.0)

    def test_a_scene_that_cannot_be_read(self, night: Rehearsals) -> None:
        with pytest.raises(WrongUsage, match="no-such"):
            night(night.sweeper(), night.job("vhf"), scene=Path("no-such.toml"))
        assert not (night.folder / "night-1").exists()

    def test_a_driver_that_is_not_installed(self, night: Rehearsals) -> None:
        with pytest.raises(ConfigError, match="no driver of this name"):
            night(night.sweeper(driver="scppi"), night.job("vhf"))


class TestWhenItBegins:
    EVENING = Schedule(every_s=2.0, windows=(window_from_text("21:00..06:00"),), zone="UTC")
    NOON = Schedule(every_s=2.0, windows=(window_from_text("12:00..13:00"),), zone="UTC")
    ALWAYS = Schedule(every_s=2.0)

    def test_with_the_next_window_of_any_job(self) -> None:
        morning_s = NIGHT_S - 12 * 3600.0
        assert default_start_s([self.ALWAYS, self.EVENING], morning_s) == NIGHT_S
        assert default_start_s([self.EVENING, self.NOON], morning_s) == NIGHT_S - 9 * 3600.0

    def test_of_a_window_that_is_open_with_the_one_after(self) -> None:
        assert default_start_s([self.EVENING], NIGHT_S + 60.0) == NIGHT_S + 86_400.0

    def test_without_windows_now(self) -> None:
        assert default_start_s([self.ALWAYS], NIGHT_S + 0.7) == NIGHT_S


def test_rehearsing_twice_in_one_process_is_two_nights(night: Rehearsals) -> None:
    config = load_config(night.config(night.sweeper(), night.job("vhf")))
    drivers = load_drivers()
    for name in ("one", "two"):
        done = rehearse(config, drivers, from_s=NIGHT_S, length_s=20.0, archive=night.folder / name)
        assert by_name(outcome_of(done), "vhf").kept == 10


FILTER = """\
[job.filter]
kind = "transmission"
sweeper = "mast"
start = "60 MHz"
stop = "180 MHz"
points = 201
rbw = "30 kHz"
detector = "rms"
attenuation = "10 dB"
source = { level = "-20 dBm" }
when = { every = "20 s" }

[job.filter.transmission]
frequency = [{ name = "ch16", at = "156.8 MHz", at_most = "2 dB" }]
"""


class TestReferences:
    """Those that the config's archive has are lent to the rehearsal."""

    def bench(self, night: Rehearsals) -> str:
        return night.sweeper(address="sim:any", more='absolute_max = "10 dBm"')

    def test_a_job_without_the_one_it_needs_is_told(self, night: Rehearsals) -> None:
        done = night(self.bench(night), FILTER, length_s=120.0)
        (said,) = [text for text in conflicts(outcome_of(done)) if text.startswith("filter")]
        assert "no through reference" in said

    def test_one_that_the_archive_has_is_compared_with(
        self, night: Rehearsals, acqd_reference: Any
    ) -> None:
        config = night.config(self.bench(night), FILTER)
        acqd_reference(config, "filter", "through")
        done = night(self.bench(night), FILTER, length_s=120.0)
        assert done.references == {"filter": ("through",)}
        outcome = outcome_of(done)
        assert outcome.without == ()
        assert any("compared with the through" in text for text in outcome.assumed)
        with open_archive(done.archive) as archive:
            loss_db = archive.sweeps("filter")["least_loss_db"].values
        assert np.isfinite(loss_db).all()
        assert abs(loss_db).max() < 0.5


def test_a_rehearsal_looks_at_no_port_of_this_machine(
    night: Rehearsals, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not for a sweeper that is named by what it is on USB, nor for what might be plugged in."""
    looked: list[str] = []

    def looking(what: str) -> Any:
        def look(*args: Any, **more: Any) -> Any:
            looked.append(what)
            raise OSError("a rehearsal looks at nothing")

        return look

    monkeypatch.setattr("acqd.drivers.usbports._names", looking("sysfs"))
    monkeypatch.setattr("serial.tools.list_ports.comports", looking("comports"))
    monkeypatch.setattr("acqd.drivers.plugged.Machine.listen", looking("listen"))
    sweeper = night.sweeper("mast", driver="scpi", address="usb:1209:0001/GL0017", more="")
    night(sweeper, night.job("vhf", more=QUICK), length_s=30.0)
    assert looked == []
