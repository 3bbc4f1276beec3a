"""``python -m tests.bench.clocks``: a real system's clock is wrong, and set while somebody plays.

A PC with Debian in an emulator (:mod:`tests.bench.pc`) on which a room is installed and runs, with
its simulated player. Its battery clock says what a machine without one begins with, its
systemd-timesyncd finds a time server that answers when the case wants it, and people set its clock.
Afterwards every note in the room's log must be dated by the true time, which only this machine
knows. What the system's journal told of its clock is kept with ``--keep`` in ``tests/journals``,
together with what the kernel said of it every four seconds; ``tests/test_journals.py`` dates notes
by these. Needs root, and that nothing else answers at UDP port 123. Last results:
``tests/bench/CLOCKS.md``.
"""

import argparse
import base64
import json
import re
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from appliance.log.reader import LogReader
from appliance.log.records import EventKind
from tests.bench.containers import TOP, Container, NoContainerError, need
from tests.bench.pc import Disk, Pc, installed
from tests.bench.timeserver import TimeServer

JOURNALS = TOP / "tests/journals"
LOG = "/var/lib/groundnote/groundnote.db"
PYTHON = "/opt/groundnote/current/.venv/bin/python"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
NEAR_S = 0.5  # how well the true time of a boot is known from outside
NOTES = 2  # heard in each part of a case
WAIT_S = 400.0
SIMULATED = """[Service]
ExecStart=
ExecStart=/opt/groundnote/current/.venv/bin/groundnote run --simulate --no-pedals \\
  --settings /etc/groundnote/settings.toml
WatchdogSec=120
"""
WATCH = f"""[Service]
WorkingDirectory=/opt/groundnote/current
ExecStart={PYTHON} -u /usr/local/lib/watch.py
SyslogIdentifier=watch
[Install]
WantedBy=multi-user.target
"""
WATCHING = """import time
from appliance.devices.clock import kernel_clock_synchronised
while True:
    print("synchronised" if kernel_clock_synchronised() else "not synchronised")
    time.sleep(4.0)
"""
TIMESYNC = """[Time]
NTP=10.0.2.2
FallbackNTP=
"""
COUNT = f"python3 -c \"import sqlite3; print(sqlite3.connect('file:{LOG}?mode=ro', uri=True)"
COUNT += ".execute('SELECT count(*) FROM note').fetchone()[0])\""
UPTIMES = "for n in $(seq 20); do read up rest </proc/uptime; echo $up; sleep 0.2; done"
OF_CLOCKS = re.compile(r"system clock|system time|clock chang|localtime|time .*changed", re.I)


@dataclass
class World:
    """A PC that is on, the true time around it, and the time server that knows it."""

    pc: Pc
    server: TimeServer

    def hear(self, notes: int = NOTES) -> None:
        """Wait until so many more notes are in the log."""
        before = self._count()
        self._wait(lambda: self._count() >= before + notes)

    def _count(self) -> int:
        try:
            return int(self.pc.shell(COUNT))
        except NoContainerError:
            return 0  # there is no log yet

    def synchronise(self) -> None:
        """Let the time server answer, and wait until the system has taken its word.

        As if the network had just come: systemd-timesyncd then asks at once.
        """
        self.server.telling = True
        self.pc.shell("networkctl reconfigure eth0")
        self._wait(lambda: self.offset_s() < 5.0)  # a command takes its time there

    def offset_s(self) -> float:
        """How far the PC's wall clock is from what the server tells (s)."""
        began_s = self.server.now_s()
        said = float(self.pc.shell("date +%s.%N"))
        return abs(said - self.server.off_s - (began_s + self.server.now_s()) / 2.0)

    def zero_s(self) -> float:
        """The true time at which the PC's monotonic clock was at zero."""
        said = self.pc.stamped(UPTIMES)
        zero_s = min(at_s - float(up) for at_s, up in said if re.fullmatch(r"\d+\.\d+", up))
        return zero_s + self.server.now_s() - time.monotonic()

    def _wait(self, look: Callable[[], bool]) -> None:
        until_s = time.monotonic() + WAIT_S
        while not look():
            if time.monotonic() > until_s:
                raise NoContainerError(f"waited {WAIT_S:.0f} s in vain")
            time.sleep(2.0)


def set_once(world: World) -> None:
    """It starts in the past, and is set in the middle of a sitting."""
    world.hear()
    world.synchronise()
    world.hear()


def an_hour_back(world: World) -> None:
    """As before; then somebody sets it back an hour by hand, and lets it be set right again."""
    set_once(world)
    world.pc.shell("timedatectl set-ntp false; sleep 1; date -s '1 hour ago'")
    world.hear()
    world.pc.shell("timedatectl set-ntp true")
    world.synchronise()
    world.hear()


def told_wrong(world: World) -> None:
    """The time server is an hour ahead, and is put right, so that the clock jumps back an hour."""
    world.server.off_s = 3600.0
    world.synchronise()
    world.hear()
    world.server.off_s = 0.0
    world.synchronise()
    world.hear()


def across(world: World) -> None:
    """Synchronised all the time; summer or winter time begins while somebody plays."""
    world.synchronise()
    season = world.pc.shell("date +%z")
    world.hear()
    need(world.pc.shell("date +%z") == season, "the change came too early for this machine")
    while world.pc.shell("date +%z") == season:
        time.sleep(2.0)
    world.hear()


@dataclass(frozen=True)
class Case:
    """What the battery clock says, what time it truly is, and what happens."""

    name: str
    battery: datetime
    truth: datetime
    happens: Callable[[World], None]
    zone: str = "Europe/Lisbon"
    local: bool = False  # the battery clock shows local time


def _utc(*words: int) -> datetime:
    return datetime(*words, tzinfo=UTC)  # type: ignore[arg-type]


CASES = (
    Case("first-boot", EPOCH, _utc(2026, 11, 30, 17, 5), set_once),
    Case("last-month", EPOCH, _utc(2027, 1, 4, 16, 40), an_hour_back),
    Case("told-wrong", EPOCH, _utc(2027, 1, 12, 9, 30), told_wrong),
    Case("summer", _utc(2027, 3, 28, 0, 54), _utc(2027, 3, 28, 0, 54), across),
    Case("winter", _utc(2027, 10, 31, 1, 54), _utc(2027, 10, 31, 0, 54), across, local=True),
)
ADJTIME = "0.0 0 0.0\n0\n{}\n"


@dataclass(frozen=True)
class Found:
    """A case as it went: the journal's entries on the clock, and how the notes are dated."""

    zero_s: float
    entries: list[dict[str, str]]
    notes: int
    farthest_s: float
    steps_s: tuple[float, ...]


def prepare(machine: Container) -> None:
    """Let the installed room play by itself, and let the kernel's word be written down."""
    root = machine.folder
    drop_in = root / "etc/systemd/system/groundnote.service.d"
    drop_in.mkdir()
    (drop_in / "simulated.conf").write_text(SIMULATED)
    (root / "usr/local/lib/watch.py").write_text(WATCHING)
    (root / "etc/systemd/system/watch.service").write_text(WATCH)
    (root / "etc/systemd/timesyncd.conf").write_text(TIMESYNC)
    machine.shell("systemctl enable watch; systemctl disable groundnote-backup.timer")


def go_through(disk: Disk, case: Case, after: Case | None) -> Found:
    """Let a case happen; leave the disk as the next one finds it."""
    with TimeServer(case.truth.timestamp()) as server, disk.switched_on(case.battery) as pc:
        pc.wait_until_up()
        world = World(pc, server)
        case.happens(world)
        pc.shell("systemctl stop groundnote")
        zero_s = world.zero_s()
        told = pc.shell("journalctl -b -o json --output-fields=MESSAGE,SYSLOG_IDENTIFIER")
        log = base64.b64decode(pc.shell(f"base64 -w0 {LOG}"))
        set_zone(pc, after or case)
        pc.switch_off()
    entries = [json.loads(line) for line in told.splitlines()]
    return judged(zero_s, [entry for entry in entries if of_clocks(entry)], log)


def set_zone(pc: Pc, case: Case) -> None:
    """Set what a system knows of time before it starts."""
    adjtime = ADJTIME.format("LOCAL" if case.local else "UTC")
    pc.shell(f"ln -sf /usr/share/zoneinfo/{case.zone} /etc/localtime")
    pc.shell(f"cat >/etc/adjtime <<'END'\n{adjtime}END\n")


def of_clocks(entry: dict[str, Any]) -> bool:
    """Whether an entry of the journal speaks of the clock."""
    who, said = entry.get("SYSLOG_IDENTIFIER", ""), str(entry.get("MESSAGE"))
    return who in ("watch", "systemd-timesyncd") or (
        who in ("systemd", "kernel") and OF_CLOCKS.search(said) is not None
    )


def judged(zero_s: float, entries: list[dict[str, str]], content: bytes) -> Found:
    """Hold the notes of this boot against the true time."""
    boot = entries[-1]["_BOOT_ID"]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "room.db"
        path.write_bytes(content)
        with LogReader(path) as log:
            at = [row.ended_at for row in log.notes(0.0, 1e12)]
            ours = [one for one in at if one.boot_id.replace("-", "") == boot]
            since_s = min(one.wall_s for one in ours) - 1.0
            steps = list(log.events(since_s, 1e12))
    need(len({(one.boot_id, one.monotonic_s) for one in at}) == len(at), "a note twice")
    need(all(one.synchronised for one in ours), "a note that is not dated")
    farthest_s = max(abs(one.wall_s - one.monotonic_s - zero_s) for one in ours)
    need(farthest_s < NEAR_S, f"a note {farthest_s:.1f} s from its time")
    set_s = [float(str(one.detail)) for one in steps if one.kind is EventKind.CLOCK_SET]
    return Found(zero_s, entries, len(ours), farthest_s, tuple(set_s))


def keep(case: Case, found: Found) -> None:
    """Write the journal's words where the tests find them."""
    fields = ("__REALTIME_TIMESTAMP", "__MONOTONIC_TIMESTAMP", "_BOOT_ID")
    fields += ("SYSLOG_IDENTIFIER", "MESSAGE")
    head = {"zero_s": round(found.zero_s, 3), "zone": case.zone}
    lines = [{field: entry[field] for field in fields} for entry in found.entries]
    JOURNALS.mkdir(exist_ok=True)
    with (JOURNALS / f"{case.name}.jsonl").open("w") as file:
        for line in [head, *lines]:
            file.write(json.dumps(line) + "\n")


def main() -> int:
    """Let all cases happen; return 1 where a note is dated wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--keep", action="store_true", help="write tests/journals anew")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(dir="/var/tmp") as name,
        installed(Path(name), prepare) as disk,
    ):
        for case, after in zip(CASES, [*CASES[1:], None], strict=True):
            try:
                found = go_through(disk, case, after)
            except NoContainerError as error:
                print(f"{case.name}: FAILED, {error}")
                return 1
            if options.keep:
                keep(case, found)
            steps = ", ".join(f"{step:.0f}" for step in found.steps_s)
            print(
                f"{case.name:12} {found.notes:3d} notes, the farthest {found.farthest_s:.2f} s "
                f"from its time; set by {steps or 'nothing'} s",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main())
