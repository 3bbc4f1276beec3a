"""The room check on a virtual sound card: real streams, and faults put into what comes back.

A running room checks itself when asked, and goes on afterwards; pedals and light are mock pins.
"""

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.signal import correlate

from appliance.__main__ import main
from appliance.caretaker import Caretaker
from appliance.checking.measuring import Measured, measure
from appliance.checking.program import Program
from appliance.checking.verdicts import Verdict, sound_lines
from appliance.checkup import SPOILT, Checkup
from appliance.control import ask
from appliance.devices.blocks import Recording
from appliance.devices.clock import SystemClock
from appliance.devices.recording import record
from appliance.inspecting import RunningRoom, ask_for_pedals
from appliance.practice.pedalboard import Pedal
from appliance.practice.signs import Sign
from appliance.settings import Settings, SoundSettings
from appliance.vocabulary import ControlError, DeviceError
from tests.faulty_card import DRIFT_PPM, PORTS, FaultyMicrophones
from tests.soundcard import SoundCard, wait_for
from tests.stage import LEFT, RIGHT, build

OPENS_S = 60.0  # a busy machine opens a room slowly
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
    sent = program.samples[: program.drone.start].sum(1)  # a part of it alone fits in two places
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


# --- asked of a running room --------------------------------------------------------------------


@pytest.fixture
def running(sound_card: SoundCard, tmp_path: Path) -> Iterator[Path]:
    """A room that runs in a process of its own; yields its control socket."""
    microphones = FaultyMicrophones(sound_card, "faulty", ("good",))
    settings, socket = tmp_path / "s.toml", tmp_path / "c.sock"
    settings.write_text('[sound]\ninput_device = "faulty"\noutput_device = "system"\n')
    words = ["run", "--no-pedals", "--settings", str(settings), "--log", str(tmp_path / "r.db")]
    process = subprocess.Popen(
        [sys.executable, "-m", "appliance", *words, "--socket", str(socket)],
        env=sound_card.environment,
    )
    try:
        wait_for(lambda: socket.exists() or process.poll() is not None, OPENS_S)
        wait_for(lambda: ask(socket, {"do": "status"})["sound"]["running"], OPENS_S)
        yield socket
    finally:
        process.terminate()
        process.wait(timeout=20)
        microphones.close()


def test_a_running_room_checks_itself_and_goes_on(running: Path) -> None:
    ask(running, {"do": "drone", "on": True})
    with pytest.raises(ControlError, match="The drone is on: stop it"):
        ask(running, {"do": "check"}, timeout_s=60.0)
    ask(running, {"do": "drone", "on": False})
    assert ask(running, {"do": "check", "again": False})["check"]["lines"] == []
    words = ["check", "--no-pedals", "--no-light", "--socket", str(running)]
    said = subprocess.run(
        [sys.executable, "-m", "appliance", *words],
        capture_output=True,
        text=True,
        timeout=240,
        check=False,
    )
    print(said.stdout, said.stderr)
    assert said.returncode == 0 and said.stderr == ""
    found = {line[10:33].strip(): line[:9].strip() for line in said.stdout.splitlines()[1:]}
    assert len(found) == 14
    assert {found.pop(what) for what in ("clock", "card")} <= {"fine", "doubtful", "-"}
    if found.pop("blocks of sound") != "fine":  # a busy machine: what it spoils is not measured
        assert {found.pop(what) for what in SPOILT} == {"-"}
    assert set(found.values()) == {"fine"}
    status = ask(running, {"do": "status"})
    wait_for(lambda: ask(running, {"do": "status"})["sound"]["running"])
    blocks = status["sound"]["blocks"]
    wait_for(lambda: ask(running, {"do": "status"})["sound"]["blocks"] not in (0, blocks))
    assert status["sound"]["trouble"] is None
    assert len(ask(running, {"do": "check", "again": False})["check"]["lines"]) == 14


# --- pedals and light ---------------------------------------------------------------------------


def test_pedals_are_asked_for_one_by_one(capsys: pytest.CaptureFixture[str]) -> None:
    answers = iter([None, None, Pedal.LEFT, Pedal.MIDDLE, None, Pedal.MIDDLE])
    lines = list(ask_for_pedals(["left", "right", "middle"], lambda _: next(answers)))
    assert [(line.what, line.verdict) for line in lines] == [
        ("left pedal", Verdict.FINE),
        ("right pedal", Verdict.WRONG),
        ("middle pedal", Verdict.FINE),
    ]
    assert "the middle one answers" in lines[1].found
    assert capsys.readouterr().out.count("Press the ") == 3


def test_pedals_that_cannot_be_opened_are_one_line() -> None:
    def pressed(_: float) -> Pedal | None:
        raise DeviceError("The pins cannot be opened: join the group gpio.")

    lines = list(ask_for_pedals(["left", "right"], pressed))
    assert [(line.what, line.verdict) for line in lines] == [("pedals", Verdict.WRONG)]


def test_a_running_room_says_which_pedal_it_felt(tmp_path: Path) -> None:
    stage = build(tmp_path)
    stage.room.start()
    try:
        room, clock = RunningRoom(stage.socket), SystemClock()
        since_s = clock.now().monotonic_s
        assert room.pressed(since_s) is None
        stage.tap(LEFT)
        assert room.pressed(since_s - 1.0) is Pedal.LEFT
        stage.wait(30.0)
        stage.tap(RIGHT)
        assert room.pressed(since_s - 1.0) is Pedal.RIGHT
        stage.wait(30.0)
        assert room.pressed(since_s) is None  # long ago
        assert room.pedals() == ["left", "right", "middle"]
        assert room.try_light() == (False, None)
    finally:
        stage.room.stop()


class RecordedLight:
    def __init__(self) -> None:
        self.shown: list[str] = []

    def show(self, sign: Sign) -> None:
        self.shown.append(sign.value)

    def note(self) -> None:
        self.shown.append("noted")

    def try_out(self) -> None:
        self.shown.append("tried")

    def close(self) -> None:
        self.shown.append("closed")


def status(**changes: Any) -> dict[str, Any]:
    parts: dict[str, Any] = {
        "sound": {"running": True, "trouble": None},
        "log": {"trouble": None, "notes_written": 0},
        "pedals": {"trouble": None},
        "sitting": False,
        "paused": False,
    }
    for name, value in changes.items():
        parts[name] = {**parts[name], **value} if isinstance(value, dict) else value
    return parts


def test_the_light_follows_the_room() -> None:
    light = RecordedLight()
    caretaker = Caretaker(light=light)
    for one in (
        status(),
        status(sitting=True, log={"notes_written": 1}),
        status(sitting=True, log={"notes_written": 1}),
        status(sitting=True, paused=True, log={"notes_written": 1}),
        status(sitting=True, log={"notes_written": 1, "trouble": "The disk is full."}),
        status(sound={"running": False, "trouble": "The sound device has gone."}),
        status(pedals={"trouble": "Held down for too long."}),
        status(sound={"running": False}),
    ):
        caretaker.look(one)
    caretaker.close()
    assert light.shown == [
        *("ready", "hearing", "noted", "hearing", "ready"),
        *("trouble", "trouble", "trouble", "trouble", "closed"),
    ]


def test_a_room_without_its_interface_cannot_be_checked() -> None:
    with pytest.raises(ControlError, match="simulated"):
        Caretaker().answer({"do": "check"}, lambda: None, sounding=False)


def test_a_room_that_does_not_run_is_checked_with_its_own_devices(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without interface and pins each is one line that says what to do, and nothing falls over."""
    settings = tmp_path / "s.toml"
    settings.write_text('[sound]\ndevice = "gramophone"\n[light]\npin = 24\n')
    words = ["check", "--settings", str(settings), "--log", str(tmp_path / "room.db")]
    assert main([*words, "--socket", str(tmp_path / "none.sock")]) == 1
    said = capsys.readouterr()
    found = {line[10:33].strip(): line for line in said.out.splitlines() if line[9:10] == " "}
    assert "'gramophone' in its name" in found["sound"] and found["sound"].startswith("wrong")
    for what in ("pedals", "light"):  # there are no pins here
        assert found[what].startswith("wrong") and "cannot be opened" in found[what]
    assert {"clock", "space", "card"} <= set(found) and said.err == ""


def test_a_log_folder_that_is_not_there_is_one_line(tmp_path: Path) -> None:
    def lend(_: object) -> None:
        raise DeviceError("It is not plugged in.")

    checkup = Checkup(Settings(), lend, tmp_path / "gone" / "room.db")  # type: ignore[arg-type]
    lines = {line.what: line for line in checkup.lines()}
    assert lines["space"].verdict is Verdict.WRONG and "gone" in lines["space"].found
    assert lines["sound"].found == "It is not plugged in."
