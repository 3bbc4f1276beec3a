"""``groundnote listen`` as a user runs it: what it prints, and what it says when it cannot."""

import json
import subprocess
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import soundfile

from appliance.__main__ import main
from appliance.hearing.ear import Ear
from appliance.listening import side
from appliance.settings import Settings
from appliance.takes import open_take
from appliance.tuning import cents, note_hz, parse_note
from appliance.vocabulary import Event, Shift
from tests.broken_wavs import CORPUS, RATE, stereo, tone
from tests.tones import Room, Scene, scene

FIELDS = {
    "start_s",
    "end_s",
    "note",
    "landing_hz",
    "settled_hz",
    "landing_uncertainty_cents",
    "landing_cents",
    "settled_cents",
    "arrival",
    "slide_s",
    "vibrato",
    "shift",
    "slide_move",
    "leap",
    "drone_hz",
    "reference_hz",
    "tuning",
    "measurable",
}

Capture = pytest.CaptureFixture[str]


@cache
def alone() -> Scene:
    return scene(41, "viola", 5, "slow")


@cache
def with_drone() -> Scene:
    room = Room(level_db=-12.0)
    return scene(42, "viola", 5, "slow", drone=note_hz(57), room=room, lead_in_s=4.0)


@cache
def at_rate(rate: int) -> Scene:
    return scene(41, "viola", 3, "slow", sample_rate=rate)


def listened(capture: Capture, path: Path, *more: str) -> list[dict[str, object]]:
    """Run the command in this process and read its JSON lines."""
    assert main(["listen", str(path), "--instrument", "viola", "--json", *more]) == 0
    out, err = capture.readouterr()
    assert err == ""
    return [json.loads(line) for line in out.splitlines()]


def command(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "appliance", "listen", *map(str, arguments)]


# --- What it prints -------------------------------------------------------------------------


@pytest.fixture
def drone_take(tmp_path: Path) -> Path:
    take = with_drone()
    assert take.sent is not None
    path = tmp_path / "drone.wav"
    soundfile.write(path, stereo(take.mic, take.sent), RATE, subtype="PCM_24")
    return path


@pytest.fixture
def mono_take(tmp_path: Path) -> Path:
    path = tmp_path / "mono.wav"
    soundfile.write(path, alone().mic, RATE, subtype="PCM_24")
    return path


def test_every_line_is_one_note_with_every_field(drone_take: Path) -> None:
    """A real process, since nothing else may reach its standard output."""
    run = subprocess.run(
        command(drone_take, "--instrument", "viola", "--json"), capture_output=True, check=True
    )
    notes = [json.loads(line) for line in run.stdout.decode().splitlines()]
    assert run.stderr == b""
    assert len(notes) >= 4
    assert [n["start_s"] for n in notes] == sorted(n["start_s"] for n in notes)
    for note in notes:
        assert set(note) == FIELDS
        assert note["arrival"] in ("bow", "slide", "step")
        assert (note["slide_s"] is not None) == (note["arrival"] == "slide")
        assert note["end_s"] > note["start_s"]
        pitch = [note["landing_hz"], note["settled_hz"], note["note"], note["landing_cents"]]
        assert all((value is not None) == note["measurable"] for value in pitch)


def test_targets_refer_to_the_drone(capsys: Capture, drone_take: Path) -> None:
    for note in listened(capsys, drone_take):
        assert note["drone_hz"] == pytest.approx(220.0, rel=1e-4)
        assert note["reference_hz"] == note["drone_hz"]
        assert note["tuning"] == "just"


def test_without_a_drone_targets_are_equal_tempered(capsys: Capture, mono_take: Path) -> None:
    notes = listened(capsys, mono_take, "--a4", "442")
    measured = [n for n in notes if n["measurable"]]
    assert len(measured) >= 4
    for note in measured:
        assert (note["drone_hz"], note["reference_hz"], note["tuning"]) == (None, 442.0, "equal")
        goal = note_hz(parse_note(str(note["note"])), 442.0)
        for which in ("landing", "settled"):
            hz = float(str(note[f"{which}_hz"]))
            assert note[f"{which}_cents"] == pytest.approx(cents(hz, goal), abs=0.01)


def test_equal_temperament_can_be_asked_for(capsys: Capture, drone_take: Path) -> None:
    for note in listened(capsys, drone_take, "--tuning", "equal"):
        assert (note["reference_hz"], note["tuning"]) == (440.0, "equal")
        assert note["drone_hz"] == pytest.approx(220.0, rel=1e-4)


def test_an_instrument_may_be_spelled_with_a_space(capsys: Capture, mono_take: Path) -> None:
    assert main(["listen", str(mono_take), "--instrument", "Double Bass", "--json"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("rate", [44100, 48000, 96000])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX"])
def test_the_format_does_not_change_what_is_heard(
    capsys: Capture, tmp_path: Path, container: str, subtype: str, rate: int
) -> None:
    take = at_rate(rate)
    path = tmp_path / "t.wav"
    silent = np.zeros(len(take.mic))
    soundfile.write(path, stereo(take.mic, silent), rate, subtype=subtype, format=container)
    notes = listened(capsys, path)
    assert len(notes) == len(take.truths)
    for note, truth in zip(notes, take.truths, strict=True):
        assert abs(float(str(note["start_s"])) - truth.start_s) < 0.1
        assert abs(cents(float(str(note["landing_hz"])), truth.landing_hz)) < 5.0
        assert note["drone_hz"] is None


def test_a_silent_right_channel_is_no_drone(
    capsys: Capture, tmp_path: Path, mono_take: Path
) -> None:
    path = tmp_path / "stereo.wav"
    mic = alone().mic
    soundfile.write(path, stereo(mic, np.zeros(len(mic))), RATE, subtype="PCM_24")
    assert listened(capsys, path) == listened(capsys, mono_take)


def test_silence_has_no_notes(capsys: Capture, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "t.wav", np.zeros(2 * RATE), RATE)
    assert listened(capsys, tmp_path / "t.wav") == []


def test_the_table_is_for_people(capsys: Capture, drone_take: Path) -> None:
    assert main(["listen", str(drone_take), "--instrument", "viola"]) == 0
    head, *rows = capsys.readouterr().out.splitlines()
    count = len(listened(capsys, drone_take))
    assert head.split() == ["start", "length", "note", "landed", "settled", "arrival"]
    assert rows.index("") == count
    assert rows[-2].startswith(f"{count} notes;")
    assert rows[-1] == "targets: just over A3, 220.00 Hz"


@pytest.mark.parametrize("make", [alone, with_drone])
def test_blocks_do_not_change_what_is_heard(make: Callable[[], Scene], tmp_path: Path) -> None:
    scene_ = make()
    mic = scene_.mic[: 7 * RATE]
    right = np.zeros(len(mic)) if scene_.sent is None else scene_.sent[: len(mic)]
    soundfile.write(tmp_path / "t.wav", stereo(mic, right), RATE)
    take = open_take(tmp_path / "t.wav")
    heard = [_events(take.blocks(frames)) for frames in (64, 441, 8192, take.frames)]
    assert heard[0]
    assert all(events == heard[0] for events in heard[1:])


def _events(blocks: object) -> list[Event]:
    ear = Ear(Settings(), "viola", RATE)
    events = [event for mic, sent in blocks for event in ear.hear(mic, sent)]  # type: ignore[attr-defined]
    return events + ear.finish()


# --- Short and long -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "end", "landing_cents", "expected"),
    [
        ("B3", "G4", -8.0, "short"),
        ("B3", "G4", 8.0, "long"),
        ("G4", "B3", 8.0, "short"),
        ("G4", "B3", -8.0, "long"),
        ("B3", "G4", 2.9, None),
        ("B3", "G4", -2.9, None),
        ("B3", "G4", 3.0, "long"),
        ("B3", "G4", None, None),
    ],
)
def test_side(start: str, end: str, landing_cents: float | None, expected: str | None) -> None:
    """Design: short stopped before the target, long went past it, no side under 3 cents."""
    shift = Shift(note_hz(parse_note(start)), note_hz(parse_note(end)), 0.9)
    assert side(shift, landing_cents) == expected


# --- What it says when it cannot ------------------------------------------------------------


def assert_one_sentence(out: str, err: str, word: str) -> None:
    assert out == ""
    assert err.count("\n") == 1
    assert err.endswith("\n")
    assert err.startswith("groundnote: ")
    assert word in err
    assert "Traceback" not in err


@pytest.mark.parametrize("name", CORPUS)
def test_a_broken_file_is_one_sentence(capsys: Capture, tmp_path: Path, name: str) -> None:
    make, word = CORPUS[name]
    make(tmp_path / "t.wav")
    assert main(["listen", str(tmp_path / "t.wav"), "--instrument", "viola", "--json"]) == 2
    assert_one_sentence(*capsys.readouterr(), word)


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--instrument", "kazoo"], "viola"),
        (["--instrument", ""], "viola"),
        (["--instrument", "viola", "--a4", "300"], "400 to 480"),
        (["--instrument", "viola", "--a4", "nan"], "400 to 480"),
        (["--instrument", "viola", "--a4", "A4"], "--a4"),
        (["--instrument", "viola", "--tuning", "meantone"], "pythagorean"),
    ],
)
def test_a_wrong_option_is_one_sentence(
    capsys: Capture, mono_take: Path, arguments: list[str], word: str
) -> None:
    assert main(["listen", str(mono_take), *arguments]) == 2
    assert_one_sentence(*capsys.readouterr(), word)


@pytest.mark.parametrize("name", ["empty", "cut in data", "NaN", "speech-like on the right"])
def test_a_real_process_exits_2(tmp_path: Path, name: str) -> None:
    make, word = CORPUS[name]
    make(tmp_path / "t.wav")
    run = subprocess.run(
        command(tmp_path / "t.wav", "--instrument", "viola", "--json"),
        capture_output=True,
        check=False,
    )
    assert run.returncode == 2
    assert_one_sentence(run.stdout.decode(), run.stderr.decode(), word)


def test_whoever_stops_reading_gets_no_traceback(tmp_path: Path) -> None:
    """A table is longer than a closed pipe can take: the reader leaves at once."""
    soundfile.write(tmp_path / "t.wav", tone(2.0), RATE)
    with subprocess.Popen(
        command(tmp_path / "t.wav", "--instrument", "viola"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout and process.stderr
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0
