"""Settings over the control socket, in the running room: at once, in range, within the rules."""

import json
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from appliance.control import ask
from appliance.daemon import Room
from appliance.devices.clock import SimulatedClock
from appliance.devices.loudspeaker import Loudspeaker
from appliance.live import _set_before
from appliance.log.chosen import QuietHours, house_rules
from appliance.log.logbook import Logbook
from appliance.log.room_settings import RoomSettingsEditor
from appliance.practice.order import DroneOrder
from appliance.room_setup import Setup
from appliance.settings import Settings
from appliance.tuning import note_hz
from appliance.vocabulary import ControlError, NoteEnded
from tests.soundcard import wait_for
from tests.stage import LEFT, MIDDLE, RIGHT, START_S, ScriptedSound, Stage, build, note

PLAYER = "1f3a9c02-17"


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    monkeypatch.setattr("appliance.changing.CHANGE_S", 0.2)
    stage = build(tmp_path)
    stage.room.start()
    yield stage
    stage.room.stop()
    stage.pins.reset()


def test_a4_takes_effect_at_once_and_begins_a_new_sitting(stage: Stage) -> None:
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    ask(stage.socket, {"do": "drone", "on": True})
    status = ask(stage.socket, {"do": "set", "a4_hz": 442.0})
    assert (status["a4_hz"], status["sitting"]) == (442.0, False)
    assert status["drone"]["note"] == "A3"
    assert status["drone"]["root_hz"] == pytest.approx(221.0)
    assert stage.drones()[-1].root_hz == pytest.approx(221.0) and stage.drones()[-1].sounding
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)), fresh=True)
    wait_for(lambda: len(stage.rows()) == 2)
    assert [(s["a4_hz"], s["ended_wall_s"] is None) for s in stage.sittings()] == [
        (440.0, False),
        (442.0, True),
    ]


def test_a_note_that_sounds_while_a4_changes_belongs_to_the_old_sitting(stage: Stage) -> None:
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    stage.last_words.append(NoteEnded(note(2.0, 3.0)))
    stage.sound.fall_silent()  # the hearing takes the change when it next looks for sound
    ask(stage.socket, {"do": "set", "a4_hz": 441.0})
    stage.sound.fall_silent()
    wait_for(lambda: len(stage.rows()) == 2)
    stage.last_words.clear()
    assert {row.sitting.a4_hz for row in stage.rows()} == {440.0}


def test_who_is_checked_in_stays_so_when_a4_begins_a_new_sitting(stage: Stage) -> None:
    ask(stage.socket, {"do": "check_in", "player": PLAYER})
    for number in range(3):  # they have been playing for a quarter of an hour
        stage.hear(300.0, NoteEnded(note(300.0 * number + 298.0, 300.0 * number + 300.0)))
    wait_for(lambda: len(stage.rows()) == 3)
    ask(stage.socket, {"do": "set", "a4_hz": 442.0})
    stage.wait(5.0)
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)), fresh=True)
    wait_for(lambda: len(stage.rows()) == 4)
    assert ask(stage.socket, {"do": "status"})["player"] == PLAYER
    assert [row.sitting.player for row in stage.rows()] == [PLAYER] * 4
    assert [row.sitting.a4_hz for row in stage.rows()] == [440.0] * 3 + [442.0]
    stage.wait(601.0)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["player"] is None)


def test_another_instrument_gets_an_ear_of_its_own(stage: Stage) -> None:
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    before = stage.ears
    assert ask(stage.socket, {"do": "set", "instrument": "cello"})["instrument"] == "cello"
    stage.sound.pass_time(0.1)
    stage.hear(1.0)
    wait_for(lambda: stage.ears == before + 1)
    stage.hear(2.0, NoteEnded(note(0.5, 1.5)))
    wait_for(lambda: len(stage.rows()) == 2)
    assert [row.sitting.instrument for row in stage.rows()] == ["viola", "cello"]


def test_tuning_and_band_keep_the_sitting_and_end_the_round(stage: Stage) -> None:
    stage.hold(MIDDLE)
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    stage.hold(LEFT)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["round"])
    status = ask(stage.socket, {"do": "set", "tuning": "equal", "band_cents": 15})
    assert (status["tuning"], status["band_cents"]) == ("equal", 15.0)
    assert status["sitting"] and not status["round"]
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(lambda: len(stage.rows()) == 2)
    stage.hold(LEFT)
    wait_for(lambda: len(stage.rounds()) == 2)
    assert [played.goal.band_cents for played in stage.rounds()] == [10.0, 15.0]


def test_a_drone_note_that_is_set_is_chosen(stage: Stage) -> None:
    assert ask(stage.socket, {"do": "set", "drone_note": "G2"})["drone"]["note"] == "G2"
    assert stage.drones()[-1].preview


@pytest.mark.parametrize(
    "request_",
    [
        {"a4_hz": 300.0},
        {"a4_hz": "442"},
        {"a4_hz": True},
        {"tuning": "odd"},
        {"instrument": "spoons"},
        {"band_cents": 31},
        {"drone_note": "H3"},
        {"loud": 1},
        {"lock_a4": True},
        {"quiet_from": "21:30"},
        {"a4_hz": 441.0, "tuning": "odd"},
    ],
)
def test_what_is_not_allowed_changes_nothing(stage: Stage, request_: dict[str, object]) -> None:
    before = ask(stage.socket, {"do": "status"})
    with pytest.raises(ControlError):
        ask(stage.socket, {"do": "set", **request_})
    after = ask(stage.socket, {"do": "status"})
    assert {k: after[k] for k in ("a4_hz", "tuning", "instrument", "band_cents", "drone")} == {
        k: before[k] for k in ("a4_hz", "tuning", "instrument", "band_cents", "drone")
    }


def test_a4_that_the_owner_locked_is_changed_by_the_owner_alone(stage: Stage) -> None:
    ask(stage.socket, {"do": "set", "lock_a4": True, "by_owner": True})
    with pytest.raises(ControlError, match="locked A4"):
        ask(stage.socket, {"do": "set", "a4_hz": 442.0})
    assert ask(stage.socket, {"do": "set", "band_cents": 12.0})["band_cents"] == 12.0
    status = ask(stage.socket, {"do": "set", "a4_hz": 442.0, "by_owner": True})
    assert status["a4_hz"] == 442.0
    assert ask(stage.socket, {"do": "set", "a4_hz": None, "by_owner": True})["a4_hz"] == 440.0


def test_no_drone_sounds_at_quiet_hours_by_foot_page_or_preview(tmp_path: Path) -> None:
    stage = build(tmp_path, _in_lisbon())
    stage.room.start()
    hold = {"do": "set", "quiet_from": "22:14", "quiet_to": "06:00", "by_owner": True}
    ask(stage.socket, {"do": "drone", "on": True})
    status = ask(stage.socket, hold)  # the clock of the stage begins at 22:13:20 in Lisbon
    assert (status["quiet_hours"], status["quiet_now"]) == ("22:14 to 06:00", False)
    assert status["drone"]["on"]
    stage.wait(50.0)  # it is 22:14:10
    wait_for(lambda: not ask(stage.socket, {"do": "status"})["drone"]["on"])
    assert ask(stage.socket, {"do": "status"})["quiet_now"]
    with pytest.raises(ControlError, match="22:14 to 06:00"):
        ask(stage.socket, {"do": "drone", "on": True})
    stage.hold(MIDDLE)  # by foot: a cue says that it cannot be
    wait_for(lambda: [cue.value for cue in stage.cues()])
    stage.tap(RIGHT)
    wait_for(lambda: ask(stage.socket, {"do": "status"})["drone"]["note"] == "A#3")
    assert not any(order.sounding or order.preview for order in stage.drones()[-2:])
    stage.clock.advance(8 * 3600.0)
    stage.wait(1.0)
    assert ask(stage.socket, {"do": "drone", "on": True})["drone"]["on"]
    stage.room.stop()
    stage.pins.reset()


def _in_lisbon() -> Settings:
    plain = Settings()
    assert datetime.fromtimestamp(START_S, ZoneInfo("Europe/Lisbon")).strftime("%H:%M") == "22:13"
    return replace(plain, room=replace(plain.room, time_zone="Europe/Lisbon"))


@pytest.mark.parametrize(
    ("hours", "clock", "quiet"),
    [
        ((21 * 60 + 30, 7 * 60), "21:29", False),
        ((21 * 60 + 30, 7 * 60), "21:30", True),
        ((21 * 60 + 30, 7 * 60), "03:00", True),
        ((21 * 60 + 30, 7 * 60), "07:00", False),
        ((13 * 60, 14 * 60), "13:59", True),
        ((13 * 60, 14 * 60), "14:00", False),
    ],
)
def test_quiet_hours_reach_over_midnight(hours: tuple[int, int], clock: str, quiet: bool) -> None:
    hour, minute = map(int, clock.split(":"))
    at = datetime(2026, 2, 9, hour, minute, tzinfo=ZoneInfo("Europe/Lisbon"))
    assert QuietHours(*hours).hold_at(at.timestamp(), ZoneInfo("Europe/Lisbon")) is quiet


def test_quiet_hours_follow_the_clock_on_the_wall_when_it_is_set_forward() -> None:
    zone = ZoneInfo("Europe/Berlin")  # on 29 March 2026 there is no 02:30
    before = datetime(2026, 3, 29, 0, 59, tzinfo=zone).timestamp()
    quiet = QuietHours(60, 180)
    assert [quiet.hold_at(before + 60 * m, zone) for m in (0, 1, 60, 61)] == [
        False,
        True,
        True,
        False,
    ]


def test_both_ends_or_none(tmp_path: Path) -> None:
    setup = Setup(Settings())
    with pytest.raises(ControlError, match="to begin and a time to end"):
        setup.with_values({"quiet_from": "21:00"}, by_owner=True)
    held = setup.with_values({"quiet_from": "21:00", "quiet_to": "07:00"}, by_owner=True)
    assert held.rules.quiet == QuietHours(1260, 420)
    assert house_rules({"quiet_from": "21:00", "quiet_to": "21:00"}).quiet is None


def test_what_was_set_holds_after_the_next_start(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    Logbook(path, "north room").close()
    with RoomSettingsEditor(path, "north room") as log:
        log.set_room_setting("a4_hz", 442.0)
        log.set_room_setting("drone_note", "G2")
    sound = ScriptedSound(SimulatedClock(START_S))
    room = Room(
        Settings(),
        clock=sound.clock,
        sound=sound,
        open_logbook=lambda: Logbook(path, "north room"),
        set_before=_set_before(path),
    )
    status = room.status()
    assert (status["a4_hz"], status["drone"]["note"]) == (442.0, "G2")
    assert sound.orders[-1].root_hz == pytest.approx(note_hz(43, 442.0))
    with sqlite3.connect(path) as raw:
        stored = dict(raw.execute("SELECT key, value FROM room_setting"))
    assert {key: json.loads(value) for key, value in stored.items()} == {
        "a4_hz": 442.0,
        "drone_note": "G2",
    }


def test_without_a_log_nothing_was_set(tmp_path: Path) -> None:
    assert _set_before(tmp_path / "none.db") == {}


def test_the_level_takes_effect_at_once_and_in_the_count_of_the_day(stage: Stage) -> None:
    ask(stage.socket, {"do": "drone", "on": True})
    status = ask(stage.socket, {"do": "set", "drone_level_dbfs": -30.0})
    assert stage.drones()[-1] == DroneOrder(220.0, sounding=True, level_dbfs=-30.0)
    assert status["drone_level_dbfs"] == -30.0
    with pytest.raises(ControlError, match="from -60 to -9"):
        ask(stage.socket, {"do": "set", "drone_level_dbfs": -6.0})
    ask(stage.socket, {"do": "set", "lock_loudness": True, "by_owner": True})
    with pytest.raises(ControlError, match="locked how loud"):
        ask(stage.socket, {"do": "set", "drone_level_dbfs": -24.0})
    assert stage.drones()[-1].level_dbfs == -30.0


def test_the_loudspeaker_is_so_loud() -> None:
    """RMS of a second, against the levels asked for; halfway through silence, so no click."""
    loudspeaker = Loudspeaker(Settings().drone, 48000.0)
    loudspeaker.order(DroneOrder(220.0, sounding=True))
    levels = [_dbfs(loudspeaker.render(96000)[48000:])]
    for level_dbfs in (-30.0, -12.0):
        loudspeaker.order(DroneOrder(220.0, sounding=True, level_dbfs=level_dbfs))
        sound = loudspeaker.render(96000)
        levels.append(_dbfs(sound[48000:]))
        assert np.max(np.abs(np.diff(sound))) <= 1.001 * np.max(np.abs(np.diff(_loudest(sound))))
    assert levels == pytest.approx([-24.0, -30.0, -12.0], abs=0.05)


def _dbfs(sound: NDArray[np.float32]) -> float:
    return float(20.0 * np.log10(np.sqrt(np.mean(sound.astype(float) ** 2))))


def _loudest(sound: NDArray[np.float32]) -> NDArray[np.float32]:
    """The steadily sounding end or beginning, whichever is louder."""
    begin, end = sound[:4800], sound[48000:]
    return begin if _dbfs(begin) > _dbfs(end) else end
