"""The room and its service manager: a receiver of our own at NOTIFY_SOCKET, as in sd_notify(3)."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from appliance.devices import interface
from appliance.devices.notify import BEATS, ServiceManager
from appliance.rules import Between
from appliance.settings import SoundSettings
from tests.soundcard import wait_for
from tests.stage import build

TOP = Path(__file__).parents[1]
WATCHDOG_S = 2.0


class Receiver:
    """What a service manager hears at its end."""

    def __init__(self, address: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind(address)

    def heard(self) -> list[str]:
        """All that was said since the last time."""
        said = []
        while True:
            try:
                said.append(self._socket.recv(4096).decode())
            except BlockingIOError:
                return said

    def alive(self) -> bool:
        """Whether the watchdog was fed since the last time."""
        return "WATCHDOG=1" in self.heard()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def receiver(tmp_path: Path) -> Iterator[Receiver]:
    receiver = Receiver(str(tmp_path / "notify"))
    yield receiver
    receiver.close()


def _environment(tmp_path: Path) -> dict[str, str]:
    return {
        "NOTIFY_SOCKET": str(tmp_path / "notify"),
        "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6)),
        "WATCHDOG_PID": str(os.getpid()),
    }


def test_what_is_said_is_what_the_manual_page_asks_for(tmp_path: Path, receiver: Receiver) -> None:
    """The assignments of sd_notify(3): READY=1, STATUS=…, WATCHDOG=1, STOPPING=1."""
    manager = ServiceManager(_environment(tmp_path))
    manager.ready()
    manager.status("Two\nlines.")
    manager.status("Two\nlines.")
    manager.alive()
    manager.stopping()
    assert receiver.heard() == ["READY=1", "STATUS=Two lines.", "WATCHDOG=1", "STOPPING=1"]


def test_an_at_sign_means_the_abstract_namespace() -> None:
    name = f"groundnote-test-{os.getpid()}"
    receiver = Receiver(f"\0{name}")
    ServiceManager({"NOTIFY_SOCKET": f"@{name}"}).ready()
    assert receiver.heard() == ["READY=1"]
    receiver.close()


def test_alive_is_passed_on_ten_times_in_the_watchdogs_time(
    tmp_path: Path, receiver: Receiver
) -> None:
    now_s = [100.0]
    manager = ServiceManager(_environment(tmp_path), lambda: now_s[0])
    said = []
    for _ in range(1000):  # blocks of 10 ms
        manager.alive()
        said += receiver.heard()
        now_s[0] += 0.01
    assert set(said) == {"WATCHDOG=1"}
    assert len(said) == pytest.approx(10.0 / (WATCHDOG_S / BEATS), abs=3)


@pytest.mark.parametrize(
    "changed", [{"WATCHDOG_PID": "1"}, {"WATCHDOG_USEC": ""}, {"WATCHDOG_USEC": "soon"}]
)
def test_a_watchdog_that_watches_somebody_else_is_not_fed(
    tmp_path: Path, receiver: Receiver, changed: dict[str, str]
) -> None:
    ServiceManager(_environment(tmp_path) | changed).alive()
    assert receiver.heard() == []


def test_a_room_without_a_service_manager_says_nothing_and_a_dead_one_stops_no_practice(
    tmp_path: Path,
) -> None:
    for environment in ({}, {"NOTIFY_SOCKET": str(tmp_path / "nobody")}):
        manager = ServiceManager(environment)
        manager.ready()
        manager.alive()


def test_blocks_feed_the_watchdog_silence_does_not_and_a_search_that_goes_on_does(
    tmp_path: Path, receiver: Receiver
) -> None:
    environment = _environment(tmp_path) | {"WATCHDOG_USEC": "1000"}  # so that every beat is passed
    stage = build(tmp_path, manager=ServiceManager(environment))
    stage.room.start()
    stage.hear(0.1)
    wait_for(receiver.alive)
    stage.hear(0.1)
    wait_for(receiver.alive)
    for _ in range(3):
        stage.sound.fall_silent()
    stage.sound.settle()
    assert not receiver.alive()
    stage.sound.search_steps += 1
    stage.sound.fall_silent()
    wait_for(receiver.alive)
    stage.sound.fall_silent()  # the search has got no further
    stage.sound.settle()
    assert not receiver.alive()
    stage.room.stop()
    stage.pins.reset()


def test_the_running_room_feeds_it_until_it_is_frozen(tmp_path: Path, receiver: Receiver) -> None:
    """The daemon as a process: ready, alive, frozen and silent, alive again, stopping."""
    words = ["run", "--simulate", "--no-pedals", "--log", str(tmp_path / "room.db")]
    environment = _environment(tmp_path)
    del environment["WATCHDOG_PID"]
    process = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(tmp_path / "c.sock")],
        env={**os.environ, **environment},
    )
    try:
        said: list[str] = []
        wait_for(lambda: said.extend(receiver.heard()) or "READY=1" in said, 30.0)
        wait_for(receiver.alive)
        process.send_signal(signal.SIGSTOP)
        time.sleep(0.1)
        receiver.heard()
        time.sleep(WATCHDOG_S)
        assert receiver.heard() == []
        process.send_signal(signal.SIGCONT)
        wait_for(receiver.alive)
    finally:
        process.terminate()
        assert process.wait(timeout=20) == 0
    assert "STOPPING=1" in receiver.heard()


def test_the_units_watchdog_waits_for_the_slowest_step_of_a_search() -> None:
    unit = (TOP / "systemd/groundnote.service").read_text()
    found = re.search(r"^WatchdogSec=(\d+)$", unit, re.MULTILINE)
    assert found and re.search(r"^Type=notify$", unit, re.MULTILINE)
    rule = SoundSettings.__annotations__["reopen_after_s"].__metadata__[0]
    assert isinstance(rule, Between)
    slowest_s = max(rule.high, interface.OPENS_WITHIN_S + interface.CLOSES_WITHIN_S)
    assert slowest_s < float(found.group(1)) * (1.0 - 1.0 / BEATS)
