"""A minimal reader of SoundFont 2 sample data, for tests: real recorded tones with loops.

Chunk and record layout after the SoundFont Technical Specification 2.04, sections 5 to 8.
Only what a test tone needs is read: key ranges, root keys, loops and the left (or only) channel.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SOUNDFONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")  # Debian: fluid-soundfont-gm

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
_RIGHT_CHANNEL = 2
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
        begin += 8 + size + size % 2


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
def _font() -> _Font:
    return _Font(SOUNDFONT)


@cache
def recordings(instrument: str) -> tuple[Recording, ...]:
    """All left-channel (or mono) tones of an instrument, low to high, each once."""
    font = _font()
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
    if header["type"] == _RIGHT_CHANNEL:
        return None
    start, keys = int(header["start"]), zone.get(_KEY_RANGE, 127 << 8)
    return Recording(
        name=header["name"].decode(),
        audio=font.frames(start, int(header["end"])),
        rate_hz=float(header["rate"]),
        loop_start=int(header["loop_start"]) - start,
        loop_end=int(header["loop_end"]) - start,
        root=zone.get(_ROOT_KEY, int(header["root"])),
        low_key=keys & 0xFF,
        high_key=(keys >> 8) & 0xFF,
    )
