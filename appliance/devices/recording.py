"""Plays a given sound once and records every input meanwhile: what the room check measures.

The sound interface must be free: :meth:`appliance.devices.interface.Interface.lend` frees it.
"""

import subprocess
from collections.abc import Callable
from contextlib import closing
from multiprocessing.connection import Pipe
from typing import Any

from appliance.devices.blocks import Opened, Recording, Samples
from appliance.devices.interface import CLOSES_WITHIN_S, OPENS_WITHIN_S, Link, start_process
from appliance.settings import SoundSettings
from appliance.vocabulary import DeviceError

PROGRESS_S = 0.5
LATE_S = 10.0  # a recording so much later than its sound is long will never come


def record(
    settings: SoundSettings, make: Callable[[float], Samples], progress: Callable[[], None]
) -> tuple[Opened, Recording]:
    """Play what ``make`` returns for the device's sample rate, shape (n, 2), and record.

    ``progress`` is called about twice a second. Raises :class:`DeviceError` where the device cannot
    be opened or goes away.
    """
    ours, theirs = Pipe()
    process = start_process(theirs)
    theirs.close()
    with closing(ours):
        try:
            return _over(ours, settings, make, progress)
        except (EOFError, OSError) as error:
            raise DeviceError(f"The sound device went away ({error!r}): plug it in.") from error
        finally:
            try:
                process.wait(CLOSES_WITHIN_S)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _over(
    link: "Link[Any, Any]",
    settings: SoundSettings,
    make: Callable[[float], Samples],
    progress: Callable[[], None],
) -> tuple[Opened, Recording]:
    link.send((settings, None))
    opened = _answer(link, OPENS_WITHIN_S, progress)
    if not isinstance(opened, Opened):
        raise DeviceError(str(opened))
    sound = make(opened.sample_rate_hz)
    link.send(sound)
    recording = _answer(link, len(sound) / opened.sample_rate_hz + LATE_S, progress)
    if not isinstance(recording, Recording):
        raise DeviceError(str(recording))
    return opened, recording


def _answer(link: "Link[Any, Any]", timeout_s: float, progress: Callable[[], None]) -> object:
    for _ in range(int(timeout_s / PROGRESS_S)):
        progress()
        if link.poll(PROGRESS_S):
            return link.recv()
    return "The sound device does not answer: unplug it and plug it in again."
