"""What a played note really is: Praat's autocorrelation on the dry tone, by the definition.

The landing is the median from the first stability to 200 ms later, to the correction, or to the
note's end; over one whole cycle where vibrato already runs. The settled pitch is the rest.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import parselmouth
from numpy.typing import NDArray

from appliance.vocabulary import Arrival

Audio = NDArray[np.float64]

_SHORTEST_MEASURABLE_S = 0.25
_LANDING_S = 0.2


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
    vibrato_phase: float = 0.0  # radians, where it begins
    swell_db: float = 0.0  # how far it has risen or fallen in its middle; no new note
    bow_turn_db: float = 0.0  # a short dip too small to be a re-articulation; no new note
    level_db: float = 0.0
    release_s: float = 0.1
    natural: bool = False  # leave the recording's own vibrato in

    @property
    def landing_hz(self) -> float:
        return hz_of(self.midi + self.landing_cents / 100)

    @property
    def settled_hz(self) -> float:
        return hz_of(self.midi + self.settled_cents / 100)


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


def hz_of(midi: float) -> float:
    return float(440.0 * 2.0 ** ((midi - 69.0) / 12.0))


def cents_between(hz: float, reference_hz: float) -> float:
    return float(1200.0 * np.log2(hz / reference_hz))


def half_cosine(time: Audio, begin: float, length: float) -> Audio:
    """From 0 to 1 along half a cosine; ``time`` rises."""
    out = np.zeros(len(time))
    first, last = np.searchsorted(time, [begin, begin + length])
    out[last:] = 1.0
    out[first:last] = 0.5 - 0.5 * np.cos(np.pi * (time[first:last] - begin) / length)
    return out


def praat(audio: Audio, rate_hz: float, near_hz: float, step_s: float) -> tuple[Audio, Audio]:
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


def truths_of(
    audio: Audio, plan: Sequence[PlannedNote], starts: Sequence[float], rate: float
) -> list[Truth]:
    return [_truth(audio, note, start, rate) for note, start in zip(plan, starts, strict=True)]


def _truth(audio: Audio, note: PlannedNote, start: float, rate: float) -> Truth:
    end = start + note.duration_s
    at = max(int((start - 0.05) * rate), 0)
    times, hz = praat(audio[at : int((end + 0.05) * rate)], rate, note.landing_hz, 0.005)
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
    # moving pitch is never "stable": it counts from where Praat's window (4.3 periods) is clear of
    # the attack and of the note before
    clear = start + 0.05 + 2.2 / note.landing_hz
    stable = clear if moves or note.natural else _first_stable(times, hz)
    corrected = note.correct_at_s
    close = stable + _LANDING_S
    if moves:
        close = stable + 1.0 / note.vibrato_hz
    elif note.vibrato_cents:
        close = min(close, max(start + note.vibrato_after_s, stable + 0.03))
    if corrected is not None:
        close = min(close, start + corrected + 0.01)
    window = (times >= stable) & (times <= close)
    landing = note.landing_hz
    if moves and close <= times[-1]:
        landing = _mean_between(times, hz, stable, close)
    elif window.sum() >= 3:
        landing = float((np.mean if note.natural else np.median)(hz[window]))
    rest = times > (close if corrected is None else start + corrected + note.correct_s)
    if rest.sum() < 10:
        return landing, landing if corrected is None else note.settled_hz
    return landing, _mean_over_cycles(times[rest], hz[rest], note)


def _first_stable(times: Audio, hz: Audio) -> float:
    """The first moment from which 60 ms stay within 8 cents."""
    reach = 12  # frames of 5 ms
    for index in range(len(hz) - reach):
        if cents_between(hz[index : index + reach].max(), hz[index : index + reach].min()) < 8.0:
            return float(times[index])
    return float(times[0])


def _mean_over_cycles(times: Audio, hz: Audio, note: PlannedNote) -> float:
    if not note.vibrato_cents:
        return float(np.median(hz))
    cycle = 1.0 / note.vibrato_hz
    whole = np.floor((times[-1] - times[0]) / cycle) * cycle
    return _mean_between(times, hz, times[-1] - (whole or times[-1] - times[0]), times[-1])


def _mean_between(times: Audio, hz: Audio, begin: float, end: float) -> float:
    """Mean over just this stretch, between frames too: a frame more of a cycle is a cent off."""
    grid = begin + (np.arange(200) + 0.5) / 200 * (end - begin)
    return float(np.mean(np.interp(grid, times, hz)))
