"""Not me, and claims: who a sitting belongs to changes, and nothing else does."""

import re
import sqlite3
from html import unescape
from typing import Any

import pytest
from flask.testing import FlaskClient

from appliance.log.claims import Claims, NotYoursError
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.vocabulary import Call
from tests.cast import NOW, Cast, app_for, signed_in, token
from tests.log_rows import heard, instant
from tests.pages import page_words

OTHER_BOOT = "00000000-1111-2222-3333-444444444444"


def play(cast: Cast, player: str | None, hours_ago: float, notes: int = 10, **end: bool) -> str:
    """A sitting with a note every half minute, a call on each."""
    at = NOW.later(-3600.0 * hours_ago)
    with Logbook(cast.path, "north room") as log:
        person = None if player is None else cast.people[player].person_id
        sitting = log.begin_sitting(at, instrument="cello", a4_hz=442.0, player=person)
        for number in range(notes):
            note = log.add_note(sitting, heard("D4", float(number)), at := at.later(30.0))
            log.add_call(note, Call.SHARP, at.later(1.0))
        if end.get("end", True):
            log.end_sitting(sitting, at)
    return sitting


def facts(cast: Cast) -> list[tuple[Any, ...]]:
    """All that was heard, whoever it belongs to."""
    with sqlite3.connect(cast.path) as raw:
        notes = raw.execute(
            """SELECT note.id, note.ended_wall_s, note.ended_monotonic_s, landing_hz, settled_hz,
                 coalesce(note.boot_id, sitting.boot_id), instrument, a4_hz, verdict, call.wall_s,
                 coalesce(call.boot_id, sitting.boot_id)
               FROM note JOIN sitting ON sitting.id = sitting_id LEFT JOIN call ON note_id = note.id
               ORDER BY note.id"""
        ).fetchall()
    return list(notes)


def count(cast: Cast, player: str | None) -> int:
    """Notes of a player, asked of the file itself."""
    person = None if player is None else cast.people[player].person_id
    with sqlite3.connect(cast.path) as raw:
        found = raw.execute(
            """SELECT count(*) FROM note JOIN sitting ON sitting.id = sitting_id
               WHERE player IS ?""",
            [person],
        ).fetchone()
    return int(found[0])


def minute_of(hours_ago: float, seconds: float) -> str:
    return str(int((NOW.wall_s - 3600.0 * hours_ago + seconds) // 60 * 60))


def post(client: FlaskClient, address: str, page: str = "/whose", **form: str) -> Any:
    return client.post(address, data={"csrf_token": token(client, page), **form})


@pytest.mark.parametrize("ended", [True, False])
def test_not_me_hands_back_the_last_minutes(cast: Cast, ended: bool) -> None:
    play(cast, "Mira", 0.5, end=ended)
    before, mine = facts(cast), count(cast, "Mira")
    client = signed_in(cast.app(), "Mira")
    assert "10 notes from then on" in client.get("/whose").text
    answer = post(client, "/whose/not-me", since=minute_of(0.5, 240.0))
    assert answer.status_code == 302
    assert facts(cast) == before  # nothing that was heard, nor when, nor what was called
    assert count(cast, None) == 3  # 4:00, 4:30 and 5:00
    assert count(cast, "Mira") == mine - 3
    with LogReader(cast.path, cast.people["Mira"].person_id) as log:
        (sitting, notes), *_ = log.sittings(1e12, 1)
    assert notes == 7
    assert (sitting.ended_at is not None) == ended
    if sitting.ended_at is not None:
        assert sitting.ended_at.wall_s == pytest.approx(NOW.wall_s - 1800.0 + 239.0)


def test_another_player_claims_what_was_handed_back(cast: Cast) -> None:
    play(cast, "Mira", 0.5)
    app = cast.app()
    mira, tomas = signed_in(app, "Mira"), signed_in(app, "Tomas")
    post(mira, "/whose/not-me", since=minute_of(0.5, 240.0))
    page = tomas.get("/whose").text
    assert "cello, 3 notes" in page
    claimed = page.split('action="/whose/claim/')[1].split('"')[0]
    before = count(cast, "Tomas")
    assert post(tomas, f"/whose/claim/{claimed}").status_code == 302
    assert count(cast, "Tomas") == before + 3
    late = post(mira, f"/whose/claim/{claimed}")  # of two, the first one has it
    assert late.status_code == 409
    assert "somebody else has it" in late.text
    assert count(cast, "Tomas") == before + 3


def test_a_player_claims_for_twelve_hours_a_teacher_always(cast: Cast) -> None:
    new, old = play(cast, None, 11.5), play(cast, None, 12.5)
    going_on = play(cast, None, 0.1, notes=2, end=False)
    app = cast.app()
    mira, tea = signed_in(app, "Mira"), signed_in(app, "Tea")
    page = mira.get("/whose").text
    assert [f"/claim/{sitting}" in page for sitting in (new, old, going_on)] == [True, False, False]
    assert post(mira, f"/whose/claim/{old}").status_code == 409
    assert post(mira, f"/whose/claim/{going_on}").status_code == 409
    assert post(tea, f"/whose/claim/{old}").status_code == 409  # for themselves, like any player
    whose = f"?player={cast.people['Mira'].person_id}"
    assert f"/claim/{old}{whose}" in tea.get(f"/whose{whose}").text
    before = count(cast, "Mira")
    assert post(tea, f"/whose/claim/{old}{whose}").status_code == 302
    assert count(cast, "Mira") == before + 10
    assert post(mira, f"/whose/claim/{new}").status_code == 302
    assert count(cast, "Mira") == before + 20


def test_nobody_claims_for_a_player_of_somebody_else(cast: Cast) -> None:
    old = play(cast, None, 1.0)
    app = cast.app()
    for asks, player in (("Fred", "Mira"), ("Olga", "Mira"), ("Tea", "Tomas"), ("Mira", "Tomas")):
        whose = f"?player={cast.people[player].person_id}"
        client = signed_in(app, asks)
        assert post(client, f"/whose/claim/{old}{whose}").status_code == 403
    whose = f"?player={cast.people['Mira'].person_id}"
    tea = signed_in(app, "Tea")
    assert post(tea, f"/whose/not-me{whose}", since=minute_of(1.0, 60.0)).status_code == 403
    assert count(cast, None) == 10


@pytest.mark.parametrize("since", ["", "x", "0", "1e9", "-5", "99999999999999999999"])
def test_a_minute_that_was_not_offered_is_refused(cast: Cast, since: str) -> None:
    play(cast, "Mira", 0.5)
    client = signed_in(cast.app(), "Mira")
    assert post(client, "/whose/not-me", since=since).status_code == 400
    assert count(cast, None) == 0


def test_nothing_long_ago_is_handed_back(cast: Cast) -> None:
    client = signed_in(cast.app(), "Mira")  # who played five days ago
    assert "Nothing was logged to you lately" in client.get("/whose").text


def test_notes_of_another_boot_keep_their_boot(cast: Cast) -> None:
    at = instant(2026, 2, 15, 19)
    mira = cast.people["Mira"].person_id
    with Logbook(cast.path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0, player=mira)
        log.add_note(sitting, heard("D4", 0.0), at.later(5.0))
        for second in (65.0, 70.0):
            again = at.later(second)
            again = type(again)(again.wall_s, second, OTHER_BOOT, True)
            note = log.add_note(sitting, heard("E4", 0.0), again)
            log.add_call(note, Call.FLAT, again)
    before = facts(cast)
    with Claims(cast.path, "north room") as log:
        with pytest.raises(NotYoursError):
            log.hand_back(sitting, cast.people["Tomas"].person_id, 0.0)
        with pytest.raises(NotYoursError):
            log.hand_back(sitting, mira, at.wall_s + 100.0)
        new = log.hand_back(sitting, mira, at.wall_s + 60.0)
    assert facts(cast) == before
    with LogReader(cast.path) as log:
        rows = list(log.notes_of(new))
    assert [row.ended_at.boot_id for row in rows] == [OTHER_BOOT, OTHER_BOOT]
    assert rows[0].sitting.started_at.boot_id == OTHER_BOOT
    assert rows[0].sitting.ended_at == rows[1].ended_at


def test_what_can_be_claimed_shows_no_landing(cast: Cast) -> None:
    sitting = play(cast, None, 1.0)
    client = signed_in(app_for(cast.path), "Mira")
    words = page_words(client, "/whose")  # a form's token, drawn by lot, may hold a D4
    assert "D4" not in words
    assert client.get(f"/sitting/{sitting}").status_code == 404


def test_a_teacher_pages_through_all_that_is_nobodys(cast: Cast) -> None:
    sittings = {play(cast, None, 20.0 + number, notes=1) for number in range(45)}
    tea, seen, counts = signed_in(cast.app(), "Tea"), set(), []
    address: str | None = f"/whose?player={cast.people['Mira'].person_id}"
    while address:
        page = tea.get(address).text
        found = re.findall(r"/whose/claim/([0-9a-f-]+)", page)
        counts.append(len(found))
        seen |= set(found)
        link = re.search(r'href="(/whose[?][^"#]*before=[^"#]*)#unclaimed">Earlier', page)
        address = unescape(link[1]) if link else None
    assert counts == [40, 5] and seen == sittings
    assert tea.get("/whose?before=soon").status_code == 400
