"""A sound card of software: a JACK server with its dummy driver, a microphone and an ear for it.

The daemon under test opens it through sounddevice like any interface: its microphone is the JACK
client :class:`Microphone`, its loudspeaker is JACK's ``system`` device, and :class:`Tap` records
what goes there.
"""

import os
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48000
PERIOD_FRAMES = 512  # the daemon's own block length
# Each has 32 KB of memory that every client maps; 2048, as JACK has it, are 68 MB of its RSS.
PORTS = 128
START_S = 10.0

Found = TypeVar("Found")


class NoSoundCardError(Exception):
    """JACK cannot be started on this machine."""


class SoundCard:
    """One JACK server with a name of its own, so that nothing else on the machine is touched."""

    def __init__(self, name: str) -> None:
        if shutil.which("jackd") is None:
            raise NoSoundCardError("jackd is not installed (Debian: apt-get install jackd2)")
        self.name = name
        self.environment = {**os.environ, "JACK_DEFAULT_SERVER": name, "JACK_NO_START_SERVER": "1"}
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - open as long as the server
        self.start()

    def start(self) -> None:
        """Start the server, with real-time scheduling where the machine allows it."""
        for scheduling in ("-R -P 70", "-r"):
            driver = f"-d dummy -r {RATE_HZ} -p {PERIOD_FRAMES}"
            self._process = subprocess.Popen(
                f"jackd -n {self.name} --port-max {PORTS} {scheduling} {driver}".split(),
                stdin=subprocess.DEVNULL,
                stdout=self._said,  # no pipe: the server stops when nobody empties it
                stderr=subprocess.STDOUT,
            )
            if self._answers():
                return
            self.stop()
        self._said.seek(0)
        output = self._said.read()
        raise NoSoundCardError(f"jackd does not start: {output.decode(errors='replace')[-500:]}")

    def stop(self) -> None:
        """Stop the server, as if the interface were pulled out."""
        self._process.terminate()
        try:
            self._process.wait(timeout=5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _answers(self) -> bool:
        """Wait until a client gets in. (Debian 13 ships ``jack_wait`` apart from the server.)"""
        import jack  # noqa: PLC0415 - as below

        until_s = time.monotonic() + START_S
        while time.monotonic() < until_s and self._process.poll() is None:
            try:
                jack.Client("knock", servername=self.name, no_start_server=True).close()
            except jack.JackOpenError:
                time.sleep(0.05)
            else:
                return True
        return False


class Card(Protocol):
    """What a client must know of a sound card, in whatever process it is."""

    name: str


class _Client:
    def __init__(self, card: Card, name: str) -> None:
        import jack  # noqa: PLC0415 - it looks for the JACK library, which may be missing

        self.client: Any = jack.Client(name, servername=card.name, no_start_server=True)

    def close(self) -> None:
        self.client.deactivate()
        self.client.close()


class Microphone(_Client):
    """A JACK client that plays samples into whoever listens, and can hear the loudspeaker."""

    def __init__(self, card: Card, name: str) -> None:
        super().__init__(card, name)
        self._out = self.client.outports.register("out")
        self._air = self.client.inports.register("air")
        self._gain = np.float32(0.0)
        self._left: NDArray[np.float32] = np.zeros(0, np.float32)
        self.client.set_process_callback(self._process)
        self.client.activate()

    def play(self, samples: NDArray[np.float32]) -> None:
        """Begin to play; returns at once."""
        self._left = samples.astype(np.float32)

    def hear_loudspeaker(self, gain_db: float) -> None:
        """Let the loudspeaker reach the microphone, so much louder."""
        self._gain = np.float32(10.0 ** (gain_db / 20.0))
        self.client.connect(_loudspeaker(self.client), self._air)

    @property
    def playing(self) -> bool:
        return self._left.size > 0

    def _process(self, frames: int) -> None:
        now, self._left = self._left[:frames], self._left[frames:]
        out = self._out.get_array()
        out[:] = self._gain * self._air.get_array()
        out[: now.size] += now


class Tap(_Client):
    """A JACK client that records what the daemon sends to its loudspeaker."""

    def __init__(self, card: Card, name: str) -> None:
        super().__init__(card, name)
        self._port = self.client.inports.register("in")
        self._blocks: list[NDArray[np.float32]] = []
        self.xruns = 0
        self.client.set_process_callback(self._process)
        self.client.set_xrun_callback(self._count_xrun)
        self.client.activate()

    def connect(self) -> None:
        """Connect to what the daemon's stream plays, once it is there."""
        self.client.connect(_loudspeaker(self.client), self._port)

    def recorded(self) -> NDArray[np.float32]:
        """All samples since the last :meth:`forget`."""
        return np.concatenate(self._blocks) if self._blocks else np.zeros(0, np.float32)

    def sounding(self) -> bool:
        """Whether the last tenth of a second was no silence."""
        return bool(self.recorded()[-RATE_HZ // 10 :].any())

    def forget(self) -> None:
        self._blocks = []

    def _process(self, _frames: int) -> None:
        self._blocks.append(self._port.get_array().copy())

    def _count_xrun(self, _delayed_usecs: float) -> None:
        self.xruns += 1


def _loudspeaker(client: Any) -> Any:
    def ports() -> Any:
        return client.get_ports("PortAudio.*:out_0", is_audio=True, is_output=True)

    return wait_for(ports)[0]


def wait_for(look: Callable[[], Found], timeout_s: float = 15.0, step_s: float = 0.05) -> Found:
    """Return what ``look`` finds as soon as it finds something; fails after ``timeout_s``."""
    end_s = time.monotonic() + timeout_s
    while not (found := look()):
        assert time.monotonic() < end_s, "waited in vain"
        time.sleep(step_s)
    return found
