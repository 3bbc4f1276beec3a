"""The room check on a virtual sound card: real streams, and faults put into what comes back."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import correlate

from appliance.checking.measuring import Measured, measure
from appliance.checking.program import Program
from appliance.checking.verdicts import Verdict, sound_lines
from appliance.devices.blocks import Recording
from appliance.devices.recording import record
from appliance.settings import Settings, SoundSettings
from tests.faulty_card import DRIFT_PPM, PORTS, FaultyMicrophones
from tests.soundcard import SoundCard

TRIES = 4  # a busy machine loses blocks, and a recording with a hole says nothing of a fault
SOUND = SoundSettings(input_device="faulty", output_device="system")


@pytest.fixture
def settings(monkeypatch: pytest.MonkeyPatch, sound_card: SoundCard) -> Settings:
    for name, value in sound_card.environment.items():
        monkeypatch.setenv(name, value)
    return replace(Settings(), sound=SOUND)


def test_every_fault_on_a_real_stream_is_named_and_only_it(
    sound_card: SoundCard, settings: Settings
) -> None:
    microphones = FaultyMicrophones(sound_card, "faulty")
    try:
        program, recording = recorded(settings)
    finally:
        microphones.close()
    inputs = {port: recording.mic[:, [number]] for number, port in enumerate(PORTS)}
    inputs["swapped"] = recording.mic[:, [PORTS.index("idle"), PORTS.index("good")]]
    del inputs["idle"]
    measured = {port: measure(program, mic, 0) for port, mic in inputs.items()}
    assert {port: faults(one) for port, one in measured.items()} == {
        "good": {},
        "silent": {"microphone": Verdict.WRONG},
        "clipped": {"clipping": Verdict.WRONG},
        "drifting": {"clocks": Verdict.DOUBTFUL},
        "humming": {"hum": Verdict.WRONG},
        "swapped": {"microphone": Verdict.WRONG},
    }
    good, drifting = measured["good"].path, measured["drifting"].path
    assert good is not None and drifting is not None
    assert good.drift_ppm == pytest.approx(0.0, abs=5.0)
    assert drifting.drift_ppm == pytest.approx(DRIFT_PPM, abs=5.0)
    assert good.delay_s == pytest.approx(correlated_s(program, inputs["good"]), abs=0.001)
    assert measured["swapped"].other_input == 2


def correlated_s(program: Program, mic: np.ndarray) -> float:
    """The delay by another route: where what was sent is most like what was recorded."""
    sent = program.samples[: program.drone.start, 0]
    alike = correlate(mic[: program.drone.start, 0], sent, method="fft")
    return float((np.argmax(np.abs(alike)) - sent.size + 1) / program.rate_hz)


def recorded(settings: Settings) -> tuple[Program, Recording]:
    """A recording in which nothing was lost."""

    def samples(rate_hz: float) -> np.ndarray:
        return Program(settings, rate_hz).samples

    for _ in range(TRIES):
        opened, recording = record(settings.sound, samples, lambda: None)
        if not recording.lost:
            return Program(settings, opened.sample_rate_hz), recording
    pytest.fail("no recording without lost blocks: is the machine too busy?")


def faults(measured: Measured) -> dict[str, Verdict]:
    """What is not fine, of what could be measured."""
    lines = sound_lines("the card", measured, 1)
    print(*lines, sep="\n")
    return {
        line.what: line.verdict
        for line in lines
        if line.verdict in (Verdict.DOUBTFUL, Verdict.WRONG)
    }
