"""The sound interface as the room holds it: a process that plays and listens, kept alive.

A device that vanishes ends the process (PortAudio lists devices once, and with a dead sound server
it aborts whoever asks again); a new one looks every ``reopen_after_s`` until the device is back,
and the next has loaded what it needs by then. The room goes on meanwhile and the last drone order
is given again.
"""

import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from multiprocessing.connection import Connection, Pipe
from pathlib import Path
from typing import Any, TypeVar

from appliance.devices.blocks import Block, Handover, SoundReport
from appliance.practice.order import DroneOrder, Order
from appliance.settings import Settings
from appliance.vocabulary import DeviceError

logger = logging.getLogger(__name__)

HOUSE = Path(__file__).parents[2]
OPENS_WITHIN_S = 20.0  # a slow card's first import included
CLOSES_WITHIN_S = 2.0
# A sound process that lost its device ends by itself after a second; one that hangs is ended.
HANGS_AFTER_S = 2.5
LOOK_S = 0.1

Link = Connection
Lent = TypeVar("Lent")


class Interface:
    """Keeps a sound process running on the devices of the settings."""

    def __init__(self, settings: Settings, *, patient: bool = False) -> None:
        """Stand ready; nothing is opened yet. A ``patient`` one may start without its devices."""
        self._settings = settings
        self._patient = patient
        self._handover = Handover()
        self._report = SoundReport(device="", running=False)
        self._reopened = 0
        self._search_steps = 0
        self._link: Link[Any, Any] | None = None
        self._next: tuple[subprocess.Popen[bytes], Link[Any, Any]] | None = None
        self._link_lock = threading.Lock()
        self._last_order: DroneOrder | None = None
        self._stopping = threading.Event()
        self._away, self._back = threading.Event(), threading.Event()  # lent, and not lent
        self._back.set()
        self._keeper = threading.Thread(target=self._keep, name="sound", daemon=True)

    def start(self) -> None:
        """Open the devices; raises :class:`DeviceError` when that fails, unless patient."""
        try:
            self._open()
        except DeviceError as error:
            if not self._patient:
                raise
            self._report = replace(self._report, trouble=str(error))
        self._keeper.start()

    def order(self, order: Order) -> None:
        """Want a drone or a cue; the drone is asked for again when a lost device is back."""
        with self._link_lock:
            if isinstance(order, DroneOrder):
                self._last_order = replace(order, preview=False)
            self._send(order)

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken, or ``None`` after ``timeout_s``."""
        return self._handover.get(timeout_s)

    def report(self) -> SoundReport:
        """Say how the interface is; counts begin anew when it is opened again."""
        return replace(
            self._report,
            dropped_blocks=self._report.dropped_blocks + self._handover.dropped,
            reopened=self._reopened,
            search_steps=self._search_steps,
        )

    def lend(self, work: Callable[[], Lent]) -> Lent:
        """Free the devices, do some work with them, and take them back; return what it returns.

        One at a time; the room hears nothing meanwhile, and its drone stays silent.
        """
        self._back.clear()
        with self._link_lock:
            self._send(None)
        self._away.wait(OPENS_WITHIN_S)
        try:
            return work()
        finally:
            self._away.clear()
            self._back.set()

    def stop(self) -> None:
        """Close the devices; blocks already heard can still be taken."""
        self._stopping.set()
        self._back.set()
        with self._link_lock:
            self._send(None)
        if self._keeper.is_alive():
            self._keeper.join()

    def _open(self) -> None:
        self._process, ours = self._next or _stand_ready()
        self._next = None
        try:
            ours.send((self._settings.sound, self._settings.drone))
            answer = ours.recv() if self._answers(ours) else "it does not answer"
        except (EOFError, OSError) as error:
            answer = f"The sound process ended ({error!r}): is libportaudio2 installed?"
        if not isinstance(answer, SoundReport):
            ours.close()
            self._end_process()
            raise DeviceError(str(answer))
        self._handover.break_off()
        with self._link_lock:
            self._report, self._link = answer, ours
            if self._last_order is not None:
                self._send(self._last_order)

    def _answers(self, link: "Link[Any, Any]") -> bool:
        """Wait for an answer, until it takes too long or the room closes."""
        latest_s = time.monotonic() + OPENS_WITHIN_S
        while not link.poll(LOOK_S):
            if self._stopping.is_set() or time.monotonic() > latest_s:
                return False
        return True

    def _send(self, message: Order | None) -> None:
        if self._link is not None:
            try:
                self._link.send(message)
            except OSError as error:  # it has just gone; the keeper will notice
                logger.debug("order not sent: %s", error)

    def _keep(self) -> None:
        while True:
            self._take_blocks()
            if self._stopping.is_set():
                return
            if not self._back.is_set():
                self._away.set()
                self._back.wait()
                if not self._open_again():
                    return
                continue
            gone = f"The sound device {self._report.device!r} has gone: plug it in again."
            trouble = self._report.trouble or gone
            self._report = replace(self._report, running=False, trouble=trouble)
            logger.error(trouble)
            if not self._open_again():
                return
            self._reopened += 1
            logger.warning("The sound device %r is back.", self._report.device)

    def _take_blocks(self) -> None:
        """Take blocks until the process ends."""
        link = self._link
        try:
            while link is not None:
                if not link.poll(HANGS_AFTER_S):
                    logger.error("The sound process hangs and is ended.")
                    self._process.kill()
                block, self._report = link.recv()
                self._handover.put(block)
        except (EOFError, OSError) as error:
            logger.debug("the sound process ended: %r", error)
        with self._link_lock:
            self._link = None
        if link is not None:
            link.close()
        self._end_process()

    def _open_again(self) -> bool:
        while not self._stopping.is_set():
            self._search_steps += 1
            try:
                self._open()
            except DeviceError as error:
                self._search_steps += 1
                logger.debug("not yet: %s", error)
                self._next = _stand_ready()
                self._stopping.wait(self._settings.sound.reopen_after_s)
            else:
                return True
        self._let_next_go()
        return False

    def _let_next_go(self) -> None:
        if self._next is not None:
            self._process, link = self._next
            self._next = None
            link.close()
            self._end_process()

    def _end_process(self) -> None:
        try:
            self._process.wait(CLOSES_WITHIN_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()


def _stand_ready() -> "tuple[subprocess.Popen[bytes], Link[Any, Any]]":
    """Start a sound process that looks for devices once the settings are sent to it."""
    ours, theirs = Pipe()
    process = start_process(theirs)
    theirs.close()
    return process, ours


def start_process(link: "Link[Any, Any]") -> subprocess.Popen[bytes]:
    """Start a sound process that serves the other end of ``link``."""
    paths = [str(HOUSE), os.environ.get("PYTHONPATH", "")]
    return subprocess.Popen(
        [sys.executable, "-m", "appliance.devices.sound_process", str(link.fileno())],
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(filter(None, paths)),
            "JACK_NO_START_SERVER": "1",  # looking for devices must not start a sound server
        },
        pass_fds=[link.fileno()],
        stdin=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,  # sound libraries chatter; what matters comes over the link
        start_new_session=True,  # a Ctrl-C is for the room, which then closes this one
    )
