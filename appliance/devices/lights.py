"""The status light: an LED on a pin of a Raspberry Pi, in the rhythm of what it says."""

import logging
import threading
import time
from collections.abc import Callable
from typing import Any

import gpiozero

from appliance.devices.pedals import lgpio_factory
from appliance.practice.signs import Sign, SignBoard
from appliance.vocabulary import DeviceError

logger = logging.getLogger(__name__)

TICK_S = 0.05  # the shortest flash lasts two


class StatusLight:
    """One LED, followed by a thread of its own that nothing waits for.

    ``pin_factory`` is a gpiozero factory, ``None`` the Pi's own pins through lgpio. Raises
    :class:`DeviceError` where the pin cannot be opened.
    """

    def __init__(
        self,
        pin: int,
        *,
        pin_factory: Any = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        """Open the pin and begin to show *starting*."""
        self.pin = pin
        self._monotonic = monotonic
        self._factory = pin_factory if pin_factory is not None else lgpio_factory()
        self._owns_factory = pin_factory is None
        try:
            self._led = gpiozero.LED(pin, pin_factory=self._factory)
        except gpiozero.GPIOZeroError as error:
            self._close_factory()
            raise DeviceError(
                f"The light's pin {pin} cannot be opened ({error}): choose another in [light]."
            ) from error
        self._board = SignBoard(since_s=monotonic())
        self._closing = threading.Event()
        self._thread = threading.Thread(target=self._follow, name="light", daemon=True)
        self._thread.start()

    @property
    def lit(self) -> bool:
        """Whether it is on now."""
        return self._board.lit(self._monotonic())

    def show(self, sign: Sign) -> None:
        """Show a sign from now on; from any thread."""
        self._board.show(sign, self._monotonic())

    def note(self) -> None:
        """Let it be seen that a note has been logged."""
        self._board.note(self._monotonic())

    def try_out(self) -> None:
        """Show *trouble* for a moment, whatever is on."""
        self._board.try_out(self._monotonic())

    def close(self) -> None:
        """Put the light out and give the pin back."""
        self._closing.set()
        self._thread.join()
        self._led.off()
        self._led.close()
        self._close_factory()

    def _follow(self) -> None:
        while not self._closing.wait(TICK_S):
            self._led.value = self.lit

    def _close_factory(self) -> None:
        if self._owns_factory:
            self._factory.close()
