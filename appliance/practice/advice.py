"""Which drone to choose for a passage, and why: all twelve notes, ranked. Pure and deterministic.

How hard a note is to tune over a drone has two parts, since roughness alone does not tell. A unison
is smooth, but its beats are slow; a major third is rougher and beats five times as fast per cent.

- *Rough*: r / (1 + r) for roughness r, from 0 to 1.
- *Slow*: the partials that meet at the pure interval n:d, n of the drone and d of the note, beat as
  soon as the note is off. With c the cents of error that beat once a second, over the strength of
  the weaker partial: c / (10 + c), from 0 to 1. Ten cents is the usual band.

Where the target is not the pure pitch (a tempered third) *slow* is 1: silence of the beats would
lead astray. Where no pitch is free of beats (second, tritone, seventh) it is 2, so that such a note
is always harder than a third, a fourth or a fifth (common practice, no source). The two scales are
our own choice; only the formula of roughness has a source.

A drone is as hard as the notes over it on average, judged as their bass; that a drone is the bass
of what is played over it is common practice, no source.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

import numpy as np

from appliance.practice.roughness import roughness, strength
from appliance.practice.tone import HIGHEST_MIDI, LOUDSPEAKER_FROM_HZ
from appliance.tuning import (
    CENTS_PER_OCTAVE,
    UNGRADED_CENTS,
    beat_hz,
    cents,
    note_hz,
    note_name,
    pure_ratio,
    target,
)

_HALF_SLOW_CENTS = 10.0  # the usual band: an error that size beats once a second
_ASTRAY, _NEVER_FREE = 1.0, 2.0


class Own(StrEnum):
    """What the drone already sounds of a note: where their partials meet."""

    OCTAVE = "octave"  # at the note itself, or octaves above it
    FIFTH = "fifth"  # at its twelfth, or octaves above that


@dataclass(frozen=True, slots=True)
class Meeting:
    """The partials that are one at the pure interval ``ratio``, of a note over a drone of that Hz.

    Of all pairs that meet it is the lowest that a small loudspeaker can play.
    """

    ratio: Fraction
    drone_hz: float

    @property
    def of_drone(self) -> int:
        """The number of the drone's partial."""
        return self._pair * self.ratio.numerator

    @property
    def of_note(self) -> int:
        """The number of the note's partial."""
        return self._pair * self.ratio.denominator

    @property
    def _pair(self) -> int:
        return math.ceil(LOUDSPEAKER_FROM_HZ / (self.ratio.numerator * self.drone_hz))

    @property
    def pure_hz(self) -> float:
        """Where the note stands without beats."""
        return self.drone_hz * float(self.ratio)

    @property
    def beats_per_cent_hz(self) -> float:
        """How fast the two beat when the note is one cent sharp."""
        return self.beats_hz(self.pure_hz * 2.0 ** (1.0 / CENTS_PER_OCTAVE))

    def beats_hz(self, played_hz: float) -> float:
        """How fast the two beat."""
        return self._pair * beat_hz(played_hz, self.drone_hz, self.ratio)

    @property
    def own(self) -> Own | None:
        """Which of the note's own sounds it is: partial 2^i is an octave, 3 · 2^i a fifth."""
        odd = self.ratio.denominator
        while odd % 2 == 0:
            odd //= 2
        return {1: Own.OCTAVE, 3: Own.FIFTH}.get(odd)

    @property
    def slow(self) -> float:
        """How hard its beats are to hear, from 0 (fast and strong) to 1."""
        weaker = strength(max(self.of_drone, self.of_note))
        faint_cents = 1.0 / (self.beats_per_cent_hz * weaker)
        return faint_cents / (_HALF_SLOW_CENTS + faint_cents)


@dataclass(frozen=True, slots=True)
class NoteAdvice:
    """One note of the passage over one drone.

    ``target_hz`` is the middle of the target where that is a span; ``meeting`` is ``None`` where no
    pitch is free of beats; ``roughness`` is Sethares', at the target.
    """

    midi: int
    count: int
    semitones: int  # above the drone
    target_hz: float
    roughness: float
    meeting: Meeting | None

    @property
    def name(self) -> str:
        """Scientific pitch name."""
        return note_name(self.midi)

    @property
    def beats_at_target_hz(self) -> float | None:
        """How fast it beats where it is right: about 0, or what a tempered target asks for."""
        return None if self.meeting is None else self.meeting.beats_hz(self.target_hz)

    @property
    def tempered(self) -> bool:
        """Whether it is right where it beats: farther from pure than anybody plays exactly."""
        meeting = self.meeting
        return meeting is not None and (
            abs(cents(self.target_hz, meeting.pure_hz)) > UNGRADED_CENTS
        )

    @property
    def why(self) -> str:
        """How it meets the drone, in a sentence without its full stop."""
        meeting = self.meeting
        if meeting is None:
            return "no pitch of it is free of beats, so nothing falls still when it is right"
        words = (
            f"partial {meeting.of_note} of the note meets partial {meeting.of_drone} of the drone; "
            f"10 cents off beat {10.0 * meeting.beats_per_cent_hz:.1f} times a second"
        )
        if self.tempered:
            at_target_hz = self.beats_at_target_hz
            words += f", and it beats {at_target_hz:.1f} times a second where it is right"
        return words + (f"; its own {meeting.own} sounds in the drone" if meeting.own else "")

    @property
    def hardness(self) -> float:
        """How hard it is to tune, from 0 to 3: *rough* and *slow*."""
        return self.roughness / (1.0 + self.roughness) + self._slow

    @property
    def _slow(self) -> float:
        if self.meeting is None:
            return _NEVER_FREE
        return _ASTRAY if self.tempered else self.meeting.slow


@dataclass(frozen=True, slots=True)
class DroneAdvice:
    """A drone, in the octave to sound it in, and each note over it there, lowest first.

    ``hardness`` is the mean over all notes played, with the drone as their bass.
    """

    midi: int
    hz: float
    hardness: float
    notes: tuple[NoteAdvice, ...]

    @property
    def name(self) -> str:
        """Scientific pitch name."""
        return note_name(self.midi)


def advise(
    passage: Mapping[int, int], *, a4_hz: float, tuning: str = "just"
) -> tuple[DroneAdvice, ...]:
    """Rank the twelve notes as drones for a passage, the easiest to tune to first.

    ``passage`` says how often each note (MIDI) is played; ``tuning`` is one of ``tuning.TUNINGS``,
    with the drone as its tonic. Raises ValueError when the passage is empty.
    """
    if not passage:
        raise ValueError("there is no note to choose a drone for")
    drones = (_drone(pitch_class, passage, a4_hz, tuning) for pitch_class in range(12))
    return tuple(sorted(drones, key=lambda drone: (drone.hardness, drone.midi % 12)))


def _drone(pitch_class: int, passage: Mapping[int, int], a4_hz: float, tuning: str) -> DroneAdvice:
    """Judge a drone as the bass, sound it there or in the lowest octave that can be heard.

    It can be heard where a small loudspeaker plays it from its octave on: the ear adds the root.

    All twelve are judged in the same place, from one to two octaves below the lowest note: a note
    below its drone makes the inverted interval, which would rank a third of the key like its tonic.
    """
    octave_below = min(passage) - 12
    bass = octave_below - (octave_below - pitch_class) % 12
    sounded = bass
    while 2.0 * note_hz(sounded, a4_hz) < LOUDSPEAKER_FROM_HZ:
        sounded += 12
    while sounded > HIGHEST_MIDI:
        sounded -= 12
    hz = note_hz(sounded, a4_hz)
    targets_hz = {midi: _target_hz(midi, hz, a4_hz, tuning) for midi in sorted(passage)}
    judged = _over(bass, note_hz(bass, a4_hz), passage, targets_hz)
    return DroneAdvice(
        midi=sounded,
        hz=hz,
        hardness=math.fsum(n.count * n.hardness for n in judged) / sum(passage.values()),
        notes=judged if sounded == bass else _over(sounded, hz, passage, targets_hz),
    )


def _over(
    drone_midi: int, drone_hz: float, passage: Mapping[int, int], targets_hz: Mapping[int, float]
) -> tuple[NoteAdvice, ...]:
    """Look at each note over a drone; its target is the same over any octave of the drone."""
    rough = roughness(drone_hz, np.array(list(targets_hz.values())))
    return tuple(
        NoteAdvice(
            midi=midi,
            count=passage[midi],
            semitones=midi - drone_midi,
            target_hz=hz,
            roughness=r,
            meeting=_meeting(midi - drone_midi, drone_hz),
        )
        for (midi, hz), r in zip(targets_hz.items(), rough.tolist(), strict=True)
    )


def _target_hz(midi: int, drone_hz: float, a4_hz: float, tuning: str) -> float:
    aim = target(note_hz(midi, a4_hz), a4_hz=a4_hz, reference_hz=drone_hz, tuning=tuning)
    return math.sqrt(aim.low_hz * aim.high_hz)


def _meeting(semitones: int, drone_hz: float) -> Meeting | None:
    ratio = pure_ratio(semitones)
    return None if ratio is None else Meeting(ratio, drone_hz)
