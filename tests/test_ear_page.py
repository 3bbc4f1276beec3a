"""The page of the player's own calls; every number again from the raw rows."""

import math
import re
import sqlite3
from collections import defaultdict
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient

from tests.cast import app_for
from tests.log_rows import fill_called_week
from tests.pages import page_words
from tests.raw_week import NAMES, error_over_a


@pytest.fixture(scope="module")
def called(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """Pages on five evenings of calls, the last on 16 January."""
    path = tmp_path_factory.mktemp("called") / "room.db"
    fill_called_week(path)
    return app_for(path).test_client()


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
        error = error_over_a(landing_hz, (midi - 57) % 12)
        right = {"in tune": abs(error) <= 10, "flat": error <= -5, "sharp": error >= 5}
        counts[f"{NAMES[midi % 12]}{midi // 12 - 1}"].append(right[verdict])
    text = page_words(called, "/ear?week=2026-W03")
    every = [agreed for note in counts.values() for agreed in note]
    assert f"{sum(every)} of {len(every)} calls agree with what the room heard." in text
    by_note = text.split("By note")[1]
    for name, agreed in counts.items():
        share = round(100 * sum(agreed) / len(agreed))
        assert re.search(rf" {name} {len(agreed)} {share} % \(\d+ to \d+\) ", by_note), name
    assert f"{sum(every)} of {len(every)}" in text.split("Over which drone")[1]


def test_the_smallest_error_holds_for_whole_sittings(called: FlaskClient) -> None:
    text = page_words(called, "/ear?week=2026-W03")
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


def test_few_calls_and_none(client: FlaskClient) -> None:
    assert "Not enough calls yet: it takes 30" in page_words(client, "/ear")  # all of them flat
    assert re.search(r" G4 \d few ", page_words(client, "/ear").split("By note")[1])
    assert "No note was called in these weeks." in page_words(client, "/ear?week=2026-W40")


def test_the_ears_page_is_linked_and_reads_the_same_way(client: FlaskClient) -> None:
    page = client.get("/?tuning=equal&band=15").text
    link = re.search(r'href="(/ear\?[^"]*)"', page)
    assert link
    text = page_words(client, unescape(link[1]))
    assert "equal temperament, in tune within 15 cents" in text
