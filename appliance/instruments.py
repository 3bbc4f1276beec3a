"""Ranges, strings and hand frames of the instruments: a pure table every room may read."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Instrument:
    """What the ear must know of an instrument; pitches are MIDI numbers at concert pitch."""

    name: str  # as on the command line: "double-bass"
    lowest: int
    highest: int
    strings: tuple[int, ...] = ()  # open strings, low to high; empty without strings
    frame_semitones: int | None = None  # first to fourth finger, one string; None: no hand frame
    slide: bool = False  # moves a slide (trombone)
