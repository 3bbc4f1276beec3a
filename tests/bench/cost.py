"""``python -m tests.bench.cost``: what a running room takes of processor and memory.

The real daemon and the real web server, each as a user starts it, on a virtual sound card in real
time. An invented cellist plays without end, the drone sounds as loud at the microphone as the
player, every note is heard and logged, and a phone reads the week. Processor time is that of all
processes of the daemon, as a share of one core. Memory is given twice: RSS counts pages that
processes share in each of them, PSS shares them out (proc(5), smaps_rollup); the budget is held
against the larger, RSS.

The daemon runs without the right to lock memory, as its unit lets it: a JACK client that may locks
all it has mapped, touched or not, and its RSS then says nothing. Daemon and pages have what their
units set for the C library's heap. ``--python`` names an environment with only the locked packages,
where this one has more: sqlite-utils imports pandas where it is.
"""

import argparse
import os
import platform
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from numpy.typing import NDArray
from tqdm import tqdm

from appliance.control import ask
from tests.bench.takes import RATE_HZ, practice
from tests.conftest import real_time
from tests.mock_room import FarMicrophone
from tests.soundcard import SoundCard, wait_for

LIMIT_SHARE, LIMIT_DAEMON_MB, LIMIT_WEB_MB = 0.08, 120.0, 80.0
UNITS = Path(__file__).parents[2] / "systemd"
SEED = 9002  # a cello
LEVEL_DBFS = -24.0  # of the player where it sounds, and of the drone: 0 dB between them
SETTLE_S = 10.0  # imports, the first drone
PAGES = ("/", "/week.json", "/ear", "/")
PAGE_EVERY_S = 10.0


@dataclass(frozen=True)
class Memory:
    """Of one process, in MB: pages it touches, its share of them, and what is locked."""

    name: str
    rss: float
    pss: float
    locked: float


@dataclass(frozen=True)
class Cost:
    """What was measured."""

    seconds: float
    shares: dict[str, float]  # of one core
    daemon: list[Memory]
    web: list[Memory]
    notes: int
    sound: dict[str, Any]

    @property
    def share(self) -> float:
        return sum(self.shares.values())

    @property
    def late(self) -> int:
        return sum(self.sound["flags"].values()) + self.sound["dropped_blocks"]

    @property
    def kept(self) -> bool:
        return (
            self.share <= LIMIT_SHARE
            and sum(one.rss for one in self.daemon) <= LIMIT_DAEMON_MB
            and sum(one.rss for one in self.web) <= LIMIT_WEB_MB
            and not self.late
        )


def playing() -> NDArray[np.float32]:
    """A line of recorded tones, as loud as the drone, with its rests."""
    dry = practice(SEED).dry
    loud = dry[np.abs(dry) > 0.01 * np.max(np.abs(dry))]
    return np.asarray(dry * 10.0 ** (LEVEL_DBFS / 20.0) / np.std(loud), np.float32)


def family(process: psutil.Process) -> dict[str, psutil.Process]:
    """The process and its children, by what they are."""
    found = {"room": process}
    for child in process.children(recursive=True):
        found[
            "sound" if "appliance.devices.sound_process" in child.cmdline() else str(child.pid)
        ] = child
    return found


def memory(name: str, process: psutil.Process) -> Memory:
    full = process.memory_full_info()
    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    locked_kb = next(int(line.split()[1]) for line in lines if line.startswith("VmLck"))
    return Memory(name, full.rss / 1e6, full.pss / 1e6, locked_kb * 1024 / 1e6)


def _seconds(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


def _unlocked() -> list[str]:
    """What a command is begun with so that it may not lock memory; setpriv(1), prlimit(1)."""
    drop = ["setpriv", "--bounding-set", "-ipc_lock"] if os.geteuid() == 0 else []
    return [*drop, "prlimit", "--memlock=65536"]


def _heap(unit: str) -> dict[str, str]:
    """What a unit sets for malloc(3)."""
    lines = (UNITS / unit).read_text().splitlines()
    set_there = [line.removeprefix("Environment=") for line in lines]
    return dict(line.split("=", 1) for line in set_there if line.startswith("MALLOC_"))


@contextmanager
def room(
    card: SoundCard, folder: Path, python: str
) -> Iterator[tuple[psutil.Process, psutil.Process, str]]:
    """Start daemon and pages; yield both and the address of the pages."""
    settings = folder / "settings.toml"
    settings.write_text(
        f'[room]\nlog_path = "{folder / "room.db"}"\ninstrument = "cello"\n'
        '[sound]\ninput_device = "cost-mic"\noutput_device = "system"\n'
        f'[drone]\nnote = "G2"\nlevel_dbfs = {LEVEL_DBFS}\n'
        '[web]\nhost = "127.0.0.1"\nport = 0\n'
    )
    words = [python, "-m", "appliance", "run", "--no-pedals", "--settings", str(settings)]
    daemon = subprocess.Popen(
        [*_unlocked(), *words, "--socket", str(folder / "room.sock")],
        env={**card.environment, **_heap("groundnote.service")},
    )
    web = subprocess.Popen(
        [python, "-m", "web", "--settings", str(settings)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **_heap("groundnote-web.service")},
    )
    try:
        assert web.stdout is not None
        line = next(line for line in web.stdout if "http://" in line)
        address = "http://" + line.split("http://")[1].split("/")[0]
        yield psutil.Process(daemon.pid), psutil.Process(web.pid), address
    finally:
        for process in (daemon, web):
            process.terminate()
            process.wait(30)


def measure(minutes: float, python: str = sys.executable) -> Cost:
    """Let the room run so long and measure it."""
    card = SoundCard(f"groundnote-cost-{os.getpid()}")
    try:
        with tempfile.TemporaryDirectory() as folder, real_time():
            microphone = FarMicrophone(card, "cost-mic")
            socket = Path(folder) / "room.sock"
            with room(card, Path(folder), python) as (daemon, web, address):
                wait_for(lambda: socket.exists() and _status(socket)["sound"]["running"], 60.0)
                microphone.hear_loudspeaker(0.0)
                ask(socket, {"do": "drone", "on": True})
                time.sleep(SETTLE_S)
                cost = _follow((daemon, web), address, socket, microphone, 60.0 * minutes)
            microphone.close()
            return cost
    finally:
        card.stop()


def _status(socket: Path) -> dict[str, Any]:
    return ask(socket, {"do": "status"})


def _follow(
    processes: tuple[psutil.Process, psutil.Process],
    address: str,
    socket: Path,
    microphone: FarMicrophone,
    seconds: float,
) -> Cost:
    daemon, web = (family(process) for process in processes)
    before = {name: _seconds(process) for name, process in daemon.items()}
    flags = _status(socket)["sound"]["flags"]
    ran_s = _play_and_read(microphone, address, seconds)
    status = _status(socket)
    now = status["sound"]["flags"]
    status["sound"]["flags"] = {name: count - flags[name] for name, count in now.items()}
    return Cost(
        ran_s,
        {name: (_seconds(one) - before[name]) / ran_s for name, one in daemon.items()},
        [memory(name, one) for name, one in daemon.items()],
        [memory(name.replace("room", "web"), one) for name, one in web.items()],
        status["log"]["notes_written"],
        status["sound"],
    )


def _play_and_read(microphone: FarMicrophone, address: str, seconds: float) -> float:
    """Play the line again and again and read the pages now and then; return how long it took."""
    line = playing()
    began_s = played_s = read_s = time.monotonic()
    microphone.play(line)
    with tqdm(total=round(seconds), unit="s") as bar:
        while (now_s := time.monotonic()) - began_s < seconds:
            if now_s - played_s > line.size / RATE_HZ:
                microphone.play(line)
                played_s = now_s
            if now_s - read_s > PAGE_EVERY_S:
                read_s = now_s
                for page in PAGES:
                    urllib.request.urlopen(address + page, timeout=30).read()
            time.sleep(0.5)
            bar.update(round(now_s - began_s) - bar.n)
    return time.monotonic() - began_s


def report(cost: Cost) -> None:
    """Print all of it."""
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}")
    print(f"{cost.seconds:.0f} s, {cost.notes} notes logged; load of the machine {load:.1f}")
    for name, share in cost.shares.items():
        print(f"  {name:6} {100 * share:5.2f} % of one core")
    print(f"  {'all':6} {100 * cost.share:5.2f} %, limit {100 * LIMIT_SHARE:.0f} %")
    print(f"  {'memory, MB':10} {'RSS':>7} {'PSS':>7} {'locked':>7}")
    for one in [*cost.daemon, *cost.web]:
        print(f"  {one.name:10} {one.rss:7.1f} {one.pss:7.1f} {one.locked:7.1f}")
    daemon, web = (sum(one.rss for one in part) for part in (cost.daemon, cost.web))
    print(f"  daemon {daemon:.1f}, limit {LIMIT_DAEMON_MB:.0f}; web {web:.1f}, {LIMIT_WEB_MB:.0f}")
    gap_ms = 1000.0 * cost.sound["longest_gap_s"]
    print(f"  flags {cost.sound['flags']}, dropped {cost.sound['dropped_blocks']}", end="")
    print(f", longest gap between two callbacks {gap_ms:.1f} ms")


def main() -> int:
    """Measure, print; return 1 where a limit is not kept."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=5.0)
    parser.add_argument("--python", default=sys.executable, help="of the environment to measure")
    options = parser.parse_args()
    cost = measure(options.minutes, options.python)
    report(cost)
    print("limits kept" if cost.kept else "limits NOT kept")
    return 0 if cost.kept else 1


if __name__ == "__main__":
    sys.exit(main())
