"""``groundnote run``: opens the devices, or a simulated room in their place, and runs the room."""

import argparse
import logging
import signal
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from appliance.caretaker import Caretaker
from appliance.checkup import Checkup
from appliance.control import add_socket, default_socket_path
from appliance.daemon import Room
from appliance.devices.blocks import Sound
from appliance.devices.clock import SystemClock
from appliance.feet import Feet, OnEdge, OpenFeet
from appliance.last_good import load_or_last_good
from appliance.log import owner_code
from appliance.log.backups import folder_of, offer
from appliance.log.keeping import KeptLog
from appliance.log.room_settings import RoomSettingsReader
from appliance.settings import Settings, load
from appliance.vocabulary import DeviceError, LogbookError

if TYPE_CHECKING:
    from appliance.devices.interface import Interface

logger = logging.getLogger(__name__)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``run`` can be told."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the log, instead of log_path")
    parser.add_argument(
        "--simulate", action="store_true", help="a simulated room and player, no devices"
    )
    parser.add_argument(
        "--no-pedals", action="store_true", help="no pedal board: 'groundnote drone' commands it"
    )
    parser.add_argument(
        "--patient",
        action="store_true",
        help="open the room even if interface or pedals are missing or settings cannot be read",
    )
    add_socket(parser)


def run(options: argparse.Namespace) -> int:
    """Run the room until SIGTERM or SIGINT; return 0 when nothing was lost."""
    logging.basicConfig(level=logging.INFO, format="groundnote: %(message)s", stream=sys.stderr)
    settings, trouble = _settings(options)
    log_path = options.log or Path(settings.room.log_path)
    sound: Sound
    if options.simulate:
        caretaker = Caretaker()
        sound, open_feet = _simulated(settings)
    else:
        sound = interface = _interface(settings, patient=options.patient)
        caretaker = _caretaker(settings, Checkup(settings, interface.lend, log_path))
        open_feet = open_feet_of(settings)
        if options.patient:
            open_feet = _or_without_pedals(open_feet)
    room = Room(
        settings,
        clock=SystemClock(),
        sound=sound,
        open_logbook=lambda: KeptLog(
            log_path, settings.room.name, offer(folder_of(settings, log_path))
        ),
        open_feet=None if options.no_pedals else open_feet,
        socket_path=options.socket or default_socket_path(),
        set_before=_set_before(log_path),
        caretaker=caretaker,
        settings_trouble=trouble,
    )
    _tell_owner_code(log_path)
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    with closing(caretaker):
        return 0 if room.serve(stopping) else 1


def _settings(options: argparse.Namespace) -> tuple[Settings, str | None]:
    """Return the settings, and what is wrong with their file where the room opens all the same."""
    if options.settings is None:
        return Settings(), None
    if options.patient:
        return load_or_last_good(options.settings)
    return load(options.settings), None


def _set_before(log_path: Path) -> dict[str, Any]:
    """Return what was set on the page before this start; a log that will not open says so later."""
    try:
        with RoomSettingsReader(log_path) as log:
            return log.room_settings()
    except LogbookError:
        return {}


def _tell_owner_code(log_path: Path) -> None:
    """Say the code that waits for an owner; a room without one plays all the same."""
    try:
        waiting = owner_code.waiting(log_path)
    except owner_code.OwnerCodeError as error:
        waiting = str(error)
    if waiting is not None:
        logging.getLogger(__name__).info("%s", waiting)


# Each kind of device is imported only where it is wanted: a simulated room needs no pins.


def _interface(settings: Settings, *, patient: bool) -> "Interface":
    from appliance.devices.interface import Interface  # noqa: PLC0415

    return Interface(settings, patient=patient)


def open_feet_of(settings: Settings) -> OpenFeet:
    """Return what opens the pedal board of the settings: keys, or pins."""
    pedals = settings.pedals
    if pedals.keyboard:
        from appliance.devices.keys import KeyPedals  # noqa: PLC0415

        return lambda press, release: KeyPedals(pedals, press, release)
    from appliance.devices.pedals import FootBoard  # noqa: PLC0415

    return lambda press, release: FootBoard(pedals, press, release)


class _NoPedals:
    """In place of pedals that could not be opened."""

    def __init__(self, trouble: str) -> None:
        self.trouble: str | None = trouble

    def close(self) -> None:
        """There is nothing to close."""


def _or_without_pedals(open_feet: OpenFeet) -> OpenFeet:
    """Let a room whose pedals cannot be opened sound and hear all the same, and say so."""

    def opened(press: OnEdge, release: OnEdge) -> Feet:
        try:
            return open_feet(press, release)
        except DeviceError as error:
            logger.error("%s", error)
            return _NoPedals(str(error))

    return opened


def _caretaker(settings: Settings, checkup: Checkup) -> Caretaker:
    """Return a caretaker, with its light if that can be opened; a dark room is still a room."""
    if settings.light.pin < 0:
        return Caretaker(checkup)
    from appliance.devices.lights import StatusLight  # noqa: PLC0415

    try:
        return Caretaker(checkup, StatusLight(settings.light.pin))
    except DeviceError as error:
        logger.error("%s", error)
        return Caretaker(checkup, light_trouble=str(error))


def _simulated(settings: Settings) -> tuple[Sound, OpenFeet]:
    from appliance.devices.paced import PacedSound, SimulatedFeet  # noqa: PLC0415
    from appliance.devices.simulator import simulated_devices  # noqa: PLC0415

    walls, player = simulated_devices(settings, settings.sound.sample_rate_hz)
    sound = PacedSound(walls, settings)
    return sound, lambda press, release: SimulatedFeet(player, sound, press, release)
