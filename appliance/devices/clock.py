"""What time it is, on the wall and since the boot, and whether the wall clock can be trusted."""

import ctypes
import time
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from appliance.vocabulary import Instant


class Clock(Protocol):
    """Anything that can say what time it is."""

    def now(self) -> Instant:
        """The present moment on both clocks."""
        ...


class SystemClock:
    """The machine's own clocks (Linux)."""

    def __init__(self) -> None:
        """Read the boot id once: it cannot change while this process lives."""
        self._boot_id = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()

    def now(self) -> Instant:
        """Wall time, seconds since the boot, the boot's id, and the kernel's word on the former."""
        return Instant(time.time(), time.monotonic(), self._boot_id, kernel_clock_synchronised())


class SimulatedClock:
    """A clock advanced by hand, for simulations faster than real time and for tests."""

    def __init__(
        self,
        wall_s: float,
        *,
        monotonic_s: float = 0.0,
        boot_id: str = "simulated",
        synchronised: bool = True,
    ) -> None:
        """Stand still at ``wall_s`` (Unix time) and ``monotonic_s`` since the simulated boot."""
        self._now = Instant(wall_s, monotonic_s, boot_id, synchronised)

    def now(self) -> Instant:
        """The moment it was last advanced to."""
        return self._now

    def advance(self, seconds: float) -> None:
        """Let both clocks run on by ``seconds``; time never runs backwards (``ValueError``)."""
        if not seconds >= 0:
            raise ValueError(f"a clock cannot advance by {seconds} s")
        now = self._now
        self._now = Instant(
            now.wall_s + seconds, now.monotonic_s + seconds, now.boot_id, now.synchronised
        )

    def set(self, wall_s: float, *, synchronised: bool) -> None:
        """Set the wall clock, as a time service or a person does; monotonic time goes on."""
        self._now = replace(self._now, wall_s=wall_s, synchronised=synchronised)


class _Timex(ctypes.Structure):
    """The head of the kernel's ``struct timex`` (adjtimex(2)); the rest is only room to write."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("_rest", ctypes.c_byte * 256),
    )


# The kernel lets its error estimate grow to this value, and no further, while nothing keeps the
# clock right (NTP_PHASE_LIMIT in the kernel's timex.h, from memory).
_MAXERROR_UNSYNCHRONISED_US = 16_000_000


def kernel_clock_synchronised() -> bool:
    """Whether something has set the wall clock right, whichever time service is installed.

    The kernel's estimated error is read rather than its ``STA_UNSYNC`` flag, which time services
    also leave set to keep the kernel's hands off a hardware clock. If the kernel will not say, the
    clock does not count as synchronised.
    """
    timex = _Timex()  # modes = 0: read only
    state: int = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(timex))
    return state >= 0 and timex.maxerror < _MAXERROR_UNSYNCHRONISED_US
