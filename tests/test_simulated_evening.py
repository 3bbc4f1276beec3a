"""What ``run --simulate`` plays, heard by the real ear: every section of the pages has something.

Block after block in one thread, as in :mod:`tests.lockstep`, with the simulated room between
loudspeaker and microphone.
"""

from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from appliance.desk import Desk
from appliance.devices.clock import SimulatedClock
from appliance.devices.loudspeaker import Loudspeaker
from appliance.devices.simulated_evening import plan_evening
from appliance.devices.simulator import simulated_devices
from appliance.hearing.ear import Ear
from appliance.instruments import INSTRUMENTS
from appliance.log.logbook import Logbook
from appliance.log.reader import LogReader
from appliance.log.records import EventKind, EventRow, NoteRow, RoundRow
from appliance.log.tries import tries_of
from appliance.log.writer import LogWriter
from appliance.practice.cues import Cue
from appliance.practice.order import CueOrder, Order
from appliance.practice.pedalboard import Pedal, Pedalboard
from appliance.settings import Settings
from appliance.tuning import cents
from appliance.vocabulary import Call

RATE_HZ, BLOCK_FRAMES = 24000.0, 480
SETTINGS = Settings()
TURNS = [
    EventKind.ROUND_BEGUN,
    EventKind.ROUND_ENDED,
    EventKind.WENT_WITHOUT,
    EventKind.BROUGHT_BACK,
]
CALLED = {Cue.CALL_TAKEN}
ANSWERS = {Cue.AGREES, Cue.WAS_FLAT, Cue.WAS_SHARP, Cue.WAS_IN_TUNE, Cue.NOT_MEASURED}


class Heard:
    """The evening once as it is planned and a little of the next one, and what came of it."""

    def __init__(self, log_path: Path) -> None:
        self.score = plan_evening(SETTINGS, INSTRUMENTS["viola"].lowest, 0)
        settings = replace(SETTINGS, room=replace(SETTINGS.room, instrument="viola"))
        self._orders: list[Order] = []
        clock = SimulatedClock(1.7e9, monotonic_s=1000.0)
        zero = clock.now()
        room, player = simulated_devices(settings, RATE_HZ)
        loudspeaker, ear = Loudspeaker(settings.drone, RATE_HZ), Ear(settings, "viola", RATE_HZ)
        writer = LogWriter(lambda: Logbook(log_path, "simulated"), lambda: clock.now().monotonic_s)
        writer.start()

        def order(wanted: Order) -> None:
            self._orders.append(wanted)
            loudspeaker.order(wanted)

        desk, board = Desk(settings, writer, order), Pedalboard(settings.pedals)
        for _ in range(round((self.score.duration_s + 4.0) * RATE_HZ / BLOCK_FRAMES)):
            sent = loudspeaker.render(BLOCK_FRAMES)
            mic = room.exchange(sent)
            clock.advance(BLOCK_FRAMES / RATE_HZ)
            now = clock.now()
            for event in ear.hear(mic, sent):
                desk.hear(event, zero)
            gestures = board.tick(now.monotonic_s)
            for move in player.presses_due(now.monotonic_s - zero.monotonic_s):
                edge = board.press if move.down else board.release
                gestures += edge(move.pedal, zero.monotonic_s + move.at_s)
            desk.obey(gestures, now)
            desk.tick(now)
        self.sounding = desk.status()["drone"]
        desk.close(clock.now())
        assert writer.stop(5.0) == 0
        with LogReader(log_path) as log:
            self.rows: list[NoteRow] = log.notes(0.0, 1e12)
            self.events: list[EventRow] = log.events(0.0, 1e12)
            self.rounds: list[RoundRow] = log.rounds(0.0, 1e12)

    @property
    def cues(self) -> list[Cue]:
        return [order.cue for order in self._orders if isinstance(order, CueOrder)]


@cache
def heard() -> Heard:
    with TemporaryDirectory() as folder:
        return Heard(Path(folder) / "room.db")


def test_a_round_is_played_until_enough_tries_in_a_row_have_landed() -> None:
    (played,) = heard().rounds
    assert played.won and Cue.ROUND_WON in heard().cues
    assert cents(played.goal.target_low_hz, played.goal.from_hz or 1.0) == pytest.approx(500, abs=9)
    tries = [line.word.value for line in tries_of(played, heard().rows)]
    assert tries == ["short", "nearly", "in", "long", *SETTINGS.practice.landed_in_a_row * ["in"]]


def test_without_is_turned_on_and_off_and_has_notes_that_were_played_with_it_too() -> None:
    assert [event.kind for event in heard().events] == TURNS
    assert heard().sounding["on"] and not heard().sounding["without"]
    without = [row for row in heard().rows if row.marks.without]
    alone = {round(cents(row.note.settled_hz or 1.0, 440.0), -2) for row in without}
    together = {
        round(cents(row.note.settled_hz or 1.0, 440.0), -2)
        for row in heard().rows
        if not row.marks.without and not row.marks.in_round
    }
    assert len(without) >= 10
    assert len(alone & together) >= 6
    assert all(row.note.reference_hz is not None for row in without)  # the same targets


def test_calls_are_taken_and_answered_in_each_part() -> None:
    planned = [note.call for note in heard().score.notes if note.call is not None]
    logged = [row.call for row in heard().rows if row.call is not None]
    assert logged == planned
    assert sum(cue in CALLED for cue in heard().cues) == len(planned)
    assert sum(cue in ANSWERS for cue in heard().cues) == len(planned)
    parts = {(r.marks.without, r.marks.in_round) for r in heard().rows if r.call is not None}
    assert parts == {(False, False), (False, True), (True, False)}
    assert {Call.FLAT, Call.IN_TUNE} <= set(logged)


@pytest.mark.parametrize("name", INSTRUMENTS)
@pytest.mark.parametrize("needed", [1, 5, 20])
def test_every_instrument_has_an_evening_within_its_range(name: str, needed: int) -> None:
    instrument = INSTRUMENTS[name]
    settings = replace(SETTINGS, practice=replace(SETTINGS.practice, landed_in_a_row=needed))
    score = plan_evening(settings, instrument.lowest, 3)
    assert score == plan_evening(settings, instrument.lowest, 3)
    assert score != plan_evening(settings, instrument.lowest, 4)
    assert all(instrument.lowest <= note.midi <= instrument.highest for note in score.notes)
    starts = [note.start_s for note in score.notes]
    assert starts == sorted(starts) and score.notes[-1].end_s < score.duration_s
    assert [hold.pedal for hold in score.holds] == [Pedal.LEFT, Pedal.RIGHT, Pedal.RIGHT]
    for hold in score.holds:
        assert not [n for n in score.notes if n.start_s < hold.at_s + 0.75 and n.end_s > hold.at_s]
