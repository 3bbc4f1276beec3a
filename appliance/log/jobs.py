"""The thread that does the log's work: one job after the other, each until it is done.

While the storage stalls or refuses (an SD card can, a disk can be full or turn read-only), jobs
wait here in memory, in order, and are tried again on a log opened anew; practice goes on.
"""

import logging
import threading
from collections import deque
from collections.abc import Callable
from enum import Enum

from appliance.log.logbook import Logbook
from appliance.log.logfile import DamagedLogError, RefusedEntryError
from appliance.vocabulary import LogbookError

logger = logging.getLogger(__name__)

TRY_AGAIN_S = 0.5
OPENS_WITHIN_S = 3.0  # a log that takes longer is opened while practice begins
# An hour of the fastest playing, four notes a second, and a kilobyte each.
MOST_WAITING = 15_000

Job = Callable[[Logbook], None]


class Worth(Enum):
    """What is lost with a job that is never done."""

    FRAME = "the beginning or end that other entries stand in"
    ENTRY = "itself"
    NOTHING = "nothing: the next opening does it as well"


class JobThread:
    """Opens the log, does jobs on it and closes it, all in one thread.

    ``open_logbook`` opens the log; ``took_up`` is told of every log that has just been opened. Both
    are called in the thread, and what they raise is tried again like a job.
    """

    def __init__(self, open_logbook: Callable[[], Logbook], took_up: Job) -> None:
        """Stand ready; nothing is opened yet."""
        self._open_logbook = open_logbook
        self._took_up = took_up
        self._log: Logbook | None = None
        self._jobs: deque[tuple[Job, Worth]] = deque()
        self._entries = 0
        self._changed = threading.Condition()
        self._finishing = False
        self._give_up = threading.Event()
        self._tried = threading.Event()
        self.trouble: str | None = None
        self.notice: str | None = None
        self.lost = 0
        self._thread = threading.Thread(target=self._work, name="log-writer", daemon=True)

    def start(self) -> None:
        """Begin, and wait a moment for the log to be open."""
        self._thread.start()
        self._tried.wait(OPENS_WITHIN_S)

    def put(self, job: Job, worth: Worth = Worth.ENTRY) -> None:
        """Have a job done after all before it; when too many wait, a mere entry is lost."""
        with self._changed:
            if worth is Worth.ENTRY and len(self._jobs) >= MOST_WAITING:
                self.lost += 1
                return
            self._jobs.append((job, worth))
            self._entries += worth is not Worth.NOTHING
            self._changed.notify()

    @property
    def waiting(self) -> int:
        """How many entries are not in the log yet."""
        return self._entries

    @property
    def alive(self) -> bool:
        """Whether the thread still works."""
        return self._thread.is_alive()

    def stop(self, timeout_s: float) -> int:
        """Do what waits, close the log; return how many entries could not be written."""
        with self._changed:
            self._finishing = True
            self._changed.notify()
        self._thread.join(timeout_s)
        self._give_up.set()
        return self._entries

    def _work(self) -> None:
        try:
            self._attempt(None)
            while self._wait_for_job():
                job, worth = self._jobs[0]
                if self._attempt(job):
                    with self._changed:
                        self._jobs.popleft()
                        self._entries -= worth is not Worth.NOTHING
        except Exception:
            logger.exception("the log writer failed")
        finally:
            self._tried.set()
            if self._log is not None:
                self._log.close()

    def _wait_for_job(self) -> bool:
        with self._changed:
            self._changed.wait_for(lambda: self._jobs or self._finishing)
            return bool(self._jobs) and not self._give_up.is_set()

    def _attempt(self, job: Job | None) -> bool:
        """Do a job on the log, opened first where it is not; return whether it is done with."""
        try:
            log = self._opened()
            if job is not None:
                job(log)
        except RefusedEntryError as error:
            logger.error("%s", error)
            return True
        except LogbookError as error:
            self._fall_back(error)
            return False
        finally:
            self._tried.set()
        self.trouble = None
        return True

    def _opened(self) -> Logbook:
        if self._log is None:
            log = self._open_logbook()
            try:
                self._took_up(log)
            except LogbookError:
                log.abandon()
                raise
            self._log, self.notice = log, log.notice
        return self._log

    def _fall_back(self, error: LogbookError) -> None:
        """Let the storage rest. What holds the log is let go: a new hold may reach further."""
        if self.trouble is None:
            logger.error("The log waits in memory: %s", error)
        self.trouble = str(error)
        at_work = self._log is not None
        if self._log is not None:
            self._log.abandon()
            self._log = None
        if not (at_work and isinstance(error, DamagedLogError)):  # opened anew it is set aside
            self._give_up.wait(TRY_AGAIN_S)
