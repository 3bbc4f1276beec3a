"""The words that travel between rooms: frozen dataclasses, and the error classes.

Units stand in the names: ``_hz``, ``_cents``, ``_s`` (seconds), ``_db``. Pitch is always kept in
Hz; cents against a target are computed when somebody reads, never when something is heard.
"""

from dataclasses import dataclass, replace
from enum import StrEnum


class GroundnoteError(Exception):
    """Base of all errors meant for a person: the text is one sentence that says what to do next."""


class SettingsError(GroundnoteError):
    """A settings file has an unknown key, a wrong type or a value out of range."""


class NoteNameError(GroundnoteError):
    """A note name cannot be read."""


class InstrumentError(GroundnoteError):
    """No such instrument."""


class TakeError(GroundnoteError):
    """A file cannot be heard as a take."""


class DeviceError(GroundnoteError):
    """A sound device, pedal board or light cannot be opened or has gone."""


class LogbookError(GroundnoteError):
    """The log cannot be opened, read or written."""


class ControlError(GroundnoteError):
    """The daemon does not answer on its control socket, or refuses a request."""


class Arrival(StrEnum):
    """How a note was reached."""

    BOW = "bow"  # fresh start after silence, or a re-articulation
    SLIDE = "slide"  # continuous pitch
    STEP = "step"  # legato change without an audible slide


class Call(StrEnum):
    """The player's own verdict on the note just played, before any measurement is shown."""

    FLAT = "flat"
    IN_TUNE = "in tune"
    SHARP = "sharp"


class Movement(StrEnum):
    """What moves on the way to a note; each instrument reports one of them."""

    SHIFT = "shift"  # the left hand, on instruments with a hand frame
    SLIDE_MOVE = "slide move"  # the slide of a trombone
    LEAP = "leap"  # nothing that can be seen: a wide interval (voice, winds)


class Outcome(StrEnum):
    """What became of a note, against a target and a band."""

    LANDED = "landed"  # landing inside the band
    RESCUED = "rescued"  # landing outside, settled inside
    MISSED = "missed"  # settled outside
    UNSURE = "unsure which note"  # settled 35 to 65 cents between two semitones
    NOT_MEASURABLE = "not measurable"


@dataclass(frozen=True, slots=True)
class Vibrato:
    """Periodic pitch movement; ``extent_cents`` is half of peak to peak."""

    rate_hz: float
    extent_cents: float


@dataclass(frozen=True, slots=True)
class Shift:
    """A move that led to a note, inferred from sound: ``likely`` is a probability, 0 to 1.

    A leap is only an interval, so it is certain.
    """

    from_hz: float  # settled pitch of the note before
    to_hz: float  # settled pitch of the note arrived at
    likely: float
    movement: Movement = Movement.SHIFT


@dataclass(frozen=True, slots=True)
class HeardNote:
    """One note as it was heard; times in seconds since the ear began to listen.

    ``landing_uncertainty_cents`` is the half-width of the 95 % interval. A note that is not
    ``measurable`` has no pitch fields: nothing is guessed. ``drone_hz`` is the root of the drone
    that sounded, ``None`` when silent; ``reference_hz`` the root that targets refer to, which stays
    when the player goes on without the drone, ``None`` when no drone has sounded yet.
    ``repeat``: started within 1 s and 5 cents of where the note before ended, so the finger
    stayed in place. ``level_db`` is the loudness of the note, dB re full scale (RMS).
    """

    start_s: float
    end_s: float
    landing_hz: float | None
    landing_uncertainty_cents: float | None
    settled_hz: float | None
    arrival: Arrival
    slide_s: float | None
    vibrato: Vibrato | None
    shift: Shift | None
    drone_hz: float | None
    reference_hz: float | None
    measurable: bool
    repeat: bool
    level_db: float


@dataclass(frozen=True, slots=True)
class NoteLanded:
    """A note has begun and its landing is known; sent while the note still sounds."""

    start_s: float
    landing_hz: float | None


@dataclass(frozen=True, slots=True)
class NoteEnded:
    """A note has ended; everything about it is known."""

    note: HeardNote


Event = NoteLanded | NoteEnded


@dataclass(frozen=True, slots=True)
class Instant:
    """One moment, on both clocks: a Pi without a battery clock starts in the past.

    ``wall_s`` is Unix time, ``monotonic_s`` counts since this boot, ``boot_id`` says which boot,
    ``synchronised`` whether the wall clock was known to be right.
    """

    wall_s: float
    monotonic_s: float
    boot_id: str
    synchronised: bool

    def later(self, seconds: float) -> "Instant":
        """Return the moment ``seconds`` after (negative: before) this one, on both clocks."""
        return replace(self, wall_s=self.wall_s + seconds, monotonic_s=self.monotonic_s + seconds)
