"""Pedals that type keys: a stand-in for the input device, a real pipe under it."""

import importlib.util
import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import pytest

from appliance.devices import keys
from appliance.devices.keys import KeyPedals
from appliance.practice.pedalboard import Pedal
from appliance.settings import PedalSettings
from appliance.vocabulary import DeviceError
from tests.soundcard import wait_for

# linux/input-event-codes.h, from memory; the test below compares with evdev where it is installed
CODES = {"KEY_UP": 103, "KEY_LEFT": 105, "KEY_RIGHT": 106, "KEY_DOWN": 108, "KEY_A": 30}
SETTINGS = replace(PedalSettings(), keyboard="page turner")
EV_SYN, EV_KEY = 0, 1


class StandIn:
    """An input device whose events the test puts in; pulled out, it raises as the kernel does."""

    def __init__(self, name: str, codes: list[int]) -> None:
        self.name, self._codes = name, codes
        self.fd, self._in = os.pipe()
        self._events: list[Any] = []
        self.grabbed = self.closed = self.pulled = False

    def capabilities(self) -> dict[int, list[int]]:
        return {EV_SYN: [0], EV_KEY: self._codes}

    def grab(self) -> None:
        self.grabbed = True

    def read(self) -> list[Any]:
        os.read(self.fd, 1)
        if self.pulled:
            raise OSError(19, "No such device")
        events, self._events = self._events, []
        return events

    def close(self) -> None:
        if not self.closed:
            self.closed = True
            os.close(self.fd)
            os.close(self._in)

    def type_(self, *keys: tuple[str, int]) -> None:
        self._events += [SimpleNamespace(type=EV_KEY, code=CODES[k], value=v) for k, v in keys]
        self._events.append(SimpleNamespace(type=EV_SYN, code=0, value=0))
        os.write(self._in, b"!")

    def pull_out(self) -> None:
        self.pulled = True
        os.write(self._in, b"!")


@dataclass
class StandIns:
    """The machine's input devices."""

    there: list[StandIn] = field(default_factory=list)
    codes: dict[str, int] = field(default_factory=lambda: CODES)

    def open_all(self) -> list[Any]:
        return [device for device in self.there if not device.closed]


@dataclass
class Board:
    machine: StandIns
    edges: list[tuple[str, Pedal, float]]
    pedals: KeyPedals


ALL = list(CODES.values())


@pytest.fixture
def board(monkeypatch: pytest.MonkeyPatch) -> Iterator[Board]:
    monkeypatch.setattr(keys, "LOOK_AGAIN_S", 0.02)
    machine = StandIns([StandIn("a keyboard", ALL), StandIn("Page Turner", ALL)])
    with opened(machine, SETTINGS) as board:
        yield board


@contextmanager
def opened(machine: StandIns, settings: PedalSettings) -> Iterator[Board]:
    edges: list[tuple[str, Pedal, float]] = []
    pedals = KeyPedals(
        settings,
        lambda pedal, at_s: edges.append(("press", pedal, at_s)),
        lambda pedal, at_s: edges.append(("release", pedal, at_s)),
        keyboards=machine,
        monotonic=lambda: 5.0,
    )
    yield Board(machine, edges, pedals)
    pedals.close()
    pedals.close()
    assert all(device.closed for device in machine.there)


def test_keys_are_pedals_and_a_repeating_key_is_one_press(board: Board) -> None:
    device = board.machine.there[1]
    wait_for(lambda: device.grabbed)
    device.type_(("KEY_LEFT", 1), ("KEY_LEFT", 2), ("KEY_LEFT", 2), ("KEY_LEFT", 0))
    device.type_(("KEY_A", 1), ("KEY_A", 0), ("KEY_DOWN", 1))
    wait_for(lambda: len(board.edges) >= 3)
    assert board.edges == [
        ("press", Pedal.LEFT, 5.0),
        ("release", Pedal.LEFT, 5.0),
        ("press", Pedal.MIDDLE, 5.0),
    ]
    assert not board.machine.there[0].grabbed  # somebody else's keyboard is left alone


def test_a_board_that_is_unplugged_and_comes_back_keeps_working(board: Board) -> None:
    device = board.machine.there[1]
    wait_for(lambda: device.grabbed)
    device.type_(("KEY_RIGHT", 1))
    wait_for(lambda: board.edges)
    device.pull_out()
    wait_for(lambda: board.pedals.trouble)
    assert board.edges[1:] == [("release", Pedal.RIGHT, 5.0)]  # nobody holds what is not there
    assert "'page turner'" in str(board.pedals.trouble)
    back = StandIn("Page Turner", ALL)
    board.machine.there.append(back)
    wait_for(lambda: back.grabbed)
    back.type_(("KEY_RIGHT", 1))
    wait_for(lambda: len(board.edges) == 3)
    assert board.edges[2] == ("press", Pedal.RIGHT, 5.0) and board.pedals.trouble is None


@pytest.mark.skipif(
    not os.access("/dev/uinput", os.W_OK), reason="this kernel makes no input devices (uinput)"
)
def test_a_board_made_by_the_kernel_is_unplugged_and_comes_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The same with a real device file, a real grab and the kernel's own error."""
    evdev = pytest.importorskip("evdev")
    monkeypatch.setattr(keys, "LOOK_AGAIN_S", 0.02)
    edges: list[tuple[str, Pedal]] = []

    def press_until(count: int) -> None:
        """Press the right pedal again and again: nobody says when the device file is open."""
        board = evdev.UInput({EV_KEY: ALL}, name="Groundnote page turner")

        def press() -> bool:
            for value in (1, 2, 0):
                board.write(EV_KEY, CODES["KEY_RIGHT"], value)
                board.syn()
            return len(edges) >= count

        wait_for(press)
        board.close()

    pedals = KeyPedals(
        replace(SETTINGS, keyboard="groundnote page"),
        lambda pedal, _: edges.append(("press", pedal)),
        lambda pedal, _: edges.append(("release", pedal)),
    )
    try:
        press_until(2)
        wait_for(lambda: pedals.trouble)
        before = len(edges)
        press_until(before + 2)
    finally:
        pedals.close()
    assert edges[0::2] == len(edges) // 2 * [("press", Pedal.RIGHT)]
    assert edges[1::2] == len(edges) // 2 * [("release", Pedal.RIGHT)]


def test_of_two_devices_with_one_name_the_one_with_the_keys_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(keys, "LOOK_AGAIN_S", 0.02)
    bare, whole = StandIn("Page Turner", [30]), StandIn("Page Turner", ALL)
    with opened(StandIns([bare, whole]), SETTINGS):
        wait_for(lambda: whole.grabbed)
        assert bare.closed


def test_a_board_of_two_needs_only_two_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keys, "LOOK_AGAIN_S", 0.02)
    device = StandIn("Page Turner", [105, 106])
    with opened(StandIns([device]), replace(SETTINGS, count=2)) as board:
        wait_for(lambda: device.grabbed)
        assert board.pedals.trouble is None


def test_the_fourth_pedal_of_a_board_of_four_has_a_key_too(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(keys, "LOOK_AGAIN_S", 0.02)
    device = StandIn("Page Turner", ALL)
    with opened(StandIns([device]), replace(SETTINGS, count=4, fourth_key="KEY_A")) as board:
        wait_for(lambda: device.grabbed)
        device.type_(("KEY_A", 1), ("KEY_A", 0), ("KEY_UP", 1))
        wait_for(lambda: len(board.edges) >= 2)
        assert board.edges == [("press", Pedal.FOURTH, 5.0), ("release", Pedal.FOURTH, 5.0)]


def test_a_key_the_kernel_does_not_know_is_said() -> None:
    with pytest.raises(DeviceError, match=r"no key KEY_PEDAL: set another left_key"):
        KeyPedals(
            replace(SETTINGS, left_key="KEY_PEDAL"),
            lambda *_: None,
            lambda *_: None,
            keyboards=StandIns(),
        )


@pytest.mark.skipif(importlib.util.find_spec("evdev") is not None, reason="evdev is installed")
def test_without_evdev_the_error_says_what_to_install() -> None:
    before = threading.active_count()
    with pytest.raises(DeviceError, match="install python3-evdev"):
        KeyPedals(SETTINGS, lambda *_: None, lambda *_: None)
    assert threading.active_count() == before


def test_the_stand_in_has_what_evdev_has() -> None:
    evdev = pytest.importorskip("evdev")
    assert {name: evdev.ecodes.ecodes[name] for name in CODES} == CODES
    assert (evdev.ecodes.EV_KEY, evdev.ecodes.EV_SYN) == (EV_KEY, EV_SYN)
    for name in ("name", "fd", "capabilities", "grab", "read", "close"):
        assert hasattr(evdev.InputDevice, name)
