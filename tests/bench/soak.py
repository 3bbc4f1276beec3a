"""``python -m tests.bench.soak``: hours of practice, and what they leave behind.

``--simulated-hours 12`` lets a simulated player practise in a simulated room, block after block, as
fast as the machine can: loudspeaker, walls, ear, foot, desk and the log on disk. ``--real-minutes
60`` runs the daemon as a user does, on JACK's dummy driver, with a tone played into its microphone
again and again. Both report how much memory grew after the first part, and the processor's share;
the second counts the blocks that were lost or late. Last results: ``tests/bench/SOAK.md``.
"""

import argparse
import os
import platform
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import psutil

from appliance.control import ask
from appliance.desk import Desk
from appliance.devices.clock import SimulatedClock
from appliance.devices.loudspeaker import Loudspeaker
from appliance.devices.simulator import simulated_devices
from appliance.hearing.ear import Ear
from appliance.log.keeping import KeptLog
from appliance.log.reader import LogReader
from appliance.log.writer import LogWriter
from appliance.practice.pedalboard import Pedalboard
from appliance.settings import Settings
from tests.soundcard import RATE_HZ, Microphone, SoundCard, Tap, wait_for

SIMULATED_RATE_HZ = 24000.0  # what the ear itself works at
BLOCK_FRAMES = 2400
MOST_GROWTH_MB = 5.0
PART = 0.1  # of the whole: its second part and its last are compared, the first is the warm-up


@dataclass(frozen=True)
class Look:
    """The memory of the processes at a moment of the soak.

    Of one process its resident memory; of daemon and sound process what they share with nobody.
    """

    at_s: float
    memory_mb: float


class SimulatedSoak:
    """Room, player, ear, desk and log in one thread; only the log has its own."""

    def __init__(self, log_path: Path) -> None:
        settings = Settings()
        self._clock = SimulatedClock(1.7e9, monotonic_s=1000.0)
        self._zero = self._clock.now()
        self._loudspeaker = Loudspeaker(settings.drone, SIMULATED_RATE_HZ)
        self._room, self._player = simulated_devices(settings, SIMULATED_RATE_HZ)
        self._ear = Ear(settings, settings.room.instrument, SIMULATED_RATE_HZ)
        self.writer = LogWriter(lambda: KeptLog(log_path, "soak", ""), self._now_s)
        self.writer.start()
        self._desk = Desk(settings, self.writer, self._loudspeaker.order)
        self._board = Pedalboard(settings.pedals)
        self.hearing_s = 0.0

    def block(self) -> None:
        """Let a block pass."""
        sent = self._loudspeaker.render(BLOCK_FRAMES)
        mic = self._room.exchange(sent)
        self._clock.advance(BLOCK_FRAMES / SIMULATED_RATE_HZ)
        began_s = time.thread_time()
        for event in self._ear.hear(mic, sent):
            self._desk.hear(event, self._zero)
        self.hearing_s += time.thread_time() - began_s
        self._feet()
        now = self._clock.now()
        self.writer.tick(now)
        self._desk.tick(now)

    def _feet(self) -> None:
        gestures = self._board.tick(self._now_s())
        for move in self._player.presses_due(self._now_s() - self._zero.monotonic_s):
            edge = self._board.press if move.down else self._board.release
            gestures += edge(move.pedal, self._zero.monotonic_s + move.at_s)
        self._desk.obey(gestures, self._clock.now())

    def _now_s(self) -> float:
        return self._clock.now().monotonic_s


def simulated(hours: float, log_path: Path) -> list[str]:
    """Soak in simulated time; return the lines of the report. Ctrl-C or SIGTERM ends it."""
    soak, process = SimulatedSoak(log_path), psutil.Process()
    looks = []
    blocks = round(hours * 3600.0 * SIMULATED_RATE_HZ / BLOCK_FRAMES)
    began_s, began_cpu_s = time.monotonic(), time.process_time()
    with suppress(KeyboardInterrupt):
        for number in range(blocks):
            soak.block()
            if number % max(1, blocks // 1000) == 0:
                at_s = number * BLOCK_FRAMES / SIMULATED_RATE_HZ
                looks.append(Look(at_s, process.memory_info().rss / 1e6))
                if len(looks) % 20 == 0:
                    print(f"{at_s / 3600.0:6.2f} h {looks[-1].memory_mb:8.2f} MB", flush=True)
    hours = looks[-1].at_s / 3600.0
    report, unwritten = soak.writer.report(), soak.writer.stop(10.0)
    took_s, cpu_s = time.monotonic() - began_s, time.process_time() - began_cpu_s
    return [
        f"simulated hours             {hours:10.2f}   in {took_s / 60.0:.1f} minutes",
        f"notes in the log            {report.notes_written:10d}   not written: {unwritten}",
        *_memory_lines(looks),
        f"ear and desk, of one core   {100.0 * soak.hearing_s / hours / 3600.0:10.2f} %",
        f"all with the simulated room {100.0 * cpu_s / hours / 3600.0:10.2f} %",
    ]


class Rig:
    """A sound card, a tone in its microphone and a tap at its loudspeaker."""

    def __init__(self) -> None:
        self.card = SoundCard(f"groundnote-soak-{os.getpid()}")
        self.microphone, self.tap = Microphone(self.card, "soak-mic"), Tap(self.card, "soak-tap")

    def play(self, samples: "np.ndarray[tuple[int], np.dtype[np.float32]]") -> None:
        """Play a phrase, and forget what was recorded."""
        self.microphone.play(samples)
        self.tap.forget()

    def close(self) -> None:
        """Take it all away."""
        for client in (self.tap, self.microphone):
            client.close()
        self.card.stop()


def real(minutes: float, folder: Path) -> list[str]:
    """Soak the daemon on a virtual sound card; return the lines of the report.

    The rig's clients are Python and may be late themselves, and a card tells every client of every
    xrun. The same rig without a room, meanwhile, counts those that are not the room's. It has a
    process of its own, as JACK has one server for each.
    """
    rig = Rig()
    with ProcessPoolExecutor(1, get_context("spawn")) as others:
        empty = others.submit(xruns_without_a_room, minutes * 60.0)
        try:
            lines = _on_card(rig, minutes, folder)
        finally:
            rig.close()
        return [*lines, f"xruns of one without a room, meanwhile {empty.result()}"]


def xruns_without_a_room(seconds: float) -> int:
    """Count the xruns of a rig on which nothing else is."""
    rig = Rig()
    try:
        for phrases in range(round(seconds / PHRASE_S)):
            rig.play(phrase(phrases))
            time.sleep(PHRASE_S)
        return rig.tap.xruns
    finally:
        rig.close()


def _on_card(rig: Rig, minutes: float, folder: Path) -> list[str]:
    socket, log_path = folder / "c.sock", folder / "r.db"
    settings = folder / "s.toml"
    settings.write_text('[sound]\ninput_device = "soak-mic"\noutput_device = "system"\n')
    words = ["run", "--no-pedals", "--settings", str(settings), "--log", str(log_path)]
    daemon = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(socket)],
        env=rig.card.environment,
    )
    try:
        wait_for(socket.exists, 120.0)
        wait_for(lambda: ask(socket, {"do": "status"})["sound"]["running"], 60.0)
        ask(socket, {"do": "drone", "on": True})
        return _watch(daemon.pid, socket, rig, minutes * 60.0)
    finally:
        daemon.terminate()
        daemon.wait(timeout=60)
        with LogReader(log_path) as log:
            log.check_sound()


class Family:
    """The daemon and its sound process, or one sound process after the other."""

    def __init__(self, pid: int) -> None:
        self._daemon = psutil.Process(pid)
        self._began_s = self._spent(self._daemon)
        self._sound_s: dict[int, float] = {}

    def memory_mb(self) -> float:
        """Return what both share with nobody."""
        memory = self._daemon.memory_full_info().uss
        for child in self._daemon.children():
            with suppress(psutil.NoSuchProcess):  # it has just lost its device
                memory += child.memory_full_info().uss
                self._sound_s[child.pid] = self._spent(child)
        return float(memory / 1e6)

    def shares(self, seconds: float) -> tuple[float, float]:
        """Return what daemon and sound took of one core, %."""
        daemon_s = self._spent(self._daemon) - self._began_s
        return 100.0 * daemon_s / seconds, 100.0 * sum(self._sound_s.values()) / seconds

    @staticmethod
    def _spent(process: psutil.Process) -> float:
        times = process.cpu_times()
        return float(times.user + times.system)


def _watch(daemon_pid: int, socket: Path, rig: Rig, seconds: float) -> list[str]:
    family, began_s, looks = Family(daemon_pid), time.monotonic(), list[Look]()
    while (at_s := time.monotonic() - began_s) < seconds:
        rig.play(phrase(int(at_s)))
        looks.append(Look(at_s, family.memory_mb()))
        if len(looks) % 20 == 1:
            print(
                f"{at_s / 60.0:6.1f} min {looks[-1].memory_mb:8.2f} MB {_lost(socket)}", flush=True
            )
        time.sleep(PHRASE_S)
    daemon_share, sound_share = family.shares(seconds)
    status = ask(socket, {"do": "status"}, timeout_s=30.0)
    return [
        f"real minutes                {seconds / 60.0:10.2f}",
        f"notes in the log            {status['log']['notes_written']:10d}"
        f"   slowest commit {status['log']['slowest_commit_s']:.3f} s",
        *_memory_lines(looks),
        f"daemon, of one core         {daemon_share:10.2f} %",
        f"sound process, of one core  {sound_share:10.2f} %",
        f"lost or late in the daemon  {_lost(socket)}",
        f"xruns of its sound card                {rig.tap.xruns}",
    ]


def _lost(socket: Path) -> dict[str, int]:
    sound = ask(socket, {"do": "status"}, timeout_s=30.0)["sound"]
    return {**sound["flags"], "dropped": sound["dropped_blocks"], "reopened": sound["reopened"]}


PHRASE_S = 3.0


def phrase(seed: int) -> "np.ndarray[tuple[int], np.dtype[np.float32]]":
    """Return a plain bowed-like note of a second, another one each time."""
    hz = 220.0 * 2.0 ** (seed % 24 / 12.0)
    t = np.arange(RATE_HZ) / RATE_HZ
    tone = sum(np.sin(2.0 * np.pi * k * hz * t + k * k) / k for k in range(1, 9))
    envelope = np.minimum(1.0, np.minimum(t / 0.03, (1.0 - t) / 0.05))
    return np.asarray(0.08 * envelope * tone / np.std(tone), np.float32)


def _memory_lines(looks: Sequence[Look]) -> list[str]:
    """Report medians of two parts: single looks differ by what is in work at the moment."""
    part = max(1, round(PART * len(looks)))
    begin, end = (
        float(np.median([look.memory_mb for look in some]))
        for some in (looks[part : 2 * part] or looks[:1], looks[-part:])
    )
    verdict = "kept" if end - begin < MOST_GROWTH_MB else "NOT KEPT"
    return [
        f"memory after the warm-up    {begin:10.2f} MB",
        f"memory at the end           {end:10.2f} MB",
        f"growth                      {end - begin:10.2f} MB   limit {MOST_GROWTH_MB} MB {verdict}",
    ]


def _machine() -> str:
    load = f"load average {os.getloadavg()[1]:.1f}"
    return (
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {load}"
    )


def main() -> int:
    """Soak as asked and print the report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulated-hours", type=float, default=0.0)
    parser.add_argument("--real-minutes", type=float, default=0.0)
    options = parser.parse_args()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    with tempfile.TemporaryDirectory() as folder:
        lines = [_machine()]
        if options.simulated_hours:
            lines += simulated(options.simulated_hours, Path(folder) / "soak.db")
        if options.real_minutes:
            lines += real(options.real_minutes, Path(folder))
    print("\n".join(lines))
    return int(any("NOT KEPT" in line for line in lines))


if __name__ == "__main__":
    sys.exit(main())
