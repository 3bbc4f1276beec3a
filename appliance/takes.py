"""Reading takes: WAV files whose left channel is the microphone, whose right is the drone as sent.

Everything that can be wrong with a file is found by :func:`open_take` before anything is heard,
and said in one sentence. Files are read in blocks; an hour never lies in memory.
"""

import stat
import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

import numpy as np
import soundfile
from numpy.typing import NDArray

from appliance.steady import HOP_S, STRETCH_S, Kind, is_drone_or_silence, stretches
from appliance.vocabulary import TakeError

Block = NDArray[np.float32]

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 16000, 192000  # as in settings
_LOUDEST = 100.0  # a float file 40 dB over full scale holds integers or rubbish, not sound
_CHECK_BLOCK_S = 10.0
_MOST_STRETCHES = 100  # enough to know a drone; in a longer take they lie further apart
_NOT_WAV = "is no WAV file: save the take as WAV, 16, 24 or 32-bit or float"
_UNKNOWN_SIZE = 0xFFFFFFFF  # in an RF64 file: see the ds64 chunk (EBU Tech 3306)


@dataclass(frozen=True)
class Take:
    """A WAV that has passed every check."""

    path: Path
    sample_rate_hz: int
    frames: int
    channels: int

    @property
    def seconds(self) -> float:
        """How long it lasts."""
        return self.frames / self.sample_rate_hz

    def blocks(self, frames: int = 8192) -> Iterator[tuple[Block, Block | None]]:
        """Microphone and sent drone (``None`` in a mono take), each shape (≤ frames,), in order.

        Raises TakeError if the file has become unreadable.
        """
        for block in _read(self.path, frames):
            yield block[:, 0], block[:, 1] if self.channels == 2 else None


def open_take(path: Path) -> Take:
    """Check a whole file and return it as a take; raises TakeError with what to do about it."""
    _check_container(path)
    try:
        info = soundfile.info(str(path))
    except (soundfile.SoundFileError, OSError) as error:
        raise TakeError(f"{_shown(path)} {_NOT_WAV}") from error
    take = Take(path, info.samplerate, info.frames, info.channels)
    _check_format(take)
    _check_sound(take)
    return take


def _shown(path: Path) -> str:
    """The path as one printable line."""
    text = str(path)
    return text if text.isprintable() else repr(text)


def _check_container(path: Path) -> None:
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise TakeError(f"{_shown(path)} is a directory: name one WAV file in it")
        if not stat.S_ISREG(mode):
            raise TakeError(f"{_shown(path)} {_NOT_WAV}")
        with path.open("rb") as file:
            _check_chunks(path, file, path.stat().st_size)
    except FileNotFoundError:
        raise TakeError(f"{_shown(path)} does not exist: check the name of the take") from None
    except PermissionError:
        raise TakeError(f"{_shown(path)} may not be read: ask its owner for permission") from None
    except (OSError, ValueError) as error:
        raise TakeError(f"{_shown(path)} cannot be read ({error}): name another file") from error


def _check_chunks(path: Path, file: BinaryIO, size: int) -> None:
    """Walk the chunks: libsndfile reads a file that was cut off without a word."""
    if size == 0:
        raise TakeError(f"{_shown(path)} is empty: record or copy the take again")
    head = file.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64") or head[8:] != b"WAVE":
        whole_head = head[:4] == b"RIFF"[: len(head)] and len(head) < 12
        raise TakeError(_cut_off(path) if whole_head else f"{_shown(path)} {_NOT_WAV}")
    declared = struct.unpack("<I", head[4:8])[0]
    # One byte of padding may be missing at the very end.
    if head[:4] == b"RIFF" and declared + 8 > size + 1:
        raise TakeError(_cut_off(path))
    long_size, seen = _UNKNOWN_SIZE, set[bytes]()
    while len(header := file.read(8)) == 8:
        name, length = header[:4], struct.unpack("<I", header[4:])[0]
        seen.add(name)
        if name == b"ds64":
            long_size = struct.unpack("<Q", file.read(16)[8:].ljust(8, b"\0"))[0]
            length -= 16
        if name == b"data":
            _check_data(path, long_size if length == _UNKNOWN_SIZE else length, size - file.tell())
            break
        file.seek(length + length % 2, 1)
    if not {b"fmt ", b"data"} <= seen:
        raise TakeError(_cut_off(path))


def _check_data(path: Path, declared: int, left: int) -> None:
    if declared == 0:
        raise TakeError(f"{_shown(path)} holds no sound: record the take again")
    if declared > left:
        raise TakeError(_cut_off(path))


def _cut_off(path: Path) -> str:
    return f"{_shown(path)} is cut off: copy the take again, or record it again"


def _check_format(take: Take) -> None:
    name = _shown(take.path)
    if take.channels > 2:
        raise TakeError(
            f"{name} has {take.channels} channels: a take has the microphone on the left and, "
            "if there was one, the drone on the right"
        )
    if not LOWEST_RATE_HZ <= take.sample_rate_hz <= HIGHEST_RATE_HZ:
        raise TakeError(
            f"{name} has {take.sample_rate_hz} samples a second: record at "
            f"{LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ}, best at 44100 or 48000"
        )
    if take.frames == 0:
        raise TakeError(f"{name} holds no sound: record the take again")


def _check_sound(take: Take) -> None:
    """Read all of it once: every sample a number, and the right channel a drone or silence."""
    name, rate = _shown(take.path), take.sample_rate_hz
    hop_s = max(HOP_S, take.seconds / _MOST_STRETCHES)
    kinds, frames = Counter[Kind](), 0
    length, overlap = round(_CHECK_BLOCK_S * rate), round(STRETCH_S * rate)
    for block in _read(take.path, length, overlap):
        frames += len(block) if frames == 0 else len(block) - overlap
        if not np.all(np.isfinite(block)):
            raise TakeError(f"{name} holds samples that are no numbers: export it again")
        if np.max(np.abs(block)) > _LOUDEST:
            raise TakeError(f"{name} is far beyond full scale: export it with samples within ±1")
        if take.channels == 2:
            kinds.update(stretches(block[:, 1], rate, hop_s))
    if frames < take.frames:
        raise TakeError(_cut_off(take.path))
    if not is_drone_or_silence(kinds):
        raise TakeError(
            f"the right channel of {name} is neither silent nor a steady drone: put the drone as "
            "it was sent there, or save the microphone alone in mono"
        )


def _read(path: Path, frames: int, overlap: int = 0) -> Iterator[Block]:
    """Blocks of shape (≤ frames, channels)."""
    try:
        with soundfile.SoundFile(str(path)) as file:
            yield from file.blocks(frames, overlap, dtype="float32", always_2d=True)
    except (soundfile.SoundFileError, OSError) as error:
        raise TakeError(f"{_shown(path)} cannot be read to its end: copy the take again") from error
