"""The drone in time: fades without a click, previews, blocks."""

import itertools
import time
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from appliance.practice.drone import Drone, neighbour_hz
from appliance.practice.tone import Tone
from appliance.settings import TIMBRES, DroneSettings
from appliance.tuning import note_hz, parse_note
from appliance.vocabulary import NoteNameError, SettingsError
from tests.drones import ADDED, BRIEF, QUICKEST, RATE, in_blocks, largest_step, sounding

Step = tuple[str, Any]
STEPS: list[Step] = [
    ("start", None),
    ("stop", None),
    *(("set_root", hz) for hz in (32.703, 220.0, 233.08)),
    *(("preview", hz) for hz in (65.406, 220.0)),
    *(("set_timbre", name) for name in TIMBRES),
    *(("set_added", name) for name in ADDED),
]
WAITS = st.one_of(st.integers(0, 40), st.integers(0, 4000))


def take(drone: Drone, step: Step) -> None:
    name, value = step
    getattr(drone, name)(*([] if value is None else [value]))


@cache
def steepness(root_hz: float, timbre: str, added: str) -> float:
    """The largest sample-to-sample jump of a steady tone."""
    chosen = replace(QUICKEST, timbre=timbre, add=added)
    return largest_step(sounding(chosen, root_hz).sound(96000))


@settings(max_examples=80, deadline=None)
@given(
    script=st.lists(st.tuples(st.sampled_from(STEPS), WAITS), min_size=1, max_size=12),
    sizes=st.lists(st.integers(1, 5000), min_size=1, max_size=4),
)
def test_no_script_of_changes_makes_a_click(
    script: list[tuple[Step, int]], sizes: list[int]
) -> None:
    drone = sounding(BRIEF, 220.0)
    cycle = itertools.cycle(sizes)
    tone = {"root": 220.0, "timbre": QUICKEST.timbre, "added": QUICKEST.add}
    steepest = steepness(220.0, QUICKEST.timbre, QUICKEST.add)
    blocks = []
    for step, frames in [*script, (("stop", None), 2500)]:
        take(drone, step)
        tone |= {step[0].removeprefix("set_").replace("preview", "root"): step[1]}
        steepest = max(steepest, steepness(tone["root"], tone["timbre"], tone["added"]))
        blocks.append(in_blocks(drone, frames, cycle))
    assert largest_step(np.concatenate(blocks)) <= steepest * (1 + 1e-6)
    assert not drone.sound(100).any()


@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("name", ["C1", "E2", "A3", "A5"])
def test_start_stop_and_change_are_no_steeper_than_the_tone(
    name: str, timbre: str, added: str
) -> None:
    root_hz = note_hz(parse_note(name))
    lower_hz = root_hz / 2**0.01
    steepest = max(steepness(hz, timbre, added) for hz in (root_hz, lower_hz))
    drone = Drone(replace(QUICKEST, timbre=timbre, add=added), RATE)
    drone.set_root(root_hz)
    blocks = [drone.sound(7)]
    drone.start()
    blocks.append(drone.sound(6000))
    for frames in (100, 900, 1, 37, 2000):  # rapid: back and forth in the middle of the fade
        drone.stop()
        blocks.append(drone.sound(frames))
        drone.start()
        blocks.append(drone.sound(frames))
    drone.set_root(lower_hz)
    blocks.append(drone.sound(8000))
    drone.stop()
    blocks.append(drone.sound(3000))
    assert largest_step(np.concatenate(blocks)) <= steepest * (1 + 1e-6)


def envelope(samples: NDArray[np.float32], root_hz: float) -> NDArray[np.float64]:
    """Peak of each single period of the root."""
    period = round(RATE / root_hz)
    whole = samples[: len(samples) // period * period].reshape(-1, period)
    return np.asarray(np.max(np.abs(whole), axis=1), np.float64)


@pytest.mark.parametrize("fade_s", [0.05, 0.15, 1.0])
def test_start_and_stop_last_as_long_as_the_fade(fade_s: float) -> None:
    drone = Drone(DroneSettings(note="A5", fade_s=fade_s), RATE)
    drone.start()
    rise = envelope(drone.sound(round(RATE * fade_s)), 880.0)
    full = np.max(envelope(drone.sound(4800), 880.0))
    drone.stop()
    fall = envelope(drone.sound(round(RATE * fade_s) + 1), 880.0)
    assert not drone.sound(4800).any()
    for fade in (rise, fall[::-1]):
        assert np.all(np.diff(fade) > -0.02 * full)  # the sampling of the peaks differs a little
        tenth, half = len(fade) // 10, len(fade) // 2
        assert fade[tenth] < 0.05 * full
        assert fade[half] == pytest.approx(0.5 * full, rel=0.1)
        assert fade[-1 - tenth] > 0.95 * full


def test_a_change_goes_through_silence_and_counts_as_sounding() -> None:
    drone = sounding(QUICKEST, 220.0)
    drone.set_root(330.0)
    assert drone.sounding and drone.root_hz == 330.0
    old, new = drone.sound(2400), drone.sound(2400)
    assert abs(float(old[-1])) < 1e-6 and np.max(np.abs(old[:200])) > 0.05
    assert abs(float(new[0])) < 1e-6 and np.max(np.abs(new[-200:])) > 0.05


def test_the_same_again_changes_nothing() -> None:
    drone, other = sounding(QUICKEST, 220.0), sounding(QUICKEST, 220.0)
    drone.set_root(220.0)
    drone.set_timbre(QUICKEST.timbre)
    drone.set_added(QUICKEST.add)
    drone.start()
    assert np.array_equal(drone.sound(5000), other.sound(5000))


def test_a_preview_is_heard_for_its_time_and_does_not_count_as_sounding() -> None:
    drone = Drone(replace(QUICKEST, preview_s=0.5), RATE)
    drone.preview(330.0)
    assert not drone.sounding and drone.root_hz == 330.0
    heard = np.concatenate([drone.sound(480) for _ in range(100)])
    assert not drone.sounding
    assert np.flatnonzero(heard)[-1] == pytest.approx(0.55 * RATE, abs=200)


def test_a_second_preview_begins_its_time_anew() -> None:
    drone = Drone(replace(QUICKEST, preview_s=0.5), RATE)
    drone.preview(330.0)
    drone.sound(12000)
    drone.preview(350.0)
    assert drone.sound(2400 + 24000)[-100:].any()
    drone.sound(2400)
    assert not drone.sound(4800).any()


def test_start_during_a_preview_goes_on_without_a_gap() -> None:
    drone = Drone(replace(QUICKEST, preview_s=0.5), RATE)
    drone.preview(330.0)
    drone.sound(20000)
    drone.start()
    assert drone.sounding
    assert np.min(envelope(drone.sound(96000), 330.0)) > 0.1


def test_stop_ends_a_preview() -> None:
    drone = Drone(QUICKEST, RATE)
    drone.preview(330.0)
    drone.sound(9600)
    drone.stop()
    drone.sound(2400)
    assert not drone.sound(4800).any()


def test_a_preview_while_sounding_is_a_change_of_root() -> None:
    drone = sounding(QUICKEST, 220.0)
    drone.preview(330.0)
    drone.sound(96000)
    assert drone.sounding and drone.sound(4800).any()


@example(script=[(("preview", 220.0), 4000)], sizes=[100])  # ends in the midst of a block
@settings(max_examples=40, deadline=None)
@given(
    script=st.lists(st.tuples(st.sampled_from(STEPS), WAITS), min_size=1, max_size=8),
    sizes=st.lists(st.integers(1, 3000), min_size=1, max_size=5),
)
def test_how_the_sound_is_cut_into_blocks_changes_nothing(
    script: list[tuple[Step, int]], sizes: list[int]
) -> None:
    whole, cut = Drone(BRIEF, RATE), Drone(BRIEF, RATE)
    cycle = itertools.cycle(sizes)
    for step, frames in script:
        take(whole, step)
        take(cut, step)
        expected = whole.sound(frames)
        got = in_blocks(cut, frames, cycle)
        assert got.shape == (frames,) and got.dtype == np.float32
        assert np.max(np.abs(got - expected), initial=0.0) <= np.finfo(np.float32).eps


def test_a_drone_takes_less_than_a_hundredth_of_a_core() -> None:
    drone = sounding(DroneSettings(note="C1", add="fifth"), note_hz(24))

    def share_of_real_time() -> float:
        began = time.thread_time()
        for _ in range(94):  # one second in blocks of 512
            drone.sound(512)
        return (time.thread_time() - began) / (94 * 512 / RATE)

    assert min(share_of_real_time() for _ in range(5)) < 0.01


def test_a_sample_rate_too_low_for_six_partials_plays_those_that_fit() -> None:
    partials = Tone(note_hz(96), "reed", "nothing", -24.0, 16000.0).partials
    assert [round(p.hz / note_hz(96)) for p in partials] == [1, 2, 3]


@pytest.mark.parametrize("hz", [0.0, -220.0, 27.5, 2500.0, float("nan"), float("inf")])
def test_a_root_outside_the_range_is_refused_and_changes_nothing(hz: float) -> None:
    drone = sounding(QUICKEST, 220.0)
    for change in (drone.set_root, drone.preview):
        with pytest.raises(SettingsError, match="C1 to C7"):
            change(hz)
    assert drone.root_hz == 220.0 and drone.sounding


def test_unknown_names_are_refused_and_the_known_ones_named() -> None:
    drone = Drone(DroneSettings(), RATE)
    with pytest.raises(SettingsError, match="warm"):
        drone.set_timbre("tin")
    with pytest.raises(SettingsError, match="octave"):
        drone.set_added("third")
    with pytest.raises(NoteNameError):
        Drone(DroneSettings(note="H3"), RATE)


def test_neighbours_are_snapped_to_the_rooms_a4_and_stay_in_range() -> None:
    assert neighbour_hz(220.0, 1, 440.0) == pytest.approx(233.0819)
    assert neighbour_hz(221.3, -1, 440.0) == pytest.approx(207.6523)
    # 220 Hz is nearest to B flat 3 when A4 is 415 Hz; an octave above lies B flat 4.
    assert neighbour_hz(220.0, 12, 415.0) == pytest.approx(439.677, abs=0.001)
    assert neighbour_hz(note_hz(24), -1, 440.0) == pytest.approx(note_hz(24))
    assert neighbour_hz(note_hz(90), 12, 440.0) == pytest.approx(note_hz(90))
    assert neighbour_hz(note_hz(84), 12, 440.0) == pytest.approx(note_hz(96))
