"""The one thread that writes the log: the room hands things over and never waits for storage.

While the storage stalls or refuses (an SD card can, a disk can be full), everything waits here in
memory, in order, and is tried again; practice goes on.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from appliance.log.logbook import Logbook, RefusedEntryError
from appliance.log.records import UNMARKED, EventKind, Marks, RoundGoal
from appliance.vocabulary import Call, HeardNote, Instant, LogbookError

logger = logging.getLogger(__name__)

TRY_AGAIN_S = 0.5
REMEMBERED_NOTES = 64  # calls reach back a few seconds; nothing older is ever asked for

Job = Callable[[Logbook], None]
NoteKey = int


@dataclass(frozen=True, slots=True)
class LogReport:
    """How the log is: ``waiting`` entries in memory, ``trouble`` a sentence or ``None``."""

    waiting: int
    notes_written: int
    slowest_commit_s: float  # from a note's end to its commit
    trouble: str | None


class LogWriter:
    """Writes sittings, notes and calls through a :class:`Logbook` that only its thread touches.

    ``open_logbook`` is called in that thread; ``now_s`` gives monotonic seconds, for measuring how
    long after its end a note was committed. A note's key stands for its row until the row exists.
    """

    def __init__(self, open_logbook: Callable[[], Logbook], now_s: Callable[[], float]) -> None:
        """Stand ready; nothing is opened yet."""
        self._open_logbook = open_logbook
        self._now_s = now_s
        self._jobs: deque[Job] = deque()
        self._changed = threading.Condition()
        self._finishing = False
        self._give_up = threading.Event()
        self._opened = threading.Event()
        self._failure: Exception | None = None
        self._trouble: str | None = None
        self._sitting_id: str | None = None
        self._round_id: str | None = None
        self._row_ids: dict[NoteKey, str] = {}
        self._next_key: NoteKey = 0
        self._notes_written = 0
        self._slowest_commit_s = 0.0
        self._thread = threading.Thread(target=self._write, name="log-writer", daemon=True)

    def start(self) -> None:
        """Open the log; raises :class:`LogbookError` when it cannot be opened."""
        self._thread.start()
        self._opened.wait()
        if self._failure is not None:
            raise self._failure

    @property
    def next_key(self) -> NoteKey:
        """The key that the next note will get."""
        return self._next_key

    def begin_sitting(self, at: Instant, *, instrument: str, a4_hz: float) -> None:
        """Begin a sitting; the notes that follow belong to it."""

        def job(log: Logbook) -> None:
            self._sitting_id = log.begin_sitting(at, instrument=instrument, a4_hz=a4_hz)

        self._put(job)

    def end_sitting(self, at: Instant) -> None:
        """End the sitting."""

        def job(log: Logbook) -> None:
            if self._sitting_id is not None:  # the log may have refused its beginning
                log.end_sitting(self._sitting_id, at)
                self._sitting_id = None

        self._put(job)

    def add_note(self, note: HeardNote, ended_at: Instant, marks: Marks = UNMARKED) -> NoteKey:
        """Add a note to the sitting, and to the round that is on if so marked; return its key."""
        key = self._next_key
        self._next_key += 1

        def job(log: Logbook) -> None:
            self._row_ids[key] = log.add_note(
                self._sitting_id or "", note, ended_at, marks, self._round_id
            )
            self._row_ids.pop(key - REMEMBERED_NOTES, None)
            self._notes_written += 1
            delay_s = self._now_s() - ended_at.monotonic_s
            self._slowest_commit_s = max(self._slowest_commit_s, delay_s)

        self._put(job)
        return key

    def add_call(self, key: NoteKey, call: Call, at: Instant) -> None:
        """Attach a call to a note; a later call replaces it."""

        def job(log: Logbook) -> None:
            if key in self._row_ids:  # the log may have refused the note
                log.add_call(self._row_ids[key], call, at)

        self._put(job)

    def take_back_call(self, key: NoteKey, at: Instant) -> None:
        """Take the call on a note back: it spoke of another one."""

        def job(log: Logbook) -> None:
            if key in self._row_ids:  # as above
                log.take_back_call(self._row_ids[key], at)

        self._put(job)

    def strike(self, key: NoteKey) -> None:
        """Strike a note out: kept, marked, not counted."""

        def job(log: Logbook) -> None:
            if key in self._row_ids:  # as above
                log.strike(self._row_ids[key])

        self._put(job)

    def begin_round(self, goal: RoundGoal, at: Instant) -> None:
        """Begin a round; the notes marked so belong to it until it ends."""

        def job(log: Logbook) -> None:
            self._round_id = log.begin_round(self._sitting_id or "", goal, at)

        self._put(job)

    def end_round(self, *, won: bool) -> None:
        """End the round."""

        def job(log: Logbook) -> None:
            if self._round_id is not None:
                log.end_round(self._round_id, won=won)
                self._round_id = None

        self._put(job)

    def add_event(self, kind: EventKind, at: Instant, detail: str | None = None) -> None:
        """Add what happened beside notes and calls."""
        self._put(lambda log: log.add_event(kind, at, self._sitting_id, detail))

    def report(self) -> LogReport:
        """Say how the log is."""
        return LogReport(
            waiting=len(self._jobs),
            notes_written=self._notes_written,
            slowest_commit_s=self._slowest_commit_s,
            trouble=self._trouble,
        )

    @property
    def alive(self) -> bool:
        """Whether the thread still writes."""
        return self._thread.is_alive()

    def stop(self, timeout_s: float) -> int:
        """Write what waits, close the log; return how many entries could not be written."""
        with self._changed:
            self._finishing = True
            self._changed.notify()
        self._thread.join(timeout_s)
        self._give_up.set()
        return len(self._jobs)

    def _put(self, job: Job) -> None:
        with self._changed:
            self._jobs.append(job)
            self._changed.notify()

    def _write(self) -> None:
        try:
            with self._open_logbook() as log:
                self._opened.set()
                while self._wait_for_job():
                    self._do_first(log)
        except Exception as error:
            self._failure = error
            if self._opened.is_set():
                logger.exception("the log writer failed")
        finally:
            self._opened.set()

    def _wait_for_job(self) -> bool:
        with self._changed:
            self._changed.wait_for(lambda: self._jobs or self._finishing)
            return bool(self._jobs) and not self._give_up.is_set()

    def _do_first(self, log: Logbook) -> None:
        """Do the oldest job; it leaves the queue only once it is committed."""
        try:
            self._jobs[0](log)
        except RefusedEntryError as error:
            logger.error("%s", error)
            self._jobs.popleft()
        except LogbookError as error:
            if self._trouble is None:
                logger.error("The log waits in memory: %s", error)
            self._trouble = str(error)
            self._give_up.wait(TRY_AGAIN_S)
        else:
            self._jobs.popleft()
            self._trouble = None
