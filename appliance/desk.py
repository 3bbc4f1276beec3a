"""The desk: what the room does when a note is heard, a pedal is pressed or a client asks.

It keeps the sitting, the calls and the drone's note, and is the one place where they change; all
its doors may be used from any thread. It never waits: the log and the drone are only told.
"""

import threading
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from appliance.log.writer import LogWriter
from appliance.practice.calls import Calls, Fate
from appliance.practice.drone import neighbour_hz
from appliance.practice.order import DroneOrder
from appliance.practice.pedalboard import Action, Heard
from appliance.practice.tone import HIGHEST_MIDI, LOWEST_MIDI
from appliance.settings import Settings
from appliance.tuning import nearest_note, note_hz, note_name, parse_note
from appliance.vocabulary import Call, ControlError, Event, HeardNote, Instant, NoteEnded

_SEMITONES = {
    Action.NOTE_DOWN: -1,
    Action.NOTE_UP: 1,
    Action.OCTAVE_DOWN: -12,
    Action.OCTAVE_UP: 12,
}
_CALLS = {
    Action.CALL_FLAT: Call.FLAT,
    Action.CALL_IN_TUNE: Call.IN_TUNE,
    Action.CALL_SHARP: Call.SHARP,
}


def later(moment: Instant, seconds: float) -> Instant:
    """Return the moment ``seconds`` after (negative: before) another, on both clocks."""
    return replace(
        moment,
        wall_s=moment.wall_s + seconds,
        monotonic_s=moment.monotonic_s + seconds,
    )


class Desk:
    """Sittings, calls and the drone's note.

    ``order_drone`` passes on what is wanted of the drone; ``writer`` takes what belongs in the log.
    All instants come from the one clock of the room.
    """

    def __init__(
        self, settings: Settings, writer: LogWriter, order_drone: Callable[[DroneOrder], None]
    ) -> None:
        """Stand ready: no sitting, the drone silent on the note of the settings."""
        self._settings = settings
        self._writer = writer
        self._order_drone = order_drone
        self._lock = threading.RLock()
        self._calls = Calls()
        self._last_end: Instant | None = None  # of the sitting's notes; None between sittings
        self._last_settled_hz: float | None = None
        self._heard = Heard.SILENT
        self._a4_hz = settings.room.a4_hz
        self._root_hz = note_hz(parse_note(settings.drone.note), self._a4_hz)
        self._order()

    @property
    def heard(self) -> Heard:
        """What can be heard of the drone."""
        return self._heard

    def hear(self, event: Event, ear_zero: Instant) -> None:
        """Take an event of the ear whose time 0 was at ``ear_zero``."""
        with self._lock:
            if isinstance(event, NoteEnded):
                self._note_ended(event.note, ear_zero)
            else:
                self._calls.note_landed(ear_zero.monotonic_s + event.start_s)

    def _note_ended(self, note: HeardNote, ear_zero: Instant) -> None:
        began, ended = later(ear_zero, note.start_s), later(ear_zero, note.end_s)
        self._end_sitting_if_silent(began.monotonic_s)
        if self._last_end is None:
            room = self._settings.room
            self._writer.begin_sitting(began, instrument=room.instrument, a4_hz=room.a4_hz)
        self._last_end = ended
        self._last_settled_hz = note.settled_hz or self._last_settled_hz
        key = self._writer.add_note(note, ended)
        call = self._calls.note_ended(key, began.monotonic_s, ended.monotonic_s)
        if call is not None:
            self._writer.add_call(key, call.call, call.at)

    def tick(self, now: Instant) -> None:
        """Let time pass: a sitting ends after long silence."""
        with self._lock:
            if not self._calls.sounding:
                self._end_sitting_if_silent(now.monotonic_s)

    def _end_sitting_if_silent(self, at_s: float) -> None:
        silent_s = self._settings.room.sitting_ends_after_silent_s
        if self._last_end is not None and at_s - self._last_end.monotonic_s >= silent_s:
            self._end_sitting()

    def _end_sitting(self) -> None:
        """End the sitting where its last note ended: what followed was no practice."""
        if self._last_end is not None:
            self._writer.end_sitting(self._last_end)
            self._last_end = None

    def close(self) -> None:
        """End the sitting: the room closes."""
        with self._lock:
            self._end_sitting()

    def act(self, action: Action, at: Instant) -> None:
        """Do what a gesture asked for; what this room cannot do yet is left alone."""
        with self._lock:
            if action in _SEMITONES:
                self._choose_root(neighbour_hz(self._root_hz, _SEMITONES[action], self._a4_hz))
            elif action in _CALLS:
                self._call(_CALLS[action], at)
            elif action is Action.KEEP_NOTE:
                self._keep_note()
            elif action is Action.START_DRONE:
                self._start_drone()
            elif action is Action.STOP_DRONE:
                self._stop_drone()

    def _call(self, call: Call, at: Instant) -> None:
        given = self._calls.give(call, at)
        if given.fate is Fate.ATTACHED and given.key is not None:
            self._writer.add_call(given.key, call, at)

    def _keep_note(self) -> None:
        if self._last_settled_hz is not None:
            self._choose_note(nearest_note(self._last_settled_hz, self._a4_hz))

    def _choose_note(self, midi: int) -> None:
        if LOWEST_MIDI <= midi <= HIGHEST_MIDI:
            self._choose_root(note_hz(midi, self._a4_hz))

    def _choose_root(self, hz: float) -> None:
        """Take a root for the drone; silent, it sounds for a moment so that it is known."""
        self._root_hz = hz
        self._order(preview=True)

    def _start_drone(self) -> None:
        self._heard = Heard.SOUNDING
        self._order()

    def _stop_drone(self) -> None:
        self._heard = Heard.SILENT
        self._order()

    def _order(self, *, preview: bool = False) -> None:
        sounding = self._heard is Heard.SOUNDING
        self._order_drone(DroneOrder(self._root_hz, sounding, preview and not sounding))

    def set_drone(self, *, on: bool | None = None, note: str | None = None) -> None:
        """Switch the drone or choose its note by name.

        Raises :class:`NoteNameError` for a name nobody can read and :class:`ControlError` for a
        note the drone does not have.
        """
        midi = None if note is None else _drone_note(note)
        with self._lock:
            if midi is not None:
                self._choose_note(midi)
            if on is True and self._heard is Heard.SILENT:
                self._start_drone()
            if on is False:
                self._stop_drone()

    def status(self) -> dict[str, Any]:
        """Say what a client may know of the drone and the sitting; never a live pitch."""
        with self._lock:
            return {
                "drone": {
                    "on": self._heard is not Heard.SILENT,
                    "note": note_name(nearest_note(self._root_hz, self._a4_hz)),
                    "root_hz": self._root_hz,
                },
                "a4_hz": self._a4_hz,
                "instrument": self._settings.room.instrument,
                "sitting": self._last_end is not None,
            }


def _drone_note(name: str) -> int:
    midi = parse_note(name)
    if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        raise ControlError(f"The drone cannot sound {name}; choose a note from C1 to C7.")
    return midi
