"""The real room on a virtual sound card, its pedals on mock pins: only the wires are missing."""

import multiprocessing
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from gpiozero.pins.mock import MockFactory
from numpy.typing import NDArray

from appliance.daemon import Room
from appliance.devices.clock import SystemClock
from appliance.devices.interface import Interface
from appliance.devices.pedals import FootBoard
from appliance.log.logbook import Logbook
from appliance.practice.order import Order
from appliance.practice.pedalboard import Pedal
from appliance.settings import Settings
from tests.conftest import real_time
from tests.soundcard import Microphone, SoundCard, wait_for


class WatchedInterface(Interface):
    """The sound interface, which remembers what it was asked for."""

    def __init__(self, settings: Settings) -> None:
        super().__init__(settings)
        self.orders: list[Order] = []

    def order(self, order: Order) -> None:
        self.orders.append(order)
        super().order(order)


class FarMicrophone:
    """A :class:`Microphone` in a process of its own: hearing must not hold up what it plays."""

    def __init__(self, card: SoundCard, name: str) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._link, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_serve_microphone, args=(card.name, name, theirs))
        self._process.start()
        theirs.close()  # or a microphone that died would be waited for for ever
        assert self._link.recv() == "ready"

    def play(self, samples: NDArray[np.float32]) -> None:
        """Begin to play; returns at once."""
        self._link.send(("play", samples.astype(np.float32)))

    def hear_loudspeaker(self, gain_db: float) -> None:
        """Let the loudspeaker reach the microphone, so much louder."""
        self._link.send(("hear_loudspeaker", gain_db))

    def close(self) -> None:
        self._link.send(None)
        self._process.join()


@dataclass
class _Card:
    """The sound card of another process."""

    name: str


def _serve_microphone(card_name: str, name: str, link: Any) -> None:
    microphone = Microphone(_Card(card_name), name)
    link.send("ready")
    with real_time():
        while (message := link.recv()) is not None:
            getattr(microphone, message[0])(message[1])
    microphone.close()


@dataclass
class MockRoom:
    """A running room and what surrounds it."""

    settings: Settings
    room: Room
    sound: WatchedInterface
    microphone: FarMicrophone
    log_path: Path
    pins: Any = field(default_factory=MockFactory)

    @property
    def orders(self) -> list[Order]:
        return self.sound.orders

    def status(self) -> dict[str, Any]:
        return self.room.status()

    def play(self, samples: NDArray[np.floating]) -> None:
        """Begin to play."""
        self.microphone.play(samples.astype(np.float32))

    def foot(self, pedal: Pedal, *, down: bool) -> None:
        """Put the foot down, or lift it."""
        pin = self.pins.pin(getattr(self.settings.pedals, f"{pedal}_pin"))
        (pin.drive_low if down else pin.drive_high)()

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)

    def lost(self) -> dict[str, int]:
        """Count what the sound has lost so far."""
        report = self.sound.report()
        return {**report.flags, "dropped": report.dropped_blocks, "reopened": report.reopened}


@contextmanager
def mock_room(card: SoundCard, folder: Path, settings: Settings) -> Iterator[MockRoom]:
    """Run the room on the card, its microphone a client of the card."""
    os.environ.update(card.environment)
    there = replace(settings.sound, input_device="mock-mic", output_device="system")
    settings = replace(settings, sound=there)
    microphone, pins, log_path = FarMicrophone(card, "mock-mic"), MockFactory(), folder / "room.db"
    sound = WatchedInterface(settings)
    room = Room(
        settings,
        clock=SystemClock(),
        sound=sound,
        open_logbook=lambda: Logbook(log_path, settings.room.name),
        open_feet=lambda press, release: FootBoard(
            settings.pedals, press, release, pin_factory=pins
        ),
    )
    stopping = threading.Event()
    serving = threading.Thread(target=room.serve, args=(stopping,))
    serving.start()
    try:
        wait_for(lambda: room.status()["sound"]["running"])
        time.sleep(1.0)  # the first blocks of a stream may be late
        yield MockRoom(settings, room, sound, microphone, log_path, pins)
    finally:
        stopping.set()
        serving.join()
        microphone.close()
        pins.reset()
