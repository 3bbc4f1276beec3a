"""A time server for a network of one: it tells the time one wants, from the moment one wants."""

import socket
import struct
import threading
import time
from types import TracebackType

PORT = 123
EPOCH_1900_S = 2_208_988_800  # seconds from 1900 to 1970 (RFC 5905, figure 4)
# Leap indicator, version, mode and stratum; poll; precision; root delay and dispersion; reference.
HEAD = struct.Struct("!BBbbII4s")
SERVER = 0b00_100_100  # no warning, version 4, mode 4


def stamp(unix_s: float) -> bytes:
    """Return a time as NTP writes it: seconds since 1900 and a fraction, 32 bits each."""
    whole = int(unix_s // 1.0)
    return struct.pack("!II", whole + EPOCH_1900_S, int((unix_s - whole) * 2**32))


class TimeServer:
    """Answers at this machine's own address while ``telling``, ``off_s`` beside the true time.

    The true time of its world starts at ``begins_s`` (Unix time) and goes on as this machine's
    monotonic clock does.
    """

    def __init__(self, begins_s: float) -> None:
        """Begin the world, in which no time can be asked for yet."""
        self._zero_s = begins_s - time.monotonic()
        self.telling = False
        self.off_s = 0.0
        self._line = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._line.bind(("127.0.0.1", PORT))
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> "TimeServer":
        """Stand ready."""
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Go away."""
        self._line.sendto(b"", self._line.getsockname())  # nothing asked: the end
        self._thread.join()
        self._line.close()

    def now_s(self) -> float:
        """The true time in this world, Unix time."""
        return time.monotonic() + self._zero_s

    def _serve(self) -> None:
        while True:
            asked, asker = self._line.recvfrom(1024)
            if not asked:
                return
            if self.telling and len(asked) >= 48:
                self._line.sendto(self._answer(asked), asker)

    def _answer(self, asked: bytes) -> bytes:
        told = stamp(self.now_s() + self.off_s)
        head = HEAD.pack(SERVER, 1, asked[2], -20, 0, 1, b"GPS\0")
        return head + told + asked[40:48] + told + told
