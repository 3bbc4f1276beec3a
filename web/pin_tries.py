"""How often a PIN may be tried: every wrong try makes the next ones wait longer.

Three counts, each in sliding windows (``limits``), which outlast a restart (:mod:`.kept_tries`):

* **one nickname from one place** (a phone that has signed in as this person before, else an
  address): after a few wrong tries it waits a minute, then ten, then an hour. So somebody else's
  wrong tries do not hold up the right PIN from another place, or from one's own phone.
* **one nickname from anywhere**, so that many addresses are of no use. A known phone is exempt.
* **one address, whatever the nickname.** A school is often one address, so this holds up only
  nicknames that were already mistyped there, and never a first try or a known phone.

The numbers are our own choice. One place has 288 tries a day, which is one chance in 3 500 against
a PIN of six digits (arithmetic).
"""

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address

from limits import RateLimitItem, RateLimitItemPerHour, RateLimitItemPerMinute
from limits.strategies import MovingWindowRateLimiter

from web.kept_tries import KeptStorage

MINUTES = RateLimitItemPerMinute
PLACE = (MINUTES(5), MINUTES(8, 10), RateLimitItemPerHour(12))
PERSON = (MINUTES(40, 10), RateLimitItemPerHour(100))
ADDRESS = (MINUTES(60, 10), RateLimitItemPerHour(200))
REGISTRATIONS = (RateLimitItemPerHour(40),)
AT_ONCE = 2  # hashing a PIN is made to be slow; pages shall still be served beside it
QUEUE_S = 3.0


@dataclass(frozen=True, slots=True)
class Trier:
    """Who tries: for which nickname (its key), from where, and from which known phone, if any."""

    nickname_key: str
    address: str
    device: str | None = None

    @property
    def place(self) -> tuple[str, ...]:
        """What the first count goes by."""
        where = ("device", self.device) if self.device else ("address", self.address)
        return ("place", self.nickname_key, *where)

    @property
    def shared(self) -> tuple[tuple[tuple[RateLimitItem, ...], tuple[str, ...]], ...]:
        """The counts that go beyond this place, for phones that are not known."""
        if self.device:
            return ()
        return (PERSON, ("person", self.nickname_key)), (ADDRESS, ("anywhere", self.address))


class PinTries:
    """Counts tries; one for the whole app, used by many threads."""

    def __init__(self, storage: KeptStorage) -> None:
        """Go on with what ``storage`` holds."""
        self._limiter = MovingWindowRateLimiter(storage)
        self._slots = threading.BoundedSemaphore(AT_ONCE)

    def begin(self, trier: Trier) -> float:
        """Count a try, or return how many seconds it must wait first (0: go on).

        It counts as wrong until :meth:`right` says otherwise, so that many at once gain nothing.
        """
        wait_s = self.wait_s(trier)
        if wait_s == 0.0 and not self._hit(PLACE, trier.place):  # another thread was faster
            return self._longest(PLACE, trier.place) or 1.0
        return wait_s

    def right(self, trier: Trier) -> None:
        """Forget the wrong tries from this place: the PIN was right."""
        for item in PLACE:
            self._limiter.clear(item, *trier.place)

    def wrong(self, trier: Trier) -> None:
        """Let a wrong try count beyond its place, too."""
        for items, key in trier.shared:
            self._hit(items, key)

    def register(self, address: str) -> bool:
        """Count a person who registers from an address; false when there were too many."""
        return self._hit(REGISTRATIONS, ("register", address))

    def queue(self) -> bool:
        """Wait for one's turn to have a PIN hashed; false when too many do. Then :meth:`leave`."""
        return self._slots.acquire(timeout=QUEUE_S)

    def leave(self) -> None:
        """Let the next one have their turn."""
        self._slots.release()

    def wait_s(self, trier: Trier) -> float:
        """Return how many seconds a try would have to wait."""
        here = self._longest(PLACE, trier.place)
        if here or self._unused(trier.place):
            return here
        return max((self._longest(items, key) for items, key in trier.shared), default=0.0)

    def _unused(self, place: tuple[str, ...]) -> bool:
        """Whether nothing was tried from this place within the longest window."""
        longest = PLACE[-1]
        return self._limiter.get_window_stats(longest, *place).remaining == longest.amount

    def _longest(self, items: Iterable[RateLimitItem], key: tuple[str, ...]) -> float:
        full = (item for item in items if not self._limiter.test(item, *key))
        ends = (self._limiter.get_window_stats(item, *key).reset_time for item in full)
        return max((max(1.0, end - time.time()) for end in ends), default=0.0)

    def _hit(self, items: Iterable[RateLimitItem], key: tuple[str, ...]) -> bool:
        """Count in every window, the shortest first, up to one that is full."""
        return all(self._limiter.hit(item, *key) for item in items)


def place_of(address: str | None) -> str:
    """Return what counts as one address: of IPv6 the network, since a machine has any in it."""
    try:
        found = ip_address(address or "")
    except ValueError:
        return "unknown"
    if isinstance(found, IPv6Address) and not found.ipv4_mapped:
        return ":".join(found.exploded.split(":")[:4])
    return str(found)
