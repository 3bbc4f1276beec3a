"""When something was on: notes are known after they have ended, and ask about the past. Pure."""

from bisect import bisect_right

KEPT = 1000  # turns to look back on: more than one note can span


class Switch:
    """Remembers when it was turned on and off; times are seconds that never run backwards."""

    def __init__(self) -> None:
        """Start off."""
        self._turned_s: list[float] = []  # on, off, on, …

    @property
    def on(self) -> bool:
        """Whether it is on now."""
        return len(self._turned_s) % 2 == 1

    @property
    def since_s(self) -> float:
        """When it was last turned; never yet: the distant future."""
        return self._turned_s[-1] if self._turned_s else float("inf")

    def turn(self, at_s: float, *, on: bool) -> bool:
        """Turn it on or off; say whether that changed anything."""
        if on is self.on:
            return False
        self._turned_s.append(at_s)
        del self._turned_s[: -KEPT - len(self._turned_s) % 2]  # an even number, so that on stays on
        return True

    def was_on(self, at_s: float) -> bool:
        """Whether it was on at a time in the past; from the moment of its turn on."""
        return bisect_right(self._turned_s, at_s) % 2 == 1
