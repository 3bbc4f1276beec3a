"""The thread that writes the log: what it cannot write does not stop the rest."""

import math
from dataclasses import replace
from pathlib import Path

from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.writer import LogWriter
from appliance.vocabulary import Call
from tests.log_rows import PLAIN, instant

BEGAN = instant(2026, 2, 10, 17)


def test_an_entry_that_the_log_refuses_does_not_hold_up_those_behind_it(tmp_path: Path) -> None:
    path = tmp_path / "room.db"
    writer = LogWriter(lambda: Logbook(path, "north room"), lambda: BEGAN.monotonic_s)
    writer.start()
    writer.begin_sitting(BEGAN, instrument="viola", a4_hz=440.0)
    no_number = writer.add_note(replace(PLAIN, level_db=math.nan), BEGAN.later(1.0))
    writer.add_call(no_number, Call.FLAT, BEGAN.later(2.0))
    good = writer.add_note(PLAIN, BEGAN.later(3.0))
    writer.add_call(good, Call.SHARP, BEGAN.later(4.0))
    assert writer.stop(timeout_s=5.0) == 0
    assert writer.report().trouble is None
    with LogReader(path) as log:
        (row,) = log.notes(0.0, 1e12)
    assert (row.note.level_db, row.call) == (PLAIN.level_db, Call.SHARP)
