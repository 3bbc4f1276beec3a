"""Players for tests: a planned line, played by resampling recorded tones along a pitch path.

Each recording's own pitch is first tracked with Praat, so that its tuning error and its own
vibrato can be taken out (or left in: ``natural``).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np

from appliance.vocabulary import Arrival
from tests.lines import RANGES
from tests.soundfont import Recording, recordings
from tests.truths import (
    Audio,
    PlannedNote,
    Truth,
    cents_between,
    half_cosine,
    hz_of,
    praat,
    truths_of,
)

_PLATEAU_RMS = 0.06
_CROSSING_SEMITONES = 5  # a wider step changes the string, so the recording too


@dataclass(frozen=True)
class _Tone:
    """A recording ready to be played at any pitch, twice oversampled and looped without end."""

    root_hz: float
    audio: Audio  # twice the recording's rate, a few frames beyond the loop's end
    cycles: Audio  # the tone's own cycles at each frame of the unsampled recording, up to loop end
    loop_start: int
    loop_end: int
    plateau_hz: float

    def at(self, cycles: Audio) -> Audio:
        """The waveform where the tone has gone through so many of its own cycles."""
        first, last = self.cycles[self.loop_start], self.cycles[self.loop_end]
        over = np.maximum(np.floor((cycles - first) / (last - first)), 0.0)
        grid = np.arange(len(self.cycles), dtype=np.float64)
        position = 2.0 * np.interp(cycles - over * (last - first), self.cycles, grid)
        return _interpolated(self.audio, position)


def _interpolated(audio: Audio, position: Audio) -> Audio:
    """Cubic (Catmull-Rom) interpolation; ``audio`` has two frames after in reserve."""
    whole = position.astype(np.int64)
    t = position - whole
    a, b, c, d = (audio[np.maximum(whole + k, 0)] for k in (-1, 0, 1, 2))
    return np.asarray(
        b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
    )


@cache
def _roots(instrument: str, font: str) -> dict[int, float]:
    """Root (Hz) of each recording that the font plays in the instrument's range, by its number."""
    low, high = RANGES[instrument]
    return {
        number: hz_of(r.root)
        for number, r in enumerate(recordings(instrument, font))
        if r.high_key >= low and r.low_key <= high
    }


def _nearest(instrument: str, font: str, natural: bool, hz: float) -> "_Tone":
    roots = _roots(instrument, font)
    number = min(roots, key=lambda number: abs(cents_between(roots[number], hz)))
    return _prepared(instrument, font, number, natural)


@cache
def _prepared(instrument: str, font: str, number: int, natural: bool) -> "_Tone":
    return _tone(recordings(instrument, font)[number], natural)


def _tone(recording: Recording, natural: bool) -> _Tone:
    audio = _from_onset(recording)
    cut = len(recording.audio) - len(audio)
    start, end = recording.loop_start - cut, recording.loop_end - cut
    loop = audio[start:end]
    turns = int(np.ceil(0.5 * recording.rate_hz / len(loop))) + 1
    unrolled = np.concatenate([audio[:end], np.tile(loop, turns)])
    times, hz = praat(unrolled, recording.rate_hz, hz_of(recording.root), 0.0025)
    grid = np.arange(end + 1) / recording.rate_hz
    plateau = float(np.median(hz[times > grid[start]]))
    if len(loop) < 0.05 * recording.rate_hz:  # a few periods: their length is the pitch
        plateau = round(plateau * len(loop) / recording.rate_hz) * recording.rate_hz / len(loop)
        hz = np.where(times > grid[start] - 0.01, plateau, hz)
    own = np.interp(grid, times, hz)
    # The attack keeps its own way in, for as long as Praat's window still reaches back before it.
    held = int(min(0.06, 12.0 / hz_of(recording.root)) * recording.rate_hz)
    held = min(held, start)
    own[:held] = own[held]
    if natural:
        own[:] = np.mean(own[start:])
    cycles = np.concatenate([[0.0], np.cumsum(own[:-1]) / recording.rate_hz])
    reserve = np.tile(loop, 1 + 64 // len(loop))[:64]
    level = _PLATEAU_RMS / np.sqrt(np.mean(unrolled[start:] ** 2))
    doubled = _doubled(np.concatenate([audio[:end], reserve])) * level
    return _Tone(hz_of(recording.root), doubled, cycles, start, end, plateau)


def _from_onset(recording: Recording) -> Audio:
    """The recording from 5 ms before it reaches −26 dB of its plateau: where the note begins."""
    hop = int(0.005 * recording.rate_hz)
    blocks = recording.audio[: len(recording.audio) // hop * hop].reshape(-1, hop)
    level = np.sqrt(np.mean(blocks**2, axis=1))
    plateau = np.sqrt(np.mean(recording.audio[recording.loop_start : recording.loop_end] ** 2))
    first = int(np.argmax(level > 0.05 * plateau))
    return recording.audio[max(first - 1, 0) * hop :]


def _doubled(audio: Audio) -> Audio:
    spectrum = np.fft.rfft(audio)
    return 2.0 * np.fft.irfft(spectrum, 2 * len(audio))


def render(
    plan: Sequence[PlannedNote],
    instrument: str,
    sample_rate: float,
    *,
    lead_in_s: float = 0.5,
    font: str = "fluid",
) -> tuple[Audio, list[Truth]]:
    """Play ``plan``: dry audio (n,) at ``sample_rate`` (plateau about −24 dBFS), and its truths."""
    starts = _starts(plan, lead_in_s)
    total = int((starts[-1] + plan[-1].duration_s + 1.0) * sample_rate)
    audio = np.zeros(total)
    for strand in _strands(plan):
        _play(audio, plan, starts, strand, instrument=instrument, font=font, rate=sample_rate)
    return audio, truths_of(audio, plan, starts, sample_rate)


def _starts(plan: Sequence[PlannedNote], lead_in_s: float) -> list[float]:
    starts: list[float] = []
    now = lead_in_s
    for index, note in enumerate(plan):
        if index and _connected(note):
            # a re-articulation begins where the sound is softest, a step or slide ends at the start
            now += note.join_s / 2 if note.arrival is Arrival.BOW else note.join_s
        elif index:
            now += note.gap_s + plan[index - 1].release_s
        starts.append(now)
        now += note.duration_s
    return starts


def _connected(note: PlannedNote) -> bool:
    return note.arrival is not Arrival.BOW or note.gap_s == 0.0


def _strands(plan: Sequence[PlannedNote]) -> list[tuple[int, int]]:
    """Runs of notes played on one recording: first and last index of each."""
    begins = [0] + [
        i for i in range(1, len(plan)) if not _connected(plan[i]) or _crosses(plan[i - 1], plan[i])
    ]
    return [(b, e - 1) for b, e in zip(begins, [*begins[1:], len(plan)], strict=True)]


def _crosses(before: PlannedNote, note: PlannedNote) -> bool:
    far = abs(note.midi - before.midi) > _CROSSING_SEMITONES
    return far and note.arrival is Arrival.STEP


def _play(
    audio: Audio,
    plan: Sequence[PlannedNote],
    starts: Sequence[float],
    strand: tuple[int, int],
    *,
    instrument: str,
    font: str,
    rate: float,
) -> None:
    first, last = strand
    crossed_in = first > 0 and _connected(plan[first])
    crossed_out = last + 1 < len(plan) and _connected(plan[last + 1])
    fade_in = plan[first].join_s if crossed_in else 0.003
    fade_out = plan[last + 1].join_s if crossed_out else plan[last].release_s
    begin = starts[first] - (fade_in if crossed_in else 0.0)
    end = starts[last] + plan[last].duration_s + fade_out
    at = int(begin * rate)
    time = (at + np.arange(int((end - begin) * rate))) / rate
    midi = _pitch_path(plan, starts, first, last, time)
    hz = 440.0 * 2.0 ** ((midi - 69.0) / 12.0)
    tone = _nearest(instrument, font, plan[first].natural, float(np.median(hz)))
    cycles = np.cumsum(hz) / rate
    if crossed_in:  # the bow is already on its way: no attack
        cycles += tone.cycles[min(tone.loop_start, len(tone.cycles) // 3)]
    gain = _gain_path(plan, starts, first, last, time)
    gain *= np.sin(np.pi / 2 * np.clip((time - begin) / fade_in, 0, 1))
    gain *= np.sin(np.pi / 2 * np.clip((end - time) / fade_out, 0, 1)) ** 2
    audio[at : at + len(time)] += tone.at(cycles) * gain


def _pitch_path(
    plan: Sequence[PlannedNote], starts: Sequence[float], first: int, last: int, time: Audio
) -> Audio:
    """Pitch of one strand in MIDI numbers at each ``time``."""
    path = np.full(len(time), plan[first].midi + plan[first].landing_cents / 100)
    for index in range(first, last + 1):
        note, start = plan[index], starts[index]
        if index > first:
            before = plan[index - 1]
            rise = note.midi - before.midi + (note.landing_cents - before.settled_cents) / 100
            path += rise * half_cosine(time, *_way(note, start))
        if note.correct_at_s is not None:
            change = (note.settled_cents - note.landing_cents) / 100
            path += change * half_cosine(time, start + note.correct_at_s, note.correct_s)
        if note.vibrato_cents:
            path += _vibrato_path(note, start, time)
    return path


def _way(note: PlannedNote, start: float) -> tuple[float, float]:
    """When the pitch begins to move to a note, and for how long.

    A slide takes all of the join; a finger that falls moves the pitch in the middle half of it;
    a new bow hides the move in its dip.
    """
    if note.arrival is Arrival.SLIDE:
        return start - note.join_s, note.join_s
    if note.arrival is Arrival.STEP:
        return start - 0.75 * note.join_s, 0.5 * note.join_s
    return start - min(note.join_s, 0.02) / 2, min(note.join_s, 0.02)


def _vibrato_path(note: PlannedNote, start: float, time: Audio) -> Audio:
    begin, end = start + note.vibrato_after_s, start + note.duration_s
    depth = np.clip((time - begin) / (0.15 if note.vibrato_after_s else 0.03), 0.0, 1.0)
    depth = depth * np.clip((end + note.release_s - time) / 0.02, 0.0, 1.0)
    turn = 2 * np.pi * note.vibrato_hz * (time - begin) + note.vibrato_phase
    inside = (time >= begin) & (time <= end)
    return np.asarray(np.where(inside, note.vibrato_cents / 100 * depth * np.sin(turn), 0.0))


def _gain_path(
    plan: Sequence[PlannedNote], starts: Sequence[float], first: int, last: int, time: Audio
) -> Audio:
    level = np.full(len(time), plan[first].level_db)
    for index in range(first, last + 1):
        note, start = plan[index], starts[index]
        _swell(level, note, start, time)
        if index == first:
            continue
        middle = start if note.arrival is Arrival.BOW else start - note.join_s / 2
        level += (note.level_db - plan[index - 1].level_db) * half_cosine(
            time, middle - note.join_s / 2, note.join_s
        )
        _bump(level, time, middle - note.join_s / 2, note.join_s, -note.dip_db)
    return np.asarray(10.0 ** (level / 20.0))


def _swell(level: Audio, note: PlannedNote, start: float, time: Audio) -> None:
    """A swell over the whole note; a bow that turns without a new attack."""
    _bump(level, time, start, note.duration_s, note.swell_db)
    if note.bow_turn_db:
        _bump(level, time, start + 0.6 * note.duration_s, 0.06, -note.bow_turn_db)


def _bump(level: Audio, time: Audio, begin: float, length: float, height_db: float) -> None:
    """Add to ``level`` one turn of a raised cosine."""
    inside = slice(*np.searchsorted(time, [begin, begin + length]))
    way = (time[inside] - begin) / length
    level[inside] += height_db * (0.5 - 0.5 * np.cos(2 * np.pi * way))
