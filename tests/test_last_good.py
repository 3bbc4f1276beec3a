"""Settings that cannot be read: the room opens, sounds, and says so."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from appliance.control import ask
from appliance.last_good import SOFT_DBFS, load_or_last_good
from appliance.settings import Settings
from tests.soundcard import wait_for

GOOD = '[room]\nname = "room-3"\ninstrument = "cello"\n[drone]\nlevel_dbfs = -30.0\n'
BROKEN = [b"", b"[room\n", b"\xff\xfe\x00", b"[room]\nname = 3\n", os.urandom(64), b"[drone]\nlo"]


@pytest.mark.parametrize("content", BROKEN[1:])
def test_the_last_that_could_be_read_is_gone_on_with(tmp_path: Path, content: bytes) -> None:
    path, copy = tmp_path / "settings.toml", tmp_path / "copy.toml"
    path.write_text(GOOD)
    good, trouble = load_or_last_good(path, copy)
    assert trouble is None and good.room.instrument == "cello"
    path.write_bytes(content)
    found, trouble = load_or_last_good(path, copy)
    assert found == good
    assert str(path) in str(trouble) and "had on" in str(trouble)
    assert path.read_bytes() == content and copy.read_text() == GOOD
    path.unlink()
    assert load_or_last_good(path, copy)[0] == good


@pytest.mark.parametrize("kept", [None, b"[room\n"])
def test_without_a_copy_the_drone_is_soft(tmp_path: Path, kept: bytes | None) -> None:
    path, copy = tmp_path / "settings.toml", tmp_path / "copy.toml"
    path.write_text("[drone]\nlevel_dbfs = 40.0\n")
    if kept is not None:
        copy.write_bytes(kept)
    found, trouble = load_or_last_good(path, copy)
    assert found.room == Settings().room
    usual, soft = Settings().drone, found.drone
    assert soft.level_dbfs == SOFT_DBFS
    # as far over the drone as ever: softer, they could not be heard
    assert soft.cue_level_dbfs - SOFT_DBFS == usual.cue_level_dbfs - usual.level_dbfs
    assert "soft drone" in str(trouble)


def test_an_empty_file_is_a_file_of_defaults(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").touch()
    assert load_or_last_good(tmp_path / "settings.toml", tmp_path / "copy") == (Settings(), None)


def test_a_copy_that_cannot_be_kept_stops_nothing(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_text(GOOD)
    found, trouble = load_or_last_good(tmp_path / "settings.toml", tmp_path / "no" / "copy")
    assert found.room.name == "room-3" and trouble is None


def test_a_room_with_broken_settings_sounds_its_drone_and_says_what_is_wrong(
    tmp_path: Path,
) -> None:
    (tmp_path / "settings.toml").write_text("[drone]\nloud = true\n")
    socket = tmp_path / "c.sock"
    words = [sys.executable, "-m", "appliance", "run", "--patient", "--simulate", "--no-pedals"]
    words += ["--settings", "settings.toml", "--log", "room.db", "--socket", str(socket)]
    root = Path(__file__).parents[1]
    environment = {**os.environ, "PYTHONPATH": str(root)}
    process = subprocess.Popen(words, cwd=tmp_path, env=environment, stderr=subprocess.PIPE)
    try:
        wait_for(socket.exists, 60.0)
        status = ask(socket, {"do": "drone", "on": True})
        assert status["drone"]["on"] and "loud" in status["settings"]["trouble"]
    finally:
        process.send_signal(signal.SIGTERM)
        said = process.communicate(timeout=20)[1].decode()
    assert process.returncode == 0 and "soft drone" in said
