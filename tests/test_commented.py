"""The settings file with comments, read back by Python's own TOML reader and by our own."""

import re
import tomllib
from dataclasses import asdict, fields, replace
from pathlib import Path

import pytest

from appliance.__main__ import main
from appliance.commented import commented
from appliance.settings import DroneSettings, RoomSettings, Settings, load


def test_every_setting_stands_there_once_as_a_default_that_changes_nothing() -> None:
    text = commented(Settings())
    assert not any(tomllib.loads(text).values())
    uncommented = re.sub(r"^#(\w+ = )", r"\1", text, flags=re.MULTILINE)
    assert tomllib.loads(uncommented) == asdict(Settings())


def test_the_explanations_are_those_of_the_fields() -> None:
    lines = commented(Settings()).splitlines()
    place = lines.index('#time_zone = ""')
    explained = "an IANA time zone such as Europe/Vienna, or empty"
    assert lines[place - 1] == f"# time_zone ({explained}): empty: the machine's own"
    place = lines.index('#timbre = "reed"')
    assert lines[place - 3].startswith('# timbre (one of reed, clear, warm, bright): "reed": odd')
    assert all(len(line) <= 100 for line in lines)


def test_a_file_keeps_its_values_and_one_is_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    awkward = 'Ruth\'s "blue" room \\ 2, Zürich'
    first = replace(Settings(), room=RoomSettings(awkward, a4_hz=442.0), drone=DroneSettings("G2"))
    file = tmp_path / "room.toml"
    file.write_text(commented(first))
    assert load(file) == first
    words = ["--set", "room.name=4", "--set", "sound.device=USB Audio", "--set", "pedals.count=2"]
    assert main(["settings", str(file), *words]) == 0
    file.write_text(capsys.readouterr().out)
    second = load(file)
    assert (second.room.name, second.sound.device, second.pedals.count) == ("4", "USB Audio", 2)
    assert (second.room.a4_hz, second.drone) == (442.0, first.drone)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("room.a4_hz=300", "[room] a4_hz must be a number from 400 to 480 Hz, not 300"),
        ("room.a4_hz=high", "[room] a4_hz must be a number from 400 to 480 Hz, not 'high'"),
        ("room.a4=442", "did you mean a4_hz"),
        ("rooms.a4_hz=442", "there is no table [rooms]"),
        ("a4_hz", "--set takes TABLE.KEY=VALUE"),
    ],
)
def test_a_wrong_value_is_one_sentence(
    given: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["settings", "--set", given]) == 2
    output = capsys.readouterr()
    assert (output.out, output.err.count("\n")) == ("", 1)
    assert said in output.err


def test_every_table_says_what_it_is() -> None:
    for table in fields(Settings):
        kind = type(getattr(Settings(), table.name))
        assert (kind.__doc__ or "").split("\n")[0].replace("``", "") in commented(Settings())
