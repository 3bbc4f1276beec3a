"""Which partials of the drone may have been met by one of the player's, by what was lately heard.

What is left of a drone is heard as a player who is just there. A player in unison is told from it
by having been heard elsewhere or set in with a stroke, and by never being exact.
"""

import numpy as np
from numpy.typing import NDArray

from appliance.hearing.reading import read_order
from appliance.hearing.sent import SentDrone

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

ON_DRONE = 0.0012  # 2 cents: what is left of the drone sounds like a player just there
IN_UNISON = 0.8  # of what was heard lately: less is a player elsewhere, and what is left beside
EXACTLY, EXACT_HOPS, EXACT_CHUNKS = 0.0003, 20, 8  # within half a cent for 1.3 s: nobody plays so
PLAYED_HOPS = 5  # off the drone: somebody plays
MEETING_HZ = 8.0  # a Hann taper of a quarter of a second hears no further
MET_HOPS = 2  # read so once, it is a slip


class Meetings:
    """Chunk by chunk; ``drone`` as recognised."""

    def __init__(self, drone: SentDrone) -> None:
        self._drone = drone
        self._exact = 0  # chunks in which all that was read near the drone was exact, less others

    def hear(self, played_hz: Floats, *, struck: bool) -> tuple[Flags, bool]:
        """Which partials were met, shape (K,), and whether somebody plays.

        ``played_hz``, shape (n,), is what was lately heard, hop by hop, NaN without a pitch;
        ``struck`` says that a note has set in and has not ended.
        """
        root_hz = self._drone.root_hz
        hz = played_hz[~np.isnan(played_hz)]
        apart = np.abs(hz / (np.maximum(np.rint(hz / root_hz), 1.0) * root_hz) - 1.0)
        own = apart < ON_DRONE
        plays = struck or int((~own).sum()) >= PLAYED_HOPS
        read = np.abs(hz / (read_order(hz / root_hz) * root_hz) - 1.0)
        self._count_exact(read)
        if self._exact >= EXACT_CHUNKS:
            hz = hz[read >= ON_DRONE]
        elif not (plays and own.sum() > IN_UNISON * len(own)):
            hz = hz[~own]
        return self._met(hz), plays

    def _count_exact(self, read: Floats) -> None:
        exact = np.sum(read < EXACTLY)
        stays = exact >= EXACT_HOPS and exact > IN_UNISON * np.sum(read < ON_DRONE)
        self._exact = min(self._exact + 1, 2 * EXACT_CHUNKS) if stays else max(self._exact - 1, 0)

    def _met(self, hz: Floats) -> Flags:
        partial_hz = self._drone.partial_hz
        order = np.maximum(np.rint(partial_hz / hz[:, None]), 1.0)
        apart = np.abs(order * hz[:, None] - partial_hz)
        return np.asarray((apart < MEETING_HZ).sum(0) >= MET_HOPS)
