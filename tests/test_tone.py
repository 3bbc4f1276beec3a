"""The drone's tone: its pitch, its partials, one steady sound, its level."""

import itertools
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings

from appliance.hearing.sent import recognise
from appliance.practice.drone import Drone
from appliance.practice.tone import MOST_PARTIALS, Partial, Tone
from appliance.settings import TIMBRES, DroneSettings
from appliance.tuning import cents, note_hz, parse_note
from tests.drones import ADDED, LOUDEST, RATE, TONES, sounding


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
