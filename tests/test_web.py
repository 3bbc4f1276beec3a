"""The pages of a week as a browser gets them; every number again from the raw rows."""

import math
import re
import sqlite3
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient

from tests.pages import page_words
from tests.raw_week import BEFORE, THIS, all_of_week, raw_week, shares


@pytest.mark.parametrize("band", [5.0, 10.0, 22.5])
def test_the_one_sentence(client: FlaskClient, log_path: Path, band: float) -> None:
    now, then = (shares(all_of_week(log_path, week, band)) for week in (THIS, BEFORE))
    sentence = (
        f"{now[0]} % landed, {now[1]} % rescued, {now[2]} % missed; "
        f"last week {then[0]} / {then[1]} / {then[2]}."
    )
    assert sentence in page_words(client, f"/?band={band:g}")


def test_like_for_like_uses_only_what_both_weeks_have(client: FlaskClient, log_path: Path) -> None:
    this, before = raw_week(log_path, THIS), raw_week(log_path, BEFORE)
    parts = [
        [
            note
            for name, notes in week.items()
            if name in this.keys() & before.keys()
            for note in notes
        ]
        for week in (this, before)
    ]
    now, then = (" / ".join(map(str, shares(part))) for part in parts)
    assert (
        f"the same notes over the same drone: {now} % of {len(parts[0])}, "
        f"last week {then} % of {len(parts[1])}." in page_words(client, "/")
    )


def test_every_note_with_count_typical_error_side_and_last_week(
    client: FlaskClient, log_path: Path
) -> None:
    this, before = raw_week(log_path, THIS), raw_week(log_path, BEFORE)
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
    text = page_words(client, "/").split("Most trouble first.")[1]
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
    assert page_words(client, "/").count("likely (") == 2


def test_what_is_counted_apart(client: FlaskClient, log_path: Path) -> None:
    with sqlite3.connect(log_path) as raw:
        not_measurable, repeats, struck = raw.execute(
            "SELECT sum(NOT measurable AND NOT struck AND NOT repeat), sum(repeat AND NOT struck), "
            "sum(struck) FROM note WHERE ended_wall_s > 1770595200"
        ).fetchone()
    text = page_words(client, "/")
    assert f"hear a landing {not_measurable} Between" in text
    assert f"finger left in place {repeats} Struck out {struck}" in text


def test_the_tuning_is_named_and_changes_the_numbers(client: FlaskClient) -> None:
    names = {"just": "just intonation", "pythagorean": "Pythagorean tuning", "equal": "equal temp"}
    landed = set()
    for tuning, name in names.items():
        assert f"Shown in {name}" in page_words(client, f"/?tuning={tuning}")
        answer = client.get(f"/week.json?tuning={tuning}").get_json()
        landed.add(tuple(line["typical_cents"] for line in answer["notes"]))
    assert len(landed) == 3


def test_another_a4_is_named_and_moves_every_equal_target(client: FlaskClient) -> None:
    assert "A4 = 442.5 Hz" in page_words(client, "/?a4=442.5")
    plain, moved = (
        next(line["typical_cents"] for line in answer.get_json()["notes"] if line["note"] == "E4")
        for answer in (client.get(f"/week.json?tuning=equal&a4={a4}") for a4 in ("", "442.5"))
    )
    assert moved - plain == pytest.approx(-1200 * math.log2(442.5 / 440), abs=1e-6)


def test_a_notes_own_page_lists_every_landing(client: FlaskClient, log_path: Path) -> None:
    text = client.get("/note/66").text
    rows = re.findall(r"<tr><td.*?</tr>", text.split("Every landing of week 7")[1], flags=re.S)
    notes = raw_week(log_path, THIS)["F#4"]
    assert len(rows) == len(notes)
    for shown, (outcome, error) in zip(rows, notes, strict=True):
        assert f"<td>{outcome}" in shown
        cents = int(re.findall(r'class="n">([+−]?\d+) <small>', shown)[0].replace("−", "-"))
        assert abs(cents - error) <= 0.501
    assert "Shown in just intonation" in text


def test_a_shifts_own_page(client: FlaskClient) -> None:
    text = page_words(client, "/shift/59-67")
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
    errors = [error for _, error in raw_week(log_path, THIS)["D4"]]  # every D4 came from A4
    assert shift["typical_cents"] == pytest.approx(-float(np.median(errors)), abs=0.001)
    assert shift["side"] == "long"


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
    assert days in page_words(client, f"/?week={week}")
