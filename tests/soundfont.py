"""A minimal reader of SoundFont sample data, for tests: real recorded tones with loops.

Chunk and record layout after the SoundFont Technical Specification 2.04, sections 5 to 8; in the
"sf3" variant each sample is an Ogg Vorbis stream, its start and end count bytes and its loop counts
from the sample's own start (from memory, and checked by the tones' pitch). Only what a test tone
needs is read: key ranges, root keys, loops and the left (or only) channel.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

FONTS = {  # each in a Debian package of its own
    "fluid": Path("/usr/share/sounds/sf2/FluidR3_GM.sf2"),  # fluid-soundfont-gm
    "tim": Path("/usr/share/sounds/sf2/TimGM6mb.sf2"),  # timgm6mb-soundfont
    "csound": Path("/usr/share/sounds/sf2/sf_GMbank.sf2"),  # csound-soundfont
    "musescore": Path("/usr/share/sounds/sf3/MuseScore_General_Lite.sf3"),
    # musescore-general-soundfont-small
}
MISSING = [name for name, path in FONTS.items() if not path.exists()]

# Fonts with usable tones of their own, measured one by one: Praat reads each within 50
# cents of its root key, and its loop holds one pitch and one level. Left out: tim's voice (cut at
# 6 kHz, whole in csound); what csound shares with tim, and musescore with fluid.
PLAYABLE = {
    "violin": ("fluid", "tim"),
    "viola": ("fluid", "tim"),
    "cello": ("fluid", "tim", "musescore"),
    "double-bass": ("fluid", "tim"),
    "trombone": ("fluid", "tim"),
    "voice": ("fluid", "csound"),
    "oboe": ("fluid", "tim", "csound"),
    "clarinet": ("fluid", "tim"),
}

PROGRAMS = {
    "violin": 40,
    "viola": 41,
    "cello": 42,
    "double-bass": 43,
    "trombone": 57,
    "voice": 53,
    "flute": 73,
    "oboe": 68,
    "clarinet": 71,
    "bassoon": 70,
    "horn": 60,
}

_PRESET = np.dtype(
    [("name", "S20"), ("preset", "<u2"), ("bank", "<u2"), ("bag", "<u2"), ("unused", "<u4", 3)]
)
_BAG = np.dtype([("generator", "<u2"), ("modulator", "<u2")])
_GENERATOR = np.dtype([("operator", "<u2"), ("amount", "<i2")])
_INSTRUMENT = np.dtype([("name", "S20"), ("bag", "<u2")])
_SAMPLE = np.dtype(
    [
        ("name", "S20"),
        ("start", "<u4"),
        ("end", "<u4"),
        ("loop_start", "<u4"),
        ("loop_end", "<u4"),
        ("rate", "<u4"),
        ("root", "u1"),
        ("correction", "i1"),
        ("link", "<u2"),
        ("type", "<u2"),
    ]
)
_RIGHT_CHANNEL, _VORBIS = 2, 16  # bits of a sample's type
_EARLIEST_LOOP_S = 0.01  # one that loops from its first frame on is an attack or an effect
# Generator numbers, section 8.1.2
_INSTRUMENT_OP, _KEY_RANGE, _SAMPLE_OP, _ROOT_KEY = 41, 43, 53, 58


@dataclass(frozen=True)
class Recording:
    """One recorded tone: ``audio`` shape (n,), full scale ±1; the loop in frames of ``audio``."""

    name: str
    audio: NDArray[np.float64]
    rate_hz: float
    loop_start: int
    loop_end: int
    root: int  # nominal MIDI key, as the file says
    low_key: int
    high_key: int


def _chunks(data: NDArray[np.uint8], begin: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    while begin + 8 <= end:
        size = int(data[begin + 4 : begin + 8].view("<u4")[0])
        yield data[begin : begin + 4].tobytes(), begin + 8, size
        begin += 8 + size
        if size % 2 and begin < end and data[begin] == 0:  # sf3 files leave the padding out
            begin += 1


class _Font:
    def __init__(self, path: Path) -> None:
        self.data = np.memmap(path, dtype=np.uint8, mode="r")
        self._at: dict[bytes, tuple[int, int]] = {}
        for name, at, size in _chunks(self.data, 12, len(self.data)):
            if name == b"LIST":
                for inner, inner_at, inner_size in _chunks(self.data, at + 4, at + size):
                    self._at[inner] = (inner_at, inner_size)

    def records(self, chunk: bytes, dtype: np.dtype) -> NDArray:  # type: ignore[type-arg]
        at, size = self._at[chunk]
        return np.frombuffer(self.data[at : at + size].tobytes(), dtype=dtype)

    def vorbis(self, start: int, end: int) -> NDArray[np.float64]:
        at = self._at[b"smpl"][0]
        stream = io.BytesIO(self.data[at + start : at + end].tobytes())
        return np.asarray(soundfile.read(stream, dtype="float64")[0])

    def frames(self, start: int, end: int) -> NDArray[np.float64]:
        at = self._at[b"smpl"][0]
        raw = self.data[at + 2 * start : at + 2 * end].tobytes()
        return np.frombuffer(raw, dtype="<i2") / 32768.0

    def zones(self, kind: bytes, first: int, last: int) -> list[dict[int, int]]:
        bags = self.records(kind + b"bag", _BAG)
        generators = self.records(kind + b"gen", _GENERATOR)
        return [
            {
                int(g["operator"]): int(g["amount"])
                for g in generators[bags[b]["generator"] : bags[b + 1]["generator"]]
            }
            for b in range(first, last)
        ]


@cache
def _font(name: str) -> _Font:
    return _Font(FONTS[name])


@cache
def recordings(instrument: str, font_name: str = "fluid") -> tuple[Recording, ...]:
    """All left-channel (or mono) tones of an instrument, low to high, each once."""
    font = _font(font_name)
    presets = font.records(b"phdr", _PRESET)
    index = next(
        i
        for i in range(len(presets) - 1)
        if presets[i]["bank"] == 0 and presets[i]["preset"] == PROGRAMS[instrument]
    )
    instruments = font.records(b"inst", _INSTRUMENT)
    found: dict[int, Recording] = {}
    for preset_zone in font.zones(b"p", presets[index]["bag"], presets[index + 1]["bag"]):
        inner = preset_zone.get(_INSTRUMENT_OP)
        if inner is None:
            continue
        for zone in font.zones(b"i", instruments[inner]["bag"], instruments[inner + 1]["bag"]):
            if _SAMPLE_OP in zone and zone[_SAMPLE_OP] not in found:
                recording = _recording(font, zone)
                if recording is not None:
                    found[zone[_SAMPLE_OP]] = recording
    return tuple(sorted(found.values(), key=lambda r: r.root))


def _recording(font: _Font, zone: dict[int, int]) -> Recording | None:
    header = font.records(b"shdr", _SAMPLE)[zone[_SAMPLE_OP]]
    if header["type"] & _RIGHT_CHANNEL:
        return None
    start, end, keys = int(header["start"]), int(header["end"]), zone.get(_KEY_RANGE, 127 << 8)
    packed = bool(header["type"] & _VORBIS)
    loop_from = 0 if packed else start
    if header["loop_start"] - loop_from < _EARLIEST_LOOP_S * header["rate"]:
        return None
    return Recording(
        name=header["name"].decode(),
        audio=font.vorbis(start, end) if packed else font.frames(start, end),
        rate_hz=float(header["rate"]),
        loop_start=int(header["loop_start"]) - loop_from,
        loop_end=int(header["loop_end"]) - loop_from,
        root=zone.get(_ROOT_KEY, int(header["root"])),
        low_key=keys & 0xFF,
        high_key=(keys >> 8) & 0xFF,
    )
