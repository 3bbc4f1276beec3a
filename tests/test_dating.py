"""Clocks that are wrong, and set while somebody plays: every note ends up on its day, once.

The clock of the machine stands in as the log gets it: wall time, monotonic time since the boot, the
boot's id, and the kernel's word on the first (its error estimate, which settimeofday(2) resets to
16 s: ntp_clear() in the kernel's ntp.c, from memory). The cases are those of a machine without a
battery clock: systemd-timesyncd starts it at the time it last saved (systemd-timesyncd.service(8)),
without one saved at the epoch or at its own build, and steps it once the network is there.
"""

from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from appliance.log.calendar import CalendarWeek
from appliance.log.keeping import KeptLog
from appliance.log.reader import LogReader
from appliance.log.records import EventKind, NoteRow
from appliance.log.writer import LogWriter
from appliance.vocabulary import Call, Instant
from tests.log_rows import PLAIN

LISBON = ZoneInfo("Europe/Lisbon")
TUESDAY = datetime(2026, 2, 10, 17, 0, tzinfo=LISBON).timestamp()
HOUR_S, DAY_S = 3600.0, 86400.0


@dataclass
class Machine:
    """A machine whose true time is known to the test alone."""

    path: Path
    true_s: float
    off_s: float  # its wall clock less the true time
    synchronised: bool
    boot_id: str = "first"
    up_s: float = 40.0
    writer: LogWriter | None = None

    def now(self) -> Instant:
        return Instant(self.true_s + self.off_s, self.up_s, self.boot_id, self.synchronised)

    def pass_time(self, seconds: float) -> None:
        self.true_s += seconds
        self.up_s += seconds
        if self.writer is not None:
            self.writer.tick(self.now())

    def boot(self, *, off_s: float, synchronised: bool, boot_id: str = "first") -> LogWriter:
        """Start the machine, or only the room when the boot is the same."""
        if boot_id != self.boot_id:
            self.up_s = 40.0
        self.off_s, self.synchronised, self.boot_id = off_s, synchronised, boot_id
        self.writer = LogWriter(
            lambda: KeptLog(self.path, "north room", ""), lambda: self.now().monotonic_s
        )
        self.writer.start()
        self.writer.tick(self.now())
        return self.writer

    def set_clock(self, off_s: float, *, synchronised: bool) -> None:
        self.off_s, self.synchronised = off_s, synchronised
        assert self.writer is not None
        self.writer.tick(self.now())

    def play(self, notes: int) -> list[float]:
        """Play a note every two seconds, each called; return when they truly ended."""
        assert self.writer is not None
        ended = []
        for _ in range(notes):
            self.pass_time(2.0)
            key = self.writer.add_note(PLAIN, self.now())
            ended.append(self.true_s)
            self.pass_time(0.5)
            self.writer.add_call(key, Call.SHARP, self.now())
        return ended

    def begin(self) -> None:
        assert self.writer is not None
        self.writer.begin_sitting(self.now(), instrument="viola", a4_hz=440.0)

    def stop(self) -> None:
        assert self.writer is not None
        self.writer.end_sitting(self.now())
        assert self.writer.stop(60.0) == 0
        self.writer = None

    def rows(self) -> list[NoteRow]:
        with LogReader(self.path) as log:
            return list(log.notes(0.0, 1e12))

    def check(self, ended: list[float], sittings: int = 1) -> None:
        """Everything is dated as it truly was: notes, calls, the sittings' ends."""
        rows = self.rows()
        assert [row.ended_at.wall_s for row in rows] == pytest.approx(ended, abs=0.001)
        assert all(row.ended_at.synchronised and row.call is Call.SHARP for row in rows)
        assert len({row.note_id for row in rows}) == len(ended)
        assert len({row.sitting.sitting_id for row in rows}) == sittings
        for row in rows:
            began, over = row.sitting.started_at, row.sitting.ended_at
            assert over is not None and began.wall_s <= row.ended_at.wall_s <= over.wall_s + 1e-3
            assert over.wall_s - began.wall_s == pytest.approx(
                over.monotonic_s - began.monotonic_s, abs=0.001
            )


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path / "room.db", TUESDAY, 0.0, synchronised=True)


@pytest.mark.parametrize("off_s", [-TUESDAY, -30.0 * DAY_S, -90.0, 400.0 * DAY_S])
def test_it_boots_in_the_past_and_is_set_in_the_middle_of_a_sitting(
    machine: Machine, off_s: float
) -> None:
    machine.boot(off_s=off_s, synchronised=False)
    machine.begin()
    ended = machine.play(20)
    machine.set_clock(0.003, synchronised=True)
    ended += machine.play(20)
    machine.stop()
    machine.off_s = 0.0
    machine.check([end + 0.003 for end in ended])
    with LogReader(machine.path) as log:
        (event,) = log.events(0.0, 1e12)
    assert event.kind is EventKind.CLOCK_SET
    assert float(str(event.detail)) == pytest.approx(-off_s, abs=0.1)


def test_it_is_set_after_the_sitting_and_the_next_run_of_the_room_knows(machine: Machine) -> None:
    machine.boot(off_s=-30.0 * DAY_S, synchronised=False)
    machine.begin()
    ended = machine.play(5)
    machine.stop()
    assert not machine.rows()[0].ended_at.synchronised
    machine.pass_time(600.0)
    machine.boot(off_s=0.0, synchronised=True)  # the same boot: only the room was restarted
    machine.stop()
    machine.check(ended)


def test_a_boot_that_was_never_set_leaves_the_others_alone(machine: Machine) -> None:
    machine.boot(off_s=-30.0 * DAY_S, synchronised=False)
    machine.begin()
    machine.play(3)
    machine.stop()
    machine.pass_time(DAY_S)
    machine.boot(off_s=0.0, synchronised=True, boot_id="second")
    machine.begin()
    ended = machine.play(3)
    machine.stop()
    rows = machine.rows()
    assert [row.ended_at.synchronised for row in rows] == [False] * 3 + [True] * 3
    assert [row.ended_at.wall_s for row in rows[3:]] == pytest.approx(ended, abs=0.001)


def test_an_hour_back_and_forth_again_moves_no_note(machine: Machine) -> None:
    """Somebody sets the clock by hand; the kernel then says that it is not to be trusted."""
    machine.boot(off_s=0.0, synchronised=True)
    machine.begin()
    ended = machine.play(10)
    machine.set_clock(-HOUR_S, synchronised=False)
    ended += machine.play(10)
    machine.set_clock(0.0, synchronised=True)
    ended += machine.play(10)
    machine.stop()
    machine.check(ended)


def test_a_clock_that_is_set_an_hour_back_and_trusted_takes_the_sitting_along(
    machine: Machine,
) -> None:
    machine.boot(off_s=HOUR_S, synchronised=True)  # a time server that was wrong
    machine.begin()
    ended = machine.play(10)
    machine.set_clock(0.0, synchronised=True)
    ended += machine.play(10)
    machine.stop()
    machine.check(ended)


def test_without_any_network_the_newest_setting_counts(machine: Machine) -> None:
    machine.boot(off_s=-300.0 * DAY_S, synchronised=False)
    machine.begin()
    ended = machine.play(5)
    machine.set_clock(2.0, synchronised=False)  # by hand, two seconds late
    ended += machine.play(5)
    machine.stop()
    walls = [row.ended_at.wall_s for row in machine.rows()]
    assert walls == pytest.approx([end + 2.0 for end in ended], abs=0.001)
    assert not any(row.ended_at.synchronised for row in machine.rows())


def test_a_leap_second_rewrites_nothing(machine: Machine) -> None:
    machine.boot(off_s=0.0, synchronised=True)
    machine.begin()
    machine.play(3)
    machine.set_clock(-1.0, synchronised=True)
    machine.play(3)
    machine.stop()
    with LogReader(machine.path) as log:
        assert log.events(0.0, 1e12) == []


@pytest.mark.parametrize(
    ("change", "hours"),
    [(datetime(2026, 3, 29, 1, 0), 167), (datetime(2026, 10, 25, 1, 0), 169)],
)
def test_weeks_add_up_where_the_clocks_change(
    machine: Machine, change: datetime, hours: int
) -> None:
    """Portugal's clocks change at 1:00 UTC (Directive 2000/84/EC); Unix time goes on evenly."""
    at_s = change.replace(tzinfo=ZoneInfo("UTC")).timestamp()
    machine.true_s = at_s - 20.0
    machine.boot(off_s=-5.0 * DAY_S, synchronised=False)  # and it starts in the week before
    machine.begin()
    ended = machine.play(10)
    machine.set_clock(0.0, synchronised=True)
    ended += machine.play(10)
    machine.stop()
    machine.check(ended)
    week = CalendarWeek.of(at_s, LISBON)
    start_s, end_s = week.bounds(LISBON)
    assert end_s - start_s == hours * HOUR_S
    with LogReader(machine.path) as log:
        parts = [len(log.notes(*week.later(n).bounds(LISBON))) for n in range(-3, 3)]
    assert parts == [0, 0, 0, 20, 0, 0]


def test_midnight_on_sunday_divides_a_sitting_between_two_weeks_once(machine: Machine) -> None:
    monday_s = datetime(2026, 2, 16, tzinfo=LISBON).timestamp()
    machine.true_s = monday_s - 25.0
    machine.boot(off_s=-TUESDAY, synchronised=False)
    machine.begin()
    ended = machine.play(10)
    machine.set_clock(0.0, synchronised=True)
    ended += machine.play(10)
    machine.stop()
    week = CalendarWeek.of(ended[0], LISBON)
    with LogReader(machine.path) as log:
        before, after = (log.notes(*one.bounds(LISBON)) for one in (week, week.later(1)))
    assert len(before) == sum(end < monday_s for end in ended)
    assert len(before) + len(after) == 20
    assert {row.note_id for row in before}.isdisjoint({row.note_id for row in after})


def test_what_still_waits_in_memory_is_dated_as_well(machine: Machine) -> None:
    """The sitting ends by what it remembers of its last note, taken before the clock was set."""
    machine.boot(off_s=-30.0 * DAY_S, synchronised=False)
    machine.begin()
    ended = machine.play(4)
    last = replace(machine.now(), wall_s=ended[-1] + machine.off_s)
    machine.set_clock(0.0, synchronised=True)
    machine.pass_time(600.0)
    assert machine.writer is not None
    machine.writer.end_sitting(last)
    assert machine.writer.stop(60.0) == 0
    over = machine.rows()[0].sitting.ended_at
    assert over is not None and over.synchronised
    assert over.wall_s == pytest.approx(machine.true_s - 600.0, abs=1.0)
