"""Planted beside found: the plan of the invented player and what was read back from the log.

Both sides go through the same reading (targets, outcomes, tallies), so that a difference between
them is one of hearing.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from statistics import median

from appliance.demo_player import FLAT, MISHEARD, NICKNAME, SHARP, SHIFT, PlannedSitting
from appliance.devices.simulated_score import PlannedNote
from appliance.hearing.landings import repeats
from appliance.log.records import NoteRow, SittingRow
from appliance.log.weeks import Landing, Reading, landings_of
from appliance.settings import Settings
from appliance.tuning import accepted_calls, cents, note_name
from appliance.vocabulary import Arrival, Call, HeardNote, Instant, Outcome, Shift

Rows = list[NoteRow]
Weeks = tuple[list[Landing], list[Landing]]

_SAME_NOTE_S, _SAME_NOTE_CENTS = 0.15, 50.0  # a heard note this near a planned one is that note


def comparison(
    planned: Sequence[PlannedSitting], rows: Iterable[NoteRow], settings: Settings
) -> str:
    """Return the table of planted and found; ``rows`` are the whole log, in order of time."""
    truth = [planted_rows(plan, settings) for plan in planned]
    begins = [plan.begins.timestamp() for plan in planned]
    heard: list[Rows] = [[] for _ in planned]
    for row in rows:
        heard[begins.index(row.sitting.started_at.wall_s)].append(row)
    reading = Reading(settings.room.tuning, band_cents=settings.room.band_cents)
    planted, found = (_weeks(planned, part, reading) for part in (truth, heard))
    lines = [("", "planted", "found"), _notes_line(truth, heard)]
    lines += [(what, tell(planted), tell(found)) for what, tell in _lines(reading)]
    title = f"What {NICKNAME} played over the two weeks, and what the log found (cents)"
    return "\n".join([title, *(f"  {what:<44}{a:>22}{b:>30}" for what, a, b in lines)])


def _lines(reading: Reading) -> list[tuple[str, Callable[[Weeks], str]]]:
    flat, sharp = note_name(FLAT), note_name(SHARP)
    shift = "→".join(map(note_name, SHIFT))
    return [
        ("landed / rescued / missed", lambda weeks: _shares(_both(weeks))),
        (f"{flat} lands flat, first week", lambda weeks: _typical(_on(weeks[0], FLAT))),
        (f"{flat} lands flat, second week", lambda weeks: _typical(_on(weeks[1], FLAT))),
        (f"{flat} rescued when not landed", lambda weeks: _rescued(_on(_both(weeks), FLAT))),
        (f"{sharp} lands sharp", lambda weeks: _typical(_on(_both(weeks), SHARP))),
        (f"shift {shift} lands long", lambda weeks: _typical(_shifted(weeks))),
        ("calls on major sixths that agree", lambda weeks: _agreeing(weeks, reading, True)),
        ("all other calls that agree", lambda weeks: _agreeing(weeks, reading, False)),
        ("a major sixth called in tune lands", lambda weeks: _typical(_taken_for_pure(weeks))),
    ]


def planted_rows(plan: PlannedSitting, settings: Settings) -> Rows:
    """Write the plan as the log would hold it if everything were heard as it was meant."""
    begins = Instant(plan.begins.timestamp(), 0.0, "planned", True)
    room = settings.room
    sitting = SittingRow("", room.name, NICKNAME, room.instrument, room.a4_hz, begins, None)
    notes = plan.score.notes
    return [
        NoteRow(
            note_id="",
            sitting=sitting,
            note=_as_heard(note, before, plan.score.reference_hz),
            ended_at=Instant(begins.wall_s + note.end_s, note.end_s, begins.boot_id, True),
            struck=False,
            call=note.call,
        )
        for before, note in pairwise([None, *notes])
        if note is not None
    ]


def _as_heard(note: PlannedNote, before: PlannedNote | None, reference_hz: float) -> HeardNote:
    slid = before is not None and note.arrival is Arrival.SLIDE
    return HeardNote(
        start_s=note.start_s,
        end_s=note.end_s,
        landing_hz=note.landing_hz,
        landing_uncertainty_cents=0.0,
        settled_hz=note.settled_hz,
        arrival=note.arrival,
        slide_s=note.travel_s if slid else None,
        vibrato=note.vibrato,
        shift=Shift(before.settled_hz, note.settled_hz, 1.0) if before and slid else None,
        drone_hz=reference_hz,
        reference_hz=reference_hz,
        measurable=True,
        repeat=before is not None and _repeats(note, before),
        level_db=0.0,
    )


def _repeats(note: PlannedNote, before: PlannedNote) -> bool:
    return repeats(note.start_s - before.end_s, cents(note.landing_hz, before.settled_hz))


def _weeks(planned: Sequence[PlannedSitting], parts: Sequence[Rows], reading: Reading) -> Weeks:
    first, second = (
        [
            row
            for plan, rows in zip(planned, parts, strict=True)
            if plan.week == week
            for row in rows
        ]
        for week in (0, 1)
    )
    return landings_of(first, reading), landings_of(second, reading)


def _notes_line(truth: Sequence[Rows], heard: Sequence[Rows]) -> tuple[str, str, str]:
    played, logged = sum(map(len, truth)), sum(map(len, heard))
    matched = sum(matched_notes(*parts) for parts in zip(truth, heard, strict=True))
    found = f"{matched} ({played - matched} missed, {logged - matched} invented)"
    return "notes", str(played), found


def matched_notes(truth: Rows, heard: Rows) -> int:
    """Count the planned notes of a sitting that were heard, each heard note used once."""
    unused = list(heard)
    for planned in truth:
        same = [row for row in unused if _same(planned, row)]
        if same:
            unused.remove(min(same, key=lambda row: abs(_late_s(planned, row))))
    return len(heard) - len(unused)


def _same(planned: NoteRow, row: NoteRow) -> bool:
    if abs(_late_s(planned, row)) > _SAME_NOTE_S:
        return False
    hz, planned_hz = row.note.settled_hz, planned.note.settled_hz
    return hz is None or planned_hz is None or abs(cents(hz, planned_hz)) < _SAME_NOTE_CENTS


def _late_s(planned: NoteRow, row: NoteRow) -> float:
    return row.note.start_s - row.sitting.started_at.monotonic_s - planned.note.start_s


def _both(weeks: Weeks) -> list[Landing]:
    return weeks[0] + weeks[1]


def _on(landings: Iterable[Landing], midi: int) -> list[Landing]:
    return [landing for landing in landings if landing.midi == midi]


def _shifted(weeks: Weeks) -> list[Landing]:
    return [landing for landing in _both(weeks) if landing.move == SHIFT]


def _taken_for_pure(weeks: Weeks) -> list[Landing]:
    return [
        landing
        for landing in _both(weeks)
        if landing.row.call is Call.IN_TUNE and _is_misheard(landing)
    ]


def _is_misheard(landing: Landing) -> bool:
    return landing.drone_midi is not None and (landing.midi - landing.drone_midi) % 12 == MISHEARD


def _typical(landings: Sequence[Landing]) -> str:
    """Median landing error, sharp positive (the shift goes up: long), and of how many notes."""
    if not landings:
        return "-"
    return f"{median(landing.landing_cents for landing in landings):+.1f} (of {len(landings)})"


def _shares(landings: Sequence[Landing]) -> str:
    counts = [
        sum(landing.outcome is outcome for landing in landings)
        for outcome in (Outcome.LANDED, Outcome.RESCUED, Outcome.MISSED)
    ]
    return " / ".join(f"{100 * count / max(1, len(landings)):.0f} %" for count in counts)


def _rescued(landings: Sequence[Landing]) -> str:
    astray = [landing for landing in landings if landing.outcome is not Outcome.LANDED]
    rescued = sum(landing.outcome is Outcome.RESCUED for landing in astray)
    return f"{rescued} of {len(astray)}"


def _agreeing(weeks: Weeks, reading: Reading, misheard: bool) -> str:
    called = [
        landing
        for landing in _both(weeks)
        if landing.row.call is not None and _is_misheard(landing) is misheard
    ]
    agreeing = sum(
        landing.row.call in accepted_calls(landing.landing_cents, reading.band_cents)
        for landing in called
    )
    return f"{agreeing} of {len(called)}"
