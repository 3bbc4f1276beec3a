"""Takes with known truth, built from recorded tones: the tests' players and rooms.

A planned line is played by resampling recorded tones along a pitch path. Each recording's own
pitch is first tracked with Praat, so that its tuning error and its own vibrato can be taken out
(or left in: ``natural``). The truth of a note is what was planned, and beside it what Praat's
autocorrelation reads on the dry tone, by the definition of the landing: the median from the first
stability to 200 ms later, to the correction, or to the end; over one whole cycle with vibrato.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import parselmouth
from numpy.typing import NDArray

from appliance.vocabulary import Arrival, HeardNote
from tests.soundfont import Recording, recordings

Audio = NDArray[np.float64]

RANGES = {  # MIDI, where the recordings sound like the instrument (common practice, no source)
    "violin": (55, 88),
    "viola": (48, 79),
    "cello": (36, 69),
    "double-bass": (28, 57),
    "trombone": (40, 68),
    "voice": (50, 76),
    "flute": (60, 88),
    "oboe": (59, 84),
    "clarinet": (50, 76),
    "bassoon": (36, 65),
    "horn": (42, 72),
}
STYLES = ("slow", "detached", "legato", "slides", "corrected", "vibrato", "rearticulated", "mixed")

_PLATEAU_RMS = 0.06
_SHORTEST_MEASURABLE_S = 0.25
_LANDING_S = 0.2
_CROSSING_SEMITONES = 5  # a wider step changes the string, so the recording too


@dataclass(frozen=True)
class PlannedNote:
    """What a player means to do. Cents count from equal temperament at A4 = 440 Hz."""

    midi: int
    landing_cents: float = 0.0
    settled_cents: float = 0.0
    duration_s: float = 1.0  # from the note's start to its end, without the way to the next
    arrival: Arrival = Arrival.BOW
    gap_s: float = 0.3  # silence before a bow; 0: re-articulation without silence
    join_s: float = 0.05  # length of a step, slide or re-articulation
    dip_db: float = 0.0  # how far the sound falls in the middle of the join
    correct_at_s: float | None = None  # after the start
    correct_s: float = 0.2
    vibrato_hz: float = 0.0
    vibrato_cents: float = 0.0
    vibrato_after_s: float = 0.0
    level_db: float = 0.0
    release_s: float = 0.1
    natural: bool = False  # leave the recording's own vibrato in

    @property
    def landing_hz(self) -> float:
        return _hz(self.midi + self.landing_cents / 100)

    @property
    def settled_hz(self) -> float:
        return _hz(self.midi + self.settled_cents / 100)


@dataclass(frozen=True)
class Truth:
    """One note as it is: ``landing_hz`` and ``settled_hz`` by Praat, ``planned_*`` as meant."""

    start_s: float
    end_s: float
    landing_hz: float
    settled_hz: float
    planned_landing_hz: float
    planned_settled_hz: float
    arrival: Arrival
    slide_s: float | None
    vibrato_hz: float
    vibrato_cents: float
    measurable: bool
    plan: PlannedNote


def _hz(midi: float) -> float:
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def _cents(hz: float, reference_hz: float) -> float:
    return float(1200.0 * np.log2(hz / reference_hz))


# --- Planning -------------------------------------------------------------------------------


def plan_line(
    rng: np.random.Generator, instrument: str, count: int, style: str = "mixed"
) -> list[PlannedNote]:
    """A line of ``count`` notes in one of ``STYLES``; "slow" is detached and legato, no frills."""
    low, high = RANGES[instrument]
    midi = int(rng.integers(low + 3, high - 2))
    plan: list[PlannedNote] = []
    for index in range(count):
        kind = style if style != "mixed" else str(rng.choice(STYLES[1:-1]))
        plan.append(_note(rng, midi, kind, first=index == 0))
        step = int(rng.choice([-7, -5, -4, -3, -2, -2, -1, 1, 2, 2, 3, 4, 5, 7]))
        if not low <= midi + step <= high:
            step = -step
        midi += step
    return plan


def _note(rng: np.random.Generator, midi: int, kind: str, *, first: bool) -> PlannedNote:
    landing = float(rng.uniform(-40.0, 40.0))
    note = PlannedNote(
        midi=midi,
        landing_cents=landing,
        settled_cents=landing,
        duration_s=float(rng.uniform(0.5, 1.2)),
        gap_s=float(rng.uniform(0.15, 0.5)),
        level_db=float(rng.uniform(-4.0, 4.0)),
        release_s=float(rng.uniform(0.06, 0.15)),
    )
    if kind == "slow":
        note = replace(note, duration_s=float(rng.uniform(0.8, 1.5)))
        kind = "legato" if rng.random() < 0.4 else "detached"
    if kind == "corrected":
        note = _corrected(rng, note)
    if kind == "vibrato":
        note = replace(
            note,
            duration_s=float(rng.uniform(0.8, 1.6)),
            vibrato_hz=float(rng.uniform(5.5, 7.0)),
            vibrato_cents=float(rng.uniform(8.0, 25.0)),
            vibrato_after_s=float(rng.choice([0.0, 0.25, 0.35])),
        )
    return note if first else _joined(rng, note, kind)


def _corrected(rng: np.random.Generator, note: PlannedNote) -> PlannedNote:
    return replace(
        note,
        duration_s=float(rng.uniform(0.9, 1.5)),
        settled_cents=float(rng.uniform(-5.0, 5.0)),
        correct_at_s=float(rng.uniform(0.25, 0.5)),
        correct_s=float(rng.uniform(0.1, 0.3)),
    )


def _joined(rng: np.random.Generator, note: PlannedNote, kind: str) -> PlannedNote:
    if kind == "legato" or (kind in ("corrected", "vibrato") and rng.random() < 0.4):
        join, dip = float(rng.uniform(0.03, 0.08)), float(rng.uniform(2.0, 8.0))
        return replace(note, arrival=Arrival.STEP, join_s=join, dip_db=dip)
    if kind == "slides":
        join = float(rng.uniform(0.06, 0.15))
        return replace(note, arrival=Arrival.SLIDE, join_s=join, dip_db=2.0)
    if kind == "rearticulated":
        join, dip = float(rng.uniform(0.04, 0.08)), float(rng.uniform(6.0, 20.0))
        return replace(note, gap_s=0.0, join_s=join, dip_db=dip)
    return note


# --- Playing --------------------------------------------------------------------------------


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
    """Cubic (Catmull-Rom) interpolation; ``audio`` has one frame before and two after in reserve."""
    whole = position.astype(np.int64)
    t = position - whole
    a, b, c, d = (audio[np.maximum(whole + k, 0)] for k in (-1, 0, 1, 2))
    return np.asarray(
        b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
    )


def _praat(audio: Audio, rate_hz: float, near_hz: float, step_s: float) -> tuple[Audio, Audio]:
    """Times and Hz by Praat's autocorrelation (Boersma 1993), the octave being known."""
    sound = parselmouth.Sound(audio, rate_hz)
    pitch = sound.to_pitch_ac(
        time_step=step_s,
        pitch_floor=near_hz * 0.7,
        pitch_ceiling=near_hz * 1.6,
        silence_threshold=0.005,
        voicing_threshold=0.2,
    )
    hz = np.array(pitch.selected_array["frequency"], dtype=np.float64)
    return np.asarray(pitch.xs())[hz > 0], hz[hz > 0]


@cache
def _tones(instrument: str, natural: bool) -> tuple[_Tone, ...]:
    low, high = RANGES[instrument]
    return tuple(
        _tone(r, natural) for r in recordings(instrument) if r.high_key >= low and r.low_key <= high
    )


def _tone(recording: Recording, natural: bool) -> _Tone:
    audio = _from_onset(recording)
    cut = len(recording.audio) - len(audio)
    start, end = recording.loop_start - cut, recording.loop_end - cut
    loop = audio[start:end]
    turns = int(np.ceil(0.5 * recording.rate_hz / len(loop))) + 1
    unrolled = np.concatenate([audio[:end], np.tile(loop, turns)])
    times, hz = _praat(unrolled, recording.rate_hz, _hz(recording.root), 0.0025)
    grid = np.arange(end + 1) / recording.rate_hz
    plateau = float(np.median(hz[times > grid[start]]))
    if len(loop) < 0.05 * recording.rate_hz:  # a few periods: their length is the pitch
        plateau = round(plateau * len(loop) / recording.rate_hz) * recording.rate_hz / len(loop)
        hz = np.where(times > grid[start] - 0.01, plateau, hz)
    own = np.interp(grid, times, hz)
    held = int(min(0.06 * recording.rate_hz, start))  # the attack keeps its own way in
    own[:held] = own[held]
    if natural:
        own[:] = np.mean(own[start:])
    cycles = np.concatenate([[0.0], np.cumsum(own[:-1]) / recording.rate_hz])
    reserve = np.tile(loop, 1 + 64 // len(loop))[:64]
    level = _PLATEAU_RMS / np.sqrt(np.mean(unrolled[start:] ** 2))
    doubled = _doubled(np.concatenate([audio[:end], reserve])) * level
    return _Tone(_hz(recording.root), doubled, cycles, start, end, plateau)


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


def _nearest(tones: Sequence[_Tone], hz: float) -> _Tone:
    return min(tones, key=lambda tone: abs(_cents(tone.root_hz, hz)))


def render(
    plan: Sequence[PlannedNote], instrument: str, sample_rate: float, *, lead_in_s: float = 0.5
) -> tuple[Audio, list[Truth]]:
    """Play ``plan``: dry audio (n,) at ``sample_rate`` (plateau about −24 dBFS), and its truths."""
    starts = _starts(plan, lead_in_s)
    total = int((starts[-1] + plan[-1].duration_s + 1.0) * sample_rate)
    audio = np.zeros(total)
    for first, last in _strands(plan):
        _play(audio, plan, starts, first, last, instrument, sample_rate)
    return audio, _truths(audio, plan, starts, sample_rate)


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
    first: int,
    last: int,
    instrument: str,
    rate: float,
) -> None:
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
    tone = _nearest(_tones(instrument, plan[first].natural), float(np.median(hz)))
    cycles = np.cumsum(hz) / rate
    if crossed_in:  # the bow is already on its way: no attack
        cycles += tone.cycles[min(tone.loop_start, len(tone.cycles) // 3)]
    gain = _gain_path(plan, starts, first, last, time)
    gain *= np.sin(np.pi / 2 * np.clip((time - begin) / fade_in, 0, 1))
    gain *= np.sin(np.pi / 2 * np.clip((end - time) / fade_out, 0, 1)) ** 2
    audio[at : at + len(time)] += tone.at(cycles) * gain


def _ramp(time: Audio, begin: float, length: float) -> Audio:
    """From 0 to 1 along half a cosine."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip((time - begin) / length, 0.0, 1.0)))


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
            bowed = note.arrival is Arrival.BOW
            length = min(note.join_s, 0.02) if bowed else note.join_s
            path += rise * _ramp(time, start - (length / 2 if bowed else length), length)
        if note.correct_at_s is not None:
            change = (note.settled_cents - note.landing_cents) / 100
            path += change * _ramp(time, start + note.correct_at_s, note.correct_s)
        if note.vibrato_cents:
            path += _vibrato_path(note, start, time)
    return path


def _vibrato_path(note: PlannedNote, start: float, time: Audio) -> Audio:
    begin = start + note.vibrato_after_s
    depth = np.clip((time - begin) / (0.15 if note.vibrato_after_s else 0.01), 0.0, 1.0)
    depth = depth * np.clip((start + note.duration_s + note.release_s - time) / 0.02, 0.0, 1.0)
    turning = np.sin(2 * np.pi * note.vibrato_hz * (time - begin))
    inside = (time >= begin) & (time <= start + note.duration_s)
    return np.asarray(np.where(inside, note.vibrato_cents / 100 * depth * turning, 0.0))


def _gain_path(
    plan: Sequence[PlannedNote], starts: Sequence[float], first: int, last: int, time: Audio
) -> Audio:
    level = np.full(len(time), plan[first].level_db)
    for index in range(first + 1, last + 1):
        note, start = plan[index], starts[index]
        middle = start if note.arrival is Arrival.BOW else start - note.join_s / 2
        level += (note.level_db - plan[index - 1].level_db) * _ramp(
            time, middle - note.join_s / 2, note.join_s
        )
        away = np.clip(np.abs(time - middle) / (note.join_s / 2), 0.0, 1.0)
        level -= note.dip_db * (0.5 + 0.5 * np.cos(np.pi * away))
    return np.asarray(10.0 ** (level / 20.0))


# --- Truth ----------------------------------------------------------------------------------


def _truths(
    audio: Audio, plan: Sequence[PlannedNote], starts: Sequence[float], rate: float
) -> list[Truth]:
    return [_truth(audio, note, start, rate) for note, start in zip(plan, starts, strict=True)]


def _truth(audio: Audio, note: PlannedNote, start: float, rate: float) -> Truth:
    end = start + note.duration_s
    at = max(int((start - 0.05) * rate), 0)
    times, hz = _praat(audio[at : int((end + 0.05) * rate)], rate, note.landing_hz, 0.005)
    times = times + at / rate
    inside = (times >= start) & (times <= end)
    landing, settled = _landing_and_settled(times[inside], hz[inside], note, start)
    return Truth(
        start_s=start,
        end_s=end,
        landing_hz=landing,
        settled_hz=settled,
        planned_landing_hz=note.landing_hz,
        planned_settled_hz=note.settled_hz,
        arrival=note.arrival,
        slide_s=note.join_s if note.arrival is Arrival.SLIDE else None,
        vibrato_hz=note.vibrato_hz,
        vibrato_cents=note.vibrato_cents,
        measurable=note.duration_s >= _SHORTEST_MEASURABLE_S and bool(inside.sum() > 10),
        plan=note,
    )


def _landing_and_settled(
    times: Audio, hz: Audio, note: PlannedNote, start: float
) -> tuple[float, float]:
    """Hz by the definition; where Praat finds nothing stable the plan's own values."""
    if len(hz) < 11:
        return note.landing_hz, note.settled_hz
    moves = note.vibrato_cents > 0 and note.vibrato_after_s == 0.0
    stable = times[0] if moves or note.natural else _first_stable(times, hz)
    corrected = note.correct_at_s
    close = stable + _LANDING_S
    if moves:
        close = stable + 1.0 / note.vibrato_hz
    if corrected is not None:
        close = min(close, start + corrected + 0.01)
    window = (times >= stable) & (times <= close)
    middle = np.mean if moves or note.natural else np.median
    landing = float(middle(hz[window])) if window.sum() >= 3 else note.landing_hz
    rest = times > (close if corrected is None else start + corrected + note.correct_s)
    if rest.sum() < 10:
        return landing, landing if corrected is None else note.settled_hz
    return landing, _mean_over_cycles(times[rest], hz[rest], note)


def _first_stable(times: Audio, hz: Audio) -> float:
    """The first moment from which 60 ms stay within 8 cents."""
    reach = 12  # frames of 5 ms
    for index in range(len(hz) - reach):
        if _cents(hz[index : index + reach].max(), hz[index : index + reach].min()) < 8.0:
            return float(times[index])
    return float(times[0])


def _mean_over_cycles(times: Audio, hz: Audio, note: PlannedNote) -> float:
    if not note.vibrato_cents:
        return float(np.median(hz))
    cycle = 1.0 / note.vibrato_hz
    whole = np.floor((times[-1] - times[0]) / cycle) * cycle
    return float(np.mean(hz[times >= times[-1] - whole])) if whole else float(np.mean(hz))


# --- The room -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Room:
    """What lies between loudspeaker, player and microphone."""

    level_db: float = 0.0  # drone over player at the microphone, both RMS while they sound
    rt60_s: float = 0.4
    drift_ppm: float = 0.0
    distortion: float = 0.01  # share of the loudspeaker's harmonic distortion at its RMS level
    movement_db: float = -25.0  # how much of the drone's path wanders as people move
    noise_db: float = -60.0  # re full scale
    latency_s: float = 0.015
    player_direct_db: float = 10.0  # direct sound over reverberation


@dataclass(frozen=True)
class DroneSpan:
    """A stretch of drone; ``ratios`` above the root sound with it (3/2 for an added fifth)."""

    hz: float
    start_s: float = 0.0
    end_s: float = float("inf")
    ratios: tuple[float, ...] = ()
    partials: tuple[int, ...] = tuple(range(1, 13))


@dataclass(frozen=True)
class Scene:
    """A take with its truth: ``mic`` and ``sent`` as in a take's two channels, shape (n,)."""

    instrument: str
    sample_rate_hz: float
    dry: Audio
    mic: Audio
    sent: Audio | None
    truths: list[Truth]
    room: Room | None = None
    drone: tuple[DroneSpan, ...] = ()

    @property
    def seconds(self) -> float:
        return len(self.mic) / self.sample_rate_hz


def _smooth_length(n: int) -> int:
    """The next length that the FFT takes quickly: 2^a, 3 · 2^a or 5 · 2^a."""
    power = 1 << (n - 1).bit_length()
    return next(m for m in (power * 5 // 8, power * 3 // 4, power) if m >= n)


def _convolved(audio: Audio, response: Audio) -> Audio:
    n = _smooth_length(len(audio) + len(response))
    spectrum = np.fft.rfft(audio, n) * np.fft.rfft(response, n)
    return np.asarray(np.fft.irfft(spectrum, n)[: len(audio)])


def _response(
    rng: np.random.Generator, room: Room, rate: float, direct_db: float, delay_s: float
) -> Audio:
    """Direct sound and an exponentially decaying tail of noise."""
    n = int((room.rt60_s + delay_s) * rate) + 2
    time = np.arange(n) / rate
    tail = rng.standard_normal(n) * 10.0 ** (-3.0 * time / room.rt60_s)
    delay = int(delay_s * rate)
    tail = np.where(np.arange(n) > delay + int(0.002 * rate), tail, 0.0)
    tail *= 10.0 ** (-direct_db / 20.0) / np.sqrt(np.sum(tail**2))
    tail[delay] += 1.0
    return np.asarray(tail)


def drone_sound(
    spans: Sequence[DroneSpan], seconds: float, rate: float, *, drift_ppm: float = 0.0
) -> Audio:
    """The drone as sent, or, with a drift, as another clock samples it; RMS −24 dBFS, shape (n,)."""
    out = np.zeros(int(seconds * rate))
    warp = 1.0 + drift_ppm * 1e-6
    for span in spans:
        end = min(span.end_s, seconds)
        first, last = int(span.start_s * rate), int(end * rate)
        time = np.arange(first, last) / rate * warp
        sound = sum(_partials(span, ratio, time, rate) for ratio in (1.0, *span.ratios))
        sound *= 10.0 ** (-24.0 / 20.0) / np.sqrt(np.mean(sound**2))
        sound *= _ramp(time, span.start_s, 0.15) * (1.0 - _ramp(time, end - 0.15, 0.15))
        out[first:last] += sound
    return out


def _partials(span: DroneSpan, ratio: float, time: Audio, rate: float) -> Audio:
    """Harmonics of one root with set phases, by Horner's rule on e^(iφ): one sine for all."""
    root = span.hz * ratio
    turn = np.exp(2j * np.pi * root * time)
    total = np.zeros(len(time), dtype=np.complex128)
    for k in range(max(span.partials), 0, -1):
        if k in span.partials and k * root < min(8000.0, 0.45 * rate):
            total += 0.85**k * np.exp(1.7j * k * k)
        total *= turn
    return np.asarray(total.imag)


def _loudspeaker(sent: Audio, rate: float, distortion: float) -> Audio:
    """A small loudspeaker: 12 dB an octave below 150 Hz, and second and third order distortion."""
    n = _smooth_length(len(sent) + int(rate))
    ratio = np.fft.rfftfreq(n, 1 / rate) / 150.0
    shape = -(ratio**2) / (1.0 - ratio**2 + 1j * 1.41 * ratio)
    clean = np.fft.irfft(np.fft.rfft(sent, n) * shape, n)[: len(sent)]
    unit = clean / (np.std(clean) + 1e-12)
    return np.asarray(
        clean + distortion * np.std(clean) * (0.5 * (unit**2 - 1.0) + 0.3 * unit * np.abs(unit))
    )


def _wander(rng: np.random.Generator, n: int, rate: float) -> Audio:
    """A slow random walk of about one radian in a second, unit variance."""
    knots = rng.standard_normal(int(n / rate * 2) + 4)
    knots = np.convolve(knots, np.hanning(5)[1:-1], "same")
    return np.interp(np.arange(n), np.arange(len(knots)) * rate / 2, knots / np.std(knots))


def in_room(
    dry: Audio,
    drone: Sequence[DroneSpan] | float,
    room: Room,
    rate: float,
    rng: np.random.Generator,
) -> tuple[Audio, Audio]:
    """Microphone and sent drone (n,) of ``dry`` played against ``drone`` (spans, or one Hz)."""
    spans = [DroneSpan(drone)] if isinstance(drone, float | int) else list(drone)
    seconds = len(dry) / rate
    sent = drone_sound(spans, seconds, rate)
    sent = np.pad(sent, (0, max(0, len(dry) - len(sent))))[: len(dry)]
    heard = drone_sound(spans, seconds, rate, drift_ppm=room.drift_ppm)
    heard = np.pad(heard, (0, max(0, len(dry) - len(heard))))[: len(dry)]
    heard = _loudspeaker(heard, rate, room.distortion)
    still = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    wandering = _convolved(heard, _response(rng, room, rate, 0.0, room.latency_s))
    moved = 10.0 ** (room.movement_db / 20.0) * _wander(rng, len(dry), rate)
    at_mic = still + moved * wandering
    player = _convolved(dry, _response(rng, room, rate, room.player_direct_db, 0.0))
    at_mic *= _active_rms(player) / _active_rms(at_mic) * 10.0 ** (room.level_db / 20.0)
    noise = rng.standard_normal(len(dry)) * 10.0 ** (room.noise_db / 20.0)
    return player + at_mic + noise, sent


def _active_rms(audio: Audio) -> float:
    loud = audio[np.abs(audio) > 0.02 * np.abs(audio).max()]
    return float(np.sqrt(np.mean(loud**2)))


def scene(
    seed: int,
    instrument: str,
    count: int,
    style: str = "mixed",
    *,
    drone: Sequence[DroneSpan] | float | None = None,
    room: Room | None = None,
    sample_rate: float = 48000.0,
    lead_in_s: float = 0.5,
) -> Scene:
    """One reproducible take: without a room the microphone is the dry tone and a little noise."""
    rng = np.random.default_rng(seed)
    plan = plan_line(rng, instrument, count, style)
    dry, truths = render(plan, instrument, sample_rate, lead_in_s=lead_in_s)
    if drone is None:
        mic = dry + rng.standard_normal(len(dry)) * 10.0 ** (-70.0 / 20.0)
        return Scene(instrument, sample_rate, dry, mic, None, truths)
    room = room or Room()
    mic, sent = in_room(dry, drone, room, sample_rate, rng)
    spans = (DroneSpan(drone),) if isinstance(drone, float | int) else tuple(drone)
    return Scene(instrument, sample_rate, dry, mic, sent, truths, room, spans)


# --- Scoring --------------------------------------------------------------------------------


@dataclass
class Score:
    """Found against true; error lists in cents hold every matched, measurable note, wrong or not."""

    true: int = 0
    missed: list[Truth] = field(default_factory=list)
    invented: list[HeardNote] = field(default_factory=list)
    wrong: int = 0  # landing more than 50 cents off
    unmeasured: int = 0  # measurable, but said not to be
    guessed: int = 0  # not measurable, but given a landing
    landing_errors: list[float] = field(default_factory=list)
    settled_errors: list[float] = field(default_factory=list)
    onset_errors: list[float] = field(default_factory=list)
    true_offsets: list[float] = field(default_factory=list)  # landing from equal temperament
    arrivals_right: int = 0
    pairs: list[tuple[HeardNote, Truth]] = field(default_factory=list)

    @property
    def found(self) -> int:
        return self.true - len(self.missed)

    @property
    def found_share(self) -> float:
        return self.found / max(self.true, 1)

    @property
    def invented_share(self) -> float:
        return len(self.invented) / max(self.true, 1)

    def landing(self, percent: float = 50.0) -> float:
        """Percentile of the landing's absolute error in cents."""
        return float(np.percentile(np.abs(self.landing_errors), percent))

    def settled(self, percent: float = 50.0) -> float:
        return float(np.percentile(np.abs(self.settled_errors), percent))

    def slope(self) -> float:
        """Of measured against true offset from the semitone: 1 is right, 0 always "in tune"."""
        measured = np.add(self.true_offsets, self.landing_errors)
        return float(np.polyfit(self.true_offsets, measured, 1)[0])

    def add(self, other: "Score") -> None:
        """Pool another take's score into this one."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)

    def row(self) -> str:
        """One line for people."""
        return (
            f"{self.true:4d} notes  found {self.found_share:6.1%}  invented "
            f"{self.invented_share:5.1%}  wrong {self.wrong:3d}  unmeasured {self.unmeasured:3d}  "
            f"landing {self.landing():5.2f}/{self.landing(95):6.2f}  "
            f"settled {self.settled():5.2f}/{self.settled(95):6.2f}  "
            f"arrivals {self.arrivals_right / max(self.found, 1):4.0%}"
        )


def match(found: Sequence[HeardNote], truths: Sequence[Truth], tolerance_s: float = 0.1) -> Score:
    """Pair notes one to one by their starts, nearest first, within ``tolerance_s``."""
    near = sorted(
        (abs(note.start_s - truth.start_s), i, j)
        for i, note in enumerate(found)
        for j, truth in enumerate(truths)
        if abs(note.start_s - truth.start_s) <= tolerance_s
    )
    of_note: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in near:
        if i not in of_note and j not in taken:
            of_note[i] = j
            taken.add(j)
    score = Score(true=len(truths))
    score.missed = [t for j, t in enumerate(truths) if j not in taken]
    score.invented = [n for i, n in enumerate(found) if i not in of_note]
    for i, j in sorted(of_note.items()):
        _compare(score, found[i], truths[j])
    return score


def _compare(score: Score, note: HeardNote, truth: Truth) -> None:
    score.pairs.append((note, truth))
    score.onset_errors.append(note.start_s - truth.start_s)
    score.arrivals_right += note.arrival == truth.arrival
    if note.landing_hz is None or note.settled_hz is None:
        score.unmeasured += truth.measurable
        return
    if not truth.measurable:
        score.guessed += 1
        return
    error = _cents(note.landing_hz, truth.landing_hz)
    score.wrong += abs(error) > 50.0
    score.landing_errors.append(error)
    score.settled_errors.append(_cents(note.settled_hz, truth.settled_hz))
    score.true_offsets.append(_cents(truth.landing_hz, _hz(truth.plan.midi)))
