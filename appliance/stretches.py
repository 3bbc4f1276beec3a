"""The hearing's thread: unbroken stretches of sound, each followed by an ear of its own."""

import threading
from collections.abc import Callable
from typing import Protocol

from appliance.changing import SettingsInForce, needs_new_ear
from appliance.desk import Desk
from appliance.devices.blocks import Block, Samples, Sound
from appliance.devices.clock import Clock
from appliance.settings import RoomSettings
from appliance.vocabulary import Event

SILENT_STREAM_S = 0.45  # no block for so long: the stretch of sound is over, a note in it as well


class Listener(Protocol):
    """An ear: the contract of :class:`appliance.hearing.ear.Ear`."""

    def hear(self, mic: Samples, sent: Samples | None = None) -> list[Event]:
        """Take a block, return what became known."""

    def finish(self) -> list[Event]:
        """Return what is still open."""


class Hearing:
    """Takes blocks, asks the ear, tells the desk.

    ``make_ear`` is asked for a new ear, for a sample rate, whenever a stretch begins. ``clock``
    shares its monotonic seconds with the blocks. ``alive`` is called for every block that was
    heard, and while there is none, for every step of the search for the device.
    """

    def __init__(  # noqa: PLR0913 - it joins them
        self,
        sound: Sound,
        desk: Desk,
        clock: Clock,
        in_force: SettingsInForce,
        *,
        make_ear: Callable[[float], Listener],
        alive: Callable[[], None],
    ) -> None:
        """Wait for :meth:`follow`."""
        self._sound = sound
        self._desk = desk
        self._clock = clock
        self._in_force = in_force
        self._make_ear = make_ear
        self._alive = alive
        self._search_steps = 0
        self._over = threading.Event()

    def leave(self) -> None:
        """Let :meth:`follow` return as soon as all that was recorded is heard."""
        self._over.set()

    def follow(self) -> None:
        """Hear until :meth:`leave`: the thread's work."""
        stretch: _Stretch | None = None
        while True:
            block = self._sound.next_block(SILENT_STREAM_S)
            if stretch is not None and (block is None or block.fresh or self._outdated(stretch)):
                self._tell_desk(stretch, stretch.ear.finish())
                stretch = None
            self._in_force.take_changes()
            if block is not None:
                stretch = stretch or self._begin_stretch(block)
                self._tell_desk(stretch, stretch.hear(block))
                self._alive()
            elif self._over.is_set():
                return
            else:
                self._follow_search()

    def _follow_search(self) -> None:
        """No sound: the room is alive only while the search for the device gets further."""
        steps = self._sound.report().search_steps
        if steps != self._search_steps:
            self._search_steps = steps
            self._alive()

    def _begin_stretch(self, block: Block) -> "_Stretch":
        return _Stretch(self._make_ear(block.sample_rate_hz), self._in_force.settings.room)

    def _outdated(self, stretch: "_Stretch") -> bool:
        """Tell whether an ear was made for another A4 or instrument."""
        in_force = self._in_force
        return in_force.changing or needs_new_ear(stretch.made_for, in_force.settings.room)

    def _tell_desk(self, stretch: "_Stretch", events: list[Event]) -> None:
        if events:
            now = self._clock.now()
            ear_zero = now.later(stretch.began_s - now.monotonic_s)
            for event in events:
                self._desk.hear(event, ear_zero)


class _Stretch:
    """An unbroken stretch of sound and the ear that follows it."""

    def __init__(self, ear: Listener, made_for: RoomSettings) -> None:
        self.ear = ear
        self.made_for = made_for
        self.began_s = 0.0  # on the monotonic clock; told anew by every block, so it cannot drift
        self._heard_s = 0.0

    def hear(self, block: Block) -> list[Event]:
        self._heard_s += block.mic.size / block.sample_rate_hz
        self.began_s = block.at_s - self._heard_s
        return self.ear.hear(block.mic, block.sent)
