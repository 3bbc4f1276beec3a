"""The week for programs: every field explained, and what it adds to the page from the raw rows."""

import math
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from appliance.log.records import Marks
from appliance.settings import Settings
from appliance.vocabulary import Movement
from tests.log_rows import fill, fill_tuned_evening, heard, instant, shift
from tests.raw_week import BEFORE, THIS, raw_week
from web import create_app
from web.week_fields import WEEK_FIELDS

NOW = instant(2026, 2, 15, 20)
TALLY, COMPARED = "a tally", "a comparison"
# Which groups of fields the parts of a week have.
PARTS: dict[str, tuple[str, ...]] = {
    **dict.fromkeys(("total", "week_before", "with_drone", "without"), (TALLY,)),
    **dict.fromkeys(("same_notes_with_drone", "same_notes_without", "this", "before"), (TALLY,)),
    "like_for_like": (COMPARED,),
    "notes": ("a note, beside its tally", TALLY),
    **dict.fromkeys(("shifts", "slide_moves", "leaps"), ("a movement, beside its tally", TALLY)),
    "beside": ("with the drone beside without it",),
    "sittings": ("a sitting",),
    "strings": ("an open string",),
    "drones": ("a drone, beside its tally", TALLY),
    "change": ("what changed",),
    "landed": ("a difference",),
    "rescued": ("a difference",),
    "suggestions": ("a suggestion, beside its tally", TALLY),
}


@pytest.fixture(scope="module")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two weeks of a violist, an evening with tuned strings, one of a trombone without a drone."""
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill(path)
    fill_tuned_evening(path)
    at = instant(2026, 1, 14)
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="trombone", a4_hz=440.0)
        for number in range(12):
            moved = replace(shift("D3", "F3"), movement=Movement.SLIDE_MOVE)
            note = heard("F3", 5.0, shift=moved)
            log.add_note(sitting, note, at := at.later(4.0), Marks(without=number > 5))
        log.end_sitting(sitting, at)
    return path


@pytest.fixture(scope="module")
def client(log_path: Path) -> FlaskClient:
    room = replace(Settings().room, name="north room", time_zone="Europe/Lisbon")
    return create_app(log_path, replace(Settings(), room=room), lambda: NOW.wall_s).test_client()


def _week(client: FlaskClient, week: str = THIS) -> dict[str, Any]:
    found: dict[str, Any] = client.get(f"/week.json?week={week}").get_json()
    return found


def _found(part: dict[str, Any], groups: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Yield each field below a part, with the groups that it may stand in."""
    for name, value in part.items():
        yield groups, name
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict):
                within = (TALLY,) if name == "days" else PARTS[name]
                yield from _found(one, within)


def test_every_field_is_explained_and_every_explained_field_is_there(client: FlaskClient) -> None:
    seen: dict[tuple[str, ...], set[str]] = defaultdict(set)
    for week in (THIS, "2026-W04", "2026-W03"):
        for groups, name in _found(_week(client, week), ("the week",)):
            seen[groups].add(name)
    explained = {group: {field.name for field in WEEK_FIELDS[group]} for group in WEEK_FIELDS}
    explained["a movement, beside its tally"].add("slide_move")  # as the explanation says
    assert seen.pop((TALLY,)) == explained[TALLY] | {"day"}
    for groups, names in seen.items():
        assert names == set().union(*(explained[group] for group in groups)), groups
    assert {group for groups in seen for group in groups} | {TALLY} == explained.keys()


def _days(path: Path) -> list[str]:
    """The day of each of this week's notes that count, from the raw rows."""
    with sqlite3.connect(path) as raw:
        rows = raw.execute(
            "SELECT ended_wall_s, settled_hz FROM note WHERE ended_wall_s >= 1770595200"
            " AND NOT struck AND NOT repeat AND measurable"
        ).fetchall()
    return [
        datetime.fromtimestamp(wall_s, UTC).date().isoformat()
        for wall_s, settled_hz in rows
        if not 0.35 <= 12 * math.log2(settled_hz / 440.0) % 1 <= 0.65
    ]


def test_days_and_drones(client: FlaskClient, log_path: Path) -> None:
    week = _week(client)
    counted = Counter(_days(log_path))
    assert {day["day"]: day["count"] for day in week["days"]} == dict(counted)
    assert [day["day"] for day in week["days"]] == sorted(counted)
    every = [note for notes in raw_week(log_path, THIS).values() for note in notes]
    outcomes = Counter(outcome for outcome, _ in every)
    for name in ("landed", "rescued", "missed"):
        assert sum(day[name] for day in week["days"]) == outcomes[name]
    (drone,) = week["drones"]
    assert (drone["drone"], drone["count"]) == ("A", len(every))
    assert drone["typical_cents"] == pytest.approx(np.median([error for _, error in every]))
    with sqlite3.connect(log_path) as raw:
        (calls,) = raw.execute(
            """SELECT count(*) FROM call JOIN note ON note.id = note_id
               WHERE ended_wall_s >= 1770595200 AND NOT struck AND NOT repeat AND measurable
                 AND settled_hz / landing_hz BETWEEN 0.98 AND 1.02"""
        ).fetchone()
    assert 0 < drone["calls_that_agree"] <= drone["calls"] <= calls


def test_the_change_is_weighted_like_for_like(client: FlaskClient, log_path: Path) -> None:
    """Cochran's weights once more: n1 n2 / (n1 + n2) for every note that both weeks have."""
    now, then = raw_week(log_path, THIS), raw_week(log_path, BEFORE)
    change = _week(client)["change"]
    for name in ("landed", "rescued"):
        weights, shares = [], []
        for note in now.keys() & then.keys():
            sizes = len(then[note]), len(now[note])
            weights.append(sizes[0] * sizes[1] / sum(sizes))
            shares.append(
                [
                    np.mean([outcome == name for outcome, _ in notes])
                    for notes in (then[note], now[note])
                ]
            )
        before, after = np.average(shares, axis=0, weights=weights)
        found = change[name]
        assert (found["before"], found["after"]) == pytest.approx((before, after))
        low, high = found["difference_interval_95"]
        assert low < after - before < high
        told = "more" if low > 0 else "fewer" if high < 0 else "not enough to tell"
        assert found["verdict"] == told
    assert _week(client, "2026-W04")["change"] is None


def test_suggestions_carry_their_evidence(client: FlaskClient, log_path: Path) -> None:
    raw, week = raw_week(log_path, THIS), _week(client)
    assert 1 <= len(week["suggestions"]) <= 3
    page = client.get(f"/?week={THIS}").text.split('id="next-step"')[1].split("</section>")[0]
    notes = [one for one in week["suggestions"] if one["about"] in raw]
    assert notes
    for one in notes:
        errors = np.array([error for _, error in raw[one["about"]]])
        sides = int(np.sum(errors <= -3.0)), int(np.sum(errors >= 3.0))
        assert one["count"] == len(errors) and one["on_one_side"] == max(sides)
        # the second route's intervals are written to a thousandth of a cent
        assert one["typical_cents"] == pytest.approx(np.median(errors), abs=1e-3)
        tries = sum(sides)
        chance = 2 * sum(math.comb(tries, k) for k in range(min(sides) + 1)) / 2**tries
        assert one["sign_test"] == pytest.approx(min(1.0, chance))
        assert f">{one['about']}</a>" in page
    assert _week(client, "2026-W20")["suggestions"] == []
