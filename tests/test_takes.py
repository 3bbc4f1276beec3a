"""Reading takes: every kind of good WAV, every kind of broken one, and what counts as a drone."""

import os
import tracemalloc
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from appliance.practice.drone import Drone
from appliance.settings import DroneSettings
from appliance.steady import Kind, is_drone_or_silence, stretches
from appliance.takes import open_take
from appliance.vocabulary import TakeError
from tests.broken_wavs import CORPUS, RATE, stereo, swept, tone
from tests.tones import OtherDrone, other_drone, scene
from tests.truths import Audio

# --- Good files -----------------------------------------------------------------------------

QUANTISATION = {"PCM_16": 2**-15, "PCM_24": 2**-23, "PCM_32": 2**-23, "FLOAT": 0.0, "DOUBLE": 1e-8}


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("subtype", QUANTISATION)
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64"])
def test_reads(tmp_path: Path, container: str, subtype: str, rate: int, channels: int) -> None:
    left, right = tone(1.0, 330.0, rate), tone(1.0, 110.0, rate)
    audio = (stereo(left, right) if channels == 2 else left[:, None]).astype(np.float32)
    soundfile.write(tmp_path / "t.wav", audio, rate, format=container, subtype=subtype)
    take = open_take(tmp_path / "t.wav")
    assert (take.sample_rate_hz, take.frames, take.channels) == (rate, rate, channels)
    assert take.seconds == 1.0
    blocks = list(take.blocks(1000))
    read = np.concatenate([mic for mic, _ in blocks])
    np.testing.assert_allclose(read, audio[:, 0], atol=QUANTISATION[subtype])
    if channels == 2:
        sent = np.concatenate([sent for _, sent in blocks if sent is not None])
        np.testing.assert_allclose(sent, audio[:, 1], atol=QUANTISATION[subtype])
    else:
        assert all(sent is None for _, sent in blocks)


@given(frames=st.integers(1, 3000), block=st.integers(1, 4000))
@hypothesis_settings(max_examples=40, deadline=None)
def test_blocks_are_the_file(
    tmp_path_factory: pytest.TempPathFactory, frames: int, block: int
) -> None:
    path = tmp_path_factory.mktemp("take") / "t.wav"
    audio = np.random.default_rng(frames).uniform(-1, 1, frames).astype(np.float32)
    soundfile.write(path, audio, RATE, subtype="FLOAT")
    sizes_and_blocks = [mic for mic, _ in open_take(path).blocks(block)]
    assert all(len(mic) == block for mic in sizes_and_blocks[:-1])
    np.testing.assert_array_equal(np.concatenate(sizes_and_blocks), audio)


def test_skips_chunks_it_does_not_know_and_needs_no_last_byte_of_padding(tmp_path: Path) -> None:
    path = tmp_path / "t.wav"
    soundfile.write(path, tone(1.0), RATE, subtype="PCM_U8")
    raw = path.read_bytes()
    note = b"note\x05\x00\x00\x00hello\x00"
    last = b"last\x03\x00\x00\x00end"  # odd, and its byte of padding forgotten
    raw = raw[:12] + note + raw[12:] + last
    path.write_bytes(raw[:4] + (len(raw) - 8 + 1).to_bytes(4, "little") + raw[8:])
    assert open_take(path).frames == RATE


def test_a_long_take_does_not_lie_in_memory(tmp_path: Path) -> None:
    path, minutes = tmp_path / "long.wav", 10
    with soundfile.SoundFile(path, "w", RATE, 2, "PCM_16") as file:
        for _ in range(minutes):
            file.write(np.zeros((60 * RATE, 2), np.int16))
    tracemalloc.start()
    take = open_take(path)
    assert sum(len(mic) for mic, _ in take.blocks()) == minutes * 60 * RATE
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 30e6  # the whole of it would be 230 MB


# --- Broken files ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", CORPUS)
def test_refuses(tmp_path: Path, name: str) -> None:
    make, word = CORPUS[name]
    path = tmp_path / "t.wav"
    make(path)
    with pytest.raises(TakeError) as caught:
        open_take(path)
    assert word in str(caught.value)
    assert "\n" not in str(caught.value)


def test_refuses_what_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(TakeError, match="does not exist"):
        open_take(tmp_path / "nowhere.wav")
    with pytest.raises(TakeError, match="directory"):
        open_take(tmp_path)
    os.mkfifo(tmp_path / "pipe.wav")
    with pytest.raises(TakeError, match="no WAV"):
        open_take(tmp_path / "pipe.wav")
    (tmp_path / "loop.wav").symlink_to(tmp_path / "loop.wav")
    with pytest.raises(TakeError, match="cannot be read"):
        open_take(tmp_path / "loop.wav")


def test_refuses_what_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "t.wav"
    soundfile.write(path, tone(), RATE)
    path.chmod(0)
    if os.geteuid() == 0:  # root may read anything: let the system call itself refuse
        monkeypatch.setattr(Path, "open", _refused)
    with pytest.raises(TakeError, match="permission"):
        open_take(path)


def _refused(*_args: object, **_kwargs: object) -> None:
    raise PermissionError(13, "Permission denied")


def test_a_name_with_a_line_break_still_makes_one_line(tmp_path: Path) -> None:
    with pytest.raises(TakeError) as caught:
        open_take(tmp_path / "two\nlines.wav")
    assert "\n" not in str(caught.value)


# --- The right channel ----------------------------------------------------------------------


def accepted(audio: Audio, rate: int = RATE) -> bool:
    return is_drone_or_silence(Counter(stretches(audio, rate)))


def drone(fade_s: float = 0.15, **chosen: object) -> Drone:
    return Drone(DroneSettings(fade_s=fade_s, **chosen), RATE)  # type: ignore[arg-type]


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("note", ["C1", "A3", "C7"])
@pytest.mark.parametrize("timbre", ["reed", "warm", "bright"])
@pytest.mark.parametrize("add", ["nothing", "fifth", "octave"])
def test_our_drone_is_a_drone(rate: int, note: str, timbre: str, add: str) -> None:
    ours = Drone(DroneSettings(note=note, timbre=timbre, add=add), rate)
    ours.start()
    sounding = ours.sound(4 * rate)
    ours.stop()
    kinds = Counter(stretches(np.concatenate([sounding, ours.sound(2 * rate)]), rate))
    assert is_drone_or_silence(kinds)
    assert kinds[Kind.OTHER] <= 1  # at most the one that begins inside the first fade


def test_a_drone_may_start_stop_and_change() -> None:
    ours = drone(fade_s=0.05)
    parts = []
    for step in range(12):  # a change every second
        ours.start()
        ours.set_root(220.0 * 2 ** (step / 12))
        parts.append(ours.sound(RATE))
    ours.stop()
    parts.append(ours.sound(5 * RATE))
    assert accepted(np.concatenate(parts))


def test_previews_alone_are_a_drone() -> None:
    ours = drone(fade_s=0.05)
    parts = []
    for step in range(8):
        ours.preview(220.0 * 2 ** (step / 12))
        parts.append(ours.sound(3 * RATE // 2))
    assert accepted(np.concatenate(parts))


def test_long_fades_are_a_drone() -> None:
    ours = drone(fade_s=5.0)
    ours.start()
    rising = ours.sound(10 * RATE)
    ours.set_root(250.0)
    assert accepted(np.concatenate([rising, ours.sound(20 * RATE)]))


def test_a_very_quiet_16_bit_drone_is_a_drone() -> None:
    ours = drone(level_dbfs=-60.0)
    ours.start()
    assert accepted(np.round(ours.sound(8 * RATE) * 32768.0) / 32768.0)


@pytest.mark.parametrize(
    "other",
    [
        OtherDrone(110.0, ratios=(1.5,)),
        OtherDrone(110.0, ratios=(2.0,)),
        OtherDrone(65.4, partials=(1, 2, 3, 4, 6, 8)),
        OtherDrone(440.0, partials=(1,)),
    ],
)
def test_other_steady_tones_are_drones(other: OtherDrone) -> None:
    assert accepted(other_drone(other, 8.0, RATE))


def test_a_note_may_change_without_a_gap_and_the_volume_may_move() -> None:
    first, second = (other_drone(OtherDrone(hz), 10.0, RATE)[RATE:-RATE] for hz in (220.0, 196.0))
    both = np.concatenate([first, second])
    assert accepted(both)
    assert accepted(both * np.linspace(0.1, 1.0, len(both)))
    assert accepted(both * np.repeat([0.2, 1.0, 0.5, 0.1], len(both) // 4))


def test_hiss_far_below_is_not_noticed_but_hum_of_no_kind_is_silence() -> None:
    hiss = np.random.default_rng(1).standard_normal(8 * RATE)
    assert accepted(1e-4 * hiss)  # -80 dBFS, an idle converter
    assert accepted(other_drone(OtherDrone(220.0), 8.0, RATE) + 10 ** (-64 / 20) * hiss)
    assert not accepted(other_drone(OtherDrone(220.0), 8.0, RATE) + 10 ** (-44 / 20) * hiss)
    assert not accepted(0.01 * hiss + 0.5)  # an offset does not make noise periodic


@pytest.mark.parametrize("cents_per_second", [2.0, 10.0, 50.0, -200.0, 1200.0])
def test_a_moving_pitch_is_no_drone(cents_per_second: float) -> None:
    assert not accepted(swept(cents_per_second, 10.0))


def test_vibrato_and_two_unrelated_tones_are_no_drone() -> None:
    time = np.arange(8 * RATE) / RATE
    moving = 2 * np.pi * np.cumsum(220 * 2 ** (10 / 1200 * np.sin(2 * np.pi * 5.5 * time))) / RATE
    assert not accepted(0.1 * np.sin(moving))
    assert not accepted(tone(8.0, 220.0) + tone(8.0, 220.0 * 2 ** (4 / 12)))


@pytest.mark.parametrize("instrument", ["violin", "double-bass", "trombone", "oboe", "voice"])
@pytest.mark.parametrize("style", ["slow", "legato"])
def test_a_copy_of_the_microphone_is_no_drone(instrument: str, style: str) -> None:
    """Not the clarinet: its recordings loop one period, so that a held note *is* a steady tone."""
    assert not accepted(scene(3, instrument, 12, style).mic)


def test_a_player_beside_the_drone_is_no_drone() -> None:
    take = scene(4, "cello", 8, "slow", drone=110.0)
    assert take.sent is not None
    assert accepted(take.sent)
    assert not accepted(take.mic)
