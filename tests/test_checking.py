"""The room check's numbers, against rooms whose truth is known, and every fault by its own name.

Rooms are made by scipy (``check_rooms``); the check must name the fault that was put in, and only
that one. Limits of accuracy: drift 5 ppm, delay 1 ms, level 1 dB, reverberation 20 %.
"""

import os
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt

from appliance.checking.machine import Storage, clock_line, light_line, pedal_line, storage_lines
from appliance.checking.measuring import Measured, measure
from appliance.checking.program import Program
from appliance.checking.quiet import hum_and_noise, is_cut
from appliance.checking.verdicts import Verdict, sound_lines
from appliance.devices.storage import look_at
from appliance.settings import Settings
from tests.check_rooms import CheckedRoom, recorded, response_of

RATE_HZ = 48000.0
GOOD = CheckedRoom()


@cache
def program(rate_hz: float = RATE_HZ) -> Program:
    return Program(Settings(), rate_hz)


def in_room(room: CheckedRoom, rate_hz: float = RATE_HZ) -> Measured:
    sound = recorded(program(rate_hz), room).astype(np.float32)
    return measure(program(rate_hz), sound[:, np.newaxis], 0)


def not_fine(measured: Measured, channel: int = 1) -> dict[str, Verdict]:
    """What the check finds fault with; what it leaves out because of that does not count."""
    return {
        line.what: line.verdict
        for line in sound_lines("the card", measured, channel)
        if line.verdict not in (Verdict.FINE, Verdict.NOT_MEASURED)
    }


# --- accuracy -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ppm", "rt60_s"), [(-180.0, 0.3), (-37.0, 0.7), (0.0, 0.7), (12.0, 0.3), (100.0, 0.7)]
)
def test_drift_is_found_to_5_ppm(ppm: float, rt60_s: float) -> None:
    path = in_room(replace(GOOD, drift_ppm=ppm, rt60_s=rt60_s, noise_db=-60.0)).path
    assert path is not None
    assert path.drift_ppm == pytest.approx(ppm, abs=5.0)


@pytest.mark.parametrize(
    ("delay_s", "rate_hz", "direct_db"),
    [(0.004, 48000.0, 3.0), (0.05, 44100.0, 3.0), (0.05, 48000.0, -3.0), (0.137, 44100.0, -3.0)],
)
def test_delay_is_found_to_a_millisecond(delay_s: float, rate_hz: float, direct_db: float) -> None:
    path = in_room(replace(GOOD, delay_s=delay_s, direct_db=direct_db), rate_hz).path
    assert path is not None
    assert path.delay_s == pytest.approx(delay_s, abs=0.001)


@pytest.mark.parametrize("gain_db", [-30.0, -18.0, -6.0])
def test_levels_are_found_to_a_decibel(gain_db: float) -> None:
    """The drone's level again by convolving it alone, the noise from how it was made."""
    room = replace(GOOD, gain_db=gain_db, noise_db=-60.0, distortion=0.0)
    measured = in_room(room)
    here = program()
    alone = fftconvolve(
        here.samples.sum(axis=1).astype(np.float64),
        response_of(room, RATE_HZ, np.random.default_rng(room.seed)),
    )[here.settled]
    truth_db = 10.0 * np.log10(np.mean(alone**2))
    assert measured.through is not None and measured.noise_db is not None
    assert measured.through.drone_db == pytest.approx(truth_db, abs=1.0)
    assert measured.noise_db == pytest.approx(-60.0, abs=1.0)


@pytest.mark.parametrize("left_db", [-60.0, -52.0, -44.0])
def test_the_removal_is_found_to_a_decibel(left_db: float) -> None:
    """What it cannot remove is put in beside the drone: noise up to 6 kHz, not in the quiet."""
    sound = recorded(program(), replace(GOOD, noise_db=-80.0, distortion=0.0))
    white = np.random.default_rng(6).standard_normal(sound.size)
    left = sosfilt(butter(6, 6000.0, fs=RATE_HZ, output="sos"), white)
    left *= 10.0 ** (left_db / 20.0) / np.std(left)
    left[: program().quiet.stop] = 0.0
    mic = (sound + left).astype(np.float32)[:, np.newaxis]
    through = measure(program(), mic, 0).through
    assert through is not None and not through.under_noise
    assert through.removed_db == pytest.approx(through.drone_db - left_db, abs=1.0)


@pytest.mark.parametrize(
    ("rt60_s", "noise_db", "direct_db"),
    [
        *((0.25, -75.0, 3.0), (0.4, -60.0, -3.0), (0.8, -75.0, -3.0), (1.2, -60.0, 3.0)),
        *((1.8, -60.0, -3.0), (2.5, -75.0, 3.0)),
    ],
)
def test_reverberation_is_found_to_20_percent(
    rt60_s: float, noise_db: float, direct_db: float
) -> None:
    room = replace(GOOD, rt60_s=rt60_s, noise_db=noise_db, direct_db=direct_db, gain_db=-6.0)
    path = in_room(room).path
    assert path is not None and path.reverberation_s is not None
    assert path.reverberation_s == pytest.approx(rt60_s, rel=0.2)


def test_reverberation_that_drowns_in_noise_is_not_guessed() -> None:
    path = in_room(replace(GOOD, noise_db=-35.0)).path
    assert path is not None and path.reverberation_s is None


@pytest.mark.parametrize("mains_hz", [49.9, 50.0, 50.1, 59.95, 60.0])
@pytest.mark.parametrize("level_db", [-40.0, -60.0])
def test_hum_is_found_by_frequency_and_level(mains_hz: float, level_db: float) -> None:
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    rng = np.random.default_rng(3)
    hum = sum(np.sin(2 * np.pi * k * mains_hz * time_s + k) for k in (1, 2, 4))
    hum = hum * 10.0 ** (level_db / 20.0) / np.std(hum)
    found, noise_db = hum_and_noise(hum + 1e-4 * rng.standard_normal(hum.size), RATE_HZ)
    assert found.hz == round(mains_hz / 10.0) * 10.0 and found.lines == 3
    assert found.level_db == pytest.approx(level_db, abs=1.0)
    assert noise_db == pytest.approx(-80.0, abs=1.0)


def test_a_fan_or_a_note_is_no_hum() -> None:
    """Brown noise has much at 50 Hz; a viola's open C is 65.4 Hz and its partials are not 50's."""
    time_s = np.arange(2 * RATE_HZ) / RATE_HZ
    fan = np.cumsum(np.random.default_rng(4).standard_normal(time_s.size))
    fan -= np.linspace(fan[0], fan[-1], fan.size)
    note = 0.1 * np.sin(2 * np.pi * 130.8 * time_s) + 0.05 * np.sin(2 * np.pi * 65.4 * time_s)
    hiss = 1e-5 * np.random.default_rng(5).standard_normal(fan.size)
    for sound in (1e-6 * fan, note):
        hum, _ = hum_and_noise(sound + hiss, RATE_HZ)
        assert hum.lines == 0, hum


@pytest.mark.parametrize("limit", [1.0, 0.7, 0.3])
def test_a_cut_is_found_wherever_the_limit_lies(limit: float) -> None:
    sine = 0.9 * np.sin(2 * np.pi * 220.0 * np.arange(48000) / RATE_HZ)
    assert is_cut(np.clip(sine * 1.2, -limit, limit)) is (limit < 1.08)
    assert not is_cut(sine)
    assert is_cut(np.minimum(sine, limit * 0.8))  # one side alone


# --- every fault, and only it -------------------------------------------------------------------


FAULTS: dict[str, tuple[CheckedRoom, dict[str, Verdict]]] = {
    "nothing": (GOOD, {}),
    "drift": (replace(GOOD, drift_ppm=100.0), {"clocks": Verdict.DOUBTFUL}),
    "hum": (replace(GOOD, hum_hz=50.0), {"hum": Verdict.WRONG}),
    "soft hum": (replace(GOOD, hum_hz=60.0, hum_db=-62.0), {"hum": Verdict.DOUBTFUL}),
    "clipping": (replace(GOOD, gain_db=14.0, clip_at=0.5), {"clipping": Verdict.WRONG}),
    "noise": (replace(GOOD, noise_db=-50.0), {"noise": Verdict.DOUBTFUL}),
    "hall": (replace(GOOD, rt60_s=1.8, gain_db=-6.0), {"reverberation": Verdict.WRONG}),
    "wireless": (replace(GOOD, delay_s=0.19), {"delay": Verdict.DOUBTFUL}),
    "loud": (replace(GOOD, gain_db=7.0), {"drone at the microphone": Verdict.WRONG}),
    "off": (replace(GOOD, gain_db=-300.0), {"loudspeaker": Verdict.WRONG}),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named_and_only_it(fault: str) -> None:
    room, named = FAULTS[fault]
    assert not_fine(in_room(room)) == named


def two_inputs(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float32]:
    return np.stack([first, second], axis=1).astype(np.float32)


def test_swapped_inputs_are_named_and_only_they() -> None:
    sound = recorded(program(), GOOD)
    noise = np.random.default_rng(2).normal(size=sound.size) * 1e-4
    for idle in (np.zeros(sound.size), noise):
        measured = measure(program(), two_inputs(idle, sound), 0)
        assert not_fine(measured) == {"microphone": Verdict.WRONG}
        line = sound_lines("the card", measured, 1)[0]
        assert "on input 2" in line.found and "microphone_channel = 2" in line.advice
        assert not_fine(measure(program(), two_inputs(idle, sound), 1), 2) == {}


def test_a_silent_microphone_is_named_and_only_it() -> None:
    silence = np.zeros((len(program().samples), 1), np.float32)
    measured = measure(program(), silence, 0)
    assert not_fine(measured) == {"microphone": Verdict.WRONG}
    assert "silent" in sound_lines("the card", measured, 1)[0].found


def test_outputs_are_told_apart() -> None:
    heard = {
        sides: in_room(replace(GOOD, sides=sides)).outputs
        for sides in [(1.0, 0.0), (0.0, 1.0), (1.0, 0.5)]
    }
    assert heard == {
        (1.0, 0.0): (True, False),
        (0.0, 1.0): (False, True),
        (1.0, 0.5): (True, True),
    }


def test_it_plays_quietly_and_fades() -> None:
    """No louder than the drone itself, which is -24 dBFS RMS here, and never with a click."""
    here = program()
    sound = here.samples
    for part in (here.sweep, sound[here.settled, 0]):
        assert 20.0 * np.log10(np.std(part)) <= -23.9
    assert abs(here.sweep[0]) < 1e-6 and abs(here.sweep[-1]) < 1e-2
    assert not sound[: here.quiet.stop].any() and not sound[-1].any()
    assert 12.0 < len(sound) / RATE_HZ < 20.0


# --- the machine --------------------------------------------------------------------------------


def card(tmp_path: Path, **files: str) -> Storage:
    """Look at the storage of a folder through a kernel that says what ``files`` holds."""
    number = tmp_path.stat().st_dev
    disk = tmp_path / "devices" / "mmcblk0"
    partition = disk / "mmcblk0p2"
    (partition).mkdir(parents=True)
    (partition / "partition").write_text("2\n")
    (disk / "device").mkdir()
    block = tmp_path / "dev" / "block"
    block.mkdir(parents=True)
    (block / f"{os.major(number)}:{os.minor(number)}").symlink_to(partition)
    (tmp_path / "fs" / "ext4" / "mmcblk0p2").mkdir(parents=True)
    for name, text in files.items():
        home = tmp_path / "fs" / "ext4" / "mmcblk0p2" if name == "errors_count" else disk / "device"
        (home / name).write_text(text)
    return look_at(tmp_path, tmp_path)


@pytest.mark.parametrize(
    ("files", "verdict", "found"),
    [
        ({}, Verdict.NOT_MEASURED, "does not tell"),
        ({"errors_count": "0\n"}, Verdict.FINE, "no errors"),
        ({"errors_count": "3\n"}, Verdict.WRONG, "3 errors"),
        ({"life_time": "0x01 0x02\n", "pre_eol_info": "0x01\n"}, Verdict.FINE, "up to 20 %"),
        ({"life_time": "0x03 0x09\n"}, Verdict.DOUBTFUL, "up to 90 %"),
        ({"life_time": "0x0b 0x01\n"}, Verdict.WRONG, "up to 110 %"),
        ({"life_time": "0x00 0x00\n"}, Verdict.NOT_MEASURED, "does not tell"),
        ({"pre_eol_info": "0x02\n"}, Verdict.DOUBTFUL, "80 %"),
        ({"pre_eol_info": "0x03\n", "life_time": "0x01 0x01\n"}, Verdict.WRONG, "urgent"),
        ({"life_time": "unknown\n"}, Verdict.NOT_MEASURED, "does not tell"),
    ],
)
def test_a_card_is_as_it_says(
    tmp_path: Path, files: dict[str, str], verdict: Verdict, found: str
) -> None:
    """The values and their meaning are JEDEC JESD84-B50's, from memory; errors are ext4's."""
    space, line = storage_lines(card(tmp_path, **files))
    assert line.verdict is verdict and found in line.found
    assert (line.advice != "") is (verdict in (Verdict.DOUBTFUL, Verdict.WRONG))
    assert "GB free" in space.found


@pytest.mark.parametrize(
    ("free_mb", "writable", "verdict"),
    [
        (5000.0, True, Verdict.FINE),
        (900.0, True, Verdict.DOUBTFUL),
        (50.0, True, Verdict.WRONG),
        (5000.0, False, Verdict.WRONG),
    ],
)
def test_space(free_mb: float, writable: bool, verdict: Verdict) -> None:
    assert storage_lines(Storage(free_mb, writable))[0].verdict is verdict


def test_clock_pedals_and_light() -> None:
    assert clock_line(synchronised=True).verdict is Verdict.FINE
    assert clock_line(synchronised=False).verdict is Verdict.DOUBTFUL
    assert pedal_line("left", "left").verdict is Verdict.FINE
    assert pedal_line("left", None).verdict is Verdict.WRONG
    swapped = pedal_line("left", "right")
    assert swapped.verdict is Verdict.WRONG and "right" in swapped.found
    assert light_line(fitted=False, seen=None).verdict is Verdict.NOT_MEASURED
    assert light_line(fitted=True, seen=True).verdict is Verdict.FINE
    assert light_line(fitted=True, seen=False).verdict is Verdict.WRONG
    assert light_line(fitted=True, seen=None, trouble="busy").verdict is Verdict.WRONG
