"""The shelf gives what the log says at that moment, and reads again only what has changed."""

import sqlite3
from collections.abc import Callable
from pathlib import Path
from threading import Thread
from time import sleep
from weakref import ref

import pytest

from appliance.log import shelf as shelf_module
from appliance.log.calendar import CalendarWeek
from appliance.log.logbook import Logbook
from appliance.log.logfile import NoLogYetError
from appliance.log.reader import LogReader
from appliance.log.records import parse_id
from appliance.log.shelf import Shelf
from appliance.log.weeks import Landing, Reading, Week, landings_of, read_week
from appliance.vocabulary import Call
from tests.log_rows import PLAIN, ZONE, fill, heard, instant, shift

AT = instant(2026, 2, 9)
EVER = (0.0, 1e11)


@pytest.fixture
def log(tmp_path: Path) -> Logbook:
    """A log with a sitting of two notes by lark, and one by wren, later."""
    log = Logbook(tmp_path / "log.db", "north room")
    for player, at in (("lark", AT), ("wren", AT.later(900.0))):
        sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0, player=player)
        for name in ("A3", "E4"):
            log.add_note(sitting, heard(name, 2.0), at := at.later(3.0))
    return log


def _ids(shelf: Shelf, player: str | None = "lark") -> list[str]:
    with shelf.reader(player) as reader:
        return [row.note_id for row in reader.notes(*EVER)]


def _claim(log: Logbook, sitting_id: str, player: str) -> None:
    with sqlite3.connect(log._path) as other:
        key = parse_id(sitting_id)
        other.execute("UPDATE sitting SET player = ? WHERE id = ?", [player, key])
    other.close()


def _sitting(log: Logbook, player: str) -> str:
    (found, _), *_ = log.sittings(1e11, 1, player)
    return found.sitting_id


CHANGES: dict[str, Callable[[Logbook, str], object]] = {
    "a new note": lambda log, note: log.add_note(_sitting(log, "lark"), PLAIN, AT.later(60.0)),
    "a strike": lambda log, note: log.strike(note),
    "a call": lambda log, note: log.add_call(note, Call.SHARP, AT.later(70.0)),
    "a call taken back": lambda log, note: log.take_back_call(note, AT.later(71.0)),
    "a sitting's end": lambda log, note: log.end_sitting(_sitting(log, "lark"), AT.later(80.0)),
    "a claim": lambda log, note: _claim(log, _sitting(log, "wren"), "lark"),
    "a right date": lambda log, note: log.date_right(
        AT.boot_id, 5.0, synchronised=True, from_s=0.0
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_seen_at_once(log: Logbook, change: str) -> None:
    shelf = Shelf(log._path)
    first = _ids(shelf)
    CHANGES[change](log, first[0])
    with shelf.reader("lark") as reader:
        seen, fresh = reader.notes(*EVER), log.notes(*EVER, "lark")
    assert list(seen) == list(fresh)
    assert len(fresh) >= 2


def test_what_has_not_changed_is_not_read_again(log: Logbook) -> None:
    shelf = Shelf(log._path)
    with shelf.reader("lark") as reader:
        held = reader.notes(*EVER)
        assert reader.notes(*EVER) is held
        log.add_note(_sitting(log, "wren"), PLAIN, AT.later(990.0))  # somebody else plays
        assert reader.notes(*EVER) is held
        log.add_note(_sitting(log, "lark"), PLAIN, AT.later(60.0))
        assert reader.notes(*EVER) is not held


def test_only_the_sitting_that_was_touched_is_judged_anew(log: Logbook) -> None:
    second = log.begin_sitting(AT.later(3600.0), instrument="viola", a4_hz=440.0, player="lark")
    log.add_note(second, heard("A3", 2.0), AT.later(3603.0))
    shelf = Shelf(log._path)

    def landings() -> list[Landing]:
        with shelf.reader("lark") as reader:
            return landings_of(reader.notes(*EVER), Reading(), ZONE)

    first = landings()
    log.add_note(second, heard("E4", 2.0), AT.later(3606.0))
    then = landings()
    assert [one is other for one, other in zip(first, then, strict=False)] == [True, True, False]
    assert len(then) == 4


def test_spans_of_time_share_the_sittings_in_both(log: Logbook) -> None:
    """A week and the twelve of which it is one are read once; not so a sitting that is cut."""
    shelf = Shelf(log._path)
    with shelf.reader() as reader:
        every = reader.notes(*EVER)
        cut = AT.wall_s + 904.0  # between the two notes of the second sitting
        week = reader.notes(0.0, cut)
        assert list(week) == list(log.notes(0.0, cut))
        assert len(week) == 3
    shared, parts = set(map(id, every.parts)), set(map(id, week.parts))
    assert (len(shared), len(parts), len(shared & parts)) == (2, 2, 1)


def test_notes_of_two_rooms_lie_among_each_other(log: Logbook) -> None:
    with Logbook(log._path, "south room") as south:
        sitting = south.begin_sitting(AT, instrument="viola", a4_hz=440.0, player="robin")
        for seconds in (1.0, 4.0, 7.0, 901.0, 905.0):
            south.add_note(sitting, PLAIN, AT.later(seconds))
    shelf = Shelf(log._path)
    with shelf.reader() as reader:
        seen = reader.notes(*EVER)
        assert list(seen) == list(log.notes(*EVER))
        assert len(seen) == 9
        log.strike(seen[0].note_id)
        assert list(reader.notes(*EVER)) == list(log.notes(*EVER))


def test_a_page_sees_one_moment_of_the_log(log: Logbook) -> None:
    with LogReader(log._path) as reader:
        with reader.one_moment():
            sums = reader.sums(*EVER)
            log.add_note(_sitting(log, "lark"), PLAIN, AT.later(60.0))
            assert reader.sums(*EVER) == sums
            assert len(reader.notes(*EVER)) == 4
        assert reader.sums(*EVER) != sums
        assert len(reader.notes(*EVER)) == 5


def test_many_spans_without_notes_are_not_kept_for_ever(log: Logbook) -> None:
    shelf = Shelf(log._path)
    with shelf.reader() as reader:
        for second in range(shelf_module.KEPT_SPANS + 5):
            reader.notes(second, second + 0.5)
    assert len(shelf._kept) == shelf_module.KEPT_SPANS


def test_those_who_ask_at_once_find_out_once(log: Logbook) -> None:
    found: list[int] = []

    def find() -> list[int]:
        found.append(1)
        sleep(0.2)
        return found

    with Shelf(log._path).reader() as reader:
        notes = reader.notes(*EVER)
    threads = [Thread(target=notes.once, args=("what", find)) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == [1]


def test_nobody_is_given_the_notes_of_another(log: Logbook) -> None:
    shelf = Shelf(log._path)
    lark, wren, everybody = (_ids(shelf, player) for player in ("lark", "wren", None))
    assert (len(lark), len(wren), len(everybody)) == (2, 2, 4)
    assert sorted(lark + wren) == sorted(everybody)
    with shelf.reader("lark") as reader:
        assert [row.note_id for row in reader.notes(*EVER, "wren")] == lark


def test_another_file_in_its_place_is_another_log(log: Logbook, tmp_path: Path) -> None:
    """A backup that is brought back comes by renaming; the shelf must not look at the old file."""
    shelf = Shelf(log._path)
    assert len(_ids(shelf)) == 2
    with Logbook(tmp_path / "other.db", "north room") as other:
        sitting = other.begin_sitting(AT, instrument="viola", a4_hz=440.0, player="lark")
        other.add_note(sitting, PLAIN, AT.later(3.0))
    log.close()
    for rest in ("log.db-wal", "log.db-shm"):  # they belong to the old one
        (tmp_path / rest).unlink(missing_ok=True)
    (tmp_path / "other.db").replace(tmp_path / "log.db")
    assert len(_ids(shelf)) == 1


def test_a_shelf_may_be_there_before_the_log(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "none.db")
    with pytest.raises(NoLogYetError):
        shelf.reader("lark")


def test_the_shelf_is_as_long_as_it_says(log: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelf_module, "KEPT_NOTES", 3)
    shelf = Shelf(log._path)
    with shelf.reader("lark") as lark, shelf.reader("wren") as wren:
        held = lark.notes(*EVER)
        assert wren.notes(*EVER) is not held
        assert lark.notes(*EVER) is not held  # four notes were one too many
        assert lark.notes(*EVER) == held


def test_a_week_is_found_once_for_each_reading(log: Logbook) -> None:
    with Shelf(log._path).reader() as reader:
        notes, before = reader.notes(*EVER), reader.notes(0.0, 1.0)
    week = read_week(notes, before, Reading(), ZONE)
    assert read_week(notes, before, Reading(), ZONE) is week
    assert read_week(notes, before, Reading(band_cents=5.0), ZONE) is not week
    assert read_week(notes, log.notes(0.0, 1.0), Reading(), ZONE) is not week
    landings = landings_of(notes, Reading(), ZONE)
    landings.clear()  # a list of one's own
    assert len(landings_of(notes, Reading(), ZONE)) == 4


def test_one_more_note_makes_anew_only_the_lines_it_is_in(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    fill(path)
    shelf = Shelf(path)
    weeks = [CalendarWeek.parse(week).bounds(ZONE) for week in ("2026-W07", "2026-W06")]

    def read(reader: LogReader) -> Week:
        this, before = (reader.notes(*bounds) for bounds in weeks)
        return read_week(this, before, Reading(), ZONE)

    with shelf.reader() as reader:
        first = read(reader)
        at = instant(2026, 2, 15, 20)
        with Logbook(path, "north room") as log:
            sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
            moved = heard("G4", 90.0, 30.0, shift=shift("B3", "G4", 0.9))
            log.add_note(sitting, moved, at.later(3.0))
        second = read(reader)
    lines = {line.name: line for line in (*first.by_note, *first.by_shift)}
    again = {line.name: line for line in (*second.by_note, *second.by_shift)}
    assert again.keys() == lines.keys()
    made_anew = {name for name in lines if again[name] is not lines[name]}
    assert made_anew == {"G4", "B3→G4"}
    assert again["G4"].tally.count == lines["G4"].tally.count + 1
    with LogReader(path) as reader:
        fresh = read(reader)
    for one, other in (
        *zip(second.by_note, fresh.by_note, strict=True),
        *zip(second.by_shift, fresh.by_shift, strict=True),
    ):
        assert (one.name, one.tally, one.compared) == (other.name, other.tally, other.compared)
    assert (second.total, second.beside) == (fresh.total, fresh.beside)


def test_a_call_and_a_struck_note_change_the_sums_of_their_sitting_alone(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    fill(path)
    with Logbook(path, "north room") as log:
        rows = log.notes(*EVER)
        before = {one.marks[0]: one for one in log.sums(*EVER)}
        called, struck = rows[5].note_id, rows[100].note_id
        assert rows[5].sitting.sitting_id != rows[100].sitting.sitting_id
        log.add_call(called, Call.SHARP, rows[5].ended_at.later(1.0))
        one = {one.marks[0] for one in log.sums(*EVER) if one != before[one.marks[0]]}
        log.strike(struck)
        both = {one.marks[0] for one in log.sums(*EVER) if one != before[one.marks[0]]}
    assert one == {parse_id(rows[5].sitting.sitting_id)}
    assert both == one | {parse_id(rows[100].sitting.sitting_id)}


def test_what_is_let_go_is_gone(log: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """A week and its notes point to each other; left alone they would wait for the collector."""
    monkeypatch.setattr(shelf_module, "KEPT_NOTES", 3)
    shelf = Shelf(log._path)
    with shelf.reader("lark") as lark, shelf.reader("wren") as wren:
        held = ref(landings_of(lark.notes(*EVER), Reading(), ZONE)[0].rows)
        assert held() is not None
        wren.notes(*EVER)
        assert held() is None
    everything = ref(landings_of(log.notes(*EVER), Reading(), ZONE)[0].rows)  # nobody held it
    assert everything() is None
