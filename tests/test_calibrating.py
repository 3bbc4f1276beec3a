"""Calibration: what is played, what is worked out, and a settings file that keeps all else."""

import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from appliance import calibrating, checkup
from appliance.__main__ import main
from appliance.calibrating import change, with_key
from appliance.caretaker import Caretaker
from appliance.checking.loudness import (
    CALIBRATION_S,
    calibration_noise,
    steady_part,
    weighted_db,
)
from appliance.devices.blocks import Opened, Recording
from appliance.practice.dose import a_weighting_db
from appliance.settings import Settings, SoundSettings, load
from appliance.vocabulary import SettingsError

RATE_HZ = 48000.0
COMMENTED = """# Settings of the north room
[room]
name = "north room"  # as on the door

[loudness]
# full_scale_dba = 0.0
daily_dose_percent = 50.0

[web]
port = 8080
"""


@pytest.mark.parametrize("level_dbfs", [-24.0, -9.0])
def test_the_noise_is_as_loud_as_the_drone_and_fades_in(level_dbfs: float) -> None:
    noise = calibration_noise(level_dbfs, RATE_HZ)
    steady = steady_part(noise, RATE_HZ)
    assert noise.size == CALIBRATION_S * RATE_HZ
    assert 20 * np.log10(np.std(steady)) == pytest.approx(level_dbfs, abs=0.2)
    assert np.max(np.abs(noise)) <= 1.0
    first = noise[: round(0.02 * RATE_HZ)]
    assert np.max(np.abs(first)) < 0.05 * np.max(np.abs(steady))
    # in the octave round 1 kHz the weighting does little
    assert weighted_db(steady, RATE_HZ) == pytest.approx(level_dbfs, abs=0.5)


@pytest.mark.parametrize("hz", [100.0, 1000.0, 4000.0])
def test_a_weighted_level_of_a_sine(hz: float) -> None:
    sine = np.sin(2 * np.pi * hz * np.arange(96000) / RATE_HZ)
    assert weighted_db(sine, RATE_HZ) == pytest.approx(-3.01 + a_weighting_db(hz), abs=0.05)


def test_one_key_is_set_and_all_else_stays() -> None:
    changed = with_key(COMMENTED, "loudness", "full_scale_dba", "98.5")
    before, after = tomllib.loads(COMMENTED), tomllib.loads(changed)
    assert after["loudness"].pop("full_scale_dba") == 98.5
    assert after == before
    assert all(line in changed.splitlines() for line in COMMENTED.splitlines())


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "full_scale_dba = 98.5"),
        ("[room]\nname = 'x'\n", "full_scale_dba = 98.5"),
        ("[loudness]\nfull_scale_dba = 70.0  # in May\n[web]\n", "full_scale_dba = 98.5  # in May"),
        ("# [loudness]\n[web]\nport = 1\n", "full_scale_dba = 98.5"),
        ("[loudness] # how loud\n[web]\nfull_scale_dba = 1\n", "full_scale_dba = 98.5"),
    ],
)
def test_wherever_the_table_stands(text: str, line: str) -> None:
    changed = with_key(text, "loudness", "full_scale_dba", "98.5")
    assert tomllib.loads(changed)["loudness"]["full_scale_dba"] == 98.5
    assert changed.splitlines().count(line) == 1


def test_a_file_is_changed_whole_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "s.toml"
    file.write_text(COMMENTED)
    file.chmod(0o640)
    change(file, "loudness", "full_scale_dba", "98.5")
    assert load(file).loudness.full_scale_dba == 98.5
    assert file.stat().st_mode & 0o777 == 0o640
    before = file.read_text()
    with pytest.raises(SettingsError, match="from 0 to 150"):
        change(file, "loudness", "full_scale_dba", "999.0")
    assert file.read_text() == before and list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize(
    ("shown", "expected"),
    [("64", 88.0), ("64,5 dBA", 88.5), ("64.5", 88.5)],
)
def test_the_number_is_what_the_meter_would_show_at_full_scale(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, shown: str, expected: float
) -> None:
    """64 dBA at -24 dBFS are 88 dBA at 0 dBFS."""
    monkeypatch.setattr(calibrating, "_level", lambda *_: -24.0)
    file = tmp_path / "s.toml"
    file.write_text("")
    words = ["calibrate", "loudspeaker", "--settings", str(file), "--dba", shown]
    assert main(words) == 0
    assert load(file).loudness.full_scale_dba == expected


@pytest.mark.parametrize("shown", ["", "loud", "6.4", "200", "nan"])
def test_a_slip_changes_nothing(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    shown: str,
) -> None:
    monkeypatch.setattr(calibrating, "_level", lambda *_: -24.0)
    file = tmp_path / "s.toml"
    file.write_text("")
    assert main(["calibrate", "player", "--settings", str(file), "--dba", shown]) == 2
    assert "The meter shows a number from 30 to 120 dBA" in capsys.readouterr().err
    assert file.read_text() == ""


@pytest.mark.parametrize("what", ["loudspeaker", "player"])
def test_what_is_measured(monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    """The loudspeaker's noise as it is sent; of a player what the chosen input records."""
    played: list[np.ndarray] = []

    def record(
        settings: object, make: Callable[[float], np.ndarray], progress: Callable[[], None]
    ) -> tuple[Opened, Recording]:
        played.append(make(RATE_HZ))
        time_s = np.arange(len(played[0])) / RATE_HZ
        mic = np.stack([0.0 * time_s, 0.1 * np.sin(2 * np.pi * 300.0 * time_s)], axis=1)
        return Opened("a card", RATE_HZ, 2), Recording(mic.astype(np.float32), 0)

    monkeypatch.setattr(checkup, "record", record)
    settings = replace(Settings(), sound=SoundSettings(microphone_channel=2))
    room = checkup.Checkup(settings, lambda work: work(), Path("room.db"))
    level_db = Caretaker(room).answer(
        {"do": "calibrate", "what": what}, lambda: None, sounding=False
    )["level_db"]
    if what == "loudspeaker":
        assert level_db == pytest.approx(-24.0, abs=0.5)
        assert np.std(played[0]) > 0.0
    else:
        assert level_db == pytest.approx(-23.01, abs=0.05)
        assert not np.round(played[0], 12).any()


def test_nobody_is_not_taken_for_a_player(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(calibrating, "_here", lambda *_: -52.0)
    words = ["calibrate", "player", "--dba", "75", "--socket", str(tmp_path / "none.sock")]
    assert main(words) == 2
    assert "hears hardly anything" in capsys.readouterr().err
    assert main(["calibrate", "loudspeaker", *words[2:]]) == 0
    assert "full_scale_dba = 127.0" in capsys.readouterr().out
