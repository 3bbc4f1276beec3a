"""The sitting that is on, and what the foot makes of its notes: pauses, *without*, rounds.

It keeps what has to be known of the last notes and hands everything on to the log's writer. It is
used under the desk's lock and knows no drone.
"""

from collections import deque
from dataclasses import dataclass, replace

from appliance.attendance import NEVER_S, TOLD_WITHIN_S, Attendance, Change
from appliance.log.records import EventKind, Marks, RoundGoal, SittingRow
from appliance.log.writer import LogWriter, NoteKey, Strike
from appliance.practice.rounds import Part, Round, goal_of
from appliance.practice.switch import Switch
from appliance.settings import Settings
from appliance.tuning import Target, target
from appliance.vocabulary import HeardNote, Instant

KEPT_NOTES = 16  # nothing older is ever asked for


@dataclass(frozen=True, slots=True)
class Played:
    """A note of this sitting: its key in the log, its times on the monotonic clock, its target."""

    key: NoteKey
    note: HeardNote
    aim: Target | None  # None: it has no pitch


class Sitting:
    """One sitting after the other; between two of them there is none."""

    def __init__(self, settings: Settings, writer: LogWriter) -> None:
        """Wait for the first note."""
        self._settings = settings
        self._writer = writer
        self._last_end: Instant | None = None
        self._heard_until_s = NEVER_S  # also once the sitting has ended: a new A4 ends it, too
        self._attendance = Attendance()
        self._notes: deque[Played] = deque(maxlen=KEPT_NOTES)  # those that count
        self._paused, self._without = Switch(), Switch()
        self._paused_at: Instant | None = None  # when the log was last paused, or went on
        self.round: Round | None = None

    def set_up(self, settings: Settings) -> None:
        """Take other settings; where A4 or instrument changes the sitting must have ended."""
        self._settings = settings

    @property
    def on(self) -> bool:
        """Whether a sitting has begun."""
        return self._last_end is not None

    @property
    def player(self) -> str | None:
        """Who is checked in: a person's id."""
        return self._attendance.latest.player

    @property
    def paused(self) -> bool:
        """Whether the log is paused."""
        return self._paused.on

    def last(self) -> Played | None:
        """The last note that counts."""
        return self._notes[-1] if self._notes else None

    def played(self, key: NoteKey) -> Played | None:
        """One of the last notes that count."""
        return next((one for one in self._notes if one.key == key), None)

    def add(
        self, heard: HeardNote, began: Instant, ended: Instant, strike: Strike | None = None
    ) -> tuple[NoteKey, bool]:
        """Log a note that has ended; return its key, and whether it counts (the log not paused).

        ``strike``: where it counts it is logged as struck out.
        """
        self._change_players(began.monotonic_s)
        self._begin_unless_on(began)
        self._last_end = ended
        self._heard_until_s = ended.monotonic_s
        note = replace(heard, start_s=began.monotonic_s, end_s=ended.monotonic_s)
        paused = self._paused.was_on(began.monotonic_s)
        marks = Marks(paused, self._without.was_on(began.monotonic_s))
        key = self._writer.next_key
        if self.round is not None and not paused:
            marks = _in_round(marks, self.round, self.round.hear(note, key))
        self._writer.add_note(heard, ended, marks, None if paused else strike)
        if not paused:
            self._notes.append(Played(key, note, self._aim(key, note)))
        return key, not paused

    def _begin_unless_on(self, at: Instant) -> None:
        if self._last_end is None:
            room = self._settings.room
            self._writer.begin_sitting(
                at,
                instrument=room.instrument,
                a4_hz=room.a4_hz,
                player=self._attendance.player,
            )

    def check_in(self, player: str | None, at: Instant, *, sounding: bool, sure: bool) -> bool:
        """Log to a player from now on, or to nobody; false: ask first, for somebody else plays.

        The sitting of whoever played before ends with their last note.
        """
        played_s = None if self._last_end is None else self._last_end.monotonic_s
        if sounding:
            played_s = at.monotonic_s
        if player is not None and not sure and self._attendance.must_ask(player, at, played_s):
            return False
        self._attendance.tell(player, at)
        if not sounding:
            self._change_players(at.monotonic_s - TOLD_WITHIN_S)
        return True

    def check_out_since(self, since: Instant) -> None:
        """Log to nobody from a moment on that has passed; a note that sounds is nobody's, too.

        Notes that have ended since then are in the log already.
        """
        self._attendance.tell(None, since)
        self._change_players(since.monotonic_s)

    def keep_player(self, player: str, last_heard: Instant) -> None:
        """Let the player who was checked in before this start go on."""
        if self._last_end is None:
            self._attendance.keep(player, last_heard)

    def _change_players(self, until_s: float) -> None:
        """Let check-ins hold that came before a moment: the next note is the new player's."""
        while (change := self._attendance.next_change(until_s)) is not None:
            self.end(change.at.monotonic_s)
            self._tell_log(change)

    def _tell_log(self, change: Change) -> None:
        kind = EventKind.CHECKED_OUT if change.player is None else EventKind.CHECKED_IN
        self._writer.add_event(kind, change.at, change.player)

    def go_on(self, cut_off: SittingRow, last_heard: Instant, now: Instant) -> None:
        """Go on with a sitting of the same instrument that a crash cut off, if none is on."""
        room = self._settings.room
        if self._last_end is None and cut_off.instrument == room.instrument:
            if cut_off.player is not None:
                self.keep_player(cut_off.player, last_heard)
            if self._attendance.player != cut_off.player:
                return  # somebody has checked in meanwhile
            self._last_end = last_heard
            self._writer.begin_sitting(
                now,
                instrument=cut_off.instrument,
                a4_hz=cut_off.a4_hz,
                player=cut_off.player,
            )

    def _aim(self, key: NoteKey, note: HeardNote) -> Target | None:
        """Where a note was right: in a round its target, else by the room's tuning."""
        if note.settled_hz is None:
            return None
        if self.round is not None and any(one.key == key for one in self.round.tries):
            return self.round.goal.target
        return self.aim_at(note.settled_hz, note.reference_hz)

    def aim_at(self, hz: float, reference_hz: float | None) -> Target:
        """The target nearest a pitch, over a drone, by the room's tuning."""
        room = self._settings.room
        return target(hz, a4_hz=room.a4_hz, reference_hz=reference_hz, tuning=room.tuning)

    def end_if_silent(self, at_s: float) -> None:
        """End sitting, pause and check-in when it was silent for as long as settings say.

        To be called while no note sounds.
        """
        self._change_players(at_s - TOLD_WITHIN_S)
        silent_s = self._settings.room.sitting_ends_after_silent_s
        if self._last_end is not None:
            last = self._last_end
            since_s = max(last.monotonic_s, self._attendance.since_s)
            if at_s - since_s >= silent_s:
                self.end(at_s)
                self._check_out(last)
            return
        if at_s - self._paused.since_s >= silent_s:
            self._end_pause(at_s, None)
        if at_s - max(self._attendance.since_s, self._heard_until_s) >= silent_s:
            self._check_out(self._attendance.latest.at)

    def _check_out(self, at: Instant) -> None:
        """Check out who has been silent, unless somebody else has checked in meanwhile."""
        if self._attendance.latest.player is not None and self._attendance.player == self.player:
            self._attendance.tell(None, at)
            self._change_players(at.monotonic_s)

    def end(self, at_s: float) -> None:
        """End the sitting where its last note ended: what followed was no practice."""
        if self._last_end is None:
            return
        self.end_round(self._last_end, won=False)
        self._end_pause(at_s, self._last_end)
        self._writer.end_sitting(self._last_end)
        self._last_end = None
        self._notes.clear()

    def pause(self, at: Instant, *, on: bool) -> None:
        """Pause the log or let it go on; notes of a pause are kept and not counted."""
        self._paused_at = at
        if self._paused.turn(at.monotonic_s, on=on):
            self._writer.add_event(EventKind.PAUSED if on else EventKind.RESUMED, at)

    def _end_pause(self, at_s: float, last_end: Instant | None) -> None:
        """Let the next player not find the log paused; what followed was nobody's playing."""
        paused_at = self._paused_at
        if self._paused.turn(at_s, on=False) and paused_at is not None:
            ends = [paused_at] if last_end is None else [paused_at, last_end]
            over = max(ends, key=lambda at: at.monotonic_s)
            self._writer.add_event(EventKind.RESUMED, over)

    def go_without(self, at: Instant, *, on: bool) -> None:
        """From now on notes are played without the drone, or with it again."""
        if self._without.turn(at.monotonic_s, on=on):
            self._writer.add_event(EventKind.WENT_WITHOUT if on else EventKind.BROUGHT_BACK, at)

    def log_strike(self, key: NoteKey, *, struck: bool = True) -> None:
        """Let the log say that a note is struck out, or no longer; it may turn out otherwise."""
        self._writer.strike(key, struck=struck)

    def strike(self, key: NoteKey) -> None:
        """A note is struck out for good: kept, marked, not counted, and no try of a round."""
        self._notes = deque((one for one in self._notes if one.key != key), maxlen=KEPT_NOTES)
        if self.round is not None:
            self.round.strike(key)

    def begin_round(self, at: Instant) -> bool:
        """Begin a round on the arrival just played; false where nobody can say what was meant."""
        last = self.last()
        if last is None or last.aim is None or last.aim.unsure:
            return False
        aim, before = last.aim, [one.note for one in self._notes if one.aim is not None][:-1]
        goal = goal_of(last.note, before[-1] if before else None, aim)
        practice, room = self._settings.practice, self._settings.room
        self.round = Round(goal, practice.landed_in_a_row, room.band_cents)
        self._writer.begin_round(
            RoundGoal(goal.from_hz, aim.low_hz, aim.high_hz, room.band_cents), at
        )
        self._writer.add_event(EventKind.ROUND_BEGUN, at)
        return True

    def end_round(self, at: Instant, *, won: bool) -> None:
        """End the round, if one is on."""
        if self.round is not None:
            self.round = None
            self._writer.end_round(won=won)
            self._writer.add_event(EventKind.ROUND_ENDED, at)


def _in_round(marks: Marks, played: Round, part: Part | None) -> Marks:
    number = len(played.tries) if part is Part.TRY else None
    return replace(marks, in_round=part is not None, try_number=number)
