"""The drone: exact in pitch, known in its partials, limited in level, and free of clicks."""

import itertools
import time
from dataclasses import replace
from fractions import Fraction
from functools import cache
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from appliance.hearing.sent import recognise
from appliance.practice.drone import Drone, neighbour_hz
from appliance.practice.tone import MOST_PARTIALS, Partial, Tone
from appliance.settings import TIMBRES, DroneSettings
from appliance.tuning import cents, note_hz, parse_note
from appliance.vocabulary import NoteNameError, SettingsError

RATE = 48000.0
ADDED = ("nothing", "fifth", "octave")
LOUDEST = -9.0  # the highest level that settings allow
QUICKEST = DroneSettings(fade_s=0.05)
BRIEF = replace(QUICKEST, preview_s=0.03)  # so that previews end in the midst of a script
ROOTS_HZ = st.builds(note_hz, st.integers(24, 96), st.floats(400, 480))
TONES = st.builds(
    Tone,
    ROOTS_HZ,
    st.sampled_from(TIMBRES),
    st.sampled_from(ADDED),
    st.floats(-60, LOUDEST),
    st.sampled_from((44100.0, 48000.0, 96000.0)),
)

Step = tuple[str, Any]


def sounding(drone_settings: DroneSettings, root_hz: float, rate: float = RATE) -> Drone:
    """A drone well past its fade-in."""
    drone = Drone(drone_settings, rate)
    drone.set_root(root_hz)
    drone.start()
    drone.sound(round(rate))
    return drone


def largest_step(samples: NDArray[np.float32]) -> float:
    return float(np.max(np.abs(np.diff(samples.astype(np.float64)))))


def in_blocks(drone: Drone, frames: int, sizes: "itertools.cycle[int]") -> NDArray[np.float32]:
    blocks = [drone.sound(0)]
    while frames > 0:
        blocks.append(drone.sound(min(next(sizes), frames)))
        frames -= len(blocks[-1])
    return np.concatenate(blocks)


# --- pitch -------------------------------------------------------------------------------------


def test_an_hour_of_drone_stays_in_phase_with_exact_arithmetic() -> None:
    rate, root_hz, window = 16000, 220.0 * 2 ** (1 / 12), 16000
    drone = sounding(DroneSettings(), root_hz, rate)

    def phase_cycles(first_frame: int) -> float:
        """Phase of the root against exact rational time, in cycles."""
        start = Fraction(root_hz) * first_frame / rate % 1
        angles = 2 * np.pi * (float(start) + np.arange(window) * root_hz / rate)
        block = drone.sound(window).astype(np.float64) * np.hanning(window)
        return float(np.angle(np.sum(block * np.exp(-1j * angles))) / (2 * np.pi))

    first = phase_cycles(0)
    heard = window
    for second in (3, 31, 311, 3599):  # ever longer, so that no whole number of turns can hide
        while heard < second * rate:
            heard += len(drone.sound(min(2**16, second * rate - heard)))
        drift_cycles = (phase_cycles(heard) - first + 0.5) % 1 - 0.5
        assert abs(cents(1 + drift_cycles / (root_hz * second), 1.0)) < 0.01 / 1000
        heard += window
    assert heard == 3600 * rate


@pytest.mark.parametrize("name", ["C1", "A1", "E3", "A4", "C7"])
@pytest.mark.parametrize("a4_hz", [400.0, 415.0, 440.0, 480.0])
def test_every_note_has_its_equal_tempered_pitch(name: str, a4_hz: float) -> None:
    drone = Drone(DroneSettings(note=name), RATE, a4_hz=a4_hz)
    drone.start()
    drone.sound(48000)
    spectrum = np.fft.rfft(drone.sound(48000).astype(np.float64) * np.blackman(48000), 2**19)
    around = round(drone.root_hz / RATE * 2**19) + np.arange(-8, 9)
    peak = around[int(np.argmax(np.abs(spectrum[around])))]
    low, mid, high = np.log(np.abs(spectrum[peak - 1 : peak + 2]))
    measured = (peak + 0.5 * (low - high) / (low - 2 * mid + high)) * RATE / 2**19
    assert drone.root_hz == pytest.approx(note_hz(parse_note(name), a4_hz), rel=1e-12)
    assert abs(cents(measured, drone.root_hz)) < 0.5


# --- partials ----------------------------------------------------------------------------------


@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("name", ["C1", "C2", "A3", "B5"])
def test_the_sound_is_its_partials_and_nothing_else(name: str, timbre: str, added: str) -> None:
    root_hz = note_hz(parse_note(name))
    drone = sounding(DroneSettings(timbre=timbre, add=added), root_hz)
    sound = drone.sound(24000).astype(np.float64)
    told = drone.partials
    angles = 2 * np.pi * np.outer(np.arange(24000), [p.hz for p in told]) / RATE
    basis = np.hstack([np.cos(angles), np.sin(angles)])
    fit = np.linalg.lstsq(basis, sound, rcond=None)[0]
    residue_db = 10 * np.log10(np.mean((sound - basis @ fit) ** 2) / np.mean(sound**2))
    assert residue_db < -100
    measured = np.hypot(*np.split(fit, 2))
    assert measured == pytest.approx([p.amplitude for p in told], rel=1e-4)


@settings(deadline=None)
@given(tone=TONES)
def test_partials_one_to_six_are_always_there_and_never_too_many(tone: Tone) -> None:
    partials = tone.partials
    numbers = [p.hz / tone.root_hz for p in partials]
    assert numbers[0] == 1.0
    assert all(any(abs(n - k) < 1e-9 for n in numbers) for k in range(1, 7))
    assert len(partials) <= MOST_PARTIALS
    assert partials[-1].hz <= 0.45 * tone.sample_rate_hz
    strongest = max(p.amplitude for p in partials)
    assert partials[0].amplitude >= 10 ** (-12 / 20) * strongest  # the ear takes it for the root


@settings(deadline=None)
@given(tone=TONES)
def test_a_small_loudspeaker_still_plays_a_third_of_the_power(tone: Tone) -> None:
    partials = tone.partials
    power = sum(p.amplitude**2 for p in partials)
    assert sum(p.amplitude**2 for p in partials if p.hz >= 150.0) > power / 3


def test_the_added_notes_are_pure() -> None:
    plain = {p.hz for p in Tone(200.0, "reed", "nothing", -24.0, RATE).partials}
    fifth = {p.hz for p in Tone(200.0, "reed", "fifth", -24.0, RATE).partials}
    assert {300.0, 600.0, 900.0, 1500.0} <= fifth
    assert not {300.0, 900.0, 1500.0} & plain
    with_octave = {p.hz: p.amplitude for p in Tone(200.0, "reed", "octave", -24.0, RATE).partials}
    without = {p.hz: p.amplitude for p in Tone(200.0, "reed", "nothing", -24.0, RATE).partials}
    assert with_octave[400.0] / with_octave[200.0] > 1.5 * without[400.0] / without[200.0]


def test_clear_is_reed_with_gaps_above_the_sixth_partial() -> None:
    reed, clear = (Tone(200.0, name, "nothing", -24.0, RATE).partials for name in ("reed", "clear"))
    assert [p.hz / 200.0 for p in clear] == [1, 2, 3, 4, 5, 6, 8, 12, 16, 20, 24]
    louder = {
        c.amplitude / r.amplitude for c in clear for r in reed if r.hz == c.hz
    }  # the same level from fewer partials
    assert min(louder) == pytest.approx(max(louder))
    assert 1.0 < min(louder) < 10 ** (3 / 20)


def test_timbres_differ() -> None:
    shapes = {
        tuple(round(p.amplitude, 4) for p in Tone(220.0, timbre, "nothing", -24.0, RATE).partials)
        for timbre in TIMBRES
    }
    assert len(shapes) == len(TIMBRES)


# --- one steady tone ---------------------------------------------------------------------------


@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize(
    "root_hz", [40.0, 200.0, 800.0]
)  # whole periods in a whole number of frames
def test_every_period_sounds_like_every_other(root_hz: float, timbre: str, added: str) -> None:
    drone = sounding(DroneSettings(timbre=timbre, add=added), root_hz)
    periods = drone.sound(480000).astype(np.float64).reshape(-1, round(2 * RATE / root_hz))
    assert np.max(np.abs(periods - periods[0])) < 1e-4 * np.max(np.abs(periods))
    rms_db = 10 * np.log10(np.mean(periods**2, axis=1))
    assert np.ptp(rms_db) < 0.001


@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("name", ["C1", "E1", "C2", "A3", "C5"])
def test_it_repeats_at_its_root_and_no_sooner(name: str, timbre: str) -> None:
    period = Tone(note_hz(parse_note(name)), timbre, "nothing", -24.0, RATE).period[:-1]
    power = np.abs(np.fft.rfft(period)) ** 2
    alike = np.fft.irfft(power) / np.mean(period**2) / len(period)  # 1 where it repeats
    tenth = len(period) // 10  # nearer, it has hardly moved
    assert np.max(alike[tenth:-tenth]) < 0.5


def roughness(partials: tuple[Partial, ...]) -> float:
    """Sethares' formula (J. Acoust. Soc. Am. 94, 1993) for Plomp and Levelt's curve, all pairs."""
    total = 0.0
    for low, high in itertools.combinations(partials, 2):
        apart = 0.24 / (0.0207 * low.hz + 18.96) * (high.hz - low.hz)
        curve = np.exp(-3.51 * apart) - np.exp(-5.75 * apart)
        total += 5.0 * min(low.amplitude, high.amplitude) * float(curve)
    return total


@pytest.mark.parametrize("added", ADDED)
@pytest.mark.parametrize("name", ["C1", "E1", "C2", "A3", "C5", "C7"])
def test_gaps_do_not_make_it_rougher(name: str, added: str) -> None:
    root_hz = note_hz(parse_note(name))
    reed, clear = (
        roughness(Tone(root_hz, timbre, added, -24.0, RATE).partials)
        for timbre in ("reed", "clear")
    )
    assert clear <= reed


@pytest.mark.parametrize("added", ["nothing", "fifth"])
@pytest.mark.parametrize("timbre", TIMBRES)
@pytest.mark.parametrize("name", ["C1", "E2", "A3", "C6"])
def test_the_ear_knows_every_timbre_and_fits_its_gaps_too(
    name: str, timbre: str, added: str
) -> None:
    rate = 24000.0
    drone = sounding(DroneSettings(timbre=timbre, add=added), note_hz(parse_note(name)), rate)
    known = recognise(drone.sound(round(0.32 * rate)).astype(np.float64), rate)
    assert known is not None
    assert abs(cents(known.root_hz, drone.root_hz)) < 0.005
    highest = round(drone.partials[-1].hz / known.grid_hz)
    assert set(range(known.orders[0], highest + 1)) <= set(known.orders)  # a loudspeaker distorts


# --- level -------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(tone=TONES)
def test_rms_is_the_level_asked_for_and_the_peak_below_full_scale(tone: Tone) -> None:
    chosen = DroneSettings(timbre=tone.timbre, add=tone.added, level_dbfs=tone.level_dbfs)
    drone = sounding(chosen, tone.root_hz, tone.sample_rate_hz)
    sound = drone.sound(round(tone.sample_rate_hz)).astype(np.float64)
    assert 10 * np.log10(np.mean(sound**2)) == pytest.approx(tone.level_dbfs, abs=0.1)
    assert np.max(np.abs(sound)) < 1.0


def test_the_loudest_level_needs_no_lowering() -> None:
    for midi, timbre, added in itertools.product(range(24, 97), TIMBRES, ADDED):
        tone = Tone(note_hz(midi), timbre, added, LOUDEST, RATE)
        rms_db = 10 * np.log10(np.mean(tone.period[:-1] ** 2))
        assert rms_db == pytest.approx(LOUDEST, abs=1e-6)


def test_a_level_beyond_the_settings_still_stays_below_full_scale() -> None:
    for timbre, added in itertools.product(TIMBRES, ADDED):
        period = Tone(110.0, timbre, added, 0.0, RATE).period
        assert 0.9 < np.max(np.abs(period)) < 1.0


# --- fades, and no click -----------------------------------------------------------------------

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


# --- preview -----------------------------------------------------------------------------------


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


# --- blocks, cost, errors ----------------------------------------------------------------------


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
