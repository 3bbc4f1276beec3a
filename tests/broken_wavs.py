"""Files that are no takes, each with a word its one-sentence error must hold."""

import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile

from tests.truths import Audio

RATE = 48000


def tone(seconds: float = 3.0, hz: float = 220.0, rate: int = RATE) -> Audio:
    return 0.1 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate)) / rate)


def speech_like(seconds: float = 6.0) -> Audio:
    """Formant noise and buzz in syllables, moving in pitch: nothing is steady, most of it tonal."""
    rng = np.random.default_rng(5)
    time = np.arange(round(seconds * RATE)) / RATE
    hz = 120.0 + 30.0 * np.sin(2 * np.pi * 0.7 * time) + 15.0 * np.sin(2 * np.pi * 2.3 * time)
    phase = 2 * np.pi * np.cumsum(hz) / RATE
    buzz = sum(np.sin(k * phase) / k for k in range(1, 20))
    syllables = np.clip(np.sin(2 * np.pi * 3.5 * time) + 0.3, 0.0, 1.0)
    return np.asarray(0.05 * syllables * (buzz + 0.1 * rng.standard_normal(len(time))))


def swept(cents_per_second: float, seconds: float = 8.0) -> Audio:
    time = np.arange(round(seconds * RATE)) / RATE
    phase = 2 * np.pi * np.cumsum(220.0 * 2.0 ** (cents_per_second * time / 1200)) / RATE
    return np.asarray(0.05 * sum(np.sin(k * phase) / k for k in range(1, 6)))


def chords(seconds: float = 8.0) -> Audio:
    """Equal-tempered triads that change every half second and die away: music on a keyboard."""
    rng = np.random.default_rng(6)
    time = np.arange(RATE // 2) / RATE
    bars = []
    for root in rng.integers(48, 60, round(2 * seconds)):
        notes = 440.0 * 2.0 ** ((root + np.array([0, 4, 7]) - 69) / 12)
        partials = [np.sin(2 * np.pi * k * hz * time) / k**2 for hz in notes for k in (1, 2, 3)]
        bars.append(0.05 * np.exp(-3 * time) * np.sum(partials, axis=0))
    return np.concatenate(bars)


def stereo(left: Audio, right: Audio) -> Audio:
    frames = min(len(left), len(right))
    return np.stack([left[:frames], right[:frames]], axis=1)


def _written(path: Path, audio: Audio, rate: int = RATE, subtype: str = "PCM_16") -> None:
    soundfile.write(path, audio, rate, subtype=subtype)


def _sample(path: Path, value: float) -> None:
    audio = tone()
    audio[70000] = value
    _written(path, audio, subtype="FLOAT")


def _good_bytes(path: Path) -> bytes:
    _written(path, stereo(tone(), tone()))
    return path.read_bytes()


def _patched(path: Path, at: int, value: int) -> None:
    raw = bytearray(_good_bytes(path))
    raw[at : at + 4] = struct.pack("<I", value)
    path.write_bytes(raw)


def _renamed(path: Path, kind: str) -> None:
    soundfile.write(path, tone(), RATE, format=kind)


def _unreadable_encoding(path: Path) -> None:
    raw = bytearray(_good_bytes(path))
    raw[20:22] = struct.pack("<H", 0x1234)
    path.write_bytes(raw)


def _right(path: Path, right: Audio) -> None:
    _written(path, stereo(tone(len(right) / RATE), right))


def _spoken(path: Path) -> None:
    """Real synthetic speech where the machine has a voice, else ours."""
    voice = path.with_suffix(".voice.wav")
    words = "Could you take the drone a little lower, please, and play the scale again?"
    try:
        subprocess.run(["espeak-ng", "-w", str(voice), words], check=True, capture_output=True)
        audio, rate = soundfile.read(voice)
        time = np.arange(round(len(audio) / rate * RATE)) / RATE
        _right(path, np.interp(time, np.arange(len(audio)) / rate, audio))
    except FileNotFoundError:
        _right(path, speech_like())


# A stereo 16-bit WAV as written above: RIFF size at byte 4, size of data at byte 40.
CORPUS: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda p: p.write_bytes(b""), "is empty"),
    "text": (lambda p: p.write_text("Dear diary, today I practised.\n" * 50), "no WAV"),
    "noise bytes": (lambda p: p.write_bytes(np.random.default_rng(1).bytes(5000)), "no WAV"),
    "flac renamed": (lambda p: _renamed(p, "FLAC"), "no WAV"),
    "ogg renamed": (lambda p: _renamed(p, "OGG"), "no WAV"),
    "aiff renamed": (lambda p: _renamed(p, "AIFF"), "no WAV"),
    "another RIFF": (lambda p: p.write_bytes(b"RIFF\x04\x00\x00\x00AVI "), "no WAV"),
    "unknown encoding": (_unreadable_encoding, "no WAV"),
    "two bytes": (lambda p: p.write_bytes(b"RI"), "cut off"),
    "header only": (lambda p: p.write_bytes(_good_bytes(p)[:12]), "cut off"),
    "cut in fmt": (lambda p: p.write_bytes(_good_bytes(p)[:30]), "cut off"),
    "cut before data": (lambda p: p.write_bytes(_good_bytes(p)[:36]), "cut off"),
    "cut in data": (lambda p: p.write_bytes(_good_bytes(p)[:-1000]), "cut off"),
    "cut by one frame": (lambda p: p.write_bytes(_good_bytes(p)[:-4]), "cut off"),
    "data larger than file": (lambda p: _patched(p, 40, 0x7FFFFFFF), "cut off"),
    "size never written": (lambda p: _patched(p, 40, 0xFFFFFFFF), "cut off"),
    "riff larger than file": (lambda p: _patched(p, 4, 0x00FFFFFF), "cut off"),
    "no frames": (lambda p: _written(p, np.zeros(0)), "no sound"),
    "NaN": (lambda p: _sample(p, float("nan")), "no numbers"),
    "infinite": (lambda p: _sample(p, float("-inf")), "no numbers"),
    "integers as floats": (lambda p: _sample(p, 32000.0), "full scale"),
    "three channels": (lambda p: _written(p, np.zeros((RATE, 3))), "3 channels"),
    "six channels": (lambda p: _written(p, np.zeros((RATE, 6))), "6 channels"),
    "8 kHz": (lambda p: _written(p, tone(rate=8000), 8000), "8000"),
    "384 kHz": (lambda p: _written(p, np.zeros(384000), 384000), "384000"),
    "speech on the right": (_spoken, "right channel"),
    "speech-like on the right": (lambda p: _right(p, speech_like()), "right channel"),
    "music on the right": (lambda p: _right(p, chords()), "right channel"),
    "noise on the right": (
        lambda p: _right(p, 0.1 * np.random.default_rng(2).standard_normal(6 * RATE)),
        "right channel",
    ),
    "a fast sweep on the right": (lambda p: _right(p, swept(1200.0)), "right channel"),
    "a slow sweep on the right": (lambda p: _right(p, swept(5.0)), "right channel"),
}
