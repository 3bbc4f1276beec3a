"""Which sound device does both ways: names as ALSA gives them, and real devices of a sound card."""

import subprocess
import sys

import pytest

from appliance.devices.finding import both_ways
from tests.soundcard import Microphone, SoundCard

PLUG_INS = ["sysdefault", "dmix", "default"]  # names as on a small computer, from memory


@pytest.mark.parametrize(
    ("names", "able"),
    [
        (["Blue Box: USB Audio (hw:1,0)", *PLUG_INS], ["Blue Box: USB Audio"]),
        (["A (hw:1,0)", "B (hw:12,3)"], ["A", "B"]),
        (["system"], ["system"]),
        ([], []),
    ],
)
def test_an_interface_of_its_own_counts_before_what_leads_to_it(
    names: list[str], able: list[str]
) -> None:
    assert both_ways(names) == able


def _ask(environment: dict[str, str], *words: str) -> "subprocess.CompletedProcess[str]":
    """Run ``groundnote sound`` in a process of its own: devices are listed once in each."""
    line = [sys.executable, "-m", "appliance", "sound", *words]
    return subprocess.run(
        line, env=environment, capture_output=True, text=True, check=False, timeout=30
    )


def test_the_only_card_is_chosen_and_of_two_none(sound_card: SoundCard) -> None:
    chosen = _ask(sound_card.environment, "--choose")
    assert (chosen.returncode, chosen.stdout) == (0, "system\n")
    second = Microphone(sound_card, "second")  # it has a way in and a way out
    listed, unclear = (_ask(sound_card.environment, *more) for more in ([], ["--choose"]))
    second.close()
    assert listed.stdout.splitlines() == [
        "microphone  loudspeaker  device (channels of each)",
        "         2            2  system",
        "         1            1  second",
        "Several devices do both ways: write one of them under [sound]: 'system', 'second'.",
    ]
    assert (unclear.returncode, unclear.stdout) == (1, "")
    assert unclear.stderr.splitlines()[-1].startswith("groundnote: Several devices do both ways")


def test_none_is_one_sentence_and_an_exit_status() -> None:
    ran = _ask({"PATH": "/usr/bin:/bin", "JACK_NO_START_SERVER": "1"}, "--choose")
    if ran.returncode == 0:
        pytest.skip(f"this machine has an interface: {ran.stdout}")
    assert (ran.returncode, ran.stdout) == (1, "")
    assert "both ways" in ran.stderr
