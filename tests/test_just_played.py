"""Which note a foot strikes out or keeps, however late the ear tells of it."""

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

from hypothesis import example, given, settings
from hypothesis import strategies as st

from appliance.just_played import JustPlayed
from appliance.log.writer import Strike
from appliance.practice.calls import Calls
from appliance.practice.wanted import WantedDrone
from appliance.settings import Settings
from appliance.sitting import Sitting
from appliance.tuning import note_hz
from appliance.vocabulary import Instant
from tests.log_rows import PLAIN

LANDED_S, LATEST_S = 0.45, 0.4  # of the ear: a landing is told so late at the earliest, an end so
TICK_S = 0.05


def at(seconds: float) -> Instant:
    return Instant(1e9 + seconds, seconds, "boot", True)


class Line:
    """A sitting that only knows which notes were played and struck out."""

    def __init__(self) -> None:
        self.paused, self.round = False, None
        self.keys, self.struck = list[int](), list[int]()
        self.logged = set[int]()  # as struck out

    def last(self) -> SimpleNamespace | None:
        left = [key for key in self.keys if key not in self.struck]
        return SimpleNamespace(key=left[-1]) if left else None

    def log_strike(self, key: int, *, struck: bool = True) -> None:
        assert key in self.keys and (key in self.logged) is not struck
        self.logged ^= {key}

    def add(self, key: int, strike: Strike | None) -> None:
        self.keys.append(key)
        if strike is not None:
            self.logged -= {strike.in_place_of}
            self.logged |= {key}

    def strike(self, key: int) -> None:
        self.struck.append(key)

    def end_round(self, _at: Instant, *, won: bool) -> None:
        assert not won


def meant(notes: list[tuple[float, float]], press_s: float) -> int | None:
    """The rule written out over the whole evening, which knows all notes at once."""
    sounding = [key for key, (begin, end) in enumerate(notes) if begin + 0.5 <= press_s < end]
    ended = [key for key, (_, end) in enumerate(notes) if end <= press_s]
    return (sounding or ended or [None])[-1]


@settings(max_examples=300, deadline=None)
@example([(0.1, 0.6), (0.1, 1.0), (0.05, 0.1)], 0.4865, 0.4)  # two of whose ends nothing is known
@given(
    st.lists(st.tuples(st.floats(0.05, 2.0), st.floats(0.05, 3.0)), min_size=2, max_size=12),
    st.floats(0.0, 1.0),
    st.floats(0.0, LATEST_S),
)
def test_the_note_just_played_is_struck_out_and_kept(
    line: list[tuple[float, float]], place: float, late_s: float
) -> None:
    notes, at_s = list[tuple[float, float]](), 0.0
    for gap_s, seconds in line:
        notes.append((at_s + gap_s, at_s + gap_s + seconds))
        at_s = notes[-1][1]
    known_from_s = notes[0][1] + LATEST_S  # before any note is known the foot hears so
    press_s = known_from_s + place * (at_s + 1.0 - known_from_s)
    sitting, calls = Line(), Calls()
    drone = WantedDrone(Settings(), lambda _order: None)
    played = JustPlayed(cast("Sitting", sitting), drone, calls)
    moments = [(end + late_s, "end", key) for key, (_, end) in enumerate(notes)]
    moments += [
        (begin + LANDED_S + late_s, "land", key)
        for key, (begin, end) in enumerate(notes)
        if end - begin > LANDED_S
    ]
    moments += [(press_s, "press", 0), (at_s + 9.0, "night", 0)]
    moments += [(TICK_S * tick, "tick", 0) for tick in range(int((at_s + 9.0) / TICK_S))]
    for now_s, what, key in sorted(moments):
        if what == "land":
            calls.note_landed(notes[key][0], note_hz(40 + key))
        elif what == "end":
            begin, end = notes[key]
            heard = replace(PLAIN, settled_hz=note_hz(40 + key), landing_hz=note_hz(40 + key))
            sitting.add(key, played.note_ended(heard, at(begin), at(end)))
            calls.note_ended(key, begin, end)
            played.note_logged(key, at(begin), at(end))
        elif what == "press":
            played.keep(at(now_s))
            played.strike_out(at(now_s))
            if not calls.speaks_of_sounding(press_s):  # the log has it at once
                assert sitting.logged == {sitting.keys[-1]}
        else:
            played.settle(now_s)
        assert len(sitting.logged) <= 1
        if calls.speaks_of_sounding(press_s) and what == "tick":  # not yet in the log itself
            assert not sitting.logged
    expected = meant(notes, press_s)
    assert sitting.struck == [expected] and sitting.logged == {expected}
    assert drone.midi == 40 + (expected or 0)
