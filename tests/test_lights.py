"""The status light on mock pins: told apart by rhythm, and never faster than three a second."""

import itertools
import re
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from gpiozero.pins.mock import MockFactory

from appliance.caretaker import Caretaker
from appliance.devices.lights import StatusLight
from appliance.practice.signs import (
    NOTED_S,
    RHYTHMS,
    TRY_OUT_S,
    Sign,
    SignBoard,
    is_lit,
    sign_of,
)
from appliance.settings import Settings, SettingsError, from_tables
from appliance.vocabulary import DeviceError, NoteEnded
from tests.soundcard import wait_for
from tests.stage import build, note

PIN = 24
STEP_S = 0.01
HARDWARE = Path(__file__).parents[1] / "hardware" / "README.md"


def shown(board: SignBoard, seconds: float, from_s: float = 0.0) -> np.ndarray:
    return np.array([board.lit(from_s + at) for at in np.arange(0.0, seconds, STEP_S)])


def flashes_a_second(lit: np.ndarray) -> int:
    """The most general flashes in any second, WCAG 2.2: a flash is a pair of opposing changes."""
    changes = np.abs(np.diff(lit.astype(int)))
    window = round(1.0 / STEP_S)
    return int(np.convolve(changes, np.ones(window), "full").max()) // 2


@pytest.mark.parametrize("sign", Sign)
def test_no_sign_flashes_more_than_three_times_in_a_second(sign: Sign) -> None:
    assert flashes_a_second(shown(SignBoard(sign), 20.0)) <= 3


def test_a_fast_scale_does_not_flicker() -> None:
    board = SignBoard(Sign.HEARING)
    lit = []
    for at in np.arange(0.0, 10.0, STEP_S):
        if round(at / STEP_S) % 8 == 0:  # twelve notes a second
            board.note(float(at))
        lit.append(board.lit(float(at)))
    assert flashes_a_second(np.array(lit)) <= 3
    assert not all(lit)


def test_signs_changing_all_the_time_stay_slow_enough() -> None:
    """A room that hears a note now and then beside a device that comes and goes."""
    for one, other in itertools.permutations(Sign, 2):
        board, lit = SignBoard(one), []
        for at in np.arange(0.0, 6.0, STEP_S):
            board.show(one if int(at) % 2 == 0 else other, float(at))
            lit.append(board.lit(float(at)))
        assert flashes_a_second(np.array(lit)) <= 3, (one, other)


def test_signs_are_told_apart_by_rhythm_alone() -> None:
    patterns = {sign: tuple(shown(SignBoard(sign), 12.0)) for sign in Sign}
    assert len(set(patterns.values())) == len(Sign)
    shares = sorted(float(np.mean(pattern)) for pattern in patterns.values())
    assert min(b - a for a, b in itertools.pairwise(shares)) > 0.2  # nearly dark … nearly all on


def test_a_noted_note_is_a_short_dark() -> None:
    board = SignBoard(Sign.HEARING)
    board.note(3.0)
    assert [board.lit(at) for at in (2.9, 3.0, 3.0 + NOTED_S / 2, 3.0 + NOTED_S, 4.0)] == [
        *(True, False, False, True, True)
    ]


def test_what_the_room_is_becomes_a_sign() -> None:
    assert sign_of(trouble=True, sitting=True, paused=False) is Sign.TROUBLE
    assert sign_of(trouble=False, sitting=True, paused=False) is Sign.HEARING
    assert sign_of(trouble=False, sitting=True, paused=True) is Sign.READY
    assert sign_of(trouble=False, sitting=False, paused=False) is Sign.READY


def test_the_hardware_page_shows_every_rhythm() -> None:
    """What the table says in seconds is what the light does."""
    rows = re.findall(r"^\| \*(\w+)\* \|([^|]+)\|", HARDWARE.read_text(encoding="utf-8"), re.M)
    said = {name: tuple(map(float, re.findall(r"\d+(?:\.\d+)?", how))) for name, how in rows}
    assert said == {
        **{sign.value: RHYTHMS[sign] for sign in Sign if sign is not Sign.HEARING},
        "hearing": (),
        "noted": (NOTED_S,),
    }


# --- on a pin -----------------------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.at_s = 50.0

    def __call__(self) -> float:
        return self.at_s


def test_the_pin_follows_the_sign() -> None:
    pins, clock = MockFactory(), Clock()
    light = StatusLight(PIN, pin_factory=pins, monotonic=clock)
    pin = pins.pin(PIN)

    def at(seconds: float) -> bool:
        clock.at_s = 50.0 + seconds
        expected = light.lit
        wait_for(lambda: bool(pin.state) is expected, 2.0)
        return expected

    assert [at(0.5), at(1.5)] == [is_lit(Sign.STARTING, 0.5), is_lit(Sign.STARTING, 1.5)]
    light.show(Sign.HEARING)
    assert at(2.0)
    light.note()
    assert not at(2.1) and at(2.5)
    light.try_out()
    assert {at(2.5 + step / 10.0) for step in range(20)} == {True, False}
    assert at(2.5 + TRY_OUT_S + 0.1)
    light.close()
    assert not pins.pin(PIN).state


def test_a_pin_that_is_taken_is_one_sentence() -> None:
    pins = MockFactory()
    light = StatusLight(PIN, pin_factory=pins)
    with pytest.raises(DeviceError, match=r"The light's pin 24 cannot be opened"):
        StatusLight(PIN, pin_factory=pins)
    light.close()


def test_the_light_and_a_pedal_cannot_share_a_pin() -> None:
    with pytest.raises(SettingsError, match=r"\[light\] pin 17 is a pedal's"):
        from_tables({"light": {"pin": 17}})
    assert from_tables({"light": {"pin": 24}}).light.pin == 24
    assert Settings().light.pin == -1


def test_it_never_holds_anybody_up() -> None:
    pins = MockFactory()
    light = StatusLight(PIN, pin_factory=pins)
    began_s = time.perf_counter()
    for sign in Sign:
        light.show(sign)
        light.note()
    assert time.perf_counter() - began_s < 0.05
    light.close()


def test_a_running_room_is_seen_from_outside(tmp_path: Path) -> None:
    """Ready, hearing, trouble: read from the pin alone, by how long it is on."""
    light = StatusLight(PIN, pin_factory=(pins := MockFactory()))
    stage = build(tmp_path, caretaker=Caretaker(light=light))
    stopping = threading.Event()
    serving = threading.Thread(target=stage.room.serve, args=(stopping,))
    serving.start()

    def lit_share(seconds: float) -> float:
        pin, states = pins.pin(PIN), []
        for _ in range(round(seconds / 0.02)):
            states.append(bool(pin.state))
            time.sleep(0.02)
        return float(np.mean(states))

    def stays(low: float, high: float) -> bool:
        return low <= lit_share(1.7) <= high

    try:
        wait_for(lambda: stays(0.0, 0.2))  # one flash of a tenth of a second, or none
        stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
        wait_for(lambda: stays(0.98, 1.0))
        stage.sound.stopped = True
        wait_for(lambda: stays(0.21, 0.35))  # two flashes of 0.2 s in 1.7 s
    finally:
        stopping.set()
        stage.sound.fall_silent()
        serving.join()
        light.close()
