"""CSV and JSON of the log: every table and column, against the raw rows; whose rows they are."""

import csv
import io
import json
import math
import sqlite3
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from flask.testing import FlaskClient

from appliance.log.export_tables import EXPORTS, NOT_EXPORTED, document
from appliance.log.exports import Export, ExportReader, csv_lines
from appliance.log.logbook import Logbook
from appliance.log.people import People, Role
from appliance.log.records import Listened
from appliance.log.schema import STEPS
from tests.cast import app_for
from tests.log_rows import fill, heard, instant
from tests.sitting_rows import fill_sitting
from web.week_fields import WEEK_FIELDS, week_document

ROOT = Path(__file__).parent.parent
ZONE = ZoneInfo("Europe/Lisbon")
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill(path)
    fill_sitting(path)
    return path


@pytest.fixture(scope="module")
def client(log_path: Path) -> FlaskClient:
    return app_for(log_path).test_client()


def _raw(path: Path, sql: str) -> list[dict[str, Any]]:
    with sqlite3.connect(path) as raw:
        raw.row_factory = sqlite3.Row
        return [dict(row) for row in raw.execute(sql)]


def test_every_column_of_every_table_is_exported_or_kept_back() -> None:
    """Of the schema as it is, so that a new column fails here until somebody has thought of it."""
    with sqlite3.connect(":memory:") as raw:
        for step in STEPS:
            raw.executescript(step)
        tables = {
            name for (name,) in raw.execute("SELECT name FROM sqlite_schema WHERE type='table'")
        }
        columns = {t: {row[1] for row in raw.execute(f"PRAGMA table_info({t})")} for t in tables}
    assert {export.name for export in EXPORTS} | set(NOT_EXPORTED) == tables
    for export in EXPORTS:
        used = {need for field in export.fields for need in field.needs} - {"room", "verdict"}
        used |= {"verdict"} & columns[export.name]
        assert used | set(export.kept_back) == columns[export.name], export.name
        assert len({field.name for field in export.fields}) == len(export.fields)


def test_the_notes_as_csv_are_those_of_the_raw_rows(client: FlaskClient, log_path: Path) -> None:
    answer = client.get("/exports/note.csv")
    assert answer.mimetype == "text/csv" and answer.is_streamed
    assert 'filename="groundnote-note.csv"' in answer.headers["Content-Disposition"]
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    raw = _raw(log_path, "SELECT * FROM note ORDER BY id")
    assert len(rows) == len(raw) > 900
    for row, truth in zip(rows, raw, strict=True):
        assert row["id"] == f"{truth['id'] >> 32:08x}-{truth['id'] % 2**32}"
        assert float(row["ended_wall_s"]) == truth["ended_wall_s"]
        at = datetime.fromisoformat(row["ended_at"])
        assert at.timestamp() == pytest.approx(truth["ended_wall_s"], abs=0.001)
        assert at.utcoffset() == ZONE.utcoffset(at.replace(tzinfo=None))
        assert float(row["duration_s"]) == truth["duration_ms"] / 1000
        for name in ("landing_hz", "settled_hz", "drone_hz", "reference_hz", "shift_likely"):
            assert row[name] == ("" if truth[name] is None else repr(truth[name])), name
        assert row["struck_out"] == ("true" if truth["struck"] else "false")
    named = next(row for row in rows if row["settled_hz"] and row["measurable"] == "true")
    # The name by another route than the project's.
    midi = round(69 + 12 * math.log2(float(named["settled_hz"]) / 440.0))
    assert named["note"] == f"{NAMES[midi % 12]}{midi // 12 - 1}"


@pytest.mark.parametrize("export", EXPORTS, ids=lambda export: export.name)
def test_csv_and_json_say_the_same(client: FlaskClient, export: Export) -> None:
    text = client.get(f"/exports/{export.name}.csv").text
    found = json.loads(client.get(f"/exports/{export.name}.json").text)
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows[0] == [field.name for field in export.fields]
    assert len(rows) - 1 == len(found)
    assert all(list(one) == rows[0] for one in found)
    say: Callable[[Any], str] = lambda cell: (  # noqa: E731
        "" if cell is None else str(cell).lower() if isinstance(cell, bool) else str(cell)
    )
    assert [[say(cell) for cell in one.values()] for one in found] == rows[1:]


def test_calls_rounds_and_events_are_all_there(client: FlaskClient, log_path: Path) -> None:
    for table in ("call", "round", "event", "sitting", "room"):
        found = json.loads(client.get(f"/exports/{table}.json").text)
        (count,) = _raw(log_path, f"SELECT count(*) AS n FROM {table}")
        assert len(found) == count["n"] > 0, table


def test_a_text_is_no_formula_for_a_spreadsheet(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    texts = ['=HYPERLINK("http://x")', "+1+1", "-2+3", "@SUM(A1)", "\t=1", "\r=1", 'a,"b"\n', "-"]
    for text in texts:
        Logbook(path, text).close()
    (room,) = [export for export in EXPORTS if export.name == "room"]
    with ExportReader(path) as log:
        rows = list(
            csv.reader(io.StringIO("".join(csv_lines(room, log.rows(room), ZONE)), newline=""))
        )
    assert {row[1] for row in rows[1:]} == {
        text if text[0] == "a" else f"'{text}" for text in texts
    }


def test_a_player_takes_their_own_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    with People(path, "north room") as people:
        owner = people.add("Orla", "482913", Role.OWNER, 1.77e9)
        ilka = people.add("Ilka", "719264", Role.PLAYER, 1.77e9)
    with Logbook(path, "north room") as log:
        for number, player in enumerate((owner, ilka, None)):
            at = instant(2026, 2, 9 + number)
            sitting = log.begin_sitting(
                at, instrument="viola", a4_hz=440.0, player=player and player.person_id
            )
            log.add_note(sitting, heard("A3", float(number)), at.later(2.0))
            log.end_sitting(sitting, at.later(2.0))
            listened = Listened(player and player.person_id, date(2026, 2, 11), 7.5)
            log.keep_listening([listened])
    assert app_for(path).test_client().get("/exports/note.csv").status_code == 401
    for person, pin in ((owner, "482913"), (ilka, "719264")):
        client = app_for(path).test_client()
        client.application.config["WTF_CSRF_ENABLED"] = False
        client.post("/sign-in", data={"nickname": person.nickname, "pin": pin, "look": "1"})
        (sitting,) = json.loads(client.get("/exports/sitting.json").text)
        assert sitting["player"] == person.person_id
        (one,) = json.loads(client.get("/exports/person.json").text)
        assert one["nickname"] == person.nickname and "pin_hash" not in one
        assert len(json.loads(client.get("/exports/note.json").text)) == 1
        (day,) = json.loads(client.get("/exports/listening.json").text)
        assert day == {"day": "2026-02-11", "player": person.person_id, "used_percent": 7.5}


def test_there_is_no_other_table(client: FlaskClient) -> None:
    for path in ("/exports/erasure.csv", "/exports/sqlite_schema.json", "/exports/note.xml"):
        assert client.get(path).status_code == 404


def test_every_field_is_explained_on_the_page_and_in_the_document(client: FlaskClient) -> None:
    text = client.get("/exports").text
    for export in EXPORTS:
        assert f"/exports/{export.name}.csv" in text
        for field in export.fields:
            assert f"<dt>{field.name}" in text and field.meaning
    for group, fields in WEEK_FIELDS.items():
        assert f"<dt>{group}" in text
        for field in fields:
            assert f"{field.name}</code>" in text and field.meaning
    written = (ROOT / "web" / "EXPORTS.md").read_text()
    assert written == document() + week_document(), "make web/EXPORTS.md anew"
