"""The whole ear: what it says, when it says it, and that it says nothing of a room left alone."""

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.hearing.ear import Ear
from appliance.settings import Settings
from appliance.tuning import note_hz
from appliance.vocabulary import Event, HeardNote, InstrumentError, NoteEnded, NoteLanded
from tests.waves import (
    RATE_HZ,
    Audio,
    Walls,
    bowed,
    cents_between,
    drone_sound,
    events_of,
    heard,
    notes_of,
    path,
    rest,
    sharp,
    steady,
    tone,
    with_noise,
)

LOW_NOTES = {  # a low note of each, MIDI
    "violin": 55,
    "viola": 50,
    "cello": 38,
    "double-bass": 30,
    "trombone": 41,
    "voice": 45,
    "flute": 62,
    "oboe": 60,
    "clarinet": 52,
    "bassoon": 36,
    "horn": 41,
}


# -- blocks -------------------------------------------------------------------------------------

SLOW_RATE_HZ = 24000.0


@cache
def short_take() -> tuple[Audio, Audio]:
    """A bow, a slide and a step through a drone that stops; 3.4 s."""
    line = [(0.0, 233.1), (0.5, 233.1), (0.6, 261.6), (1.1, 261.6), (1.11, 293.7), (1.7, 293.7)]
    stroke = bowed(tone(path(line, SLOW_RATE_HZ), SLOW_RATE_HZ), SLOW_RATE_HZ)
    dry = np.concatenate([rest(1.0, SLOW_RATE_HZ), stroke, rest(0.7, SLOW_RATE_HZ)])
    sent = drone_sound(146.832, len(dry) / SLOW_RATE_HZ, SLOW_RATE_HZ)
    sent = sent * (np.arange(len(sent)) < 2.9 * SLOW_RATE_HZ)
    return with_noise(dry + 0.7 * Walls(SLOW_RATE_HZ).back(sent)), sent


@cache
def in_one_block() -> list[Event]:
    return events_of(*short_take(), rate_hz=SLOW_RATE_HZ)


def test_the_short_take_has_something_to_lose() -> None:
    notes = [event.note for event in in_one_block() if isinstance(event, NoteEnded)]
    assert [note.arrival.value for note in notes] == ["bow", "slide", "step"]


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.integers(1, 40) | st.integers(41, 3000) | st.just(1920) | st.integers(20000, 60000),
        min_size=1,
        max_size=60,
    )
)
def test_how_the_sound_is_cut_into_blocks_changes_nothing(sizes: list[int]) -> None:
    mic, sent = short_take()
    ends = np.cumsum(np.resize(sizes, len(mic)))  # round and round to the end
    cuts = [int(end) for end in ends[ends < len(mic)][:1000]]
    assert events_of(mic, sent, rate_hz=SLOW_RATE_HZ, cuts=cuts) == in_one_block()


@pytest.mark.parametrize("size", [1, 240, 1919, 1921])
def test_equal_blocks_change_nothing(size: int) -> None:
    mic, sent = short_take()
    cuts = list(range(size, len(mic), size))
    assert events_of(mic, sent, rate_hz=SLOW_RATE_HZ, cuts=cuts) == in_one_block()


def test_empty_blocks_change_nothing() -> None:
    mic, sent = short_take()
    cuts = [0, 0, 24000, 24000, 24000, 50000, len(mic), len(mic)]
    assert events_of(mic, sent, rate_hz=SLOW_RATE_HZ, cuts=cuts) == in_one_block()


def test_no_drone_and_a_silent_drone_are_the_same() -> None:
    mic = with_noise(notes_of([220.0, 261.63], 0.5))
    assert events_of(mic) == events_of(mic, np.zeros(len(mic))) != []


def test_single_precision_is_heard() -> None:
    mic, sent = (sound.astype(np.float32) for sound in short_take())
    ear = Ear(Settings(), "viola", SLOW_RATE_HZ)
    notes = [e.note for e in ear.hear(mic, sent) + ear.finish() if isinstance(e, NoteEnded)]
    assert len(notes) == 3


@pytest.mark.parametrize(
    ("mic", "sent"),
    [
        (np.zeros(100), np.zeros(99)),
        (np.zeros(100), np.zeros((100, 1))),
        (np.zeros((100, 2)), np.zeros((100, 2))),
        (np.zeros((2, 100)), None),
        (np.zeros(()), np.zeros(())),
    ],
)
def test_shapes_that_differ_are_refused(mic: Audio, sent: Audio | None) -> None:
    with pytest.raises(ValueError, match=r"mic \("):
        Ear(Settings(), "viola", RATE_HZ).hear(mic, sent)


def test_an_unknown_instrument_is_refused() -> None:
    with pytest.raises(InstrumentError, match="violin"):
        Ear(Settings(), "kazoo", RATE_HZ)


# -- rates --------------------------------------------------------------------------------------


@cache
def played_at(rate_hz: float) -> list[HeardNote]:
    strokes = [
        np.concatenate(
            [rest(0.3, rate_hz), bowed(tone(steady(hz, 0.7, rate_hz), rate_hz), rate_hz)]
        )
        for hz in (196.0, 223.1, 440.0)
    ]
    dry = np.concatenate([rest(1.0, rate_hz), *strokes, rest(1.0, rate_hz)])
    sent = drone_sound(146.832, len(dry) / rate_hz, rate_hz)
    mic = with_noise(dry + 0.7 * Walls(rate_hz).back(sent))
    return heard(mic, sent, "viola", rate_hz)


@pytest.mark.parametrize("rate_hz", [32000.0, 44100.0, 96000.0])
def test_every_rate_gives_the_same_landings(rate_hz: float) -> None:
    there, here = played_at(rate_hz), played_at(48000.0)
    assert len(there) == len(here) == 3
    for one, other in zip(there, here, strict=True):
        assert one.landing_hz is not None
        assert other.landing_hz is not None
        assert abs(cents_between(one.landing_hz, other.landing_hz)) < 0.5
        assert one.start_s == pytest.approx(other.start_s, abs=0.03)


# -- when it is said ----------------------------------------------------------------------------


def stream(mic: Audio, instrument: str) -> list[tuple[float, Event]]:
    """Every event with the stream time at which it came, in blocks of 10 ms."""
    ear, block = Ear(Settings(), instrument, RATE_HZ), int(0.01 * RATE_HZ)
    return [
        ((at + block) / RATE_HZ, event)
        for at in range(0, len(mic) // block * block, block)
        for event in ear.hear(mic[at : at + block])
    ]


@pytest.mark.parametrize("instrument", LOW_NOTES)
def test_a_notes_end_is_known_within_half_a_second(instrument: str) -> None:
    hz = note_hz(LOW_NOTES[instrument])
    mic = with_noise(notes_of([hz, hz * 2 ** (3 / 12)], 0.7, 0.4))
    said = stream(mic, instrument)
    ended = [(at_s, event.note) for at_s, event in said if isinstance(event, NoteEnded)]
    assert len(ended) == 2
    late_s = [at_s - note.end_s for at_s, note in ended]
    assert all(0.0 <= late <= 0.5 for late in late_s), late_s


@pytest.mark.parametrize("instrument", ["violin", "cello", "double-bass"])
def test_a_room_that_rings_on_delays_no_end(instrument: str) -> None:
    hz = note_hz(LOW_NOTES[instrument])
    mic = with_noise(Walls().back(notes_of([hz, hz * 2 ** (3 / 12)], 0.7, 0.6)))
    said = stream(mic, instrument)
    ended = [(at_s, event.note) for at_s, event in said if isinstance(event, NoteEnded)]
    assert len(ended) == 2
    for at_s, note in ended:
        assert 0.0 <= at_s - note.end_s <= 0.5
    for (_, note), true_s in zip(ended, (1.3, 2.6), strict=True):
        assert note.end_s == pytest.approx(true_s - 0.05, abs=0.1)


@pytest.mark.parametrize("seconds", [0.3, 0.4, 0.8])
def test_a_landing_is_said_before_the_end(seconds: float) -> None:
    said = stream(with_noise(notes_of([220.0, 261.63, 293.66], seconds, 0.3)), "viola")
    order = [(type(event), event) for _, event in said]
    assert [kind for kind, _ in order] == [NoteLanded, NoteEnded] * 3
    for (_, landed), (_, ended) in zip(order[::2], order[1::2], strict=True):
        assert isinstance(landed, NoteLanded)
        assert isinstance(ended, NoteEnded)
        assert landed.start_s == ended.note.start_s
        assert landed.landing_hz == pytest.approx(ended.note.landing_hz, rel=1e-4)


def test_a_landing_is_said_while_the_note_sounds() -> None:
    said = stream(with_noise(notes_of([220.0], 2.0, 0.3)), "viola")
    landed = [at_s for at_s, event in said if isinstance(event, NoteLanded)]
    assert len(landed) == 1
    assert landed[0] < 1.3  # started at 0.3 and ends at 2.3


def test_a_note_that_sounds_at_the_end_is_closed_there() -> None:
    mic = with_noise(np.concatenate([rest(0.5), tone(steady(220.0, 1.0))]))
    (note,) = heard(mic)
    assert note.end_s == pytest.approx(1.5, abs=0.03)
    assert note.end_s <= 1.5


def test_finishing_without_a_sound_is_quiet() -> None:
    assert Ear(Settings(), "viola", RATE_HZ).finish() == []


# -- a room left alone --------------------------------------------------------------------------


def test_silence_and_noise_are_nothing() -> None:
    assert events_of(np.zeros(int(5 * RATE_HZ))) == []
    assert events_of(with_noise(rest(10.0), -50.0)) == []


@pytest.mark.parametrize("slip", [np.nan, np.inf, -np.inf])
def test_a_driver_that_slips_does_not_deafen_the_ear(slip: float) -> None:
    mic = with_noise(notes_of([220.0, 261.63], 1.0, 0.5))
    mic[int(0.2 * RATE_HZ)] = slip  # in the rest before the first note
    found = heard(mic)
    assert [round(note.landing_hz or 0.0, 1) for note in found] == [220.0, 261.6]


def test_hum_and_noise_that_swells_are_nothing() -> None:
    swell = 1 + 5 * np.sin(np.pi * np.arange(int(8 * RATE_HZ)) / (8 * RATE_HZ)) ** 2
    assert events_of(with_noise(rest(8.0), -55.0) * swell) == []


@pytest.mark.parametrize(("root_hz", "seconds"), [(65.406, 15.0), (220.0, 60.0)])
def test_a_drone_alone_is_nothing(root_hz: float, seconds: float) -> None:
    sent = drone_sound(root_hz, seconds)
    played = drone_sound(root_hz * (1 + 20e-6), seconds)
    mic = Walls(distortion=0.02, movement_db=-25.0).back(played)
    assert events_of(with_noise(mic), sent) == []


@pytest.mark.parametrize("root_hz", [440.0, 880.0])
def test_through_a_high_drone_the_player_is_heard_and_nothing_else(root_hz: float) -> None:
    dry = np.concatenate([rest(3.0), notes_of([311.13, 293.66], 0.8)])
    sent = drone_sound(root_hz, len(dry) / RATE_HZ)
    notes = heard(with_noise(dry + Walls(distortion=0.01).back(sent)), sent)
    assert len(notes) == 2
    for note, true_hz in zip(notes, (311.13, 293.66), strict=True):
        assert note.drone_hz == pytest.approx(root_hz, rel=1e-6)
        assert cents_between(note.landing_hz or 1.0, true_hz) == pytest.approx(0.0, abs=1.0)


# -- what it remembers --------------------------------------------------------------------------


def repeated(landings_hz: Sequence[float], gap_s: float) -> list[bool]:
    return [note.repeat for note in heard(with_noise(notes_of(landings_hz, 0.6, gap_s)))]


def test_a_finger_left_in_place_is_a_repeat() -> None:
    # "starts within 1 s and 5 cents of where the note before ended"
    assert repeated([220.0, sharp(220.0, 3.0), sharp(220.0, 13.0)], 0.4) == [False, True, False]
    assert repeated([220.0, 220.0], 1.3) == [False, False]


def with_drone_stopped() -> list[HeardNote]:
    """A note before the drone, one with it, one after it."""
    stroke = np.concatenate([bowed(tone(steady(261.63, 0.8))), rest(0.7)])
    sent = np.concatenate([rest(2.0), drone_sound(220.0, 3.5), rest(3.5)])
    dry = np.zeros(len(sent))
    for at_s in (0.5, 3.8, 6.8):
        begin = int(at_s * RATE_HZ)
        dry[begin : begin + len(stroke)] += stroke
    return heard(with_noise(dry + 0.7 * Walls().back(sent)), sent)


def test_the_reference_stays_when_the_drone_stops() -> None:
    before, during, after = with_drone_stopped()
    assert (before.drone_hz, before.reference_hz) == (None, None)
    assert during.drone_hz == during.reference_hz == pytest.approx(220.0, rel=1e-6)
    assert after.drone_hz is None
    assert after.reference_hz == pytest.approx(220.0, rel=1e-6)


def test_a_note_says_how_loud_it_was() -> None:
    loud = heard(with_noise(notes_of([220.0], 0.8)))[0].level_db
    soft = heard(with_noise(notes_of([220.0], 0.8) * 10 ** (-10 / 20)))[0].level_db
    assert loud == pytest.approx(-24.0, abs=1.0)
    assert loud - soft == pytest.approx(10.0, abs=0.2)


def test_the_shift_goes_from_settled_to_settled() -> None:
    way = [(0.0, 493.88), (0.6, 493.88), (0.75, 880.0), (1.5, 880.0)]
    mic = with_noise(np.concatenate([rest(0.5), bowed(tone(path(way))), rest(1.0)]))
    first, second = heard(mic, instrument="violin")
    assert first.shift is None
    assert second.shift is not None
    assert second.shift.from_hz == first.settled_hz
    assert second.shift.to_hz == second.settled_hz
