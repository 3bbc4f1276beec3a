"""The sound interface: one full-duplex stream, in a process of its own (``sound_process.py``)."""

import os
import threading
import time
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
import sounddevice as sd

from appliance.devices.blocks import (
    Block,
    Handover,
    Joined,
    Opened,
    Recording,
    Samples,
    SoundReport,
)
from appliance.devices.finding import find_pair, usable_rate_hz
from appliance.devices.loudspeaker import Loudspeaker
from appliance.settings import DroneSettings, SoundSettings
from appliance.vocabulary import DeviceError

LATENCY_S = 0.04  # room for a late thread, and still well inside 100 ms from foot to sound
SILENT_DEVICE_S = 1.0  # a device that has not called back for so long has gone
CHECK_S = 0.2
LAST_BLOCKS_S = 1.0  # to pass on what was heard before the stream was closed
MOST_INPUTS = 8  # are recorded by the room check
FLAGS = ("input_underflow", "input_overflow", "output_underflow", "output_overflow")


class Duplex:
    """A full-duplex stream on an interface chosen by name; plays the drone, hands over blocks.

    The callback copies, joins (see :class:`appliance.devices.blocks.Joined`), counts status flags
    and renders the drone (:class:`appliance.devices.loudspeaker.Loudspeaker`); it waits for
    nothing. What is not yet a whole block when the device vanishes is lost. Raises
    :class:`DeviceError`, listing what is there, when no device fits or it refuses.
    """

    def __init__(self, settings: SoundSettings, drone: DroneSettings) -> None:
        """Find the devices and open the stream."""
        microphone, loudspeaker = find_pair(settings)
        self.name = " and ".join(dict.fromkeys((microphone.name, loudspeaker.name)))
        self.sample_rate_hz = usable_rate_hz((microphone, loudspeaker), settings)
        self.loudspeaker = Loudspeaker(drone, self.sample_rate_hz)
        self._channel = settings.microphone_channel - 1
        self._handover = Handover()
        self._joined = Joined(self._handover, self.sample_rate_hz)
        self.closed = False
        self._flags = dict.fromkeys(FLAGS, 0)
        self._longest_gap_s = 0.0
        self._called_at_s: float | None = None
        self._opened_at_s = time.monotonic()
        try:
            self._stream = sd.Stream(
                samplerate=self.sample_rate_hz,
                blocksize=settings.block_frames,
                device=(microphone.index, loudspeaker.index),
                channels=(settings.microphone_channel, min(2, loudspeaker.channels)),
                dtype="float32",
                latency=LATENCY_S,
                callback=self._callback,
            )
            self._stream.start()
        except sd.PortAudioError as error:
            raise DeviceError(
                f"The sound device {self.name!r} cannot be opened ({error}): close other "
                "programs that use it, or choose another in [sound]."
            ) from error

    def next_block(self, timeout_s: float) -> Block | None:
        """Return the oldest block not yet taken, or ``None`` after ``timeout_s``."""
        return self._handover.get(timeout_s)

    def report(self) -> SoundReport:
        """Say how the stream is."""
        return SoundReport(
            device=self.name,
            running=not self.gone,
            blocks=self._handover.blocks,
            dropped_blocks=self._handover.dropped,
            longest_gap_s=self._longest_gap_s,
            flags=dict(self._flags),
        )

    @property
    def gone(self) -> bool:
        """Whether the device has stopped calling back."""
        last_s = self._called_at_s or self._opened_at_s
        return not self._stream.active or time.monotonic() - last_s > SILENT_DEVICE_S

    def close(self) -> None:
        """Close the stream; blocks already heard can still be taken."""
        self._stream.close(ignore_errors=True)
        self._joined.hand_over()
        self.closed = True

    def _callback(self, indata: Any, outdata: Any, frames: int, _times: Any, status: Any) -> None:
        now_s = time.monotonic()
        sent = self.loudspeaker.render(frames)
        outdata[:] = sent[:, np.newaxis]
        if status:
            self._count(status, sounding=bool(sent.any()))
        self._joined.add(indata[:, self._channel].copy(), sent, now_s)
        if self._called_at_s is not None:
            self._longest_gap_s = max(self._longest_gap_s, now_s - self._called_at_s)
        self._called_at_s = now_s

    def _count(self, status: Any, *, sounding: bool) -> None:
        for flag in FLAGS:
            self._flags[flag] += int(getattr(status, flag))
        if sounding:  # lost frames move the drone in the microphone: what was learnt is void
            self._joined.hand_over()
            self._handover.break_off()


class Recorder:
    """A full-duplex stream that plays one given sound and records every input.

    Raises :class:`DeviceError` as :class:`Duplex` does.
    """

    def __init__(self, settings: SoundSettings) -> None:
        """Find the devices; the stream is opened by :meth:`record`."""
        self._settings = settings
        self._pair = find_pair(settings)
        microphone, self._loudspeaker = self._pair
        inputs = max(settings.microphone_channel, min(microphone.channels, MOST_INPUTS))
        name = " and ".join(dict.fromkeys(device.name for device in self._pair))
        self.opened = Opened(name, usable_rate_hz(self._pair, settings), inputs)

    def record(self, sound: Samples) -> Recording:
        """Play ``sound``, shape (n, 2), and return what was recorded meanwhile."""
        self._sound, self._at, self._lost = sound, 0, 0
        self._mic = np.zeros((len(sound), self.opened.inputs), np.float32)
        self._outputs = min(2, self._loudspeaker.channels)
        done = threading.Event()
        try:
            with sd.Stream(
                samplerate=self.opened.sample_rate_hz,
                blocksize=self._settings.block_frames,
                device=(self._pair[0].index, self._pair[1].index),
                channels=(self.opened.inputs, self._outputs),
                dtype="float32",
                latency=LATENCY_S,
                callback=self._callback,
                finished_callback=done.set,
            ):
                done.wait(len(sound) / self.opened.sample_rate_hz + SILENT_DEVICE_S)
        except sd.PortAudioError as error:
            raise DeviceError(
                f"The sound device {self.opened.device!r} cannot be opened ({error}): close other "
                "programs that use it, or choose another in [sound]."
            ) from error
        if self._at < len(sound):
            raise DeviceError(f"The sound device {self.opened.device!r} stopped: plug it in again.")
        return Recording(np.nan_to_num(self._mic), self._lost)

    def _callback(self, indata: Any, outdata: Any, frames: int, _times: Any, status: Any) -> None:
        if status and self._at:  # the first blocks of a stream may be late
            self._lost += 1
        part = self._sound[self._at : self._at + frames, : self._outputs]
        outdata[:] = 0.0
        outdata[: len(part)] = part
        self._mic[self._at : self._at + len(part)] = indata[: len(part)]
        self._at += len(part)
        if self._at == len(self._sound):
            raise sd.CallbackStop


def serve(link: "Connection[Any, Any]") -> None:
    """Open the stream, pass blocks on and obey orders until the other end closes or says None."""
    settings, drone = link.recv()
    if drone is None:
        _serve_recording(link, Recorder(settings))
        return
    duplex = Duplex(settings, drone)
    link.send(duplex.report())
    passing = threading.Thread(target=_pass_blocks_on, args=(duplex, link), daemon=True)
    passing.start()
    while (order := link.recv()) is not None:
        duplex.loudspeaker.order(order)
    duplex.close()
    passing.join(LAST_BLOCKS_S)


def _serve_recording(link: "Connection[Any, Any]", recorder: Recorder) -> None:
    """Say what is opened, play what comes, send back what was recorded."""
    link.send(recorder.opened)
    link.send(recorder.record(link.recv()))


def _pass_blocks_on(duplex: Duplex, link: "Connection[Any, Any]") -> None:
    while True:
        closed = duplex.closed
        block = duplex.next_block(0.0 if closed else CHECK_S)
        if block is not None:
            link.send((block, duplex.report()))
        elif closed:
            return
        elif duplex.gone:
            os._exit(1)
