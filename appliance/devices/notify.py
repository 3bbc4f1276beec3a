"""What the room tells the service manager: ready, alive, how it is, stopping.

The protocol of sd_notify(3): lines of ``NAME=value`` in one datagram to the Unix socket that
``NOTIFY_SOCKET`` names; an ``@`` at its beginning stands for the abstract namespace. How often
``WATCHDOG=1`` is due comes with ``WATCHDOG_USEC`` and ``WATCHDOG_PID``, sd_watchdog_enabled(3).
Where no service manager asks, all this does nothing.
"""

import logging
import os
import socket
import time
from collections.abc import Callable, Mapping

logger = logging.getLogger(__name__)

BEATS = 10.0  # sd_watchdog_enabled(3) asks for two at least; between them none is passed on


class ServiceManager:
    """The other end of ``NOTIFY_SOCKET``, if there is one. Never raises.

    :meth:`alive` may be called for every block: it is passed on ten times in the watchdog's time.
    """

    def __init__(
        self,
        environment: Mapping[str, str] = os.environ,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Read what the service manager has put into the environment."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]
        self._alive_every_s = _watchdog_s(environment) / BEATS
        self._monotonic = monotonic
        self._alive_said_s = -float("inf")
        self._said = ""

    def ready(self) -> None:
        """Say that the room is open."""
        self._tell("READY=1")

    def alive(self) -> None:
        """Say that sound was heard just now, or that the search for it has got further."""
        now_s = self._monotonic()
        if self._alive_every_s and now_s - self._alive_said_s >= self._alive_every_s:
            self._alive_said_s = now_s
            self._tell("WATCHDOG=1")

    def status(self, sentence: str) -> None:
        """Say in one line how the room is, for ``systemctl status``; only when it is news."""
        if sentence != self._said:
            self._said = sentence
            self._tell("STATUS=" + " ".join(sentence.split()))

    def stopping(self) -> None:
        """Say that the room is being closed."""
        self._tell("STOPPING=1")

    def _tell(self, line: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as client:
                client.sendto(line.encode(), self._address)
        except OSError as error:  # a service manager that is itself busy or gone stops no practice
            logger.warning("The service manager was not told %s (%s).", line, error)


def _watchdog_s(environment: Mapping[str, str]) -> float:
    """Return the watchdog's time in seconds; 0 where none watches this process."""
    watched = environment.get("WATCHDOG_PID", str(os.getpid()))
    microseconds = environment.get("WATCHDOG_USEC", "")
    if watched != str(os.getpid()) or not microseconds.isdecimal():
        return 0.0
    return int(microseconds) / 1e6
