"""``python -m tests.bench.card``: a room on a real kernel's sound card, which is pulled out.

A PC with Debian in an emulator (:mod:`tests.bench.pc`) has a sound card, which Debian's own driver
serves and the installed service opens through ALSA inside its sandbox. Shown is what no container
can: that the card is found, named and taken; that systemd lets the sound process have the priority
in real time that it asks for, and the other threads none; that the room outlives the card being
pulled out while it plays, and takes it again. The card hears silence. Its times are those of an
emulated processor. Last results: ``tests/bench/CARD.md``.
"""

import argparse
import platform
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from appliance.devices.sound_process import REAL_TIME_PRIORITY
from tests.bench.containers import Container, NoContainerError, need, wait
from tests.bench.pc import Pc, installed

SETTINGS = "/etc/groundnote/settings.toml"
CARD = ("intel-hda,id=card", "hda-duplex,id=codec,bus=card.0,audiodev=silence")
TURNS = 3  # how often it is pulled out
SLOW = """[Service]
WatchdogSec=120
"""


class Plug:
    """The card's plug: the emulator's monitor."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.words = [
            *("-audiodev", "none,id=silence", "-monitor", f"unix:{path},server,nowait"),
            *(word for part in CARD for word in ("-device", part)),
        ]

    def pull(self) -> None:
        """Pull the card out."""
        self._say("device_del card")

    def put_back(self) -> None:
        """Put the same card in again."""
        for part in CARD:
            self._say(f"device_add {part}")

    def _say(self, line: str) -> None:
        with socket.socket(socket.AF_UNIX) as monitor:
            monitor.connect(str(self._path))
            monitor.sendall(f"{line}\n".encode())
            time.sleep(1.0)
            monitor.recv(65536)


def prepare(machine: Container) -> None:
    """Give an emulated processor its time."""
    drop_in = machine.folder / "etc/systemd/system/groundnote.service.d"
    drop_in.mkdir()
    (drop_in / "slow.conf").write_text(SLOW)


class Visitor:
    """Looks into a PC with a card."""

    def __init__(self, pc: Pc, plug: Plug) -> None:
        self._pc = pc
        self._plug = plug
        self._card = ""

    def card_is_found(self) -> str:
        """One device does both ways; it goes into the settings as the installation writes it."""
        self._card = self._pc.shell("groundnote sound --choose").strip()
        self._pc.shell(f"sed -i 's@^#*device = .*@device = \"{self._card}\"@' {SETTINGS}")
        self._pc.shell("systemctl restart groundnote")
        return repr(self._card)

    def room_hears(self) -> str:
        wait(lambda: self._sound() == self._card)
        return f"through {self._sound()!r}, by ALSA"

    def _sound(self) -> str:
        said = self._pc.shell("cd /; runuser -u groundnote -- groundnote drone status")
        return dict(line.split(": ", 1) for line in said.splitlines() if ": " in line)["sound"]

    def sound_comes_first(self) -> str:
        """Every thread of the sound process in real time, none of the room."""
        listed = self._pc.shell("ps -L -u groundnote -o pid=,cls=,rtprio=,args=")
        rows = [line.split(maxsplit=3) for line in listed.splitlines()]
        sound = {(cls, rt) for _, cls, rt, args in rows if "devices.sound" in args}
        need(("FF", str(REAL_TIME_PRIORITY)) in sound, listed)
        others = {cls for _, cls, _, args in rows if "devices.sound" not in args}
        need(others == {"TS"}, listed)
        (pid,) = {pid for pid, cls, _, _ in rows if cls == "FF"}
        limits = self._pc.shell(f"grep -i 'realtime priority' /proc/{pid}/limits").split()
        return f"SCHED_FIFO {REAL_TIME_PRIORITY}, within {limits[3]}; all other threads as usual"

    def pages_answer(self) -> str:
        said = self._pc.shell(
            'python3 -c "import urllib.request as u; '
            "print(u.urlopen('http://127.0.0.1:8080/', timeout=60).status)\""
        ).strip()
        need(said == "200", said)
        return said

    def card_is_pulled_out(self) -> str:
        """While it plays; the room says so, stays the same, and takes it when it is back."""
        pid = self._pc.shell("systemctl show -p MainPID --value groundnote")
        took = []
        for _ in range(TURNS):
            self._plug.pull()
            wait(lambda: self._sound() != self._card)
            self._plug.put_back()
            wait(lambda: self._card in self._pc.shell("cat /proc/asound/cards; echo"))
            began_s = time.monotonic()
            wait(lambda: self._sound() == self._card)
            took.append(time.monotonic() - began_s)
        need(self._pc.shell("systemctl show -p MainPID --value groundnote") == pid, "another room")
        return f"{TURNS} times; heard again after {', '.join(f'{s:.0f}' for s in took)} s"


IN_ORDER: tuple[Callable[[Visitor], str], ...] = (
    Visitor.card_is_found,
    Visitor.room_hears,
    Visitor.sound_comes_first,
    Visitor.pages_answer,
    Visitor.card_is_pulled_out,
)


def main() -> int:
    """Look at everything; return 1 where something is not so."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    print(f"{datetime.now(UTC):%Y-%m-%d}, an emulated PC on {platform.machine()}", flush=True)
    with (
        tempfile.TemporaryDirectory(dir="/var/tmp") as name,
        installed(Path(name), prepare) as disk,
    ):
        plug = Plug(Path(name) / "monitor")
        with disk.switched_on(more=plug.words) as pc:
            pc.wait_until_up()
            visitor = Visitor(pc, plug)
            for step in IN_ORDER:
                words = step.__name__.replace("_", " ")
                try:
                    print(f"  {words}: {step(visitor)}", flush=True)
                except NoContainerError as error:
                    print(f"  {words}: FAILED, {error}")
                    return 1
            pc.switch_off()
    return 0


if __name__ == "__main__":
    sys.exit(main())
