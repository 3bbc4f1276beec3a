"""One TOML file becomes one frozen dataclass; an unknown key is an error.

Every number a person may want to change stands here, with its unit in its name and the range that
is allowed. ``load(path)`` reads a file, ``Settings()`` is the embedded default, and
``Settings().hold_s``-style copies for tests come from :func:`dataclasses.replace`.
"""

import tomllib
import types
import typing
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from appliance.vocabulary import SettingsError


def _setting(
    default: Any,
    *,
    low: float | None = None,
    high: float | None = None,
    choices: tuple[str, ...] | None = None,
) -> Any:
    return field(default=default, metadata={"low": low, "high": high, "choices": choices})


TIMBRES = ("reed", "warm", "bright")
TUNINGS = ("just", "pythagorean", "equal")


@dataclass(frozen=True)
class RoomSettings:
    """The room: who practises in it is the log's business, how it is tuned stands here."""

    name: str = "practice-room"
    time_zone: str = ""  # IANA name; empty: the machine's own
    instrument: str = "viola"
    a4_hz: float = _setting(440.0, low=400.0, high=480.0)
    band_cents: float = _setting(10.0, low=5.0, high=30.0)
    tuning: str = _setting("just", choices=TUNINGS)
    sitting_ends_after_silent_s: float = _setting(600.0, low=60.0, high=7200.0)
    log_path: str = "groundnote.db"


@dataclass(frozen=True)
class SoundSettings:
    """The sound interface, chosen by (part of) its name; empty: the system's default."""

    device: str = ""  # one interface that does both ways
    input_device: str = ""  # only where microphone and loudspeaker are two devices
    output_device: str = ""
    sample_rate_hz: float = _setting(48000.0, low=16000.0, high=192000.0)
    block_frames: int = _setting(512, low=64, high=4096)
    microphone_channel: int = _setting(1, low=1, high=32)  # counted from 1
    reopen_after_s: float = _setting(2.0, low=0.5, high=60.0)


@dataclass(frozen=True)
class DroneSettings:
    """The drone as it leaves the loudspeaker."""

    note: str = "A3"
    timbre: str = _setting("reed", choices=TIMBRES)
    add: str = _setting("nothing", choices=("nothing", "fifth", "octave"))
    level_dbfs: float = _setting(-24.0, low=-60.0, high=-9.0)  # RMS; the top is the level limit
    fade_s: float = _setting(0.15, low=0.05, high=5.0)
    preview_s: float = _setting(1.0, low=0.2, high=5.0)


@dataclass(frozen=True)
class PedalSettings:
    """Three momentary footswitches between a pin (BCM numbering) and ground."""

    left_pin: int = _setting(17, low=0, high=27)
    middle_pin: int = _setting(27, low=0, high=27)
    right_pin: int = _setting(22, low=0, high=27)
    hold_s: float = _setting(0.6, low=0.3, high=2.0)
    debounce_s: float = _setting(0.03, low=0.005, high=0.2)


@dataclass(frozen=True)
class WebSettings:
    """The page for the phone."""

    host: str = "0.0.0.0"
    port: int = _setting(8080, low=0, high=65535)


@dataclass(frozen=True)
class Settings:
    """All settings; each field is one table of the TOML file."""

    room: RoomSettings = field(default_factory=RoomSettings)
    sound: SoundSettings = field(default_factory=SoundSettings)
    drone: DroneSettings = field(default_factory=DroneSettings)
    pedals: PedalSettings = field(default_factory=PedalSettings)
    web: WebSettings = field(default_factory=WebSettings)
