"""Notes on five lines on the lesson sheet: where each head stands, its clef and its accidentals."""

import re
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient

from appliance.log.logbook import Logbook
from appliance.notation import CLEFS
from appliance.tuning import parse_note
from tests.cast import app_for
from tests.log_rows import heard, instant, shift
from web import naming
from web.place import current_room
from web.query import read_query
from web.staff import Staff, draw_staff

LINE = 8.0  # from one line to the next; the lowest is at 0, the highest at -32


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Flask:
    return app_for(tmp_path_factory.mktemp("staff") / "room.db")


def _staff(
    app: Flask, notes: str, clef: str, instrument: str = "viola", query: str = "key=C"
) -> Staff:
    with app.test_request_context(f"/lesson?{query}") as context:
        room = current_room()
        asked = read_query(context.request.args, room.settings, room.this_week)
        naming.follow(asked, (), instrument)
        return draw_staff([parse_note(name) for name in notes.split()], clef)


@pytest.mark.parametrize(
    ("clef", "lines"),
    [  # the five lines from below, as in any primer of notation
        ("treble", "E4 G4 B4 D5 F5"),
        ("alto", "F3 A3 C4 E4 G4"),
        ("tenor", "D3 F3 A3 C4 E4"),
        ("bass", "G2 B2 D3 F3 A3"),
    ],
)
def test_every_clef_has_its_notes_on_the_lines(app: Flask, clef: str, lines: str) -> None:
    heads = _staff(app, lines, clef).heads
    assert [head.y for head in heads] == [-LINE * line for line in range(5)]
    assert all(head.ledger == "" and head.accidentals == () for head in heads)
    assert [head.x for head in heads] == sorted({head.x for head in heads})


def test_ledger_lines_reach_out_to_the_note(app: Flask) -> None:
    low, high, far = _staff(app, "C4 A5 F6", "treble").heads
    assert (low.y, re.findall(r"M[-\d.]+ ([-\d.]+)h", low.ledger)) == (LINE, ["8"])
    assert (high.y, re.findall(r"M[-\d.]+ ([-\d.]+)h", high.ledger)) == (-5 * LINE, ["-40"])
    assert re.findall(r"M[-\d.]+ ([-\d.]+)h", far.ledger) == ["-40", "-48", "-56"]
    assert far.y == -7.5 * LINE  # above the third of them


@pytest.mark.parametrize(
    ("note", "query", "signs", "line"),
    [
        ("F#4", "key=D", 1, 0.5),  # between the two lowest lines
        ("F#4", "key=Gb", 1, 1.0),  # G flat
        ("A4", "key=Gb", 2, 2.0),  # B double flat
        ("F4", "key=D%23", 1, 0.0),  # E sharp
        ("D4", "key=D%23", 2, -1.0),  # C double sharp
        ("G4", "key=D", 0, 1.0),
        ("G4", "key=D&pitch=in-Bb", 0, 1.5),  # written A
    ],
)
def test_a_note_is_drawn_as_it_is_spelled(
    app: Flask, note: str, query: str, signs: int, line: float
) -> None:
    (head,) = _staff(app, note, "treble", query=query).heads
    assert head.y == -LINE * line
    drawn = len(head.accidentals)
    double_sharp = query == "key=D%23" and note == "D4"  # one sign for two
    assert drawn == (1 if double_sharp else signs)
    assert all(sign.at[1] == head.y and sign.at[0] < head.x for sign in head.accidentals)


def test_flats_sharps_and_double_sharps_look_different(app: Flask) -> None:
    flat, sharp, double = (
        _staff(app, note, "treble", query=f"key={key}").heads[0].accidentals[0].lines
        for note, key in (("F#4", "Gb"), ("F#4", "D"), ("D4", "D%23"))
    )
    assert len({flat, sharp, double}) == 3


def test_the_four_clefs_lie_about_their_line(app: Flask) -> None:
    drawn = {clef: _staff(app, "C4", clef).clef for clef in CLEFS}
    assert drawn["alto"].lines == drawn["tenor"].lines  # the same sign, on C4
    for clef in ("alto", "tenor"):
        assert drawn[clef].at[1] == _staff(app, "C4", clef).heads[0].y
    assert len({sign.lines for sign in drawn.values()}) == 3
    assert " -24" in drawn["bass"].lines.split("C")[0]  # begins on the line of F3
    assert _staff(app, "F3", "bass").heads[0].y == -24.0


def test_a_double_bass_reads_an_octave_higher_and_the_clef_says_so(app: Flask) -> None:
    plain = _staff(app, "G2", "bass", "double-bass")
    assert plain.octave_below is not None
    assert plain.heads[0].y == -LINE * 3.5  # as G3
    assert plain.words == "G2 in bass clef, an octave lower than written"
    written = _staff(app, "G2", "bass", "double-bass", "pitch=written&key=C")
    assert written.octave_below is None
    assert (written.heads[0].y, written.words) == (-LINE * 3.5, "G3 in bass clef")


def test_everything_lies_in_the_box(app: Flask) -> None:
    for clef in CLEFS:
        for notes in ("C2", "E7", "F#4 Bb2", "A4"):
            staff = _staff(app, notes, clef, query="key=Gb")
            left, top, width, height = map(float, staff.box.split())
            for head in staff.heads:
                assert left + 8 < head.x < left + width - 5
                assert top + 3 < head.y < top + height - 3
            assert top < -32 and top + height > 0
            assert staff.size_em == pytest.approx((0.1 * width, 0.1 * height))


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """A week whose worst arrivals are F#4 and the shift from B3 to G4."""
    path: Path = tmp_path_factory.mktemp("sheet") / "room.db"
    at = instant(2026, 2, 10)
    with Logbook(path, "north room") as log:
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
        for _ in range(10):
            log.add_note(sitting, heard("F#4", -34.0, -32.0), at := at.later(3.0))
            moved = heard("G4", 48.0, 34.0, shift=shift("B3", "G4", 0.9))
            log.add_note(sitting, moved, at := at.later(3.0))
    return app_for(path).test_client()


@pytest.mark.parametrize(
    ("query", "titles"),
    [
        ("", ["F#4 in alto clef", "B3, then G4 in alto clef"]),
        ("clef=bass", ["F#4 in bass clef", "B3, then G4 in bass clef"]),
        ("clef=tenor&names=german", ["Fis4 in tenor clef", "H3, then G4 in tenor clef"]),
    ],
)
def test_the_lesson_sheet_shows_the_worst_arrivals_on_lines(
    client: FlaskClient, query: str, titles: list[str]
) -> None:
    text = client.get(f"/lesson?week=2026-W07&{query}").text
    assert sorted(re.findall(r"<title>([^<]+)</title>\s*<path", text)) == sorted(titles)
    heads = [len(re.findall("<ellipse", part)) for part in text.split('class="staff"')[1:]]
    assert sorted(heads) == [1, 2]
    clefs = text.split('<select name="clef">')[1].split("</select>")[0]
    chosen = re.search(r'value="([^"]+)" selected', clefs)
    assert chosen and chosen[1] == (re.search("clef=([a-z]+)", query) or ["", "usual"])[1]
