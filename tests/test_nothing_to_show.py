"""Pages without a log, without notes, with few, and with a log that cannot be read."""

from pathlib import Path

import pytest
from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from tests.cast import NOW, app_for
from tests.log_rows import (
    PLAIN,
)
from tests.pages import page_words


def test_an_empty_week_says_what_to_do_and_where_the_notes_are(client: FlaskClient) -> None:
    text = page_words(client, "/?week=2026-W20")
    assert "No landing was heard in this week" in text
    assert "The last week with notes is week 7" in text
    assert "Counted apart" not in text
    assert "To this week" in text
    assert client.get("/week.json?week=2026-W20").get_json()["total"]["count"] == 0


def test_no_log_yet(tmp_path: Path) -> None:
    client = app_for(tmp_path / "room.db").test_client()
    assert "Start the room" in page_words(client, "/")
    assert client.get("/week.json").status_code == 404
    assert "Start the room" in client.get("/week.json").get_json()["error"]
    assert [path.name for path in tmp_path.iterdir()] == ["room.session-key"]  # and no log


def test_a_log_without_notes(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room"):
        pass
    text = page_words(app_for(tmp_path / "room.db").test_client(), "/")
    assert "No landing was heard" in text
    assert "last week with notes" not in text


@pytest.mark.parametrize("content", [b"no database", b"y" * 9000])
def test_a_broken_log(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "room.db"
    path.write_bytes(content)
    client = app_for(path).test_client()
    text = page_words(client, "/", 503)
    assert "The log cannot be read" in text
    assert str(tmp_path) not in text
    assert client.get("/week.json").status_code == 503
    assert path.read_bytes() == content


def test_few_notes_are_called_few(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(NOW, instrument="viola", a4_hz=440.0)
        log.add_note(sitting, PLAIN, NOW)
    text = page_words(app_for(tmp_path / "room.db").test_client(), "/")
    assert "100 % landed, 0 % rescued, 0 % missed; no landings last week." in text
    assert "1 note, few: too early for shares." in text
    assert "1 of 1 landed few, too early for a share" in text
