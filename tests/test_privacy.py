"""What is stored is said, can be taken along, and is gone from every byte once it is deleted."""

import csv
import io
import json
import sqlite3
import struct
import zipfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient

from appliance.__main__ import main
from appliance.log.backups import back_up, backups_in, restore
from appliance.log.logbook import Logbook
from appliance.log.people import People, PeopleReader
from tests.cast import NOW, PIN, Cast, gather, signed_in, token
from tests.log_rows import PLAIN, instant
from tests.traces import traces

MARKED_HZ = 229.8765432101  # what Mira alone has played
NIGHT_S = NOW.wall_s + 36000.0


@pytest.fixture(scope="module")
def gathered(tmp_path_factory: pytest.TempPathFactory) -> Cast:
    cast = gather(tmp_path_factory.mktemp("privacy") / "room.db")
    at = instant(2026, 2, 11)
    with Logbook(cast.path, "north room") as log:
        mira = cast.people["Mira"].person_id
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0, player=mira)
        note = replace(PLAIN, landing_hz=MARKED_HZ, settled_hz=MARKED_HZ)
        log.add_note(sitting, note, at.later(5.0))
        log.end_sitting(sitting, at.later(6.0))
    return cast


def delete(client: FlaskClient, pin: str = PIN, **form: str) -> Any:
    form = {"csrf_token": token(client, "/privacy"), "pin": pin} | form
    return client.post("/privacy/delete", data=form)


def signs(cast: Cast) -> tuple[bytes, ...]:
    """What Mira leaves: her id, the hash of her PIN, a pitch as SQLite keeps it.

    A REAL is a big-endian IEEE 754 number of eight bytes (SQLite's file format, section 2.1).
    """
    with sqlite3.connect(cast.path) as raw:
        query = "SELECT pin_hash FROM person WHERE nickname = 'Mira'"
        (pin_hash,) = raw.execute(query).fetchone()
    raw.close()
    mira = cast.people["Mira"].person_id
    return mira.encode(), pin_hash.encode(), struct.pack(">d", MARKED_HZ)


def test_all_of_mine_is_one_file_with_nothing_of_anybody_else(cast: Cast) -> None:
    answer = signed_in(cast.app(), "Mira").get("/privacy/all-of-mine.zip")
    assert answer.mimetype == "application/zip"
    made = zipfile.ZipFile(io.BytesIO(answer.data))
    assert made.testzip() is None
    notes = list(csv.DictReader(io.StringIO(made.read("note.csv").decode())))
    with sqlite3.connect(cast.path) as raw:
        (mine,) = raw.execute(
            "SELECT count(*) FROM note JOIN sitting ON sitting.id = sitting_id WHERE player = ?",
            [cast.people["Mira"].person_id],
        ).fetchone()
    assert len(notes) == mine == 13
    assert len(json.loads(made.read("note.json"))) == mine
    assert [row["nickname"] for row in json.loads(made.read("person.json"))] == ["Mira"]
    assert "`landing_hz`" in made.read("fields.md").decode()
    everything = b"".join(made.read(name) for name in made.namelist())
    assert cast.people["Tomas"].person_id.encode() not in everything


def test_deleted_is_deleted_in_every_byte_and_after_a_restore(
    cast: Cast, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, looked_for = tmp_path / "backups", signs(cast)
    backup = back_up(cast.path, folder, NIGHT_S - 86400.0, 14)
    old = backup.read_bytes()
    app = cast.app()
    client, other = signed_in(app, "Mira"), signed_in(app, "Mira")
    client.get("/?week=2026-W07")  # the page holds the log open meanwhile
    with Logbook(cast.path, "north room"):  # and so does the room
        assert len(traces(tmp_path, looked_for)) >= 6
        assert delete(client, sure="y").status_code == 302
        assert "All of yours is deleted." in client.get("/privacy/deleted").text
        left = traces(tmp_path, looked_for)
        assert {line.split(":")[0] for line in left} == {backup.name}  # until tonight
        monkeypatch.setattr("time.time", lambda: NIGHT_S)
        monkeypatch.setattr("appliance.backup.kernel_clock_synchronised", lambda: True)
        assert main(["backup", "--nightly", "--log", str(cast.path)]) == 0
        assert traces(tmp_path, looked_for) == []
    assert client.get("/check-in").status_code == 302  # signed out, on the other phone as well
    assert other.get("/check-in").status_code == 302
    (tomas,) = {row[0] for row in _players(cast.path)}
    assert tomas == cast.people["Tomas"].person_id
    backup.write_bytes(old)  # one that lay in a drawer
    aside = restore(backup, cast.path, folder)
    backup.unlink()
    assert aside is not None
    assert traces(tmp_path, looked_for) == []
    assert len(backups_in(folder)) == 1
    with PeopleReader(cast.path) as people:
        assert people.find("Mira") is None


def _players(path: Path) -> list[tuple[str]]:
    with sqlite3.connect(path) as raw:
        return raw.execute("SELECT DISTINCT player FROM sitting").fetchall()


def test_deleting_asks_for_the_pin_and_a_tick(cast: Cast) -> None:
    client = signed_in(cast.app(), "Mira")
    assert delete(client).status_code == 400
    assert delete(client, "860352", sure="y").status_code == 403
    assert client.post("/privacy/delete", data={"pin": PIN, "sure": "y"}).status_code == 400
    with PeopleReader(cast.path) as people:
        assert people.find("Mira") is not None


def test_the_last_owner_stays(cast: Cast) -> None:
    answer = delete(signed_in(cast.app(), "Olga"), sure="y")
    assert answer.status_code == 400
    assert "at least one owner" in answer.text


def test_the_page_says_what_holds_for_whoever_reads_it(cast: Cast) -> None:
    with People(cast.path, "north room") as people:
        people.set_consent(cast.people["Mira"].person_id, date(2026, 1, 8))
    app = cast.app()
    page = " ".join(signed_in(app, "Mira").get("/privacy").text.split())
    assert "Yours: 8 January 2026." in page
    assert "card you accepted: Tea." in page
    assert "deleted 400 days after they ended" in page
    assert "nothing is encrypted" in page
    page = " ".join(signed_in(app, "Tomas").get("/privacy").text.split())
    assert "For you none is set." in page and "nobody just now" in page
    page = app.test_client().get("/privacy").text
    assert "No sound" in page and "Your PIN" not in page
    assert "nothing is encrypted" not in cast.app(https=True).test_client().get("/privacy").text
