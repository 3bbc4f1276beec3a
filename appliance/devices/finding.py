"""Which sound devices there are, and which of them the settings mean: always by name."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import sounddevice as sd

from appliance.settings import SoundSettings
from appliance.vocabulary import DeviceError

ALSA_NUMBERS = re.compile(r" \(hw:\d+,\d+\)$")  # as PortAudio writes it; from memory

Way = Literal["input", "output"]


@dataclass(frozen=True, slots=True)
class Device:
    """One device as PortAudio lists it; ``channels`` is what it has this way."""

    index: int
    name: str
    channels: int


def find_device(part: str, way: Way) -> Device:
    """Return the device that works this way and has ``part`` in its name (any case).

    A full name wins over a part of others; an empty ``part`` means the system's default. Raises
    :class:`DeviceError`, listing what is there, when none or several fit.
    """
    there = _devices(way)
    if not part:
        default = sd.default.device["output" if way == "output" else "input"]
        fitting = [device for device in there if device.index == default]
    else:
        fitting = [d for d in there if part.casefold() == d.name.casefold()]
        fitting = fitting or [d for d in there if part.casefold() in d.name.casefold()]
    if len(fitting) == 1:
        return fitting[0]
    raise DeviceError(_what_is_there(part, way, there, fitting))


def both_ways(names: Iterable[str]) -> list[str]:
    """Return what to write as ``device`` for each interface among these that does both ways.

    ``names`` are of devices that record and play. Where ALSA's own devices are among them, told by
    ``(hw:CARD,DEVICE)`` at their end, only these count: its plug-ins lead to one of them. What is
    in brackets is left out, since the numbers change when something is plugged in.
    """
    there = list(names)
    own = [name for name in there if ALSA_NUMBERS.search(name)]
    return [ALSA_NUMBERS.sub("", name) for name in own or there]


def list_devices() -> list[tuple[str, int, int]]:
    """Return (name, microphone channels, loudspeaker channels) of every device there is."""
    return [
        (str(info["name"]), int(info["max_input_channels"]), int(info["max_output_channels"]))
        for info in sd.query_devices()
    ]


def _devices(way: Way) -> list[Device]:
    return [
        Device(index, str(info["name"]), int(info[f"max_{way}_channels"]))
        for index, info in enumerate(sd.query_devices())
        if info[f"max_{way}_channels"] > 0
    ]


def _what_is_there(part: str, way: Way, there: list[Device], fitting: list[Device]) -> str:
    names = ", ".join(repr(device.name) for device in (fitting or there)) or "none at all"
    if len(fitting) > 1:
        return (
            f"Several sound {way} devices have {part!r} in their name, write more of it: {names}."
        )
    wanted = f"No sound {way} device has {part!r} in its name" if part else f"No default {way}"
    return f"{wanted}; there is: {names}. Plug it in, or name one of these in [sound]."


def find_pair(settings: SoundSettings) -> tuple[Device, Device]:
    """Return (microphone device, loudspeaker device); raises :class:`DeviceError`."""
    microphone = find_device(settings.input_device or settings.device, "input")
    if microphone.channels < settings.microphone_channel:
        raise DeviceError(
            f"The sound device {microphone.name!r} has {microphone.channels} microphone "
            f"channel(s): set microphone_channel in [sound] to one of these."
        )
    return microphone, find_device(settings.output_device or settings.device, "output")


def usable_rate_hz(pair: tuple[Device, Device], settings: SoundSettings) -> float:
    """Return the rate of the settings where the devices take it, else the devices' own."""
    microphone, loudspeaker = pair
    try:
        sd.check_input_settings(microphone.index, samplerate=settings.sample_rate_hz)
        sd.check_output_settings(loudspeaker.index, samplerate=settings.sample_rate_hz)
    except sd.PortAudioError:
        return float(sd.query_devices(microphone.index)["default_samplerate"])
    return settings.sample_rate_hz
