"""The pedal board on the pins of a Raspberry Pi: contacts in, edges with their time out.

The only importer of gpiozero. Debouncing is the pedalboard's job, not the pins'.
"""

import os
import tempfile
import time
from collections.abc import Callable
from typing import Any

import gpiozero

from appliance.practice.pedalboard import Pedal, pedals_of_board
from appliance.settings import PedalSettings
from appliance.vocabulary import DeviceError

OnEdge = Callable[[Pedal, float], None]


class FootBoard:
    """Two to four footswitches between a pin and ground, pulled up inside the chip.

    ``on_press(pedal, at_s)`` and ``on_release(pedal, at_s)`` are called from gpiozero's thread for
    every raw edge, bounces included; ``at_s`` comes from ``monotonic``. ``pin_factory`` is a
    gpiozero factory, ``None`` the Pi's own pins through lgpio: always set explicitly, since
    gpiozero's own search falls back silently and hides the cause. Raises :class:`DeviceError`.
    """

    def __init__(
        self,
        settings: PedalSettings,
        on_press: OnEdge,
        on_release: OnEdge,
        *,
        pin_factory: Any = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Open the pins; a pedal already down is reported as pressed now."""
        self._monotonic = monotonic
        self._factory = pin_factory if pin_factory is not None else lgpio_factory()
        self._owns_factory = pin_factory is None
        self._contacts: list[Any] = []
        self.trouble: str | None = None  # a switch that is unplugged looks like one that is up
        try:
            for pedal, pin in _pins(settings).items():
                self._open(pedal, pin, on_press, on_release)
        except Exception:
            self.close()
            raise

    def close(self) -> None:
        """Give the pins back; may be called twice."""
        for contact in self._contacts:
            contact.close()
        self._contacts.clear()
        if self._owns_factory:
            self._factory.close()
            self._owns_factory = False

    def __enter__(self) -> "FootBoard":
        """Leave the pins open until the block ends."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the pins."""
        self.close()

    def _open(self, pedal: Pedal, pin: int, on_press: OnEdge, on_release: OnEdge) -> None:
        try:
            # Not a Button: its thread for holds, which are the pedalboard's job, delays closing.
            contact = gpiozero.DigitalInputDevice(pin, pull_up=True, pin_factory=self._factory)
        except gpiozero.GPIOZeroError as error:
            raise DeviceError(
                f"The {pedal} pedal's pin {pin} cannot be opened ({error}); "
                f"choose another {pedal}_pin under [pedals] in the settings."
            ) from error
        self._contacts.append(contact)
        contact.when_activated = lambda: on_press(pedal, self._monotonic())
        contact.when_deactivated = lambda: on_release(pedal, self._monotonic())
        if contact.is_active:
            on_press(pedal, self._monotonic())


def _pins(settings: PedalSettings) -> dict[Pedal, int]:
    pins = {
        pedal: int(getattr(settings, f"{pedal}_pin")) for pedal in pedals_of_board(settings.count)
    }
    if len(set(pins.values())) < len(pins):
        raise DeviceError("Two pedals share a pin; give each its own under [pedals] in settings.")
    return pins


def lgpio_factory() -> Any:
    """Return gpiozero's way to the Pi's own pins; raises :class:`DeviceError` elsewhere."""
    # lgpio leaves a pipe in its working directory, by default wherever the daemon was started.
    os.environ.setdefault("LG_WD", os.environ.get("RUNTIME_DIRECTORY", tempfile.gettempdir()))
    try:
        from gpiozero.pins.lgpio import LGPIOFactory  # noqa: PLC0415 - lgpio is there on a Pi only

        return LGPIOFactory()
    except Exception as error:  # lgpio raises a class of its own that only exists where it does
        raise DeviceError(
            f"The pedal pins cannot be opened ({error}): on a Raspberry Pi install lgpio (see "
            "hardware/README.md) and join the group gpio, or run with --no-pedals."
        ) from error
