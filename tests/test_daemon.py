"""The room without a sound card: scripted sound and ear, real log, real sockets, mock pins."""

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from appliance.__main__ import main
from appliance.control import ask
from appliance.devices.blocks import BACKLOG_S, Block, Handover
from appliance.devices.clock import SimulatedClock
from appliance.devices.loudspeaker import Loudspeaker
from appliance.log import logfile
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.writer import LogWriter
from appliance.practice.order import DroneOrder
from appliance.settings import Settings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import (
    Call,
    ControlError,
    DeviceError,
    NoteEnded,
    NoteLanded,
)
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, SETTINGS, START_S, Stage, build, note


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    stage = build(tmp_path)
    stage.room.start()
    yield stage
    stage.room.stop()
    stage.pins.reset()


def test_a_note_is_in_the_log_with_the_time_it_ended(stage: Stage) -> None:
    stage.hear(5.0, NoteEnded(note(2.0, 4.5)))
    (row,) = wait_for(stage.rows)
    assert row.ended_at.wall_s == pytest.approx(START_S + 4.5, abs=0.001)
    assert row.ended_at.monotonic_s == pytest.approx(1004.5, abs=0.001)
    assert row.sitting.started_at.wall_s == pytest.approx(START_S + 2.0, abs=0.001)


def test_a_new_stretch_of_sound_gets_a_new_ear_and_the_old_one_its_last_word(stage: Stage) -> None:
    stage.hear(3.0)
    stage.last_words.append(NoteEnded(note(2.0, 3.0)))
    stage.sound.pass_time(1.0, fresh=True)
    (row,) = wait_for(stage.rows)
    assert row.ended_at.monotonic_s == pytest.approx(1003.0, abs=0.001)
    assert wait_for(lambda: stage.ears == 2)
    stage.last_words.clear()


def test_a_device_that_falls_silent_ends_the_note_that_sounded(stage: Stage) -> None:
    stage.hear(3.0)
    stage.last_words.append(NoteEnded(note(2.0, 3.0)))
    stage.sound.fall_silent()
    (row,) = wait_for(stage.rows)
    assert row.ended_at.monotonic_s == pytest.approx(1003.0, abs=0.001)


def test_the_clean_stop_writes_what_still_sounds_and_ends_the_sitting(tmp_path: Path) -> None:
    stage = build(tmp_path)
    stage.room.start()
    stage.last_words.append(NoteEnded(note(1.0, 2.0)))
    stage.sound.pass_time(2.0)
    assert stage.room.stop() == 0
    stage.pins.reset()
    assert len(stage.rows()) == 1
    (sitting,) = stage.sittings()
    assert sitting["ended_wall_s"] == pytest.approx(START_S + 2.0, abs=0.001)
    assert stage.sound.stopped and not stage.socket.exists()


def test_a_sitting_ends_after_silence_where_its_last_note_ended(stage: Stage) -> None:
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    stage.wait(599.0)
    assert ask(stage.socket, {"do": "status"})["sitting"] is True
    stage.wait(1.5)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["sitting"] is False)
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)), fresh=True)
    wait_for(lambda: len(stage.rows()) == 2)
    first, second = stage.sittings()
    assert first["ended_wall_s"] == pytest.approx(START_S + 2.0, abs=0.001)
    assert second["ended_wall_s"] is None


def test_a_note_that_sounds_keeps_the_sitting(stage: Stage) -> None:
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)), NoteLanded(2.0, 220.0))
    wait_for(stage.rows)
    stage.wait(700.0)
    assert ask(stage.socket, {"do": "status"})["sitting"] is True


def test_drone_and_its_note_by_foot(stage: Stage) -> None:
    hz = {name: note_hz(parse_note(name)) for name in ("A3", "Bb3", "A2")}
    stage.tap(RIGHT)
    stage.tap(LEFT)
    stage.hold(LEFT)
    stage.hold(MIDDLE)
    stage.hold(RIGHT)
    stage.hold(RIGHT)
    stage.hold(MIDDLE)
    wanted = [
        DroneOrder(hz["A3"]),
        DroneOrder(hz["Bb3"], preview=True),
        DroneOrder(hz["A3"], preview=True),
        DroneOrder(hz["A2"], preview=True),
        DroneOrder(hz["A2"], sounding=True),
        DroneOrder(hz["A2"], without=True),
        DroneOrder(hz["A2"], sounding=True),
        DroneOrder(hz["A2"]),
    ]
    assert wait_for(lambda: len(stage.sound.orders) >= len(wanted)) and stage.sound.orders == wanted


def test_the_note_just_played_becomes_the_drones_snapped_to_the_rooms_a4(tmp_path: Path) -> None:
    stage = build(tmp_path, replace(SETTINGS, room=replace(SETTINGS.room, a4_hz=442.0)))
    stage.room.start()
    stage.hear(2.0, NoteEnded(note(1.0, 2.0, settled_hz=294.0)))  # D4, 2 cents flat at 442
    wait_for(stage.rows)
    stage.tap(MIDDLE)
    order = wait_for(lambda: [o for o in stage.drones() if o.preview])[-1]
    assert order.root_hz == pytest.approx(442.0 * 2 ** (-7 / 12))
    stage.room.stop()
    stage.pins.reset()


def test_calls_by_foot_reach_the_note_they_speak_of(stage: Stage) -> None:
    stage.hold(MIDDLE)  # the drone sounds from here on
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))  # it is 2.75 s
    stage.tap(LEFT)
    stage.hear(1.0, NoteLanded(3.2, 220.0))
    stage.tap(RIGHT)  # at 4.0 s, the note has sounded for 0.8 s
    stage.hear(1.0, NoteEnded(note(3.2, 5.0)))
    stage.wait(2.0)  # then they are final
    wait_for(lambda: [row.call for row in stage.rows()] == [Call.FLAT, Call.SHARP])


def test_orders_over_the_socket(stage: Stage) -> None:
    answer = ask(stage.socket, {"do": "drone", "note": "D3", "on": True})
    assert answer["drone"] == {
        "on": True,
        "without": False,
        "note": "D3",
        "root_hz": pytest.approx(146.832, abs=5e-4),
    }
    assert stage.sound.orders[-1] == DroneOrder(note_hz(parse_note("D3")), sounding=True)
    assert ask(stage.socket, {"do": "drone", "on": False})["drone"]["on"] is False
    assert "hz" not in json.dumps(answer["sound"])


@pytest.mark.parametrize(
    "request_",
    [{"do": "dance"}, {}, {"do": "drone", "on": "yes"}, {"do": "drone", "note": 3}]
    + [{"do": "drone", "note": name} for name in ("H9", "B0", "C#7", "")],
)
def test_bad_requests_are_refused_and_change_nothing(stage: Stage, request_: Any) -> None:
    before = list(stage.sound.orders)
    with pytest.raises(ControlError):
        ask(stage.socket, request_)
    assert stage.sound.orders == before


def test_notes_wait_in_memory_while_the_storage_stalls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logfile, "BUSY_TIMEOUT_S", 0.05)
    stage = build(tmp_path)
    stage.room.start()
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    locker = sqlite3.connect(stage.log_path, isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    for second in range(2, 40):
        stage.hear(1.0, NoteEnded(note(second, second + 0.9)))
    wait_for(lambda: stage.room.status()["log"]["trouble"])
    log = stage.room.status()["log"]
    assert log["waiting"] == 38 and len(stage.rows()) == 1
    assert ask(stage.socket, {"do": "drone", "on": True})["drone"]["on"]  # practice goes on
    locker.execute("ROLLBACK")
    locker.close()
    wait_for(lambda: len(stage.rows()) == 39)
    ends = [row.ended_at.monotonic_s for row in stage.rows()]
    assert ends == sorted(ends) and stage.room.status()["log"]["trouble"] is None
    assert stage.room.stop() == 0
    stage.pins.reset()


def test_a_stop_while_the_storage_stalls_says_how_much_is_lost(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logfile, "BUSY_TIMEOUT_S", 0.05)
    monkeypatch.setattr("appliance.daemon.FLUSH_S", 0.3)
    stage = build(tmp_path)
    stage.room.start()
    locker = sqlite3.connect(stage.log_path, isolation_level=None)
    locker.execute("BEGIN IMMEDIATE")
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    assert stage.room.stop() == 3  # the sitting's begin, the note, the sitting's end
    locker.close()
    stage.pins.reset()


def test_a_log_that_cannot_be_opened_is_said_and_practice_goes_on(tmp_path: Path) -> None:
    letter = b"a letter to the caretaker" * 100
    (tmp_path / "room.db").write_bytes(letter)
    stage = build(tmp_path)
    stage.room.start()
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    status = ask(stage.socket, {"do": "drone", "on": True})
    assert status["drone"]["on"] and status["log"]["waiting"] == 2
    assert "room.db is damaged" in status["log"]["trouble"]
    assert (tmp_path / "room.db").read_bytes() == letter
    (tmp_path / "room.db").unlink()  # somebody makes room for the log
    wait_for(lambda: stage.room.status()["log"]["waiting"] == 0)
    assert len(stage.rows()) == 1
    assert stage.room.stop() == 0
    stage.pins.reset()


def test_pedals_that_cannot_be_opened_close_what_was_open(tmp_path: Path) -> None:
    stage = build(tmp_path, replace(SETTINGS, pedals=replace(SETTINGS.pedals, left_pin=27)))
    with pytest.raises(DeviceError):
        stage.room.start()
    assert stage.sound.stopped and not stage.socket.exists()
    stage.pins.reset()


def test_an_ear_that_fails_stops_the_room_rather_than_leaving_it_deaf(tmp_path: Path) -> None:
    stage = build(tmp_path)
    stage.script.append("no event")  # type: ignore[arg-type]
    stage.sound.pass_time(1.0)
    assert stage.room.serve(threading.Event()) is False
    stage.pins.reset()


def test_a_hearing_that_lags_loses_sound_not_memory() -> None:
    handover = Handover()
    second = np.zeros(48000, np.float32)
    for at_s in range(40):
        handover.put(Block(second, second, False, float(at_s), 48000.0))
    assert handover.dropped == 40 - BACKLOG_S - 1
    taken = []
    while (block := handover.get(0.0)) is not None:
        taken.append(block)
    assert len(taken) + handover.dropped == 40
    handover.put(Block(second, second, False, 40.0, 48000.0))
    after = handover.get(0.0)
    assert after is not None and after.fresh and not taken[1].fresh


def test_the_loudspeaker_obeys_the_last_order() -> None:
    loudspeaker = Loudspeaker(Settings().drone, 48000.0)
    assert not loudspeaker.render(4800).any()
    loudspeaker.order(DroneOrder(220.0, preview=True))
    assert loudspeaker.render(48000).any()
    assert loudspeaker.render(48000)[24000:].any() is np.False_  # a preview ends by itself
    loudspeaker.order(DroneOrder(220.0, sounding=True))
    loudspeaker.order(DroneOrder(220.0, sounding=True))
    assert loudspeaker.render(96000)[-4800:].any()
    loudspeaker.order(DroneOrder(220.0))
    assert not loudspeaker.render(48000)[-4800:].any()


def sentence_of(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(list(words)) == 2
    said = capsys.readouterr()
    assert said.out == "" and said.err.count("\n") == 1 and "Traceback" not in said.err
    return said.err


def test_an_unknown_sound_device_is_one_sentence_with_what_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "s.toml").write_text('[sound]\ndevice = "gramophone"\n')
    words = ["run", "--no-pedals", "--settings", str(tmp_path / "s.toml")]
    words += ["--log", str(tmp_path / "r.db"), "--socket", str(tmp_path / "c.sock")]
    said = sentence_of(capsys, *words)
    assert "'gramophone'" in said and "there is: " in said
    assert not (tmp_path / "c.sock").exists()


def test_bad_settings_and_a_missing_daemon_are_one_sentence_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "s.toml").write_text("[drone]\nloud = true\n")
    assert "loud" in sentence_of(
        capsys, "run", "--simulate", "--settings", str(tmp_path / "s.toml")
    )
    socket = str(tmp_path / "c.sock")
    assert "groundnote run" in sentence_of(capsys, "drone", "on", "--socket", socket)


def test_the_log_says_how_long_its_slowest_note_took_to_be_committed(tmp_path: Path) -> None:
    """By the room's clock, from the note's end; storage takes its time here by that clock."""
    clock, takes_s = SimulatedClock(1.7e9, monotonic_s=1000.0), iter([0.25, 0.75, 0.5])

    class SlowLog(Logbook):
        def add_note(self, *words: Any, **more: Any) -> str:
            clock.advance(next(takes_s))
            return super().add_note(*words, **more)

    writer = LogWriter(
        lambda: SlowLog(tmp_path / "r.db", "north room"), lambda: clock.now().monotonic_s
    )
    writer.start()
    writer.begin_sitting(clock.now(), instrument="viola", a4_hz=440.0)
    for number in range(3):
        writer.add_note(note(1.0, 2.0), clock.now())
        wait_for(lambda written=number + 1: writer.report().notes_written == written)
    assert writer.report().slowest_commit_s == pytest.approx(0.75)
    assert writer.stop(5.0) == 0


def test_run_simulate_as_a_user_runs_it(tmp_path: Path) -> None:
    log, socket = tmp_path / "room.db", tmp_path / "c.sock"
    words = [sys.executable, "-m", "appliance", "run", "--simulate"]
    words += ["--log", str(log), "--socket", str(socket)]
    with subprocess.Popen(words, stderr=subprocess.PIPE, env=dict(os.environ)) as process:
        try:
            wait_for(lambda: socket.exists() and ask(socket, {"do": "status"})["drone"]["on"])
            wait_for(lambda: ask(socket, {"do": "status"})["log"]["notes_written"] >= 2, 40.0)
        finally:
            process.send_signal(signal.SIGTERM)
            said = process.communicate(timeout=15)[1]
    (line,) = said.decode().splitlines()  # the first start tells the owner's code, and no more
    assert process.returncode == 0 and "owner" in line
    with LogReader(log) as reader:
        assert len(reader.notes(0.0, 1e12)) >= 2
    with sqlite3.connect(log) as db:
        assert db.execute("SELECT count(*) FROM sitting WHERE ended_wall_s IS NULL").fetchone() == (
            0,
        )
