"""Cues: short, soft, told apart by rhythm; in the air with the drone, and never a note in the log.

That a cue is no note is tested through the real ear, with a room around it.
"""

import itertools
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from appliance.devices.loudspeaker import WITHOUT_TICK_S, Loudspeaker
from appliance.practice.cues import (
    PULSE_S,
    PULSES,
    STEP_S,
    Cue,
    chime_hz,
    cue_sound,
)
from appliance.practice.drone import Drone
from appliance.practice.order import CueOrder, DroneOrder
from appliance.settings import DroneSettings, Settings
from tests.waves import (
    RATE_HZ,
    Audio,
    Walls,
    bowed,
    cents_between,
    heard,
    rest,
    sharp,
    steady,
    tone,
    with_noise,
)

DRONE = Settings().drone
RATE = round(RATE_HZ)
TICK_S = STEP_S / 3 + PULSE_S  # how long the tick of going without lasts
ANSWERS = [cue for cue in Cue if cue is not Cue.WITHOUT]  # which comes by itself, again and again


def rhythm(cue: Cue) -> tuple[float, ...]:
    steps = [pulse.step for pulse in PULSES[cue]]
    return tuple(b - a for a, b in itertools.pairwise(steps))


def test_no_two_cues_share_a_rhythm() -> None:
    """The tick of going *without* is one of them."""
    rhythms = [rhythm(cue) for cue in Cue]
    assert len(set(rhythms)) == len(Cue)
    # nor would they at another pace: what counts is long against short
    paces = {tuple(round(gap / max(line), 3) for gap in line) for line in rhythms if line}
    told_by_pace = {cue for cue in Cue if len(rhythm(cue)) == 1}
    assert told_by_pace == {Cue.AGREES, Cue.NOT_MEASURED, Cue.WITHOUT}
    assert len(paces) == len([line for line in rhythms if line]) - 2


def test_cues_of_one_gap_differ_in_it_by_far() -> None:
    gaps = sorted(rhythm(cue)[0] for cue in Cue if len(rhythm(cue)) == 1)
    assert len(gaps) == 3
    assert all(longer >= 3 * shorter for shorter, longer in itertools.pairwise(gaps))


def test_the_readme_shows_every_rhythm() -> None:
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"`([•× ]+)`", readme.split("told apart by their rhythm")[1])
    drawn = set()
    for cue in ANSWERS:
        dots = {pulse.step: "×" if pulse.octave is None else "•" for pulse in PULSES[cue]}
        drawn.add("".join(dots.get(step, " ") for step in range(int(max(dots)) + 1)))
    assert set(shown) - {"•", "×"} | {"×"} == drawn | {"××"}
    assert "*without* is on | `××`, close and softer" in readme


@pytest.mark.parametrize("cue", Cue)
@pytest.mark.parametrize("rate_hz", [44100.0, 48000.0])
def test_a_cue_is_short_soft_and_silent_between_its_pulses(cue: Cue, rate_hz: float) -> None:
    sound = cue_sound(cue, 220.0, -30.0, rate_hz)
    assert sound.size / rate_hz < 0.8
    assert np.max(np.abs(sound)) == pytest.approx(10 ** (-30 / 20), rel=1e-3)
    begins = [round(pulse.step * STEP_S * rate_hz) for pulse in PULSES[cue]]
    left = sound.copy()
    for begin in begins:
        pulse = left[begin : begin + round(PULSE_S * rate_hz)]
        assert pulse.any()
        pulse[:] = 0.0
    assert not left.any()


@pytest.mark.parametrize("root_hz", [30.0, 65.4, 130.8, 220.0, 311.1, 999.0, 1000.0, 2093.0])
def test_chimes_are_octaves_of_the_root(root_hz: float) -> None:
    octaves = np.log2(chime_hz(root_hz) / root_hz)
    assert octaves == pytest.approx(round(octaves), abs=1e-9)
    assert 1000.0 <= chime_hz(root_hz) < 2100.0


def test_a_chime_has_its_pitch_and_a_knock_has_none() -> None:
    def spread_hz(cue: Cue) -> tuple[float, float]:
        sound = cue_sound(cue, 220.0, -30.0, RATE_HZ)[: round(PULSE_S * RATE_HZ)]
        power = np.abs(np.fft.rfft(sound, 1 << 16)) ** 2
        hz = np.fft.rfftfreq(1 << 16, 1 / RATE_HZ)
        middle = float(np.sum(hz * power) / np.sum(power))
        return middle, float(np.sqrt(np.sum((hz - middle) ** 2 * power) / np.sum(power)))

    middle_hz, width_hz = spread_hz(Cue.AGREES)
    assert middle_hz == pytest.approx(chime_hz(220.0), rel=0.03) and width_hz < 300.0
    assert spread_hz(Cue.CALL_TAKEN)[1] > 400.0


# --- in the loudspeaker -------------------------------------------------------------------------


def loudspeaker(settings: DroneSettings = DRONE) -> Loudspeaker:
    return Loudspeaker(settings, RATE_HZ)


def test_a_cue_is_added_to_the_drone_and_changes_nothing_of_it() -> None:
    plain, cued = loudspeaker(), loudspeaker()
    for one in (plain, cued):
        one.order(DroneOrder(220.0, sounding=True))
        one.render(RATE)
    cued.order(CueOrder(Cue.AGREES, 220.0))
    apart = np.concatenate([cued.render(512) for _ in range(40)])
    apart -= np.concatenate([plain.render(512) for _ in range(40)])
    expected = cue_sound(Cue.AGREES, 220.0, DRONE.cue_level_dbfs, RATE_HZ)
    assert np.max(np.abs(apart[: expected.size] - expected)) < 1e-6
    assert np.max(np.abs(apart[expected.size :])) == 0.0


def test_the_last_of_two_cues_is_heard() -> None:
    one = loudspeaker()
    one.order(CueOrder(Cue.ROUND_WON, 220.0))
    one.order(CueOrder(Cue.STRUCK_OUT, 220.0))
    expected = cue_sound(Cue.STRUCK_OUT, 220.0, DRONE.cue_level_dbfs, RATE_HZ)
    assert np.array_equal(one.render(expected.size), expected)
    assert not one.render(RATE).any()


@pytest.mark.parametrize("before", [Cue.ROUND_WON, Cue.CALL_TAKEN])
def test_a_pulse_that_sounds_is_not_cut_by_the_next_cue(before: Cue) -> None:
    one, at = loudspeaker(), RATE // 200
    one.order(CueOrder(before, 220.0))
    one.render(at)
    one.order(CueOrder(Cue.STRUCK_OUT, 220.0))
    first, second = (
        cue_sound(cue, 220.0, DRONE.cue_level_dbfs, RATE_HZ) for cue in (before, Cue.STRUCK_OUT)
    )
    pulse = first[at : round(PULSE_S * RATE)]
    expected = second.copy()
    expected[: pulse.size] += pulse
    assert np.allclose(one.render(second.size), expected, atol=1e-7)
    assert not one.render(RATE).any()


def test_nothing_passes_full_scale() -> None:
    loud = loudspeaker(replace(DRONE, level_dbfs=-9.0, cue_level_dbfs=-12.0))
    loud.order(DroneOrder(220.0, sounding=True))
    loud.render(RATE)
    loud.order(CueOrder(Cue.ROUND_WON, 220.0))
    assert np.max(np.abs(loud.render(RATE))) <= 1.0


def test_the_tick_is_two_knocks_softer_than_a_cue() -> None:
    one = loudspeaker()
    one.order(DroneOrder(220.0, without=True))
    sound = one.render(5 * RATE)
    (sounds_at,) = np.nonzero(sound)
    tick = sound[sounds_at[0] : sounds_at[-1] + 1]
    peak_dbfs = 20 * np.log10(np.max(np.abs(tick)))
    assert peak_dbfs == pytest.approx(DRONE.cue_level_dbfs - 10.0, abs=0.1)
    between = tick[round(PULSE_S * RATE) : round((STEP_S / 3 - 0.001) * RATE)]
    assert between.size > 0.015 * RATE and not between.any()
    assert tick[: round(PULSE_S * RATE)].any() and tick[round((STEP_S / 3) * RATE) :].any()


def test_without_ticks_every_four_seconds_and_falls_silent_when_the_drone_is_back() -> None:
    one = loudspeaker()
    one.order(DroneOrder(220.0, sounding=True))
    one.render(RATE)
    one.order(DroneOrder(220.0, without=True))
    sound = np.concatenate([one.render(512) for _ in range(13 * RATE // 512)])
    after_fade = sound[round(0.2 * RATE) :]
    begins = np.nonzero(np.diff((np.abs(after_fade) > 0).astype(int)) == 1)[0]
    begins = begins[np.diff(begins, prepend=-RATE) > RATE // 10] + round(0.2 * RATE)
    assert begins / RATE + TICK_S == pytest.approx([4.0, 8.0, 12.0], abs=0.05)
    assert np.diff(begins) / RATE == pytest.approx(WITHOUT_TICK_S, abs=2 / RATE)
    one.order(DroneOrder(220.0))
    one.render(RATE)
    assert not one.render(10 * RATE).any()


@pytest.mark.parametrize("cue", ANSWERS)
@pytest.mark.parametrize("before_tick_s", [0.05, 0.3, 0.9, 3.5])
def test_no_tick_falls_into_a_cue_or_close_after_it(cue: Cue, before_tick_s: float) -> None:
    one = loudspeaker()
    one.order(DroneOrder(220.0, without=True))
    one.render(round((WITHOUT_TICK_S - TICK_S - before_tick_s) * RATE))
    alone = cue_sound(cue, 220.0, DRONE.cue_level_dbfs, RATE)
    one.order(CueOrder(cue, 220.0))
    sound = one.render(alone.size + 5 * RATE)
    assert np.array_equal(sound[: alone.size], alone)
    after = np.flatnonzero(sound[alone.size :]) / RATE
    due_s = max(1.0, before_tick_s - alone.size / RATE)
    assert after[0] == pytest.approx(due_s, abs=0.03)  # put off, and not left out


@pytest.mark.parametrize("pressed_after_s", [0.0, 0.01, 0.05, 0.1, 0.149, 0.2])
@pytest.mark.parametrize("again", [DroneOrder(246.9, preview=True), DroneOrder(220.0, True)])
def test_presses_during_a_fade_are_obeyed_without_a_click(
    pressed_after_s: float, again: DroneOrder
) -> None:
    one = loudspeaker()
    one.order(DroneOrder(220.0, sounding=True))
    steady_drone = one.render(2 * RATE)
    one.order(DroneOrder(220.0))
    fade = one.render(round(pressed_after_s * RATE))
    one.order(again)
    after = one.render(2 * RATE)
    sound = np.concatenate([steady_drone, fade, after])
    jumps = np.abs(np.diff(sound))
    steps = Drone(DRONE, RATE_HZ)
    steps.set_root(again.root_hz)
    steps.start()
    largest = max(np.max(jumps[RATE : 2 * RATE]), np.max(np.abs(np.diff(steps.sound(2 * RATE)))))
    assert np.max(jumps[2 * RATE - 1 :]) <= largest * 1.001
    assert bool(after[-100:].any()) is again.sounding  # a preview is over by then


# --- in the ear ---------------------------------------------------------------------------------


def evening(root_hz: float, *, drone: bool, played: Audio | None = None) -> tuple[Audio, Audio]:
    """Microphone and sent sound of every cue in turn, 1.4 s apart, from 5 s on."""
    one = loudspeaker(replace(DRONE, cue_level_dbfs=-14.0))  # louder than they come
    one.order(DroneOrder(root_hz, sounding=drone))
    sent = [one.render(5 * RATE)]
    for cue in Cue:
        one.order(CueOrder(cue, root_hz))
        sent.append(one.render(round(1.4 * RATE)))
    all_sent = np.concatenate(sent).astype(np.float64)
    mic = Walls(movement_db=-30.0).back(all_sent)
    if played is not None:
        mic[: played.size] += played[: mic.size]
    return with_noise(mic), all_sent


@pytest.mark.parametrize("drone", [False, True])
@pytest.mark.parametrize(
    ("root_hz", "instrument"),
    [(65.4, "cello"), (130.8, "viola"), (220.0, "violin"), (311.1, "viola"), (466.2, "flute")],
)
def test_no_cue_becomes_a_note(root_hz: float, instrument: str, drone: bool) -> None:
    mic, sent = evening(root_hz, drone=drone)
    assert [(n.start_s, n.settled_hz) for n in heard(mic, sent, instrument)] == []


@pytest.mark.parametrize("drone", [False, True])
def test_notes_under_cues_are_heard_as_they_are(drone: bool) -> None:
    """Long notes, a fifth and an octave over the drone, while one cue after the other sounds."""
    root_hz, pitches = 130.8, (sharp(196.2, -14.0), sharp(261.6, 9.0), sharp(196.2, 22.0))
    line = [rest(5.6)]
    for hz in pitches:
        line += [bowed(tone(steady(hz, 4.6))), rest(0.9)]
    mic, sent = evening(root_hz, drone=drone, played=np.concatenate(line))
    notes = heard(mic, sent, "viola")
    assert len(notes) == len(pitches)
    for note, hz in zip(notes, pitches, strict=True):
        assert note.landing_hz is not None and note.settled_hz is not None
        assert abs(cents_between(note.landing_hz, hz)) < 3.0
        assert abs(cents_between(note.settled_hz, hz)) < 2.0
        assert note.drone_hz == (pytest.approx(root_hz, rel=1e-4) if drone else None)


@pytest.mark.parametrize("from_start_s", [-0.4, -0.1, 0.0, 0.1, 0.3])
@pytest.mark.parametrize("cue", [Cue.CALL_TAKEN, Cue.AGREES, Cue.WAS_FLAT, Cue.WAS_IN_TUNE])
def test_an_answer_about_the_start_of_a_note_harms_it_not_even_without_a_drone(
    cue: Cue, from_start_s: float
) -> None:
    """Two seconds after a call the next notes are being played, and *without* may be on."""
    root_hz, hz = 65.4, sharp(130.8, 7.0)
    one = loudspeaker()
    one.order(DroneOrder(root_hz, without=True))
    sent = [one.render(round((3.0 + from_start_s) * RATE))]
    one.order(CueOrder(cue, root_hz))
    all_sent = np.concatenate([*sent, one.render(3 * RATE)]).astype(np.float64)
    mic = Walls(movement_db=-30.0).back(all_sent)
    played = np.concatenate([rest(3.0), bowed(tone(steady(hz, 0.9)))])
    mic[: played.size] += played
    (note,) = heard(with_noise(mic), all_sent, "cello")
    assert note.landing_hz is not None
    assert note.start_s == pytest.approx(3.0, abs=0.05)
    assert abs(cents_between(note.landing_hz, hz)) < 1.0


@pytest.mark.parametrize("plays", [False, True])
def test_going_without_ticks_into_the_notes_and_none_of_it_is_logged(plays: bool) -> None:
    """Twenty seconds of ticks, 20 dB louder than they come; the notes under them are as played."""
    root_hz, pitches = 130.8, (sharp(196.2, -14.0), sharp(261.6, 9.0), sharp(220.5, 22.0))
    one = loudspeaker(replace(DRONE, cue_level_dbfs=DRONE.cue_level_dbfs + 14.0))
    one.order(DroneOrder(root_hz, sounding=True))
    sent = [one.render(5 * RATE)]
    one.order(DroneOrder(root_hz, without=True))
    sent.append(one.render(20 * RATE))
    all_sent = np.concatenate(sent).astype(np.float64)
    mic = Walls(movement_db=-30.0).back(all_sent)
    line = [rest(6.0)]
    for hz in pitches if plays else ():
        line += [bowed(tone(steady(hz, 5.0))), rest(0.9)]
    played = np.concatenate(line)
    mic[: played.size] += played
    notes = heard(with_noise(mic), all_sent, "viola")
    assert len(notes) == (len(pitches) if plays else 0)
    for note, hz in zip(notes, pitches, strict=False):
        assert note.landing_hz is not None and note.settled_hz is not None
        assert abs(cents_between(note.landing_hz, hz)) < 3.0
        assert abs(cents_between(note.settled_hz, hz)) < 2.0
        assert note.reference_hz == pytest.approx(root_hz, rel=1e-4) and note.drone_hz is None
