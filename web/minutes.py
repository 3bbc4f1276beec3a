"""The time line of a sitting as the geometry of a drawing: every minute is a line, read like text.

In a line time runs from left to right, and a note is a stroke as long as it sounded, the higher the
pitch the higher it lies. Its weight says what became of it, as in the diary of a week. Below runs
the drone, solid while it sounded and broken where the player went on without it. A round is a
shaded stretch, a pause a hatched one. Minutes without a note are only counted.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from appliance.log.kinds import Kind
from appliance.log.timeline import (
    DroneSpan,
    PauseSpan,
    PlayedNote,
    RoundSpan,
    Sounding,
    Timeline,
)
from appliance.log.weeks import Landing
from appliance.tuning import midi_of
from appliance.vocabulary import Call

LINE_S = 60.0
PER_SECOND = 5.0  # units of the drawing
WIDTH = LINE_S * PER_SECOND
CALL_Y, TOP_Y, LOW_Y, DRONE_Y, HEIGHT = 4.0, 10.0, 33.0, 39.0, 42.0
SHORTEST = 1.5  # so that a note of any length is seen
FEWEST_SEMITONES = 12.0  # from the lowest place to the highest: a semitone is never a leap
LINES_A_PART = 60  # an hour of playing; a longer sitting has several parts
STROKES_A_PART = 1500  # a stroke takes some 15 bytes

APART = "apart"  # heard, and not counted
JUDGED = (Kind.ORDINARY, Kind.IN_ROUND)  # notes whose outcome is drawn
_CALLS = {Call.FLAT: "v5m-2-2l2 2l2-2", Call.SHARP: "v-5m-2 2l2-2l2 2", Call.IN_TUNE: "m-3 0h6"}

Span = DroneSpan | RoundSpan | PauseSpan


@dataclass(frozen=True, slots=True)
class Line:
    """One minute: paths in SVG's own language, stretches as left edge and width.

    ``silent_before`` counts the minutes without a note between this line and the one before.
    """

    index: int  # minutes since the one in which the sitting began
    begins_wall_s: float
    silent_before: int
    strokes: dict[str, str]  # outcome, or APART -> path
    calls: str
    drone: str
    without: str
    rounds: tuple[tuple[float, float], ...]
    pauses: tuple[tuple[float, float], ...]
    begun: tuple[Span, ...]  # what begins in this minute, in its order
    notes: tuple[PlayedNote, ...]  # that end in it


@dataclass(frozen=True, slots=True)
class Part:
    """Some lines of a sitting: part ``number`` of ``parts``, counted from 1."""

    number: int
    parts: int
    lines: tuple[Line, ...]


def draw_part(timeline: Timeline, number: int) -> Part:
    """Draw one part of a sitting; a number that there is not gives the nearest part."""
    pen = _Pen(timeline)
    parts = list(_parts(sorted(pen.minutes()), pen)) or [[]]
    number = min(max(1, number), len(parts))
    shown = parts[number - 1]
    before = [parts[number - 2][-1] if number > 1 else -1, *shown]
    lines = (pen.line(index, index - last - 1) for last, index in zip(before, shown, strict=False))
    return Part(number, len(parts), tuple(lines))


def _parts(minutes: Sequence[int], pen: "_Pen") -> Iterator[list[int]]:
    """Part the minutes so that no page grows long or heavy."""
    part: list[int] = []
    strokes = 0
    for minute in minutes:
        strokes += pen.strokes_in(minute)
        if part and (len(part) == LINES_A_PART or strokes > STROKES_A_PART):
            yield part
            part, strokes = [], pen.strokes_in(minute)
        part.append(minute)
    if part:
        yield part


class _Pen:
    """Draws the minutes of one sitting, all in the same heights."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._shift_s = timeline.sitting.started_at.wall_s % LINE_S
        self._spans: tuple[Span, ...] = (*timeline.drones, *timeline.rounds, *timeline.pauses)
        self._y = _Heights(timeline.notes)
        self._sounding: dict[int, list[PlayedNote]] = defaultdict(list)
        for note in timeline.notes:
            for index in range(self._minute(note.begins_s), self._minute(note.ends_s) + 1):
                self._sounding[index].append(note)

    def minutes(self) -> set[int]:
        """In which minutes, since the first, there is something to show."""
        return {*self._sounding, *(self._minute(span.begins_s) for span in self._spans)}

    def strokes_in(self, index: int) -> int:
        """How many strokes a minute has."""
        return len(self._sounding.get(index, ()))

    def line(self, index: int, silent_before: int) -> Line:
        """Draw one minute."""
        notes = self._sounding[index]
        ended = tuple(note for note in notes if self._minute(note.ends_s) == index)
        begun = [span for span in self._spans if self._minute(span.begins_s) == index]
        start = self._timeline.sitting.started_at
        return Line(
            index=index,
            begins_wall_s=start.wall_s - self._shift_s + index * LINE_S,
            silent_before=silent_before,
            strokes=self._strokes(notes, index),
            calls="".join(self._calls(ended, index)),
            drone=self._drone(Sounding.ON, index),
            without=self._drone(Sounding.WITHOUT, index),
            rounds=tuple(self._stretches(self._timeline.rounds, index)),
            pauses=tuple(self._stretches(self._timeline.pauses, index)),
            begun=tuple(sorted(begun, key=lambda span: span.begins_s)),
            notes=ended,
        )

    def _minute(self, seconds: float) -> int:
        return int((seconds + self._shift_s) // LINE_S)

    def _x(self, seconds: float, index: int) -> float:
        across = (seconds + self._shift_s - index * LINE_S) * PER_SECOND
        return round(min(max(0.0, across), WIDTH), 1)

    def _strokes(self, notes: Iterable[PlayedNote], index: int) -> dict[str, str]:
        paths: dict[str, list[str]] = defaultdict(list)
        for note in notes:
            left, right = self._x(note.begins_s, index), self._x(note.ends_s, index)
            hz = note.settled_hz
            y = LOW_Y if hz is None else self._y(midi_of(hz))
            width = max(SHORTEST, right - left)
            paths[outcome_of(note)].append(f"M{left:g} {y:g}h{width:.3g}")
        return {name: "".join(parts) for name, parts in sorted(paths.items())}

    def _calls(self, notes: Iterable[PlayedNote], index: int) -> Iterator[str]:
        for note in notes:
            if note.call is not None:
                yield f"M{self._x(note.ends_s, index):g} {CALL_Y:g}{_CALLS[note.call]}"

    def _drone(self, sounding: Sounding, index: int) -> str:
        spans = [span for span in self._timeline.drones if span.sounding is sounding]
        return "".join(
            f"M{left:g} {DRONE_Y:g}h{width:g}" for left, width in self._stretches(spans, index)
        )

    def _stretches(self, spans: Sequence[Span], index: int) -> Iterator[tuple[float, float]]:
        for span in spans:
            if self._minute(span.begins_s) <= index <= self._minute(span.ends_s):
                left, right = self._x(span.begins_s, index), self._x(span.ends_s, index)
                yield left, round(right - left, 1)


class _Heights:
    """Turns a pitch into a height; the whole sitting has one scale."""

    def __init__(self, notes: Iterable[PlayedNote]) -> None:
        pitches = [midi_of(hz) for note in notes if (hz := note.settled_hz)] or [69.0]
        spare = max(0.0, FEWEST_SEMITONES - (max(pitches) - min(pitches)))
        self._low, self._high = min(pitches) - spare / 2, max(pitches) + spare / 2

    def __call__(self, midi: float) -> float:
        share = (midi - self._low) / (self._high - self._low)
        return round(LOW_Y - share * (LOW_Y - TOP_Y), 1)


def outcome_of(note: PlayedNote) -> str:
    """Return how a note is drawn: by its outcome where it has one that counts, else apart."""
    if note.kind in JUDGED and isinstance(note.found, Landing):
        return note.found.outcome.value
    return APART
