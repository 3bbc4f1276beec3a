"""The pedal board on mock pins: real gpiozero inputs, driven low and high."""

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory, MockPin

from appliance.devices.pedals import FootBoard
from appliance.practice.pedalboard import Gesture, Kind, Pedal, Pedalboard
from appliance.settings import PedalSettings
from appliance.vocabulary import DeviceError

SETTINGS = PedalSettings()
HAS_PINS = Path("/dev/gpiochip0").exists()  # on a Pi
PINS = {Pedal.LEFT: 17, Pedal.MIDDLE: 27, Pedal.RIGHT: 22, Pedal.FOURTH: 23}


class Notebook:
    """Writes down the edges it is told of, on a clock set by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.edges: list[tuple[str, Pedal, float]] = []

    def press(self, pedal: Pedal, at_s: float) -> None:
        self.edges.append(("press", pedal, at_s))

    def release(self, pedal: Pedal, at_s: float) -> None:
        self.edges.append(("release", pedal, at_s))


@pytest.fixture
def pins() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.reset()


def open_board(pins: MockFactory, notes: Notebook, settings: PedalSettings = SETTINGS) -> FootBoard:
    return FootBoard(
        settings, notes.press, notes.release, pin_factory=pins, monotonic=lambda: notes.now_s
    )


@pytest.mark.parametrize("pedal", list(Pedal))
def test_each_pedal_tells_its_edges_with_their_time(pins: MockFactory, pedal: Pedal) -> None:
    notes = Notebook()
    with open_board(pins, notes, replace(SETTINGS, count=4)):
        for now_s, drive in ((1.0, "drive_low"), (1.25, "drive_high"), (3.0, "drive_low")):
            notes.now_s = now_s
            getattr(pins.pin(PINS[pedal]), drive)()
    assert notes.edges == [("press", pedal, 1.0), ("release", pedal, 1.25), ("press", pedal, 3.0)]


def test_bounces_come_through_for_the_pedalboard_to_judge(pins: MockFactory) -> None:
    notes = Notebook()
    with open_board(pins, notes):
        for _ in range(5):
            pins.pin(17).drive_low()
            pins.pin(17).drive_high()
    assert [kind for kind, *_ in notes.edges] == ["press", "release"] * 5


def test_pins_come_from_the_settings_and_are_pulled_up(pins: MockFactory) -> None:
    notes = Notebook()
    with open_board(pins, notes, replace(SETTINGS, left_pin=5)):
        pins.pin(5).drive_low()
        assert pins.pin(5).pull == "up"
    assert notes.edges == [("press", Pedal.LEFT, 0.0)]


class HeldPin(MockPin):  # type: ignore[misc]  # gpiozero has no types
    """A pin whose contact is closed from the beginning: stronger than the pull-up."""

    def _set_pull(self, value: str) -> None:
        super()._set_pull(value)
        if self.info.name == "GPIO22":
            self._state = False


def test_a_pedal_already_down_is_told() -> None:
    notes, pins = Notebook(), MockFactory(pin_class=HeldPin)
    with open_board(pins, notes):
        assert notes.edges == [("press", Pedal.RIGHT, 0.0)]
        pins.pin(22).drive_high()
    assert notes.edges[1:] == [("release", Pedal.RIGHT, 0.0)]


def test_closing_gives_the_pins_back(pins: MockFactory) -> None:
    notes = Notebook()
    board = open_board(pins, notes)
    board.close()
    board.close()
    pins.pin(17).drive_low()
    pins.pin(17).drive_high()
    assert notes.edges == []
    open_board(pins, notes).close()


def test_from_pin_to_gesture(pins: MockFactory) -> None:
    board = Pedalboard(SETTINGS)
    gestures: list[Gesture] = []
    notes = Notebook()
    with FootBoard(
        SETTINGS,
        lambda pedal, at_s: gestures.extend(board.press(pedal, at_s)),
        lambda pedal, at_s: gestures.extend(board.release(pedal, at_s)),
        pin_factory=pins,
        monotonic=lambda: notes.now_s,
    ):
        pins.pin(27).drive_low()
        notes.now_s = 0.2
        pins.pin(27).drive_high()
    gestures += board.tick(0.3)
    assert gestures == [Gesture(frozenset({Pedal.MIDDLE}), Kind.TAP, 0.2)]


def test_two_pedals_on_one_pin_are_refused(pins: MockFactory) -> None:
    with pytest.raises(DeviceError, match="share a pin"):
        open_board(pins, Notebook(), replace(SETTINGS, left_pin=22))


def test_a_pin_in_use_is_named_and_the_others_given_back(pins: MockFactory) -> None:
    notes = Notebook()
    with (
        open_board(pins, notes, PedalSettings(left_pin=2, middle_pin=3, right_pin=22)),
        pytest.raises(DeviceError, match=r"right pedal's pin 22 .* right_pin"),
    ):
        open_board(pins, notes)
    open_board(pins, notes).close()


def test_without_pins_the_error_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LG_WD", str(tmp_path))
    if HAS_PINS:
        pytest.skip("this machine has pins")
    with pytest.raises(DeviceError, match=r"install lgpio .* or run with --no-pedals"):
        FootBoard(SETTINGS, Notebook().press, Notebook().release)


def test_lgpios_pipe_goes_into_the_runtime_directory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LG_WD", "to be put back after the test")
    monkeypatch.delenv("LG_WD")
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/room")
    if HAS_PINS:
        pytest.skip("this machine has pins")
    with pytest.raises(DeviceError):
        FootBoard(SETTINGS, Notebook().press, Notebook().release)
    assert os.environ["LG_WD"] == "/run/room"
