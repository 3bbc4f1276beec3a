"""What the room hands to its log: it never waits for storage, and nothing it hands over is lost.

The log is written by the thread of :mod:`appliance.log.jobs`. Beside the entries themselves this
module sees that they are dated right (a machine without a battery clock starts in the past), that a
sitting cut off by a crash goes on, and that a log begun anew knows of the sitting that is on.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from appliance.log.dating import CLOCK_STEP_S, Dating
from appliance.log.jobs import JobThread, Worth
from appliance.log.logbook import Logbook
from appliance.log.logfile import RefusedEntryError
from appliance.log.records import UNMARKED, EventKind, Listened, Marks, RoundGoal, SittingRow
from appliance.vocabulary import Call, HeardNote, Instant

REMEMBERED_NOTES = 64  # calls reach back a few seconds; nothing older is ever asked for

NoteKey = int


@dataclass(frozen=True, slots=True)
class LogReport:
    """How the log is.

    ``waiting`` entries are in memory and ``lost`` ones found no room there; ``trouble`` is a
    sentence while it cannot be written, ``notice`` one that somebody should read some time.
    """

    waiting: int
    notes_written: int
    slowest_commit_s: float  # from a note's end to its commit
    trouble: str | None
    notice: str | None = None
    lost: int = 0


@dataclass(frozen=True, slots=True)
class Strike:
    """A note is struck out: not the one that was so until now, if any, but this later one."""

    in_place_of: NoteKey | None


@dataclass(frozen=True, slots=True)
class Begun:
    """A sitting as it was begun."""

    at: Instant
    instrument: str
    a4_hz: float
    player: str | None


class LogWriter:
    """Writes sittings, notes and calls through a :class:`Logbook` that only its thread touches.

    ``open_logbook`` is called in that thread; ``now_s`` gives monotonic seconds, for measuring how
    long after its end a note was committed. A note's key stands for its row until the row exists.
    A sitting that nobody ended goes on when the same is begun within ``goes_on_within_s`` of when
    it was last heard.
    """

    def __init__(
        self,
        open_logbook: Callable[[], Logbook],
        now_s: Callable[[], float],
        goes_on_within_s: float = 600.0,
    ) -> None:
        """Stand ready; nothing is opened yet."""
        self._thread = JobThread(open_logbook, self._take_up)
        self._now_s = now_s
        self._goes_on_within_s = goes_on_within_s
        self._clock = Dating()
        self._taken_up = False
        self._set_aside: str | None = None
        self._cut_off: tuple[SittingRow, Instant] | None = None
        self._too_late = False  # to go on with it: that is said once
        self._attended: tuple[str | None, Instant] | None = None
        self.listened_before: list[Listened] | None = None  # once the log is open
        self._begun: Begun | None = None
        self._sitting_id: str | None = None
        self._goal: tuple[RoundGoal, Instant] | None = None
        self._round_id: str | None = None
        self._row_ids: dict[NoteKey, str] = {}
        self._next_key: NoteKey = 0
        self._notes_written = 0
        self._slowest_commit_s = 0.0

    def start(self) -> None:
        """Begin to write; a log that cannot be opened yet is tried again and again."""
        self._thread.start()

    @property
    def next_key(self) -> NoteKey:
        """The key that the next note will get."""
        return self._next_key

    def cut_off(self, now: Instant) -> tuple[SittingRow, Instant] | None:
        """Return the sitting that a crash cut off, if it may go on.

        With it comes when it was last heard, on the clocks of this boot.
        """
        if self._cut_off is None:
            return None
        sitting, last = self._cut_off
        ago_s = _ago_s(last, now)
        if ago_s is None or not 0.0 <= ago_s < self._goes_on_within_s:
            return None
        return sitting, replace(now, wall_s=now.wall_s - ago_s, monotonic_s=now.monotonic_s - ago_s)

    def checked_in_before(self, now: Instant) -> tuple[str, Instant] | None:
        """Return who was checked in when the room stopped, if not too long ago, and since when."""
        player, last = self._attended or (None, now)
        ago_s = _ago_s(last, now)
        if player is None or ago_s is None or not 0.0 <= ago_s < self._goes_on_within_s:
            return None
        return player, replace(now, wall_s=now.wall_s - ago_s, monotonic_s=now.monotonic_s - ago_s)

    def tick(self, now: Instant) -> None:
        """Let time pass: the clock may have been set, a sitting cut off may be too long ago."""
        if self._clock.read(now):
            self._thread.put(self._date_right, Worth.NOTHING)
        if self._cut_off is not None and not self._too_late and self.cut_off(now) is None:
            self._too_late = True
            self._thread.put(self._end_cut_off, Worth.NOTHING)

    def begin_sitting(
        self, at: Instant, *, instrument: str, a4_hz: float, player: str | None = None
    ) -> None:
        """Begin a sitting, or go on with one cut off; the notes that follow belong to it."""

        def job(log: Logbook) -> None:
            self._begin(log, Begun(self._clock.right(at), instrument, a4_hz, player))

        self._thread.put(job, Worth.FRAME)

    def end_sitting(self, at: Instant) -> None:
        """End the sitting."""

        def job(log: Logbook) -> None:
            if self._sitting_id is not None:  # the log may have refused its beginning
                log.end_sitting(self._sitting_id, self._clock.right(at))
            self._sitting_id = self._begun = None

        self._thread.put(job, Worth.FRAME)

    def add_note(
        self,
        note: HeardNote,
        ended_at: Instant,
        marks: Marks = UNMARKED,
        strike: Strike | None = None,
    ) -> NoteKey:
        """Add a note to the sitting, and to the round that is on if so marked; return its key.

        ``strike``: it is struck out, and the note in whose place it is becomes as it was.
        """
        key = self._next_key
        self._next_key += 1

        def job(log: Logbook) -> None:
            with log.one_step():
                row_id = log.add_note(
                    self._sitting(), note, self._clock.right(ended_at), marks, self._round_id
                )
                if strike is not None:
                    log.strike(row_id)
                    if strike.in_place_of in self._row_ids:
                        log.strike(self._row_ids[strike.in_place_of], struck=False)
            self._row_ids[key] = row_id
            self._row_ids.pop(key - REMEMBERED_NOTES, None)
            self._notes_written += 1
            delay_s = self._now_s() - ended_at.monotonic_s
            self._slowest_commit_s = max(self._slowest_commit_s, delay_s)

        self._thread.put(job)
        return key

    def add_call(self, key: NoteKey, call: Call, at: Instant) -> None:
        """Attach a call to a note; a later call replaces it."""
        self._put_to(key, lambda log, note: log.add_call(note, call, self._clock.right(at)))

    def take_back_call(self, key: NoteKey, at: Instant) -> None:
        """Take the call on a note back: it spoke of another one."""
        self._put_to(key, lambda log, note: log.take_back_call(note, self._clock.right(at)))

    def strike(self, key: NoteKey, *, struck: bool = True) -> None:
        """Strike a note out (kept, marked, not counted), or take that back."""
        self._put_to(key, lambda log, note: log.strike(note, struck=struck))

    def begin_round(self, goal: RoundGoal, at: Instant) -> None:
        """Begin a round; the notes marked so belong to it until it ends."""

        def job(log: Logbook) -> None:
            self._goal = (goal, self._clock.right(at))
            self._round_id = log.begin_round(self._sitting(), *self._goal)

        self._thread.put(job, Worth.FRAME)

    def end_round(self, *, won: bool) -> None:
        """End the round."""

        def job(log: Logbook) -> None:
            if self._round_id is not None:
                log.end_round(self._round_id, won=won)
            self._round_id = self._goal = None

        self._thread.put(job, Worth.FRAME)

    def add_event(self, kind: EventKind, at: Instant, detail: str | None = None) -> None:
        """Add what happened beside notes and calls."""

        def job(log: Logbook) -> None:
            log.add_event(kind, self._clock.right(at), self._sitting_id, detail)

        self._thread.put(job)

    def keep_listening(self, listened: list[Listened]) -> None:
        """Keep what was used of a day's dose by now."""
        if listened:
            self._thread.put(lambda log: log.keep_listening(listened))

    def report(self) -> LogReport:
        """Say how the log is."""
        return LogReport(
            waiting=self._thread.waiting,
            notes_written=self._notes_written,
            slowest_commit_s=self._slowest_commit_s,
            trouble=self._thread.trouble,
            notice=self._thread.notice,
            lost=self._thread.lost,
        )

    @property
    def alive(self) -> bool:
        """Whether the thread still writes."""
        return self._thread.alive

    def stop(self, timeout_s: float) -> int:
        """Write what waits, close the log; return how many entries could not be written."""
        if self._cut_off is not None:
            self._thread.put(self._end_cut_off, Worth.NOTHING)
        return self._thread.stop(timeout_s)

    # -- in the thread ------------------------------------------------------------------------

    def _sitting(self) -> str:
        if self._sitting_id is None:
            raise RefusedEntryError("A note without a sitting was left out: please report it.")
        return self._sitting_id

    def _put_to(self, key: NoteKey, change: Callable[[Logbook, str], None]) -> None:
        def job(log: Logbook) -> None:
            if key in self._row_ids:  # the log may have refused the note
                change(log, self._row_ids[key])

        self._thread.put(job)

    def _take_up(self, log: Logbook) -> None:
        """Meet a log that has just been opened: the first one, the same again, or a new one."""
        self._set_aside = log.set_aside or self._set_aside
        if self._set_aside is not None:
            self._begin_anew(log, self._set_aside)
            self._set_aside = None
        elif not self._taken_up:
            unended = log.unended()
            for sitting, last in unended[:-1]:
                log.end_sitting(sitting.sitting_id, last)
            self._cut_off = unended[-1] if unended else None
            self._attended = log.last_attendance()
        if not self._taken_up:  # a log that has taken its place knows less than memory does
            self.listened_before = log.listening()
        self._taken_up = True

    def _begin_anew(self, log: Logbook, set_aside: str) -> None:
        """Tell a log begun in the place of a damaged one what is on."""
        self._row_ids.clear()
        self._sitting_id = self._round_id = self._cut_off = None
        if self._begun is not None:
            self._begin(log, self._begun)
        if self._goal is not None:
            self._round_id = log.begin_round(self._sitting(), *self._goal)
        log.add_event(EventKind.LOG_SET_ASIDE, self._clock.now(self._now_s()), None, set_aside)

    def _begin(self, log: Logbook, begun: Begun) -> None:
        found = self.cut_off(begun.at)
        if found is not None and _same(found[0], begun):
            sitting, last = found
            detail = f"{begun.at.wall_s - last.wall_s:.1f}"
            log.add_event(EventKind.WENT_ON, begun.at, sitting.sitting_id, detail)
            self._sitting_id, self._cut_off = sitting.sitting_id, None
        else:
            self._end_cut_off(log)
            self._sitting_id = log.begin_sitting(
                begun.at, instrument=begun.instrument, a4_hz=begun.a4_hz, player=begun.player
            )
        self._begun = begun

    def _end_cut_off(self, log: Logbook) -> None:
        if self._cut_off is not None:
            sitting, last = self._cut_off
            log.end_sitting(sitting.sitting_id, self._clock.right(last))
            self._cut_off = None

    def _date_right(self, log: Logbook) -> None:
        """Date what is in the log by the clock as it is set now."""
        at, by_s = self._clock.last, self._clock.stepped_s
        if at is None:
            return
        from_s = None if self._begun is None else self._begun.at.monotonic_s
        log.date_right(
            at.boot_id,
            at.wall_s - at.monotonic_s,
            synchronised=at.synchronised,
            from_s=from_s if at.synchronised else None,
        )
        if self._begun is not None:
            self._begun = replace(self._begun, at=self._clock.right(self._begun.at))
        if abs(by_s) > CLOCK_STEP_S:
            log.add_event(EventKind.CLOCK_SET, at, self._sitting_id, f"{by_s:.1f}")


def _ago_s(last: Instant, now: Instant) -> float | None:
    """Return how long ago a moment was; after a boot only clocks that were right can say."""
    if last.boot_id == now.boot_id:
        return now.monotonic_s - last.monotonic_s
    return now.wall_s - last.wall_s if last.synchronised and now.synchronised else None


def _same(sitting: SittingRow, begun: Begun) -> bool:
    tuned = (sitting.instrument, sitting.a4_hz) == (begun.instrument, begun.a4_hz)
    return tuned and begun.player in (None, sitting.player)
