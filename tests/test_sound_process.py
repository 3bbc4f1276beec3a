"""The sound process while it waits for its device."""

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import psutil
import pytest

from appliance.devices.interface import Interface
from appliance.settings import Settings
from tests.soundcard import wait_for

NONE_SUCH = replace(Settings().sound, input_device="gramophone", reopen_after_s=5.0)


@pytest.fixture(autouse=True)
def no_server(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("JACK_DEFAULT_SERVER", f"none-{os.getpid()}")


def sound_processes() -> list[psutil.Process]:
    return [
        child
        for child in psutil.Process().children()
        if "appliance.devices.sound_process" in child.cmdline()
    ]


def loaded(process: psutil.Process) -> Any:
    return Path(f"/proc/{process.pid}/maps").read_text()


def test_the_next_one_has_loaded_all_but_portaudio_and_goes_with_the_room() -> None:
    """PortAudio lists devices when it is loaded: too early, it would not see the one plugged in."""
    interface = Interface(replace(Settings(), sound=NONE_SUCH), patient=True)
    interface.start()
    try:
        assert "gramophone" in (interface.report().trouble or "")
        wait_for(lambda: interface.report().search_steps == 2)  # it has looked, and now waits
        (waiting,) = wait_for(
            lambda: [one for one in sound_processes() if "_multiarray_umath" in loaded(one)]
        )
        wait_for(lambda: waiting.status() == psutil.STATUS_SLEEPING)
        assert "portaudio" not in loaded(waiting)
        # It is the one that looks next.
        wait_for(lambda: interface.report().search_steps > 2)
        wait_for(lambda: not waiting.is_running() or waiting.status() == psutil.STATUS_ZOMBIE)
    finally:
        interface.stop()
    assert sound_processes() == []
