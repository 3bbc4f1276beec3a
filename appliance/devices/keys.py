"""A pedal board that types keys, over USB or Bluetooth: keys in, edges with their time out.

The only importer of evdev, which is there only where key pedals are used: Debian's python3-evdev,
or the extra ``keys``. The user who runs the room belongs to the group ``input``.
"""

import logging
import select
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Protocol

from appliance.practice.pedalboard import Pedal, pedals_of_board
from appliance.settings import PedalSettings
from appliance.vocabulary import DeviceError

logger = logging.getLogger(__name__)

OnEdge = Callable[[Pedal, float], None]

LOOK_AGAIN_S = 1.0  # a board that is unplugged or asleep
CLOSE_WITHIN_S = 0.2
_EV_KEY = 1  # event type of keys, and …
_UP, _DOWN = 0, 1  # … values; 2 is a key that repeats (linux/input.h)


class KeyDevice(Protocol):
    """What is used of an ``evdev.InputDevice``; it raises OSError once it has gone."""

    name: str
    fd: int

    def capabilities(self) -> Mapping[int, Iterable[int]]:
        """Return event types with their codes."""

    def grab(self) -> None:
        """Keep the keys from everybody else: a pedal must not type into a login."""

    def read(self) -> Iterable[Any]:
        """Return the events that wait, each with ``type``, ``code`` and ``value``."""

    def close(self) -> None:
        """Close it."""


class Keyboards(Protocol):
    """Where key devices come from."""

    codes: Mapping[str, int]  # of keys, by the kernel's names

    def open_all(self) -> list[KeyDevice]:
        """Open every input device that this user may read."""


class KeyPedals:
    """The pedals of a board that types keys; keeps looking for it while it is not there.

    ``on_press(pedal, at_s)`` and ``on_release(pedal, at_s)`` are called from a thread of its own;
    ``at_s`` comes from ``monotonic``. Raises :class:`DeviceError` where evdev is not installed or
    a key has no such name.
    """

    def __init__(
        self,
        settings: PedalSettings,
        on_press: OnEdge,
        on_release: OnEdge,
        *,
        keyboards: Keyboards | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Begin to look for the board."""
        self._name = settings.keyboard
        self._keyboards = keyboards if keyboards is not None else _Evdev()
        self._pedals = _pedals_by_code(settings, self._keyboards.codes)
        self._on_edge = {_DOWN: on_press, _UP: on_release}
        self._monotonic = monotonic
        self._down: set[Pedal] = set()
        self.trouble: str | None = None
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._run, name="key-pedals", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop and let the keys go; may be called twice."""
        self._closing.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._closing.is_set():
            device = self._find()
            if device is None:
                self._say_missing()
            else:
                self._say_there(device)
                self._follow(device)
            self._closing.wait(LOOK_AGAIN_S)

    def _find(self) -> KeyDevice | None:
        """Open the device of that name that has all the keys; close the others."""
        found = None
        for device in self._keyboards.open_all():
            if found is None and self._fits(device):
                found = device
            else:
                device.close()
        return found

    def _fits(self, device: KeyDevice) -> bool:
        keys = set(device.capabilities().get(_EV_KEY, ()))
        return self._name.casefold() in device.name.casefold() and keys >= self._pedals.keys()

    def _say_missing(self) -> None:
        if self.trouble is None:
            self.trouble = (
                f"No key pedals with {self._name!r} in their name and all the keys of [pedals]: "
                "plug them in or wake them, and see that this user is in the group input."
            )
            logger.warning(self.trouble)

    def _say_there(self, device: KeyDevice) -> None:
        if self.trouble is not None:
            self.trouble = None
            logger.warning("The key pedals %r are there.", device.name)

    def _follow(self, device: KeyDevice) -> None:
        """Pass edges on until the device has gone; what was down then is up."""
        try:
            device.grab()
            while not self._closing.is_set():
                if select.select([device.fd], [], [], CLOSE_WITHIN_S)[0]:
                    for event in device.read():
                        self._take(event)
        except OSError as error:
            logger.debug("key pedals: %s", error)
        finally:
            for pedal in sorted(self._down):
                self._on_edge[_UP](pedal, self._monotonic())
            self._down.clear()
            device.close()

    def _take(self, event: Any) -> None:
        if event.type != _EV_KEY or event.value not in self._on_edge:
            return
        pedal = self._pedals.get(event.code)
        if pedal is not None:
            (self._down.add if event.value == _DOWN else self._down.discard)(pedal)
            self._on_edge[event.value](pedal, self._monotonic())


def _pedals_by_code(settings: PedalSettings, codes: Mapping[str, int]) -> dict[int, Pedal]:
    pedals = {}
    for pedal in pedals_of_board(settings.count):
        key = getattr(settings, f"{pedal}_key")
        if key not in codes:
            raise DeviceError(
                f"The kernel knows no key {key}: set another {pedal}_key under [pedals]."
            )
        pedals[codes[key]] = pedal
    return pedals


class _Evdev:
    """The machine's own input devices."""

    def __init__(self) -> None:
        try:
            import evdev  # noqa: PLC0415 - it is there only where key pedals are used
        except ImportError as error:
            raise DeviceError(
                "Key pedals need evdev: install python3-evdev (see hardware/README.md), or leave "
                "keyboard under [pedals] empty for footswitches on the pins."
            ) from error
        self._evdev: Any = evdev
        self.codes: Mapping[str, int] = evdev.ecodes.ecodes

    def open_all(self) -> list[KeyDevice]:
        devices = []
        for path in self._evdev.list_devices():
            try:
                devices.append(self._evdev.InputDevice(path))
            except OSError as error:  # it has just gone
                logger.debug("%s: %s", path, error)
        return devices
