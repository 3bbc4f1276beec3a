"""One TOML file becomes one frozen dataclass; an unknown key is an error.

Every number a person may want to change stands here, with its unit in its name and the range that
is allowed. ``load(path)`` reads a file, ``Settings()`` is the embedded default, copies for tests
come from :func:`dataclasses.replace`, and ``check`` holds settings built in code to the same rules.
"""

import tomllib
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Annotated

from appliance import tuning
from appliance.rules import (
    DRONE_NOTE,
    FILLED,
    INSTRUMENT,
    KEY,
    TIME_ZONE,
    WEB_ADDRESS,
    Between,
    one_of,
)
from appliance.setting_keys import Keys, keys_of, shown, unknown_key, unknown_table
from appliance.vocabulary import SettingsError

TUNINGS = tuning.TUNINGS
TIMBRES = ("reed", "clear", "warm", "bright")
ADDED = ("nothing", "fifth", "octave")


@dataclass(frozen=True)
class RoomSettings:
    """The room: who practises in it is the log's business, how it is tuned stands here."""

    name: Annotated[str, FILLED] = "practice-room"  # unlike any other room's; the log keeps it
    time_zone: Annotated[str, TIME_ZONE] = ""  # empty: the machine's own
    instrument: Annotated[str, INSTRUMENT] = "viola"
    a4_hz: Annotated[float, Between(400.0, 480.0)] = 440.0
    band_cents: Annotated[float, Between(5.0, 30.0)] = 10.0  # so near counts as in tune
    tuning: Annotated[str, one_of(TUNINGS)] = "just"  # of the targets, while a drone sounds
    sitting_ends_after_silent_s: Annotated[float, Between(60.0, 7200.0)] = 600.0
    log_path: Annotated[str, FILLED] = "groundnote.db"
    notes_kept_days: Annotated[float, Between(30.0, 3660.0)] = 400.0  # older sittings are deleted


@dataclass(frozen=True)
class SoundSettings:
    """The sound interface, chosen by (part of) its name; empty: the system's default."""

    device: str = ""  # one interface that does both ways
    input_device: str = ""  # only where microphone and loudspeaker are two devices
    output_device: str = ""
    sample_rate_hz: Annotated[float, Between(16000.0, 192000.0)] = 48000.0  # if the device can
    block_frames: Annotated[int, Between(64, 4096)] = 512  # more, where the drone crackles
    microphone_channel: Annotated[int, Between(1, 32)] = 1  # counted from 1
    reopen_after_s: Annotated[float, Between(0.5, 5.0)] = 2.0  # while the interface is missing


@dataclass(frozen=True)
class DroneSettings:
    """The drone, and the cues, as they leave the loudspeaker."""

    note: Annotated[str, DRONE_NOTE] = "A3"
    # "reed": odd partials lead. "clear": reed with gaps above its sixth partial, which leave a
    # player's own partials free. "warm" has weaker, "bright" stronger high partials.
    timbre: Annotated[str, one_of(TIMBRES)] = "reed"
    add: Annotated[str, one_of(ADDED)] = "nothing"
    level_dbfs: Annotated[float, Between(-60.0, -9.0)] = -24.0  # RMS; the top is the level limit
    fade_s: Annotated[float, Between(0.05, 5.0)] = 0.15  # how long it takes to come and to go
    preview_s: Annotated[float, Between(0.2, 5.0)] = 1.0  # how long a newly chosen note sounds
    # Peak, over a drone of ``level_dbfs``; another level set on the page takes the cues along.
    cue_level_dbfs: Annotated[float, Between(-60.0, -12.0)] = -18.0


@dataclass(frozen=True)
class PedalSettings:
    """Two to four momentary footswitches between a pin (BCM numbering) and ground, or keys.

    Two are left and right, and both together stand for the middle one; a fourth stands for left
    and right together. ``keyboard`` is (part of) the name of a pedal that types keys: then the
    keys, by the kernel's names for them, take the place of the pins.
    """

    count: Annotated[int, Between(2, 4)] = 3
    left_pin: Annotated[int, Between(0, 27)] = 17
    middle_pin: Annotated[int, Between(0, 27)] = 27
    right_pin: Annotated[int, Between(0, 27)] = 22
    fourth_pin: Annotated[int, Between(0, 27)] = 23
    keyboard: str = ""
    left_key: Annotated[str, KEY] = "KEY_LEFT"
    middle_key: Annotated[str, KEY] = "KEY_DOWN"
    right_key: Annotated[str, KEY] = "KEY_RIGHT"
    fourth_key: Annotated[str, KEY] = "KEY_UP"
    hold_s: Annotated[float, Between(0.3, 2.0)] = 0.6  # from here on a press is a hold, no tap
    debounce_s: Annotated[float, Between(0.005, 0.2)] = 0.03  # a contact rattles for so long
    stuck_after_s: Annotated[float, Between(3.0, 120.0)] = 10.0  # then a pedal is ignored


@dataclass(frozen=True)
class PracticeSettings:
    """How the room answers a foot: calls, rounds, and which note is kept."""

    answers: bool = True  # two seconds after a call a cue says whether the ear agrees
    landed_in_a_row: Annotated[int, Between(1, 20)] = 5  # so many end a round
    keep_open_strings: bool = False  # a kept open string stays where it is right, off the grid
    rest_reminder: bool = True  # a cue after long playing without a rest
    rest_after_s: Annotated[float, Between(300.0, 7200.0)] = 1500.0  # of playing
    rest_s: Annotated[float, Between(60.0, 1800.0)] = 300.0  # so long without a note is a rest


@dataclass(frozen=True)
class LightSettings:
    """The status light: one LED with its resistor between a pin (BCM numbering) and ground."""

    pin: Annotated[int, Between(-1, 27)] = -1  # -1: there is none


@dataclass(frozen=True)
class LoudnessSettings:
    """How loud the room is at the player's ear, as ``groundnote calibrate`` has found.

    Until then the daily budget says nothing; the drone sounds all the same.
    """

    full_scale_dba: Annotated[float, Between(0.0, 150.0)] = 0.0  # of 0 dBFS RMS; 0: not known
    player_full_scale_dba: Annotated[float, Between(0.0, 180.0)] = 0.0  # the same of the microphone
    daily_dose_percent: Annotated[float, Between(10.0, 100.0)] = 100.0  # of the dose of NIOSH


@dataclass(frozen=True)
class WebSettings:
    """The page for the phone.

    ``names``: what else the room is called on the network, with commas between; its own name, the
    machine's, ``localhost`` and bare addresses are known. ``https``: a proxy on this machine
    speaks HTTPS with the phones, and nobody else may ask.
    """

    host: Annotated[str, FILLED] = "0.0.0.0"  # 0.0.0.0: everybody on the network
    port: Annotated[int, Between(0, 65535)] = 8080
    names: str = ""
    address: Annotated[str, WEB_ADDRESS] = ""  # on the card for the door; empty: as it was opened
    https: bool = False
    session_idle_s: Annotated[float, Between(300.0, 86400.0)] = 3600.0
    session_ends_s: Annotated[float, Between(3600.0, 2592000.0)] = 43200.0


@dataclass(frozen=True)
class BackupSettings:
    """Copies of the log, one every night."""

    folder: Annotated[str, FILLED] = "backups"  # beside the log, unless it begins with a /
    kept: Annotated[int, Between(2, 60)] = 14
    stick_path: str = ""  # where a USB stick is mounted, for a second copy; empty: nowhere


@dataclass(frozen=True)
class Settings:
    """All settings; each field is one table of the TOML file."""

    room: RoomSettings = field(default_factory=RoomSettings)
    sound: SoundSettings = field(default_factory=SoundSettings)
    drone: DroneSettings = field(default_factory=DroneSettings)
    pedals: PedalSettings = field(default_factory=PedalSettings)
    practice: PracticeSettings = field(default_factory=PracticeSettings)
    light: LightSettings = field(default_factory=LightSettings)
    loudness: LoudnessSettings = field(default_factory=LoudnessSettings)
    web: WebSettings = field(default_factory=WebSettings)
    backup: BackupSettings = field(default_factory=BackupSettings)


@cache
def _keys() -> Keys:
    """Return every key of every table, read from the annotations above."""
    return keys_of(Settings)


def load(path: Path) -> Settings:
    """Read a settings file; what it leaves out keeps its default.

    Raises SettingsError, one sentence with the file, the key and what is allowed, for an unreadable
    file, an unknown table or key, a wrong type and a value out of range.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SettingsError(
            f"{path} cannot be read ({error.strerror}): name a settings file that exists"
        ) from error
    except (ValueError, RecursionError) as error:  # not TOML, not UTF-8, nested without end
        raise SettingsError(f"{path} is not valid TOML ({error}): correct it there") from error
    try:
        return from_tables(content)
    except SettingsError as error:
        raise SettingsError(f"{path}: {error}") from None


def from_tables(content: dict[str, object]) -> Settings:
    """Return the settings that a file with these tables of keys has; raises SettingsError."""
    settings = _built(content)
    check(settings)
    return settings


def allowed() -> dict[str, dict[str, str]]:
    """Return what every key of every table may be, in words and with its unit."""
    return {
        table: {name: key.allowed for name, key in keys.items()} for table, keys in _keys().items()
    }


def for_one_command(a4: str, tuning: str) -> Settings:
    """Return the defaults with A4 (Hz) and tuning as typed; raises SettingsError."""
    try:
        a4_hz = float(a4)
    except ValueError:
        raise SettingsError(f"--a4 must be a number of Hz, such as 442, not {a4!r}") from None
    if not 400.0 <= a4_hz <= 480.0:
        raise SettingsError(f"--a4 must be from 400 to 480 Hz, not {a4}")
    if tuning not in TUNINGS:
        raise SettingsError(f"--tuning must be one of {', '.join(TUNINGS)}, not {tuning!r}")
    embedded = Settings()
    settings = replace(embedded, room=replace(embedded.room, a4_hz=a4_hz, tuning=tuning))
    check(settings)
    return settings


def check(settings: Settings) -> None:
    """Raise SettingsError, naming key and what is allowed, for settings that break a rule."""
    for table, keys in _keys().items():
        for name, key in keys.items():
            key.check(getattr(getattr(settings, table), name))
    _check_pedals(settings.pedals)
    _check_light(settings)


def _check_pedals(pedals: PedalSettings) -> None:
    """Raise SettingsError where two of the pedals that are there share a pin or a key."""
    places = ["left", "right", *["middle", "fourth"][: pedals.count - 2]]
    for what in ("pin", "key"):
        if len({getattr(pedals, f"{place}_{what}") for place in places}) < len(places):
            names = ", ".join(f"{place}_{what}" for place in places)
            raise SettingsError(f"[pedals] {names} must all be different {what}s")


def _check_light(settings: Settings) -> None:
    """Raise SettingsError where the light's pin is one of the pedals'."""
    pedals = settings.pedals
    pins = (pedals.left_pin, pedals.right_pin, pedals.middle_pin, pedals.fourth_pin)[: pedals.count]
    if not pedals.keyboard and settings.light.pin in pins:
        raise SettingsError(f"[light] pin {settings.light.pin} is a pedal's: choose another")


def _built(content: dict[str, object]) -> Settings:
    settings = Settings()
    tables = {}
    for table, pairs in content.items():
        if table not in _keys():
            raise unknown_table(table, _keys())
        if not isinstance(pairs, dict):
            raise SettingsError(f"[{table}] must be a table of keys, not {shown(pairs)}")
        values = {key: _value(table, key, value) for key, value in pairs.items()}
        tables[table] = replace(getattr(settings, table), **values)
    return replace(settings, **tables)


def _value(table: str, name: str, value: object) -> object:
    """Return one checked value; a whole number becomes a float where one is due."""
    key = _keys()[table].get(name)
    if key is None:
        raise unknown_key(table, name, _keys())
    key.check(value)
    return float(value) if key.kind is float and isinstance(value, int) else value
