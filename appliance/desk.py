"""The desk: what the room does when a note is heard, a pedal is pressed or a client asks.

It joins the sitting, the calls and the wanted drone, and is the one place where they change; all
its doors may be used from any thread. It never waits: the log and the loudspeaker are only told.
"""

import logging
import threading
from collections.abc import Callable, Iterable
from typing import Any

from appliance.calling import CalledNotes
from appliance.care import Care
from appliance.changing import needs_new_ear
from appliance.just_played import JustPlayed
from appliance.log.calendar import room_zone
from appliance.log.chosen import NO_RULES, HouseRules
from appliance.log.records import Listened, SittingRow
from appliance.log.writer import LogWriter
from appliance.practice.cues import Cue
from appliance.practice.order import Order
from appliance.practice.pedalboard import CALLS, SEMITONES, Action, Gesture, Heard, action_of
from appliance.practice.wanted import WantedDrone, drone_note
from appliance.settings import Settings
from appliance.sitting import Sitting
from appliance.tuning import note_name
from appliance.vocabulary import ControlError, Event, HeardNote, Instant, NoteEnded

logger = logging.getLogger(__name__)

BETWEEN_CUES_S = 1.5  # two cues at once could not be told apart


class Desk:
    """Sittings, calls, rounds and the drone.

    ``order`` passes on what the loudspeaker is to do; ``writer`` takes what belongs in the log. All
    instants come from the one clock of the room.
    """

    def __init__(
        self, settings: Settings, writer: LogWriter, order: Callable[[Order], None]
    ) -> None:
        """Stand ready: no sitting, the drone silent on the note of the settings."""
        self._settings = settings
        self._writer = writer
        self._rules, self._zone = NO_RULES, room_zone(settings.room.time_zone)
        self._lock = threading.RLock()
        self._drone = WantedDrone(settings, order)
        self._sitting = Sitting(settings, writer)
        self._care, self._answered_s = Care(settings), 0.0
        self._called = CalledNotes(settings, self._sitting, self._drone, writer)
        self._calls = self._called.calls
        self._just_played = JustPlayed(self._sitting, self._drone, self._calls)
        self._acts: dict[Action, Callable[[Instant], None]] = {
            Action.KEEP_NOTE: self._just_played.keep,
            Action.START_DRONE: self._start_drone,
            Action.STOP_DRONE: self._stop_drone,
            Action.GO_WITHOUT: self._go_without,
            Action.BRING_BACK: self._start_drone,
            Action.BEGIN_OR_END_ROUND: self._just_played.begin_or_end_round,
            Action.STRIKE_OUT: self._just_played.strike_out,
            Action.PAUSE_OR_RESUME: self._pause_or_resume,
        }

    @property
    def heard(self) -> Heard:
        """What can be heard of the drone."""
        return self._drone.heard

    # -- what is heard ------------------------------------------------------------------------

    def hear(self, event: Event, ear_zero: Instant) -> None:
        """Take an event of the ear whose time 0 was at ``ear_zero``."""
        with self._lock:
            if isinstance(event, NoteEnded):
                self._note_ended(event.note, ear_zero)
            else:
                self._called.note_landed(ear_zero.monotonic_s + event.start_s, event.landing_hz)

    def _note_ended(self, note: HeardNote, ear_zero: Instant) -> None:
        began, ended = ear_zero.later(note.start_s), ear_zero.later(note.end_s)
        self._sitting.end_if_silent(began.monotonic_s)
        strike = self._just_played.note_ended(note, began, ended)
        key, counts = self._sitting.add(note, began, ended, strike)
        self._care.play(note, began, ended, self._sitting.player)
        self._calls.note_ended(key, began.monotonic_s, ended.monotonic_s)
        self._called.log(ended)
        if not counts:
            self._calls.forget()
            return
        self._just_played.note_logged(key, began, ended)
        self._win_round(ended)

    def _win_round(self, at: Instant) -> None:
        won = self._sitting.round is not None and self._sitting.round.won
        if won and not self._just_played.strikes:
            self._sitting.end_round(at, won=True)
            self._drone.cue(Cue.ROUND_WON)

    def go_on(self, cut_off: SittingRow, last_heard: Instant, now: Instant) -> None:
        """Go on with a sitting that a crash cut off, unless another has begun."""
        with self._lock:
            self._sitting.go_on(cut_off, last_heard, now)

    def keep_player(self, player: str, last_heard: Instant) -> None:
        """Let the player who was checked in before this start go on, unless another came."""
        with self._lock:
            self._sitting.keep_player(player, last_heard)

    def go_on_listening(self, before: Iterable[Listened]) -> None:
        """Go on counting the day's listening from what the log knows; the first time counts."""
        with self._lock:
            self._care.go_on(before)

    def tick(self, now: Instant) -> None:
        """Let time pass: a call gets its answer, a sitting ends after long silence."""
        with self._lock:
            self._keep_quiet(now)
            if self._called.settle(now.monotonic_s):
                self._answered_s = now.monotonic_s
            self._called.log(now)
            self._just_played.settle(now.monotonic_s)
            self._win_round(now)
            if not self._calls.sounding:
                self._sitting.end_if_silent(now.monotonic_s)
            self._look_after(now)

    def _look_after(self, now: Instant) -> None:
        """Count what is heard; say what is due between two notes, and over no other cue."""
        root_hz = self._drone.root_hz if self.heard is Heard.SOUNDING else None
        self._care.listen(root_hz, now, self._sitting.player)
        self._writer.keep_listening(self._care.to_keep(now))
        if self._calls.sounding or now.monotonic_s - self._answered_s < BETWEEN_CUES_S:
            return
        if (cue := self._care.due(self._sitting.player)) is not None:
            self._drone.cue(cue)
            self._answered_s = now.monotonic_s

    def close(self, now: Instant) -> None:
        """Settle the last calls and end the sitting: the room closes."""
        with self._lock:
            self._called.close(now)
            self._just_played.settle()
            self._sitting.end(now.monotonic_s)
            self._writer.keep_listening(self._care.last_to_keep())

    # -- what the foot asks -------------------------------------------------------------------

    def obey(self, gestures: Iterable[Gesture], now: Instant) -> None:
        """Do what gestures ask for, each at its own time."""
        for gesture in gestures:
            action = action_of(gesture, self.heard)
            if action is not None:
                self._act(action, now.later(gesture.at_s - now.monotonic_s))

    def _act(self, action: Action, at: Instant) -> None:
        with self._lock:
            self._just_played.settle()
            if action in SEMITONES:
                self._just_played.end_round(at)  # its target would no longer be the drone's
                self._just_played.keep_no_more()
                self._drone.step(SEMITONES[action])
            elif action in CALLS:
                self._called.give(CALLS[action], at)
            else:
                self._acts[action](at)

    def _start_drone(self, at: Instant) -> None:
        self._keep_quiet(at)
        if self._drone.quiet:
            self._drone.cue(Cue.NOTHING_THERE)
            return
        self._sitting.go_without(at, on=False)
        self._drone.start()

    def _stop_drone(self, at: Instant) -> None:
        self._sitting.go_without(at, on=False)
        self._drone.stop()

    def _go_without(self, at: Instant) -> None:
        self._sitting.go_without(at, on=True)
        self._drone.go_without()

    def _pause_or_resume(self, at: Instant) -> None:
        on = not self._sitting.paused
        self._sitting.pause(at, on=on)
        self._drone.cue(Cue.PAUSED if on else Cue.RESUMED)

    # -- what a client asks -------------------------------------------------------------------

    def set_up(self, settings: Settings, rules: HouseRules, now: Instant) -> None:
        """Take other settings and rules at once.

        Another A4 or instrument ends the sitting; another tuning or band ends the round, whose
        target and band they are.
        """
        with self._lock:
            before, room = self._settings.room, settings.room
            if self._settings.drone.level_dbfs != settings.drone.level_dbfs:
                self._drone.set_level(settings.drone.level_dbfs)
            self._settings, self._rules = settings, rules
            self._called.settings = settings
            self._care.set_up(settings)
            if before != room:
                self._just_played.end_round(now)
            if needs_new_ear(before, room):
                self._called.close(now)
                self._calls.forget()
                self._just_played.forget()
                self._sitting.end(now.monotonic_s)
                self._drone.retune(settings)
            self._sitting.set_up(settings)
            self._keep_quiet(now)

    def _keep_quiet(self, now: Instant) -> None:
        """Keep the owner's quiet hours: no drone, and no preview of one."""
        quiet = self._rules.quiet
        self._drone.quiet = quiet is not None and quiet.hold_at(now.wall_s, self._zone)
        if self._drone.quiet and self.heard is not Heard.SILENT:
            logger.info("Quiet hours, %s: the drone falls silent.", quiet)
            self._stop_drone(now)

    def set_drone(self, at: Instant, *, on: bool | None = None, note: str | None = None) -> None:
        """Switch the drone or choose its note by name.

        Raises :class:`NoteNameError` for a name nobody can read and :class:`ControlError` for a
        note the drone does not have, or when it is to sound at quiet hours; then nothing changes.
        """
        midi = None if note is None else drone_note(note)
        with self._lock:
            self._keep_quiet(at)
            if on is True and self._drone.quiet:
                raise ControlError(
                    f"These are the quiet hours of this room, {self._rules.quiet}: no drone sounds."
                )
            if midi is not None:
                self._just_played.end_round(at)
                self._just_played.keep_no_more()
                self._drone.choose(midi)
            if on is True and self.heard is not Heard.SOUNDING:
                self._start_drone(at)
            if on is False:
                self._stop_drone(at)

    def care(self, now: Instant) -> dict[str, Any]:
        """Say how much of the day's listening is used, and whether a rest is due."""
        with self._lock:
            return self._care.status(now, self._sitting.player)

    def check_in(self, player: str, at: Instant, *, sure: bool) -> bool:
        """Log to a player (a person's id) from now on.

        False: somebody else seems to be playing, or came just before; ask, and then be ``sure``.
        """
        with self._lock:
            sounding = self._calls.sounding
            return self._sitting.check_in(player, at, sounding=sounding, sure=sure)

    def check_out(self, player: str, at: Instant, since: Instant | None = None) -> bool:
        """Log to nobody from now on; false when this player was not checked in.

        ``since``: they were not even that player's from then on, nor is a note that sounds.
        """
        with self._lock:
            if self._sitting.player != player:
                return False
            if since is not None:
                self._sitting.check_out_since(since)
                return True
            return self._sitting.check_in(None, at, sounding=self._calls.sounding, sure=True)

    def status(self) -> dict[str, Any]:
        """Say what a client may know of drone, sitting and pedals; never a live pitch."""
        with self._lock:
            return {
                "drone": {
                    "on": self.heard is not Heard.SILENT,
                    "without": self.heard is Heard.WITHOUT,
                    "note": note_name(self._drone.midi),
                    "root_hz": self._drone.root_hz,
                },
                "drone_level_dbfs": self._settings.drone.level_dbfs,
                "a4_hz": self._settings.room.a4_hz,
                "instrument": self._settings.room.instrument,
                "tuning": self._settings.room.tuning,
                "band_cents": self._settings.room.band_cents,
                "quiet_hours": None if self._rules.quiet is None else str(self._rules.quiet),
                "quiet_now": self._drone.quiet,
                "sitting": self._sitting.on,
                "player": self._sitting.player,
                "paused": self._sitting.paused,
                "round": self._sitting.round is not None,
            }
