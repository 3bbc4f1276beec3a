"""The day's listening and the word to rest: against the standards' own tables, and in a room."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from appliance.care import Care, drone_dbfs
from appliance.log.logbook import Logbook
from appliance.log.records import Listened
from appliance.log.upkeep import Erasure, Upkeep
from appliance.practice.cues import Cue
from appliance.practice.dose import Budget, a_weighting_db, allowed_s, dose_percent, weighted_dbfs
from appliance.practice.drone import Drone
from appliance.practice.rest import Rest
from appliance.practice.tone import Partial
from appliance.settings import DroneSettings, LoudnessSettings, Settings
from appliance.vocabulary import Instant, NoteEnded, NoteLanded
from tests.log_rows import PLAIN
from tests.soundcard import wait_for
from tests.stage import MIDDLE, Stage, build, note
from web import create_app

# NIOSH 98-126, table 1-1 (from memory): level in dBA, and what it may last.
TABLE_1_1 = [
    (80, 25 * 3600 + 24 * 60),
    (82, 16 * 3600),
    (83, 12 * 3600 + 42 * 60),
    (85, 8 * 3600),
    (86, 6 * 3600 + 21 * 60),
    (88, 4 * 3600),
    (90, 2 * 3600 + 31 * 60),
    (91, 2 * 3600),
    (92, 3600 + 35 * 60),
    (94, 3600),
    (95, 47 * 60 + 37),
    (97, 30 * 60),
    (100, 15 * 60),
    (103, 7 * 60 + 30),
    (106, 3 * 60 + 45),
]
# IEC 61672-1, table of the A-weighting at nominal frequencies, dB (from memory).
A_WEIGHTING = [
    (31.5, -39.4),
    (63, -26.2),
    (125, -16.1),
    (250, -8.6),
    (500, -3.2),
    (1000, 0.0),
    (2000, 1.2),
    (4000, 1.0),
    (8000, -1.1),
]
DAY = date(2026, 2, 14)


@pytest.mark.parametrize(("level_dba", "seconds"), TABLE_1_1)
def test_allowed_times_are_those_of_niosh(level_dba: float, seconds: float) -> None:
    assert allowed_s(level_dba) == pytest.approx(seconds, abs=60.0 if seconds > 3000 else 1.0)
    assert dose_percent(level_dba, seconds) == pytest.approx(100.0, rel=0.01)


def test_parts_of_a_day_add_up() -> None:
    """Two hours at 88 dBA and one at 91 dBA are half a day's dose each (C/T = 2/4 + 1/2)."""
    budget = Budget(100.0)
    budget.add(None, 88.0, 2 * 3600.0, DAY)
    assert budget.used_percent(None, DAY) == pytest.approx(50.0)
    assert not budget.newly_used_up(None)
    budget.add(None, 91.0, 3600.0 + 1.0, DAY)
    assert [budget.newly_used_up(None) for _ in range(3)] == [True, False, False]


def test_each_player_and_each_day_has_its_own() -> None:
    budget = Budget(50.0)
    budget.add("7", 85.0, 4.01 * 3600.0, DAY)
    assert budget.newly_used_up("7") and not budget.newly_used_up("8")
    assert budget.used_percent("8", DAY) == 0.0
    tomorrow = date(2026, 2, 15)
    assert budget.used_percent("7", tomorrow) == 0.0
    budget.add("7", 85.0, 60.0, tomorrow)
    assert budget.used_percent("7", tomorrow) == pytest.approx(100.0 * 60.0 / 28800.0)
    assert not budget.newly_used_up("7")


@pytest.mark.parametrize(("hz", "db"), A_WEIGHTING)
def test_the_weighting_is_that_of_the_standard(hz: float, db: float) -> None:
    assert a_weighting_db(hz) == pytest.approx(db, abs=0.15)  # nominal frequencies are rounded


@pytest.mark.parametrize("root_hz", [55.0, 220.0])
def test_a_drones_weighted_level_is_that_of_its_samples(root_hz: float) -> None:
    """By another route: the spectrum of what is played, weighted bin by bin."""
    settings, rate_hz = DroneSettings(), 48000.0
    drone = Drone(settings, rate_hz)
    drone.set_root(root_hz)
    drone.start()
    drone.sound(48000)
    sound = drone.sound(5 * 48000).astype(np.float64)
    power = 2.0 * np.abs(np.fft.rfft(sound * np.hanning(sound.size))) ** 2
    power /= sound.size * np.sum(np.hanning(sound.size) ** 2)
    hz = np.fft.rfftfreq(sound.size, 1.0 / rate_hz)
    weight = np.array([10.0 ** (a_weighting_db(f) / 10.0) if f > 10.0 else 0.0 for f in hz])
    truth = 10.0 * np.log10(np.sum(power * weight))
    assert drone_dbfs(settings, root_hz) == pytest.approx(truth, abs=0.05)
    assert weighted_dbfs([Partial(1000.0, 1.0)]) == pytest.approx(-3.01, abs=0.02)


# --- in a room ----------------------------------------------------------------------------------


def instant(seconds: float) -> Instant:
    return Instant(1.7e9 + seconds, 1000.0 + seconds, "boot", True)


def calibrated(**loudness: float) -> Settings:
    plain = Settings()
    room = replace(plain.room, time_zone="UTC")
    return replace(plain, room=room, loudness=LoudnessSettings(**loudness))


def listen(care: Care, from_s: float, to_s: float) -> None:
    for at in np.arange(from_s, to_s + 0.5, 1.0):
        care.listen(220.0, instant(float(at)), None)


def test_the_budget_is_silent_until_calibrated() -> None:
    care = Care(Settings())
    listen(care, 0.0, 3600.0)
    assert care.due(None) is None
    assert care.status(instant(3600.0), None)["used_percent"] is None


def test_a_loud_drone_uses_the_budget_up_and_says_so_once() -> None:
    level = drone_dbfs(DroneSettings(), 220.0)
    care = Care(calibrated(full_scale_dba=94.0 - level, daily_dose_percent=50.0))
    listen(care, 0.0, 1799.0)
    assert care.due(None) is None
    listen(care, 1800.0, 1802.0)
    assert care.due(None) is Cue.ENOUGH and care.due(None) is None
    used = care.status(instant(1802.0), None)["used_percent"]
    assert used == pytest.approx(50.0, abs=0.2)


def test_a_silent_drone_and_a_room_that_stood_still_cost_nothing() -> None:
    care = Care(calibrated(full_scale_dba=120.0))
    care.listen(None, instant(0.0), None)
    care.listen(None, instant(3600.0), None)
    care.listen(220.0, instant(7200.0), None)  # an hour without a look: one second at most
    used = care.status(instant(7200.0), None)["used_percent"]
    assert 0.0 < used <= dose_percent(120.0 + drone_dbfs(DroneSettings(), 220.0), 1.0) * 1.001


def test_the_players_own_notes_count() -> None:
    care = Care(calibrated(player_full_scale_dba=110.0))
    note = replace(PLAIN, level_db=-10.0)  # 100 dBA: fifteen minutes are a day's dose
    for at in range(0, 900, 10):
        care.play(note, instant(float(at)), instant(at + 10.0), None)
    assert care.status(instant(900.0), None)["used_percent"] == pytest.approx(100.0, abs=0.1)
    assert care.due(None) is Cue.ENOUGH


def play(rest: Rest, from_s: float, to_s: float, gap_s: float = 1.0) -> list[float]:
    """Play notes of four seconds; return when a rest was called for."""
    called, at_s = [], from_s
    while at_s < to_s:
        rest.play(at_s, at_s + 4.0)
        if rest.newly_due():
            called.append(at_s + 4.0)
        at_s += 4.0 + gap_s
    return called


def test_rest_is_due_after_25_minutes_and_again_without_one() -> None:
    rest = Rest(1500.0, 300.0)
    assert play(rest, 0.0, 3200.0, gap_s=100.0) == pytest.approx([1564.0, 3124.0])
    assert rest.due(3200.0)


def test_five_minutes_are_a_rest() -> None:
    rest = Rest(1500.0, 300.0)
    assert play(rest, 0.0, 1400.0) == []
    assert play(rest, 1700.0, 3100.0) == []
    assert play(rest, 3100.0, 3300.0) == pytest.approx([3204.0], abs=5.0)
    assert rest.due(3400.0) and not rest.due(3700.0)


def test_another_player_comes_rested() -> None:
    due = {}
    for players in [("7", "8"), (None, "7"), ("7", None)]:
        care = Care(Settings())
        for at in range(0, 1600, 5):
            player = players[0] if at < 1200 else players[1]
            care.play(PLAIN, instant(float(at)), instant(at + 4.0), player)
        due[players] = care.due(players[1])
    assert due == {("7", "8"): None, (None, "7"): Cue.REST, ("7", None): Cue.REST}


def test_the_reminder_can_be_turned_off() -> None:
    plain = Settings()
    off = replace(plain, practice=replace(plain.practice, rest_reminder=False))
    for settings, cue in ((plain, Cue.REST), (off, None)):
        care = Care(settings)
        for at in range(0, 1600, 5):
            care.play(PLAIN, instant(float(at)), instant(at + 4.0), None)
        assert care.due(None) is cue
        assert care.status(instant(1600.0), None)["rest_due"] is (cue is not None)


# --- in a running room, by its own clock ---------------------------------------------------------


@contextmanager
def started(tmp_path: Path, after_s: float = 0.0) -> Iterator[Stage]:
    """A room on the log that is there; 7.5 minutes of its drone are a day's dose."""
    level = drone_dbfs(DroneSettings(), 220.0)
    stage = build(tmp_path, calibrated(full_scale_dba=103.0 - level))
    stage.clock.advance(after_s)
    stage.room.start()
    try:
        yield stage
    finally:
        stage.room.stop()
        stage.pins.reset()


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    with started(tmp_path) as stage:
        yield stage


def test_after_25_minutes_of_playing_a_cue_says_so(stage: Stage) -> None:
    for number in range(5):  # with pauses of nearly five minutes
        stage.hear(299.0, NoteEnded(note(299.0 * number, 299.0 * number + 2.0)))
    stage.wait(1.0)
    assert Cue.REST not in stage.cues() and not stage.room.status()["care"]["rest_due"]
    for number in range(5, 7):
        stage.hear(299.0, NoteEnded(note(299.0 * number, 299.0 * number + 2.0)))
    wait_for(lambda: Cue.REST in stage.cues())
    assert stage.room.status()["care"]["rest_due"]
    stage.wait(301.0)
    assert not stage.room.status()["care"]["rest_due"]
    assert stage.cues().count(Cue.REST) == 1
    assert len(stage.rows()) == 7  # no cue is a note


def test_it_waits_for_the_end_of_a_note_and_of_an_answer(stage: Stage) -> None:
    for number in range(6):
        stage.hear(299.0, NoteEnded(note(299.0 * number, 299.0 * number + 2.0)))
    stage.hear(10.0, NoteEnded(note(1794.0, 1796.0)), NoteLanded(1800.0, 220.0))
    stage.wait(2.0)
    assert Cue.REST not in stage.cues()  # a note sounds
    stage.hear(1.0, NoteEnded(note(1800.0, 1806.0)))
    wait_for(lambda: Cue.REST in stage.cues())


def test_the_room_page_says_both(stage: Stage) -> None:
    page = create_app(stage.log_path, Settings(), socket_path=stage.socket).test_client()
    said = page.get("/room").text
    assert "0 % of what NIOSH allows in a day" in said and "time for five minutes" not in said
    for number in range(7):
        stage.hear(299.0, NoteEnded(note(299.0 * number, 299.0 * number + 2.0)))
    assert "It is time for five minutes without playing." in page.get("/room").text


def test_a_drone_uses_the_day_up_by_the_rooms_clock(stage: Stage) -> None:
    stage.hold(MIDDLE)
    for _ in range(449):
        stage.clock.advance(1.0)
        stage.room.status()
        stage.room._desk.tick(stage.clock.now())
    assert Cue.ENOUGH not in stage.cues()
    used = stage.room.status()["care"]["used_percent"]
    assert used == pytest.approx(100.0 * 449.0 / 450.0, abs=1.0)
    for _ in range(4):
        stage.clock.advance(1.0)
        stage.room._desk.tick(stage.clock.now())
    wait_for(lambda: Cue.ENOUGH in stage.cues())


# --- a room that is started again -----------------------------------------------------------------


def drone_for(stage: Stage, seconds: int) -> float:
    """Let the drone sound; return the share of the day that is used then, percent."""
    if not stage.room.status()["drone"]["on"]:
        stage.hold(MIDDLE)
    for _ in range(seconds):
        stage.clock.advance(1.0)
        stage.room._desk.tick(stage.clock.now())
    return float(stage.room.status()["care"]["used_percent"])


def test_a_room_started_again_goes_on_counting_and_says_enough_once(tmp_path: Path) -> None:
    with started(tmp_path) as stage:
        first = drone_for(stage, 200)
    with started(tmp_path, 600.0) as stage:
        assert stage.room.status()["care"]["used_percent"] == pytest.approx(first, abs=0.01)
        assert drone_for(stage, 200) == pytest.approx(2.0 * first, abs=1.0)
        assert Cue.ENOUGH not in stage.cues()
        drone_for(stage, 60)
        wait_for(lambda: Cue.ENOUGH in stage.cues())
    with started(tmp_path, 1200.0) as stage:
        assert drone_for(stage, 30) > 100.0
        assert Cue.ENOUGH not in stage.cues()  # it was said today
    with started(tmp_path, 7200.0) as stage:  # past midnight
        assert stage.room.status()["care"]["used_percent"] == 0.0


def test_a_power_cut_costs_a_minute_of_the_days_listening_at_most(tmp_path: Path) -> None:
    with started(tmp_path) as stage:
        used = drone_for(stage, 150)
        wait_for(lambda: stage.room.status()["log"]["waiting"] == 0)
        cut = tmp_path / "cut"
        cut.mkdir()
        for file in tmp_path.glob("room.db*"):
            shutil.copy(file, cut)
    with started(cut) as stage:
        left = stage.room.status()["care"]["used_percent"]
        assert used - 100.0 * 61.0 / 450.0 <= left < used


def test_a_log_that_opens_late_adds_what_it_knows(tmp_path: Path) -> None:
    """What was counted meanwhile is not kept in place of what the log knows."""
    care = Care(calibrated(full_scale_dba=94.0 - drone_dbfs(DroneSettings(), 220.0)))
    listen(care, 0.0, 900.0)  # a quarter of an hour's limit
    assert care.to_keep(instant(900.0)) == [] and care.last_to_keep() == []
    today = datetime.fromtimestamp(instant(0.0).wall_s, UTC).date()
    for _ in range(2):  # the room offers it at every look
        care.go_on([Listened(None, today, 40.0), Listened("7", today, 10.0)])
    (kept,) = care.to_keep(instant(901.0))
    assert kept.player is None and kept.used_percent == pytest.approx(65.0, abs=0.2)
    assert care.to_keep(instant(1000.0)) == []  # nothing new
    assert care.status(instant(901.0), "7")["used_percent"] == 10.0


def test_a_clock_set_back_over_midnight_finds_the_day_before() -> None:
    budget = Budget(100.0)
    budget.add("7", 85.0, 3600.0, DAY)
    budget.add("7", 85.0, 60.0, date(2026, 2, 15))
    budget.add("7", 85.0, 3600.0, DAY)
    assert budget.used_percent("7", DAY) == pytest.approx(25.0)
    budget.add("7", 85.0, 60.0, date(2026, 2, 16))
    assert budget.used_percent("7", DAY) == 0.0


def test_the_log_keeps_two_days_and_nothing_of_who_was_deleted(tmp_path: Path) -> None:
    path, gone = tmp_path / "room.db", "1f3a9c02-17"
    days = [date(2026, 2, 13), DAY, date(2026, 2, 15)]
    with Logbook(path, "north room") as log:
        log.keep_listening([Listened(player, days[0], 30.0) for player in (None, gone)])
        log.keep_listening([Listened(player, days[1], 10.0) for player in (None, gone)])
        log.keep_listening([Listened(None, days[1], 20.0)])
        assert len(log.listening()) == 4
        with Upkeep(path) as upkeep:
            upkeep.forget(Erasure(gone, 1.77e9))
        log.keep_listening([Listened(gone, days[2], 5.0), Listened(None, days[2], 5.0)])
        assert log.listening() == [Listened(None, days[1], 20.0), Listened(None, days[2], 5.0)]
