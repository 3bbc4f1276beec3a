"""Microphones with faults on the virtual sound card, all in one simulated room.

A JACK client in a process of its own hears the loudspeaker through the room of the simulator and
plays it into one port for each fault, so that one recording of all its ports holds them all.
"""

import multiprocessing
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from appliance.devices.simulated_room import SimulatedRoom
from tests.conftest import real_time
from tests.soundcard import RATE_HZ, Card

Floats = NDArray[np.float32]

PORTS = ("good", "silent", "clipped", "drifting", "humming", "idle")
DRIFT_PPM = 100.0
HUM_HZ, HUM = 50.0, 10.0 ** (-50.0 / 20.0)
CLIP_GAIN, CLIP_AT = 12.0, 0.25
LOOK_S = 0.02


class _Nobody:
    def sound(self, frames: int) -> Floats:
        return np.zeros(frames, np.float32)


class _Drift:
    """What a clock samples that is faster by ``DRIFT_PPM``: it lags more and more."""

    def __init__(self) -> None:
        self._past = np.zeros(1, np.float32)
        self._at = 0.0  # of the next sample, in the past

    def __call__(self, sound: Floats) -> Floats:
        self._past = np.concatenate([self._past, sound])
        places = self._at + np.arange(sound.size) / (1.0 + DRIFT_PPM * 1e-6)
        out = np.interp(places, np.arange(self._past.size), self._past)
        self._at += sound.size / (1.0 + DRIFT_PPM * 1e-6)
        whole = int(self._at)
        self._past, self._at = self._past[whole:], self._at - whole
        return np.asarray(out, np.float32)


class _Faults:
    """One JACK client; ``PORTS`` are its outputs."""

    def __init__(self, card: Card, name: str, ports: tuple[str, ...]) -> None:
        import jack  # noqa: PLC0415 - it looks for the JACK library, which may be missing

        self._gone: type[Exception] = jack.JackError
        self.client: Any = jack.Client(name, servername=card.name, no_start_server=True)
        self._air = [self.client.inports.register(side) for side in ("left", "right")]
        self._out = {port: self.client.outports.register(port) for port in ports}
        self._room = SimulatedRoom(_Nobody(), RATE_HZ, seed=11)
        self._drift, self._frames = _Drift(), 0
        self._faults: dict[str, Callable[[Floats], Floats]] = {
            "good": lambda sound: sound,
            "silent": np.zeros_like,
            "clipped": lambda sound: np.clip(CLIP_GAIN * sound, -CLIP_AT, CLIP_AT),
            "drifting": self._drift,
            "humming": lambda sound: sound + self._hum(sound.size),
            "idle": lambda sound: np.full_like(sound, 1e-4) * np.sin(np.arange(sound.size) ** 2),
        }
        self.client.set_process_callback(self._process)
        self.client.activate()

    def connect(self) -> None:
        """Connect to whatever plays; called again and again, since streams come and go."""
        for number, air in enumerate(self._air):
            pattern = f"PortAudio.*:out_{number}"
            with suppress(self._gone):  # a port that goes meanwhile; the next is found next time
                for port in self.client.get_ports(pattern, is_audio=True, is_output=True):
                    if port not in air.connections:
                        self.client.connect(port, air)

    def _hum(self, frames: int) -> Floats:
        time_s = (self._frames + np.arange(frames)) / RATE_HZ
        turns = 2.0 * np.pi * HUM_HZ * time_s
        return np.asarray(HUM * (np.sin(turns) + 0.5 * np.sin(2 * turns)), np.float32)

    def _process(self, frames: int) -> None:
        sent = sum(air.get_array() for air in self._air)
        heard = self._room.exchange(np.asarray(sent, np.float32) * np.float32(0.5))
        for name, port in self._out.items():
            port.get_array()[:] = self._faults[name](heard)
        self._frames += frames


class FaultyMicrophones:
    """The microphones, as a process that hearing and measuring cannot hold up."""

    def __init__(self, card: Card, name: str, ports: tuple[str, ...] = PORTS) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._link, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_serve, args=(card.name, name, ports, theirs))
        self._process.start()
        assert self._link.recv() == "ready"

    def close(self) -> None:
        self._link.send(None)
        self._process.join()


class _Named:
    def __init__(self, name: str) -> None:
        self.name = name


def _serve(card_name: str, name: str, ports: tuple[str, ...], link: Any) -> None:
    faults = _Faults(_Named(card_name), name, ports)
    link.send("ready")
    with real_time():
        while not link.poll():
            faults.connect()
            time.sleep(LOOK_S)
    faults.client.deactivate()
    faults.client.close()
