"""The pages as a browser gets them; every number again from the raw rows by another route."""

import json
import math
import re
import signal
import sqlite3
import subprocess
import sys
import urllib.request
from collections import defaultdict
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from flask import Flask
from flask.testing import FlaskClient
from hypothesis import example, given, settings
from hypothesis import strategies as st
from werkzeug.exceptions import MethodNotAllowed, NotFound
from werkzeug.routing import RequestRedirect

from appliance.log.logbook import Logbook
from appliance.log.records import Marks, RoundGoal
from appliance.settings import Settings
from appliance.vocabulary import Call, SettingsError
from tests.log_rows import (
    PLAIN,
    UNMEASURED,
    fill,
    fill_called_week,
    fill_tuned_evening,
    heard,
    instant,
)
from web import create_app

NOW = instant(2026, 2, 15, 20)
THIS, BEFORE = "2026-W07", "2026-W06"


def _settings(**room: Any) -> Settings:
    plain = Settings()
    return replace(
        plain, room=replace(plain.room, name="north room", time_zone="Europe/Lisbon", **room)
    )


def _app(path: Path, **room: Any) -> Flask:
    return create_app(path, _settings(**room), lambda: NOW.wall_s)


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill(path)
    return path


@pytest.fixture(scope="module")
def client(log_path: Path) -> FlaskClient:
    return _app(log_path).test_client()


def _words(client: FlaskClient, address: str, status: int = 200) -> str:
    """The page's text as somebody reads it."""
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    text = re.sub(r"<svg.*?</svg>|<head>.*?</head>|<[^>]+>", " ", answer.text, flags=re.S)
    return re.sub(r"\s+", " ", unescape(text).replace("\xa0", " "))


# --- The second route: raw SQL, and intervals written out again --------------------------------

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
OVER_A = {  # cents above A, 5-limit; pairs where there is no beat-free pitch
    0: (0.0, 0.0),
    2: (182.404, 203.910),
    4: (386.314, 386.314),
    5: (498.045, 498.045),
    7: (701.955, 701.955),
    9: (884.359, 884.359),
    10: (996.090, 1017.596),
}


def _error(hz: float, degree: int) -> float:
    low, high = OVER_A[degree]
    above = 1200 * math.log2(hz / 220.0)
    octave = 1200 * round((above - (low + high) / 2) / 1200)
    return min(0.0, above - octave - low) + max(0.0, above - octave - high)


def _raw(path: Path, week: str, band: float = 10.0) -> dict[str, list[tuple[str, float]]]:
    """Note name -> (outcome, landing error) of a week in Lisbon's winter (UTC)."""
    monday = 1770595200 if week == THIS else 1770595200 - 7 * 86400  # 2026-02-09 00:00 UTC
    with sqlite3.connect(path) as raw:
        rows = raw.execute(
            "SELECT landing_hz, settled_hz FROM note WHERE ended_wall_s BETWEEN ? AND ? "
            "AND NOT struck AND NOT repeat AND measurable",
            [monday, monday + 7 * 86400 - 1],
        ).fetchall()
    found = defaultdict(list)
    for landing_hz, settled_hz in rows:
        semitones = 12 * math.log2(settled_hz / 440.0)
        if 0.35 <= semitones % 1 <= 0.65:
            continue
        midi = 69 + round(semitones)
        landing, settled = (_error(hz, (midi - 57) % 12) for hz in (landing_hz, settled_hz))
        outcome = "missed"
        if abs(landing) <= band:
            outcome = "landed"
        elif abs(settled) <= band:
            outcome = "rescued"
        name = f"{NAMES[midi % 12]}{midi // 12 - 1}"
        found[name].append((outcome, landing))
    return found


def _shares(notes: list[tuple[str, float]]) -> tuple[int, ...]:
    outcomes = [outcome for outcome, _ in notes]
    return tuple(
        round(100 * outcomes.count(name) / len(outcomes))
        for name in ("landed", "rescued", "missed")
    )


def _all(path: Path, week: str, band: float = 10.0) -> list[tuple[str, float]]:
    return [note for notes in _raw(path, week, band).values() for note in notes]


@pytest.mark.parametrize("band", [5.0, 10.0, 22.5])
def test_the_one_sentence(client: FlaskClient, log_path: Path, band: float) -> None:
    now, then = (_shares(_all(log_path, week, band)) for week in (THIS, BEFORE))
    sentence = (
        f"{now[0]} % landed, {now[1]} % rescued, {now[2]} % missed; "
        f"last week {then[0]} / {then[1]} / {then[2]}."
    )
    assert sentence in _words(client, f"/?band={band:g}")


def test_like_for_like_uses_only_what_both_weeks_have(client: FlaskClient, log_path: Path) -> None:
    this, before = _raw(log_path, THIS), _raw(log_path, BEFORE)
    parts = [
        [
            note
            for name, notes in week.items()
            if name in this.keys() & before.keys()
            for note in notes
        ]
        for week in (this, before)
    ]
    now, then = (" / ".join(map(str, _shares(part))) for part in parts)
    assert (
        f"the same notes over the same drone: {now} of {len(parts[0])}, "
        f"last week {then} of {len(parts[1])}." in _words(client, "/")
    )


def test_every_note_with_count_typical_error_side_and_last_week(
    client: FlaskClient, log_path: Path
) -> None:
    this, before = _raw(log_path, THIS), _raw(log_path, BEFORE)
    answer = client.get("/week.json").get_json()
    assert {line["note"] for line in answer["notes"]} == this.keys()
    for line in answer["notes"]:
        outcomes = [outcome for outcome, _ in this[line["note"]]]
        errors = np.array([error for _, error in this[line["note"]]])
        typical = float(np.median(errors))
        assert line["count"] == len(outcomes)
        for outcome in ("landed", "rescued", "missed"):
            assert line[outcome] == outcomes.count(outcome)
        assert line["typical_cents"] == pytest.approx(typical, abs=0.001)
        assert line["spread_cents"] == pytest.approx(np.median(abs(errors - typical)), abs=0.001)
        side = None if abs(typical) < 3 else "sharp" if typical > 0 else "flat"
        assert line["side"] == side
        earlier = [outcome for outcome, _ in before.get(line["note"], [])]
        if earlier:
            assert line["like_for_like"]["before"]["count"] == len(earlier)
            assert line["like_for_like"]["before"]["landed"] == earlier.count("landed")


def test_the_page_says_what_the_json_says(client: FlaskClient) -> None:
    text = _words(client, "/").split("Most trouble first.")[1]
    week = client.get("/week.json").get_json()
    for line in week["notes"] + week["shifts"]:
        name = line.get("note") or line["shift"]
        card = text[text.index(f" {name} ") :]
        assert f"{line['landed']} of {line['count']} landed" in card[:120]
        assert f"{line['rescued']} rescued, {line['missed']} missed" in card[:180]
        if line["side"]:
            size = f"{abs(line['typical_cents']):.0f} cents {line['side']}"
            said = f"Typically {size}" if line["count"] > 1 else f"It landed {size}."
            assert said in card[:260]
        else:
            assert "under 3 cents off" in card[:260]
        assert ("half of them" in card[:260]) is (not line["few"])
        low, high = line["landed_interval_95"]
        if not line["few"]:
            assert f"({100 * low:.0f} to {100 * high:.0f} %)" in card[:160]


def test_shifts_are_likely_and_short_or_long(client: FlaskClient) -> None:
    shifts = client.get("/week.json").get_json()["shifts"]
    assert {line["shift"] for line in shifts} == {"B3→G4", "A4→D4"}
    assert {line["side"] for line in shifts} <= {"short", "long", None}
    assert _words(client, "/").count("likely (") == 2


def test_what_is_counted_apart(client: FlaskClient, log_path: Path) -> None:
    with sqlite3.connect(log_path) as raw:
        not_measurable, repeats, struck = raw.execute(
            "SELECT sum(NOT measurable AND NOT struck AND NOT repeat), sum(repeat AND NOT struck), "
            "sum(struck) FROM note WHERE ended_wall_s > 1770595200"
        ).fetchone()
    text = _words(client, "/")
    assert f"hear a landing {not_measurable} Between" in text
    assert f"finger left in place {repeats} Struck out {struck}" in text


def test_the_tuning_is_named_and_changes_the_numbers(client: FlaskClient) -> None:
    names = {"just": "just intonation", "pythagorean": "Pythagorean tuning", "equal": "equal temp"}
    landed = set()
    for tuning, name in names.items():
        assert f"Shown in {name}" in _words(client, f"/?tuning={tuning}")
        answer = client.get(f"/week.json?tuning={tuning}").get_json()
        landed.add(tuple(line["typical_cents"] for line in answer["notes"]))
    assert len(landed) == 3


def test_another_a4_is_named_and_moves_every_equal_target(client: FlaskClient) -> None:
    assert "A4 = 442.5 Hz" in _words(client, "/?a4=442.5")
    plain, moved = (
        next(line["typical_cents"] for line in answer.get_json()["notes"] if line["note"] == "E4")
        for answer in (client.get(f"/week.json?tuning=equal&a4={a4}") for a4 in ("", "442.5"))
    )
    assert moved - plain == pytest.approx(-1200 * math.log2(442.5 / 440), abs=1e-6)


def test_a_notes_own_page_lists_every_landing(client: FlaskClient, log_path: Path) -> None:
    text = client.get("/note/66").text
    rows = re.findall(r"<tr><td.*?</tr>", text.split("Every landing of week 7")[1], flags=re.S)
    notes = _raw(log_path, THIS)["F#4"]
    assert len(rows) == len(notes)
    for shown, (outcome, error) in zip(rows, notes, strict=True):
        assert f"<td>{outcome}" in shown
        cents = int(re.findall(r'class="n">([+−]?\d+) <small>', shown)[0].replace("−", "-"))
        assert abs(cents - error) <= 0.501
    assert "Shown in just intonation" in text


def test_a_shifts_own_page(client: FlaskClient) -> None:
    text = _words(client, "/shift/59-67")
    assert "B3→G4" in text
    assert "likely a shift" in text
    assert "short is minus, long is plus" in text


def test_the_drawing_has_a_stroke_for_every_landing(client: FlaskClient) -> None:
    total = client.get("/week.json").get_json()["total"]
    page = client.get("/").text.split('id="by-shift"')[0]
    for outcome in ("landed", "rescued", "missed"):
        paths = re.findall(rf'class="stroke {outcome}" d="([^"]*)"', page)
        assert sum(path.count("M") for path in paths) == total[outcome]


@pytest.mark.parametrize("address", ["/note/66", "/shift/59-67", "/shift/69-62"])
def test_strokes_run_from_the_landing_to_the_settled_pitch(
    client: FlaskClient, address: str
) -> None:
    """Against the table of the same page; A4→D4 goes down, so long is flat there.

    The table lists this week's landings, the drawing those of the weeks before, too, above them.
    """
    page = client.get(address).text
    before = client.get(f"{address}?week={BEFORE}").text
    scale = float(re.findall(r"<span>(\d+) cents (?:flat|short)</span>", page)[0])
    strokes = re.findall(r"M([\d.]+) ([\d.]+)v3H([\d.]+)", page)
    strokes.sort(key=lambda stroke: float(stroke[1]))
    row = r'class="n">([+−]?\d+) <small>.*?class="n">([+−]?\d+)<'
    said = re.findall(row, before) + re.findall(row, page)
    assert len(strokes) == len(said) > len(re.findall(row, before)) > 0
    for (start, _, end), cents in zip(strokes, said, strict=True):
        for x, text in zip((start, end), cents, strict=True):
            shown = (float(x) - 187.0) * scale / 147.0  # the drawing: 340 wide, 34 for the days
            size = float(text.replace("−", "-"))
            assert abs(shown - max(-scale, min(scale, size))) <= 0.6


def test_a_downward_shift_is_long_where_it_lands_flat(client: FlaskClient, log_path: Path) -> None:
    week = client.get("/week.json").get_json()
    (shift,) = (line for line in week["shifts"] if line["shift"] == "A4→D4")
    errors = [error for _, error in _raw(log_path, THIS)["D4"]]  # every D4 came from A4
    assert shift["typical_cents"] == pytest.approx(-float(np.median(errors)), abs=0.001)
    assert shift["side"] == "long"


@pytest.fixture(scope="module")
def tuned(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """Pages on an evening that began with tuning and left the G string six cents flat."""
    path = tmp_path_factory.mktemp("tuned") / "room.db"
    fill_tuned_evening(path)
    return _app(path).test_client()


def test_a_flat_string_is_said_once_and_its_notes_are_set_apart(tuned: FlaskClient) -> None:
    text = _words(tuned, "/?week=2026-W04")
    week = tuned.get("/week.json?week=2026-W04").get_json()
    assert "G3" not in {line["note"] for line in week["notes"]}
    strings = {line["string"]: line for line in week["strings"]}
    assert strings.keys() == {"G3", "D4", "A4"}
    string = strings["G3"]
    assert (round(string["found_cents"]), round(string["left_cents"])) == (-16, -6)
    assert round(string["typical_cents"]) == -6
    assert string["notes"] == week["may_be_open"] > 8
    assert week["tuning_strings"] == 6
    said = f"Fri 17:00: the G3 string was 6 cents flat all evening ({string['notes']} notes)."
    assert text.count("all evening") == text.count(said) == 1
    assert "Fri 17:00 G3 −16 −6 −6" in text
    assert f"Tuning the strings 6 May be open strings {string['notes']}" in text


def test_open_strings_are_counted_where_asked_and_marked(tuned: FlaskClient) -> None:
    apart, counted = (
        tuned.get(f"/week.json?week=2026-W04&open={choice}").get_json()
        for choice in ("apart", "counted")
    )
    assert counted["may_be_open"] == 0
    assert counted["total"]["count"] == apart["total"]["count"] + apart["may_be_open"]
    page = _words(tuned, "/?week=2026-W04&open=counted")
    assert "open strings counted." in page
    assert "counted with the others" in page
    own = tuned.get("/note/55?week=2026-W04&open=counted").text
    assert own.count("may be open</small>") == apart["may_be_open"]
    assert tuned.get("/note/55?week=2026-W04").status_code == 404
    assert _words(tuned, "/?open=perhaps", 400).count("apart or counted") == 1


@pytest.fixture(scope="module")
def called(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """Pages on five evenings of calls, the last on 16 January."""
    path = tmp_path_factory.mktemp("called") / "room.db"
    fill_called_week(path)
    return _app(path).test_client()


def test_calls_and_landings_by_the_raw_rows(called: FlaskClient, tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    fill_called_week(path)
    with sqlite3.connect(path) as raw:
        rows = raw.execute(
            "SELECT landing_hz, verdict FROM note JOIN call ON note_id = note.id"
        ).fetchall()
    counts: dict[str, list[bool]] = defaultdict(list)
    for landing_hz, verdict in rows:
        semitones = 12 * math.log2(landing_hz / 440.0)
        if 0.35 <= semitones % 1 <= 0.65:
            continue
        midi = 69 + round(semitones)
        error = _error(landing_hz, (midi - 57) % 12)
        right = {"in tune": abs(error) <= 10, "flat": error <= -5, "sharp": error >= 5}
        counts[f"{NAMES[midi % 12]}{midi // 12 - 1}"].append(right[verdict])
    text = _words(called, "/ear?week=2026-W03")
    every = [agreed for note in counts.values() for agreed in note]
    assert f"{sum(every)} of {len(every)} calls agree with what the room heard." in text
    by_note = text.split("By note")[1]
    for name, agreed in counts.items():
        share = round(100 * sum(agreed) / len(agreed))
        assert re.search(rf" {name} {len(agreed)} {share} % \(\d+ to \d+\) ", by_note), name
    assert f"{sum(every)} of {len(every)}" in text.split("Over which drone")[1]


def test_the_smallest_error_holds_for_whole_sittings(called: FlaskClient) -> None:
    text = _words(called, "/ear?week=2026-W03")
    assert re.search(r"\d+ cents \(\d+ to \d+\) off are called on their side", text)
    assert "each of 5 was left out in turn" in text
    by_note = text.split("By note")[1]
    share = r" B3 \d+ \d+ % \(\d+ to \d+\) \d+ too low, \d+ too high"
    assert re.search(f"{share} no one right pitch ", by_note)
    by_interval = text.split("By interval")[1].split("By note")[0]
    assert by_interval.count("sounds in tune") == 1
    planted = re.search(r"major third .*? (\d+) cents sharp \((\d+) to (\d+)\) sounds", by_interval)
    assert planted
    assert int(planted[2]) <= 8 <= int(planted[3])


def test_one_evening_says_what_its_range_leaves_out(tuned: FlaskClient) -> None:
    text = _words(tuned, "/ear?week=2026-W04")
    assert "the true range is wider" in text
    assert "G3" not in text.split("By note")[1]  # an open string has no landing
    assert text.split("By note")[1].count("not enough calls yet") >= 3


def test_few_calls_and_none(client: FlaskClient) -> None:
    assert "Not enough calls yet: it takes 30" in _words(client, "/ear")  # all of them flat
    assert re.search(r" G4 \d few ", _words(client, "/ear").split("By note")[1])
    assert "No note was called in these weeks." in _words(client, "/ear?week=2026-W40")


def test_the_ears_page_is_linked_and_reads_the_same_way(client: FlaskClient) -> None:
    page = client.get("/?tuning=equal&band=15").text
    link = re.search(r'href="(/ear\?[^"]*)"', page)
    assert link
    text = _words(client, unescape(link[1]))
    assert "equal temperament, in tune within 15 cents" in text


def test_from_week_to_week(client: FlaskClient) -> None:
    page = client.get("/?tuning=equal").text
    link = re.search(r'rel="prev" href="([^"]*)"', page)
    assert link
    assert 'rel="next"' not in page
    earlier = client.get(unescape(link[1])).text
    assert "2 to 8 February 2026" in earlier
    assert "Shown in equal temperament" in earlier
    assert 'rel="next"' in earlier


@pytest.mark.parametrize(
    ("week", "days"),
    [
        ("2026-W01", "29 December 2025 to 4 January 2026"),
        ("2026-W05", "26 January to 1 February 2026"),
    ],
)
def test_the_days_of_a_week(client: FlaskClient, week: str, days: str) -> None:
    assert days in _words(client, f"/?week={week}")


# --- Nothing to show --------------------------------------------------------------------------


def test_an_empty_week_says_what_to_do_and_where_the_notes_are(client: FlaskClient) -> None:
    text = _words(client, "/?week=2026-W20")
    assert "No landing was heard in this week" in text
    assert "The last week with notes is week 7" in text
    assert "Counted apart" not in text
    assert "To this week" in text
    assert client.get("/week.json?week=2026-W20").get_json()["total"]["count"] == 0


def test_no_log_yet(tmp_path: Path) -> None:
    client = _app(tmp_path / "room.db").test_client()
    assert "Start the room" in _words(client, "/")
    assert client.get("/week.json").status_code == 404
    assert "Start the room" in client.get("/week.json").get_json()["error"]
    assert [path.name for path in tmp_path.iterdir()] == ["room.session-key"]  # and no log


def test_a_log_without_notes(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room"):
        pass
    text = _words(_app(tmp_path / "room.db").test_client(), "/")
    assert "No landing was heard" in text
    assert "last week with notes" not in text


@pytest.mark.parametrize("content", [b"no database", b"y" * 9000])
def test_a_broken_log(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "room.db"
    path.write_bytes(content)
    client = _app(path).test_client()
    text = _words(client, "/", 503)
    assert "The log cannot be read" in text
    assert str(tmp_path) not in text
    assert client.get("/week.json").status_code == 503
    assert path.read_bytes() == content


def test_few_notes_are_called_few(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(NOW, instrument="viola", a4_hz=440.0)
        log.add_note(sitting, PLAIN, NOW)
    text = _words(_app(tmp_path / "room.db").test_client(), "/")
    assert "100 % landed, 0 % rescued, 0 % missed; no landings last week." in text
    assert "1 note, few: too early for shares." in text
    assert "1 of 1 landed few, too early for a share" in text


# --- What a stranger may send ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("week=2026-W54", "no such week"),
        ("week=yesterday", "no such week"),
        ("week=", "no such week"),
        ("tuning=meantone", "one of just, pythagorean, equal"),
        ("tuning=", "no such tuning"),
        ("band=4.9", "from 5 to 30"),
        ("band=31", "from 5 to 30"),
        ("band=nan", "from 5 to 30"),
        ("band=1e1", "from 5 to 30"),
        ("band=١٠", "from 5 to 30"),
        ("a4=39", "from 400 to 480"),
        ("a4=inf", "from 400 to 480"),
    ],
)
@pytest.mark.parametrize("address", ["/", "/note/66", "/shift/59-67", "/week.json"])
def test_bad_input_gets_one_sentence(
    client: FlaskClient, address: str, query: str, says: str
) -> None:
    answer = client.get(f"{address}?{query}")
    assert answer.status_code == 400
    assert says in answer.text
    assert "Traceback" not in answer.text


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(["/", "/week.json", "/note/66", "/shift/59-67"]),
    st.dictionaries(st.sampled_from(["week", "tuning", "band", "a4", "player"]), st.text()),
)
def test_any_query_gets_an_answer(client: FlaskClient, address: str, query: dict[str, str]) -> None:
    assert client.get(address, query_string=query).status_code in (200, 400)


@settings(max_examples=100, deadline=None)
@given(st.text(max_size=40))
@example("sign-out")
@example("sign-out?x")
def test_any_path_gets_an_answer(client: FlaskClient, path: str) -> None:
    path = path.lstrip("/")  # the client would take what follows "//" for a host
    for address in (f"/{path}", f"/note/{path}", f"/shift/{path}"):
        status = client.get(address).status_code
        if _is_for_forms(client, address):
            assert status == 405
        else:
            assert status in (200, 302, 308, 403, 404)  # some need somebody


def _is_for_forms(client: FlaskClient, address: str) -> bool:
    """Whether a form may be sent there, and nothing be looked at."""
    try:
        client.application.url_map.bind("localhost").match(urlsplit(address).path, method="GET")
    except MethodNotAllowed:
        return True
    except (NotFound, RequestRedirect):
        pass
    return False


@pytest.mark.parametrize("address", ["/note/20", "/note/99999999999999", "/shift/1-2", "/admin"])
def test_no_such_page(client: FlaskClient, address: str) -> None:
    assert "no such page" in _words(client, address, 404)


def test_pages_can_only_be_looked_at(client: FlaskClient) -> None:
    for address in ("/", "/week.json", "/note/66", "/shift/59-67"):
        for send in (client.post, client.put, client.delete, client.patch):
            assert send(address).status_code == 405


@pytest.mark.parametrize(
    "address", ["/", "/week.json", "/note/66", "/?band=1", "/nowhere", "/static/page.css"]
)
def test_every_answer_carries_the_headers(client: FlaskClient, address: str) -> None:
    headers = client.get(address).headers
    policy = headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; style-src 'self';")
    assert "unsafe" not in policy
    assert "http" not in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "same-origin"  # what a form over HTTPS is checked by


def test_the_host_header_is_not_reflected(client: FlaskClient) -> None:
    for address in ("/", "/note/66", "/week.json", "/?band=1", "/nowhere", "/static"):
        answer = client.get(address, headers={"Host": "evil.example"})
        assert "evil.example" not in answer.text + str(answer.headers)


def test_names_are_text_and_not_markup(log_path: Path) -> None:
    plain = Settings()
    room = replace(plain.room, name="<script>alert(1)</script>")
    page = (
        create_app(log_path, replace(plain, room=room), lambda: NOW.wall_s).test_client().get("/")
    )
    assert "<script" not in page.text
    assert "&lt;script&gt;" in page.text


def test_an_error_of_our_own_shows_no_traceback(log_path: Path) -> None:
    app = create_app(log_path, _settings(), lambda: 1 / 0)
    answer = app.test_client().get("/")
    assert answer.status_code == 500
    assert "ZeroDivisionError" not in answer.text
    assert not app.debug


def test_an_unknown_time_zone_is_said_at_the_start(log_path: Path) -> None:
    bad = _settings()
    with pytest.raises(SettingsError, match="time_zone"):
        create_app(log_path, replace(bad, room=replace(bad.room, time_zone="Moon/Base")))


def test_nothing_points_outside(client: FlaskClient) -> None:
    for address in ("/", "/note/66", "/nowhere", "/static/page.css"):
        text = client.get(address).text
        assert not re.search(r"https?:|src=|@import|url\(|<script|style=", text)


# --- The command ----------------------------------------------------------------------------------


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
            assert json.load(answer)["total"]["count"] == len(_all(log_path, THIS))
            assert "waitress" not in str(answer.headers).lower()
    finally:
        server.send_signal(signal.SIGINT)
        _, errors = server.communicate(timeout=20)
    assert server.returncode == 0
    assert "Traceback" not in errors


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


# --- What the foot has marked -------------------------------------------------------------------


def test_with_and_without_rounds_pauses_and_pace_are_on_the_page(tmp_path: Path) -> None:
    at = instant(2026, 2, 11)
    marks = [Marks(), Marks(without=True), Marks(paused=True), Marks(in_round=True, try_number=1)]
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        goal = RoundGoal(None, 220.0, 220.0, 10.0)
        one = log.begin_round(sitting, goal, at)
        for number, mark in enumerate(marks):
            log.add_note(sitting, PLAIN, at.later(2.0 * number), mark, one)
        log.add_note(sitting, UNMEASURED, at.later(9.0))
    client = _app(tmp_path / "room.db").test_client()
    text = _words(client, "/")
    assert "With 1, few 100 % 0 % 0 %" in text and "Without 1, few 100 % 0 % 0 %" in text
    assert "Played while the log was paused 1 Played in rounds 1" in text
    assert "1 of 4 notes were too short to hear a landing." in text
    week = client.get("/week.json").get_json()
    assert (week["paused"], week["in_rounds"], week["total"]["count"]) == (1, 1, 2)
    assert week["beside"]["same_notes_without"]["landed"] == 1
    (pace,) = week["sittings"]
    assert (pace["notes"], pace["too_short"]) == (4, 1)


def test_a_week_played_with_the_drone_alone_says_nothing_of_without(client: FlaskClient) -> None:
    assert "With the drone and without" not in _words(client, "/")


def test_rounds_can_be_read_try_by_try(tmp_path: Path) -> None:
    at, path = instant(2026, 2, 11), tmp_path / "room.db"
    g4_hz, b3_hz = 391.995, 246.942  # equal temperament, A4 = 440 Hz
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        won = log.begin_round(sitting, RoundGoal(b3_hz, g4_hz, g4_hz, 10.0), at)
        for number, cents in enumerate((-31.0, -25.0, -12.0, 3.0, 24.0, -1.0), 1):
            note = heard("G4", cents)
            mark = Marks(in_round=True, try_number=number)
            note_id = log.add_note(sitting, note, at.later(2.0 * number), mark, won)
            if number == 2:
                log.add_call(note_id, Call.FLAT, at.later(4.5))
        log.end_round(won, won=True)
        log.begin_round(sitting, RoundGoal(None, 220.0, 220.0, 10.0), at.later(60.0))
    text = _words(_app(path).test_client(), "/")
    said = "short, short (called flat), nearly, in, long, in. Enough landed in a row."
    assert f"B3→G4 Wed 17:00 {said}" in text
    assert "A3 from silence Wed 17:01 No try." in text
