"""The drone as the room wants it: by foot, from the note just played; and when it was on."""

from dataclasses import replace

import pytest

from appliance.instruments import INSTRUMENTS
from appliance.practice.cues import Cue
from appliance.practice.order import CueOrder, DroneOrder, Order
from appliance.practice.pedalboard import Heard
from appliance.practice.switch import KEPT, Switch
from appliance.practice.tone import Tone
from appliance.practice.wanted import WantedDrone
from appliance.settings import Settings
from appliance.tuning import nearest_note, note_hz
from tests.log_rows import bent

SETTINGS = Settings()


def wanted(a4_hz: float = 440.0, **practice: bool) -> tuple[WantedDrone, list[Order]]:
    orders: list[Order] = []
    settings = replace(
        SETTINGS,
        room=replace(SETTINGS.room, a4_hz=a4_hz, instrument="cello"),
        practice=replace(SETTINGS.practice, **practice),
    )
    return WantedDrone(settings, orders.append), orders


@pytest.mark.parametrize("a4_hz", [400.0, 415.0, 440.0, 442.0, 480.0])
@pytest.mark.parametrize("name", INSTRUMENTS)
def test_every_note_of_an_instrument_can_be_kept(name: str, a4_hz: float) -> None:
    drone, orders = wanted(a4_hz)
    for midi in range(INSTRUMENTS[name].lowest, INSTRUMENTS[name].highest + 1):
        for off in (-49.0, -20.0, 0.0, 20.0, 49.0):
            drone.keep(bent(note_hz(midi, a4_hz), off))
            sounded = midi if midi <= 96 else midi - 12  # C7 is the drone's highest note
            order = orders[-1]
            assert isinstance(order, DroneOrder) and order.preview
            assert order.root_hz == pytest.approx(note_hz(sounded, a4_hz), rel=1e-12)


@pytest.mark.parametrize("a4_hz", [400.0, 440.0, 480.0])
@pytest.mark.parametrize(
    ("midi", "sounded"), [(24, 24), (23, 35), (21, 33), (12, 24), (96, 96), (97, 85), (120, 96)]
)
def test_what_the_drone_has_not_is_kept_in_its_nearest_octave(
    midi: int, sounded: int, a4_hz: float
) -> None:
    """A bass in fifths, tuned more than a quarter tone low, plays below C1."""
    drone, orders = wanted(a4_hz)
    drone.keep(bent(note_hz(midi, a4_hz), 10.0))
    assert drone.midi == sounded
    order = orders[-1]
    assert isinstance(order, DroneOrder)
    tone = Tone(order.root_hz, "reed", "nothing", -24.0, 48000.0)  # it can be sounded
    assert tone.partials[0].hz == pytest.approx(note_hz(sounded, a4_hz))


@pytest.mark.parametrize(
    ("string", "pure_hz"),
    # pure fifths below the A string, 220 Hz at A4 = 440: 220 / 1.5, and so on (arithmetic)
    [(57, 220.0), (50, 220.0 / 1.5), (43, 220.0 / 1.5**2), (36, 220.0 / 1.5**3)],
)
def test_an_open_string_is_kept_as_it_is_right_if_settings_say_so(
    string: int, pure_hz: float
) -> None:
    on_grid, _ = wanted()
    as_string, _ = wanted(keep_open_strings=True)
    for drone in (on_grid, as_string):
        drone.keep(bent(note_hz(string), -12.0))
    assert on_grid.root_hz == pytest.approx(note_hz(string))
    assert as_string.root_hz == pytest.approx(pure_hz)
    as_string.keep(note_hz(string + 1))
    assert as_string.root_hz == pytest.approx(note_hz(string + 1))


def test_a_step_from_an_open_string_snaps_to_the_grid() -> None:
    drone, _ = wanted(keep_open_strings=True)
    drone.keep(note_hz(36))
    drone.step(1)
    assert drone.root_hz == pytest.approx(note_hz(37))
    assert drone.midi == 37


def test_only_a_silent_drone_previews() -> None:
    drone, orders = wanted()
    for become, heard in (
        (drone.start, Heard.SOUNDING),
        (drone.go_without, Heard.WITHOUT),
        (drone.stop, Heard.SILENT),
    ):
        become()
        assert drone.heard is heard
        drone.choose(60)
        order = orders[-1]
        assert isinstance(order, DroneOrder)
        assert order.preview is (heard is Heard.SILENT)
        assert order.sounding is (heard is Heard.SOUNDING)
        assert order.without is (heard is Heard.WITHOUT)


@pytest.mark.parametrize("quiet", [False, True])
def test_in_quiet_hours_the_foot_hears_that_no_note_is_sounded(quiet: bool) -> None:
    drone, orders = wanted()
    drone.quiet = quiet
    for choose in (lambda: drone.step(1), lambda: drone.keep(220.0)):
        orders.clear()
        choose()
        cues = [order.cue for order in orders if isinstance(order, CueOrder)]
        assert cues == ([Cue.NOTHING_THERE] if quiet else [])
        drones = [order for order in orders if isinstance(order, DroneOrder)]
        assert [order.preview for order in drones] == [not quiet]


def test_a_cue_is_tuned_to_the_root() -> None:
    drone, orders = wanted()
    drone.choose(nearest_note(100.0))
    drone.cue(Cue.PAUSED)
    assert orders[-1] == CueOrder(Cue.PAUSED, drone.root_hz)


# --- switches ------------------------------------------------------------------------------------


def test_a_switch_remembers_when_it_was_on() -> None:
    switch = Switch()
    assert not switch.on and not switch.was_on(1e9)
    assert switch.turn(10.0, on=True) and not switch.turn(11.0, on=True)
    assert switch.on and switch.since_s == 10.0
    assert switch.turn(20.0, on=False)
    assert [switch.was_on(at_s) for at_s in (9.9, 10.0, 19.9, 20.0, 30.0)] == [
        *(False, True, True, False, False)
    ]


@pytest.mark.parametrize("turns", [KEPT, KEPT + 1, 3 * KEPT, 3 * KEPT + 1])
def test_a_switch_forgets_what_is_long_past_and_stays_as_it_is(turns: int) -> None:
    switch = Switch()
    for number in range(turns):
        switch.turn(float(number), on=number % 2 == 0)
    assert switch.on is (turns % 2 == 1)
    assert switch.was_on(turns + 0.5) is switch.on
    assert switch.was_on(turns - 1.5) is not switch.on
