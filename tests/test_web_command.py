"""The command that serves the pages."""

import json
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

from appliance.log import owner_code
from tests.raw_week import THIS, all_of_week


def _web(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "web", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parent.parent,
    )


def test_the_command_serves_the_log_and_prints_its_address(log_path: Path) -> None:
    server = _web("--log", str(log_path), "--host", "127.0.0.1", "--port", "0")
    assert server.stdout is not None
    try:
        address = re.search(r"http://127\.0\.0\.1:\d+/", server.stdout.readline())
        assert address
        with urllib.request.urlopen(f"{address[0]}week.json?week={THIS}", timeout=20) as answer:
            assert json.load(answer)["total"]["count"] == len(all_of_week(log_path, THIS))
            assert "waitress" not in str(answer.headers).lower()
    finally:
        server.send_signal(signal.SIGINT)
        _, errors = server.communicate(timeout=20)
    assert server.returncode == 0
    assert "Traceback" not in errors


def test_the_first_start_prints_the_owners_one_time_code(tmp_path: Path) -> None:
    """Before there is a log, too; the same code at the next start, until somebody has used it."""
    told = set()
    for _ in range(2):
        server = _web("--log", str(tmp_path / "room.db"), "--host", "127.0.0.1", "--port", "0")
        assert server.stdout is not None
        try:
            server.stdout.readline()
            told.add(server.stdout.readline().rstrip())
        finally:
            server.send_signal(signal.SIGINT)
            server.communicate(timeout=20)
    (line,) = told
    assert line.endswith(f"at /owner: {owner_code.owner_code(tmp_path / 'room.db')}")


@pytest.mark.parametrize(
    "arguments",
    [("--port", "99999"), ("--host", "256.0.0.1"), ("--settings", "/nowhere.toml"), ("--nothing",)],
)
def test_the_command_says_what_is_wrong(arguments: tuple[str, ...]) -> None:
    server = _web(*arguments)
    output, errors = server.communicate(timeout=20)
    assert (server.returncode, output) == (2, "")
    assert "groundnote-web:" in errors
    assert "Traceback" not in errors
