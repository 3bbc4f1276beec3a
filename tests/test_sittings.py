"""Sittings and their time line; every number and every stroke again from the raw rows."""

import math
import re
import sqlite3
from collections import Counter, defaultdict
from dataclasses import replace
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.log.logbook import Logbook
from appliance.log.people import People, Role
from appliance.log.reader import LogReader
from tests.cast import app_for
from tests.log_rows import fill, heard
from tests.pages import words
from tests.sitting_rows import STARTED, fill_sitting
from web.minutes import LINES_A_PART

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
# Cents above the drone of 5-limit just intonation; spans where there is no beat-free pitch.
JUST: dict[int, tuple[float, float]] = {
    semitone: (1200 * math.log2(low), 1200 * math.log2(high))
    for semitone, (low, high) in {
        0: (1, 1),
        2: (10 / 9, 9 / 8),
        4: (5 / 4, 5 / 4),
        5: (4 / 3, 4 / 3),
        7: (3 / 2, 3 / 2),
        9: (5 / 3, 5 / 3),
        11: (15 / 8, 243 / 128),
    }.items()
}


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill(path, notes_a_day=5)
    return path


@pytest.fixture(scope="module")
def sitting_id(log_path: Path) -> str:
    return fill_sitting(log_path)


def _client(path: Path) -> FlaskClient:
    app = app_for(path)
    app.config["WTF_CSRF_ENABLED"] = False
    return app.test_client()


@pytest.fixture(scope="module")
def client(log_path: Path) -> FlaskClient:
    return _client(log_path)


def _raw(path: Path, sitting_id: str) -> list[dict[str, Any]]:
    room, number = sitting_id.split("-")
    with sqlite3.connect(path) as raw:
        raw.row_factory = sqlite3.Row
        rows = raw.execute(
            "SELECT * FROM note WHERE sitting_id = ? ORDER BY ended_wall_s, id",
            [(int(room, 16) << 32) + int(number)],
        )
        return [dict(row) for row in rows]


def _outcome(row: dict[str, Any], band: float = 10.0) -> tuple[str, str, float] | None:
    """Note name, outcome and landing error of a note that counts, or of a round; else nothing."""
    if row["struck"] or row["paused"] or row["repeat"] or not row["measurable"]:
        return None
    semitones = 12 * math.log2(row["settled_hz"] / 440.0)
    if 0.35 <= semitones % 1 <= 0.65:
        return None
    midi = 69 + round(semitones)
    drone = 69 + round(12 * math.log2(row["reference_hz"] / 440.0))
    low, high = JUST[(midi - drone) % 12]

    def error(hz: float) -> float:
        above = 1200 * math.log2(hz / row["reference_hz"])
        above -= 1200 * round((above - (low + high) / 2) / 1200)
        return min(0.0, above - low) + max(0.0, above - high)

    landing, settled = error(row["landing_hz"]), error(row["settled_hz"])
    outcome = "missed" if abs(settled) > band else "rescued"
    if abs(landing) <= band:
        outcome = "landed"
    return f"{NAMES[midi % 12]}{midi // 12 - 1}", outcome, landing


def test_the_list_has_every_sitting_once_the_latest_first(
    client: FlaskClient, log_path: Path, sitting_id: str
) -> None:
    seen: list[tuple[str, int]] = []
    address: str | None = "/sittings"
    while address:
        text = client.get(address).text
        seen += [
            (name, int(count))
            for name, count in re.findall(
                r'href="/sitting/([0-9a-f-]+)[?"].*?, (\d+) notes?[;<]', text, flags=re.S
            )
        ]
        found = re.search(r'href="(/sittings\?before=[^"]+)">Earlier', text)
        address = found and unescape(found[1])
    with sqlite3.connect(log_path) as raw:
        truth = raw.execute(
            "SELECT sitting.id, count(note.id) FROM sitting LEFT JOIN note ON sitting_id = "
            "sitting.id GROUP BY sitting.id ORDER BY started_wall_s DESC"
        ).fetchall()
    assert seen == [(f"{key >> 32:08x}-{key % 2**32}", count) for key, count in truth]


def test_the_list_goes_on_page_after_page(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        for number in range(45):
            at = STARTED.later(3600.0 * number)
            log.end_sitting(log.begin_sitting(at, instrument="viola", a4_hz=440.0), at)
    client, address, counts = _client(tmp_path / "room.db"), "/sittings", []
    while address:
        text = client.get(address).text
        counts.append(text.count('href="/sitting/'))
        found = re.search(r'href="(/sittings\?before=[^"]+)">Earlier', text)
        address = unescape(found[1]) if found else ""
    assert counts == [20, 20, 5]


@pytest.mark.parametrize(("query", "band"), [("", 10.0), ("band=25", 25.0)])
def test_the_list_says_what_became_of_each_sitting_from_the_raw_rows(
    client: FlaskClient, log_path: Path, sitting_id: str, query: str, band: float
) -> None:
    text = client.get(f"/sittings?{query}").text
    row = words(text.split(f"/sitting/{sitting_id}")[1].split("</li>")[0])
    counted = [
        found
        for raw in _raw(log_path, sitting_id)
        if raw["round_id"] is None and (found := _outcome(raw, band))
    ]
    parts = Counter(outcome for _, outcome, _ in counted)
    assert (
        f"; of {len(counted)} that count, {parts['landed']} landed, {parts['rescued']} rescued, "
        f"{parts['missed']} missed" in row
    )


@pytest.mark.parametrize("query", ["", "tuning=equal&open=counted", "key=D&edge=low&a4=442"])
def test_the_list_says_of_each_sitting_what_its_page_says(client: FlaskClient, query: str) -> None:
    listed = re.findall(
        r'href="(/sitting/[^"]+)".*?(\d+ that count, [^;<(]*missed)',
        client.get(f"/sittings?{query}").text,
        flags=re.S,
    )
    assert len(listed) == 11
    for address, said in listed:
        assert said in words(client.get(unescape(address)).text)


def test_the_numbers_of_a_sitting(client: FlaskClient, log_path: Path, sitting_id: str) -> None:
    text = words(client.get(f"/sitting/{sitting_id}").text)
    raw = _raw(log_path, sitting_id)
    counted = [found for row in raw if row["round_id"] is None and (found := _outcome(row))]
    totals = Counter(outcome for _, outcome, _ in counted)
    assert (
        f"{len(raw)} notes heard; of {len(counted)} that count, {totals['landed']} landed, "
        f"{totals['rescued']} rescued, {totals['missed']} missed." in text
    )
    shown = [row for row in raw if not row["struck"] and not row["paused"]]
    short = sum(not row["measurable"] for row in shown)
    assert f"{short} of {len(shown)} notes were too short to hear a landing." in text
    by_note: dict[str, list[tuple[str, float]]] = defaultdict(list)
    for name, outcome, landing in counted:
        by_note[name].append((outcome, landing))
    for name, found in by_note.items():
        parts = Counter(outcome for outcome, _ in found)
        typical = float(np.median([landing for _, landing in found]))
        shares = f"{parts['landed']} {parts['rescued']} {parts['missed']}"
        assert f"{name} {shares} {_signed(typical)} " in text, name


def _signed(cents: float) -> str:
    whole = round(cents)
    return "0" if whole == 0 else f"{whole:+d}".replace("-", "−")


def test_the_words_between_the_lines(client: FlaskClient, sitting_id: str) -> None:
    begun = re.findall(r'<p class="begun">(.*?)</p>', client.get(f"/sitting/{sitting_id}").text)
    assert [unescape(sentence) for sentence in begun] == [
        "Drone A3.",
        "A round on D4→A4: short, short (called flat), nearly, in, long, in, in, in, in, in. "
        "Enough landed in a row.",
        "The log was paused for 72 s.",
        "Without the drone A3.",
        "Drone D3.",
    ]


def test_every_stroke_lies_where_and_as_long_as_its_note(
    client: FlaskClient, log_path: Path, sitting_id: str
) -> None:
    text = client.get(f"/sitting/{sitting_id}").text
    drawn: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for minute, line in re.findall(r'<li id="m(\d+)">(.*?)</li>', text, flags=re.S):
        for name, path in re.findall(r'class="stroke (\w+)" d="([^"]*)"', line):
            for x, _, width in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)", path):
                drawn[name].append((300 * int(minute) + float(x), float(width)))
    due: dict[str, list[float]] = defaultdict(list)
    first_minute_s = STARTED.wall_s - STARTED.wall_s % 60
    for row in _raw(log_path, sitting_id):
        found = _outcome(row)
        starts_s = row["ended_wall_s"] - row["duration_ms"] / 1000 - first_minute_s
        starts, ends = 5 * starts_s, 5 * (row["ended_wall_s"] - first_minute_s)
        name = found[1] if found else "apart"
        due[name].append(starts)
        if starts // 300 != ends // 300:  # over the end of a minute: two strokes
            due[name].append(300 * (ends // 300))
    assert set(drawn) == set(due)
    for name, starts_of in due.items():
        places = sorted(place for place, _ in drawn[name])
        assert places == pytest.approx(sorted(starts_of), abs=0.051), name
    assert max(width for found in drawn.values() for _, width in found) <= 6.01


def test_higher_notes_lie_higher(client: FlaskClient, sitting_id: str) -> None:
    text = client.get(f"/sitting/{sitting_id}").text
    (line,) = re.findall(r'<li id="m8">(.*?)</li>', text, flags=re.S)  # D4 and A4 in turn
    missed = re.findall(r'class="stroke missed" d="([^"]*)"', line)[0]
    landed = re.findall(r'class="stroke landed" d="([^"]*)"', line)[0]
    high = {float(y) for _, y, _ in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)", missed)}
    low = {float(y) for _, y, _ in re.findall(r"M([\d.]+) ([\d.]+)h([\d.]+)", landed)}
    assert max(high) < max(low)  # A4 is missed at first, D4 lands: down the page is down in pitch


def test_a_minute_opens_and_lists_its_notes(
    client: FlaskClient, log_path: Path, sitting_id: str
) -> None:
    text = client.get(f"/sitting/{sitting_id}?minute=1").text
    (line,) = re.findall(r'<li id="m1">(.*?)</li>', text, flags=re.S)
    cells = re.findall(r"<tr><td>([^<]+)</td><td class=\"n\">([^<]+)</td>.*?<td>(\w+)", line)
    minute_s = STARTED.wall_s - STARTED.wall_s % 60 + 60.0
    raw = [
        row
        for row in _raw(log_path, sitting_id)
        if minute_s <= row["ended_wall_s"] < minute_s + 60.0
    ]
    found = [_outcome(row) for row in raw]
    assert len(cells) == len(raw) > 20
    for (name, landed, outcome), truth in zip(cells, found, strict=True):
        if truth is not None:
            assert (name, landed, outcome) == (truth[0], _signed(truth[2]), truth[1])


def test_a_long_sitting_has_parts_of_an_hour_each_bounded(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        log._db.execute("PRAGMA synchronous = OFF")
        sitting_id = log.begin_sitting(STARTED, instrument="viola", a4_hz=440.0)
        for second in range(0, 140 * 60, 12):
            log.add_note(sitting_id, heard("B3", 0.0), STARTED.later(1.0 + second))
    client, minutes, part = _client(tmp_path / "room.db"), [], 1
    while True:
        text = client.get(f"/sitting/{sitting_id}?part={part}").text
        shown = [int(number) for number in re.findall(r'<li id="m(\d+)">', text)]
        minutes += shown
        assert len(shown) <= LINES_A_PART and len(text) < 60_000
        if f"part={part + 1}" not in text:
            break
        part += 1
    assert part == 3
    assert minutes == list(range(140))
    assert client.get(f"/sitting/{sitting_id}?part=99").text.count('<li id="m') == len(shown)


def test_a_fast_hour_has_more_parts(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        log._db.execute("PRAGMA synchronous = OFF")
        sitting_id = log.begin_sitting(STARTED, instrument="viola", a4_hz=440.0)
        for number in range(1700):
            note = replace(heard("B3", 0.0), end_s=0.3)
            log.add_note(sitting_id, note, STARTED.later(1.0 + 0.4 * number))
    client = _client(tmp_path / "room.db")
    sizes = [len(client.get(f"/sitting/{sitting_id}?part={n}").text) for n in (1, 2)]
    assert "Part 2 of 2" in client.get(f"/sitting/{sitting_id}?part=2").text
    assert sizes[0] < 60_000 and sizes[1] < sizes[0]


def test_a_wall_clock_that_is_set_moves_no_note(tmp_path: Path) -> None:
    with Logbook(tmp_path / "room.db", "north room") as log:
        sitting = log.begin_sitting(STARTED, instrument="viola", a4_hz=440.0)
        log.add_note(sitting, heard("A3", 0.0), at := STARTED.later(10.0))
        jumped = replace(at.later(10.0), wall_s=at.wall_s + 1810.0)
        log.add_note(sitting, heard("A3", 0.0), jumped)
        log.end_sitting(sitting, jumped)
    text = _client(tmp_path / "room.db").get(f"/sitting/{sitting}?open=counted").text
    assert re.findall(r'<li id="m(\d+)">', text) == ["0"]
    assert re.findall(r"M([\d.]+) [\d.]+h5", text)[:2] == ["45", "95"]


def test_only_ones_own_sittings(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    with People(path, "north room") as people:
        people.add("Orla", "482913", Role.OWNER, 1.77e9)
        ilka = people.add("Ilka", "719264", Role.PLAYER, 1.77e9)
    with Logbook(path, "north room") as log:
        mine, other = (
            log.begin_sitting(
                STARTED.later(60.0 * n), instrument="viola", a4_hz=440.0, player=player
            )
            for n, player in enumerate((ilka.person_id, None))
        )
        log.add_note(other, heard("A3", 0.0), STARTED.later(70.0))
    client = _client(path)
    assert client.get(f"/sitting/{mine}").status_code == 302  # to the door
    client.post("/sign-in", data={"nickname": "Ilka", "pin": "719264", "look": "1"})
    assert client.get(f"/sitting/{mine}").status_code == 200
    assert client.get(f"/sitting/{other}").status_code == 404
    assert re.findall(r'href="/sitting/([^"?]+)', client.get("/sittings").text) == [mine]
    with LogReader(path, ilka.person_id) as log:
        assert log.notes_of(other).__len__() == 0


@pytest.mark.parametrize(
    "path",
    ["/sitting/none", "/sitting/1f3a9c02-999999", "/sitting/%00", "/sitting/7fffffff-1"],
)
def test_what_is_no_sitting_is_not_found(client: FlaskClient, path: str) -> None:
    assert client.get(path).status_code == 404


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    key=st.sampled_from(["before", "part", "minute", "tuning", "band", "open", "week"]),
    value=st.text(max_size=12) | st.sampled_from(["1e9", "-1", "0", "99999999999", "１", "nan"]),
)
def test_no_query_breaks_a_page(client: FlaskClient, sitting_id: str, key: str, value: str) -> None:
    for path in ("/sittings", f"/sitting/{sitting_id}"):
        assert client.get(path, query_string={key: value}).status_code in (200, 400), (path, key)
