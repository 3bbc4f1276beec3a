"""The sound interface: one full-duplex stream, kept alive. The only importer of sounddevice.

The drone is rendered inside the callback, not ahead of it in a queue. Rendering costs a small part
of a block and takes no lock, a queue would need a second thread that must win the same interpreter
lock in time (so it can starve, and then the drone clicks), and each block queued ahead would add
its length to the time from foot to sound. Everything else a callback does is copy, queue and count.
"""

import logging
import threading
import time
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import sounddevice as sd

from appliance.devices.blocks import Block, Handover, Render, SoundReport
from appliance.settings import SoundSettings
from appliance.vocabulary import DeviceError

logger = logging.getLogger(__name__)

LATENCY_S = 0.04  # room for a late thread, and still well inside 100 ms from foot to sound
SILENT_DEVICE_S = 1.0  # a device that has not called back for so long has gone
CHECK_S = 0.2
FLAGS = ("input_underflow", "input_overflow", "output_underflow", "output_overflow")


Way = Literal["input", "output"]


@dataclass(frozen=True, slots=True)
class Device:
    """One device as PortAudio lists it; ``channels`` is what it has this way."""

    index: int
    name: str
    channels: int


class Duplex:
    """A full-duplex stream on an interface chosen by name.

    The constructor raises :class:`DeviceError`, listing what is there, when no device fits. Once
    started, a device that vanishes is reported and tried again every ``reopen_after_s``.
    """

    def __init__(self, settings: SoundSettings) -> None:
        """Find the devices; nothing is opened yet."""
        self._settings = settings
        self._pair = find_pair(settings)
        self._rate_hz = usable_rate_hz(self._pair, settings)
        self._name = " and ".join(dict.fromkeys(device.name for device in self._pair))
        self._handover = Handover()
        self._flags = dict.fromkeys(FLAGS, 0)
        self._stopping = threading.Event()
        self._stream: sd.Stream | None = None
        self._trouble: str | None = None
        self._called_at_s = 0.0
        self._longest_gap_s = 0.0
        self._reopened = 0
        self._keeper = threading.Thread(target=self._keep_alive, name="sound-keeper", daemon=True)

    @property
    def sample_rate_hz(self) -> float:
        """Frames a second, both ways."""
        return self._rate_hz

    def start(self, render: Render) -> None:
        """Open the stream; raises :class:`DeviceError` when the device refuses."""
        self._render = render
        self._open()
        self._keeper.start()

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken, or ``None`` after ``timeout_s``."""
        return self._handover.get(timeout_s)

    def backlog_s(self) -> float:
        """Seconds of sound that wait to be taken."""
        return self._handover.waiting() * self._settings.block_frames / self._rate_hz

    def report(self) -> SoundReport:
        """Say how the stream is."""
        return SoundReport(
            device=self._name,
            running=self._stream is not None and self._trouble is None,
            trouble=self._trouble,
            blocks=self._handover.blocks,
            dropped_blocks=self._handover.dropped,
            longest_gap_s=self._longest_gap_s,
            reopened=self._reopened,
            flags=dict(self._flags),
        )

    def stop(self) -> None:
        """Close the stream; blocks already heard can still be taken."""
        self._stopping.set()
        if self._keeper.is_alive():
            self._keeper.join(timeout=5.0)
        self._close()

    def _open(self) -> None:
        self._handover.break_off()
        self._called_at_s = 0.0
        microphone, loudspeaker = self._pair
        try:
            self._stream = sd.Stream(
                samplerate=self._rate_hz,
                blocksize=self._settings.block_frames,
                device=(microphone.index, loudspeaker.index),
                channels=(self._settings.microphone_channel, min(2, loudspeaker.channels)),
                dtype="float32",
                latency=LATENCY_S,
                callback=self._callback,
            )
            self._stream.start()
        except sd.PortAudioError as error:
            self._close()
            raise DeviceError(
                f"The sound device {self._name!r} cannot be opened ({error}): close other "
                "programs that use it, or choose another in [sound]."
            ) from error
        self._opened_at_s = time.monotonic()

    def _callback(self, indata: Any, outdata: Any, frames: int, _times: Any, status: Any) -> None:
        sent = np.array(self._render(frames), dtype=np.float32)
        outdata[:] = sent[:, np.newaxis]
        if status:
            self._count(status, sounding=bool(sent.any()))
        channel = self._settings.microphone_channel - 1
        self._handover.put(indata[:, channel].copy(), sent, self._rate_hz)
        now_s = time.monotonic()
        if self._called_at_s:
            self._longest_gap_s = max(self._longest_gap_s, now_s - self._called_at_s)
        self._called_at_s = now_s

    def _count(self, status: Any, *, sounding: bool) -> None:
        for flag in FLAGS:
            self._flags[flag] += int(getattr(status, flag))
        if sounding:  # lost frames move the drone in the microphone: what was learnt is void
            self._handover.break_off()

    def _keep_alive(self) -> None:
        while not self._stopping.wait(CHECK_S):
            if self._gone():
                self._trouble = f"The sound device {self._name!r} has gone: plug it in again."
                logger.error(self._trouble)
                self._reopen()

    def _gone(self) -> bool:
        if self._stream is None or not self._stream.active:
            return True
        last_s = max(self._called_at_s, self._opened_at_s)
        return time.monotonic() - last_s > SILENT_DEVICE_S

    def _reopen(self) -> None:
        self._close()
        while not self._stopping.is_set():
            try:
                look_again()
                self._pair = find_pair(self._settings)
                self._open()
            except (DeviceError, sd.PortAudioError) as error:
                logger.debug("not yet: %s", error)
                self._stopping.wait(self._settings.reopen_after_s)
            else:
                self._reopened += 1
                self._trouble = None
                logger.warning("The sound device %r is back.", self._name)
                return

    def _close(self) -> None:
        stream, self._stream = self._stream, None
        if stream is not None:
            try:
                stream.close(ignore_errors=True)
            except sd.PortAudioError as error:
                logger.debug("closing: %s", error)


def look_again() -> None:
    """Make PortAudio list its devices anew: it lists them once, when it is initialised."""
    sd._terminate()
    sd._initialize()


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
