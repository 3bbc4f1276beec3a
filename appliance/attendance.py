"""Who is checked in, and from which note on.

A check-in counts for the notes that begin after it. The ear tells of a note once it has ended, and
of its beginning a little late, so a change waits until the first note that began after it, or until
none that began before can still come.
"""

from collections import deque
from dataclasses import dataclass

from appliance.vocabulary import Instant

# The ear has told of a note by then, or the note still sounds and the desk knows it.
TOLD_WITHIN_S = 2.0
# Somebody who stopped so shortly ago may only be turning a page. Common practice, no source.
STILL_PLAYING_S = 5.0
# Two who check in within so short a time know nothing of each other: the first one holds.
JUST_CHECKED_IN_S = 10.0
NEVER_S = float("-inf")


@dataclass(frozen=True, slots=True)
class Change:
    """From ``at`` on notes are this player's (a person's id); ``None``: nobody's."""

    player: str | None
    at: Instant


class Attendance:
    """Changes of the player, in their order; used under the desk's lock."""

    def __init__(self) -> None:
        """Nobody is checked in."""
        self._now = Change(None, Instant(0.0, NEVER_S, "", False))
        self._waiting: deque[Change] = deque()

    @property
    def player(self) -> str | None:
        """Whose notes are logged now."""
        return self._now.player

    @property
    def since_s(self) -> float:
        """When that player was checked in, on the monotonic clock."""
        return self._now.at.monotonic_s

    @property
    def latest(self) -> Change:
        """The last change that was told, whether it holds yet or not."""
        return self._waiting[-1] if self._waiting else self._now

    def tell(self, player: str | None, at: Instant) -> None:
        """From ``at`` on somebody else is checked in, or nobody."""
        if player != self.latest.player:
            self._waiting.append(Change(player, at))

    def keep(self, player: str, at: Instant) -> None:
        """Take who was checked in before this start, unless somebody has checked in since.

        They were last heard, or checked in, at ``at``.
        """
        if self.since_s == NEVER_S and not self._waiting:
            self._now = Change(player, at)

    def next_change(self, until_s: float) -> Change | None:
        """Let the next change hold that came before a moment, and return it."""
        if not self._waiting or self._waiting[0].at.monotonic_s > until_s:
            return None
        self._now = self._waiting.popleft()
        return self._now

    def must_ask(self, player: str, at: Instant, last_played_s: float | None) -> bool:
        """Whether a check-in takes the room from somebody else who seems to be playing.

        ``last_played_s``: when a note last ended, or now while one sounds; ``None``: no sitting.
        """
        latest = self.latest
        if latest.player is None or latest.player == player:
            return False
        if at.monotonic_s - latest.at.monotonic_s < JUST_CHECKED_IN_S:
            return True
        return last_played_s is not None and at.monotonic_s - last_played_s < STILL_PLAYING_S
