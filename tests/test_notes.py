"""Where notes begin and end, and how each was reached: heard by the whole ear, without a drone."""

import numpy as np
import pytest

from appliance.vocabulary import Arrival, HeardNote
from tests.waves import (
    RATE_HZ,
    Audio,
    bowed,
    cents_between,
    heard,
    notes_of,
    path,
    rest,
    sharp,
    steady,
    tone,
    vibrato,
    with_noise,
)

A3, B3, C4, D4 = 220.0, 246.942, 261.626, 293.665  # equal temperament, A4 = 440 Hz
INSTRUMENTS = {  # a note in the low middle of each
    "violin": 329.628,
    "viola": 220.0,
    "cello": 110.0,
    "double-bass": 61.735,
    "trombone": 116.541,
}


def played(sound: Audio, instrument: str = "viola") -> list[HeardNote]:
    """Half a second of rest, the sound, a second of rest, and a quiet room."""
    return heard(with_noise(np.concatenate([rest(0.5), sound, rest(1.0)])), instrument=instrument)


def dipped(sound: Audio, at_s: float, depth_db: float, length_s: float = 0.08) -> Audio:
    """The level falls and comes back about ``at_s``: a bow that stops and starts again."""
    time_s = np.arange(len(sound)) / RATE_HZ
    away = np.clip(np.abs(time_s - at_s) / (length_s / 2), 0, 1)
    return np.asarray(sound * 10 ** (-depth_db * (0.5 + 0.5 * np.cos(np.pi * away)) / 20))


def arrivals(notes: list[HeardNote]) -> list[str]:
    return [note.arrival.value for note in notes]


# -- beginnings and ends ------------------------------------------------------------------------


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_a_stroke_is_one_note_from_its_start_to_its_end(instrument: str) -> None:
    notes = played(bowed(tone(steady(INSTRUMENTS[instrument], 0.8))), instrument)
    assert arrivals(notes) == ["bow"]
    # "within 50 ms of a fresh bow"; 80 ms of dying away end where the string was left
    assert notes[0].start_s == pytest.approx(0.5, abs=0.05)
    assert notes[0].end_s == pytest.approx(1.25, abs=0.06)


def test_every_stroke_is_a_note() -> None:
    hz = [A3, B3, C4, D4, C4, B3, A3]
    notes = heard(with_noise(notes_of(hz, 0.5, 0.15)))
    assert arrivals(notes) == ["bow"] * 7
    pairs = zip(notes, hz, strict=True)
    found = [cents_between(note.settled_hz or 1.0, true) for note, true in pairs]
    assert np.abs(found).max() < 0.5


def test_a_knock_is_no_note() -> None:
    rng = np.random.default_rng(5)
    knock = rng.standard_normal(int(0.3 * RATE_HZ)) * np.exp(-np.arange(int(0.3 * RATE_HZ)) / 1000)
    assert played(0.2 * knock) == []


def test_a_soft_note_counts() -> None:
    soft = bowed(tone(steady(A3, 0.8))) * 10 ** (-30 / 20)  # -54 dBFS over noise at -75
    assert len(played(soft)) == 1


# -- one bow after another ----------------------------------------------------------------------


@pytest.mark.parametrize("instrument", INSTRUMENTS)
@pytest.mark.parametrize("depth_db", [9.0, 20.0])
def test_a_rearticulation_is_a_new_note(instrument: str, depth_db: float) -> None:
    # at least 6 dB; a dip between windows of 10 ms is not heard at its full depth
    sound = dipped(tone(steady(INSTRUMENTS[instrument], 1.6)), 0.8, depth_db)
    notes = played(bowed(sound), instrument)
    assert arrivals(notes) == ["bow", "bow"]
    assert notes[1].start_s == pytest.approx(1.3, abs=0.05)


@pytest.mark.parametrize("depth_db", [2.0, 4.0])
def test_a_shallow_dip_is_not(depth_db: float) -> None:
    assert len(played(bowed(dipped(tone(steady(A3, 1.6)), 0.8, depth_db)))) == 1


@pytest.mark.parametrize("swell_db", [6.0, 12.0])
def test_a_swell_is_one_note(swell_db: float) -> None:
    # softer in the middle, over a second
    assert len(played(bowed(dipped(tone(steady(A3, 2.0)), 1.0, swell_db, 1.2)))) == 1


@pytest.mark.parametrize("rate_hz", [5.0, 6.5])
@pytest.mark.parametrize("flutter_db", [3.0, 7.0])
def test_the_flutter_of_vibrato_is_one_note(rate_hz: float, flutter_db: float) -> None:
    # the level goes up and down with the pitch, as it does under a body's resonances
    swing = vibrato(A3, 1.8, rate_hz, 25.0)
    time_s = np.arange(len(swing)) / RATE_HZ
    flutter = 10 ** (flutter_db / 2 * np.sin(2 * np.pi * rate_hz * time_s) / 20)
    notes = played(bowed(tone(swing) * flutter))
    assert len(notes) == 1
    assert notes[0].vibrato is not None
    assert notes[0].vibrato.rate_hz == pytest.approx(rate_hz, abs=0.3)


@pytest.mark.parametrize("cents", [15.0, 30.0])
def test_vibrato_is_one_note(cents: float) -> None:
    # 0.2 to 0.35 semitone wide on strings (Timmers & Desain 2000), so ±10 to ±18; and more
    notes = played(bowed(tone(vibrato(A3, 1.5, 6.0, cents))))
    assert len(notes) == 1
    assert cents_between(notes[0].settled_hz or 1.0, A3) == pytest.approx(0.0, abs=2.0)


# -- one pitch after another under one bow ------------------------------------------------------


def joined(from_hz: float, to_hz: float, way_s: float) -> Audio:
    """Two notes under one bow, the second from 0.8 s on, after a way of ``way_s``.

    The hand sets off and brakes along half a cosine.
    """
    gone = np.linspace(0.0, 1.0, 17)
    way = from_hz * (to_hz / from_hz) ** (0.5 - 0.5 * np.cos(np.pi * gone))
    points = list(zip(0.8 - way_s + way_s * gone, way, strict=True))
    return bowed(tone(path([(0.0, from_hz), *points, (1.6, to_hz)])))


@pytest.mark.parametrize("semitones", [-7, -1, 1, 2, 5, 12])
def test_a_finger_that_falls_is_a_step(semitones: int) -> None:
    # 15 ms; 35 ms for an octave would be a slide to anybody's ear
    notes = played(joined(D4, sharp(D4, 100.0 * semitones), 0.015))
    assert arrivals(notes) == ["bow", "step"]
    assert notes[1].start_s == pytest.approx(1.3, abs=0.1)
    assert notes[1].slide_s is None
    assert cents_between(notes[1].landing_hz or 1.0, D4) == pytest.approx(100 * semitones, abs=1.0)


@pytest.mark.parametrize("instrument", ["violin", "viola", "cello", "trombone"])
@pytest.mark.parametrize("semitones", [-5, 7])
def test_a_finger_that_glides_is_a_slide(instrument: str, semitones: int) -> None:
    hz = INSTRUMENTS[instrument] * 2 ** (5 / 12)
    notes = played(joined(hz, sharp(hz, 100.0 * semitones), 0.15), instrument)
    assert arrivals(notes) == ["bow", "slide"]
    assert notes[1].start_s == pytest.approx(1.3, abs=0.1)  # "where a slide or step ends"
    assert notes[1].slide_s == pytest.approx(0.15, abs=0.06)
    landing = cents_between(notes[1].landing_hz or 1.0, hz)
    assert landing == pytest.approx(100 * semitones, abs=1.5)


def test_a_new_pitch_under_a_new_bow_is_a_bow() -> None:
    hz = path([(0.0, A3), (0.79, A3), (0.81, C4), (1.6, C4)])
    assert arrivals(played(bowed(dipped(tone(hz), 0.8, 15.0)))) == ["bow", "bow"]


def test_a_legato_line_is_told_note_by_note() -> None:
    line = [A3, B3, C4, D4, C4, A3]
    points = [(at, hz) for k, hz in enumerate(line) for at in (0.6 * k + 0.01, 0.6 * k + 0.6)]
    notes = played(bowed(tone(path([(0.0, A3), *points]))))
    assert arrivals(notes) == ["bow"] + ["step"] * 5
    landings = [cents_between(n.landing_hz or 1.0, hz) for n, hz in zip(notes, line, strict=True)]
    assert np.abs(landings).max() < 1.0


@pytest.mark.parametrize("cents", [-40.0, -20.0, 20.0, 40.0])
@pytest.mark.parametrize("took_s", [0.1, 0.2])
def test_a_correction_is_no_new_note(cents: float, took_s: float) -> None:
    points = [(0.0, A3), (0.4, A3), (0.4 + took_s, sharp(A3, cents)), (1.4, sharp(A3, cents))]
    notes = played(bowed(tone(path(points))))
    assert arrivals(notes) == ["bow"]
    assert cents_between(notes[0].landing_hz or 1.0, A3) == pytest.approx(0.0, abs=1.0)
    assert cents_between(notes[0].settled_hz or 1.0, A3) == pytest.approx(cents, abs=1.0)


def test_arrivals_are_the_vocabularys_own() -> None:
    assert {note.arrival for note in played(joined(A3, D4, 0.2))} == {Arrival.BOW, Arrival.SLIDE}
