"""The simulated player and room, against their own plan and against Praat on the dry tone."""

from itertools import pairwise

import numpy as np
import parselmouth
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from appliance.devices.simulated_player import SimulatedPlayer
from appliance.devices.simulated_room import PLAYER_DBFS, SimulatedRoom
from appliance.devices.simulated_score import Habits, Piece, PieceNote, Planner, Score, scale
from appliance.devices.simulator import simulated_devices
from appliance.instruments import INSTRUMENTS
from appliance.practice.pedalboard import Action, Heard, Pedalboard, action_of
from appliance.settings import PedalSettings, RoomSettings, Settings
from appliance.tuning import cents, note_hz
from appliance.vocabulary import Arrival, Call

RATE = 24000.0
D3_HZ, C3_HZ = note_hz(50), note_hz(48)
SCALE = scale((62, 64, 66, 67, 69, 71, 73, 74), slur=2)
SHIFT: Piece = (PieceNote(59), PieceNote(67, slurred=True, slide=True))


def plan(habits: Habits | None = None, seconds: float = 60.0, seed: int = 3) -> Score:
    rng = np.random.default_rng(seed)
    return Planner(habits or Habits(), D3_HZ, 440.0, rng).play([SCALE, SHIFT], seconds)


def dry(score: Score, seed: int = 4) -> NDArray[np.float32]:
    player = SimulatedPlayer(score, C3_HZ, RATE, seed)
    return player.sound(round(score.duration_s * RATE))


class Silence:
    def sound(self, frames: int) -> NDArray[np.float32]:
        return np.zeros(frames, np.float32)


def empty_room(drone_db: float = 0.0, seed: int = 5) -> SimulatedRoom:
    return SimulatedRoom(Silence(), RATE, seed, drone_db=drone_db)


def sine(hz: float, dbfs: float, seconds: float) -> NDArray[np.float32]:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(10 ** (dbfs / 20) * np.sqrt(2) * np.sin(2 * np.pi * hz * t), np.float32)


def level_db(sound: NDArray[np.floating]) -> float:
    return float(10 * np.log10(np.mean(np.asarray(sound, np.float64) ** 2)))


def partial_db(sound: NDArray[np.floating], hz: float) -> float:
    window = np.hanning(sound.size)
    t = np.arange(sound.size) / RATE
    gain = abs(np.sum(window * sound * np.exp(-2j * np.pi * hz * t))) / window.sum()
    return float(20 * np.log10(np.sqrt(2) * gain))


def test_praat_hears_the_landings_and_settled_pitches_that_were_planned() -> None:
    habits = Habits(landing_cents={66: -25.0}, shift_cents={(59, 67): 20.0}, rescue=0.8)
    score = plan(habits)
    sound = parselmouth.Sound(dry(score).astype(float), RATE)
    track = sound.to_pitch_ac(time_step=0.005, pitch_floor=100, pitch_ceiling=900)
    hz, at = track.selected_array["frequency"], track.xs()
    landing, settled = [], []
    for note in score.notes:
        early = (at > note.start_s + 0.06) & (at < note.start_s + 0.22)
        late = (at > max(note.start_s + 0.75, note.end_s - 0.5)) & (at < note.end_s - 0.05)
        landing.append(cents(float(np.median(hz[early])), note.landing_hz))
        if late.sum() > 40 and note.vibrato is None:
            settled.append(cents(float(np.mean(hz[late])), note.settled_hz))
    # The player's own jitter of 1.5 cents moves a landing by about one.
    assert len(landing) > 25
    assert len(settled) > 5
    assert abs(np.median(landing)) < 0.6
    assert np.percentile(np.abs(landing), 95) < 3.5
    assert np.percentile(np.abs(settled), 95) < 3.5


def test_notes_follow_one_another_and_are_as_long_as_slow_practice() -> None:
    score = plan(seconds=120.0)
    for before, note in pairwise(score.notes):
        assert 0.8 <= note.end_s - note.start_s <= 2.0
        gap = note.start_s - before.end_s
        if note.arrival is Arrival.BOW:
            assert gap >= 0.08
        else:
            assert gap == pytest.approx(note.travel_s)
        if note.arrival is Arrival.SLIDE:
            assert 0.06 <= note.travel_s <= 0.15
    assert {note.arrival for note in score.notes} == set(Arrival)
    assert score.notes[-1].end_s < score.duration_s


def test_just_intonation_over_the_drone_is_what_the_player_means() -> None:
    nominal = {note.midi: cents(note.nominal_hz, D3_HZ) % 1200 for note in plan().notes}
    # Helmholtz, On the Sensations of Tone: 5/4, 4/3, 3/2 and 5/3 in cents (from memory).
    assert nominal[66] == pytest.approx(386.31, abs=0.01)
    assert nominal[67] == pytest.approx(498.04, abs=0.01)
    assert nominal[69] == pytest.approx(701.96, abs=0.01)
    assert nominal[71] == pytest.approx(884.36, abs=0.01)


def test_habits_are_planted() -> None:
    habits = Habits(landing_cents={66: -20.0}, shift_cents={(59, 67): 18.0}, rescue=0.5)
    notes = plan(habits, seconds=900.0).notes
    flat = [note for note in notes if note.midi == 66]
    assert np.mean([note.landing_cents for note in flat]) == pytest.approx(-20.0, abs=2.0)
    rescued = [abs(note.settled_cents) < 8.0 for note in flat]
    assert np.mean(rescued) == pytest.approx(0.5, abs=0.15)
    shifted = [note.landing_cents for note in notes if note.arrival is Arrival.SLIDE]
    assert np.mean(shifted) == pytest.approx(18.0, abs=2.0)
    others = [n.landing_cents for n in notes if n.midi != 66 and n.arrival is not Arrival.SLIDE]
    assert np.mean(others) == pytest.approx(0.0, abs=1.0)


def test_ears_that_hear_sixths_flat_call_pure_ones_flat_and_nothing_else() -> None:
    habits = Habits(hears_cents={9: -14.0}, spread_cents=1.0, calls=1.0)
    called = [note for note in plan(habits, seconds=600.0).notes if note.call is not None]
    sixths = [note.call for note in called if note.midi in (59, 71)]
    others = [note.call for note in called if note.midi not in (59, 71)]
    assert len(sixths) > 10
    assert sixths.count(Call.FLAT) / len(sixths) > 0.9
    assert others.count(Call.IN_TUNE) / len(others) > 0.9


def test_feet_start_the_drone_call_what_was_planned_and_stop_it() -> None:
    score = plan(Habits(calls=1.0))
    player = SimulatedPlayer(score, C3_HZ, RATE, 1)
    board = Pedalboard(PedalSettings())
    actions, heard = [], Heard.SILENT
    for now_s in np.arange(0.0, score.duration_s + 2.0, 0.1):
        gestures = []
        for move in player.presses_due(now_s):
            edge = board.press if move.down else board.release
            gestures += edge(move.pedal, move.at_s)
        for gesture in gestures + board.tick(now_s):
            actions.append(action_of(gesture, heard))
            heard = Heard.SILENT if actions[-1] is Action.STOP_DRONE else Heard.SOUNDING
    verdicts = {
        Call.FLAT: Action.CALL_FLAT,
        Call.IN_TUNE: Action.CALL_IN_TUNE,
        Call.SHARP: Action.CALL_SHARP,
    }
    calls = [verdicts[note.call] for note in score.notes if note.call is not None]
    assert len(calls) > 5
    assert actions == [Action.START_DRONE, *calls, Action.STOP_DRONE]


def test_an_endless_player_repeats_and_starts_the_drone_once() -> None:
    score = plan(Habits(calls=1.0), seconds=20.0)
    player = SimulatedPlayer(score, C3_HZ, RATE, 1, endless=True)
    rounds = [player.sound(round(score.duration_s * RATE)) for _ in range(3)]
    assert not player.finished
    assert all(level_db(sound[round(5 * RATE) :]) > -6.0 for sound in rounds)
    downs = [move.at_s for move in player.presses_due(60.0) if move.down]
    calls = sum(note.call is not None for note in score.notes)
    assert len(downs) == 1 + 3 * calls
    assert downs == sorted(downs)


def test_the_same_seed_plays_the_same_and_another_does_not() -> None:
    score = plan(seconds=15.0)
    assert np.array_equal(dry(score, 1), dry(score, 1))
    assert not np.array_equal(dry(score, 1), dry(score, 2))


@hypothesis_settings(max_examples=12, deadline=None)
@given(st.lists(st.integers(1, 5000), min_size=1, max_size=30))
def test_the_cut_into_blocks_changes_nothing(sizes: list[int]) -> None:
    score = plan(seconds=8.0)
    sent = sine(220.0, -24.0, sum(sizes) / RATE)
    whole, cut = (SimulatedRoom(SimulatedPlayer(score, C3_HZ, RATE, 1), RATE, 2) for _ in range(2))
    blocks = np.split(sent, np.cumsum(sizes)[:-1])
    assert np.array_equal(whole.exchange(sent), np.concatenate([cut.exchange(b) for b in blocks]))


@pytest.mark.parametrize("drone_db", [-12.0, -3.0, 6.0])
def test_the_drone_reaches_the_microphone_about_as_loud_as_asked(drone_db: float) -> None:
    levels = []
    for seed in range(6):
        sent = np.sum([sine(147.0 * h, -24.0 - 10 * np.log10(12), 2.0) for h in range(1, 13)], 0)
        heard = empty_room(drone_db, seed).exchange(sent.astype(np.float32))
        levels.append(level_db(heard[round(RATE) :]) - PLAYER_DBFS - drone_db)
    assert abs(np.mean(levels)) < 2.0
    assert np.max(np.abs(levels)) < 5.0


def test_the_player_is_heard_at_the_level_of_the_room() -> None:
    score = plan()
    room = SimulatedRoom(SimulatedPlayer(score, C3_HZ, RATE, 1), RATE, 2)
    heard = room.exchange(np.zeros(round(60 * RATE), np.float32))
    assert level_db(heard[round(5 * RATE) :]) == pytest.approx(PLAYER_DBFS - 1.5, abs=2.5)


def test_an_empty_room_is_55_db_under_the_player() -> None:
    heard = empty_room().exchange(np.zeros(round(2 * RATE), np.float32))
    assert level_db(heard[round(RATE) :]) == pytest.approx(PLAYER_DBFS - 55.0, abs=0.3)


def test_the_loudspeaker_is_small_and_distorts_mildly() -> None:
    bass, middle = (
        np.mean(
            [partial_db(empty_room(seed=s).exchange(sine(hz, -24.0, 2.0)), hz) for s in range(8)]
        )
        for hz in (35.0, 400.0)
    )
    assert middle - bass > 10.0
    heard = [empty_room(seed=s).exchange(sine(400.0, -24.0, 2.0)) for s in range(8)]
    second = np.mean([partial_db(h, 800.0) - partial_db(h, 400.0) for h in heard])
    assert -50.0 < second < -30.0


@pytest.mark.parametrize("seed", range(4))
def test_the_room_rings_for_a_third_to_half_a_second(seed: int) -> None:
    click = np.zeros(round(RATE), np.float32)
    click[0] = 1.0
    room = empty_room(20.0, seed)
    heard = room.exchange(click)[round(room.latency_s * RATE) :]
    # Schroeder 1965: backward integration of the squared response (from memory; ISO 3382's T20).
    left = np.cumsum(heard[: round(0.6 * RATE)][::-1].astype(float) ** 2)[::-1]
    decay = 10 * np.log10(left / left[0])
    at = [int(np.argmax(decay < db)) for db in (-8.0, -28.0)]
    assert 0.25 < 3.0 * (at[1] - at[0]) / RATE < 0.55


def test_a_swaying_player_changes_the_drone_a_little() -> None:
    heard = empty_room().exchange(sine(440.0, -24.0, 20.0))
    levels = [partial_db(block, 440.0) for block in np.split(heard[round(2 * RATE) :], 36)]
    assert 0.02 < np.std(levels) < 2.0


@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_instrument_has_a_room(name: str) -> None:
    settings = Settings(room=RoomSettings(instrument=name))
    room, player = simulated_devices(settings, RATE, seed=1)
    heard = room.exchange(np.zeros(round(12 * RATE), np.float32))
    assert 10 ** (-40 / 20) < np.abs(heard).max() < 0.99
    assert player.presses_due(1.0)[0].down
