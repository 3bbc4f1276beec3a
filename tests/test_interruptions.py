"""What interrupts a sitting, in the room without a sound card: a crash, a gap, the clock."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.control import ask
from appliance.devices.blocks import SoundReport
from appliance.gaps import Gaps
from appliance.log.logbook import Logbook
from appliance.log.records import EventKind
from appliance.log.writer import LogWriter
from appliance.vocabulary import Instant, NoteEnded
from tests.log_rows import PLAIN, instant
from tests.soundcard import wait_for
from tests.stage import START_S, Stage, build, note


@contextmanager
def served(tmp_path: Path) -> Iterator[Stage]:
    """A room whose main loop runs."""
    stage, stopping = build(tmp_path), threading.Event()
    serving = threading.Thread(target=stage.room.serve, args=(stopping,))
    serving.start()
    try:
        wait_for(stage.socket.exists)
        yield stage
    finally:
        stopping.set()
        serving.join()
        stage.pins.reset()


def test_a_sitting_that_a_crash_cut_off_goes_on_with_its_player(tmp_path: Path) -> None:
    last = Instant(START_S - 30.0, 970.0, "simulated", synchronised=True)
    with Logbook(tmp_path / "room.db", "north room") as log:
        before = log.begin_sitting(last, instrument="viola", a4_hz=440.0, player="00000001-1")
        log.add_note(before, PLAIN, last)
    with served(tmp_path) as stage:
        wait_for(lambda: ask(stage.socket, {"do": "status"})["sitting"])
        stage.hear(3.0, NoteEnded(note(1.0, 2.0)))
        rows = wait_for(lambda: stage.rows() if len(stage.rows()) == 2 else None)
        assert {row.sitting.sitting_id for row in rows} == {before}
        assert rows[1].sitting.player == "00000001-1"
    (event,) = stage.events()
    assert (event.kind, event.detail) == (EventKind.WENT_ON, "30.0")
    (sitting,) = stage.sittings()
    assert sitting["ended_wall_s"] == pytest.approx(START_S + 2.0, abs=0.001)


def test_a_sitting_that_a_crash_cut_off_and_nobody_goes_on_with_ends(tmp_path: Path) -> None:
    last = Instant(START_S - 590.0, 410.0, "simulated", synchronised=True)
    with Logbook(tmp_path / "room.db", "north room") as log:
        before = log.begin_sitting(last, instrument="cello", a4_hz=440.0)  # another instrument
        log.add_note(before, PLAIN, last)
    with served(tmp_path) as stage:
        assert stage.sittings()[0]["ended_wall_s"] is None
        stage.wait(11.0)
        wait_for(lambda: stage.sittings()[0]["ended_wall_s"] == last.wall_s)


def test_the_clock_is_set_while_the_room_is_on(tmp_path: Path) -> None:
    with served(tmp_path) as stage:
        stage.clock.set(1000.0, synchronised=False)
        wait_for(lambda: stage.events() == [])
        stage.hear(3.0, NoteEnded(note(1.0, 2.0)))
        wait_for(lambda: len(stage.rows()) == 1)
        stage.clock.set(START_S + 3.0, synchronised=True)
        stage.hear(3.0, NoteEnded(note(4.0, 5.0)))
        wait_for(lambda: len(stage.rows()) == 2)
    walls = [row.ended_at.wall_s - START_S for row in stage.rows()]
    assert walls == pytest.approx([2.0, 5.0], abs=0.01)


def test_a_gap_of_sound_is_two_events(tmp_path: Path) -> None:
    with served(tmp_path) as stage:
        stage.hear(3.0, NoteEnded(note(1.0, 2.0)))
        wait_for(lambda: len(stage.rows()) == 1)
        there = SoundReport("scripted", running=True)
        stage.sound.report = lambda: replace(there, running=False)  # type: ignore[method-assign]
        wait_for(lambda: [e.kind for e in stage.events()] == [EventKind.SOUND_GONE])
        stage.wait(4.0)
        stage.sound.report = lambda: replace(there, reopened=1)  # type: ignore[method-assign]
        gone, back = wait_for(lambda: stage.events() if len(stage.events()) == 2 else None)
    assert (back.kind, back.detail) == (EventKind.SOUND_BACK, "scripted")
    assert back.at.monotonic_s - gone.at.monotonic_s == pytest.approx(4.0, abs=0.1)


def test_a_gap_too_short_to_be_seen_is_logged_too(tmp_path: Path) -> None:
    at = instant(2026, 2, 9)
    path = tmp_path / "room.db"
    writer = LogWriter(lambda: Logbook(path, "north room"), lambda: at.monotonic_s)
    writer.start()
    gaps, report = Gaps(writer), SoundReport("card", running=True)
    for reopened in (0, 0, 1, 1):
        gaps.watch(replace(report, reopened=reopened), at)
    assert writer.stop(60.0) == 0
    with Logbook(path, "north room") as log:
        kinds = [event.kind for event in log.events(0.0, 1e12)]
    assert kinds == [EventKind.SOUND_GONE, EventKind.SOUND_BACK]
