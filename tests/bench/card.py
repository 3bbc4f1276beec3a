"""``python -m tests.bench.card``: a room on a real kernel's sound card, which is taken away.

A PC with Debian in an emulator (:mod:`tests.bench.pc`) has a sound card, which Debian's own driver
serves and the installed service opens through ALSA inside its sandbox. Shown is what no container
can: that the card is found, named and taken; that systemd lets the sound process have the priority
in real time that it asks for, and the other threads none; that the room outlives the card being
taken from it while it plays (its driver lets go, as when it is unplugged), and takes it again. The
card hears silence. The times are those of an emulated processor. Last results:
``tests/bench/CARD.md``.
"""

import argparse
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from appliance.devices.sound_process import REAL_TIME_PRIORITY
from tests.bench.containers import Container, all_pass, need, wait
from tests.bench.pc import Pc, installed

SETTINGS = "/etc/groundnote/settings.toml"
CARD = (
    *("-audiodev", "none,id=silence", "-device", "intel-hda"),
    *("-device", "hda-duplex,audiodev=silence"),
)
TURNS = 3  # how often it is taken away
DRIVER = "/sys/bus/pci/drivers/snd_hda_intel"
# Slower than the card, it never hears what is fresh: its watchdog is shown elsewhere.
SLOW = """[Service]
WatchdogSec=0
"""


def prepare(machine: Container) -> None:
    """Give an emulated processor its time."""
    drop_in = machine.folder / "etc/systemd/system/groundnote.service.d"
    drop_in.mkdir()
    (drop_in / "slow.conf").write_text(SLOW)


class Visitor:
    """Looks into a PC with a card."""

    def __init__(self, pc: Pc) -> None:
        self._pc = pc
        self._card = ""

    def card_is_found(self) -> str:
        """The one device that does both ways; then it stands in the settings."""
        self._card = self._pc.shell("groundnote sound --choose").strip()
        need("HDA" in self._card, self._card)
        self._pc.shell(f"sed -i 's@^#*device = .*@device = \"{self._card}\"@' {SETTINGS}")
        self._pc.shell("systemctl restart groundnote")
        return repr(self._card)

    def room_hears(self) -> str:
        wait(self._hears)
        return f"through {self._card!r}, by ALSA"

    def _hears(self) -> bool:
        said = self._pc.shell("cd /; runuser -u groundnote -- groundnote drone status || true")
        return f"\nsound: {self._card}" in f"\n{said}"

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

    def card_is_taken_away(self) -> str:
        """While it plays; the room says so, stays the same, and takes it when it is back."""
        pid = self._pc.shell("systemctl show -p MainPID --value groundnote")
        bus = self._pc.shell(f"cd {DRIVER}; ls -d *:*").strip()
        took = []
        for _ in range(TURNS):
            self._pc.shell(f"echo {bus} >{DRIVER}/unbind")
            wait(lambda: not self._hears())
            self._pc.shell(f"echo {bus} >{DRIVER}/bind")
            began_s = time.monotonic()
            wait(self._hears)
            took.append(time.monotonic() - began_s)
        need(self._pc.shell("systemctl show -p MainPID --value groundnote") == pid, "another room")
        return f"{TURNS} times; heard again after {', '.join(f'{s:.0f}' for s in took)} s"


IN_ORDER: tuple[Callable[[Visitor], str], ...] = (
    Visitor.card_is_found,
    Visitor.room_hears,
    Visitor.sound_comes_first,
    Visitor.pages_answer,
    Visitor.card_is_taken_away,
)


def main() -> int:
    """Look at everything; return 1 where something is not so."""
    argparse.ArgumentParser(description=__doc__).parse_args()
    print(f"{datetime.now(UTC):%Y-%m-%d}, an emulated PC on {platform.machine()}", flush=True)
    with (
        tempfile.TemporaryDirectory(dir="/var/tmp") as name,
        installed(Path(name), prepare) as disk,
        disk.switched_on(more=CARD) as pc,
    ):
        pc.wait_until_up()
        if not all_pass(IN_ORDER, Visitor(pc)):
            return 1
        pc.switch_off()
    return 0


if __name__ == "__main__":
    sys.exit(main())
