"""Notes dated by what a real system's journal tells of its clock, and what the kernel said of it.

``tests/journals`` holds the journals of an emulated PC with Debian: its own kernel, systemd and
systemd-timesyncd, without a battery clock or with one, recorded by ``python -m tests.bench.clocks
--keep`` (``journalctl -o json``, the entries on the clock). Every four seconds stands there whether
the kernel called its clock synchronised. The first line says what only the time server knew: the
true time at which the monotonic clock was at zero.
"""

import json
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from appliance.log.calendar import CalendarWeek
from appliance.log.keeping import KeptLog
from appliance.log.reader import LogReader
from appliance.log.records import EventKind
from appliance.log.writer import LogWriter
from appliance.vocabulary import Instant
from tests.log_rows import PLAIN

JOURNALS = Path(__file__).parent / "journals"
IN_ORDER = ("first-boot", "last-month", "told-wrong", "summer")
NEAR_S = 0.5  # how well the true time is known
WORDS = {"synchronised": True, "not synchronised": False}
HOUR_S, DAY_S = 3600.0, 86400.0


@dataclass(frozen=True)
class Journal:
    """What a boot's journal told."""

    zone: ZoneInfo
    zero_s: float
    said: str  # of the system's own
    instants: tuple[Instant, ...]

    @classmethod
    def read(cls, name: str) -> "Journal":
        head, *entries = map(json.loads, (JOURNALS / f"{name}.jsonl").read_text().splitlines())
        own = [one["MESSAGE"] for one in entries if one["SYSLOG_IDENTIFIER"] != "watch"]
        instants = [
            Instant(
                int(one["__REALTIME_TIMESTAMP"]) / 1e6,
                int(one["__MONOTONIC_TIMESTAMP"]) / 1e6,
                one["_BOOT_ID"],
                WORDS[one["MESSAGE"]],
            )
            for one in entries
            if one["SYSLOG_IDENTIFIER"] == "watch" and one["MESSAGE"] in WORDS
        ]
        return cls(ZoneInfo(head["zone"]), head["zero_s"], "\n".join(own), tuple(instants))

    def off_s(self) -> list[float]:
        """How far the wall clock was from the true time, from first to last."""
        return [at.wall_s - at.monotonic_s - self.zero_s for at in self.instants]

    def play(self, path: Path) -> list[float]:
        """Be a room in that boot, with a note at each entry; return when they truly ended."""
        now = self.instants[0]
        writer = LogWriter(lambda: KeptLog(path, "north room", ""), lambda: now.monotonic_s)
        writer.start()
        writer.tick(now)
        writer.begin_sitting(now, instrument="viola", a4_hz=440.0)
        for now in self.instants:
            writer.tick(now)
            writer.add_note(PLAIN, now)
        writer.end_sitting(now)
        assert writer.stop(60.0) == 0
        return [at.monotonic_s + self.zero_s for at in self.instants]


def check(path: Path, ended: list[float], zone: ZoneInfo) -> None:
    """Every note on its moment, once; the weeks add up."""
    with LogReader(path) as log:
        rows = log.notes(0.0, 1e12)
        weeks = {CalendarWeek.of(at, zone): 0 for at in ended}
        found = {week: len(log.notes(*week.bounds(zone))) for week in weeks}
    assert [row.ended_at.wall_s for row in rows] == pytest.approx(ended, abs=NEAR_S)
    assert all(row.ended_at.synchronised for row in rows)
    assert len({row.note_id for row in rows}) == len(ended) == sum(found.values())
    for row in rows:
        began, over = row.sitting.started_at, row.sitting.ended_at
        assert over is not None
        assert began.wall_s - 1e-3 <= row.ended_at.wall_s <= over.wall_s + 1e-3


@pytest.mark.parametrize("name", IN_ORDER)
def test_a_real_clock_that_is_set_while_somebody_plays(tmp_path: Path, name: str) -> None:
    journal = Journal.read(name)
    check(tmp_path / "room.db", journal.play(tmp_path / "room.db"), journal.zone)


def test_the_room_stops_while_somebody_has_set_the_clock_an_hour_back(tmp_path: Path) -> None:
    """A clock that was right and is set by hand is not believed meanwhile."""
    journal = Journal.read("last-month")
    wrong = [number for number, off in enumerate(journal.off_s()) if abs(off + HOUR_S) < 10.0]
    journal = replace(journal, instants=journal.instants[: wrong[-1] + 1])
    assert not journal.instants[-1].synchronised
    check(tmp_path / "room.db", journal.play(tmp_path / "room.db"), journal.zone)


def test_four_boots_of_a_machine_on_one_log(tmp_path: Path) -> None:
    ended, journals = [], [Journal.read(name) for name in IN_ORDER]
    for journal in journals:
        ended += journal.play(tmp_path / "room.db")
    check(tmp_path / "room.db", ended, journals[0].zone)
    with LogReader(tmp_path / "room.db") as log:
        assert len({row.sitting.sitting_id for row in log.notes(0.0, 1e12)}) == len(IN_ORDER)


def test_the_log_says_by_how_much_the_clock_was_set(tmp_path: Path) -> None:
    journal = Journal.read("first-boot")
    journal.play(tmp_path / "room.db")
    with LogReader(tmp_path / "room.db") as log:
        (event,) = log.events(0.0, 1e12)
    assert event.kind is EventKind.CLOCK_SET
    assert float(str(event.detail)) == pytest.approx(-journal.off_s()[0], abs=2 * NEAR_S)


def test_the_journals_are_what_they_are_called() -> None:
    """Of systemd's own words only those are held that name the case."""
    boots = {name: Journal.read(name) for name in IN_ORDER}
    first, last_month, wrong = (boots[name] for name in IN_ORDER[:3])
    assert first.off_s()[0] < -DAY_S and abs(first.off_s()[-1]) < NEAR_S
    assert "Initial clock synchronization" in first.said
    assert -40.0 * DAY_S < last_month.off_s()[0] < -30.0 * DAY_S
    assert any(abs(off + HOUR_S) < 10.0 for off in last_month.off_s())
    assert any(abs(off - HOUR_S) < NEAR_S for off in wrong.off_s())
    for journal in (first, last_month, wrong):
        assert abs(journal.off_s()[-1]) < NEAR_S
    for name in IN_ORDER[3:]:
        at = [datetime.fromtimestamp(one.wall_s, boots[name].zone) for one in boots[name].instants]
        assert at[0].utcoffset() != at[-1].utcoffset()
        assert max(map(abs, boots[name].off_s())) < 60.0
