"""The page of a week as it is served, every number of it from the raw rows with numpy.

The log is that of :mod:`tests.busy_weeks`: sittings over two drones and without one, tuning, calls,
rounds, corrections, and notes set apart for every reason there is.
"""

import math
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flask.testing import FlaskClient

from tests.from_rows import (
    MONDAY_S,
    NAMES,
    OUTCOMES,
    WEEK_S,
    Array,
    Log,
    Notes,
    change,
    name_of,
    newcombe,
    read_rows,
    wilson,
)
from tests.pages import page_words
from tests.said import (
    ALONG,
    SIDES,
    agrees,
    bias,
    cents,
    landed,
    lies,
    percent,
    shares,
    sign_test,
    signed,
    since,
    tally,
)

WEEKS = (6, 7)


def _page(client: FlaskClient, week: int) -> str:
    return page_words(client, f"/?week=2026-W{week:02}")


def _part(text: str, begins: str, ends: str) -> str:
    return text.rpartition(f" {begins} ")[2].partition(f" {ends} ")[0]


def _both(log: Log, week: int) -> tuple[Notes, Notes]:
    return log.counted.week(week), log.counted.week(week - 1)


@pytest.mark.parametrize("week", WEEKS)
def test_the_sentence_and_what_it_stands_on(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now, before = _both(busy_rows, week)
    text = _page(busy, week)
    told = [percent(now.of(outcome), len(now)) for outcome in OUTCOMES]
    assert (
        f" {told[0]} % landed, {told[1]} % rescued, {told[2]} % missed; "
        f"last week {shares(before)}. "
        f"{len(now)} notes. Like for like, the same notes over the same drone: "
        f"{shares(now.sharing(before))} % of {len(now.sharing(before))}, "
        f"last week {shares(before.sharing(now))} % of {len(before.sharing(now))}. " in text
    )
    undroned = int(np.sum(np.isnan(now.drone)))
    assert (f" {undroned} without any drone are shown in equal" in text) is (undroned > 0)


def test_what_it_means(busy: FlaskClient, busy_rows: Log) -> None:
    """Of week 7 more land; of week 6 nobody can tell."""
    found = change(*reversed(_both(busy_rows, 7)), "landed")
    assert found.low > 0
    assert (
        f"You are landing more: of the same notes {100 * found.before:.0f} % before, "
        f"{100 * found.after:.0f} % now." in _page(busy, 7)
    )
    earlier = _both(busy_rows, 6)
    for outcome in ("landed", "rescued"):
        found = change(*reversed(earlier), outcome)
        assert found.low < 0 < found.high
    assert "Whether that is a change: not enough to tell." in _page(busy, 6)


@pytest.mark.parametrize("week", WEEKS)
def test_every_note(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now, before = _both(busy_rows, week)
    text = _part(_page(busy, week), "By note", "By shift")
    places = []
    for midi, notes in now.by("midi"):
        said = f" {name_of(midi)} {tally(notes, notes.error, SIDES)} {lies(notes.error, SIDES)} "
        assert said in text, said
        after = text.split(said)[1]
        assert since(notes, before.where(before.midi == midi)) in after.split(" landed ")[0]
        places.append((text.index(said), notes.of("landed") - len(notes)))
    trouble = [missing for _, missing in sorted(places)]
    assert len(trouble) == 4 and trouble == sorted(trouble)  # the most first


def test_a_side_is_said_also_where_the_typical_landing_is_right(
    busy: FlaskClient, busy_path: Path
) -> None:
    """Within 8 cents four of five G4 do not land, and six times as often sharp as flat."""
    notes = read_rows(busy_path, band=8.0).counted.week(7)
    errors = notes.error[notes.midi == 67]
    said = lies(errors, SIDES, band=8.0)
    assert said.startswith("Where it is off it is mostly sharp: ")
    assert f" {said} " in _part(page_words(busy, "/?week=2026-W07&band=8"), "By note", "By shift")


@pytest.mark.parametrize("week", WEEKS)
def test_every_shift(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now, before = _both(busy_rows, week)
    text = _part(_page(busy, week), "By shift", "By drone")
    (source, moved), *others = now.by("source")
    assert not others and set(moved.midi) == {67.0}
    errors = moved.along()
    slides = [landed(moved.where(moved.slid == slid)) for slid in (True, False)]
    below, above = int(np.sum(errors <= -3)), int(np.sum(errors >= 3))
    said = (
        f" {name_of(source)}→G4 likely ({round(100 * float(np.mean(moved.likely)))} %) "
        f"{tally(moved, errors, ALONG)} {lies(errors, ALONG)} In all {below} short, {above} long. "
        f"With a slide heard {slides[0]} landed, without one {slides[1]}. "
    )
    assert said in text, said
    assert since(moved, before.where(before.source == source)) in text


@pytest.mark.parametrize("week", WEEKS)
def test_drones_days_and_without(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now, _ = _both(busy_rows, week)
    text = _page(busy, week)
    for drone, notes in now.where(now.sounding).by("drone"):
        typical = signed(float(np.median(notes.error)))
        row = f" {NAMES[int(drone) % 12]} {len(notes)} {shares(notes)} {typical} "
        assert row in _part(text, "By drone", "While it sounded"), row
    alone = now.where(now.without)
    beside = now.where(now.sounding)
    places = set(zip(alone.midi, alone.drone, strict=True))
    both = [place in places for place in zip(beside.midi, beside.drone, strict=True)]
    for name, notes in (("With", beside.where(np.array(both))), ("Without", alone)):
        parts = " ".join(f"{percent(notes.of(outcome), len(notes))} %" for outcome in OUTCOMES)
        assert f" {name} {len(notes)} {parts} " in text
    days = np.floor(now.at_s / 86400.0)
    rows = []
    for day in np.unique(days):
        date = datetime.fromtimestamp(float(day) * 86400.0, UTC)
        notes = now.where(days == day)
        parts = " / ".join(str(notes.of(outcome)) for outcome in OUTCOMES)
        rows.append(f"{date:%a} {date.day} {parts}")
    assert f" {' '.join(rows)} Solid landed" in text


@pytest.mark.parametrize("week", WEEKS)
def test_what_is_counted_apart(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    first_s = MONDAY_S + (week - 7) * WEEK_S

    def within(at_s: Array) -> int:
        return int(np.sum((at_s >= first_s) & (at_s < first_s + WEEK_S)))

    apart = {reason: within(at_s) for reason, at_s in busy_rows.apart.items()}
    assert min(apart.values()) >= 4
    text = _page(busy, week)
    assert (
        f" hear a landing {apart['short']} Between two notes, unsure which was meant "
        f"{apart['between']} Repeats, the finger left in place {apart['repeat']} "
        f"Struck out {apart['struck']} Played while the log was paused {apart['paused']} "
        f"Played in rounds {apart['round']} Tuning the strings {apart['tuning']} "
        f"May be open strings {apart['open']} {apart['short']} of {within(busy_rows.heard_s)} "
        "notes were too short to hear a landing." in text
    )


@pytest.mark.parametrize("week", WEEKS)
def test_open_strings(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now = busy_rows.counted.week(week)
    _, firsts = np.unique(now.sitting, return_index=True)
    rows = []
    for sitting, at_s in zip(now.sitting[np.sort(firsts)], now.at_s[np.sort(firsts)], strict=True):
        when = f"{datetime.fromtimestamp(float(at_s), UTC):%a} 17:00"
        for string, off in busy_rows.strings[int(sitting)].items():
            tuned, later = off["tuned"], off["later"]
            typical = signed(float(np.median(later))) if len(later) else "–"
            few = ", few" if 0 < len(later) < 8 else ""
            found, left = (signed(float(tuned[place])) for place in (0, -1))
            rows.append(f"{when} {name_of(string)} {found} {left} {typical} {len(later)}{few}")
    assert len(rows) == 3 * len(firsts)
    assert f" {' '.join(rows)} Counted apart " in _page(busy, week)


def _clearest(notes: Notes) -> str:
    """The drone over which the note landed more often than over the others, by Newcombe."""
    drones = dict(notes.where(notes.sounding).by("drone"))
    best = max(drones, key=lambda drone: drones[drone].of("landed") / len(drones[drone]))
    others = [group for drone, group in drones.items() if drone != best]
    rest = sum(group.of("landed") for group in others), sum(map(len, others))
    if newcombe(drones[best].of("landed"), len(drones[best]), *rest)[0] <= 0:
        return "."
    return (
        f"; the drone on {NAMES[int(best) % 12]} was clearest for you, "
        f"{landed(drones[best])} landed over it."
    )


@pytest.mark.parametrize("week", WEEKS)
def test_next_steps(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    """Whatever is suggested, and nothing else, with its figures; the greatest trouble first."""
    now, _ = _both(busy_rows, week)
    due: list[tuple[int, str]] = []
    groups = [(f"G4 from {name_of(s)}", n, n.along(), ALONG) for s, n in now.by("source")]
    groups += [(name_of(m), n, n.error, SIDES) for m, n in now.by("midi")]
    for name, notes, errors, sides in groups:
        missing = len(notes) - notes.of("landed")
        below, above = int(np.sum(errors <= -3)), int(np.sum(errors >= 3))
        typical = float(np.median(errors))
        if 3 * missing < len(notes) or len(np.unique(notes.sitting)) < 2:
            continue
        if sign_test(below, above) <= 0.01 and abs(typical) >= 5:
            said = f"lands {cents(typical)} {sides[above > below]}, {max(below, above)} of"
            due.append((missing, f" {name} {said} {len(notes)} times{_clearest(notes)} "))
        elif wilson(notes.of("landed"), len(notes))[1] < 0.5:
            within = float(np.quantile(np.abs(errors), 0.8, method="inverted_cdf"))
            said = f"{below} {sides[0]}, {above} {sides[1]}; {landed(notes)} landed"
            said = f"lands anywhere within {cents(math.ceil(within))}, {said}"
            due.append((missing, f" {name} {said}{_clearest(notes)} "))
    if any(" from " in said for _, said in due):
        due = [one for one in due if not one[1].startswith(" G4 lands")]
    alone = now.where(now.without)
    places = set(zip(alone.midi, alone.drone, strict=True))
    here = now.where(now.sounding)
    same = here.where(np.array([p in places for p in zip(here.midi, here.drone, strict=True)]))
    if newcombe(same.of("landed"), len(same), alone.of("landed"), len(alone))[0] > 0:
        said = (
            f" Without the drone {landed(alone)} of the same notes land, with it {landed(same)}. "
        )
        due.append((len(alone) - alone.of("landed"), said))
    assert due
    text = f" {_part(_page(busy, week), 'Next step', 'By note')} "
    expected = [said for _, said in sorted(due, key=lambda one: -one[0])][:3]
    places_found = [text.find(said) for said in expected]
    assert -1 not in places_found, (expected, text)
    assert places_found == sorted(places_found)
    assert text.count(" You could ") == len(expected)


def _is_tally(found: dict[str, Any], notes: Notes, errors: Array, sides: tuple[str, str]) -> None:
    assert found["count"] == len(notes)
    assert [found[outcome] for outcome in OUTCOMES] == [notes.of(outcome) for outcome in OUTCOMES]
    assert found["landed_interval_95"] == pytest.approx(wilson(notes.of("landed"), len(notes)))
    typical = float(np.median(errors))
    assert found["typical_cents"] == pytest.approx(typical, abs=1e-6)
    spread = float(np.median(np.abs(errors - typical)))
    assert found["spread_cents"] == pytest.approx(spread, abs=1e-6)
    assert found["side"] == (sides[typical > 0] if abs(typical) >= 3 else None)
    assert found["few"] is (len(notes) < 8)


@pytest.mark.parametrize("week", WEEKS)
def test_every_tally_of_the_json(busy: FlaskClient, busy_rows: Log, week: int) -> None:
    now, before = _both(busy_rows, week)
    found = busy.get(f"/week.json?week=2026-W{week:02}").get_json()
    alone, here = now.where(now.without), now.where(now.sounding)
    for name, notes in (("total", now), ("week_before", before)):
        _is_tally(found[name], notes, notes.error, SIDES)
    for name, notes in (("with_drone", here), ("without", alone)):
        _is_tally(found["beside"][name], notes, notes.error, SIDES)
    groups = {name_of(midi): notes for midi, notes in now.by("midi")}
    assert {line["note"] for line in found["notes"]} == groups.keys()
    for line in found["notes"]:
        notes = groups[line["note"]]
        _is_tally(line, notes, notes.error, SIDES)
        then = before.where(before.midi == notes.midi[0])
        for name, some in (("this", notes.sharing(then)), ("before", then.sharing(notes))):
            _is_tally(line["like_for_like"][name], some, some.error, SIDES)
    (shift,) = found["shifts"]
    ((_, moved),) = now.by("source")
    _is_tally(shift, moved, moved.along(), ALONG)
    assert shift["likely"] == pytest.approx(float(np.mean(moved.likely)))
    drones = {NAMES[int(drone) % 12]: notes for drone, notes in here.by("drone")}
    for line in found["drones"]:
        notes = drones.pop(line["drone"])
        _is_tally(line, notes, notes.error, SIDES)
        called = notes.where((notes.verdict != "") & (np.abs(notes.corrected) < 5))
        assert line["calls"] == len(called)
        assert line["calls_that_agree"] == int(np.sum(agrees(called) == 0))
    assert not drones
    days = {
        datetime.fromtimestamp(float(day) * 86400.0, UTC).date().isoformat(): day
        for day in np.unique(np.floor(now.at_s / 86400.0))
    }
    assert [one["day"] for one in found["days"]] == sorted(days)
    for one in found["days"]:
        notes = now.where(np.floor(now.at_s / 86400.0) == days[one["day"]])
        _is_tally(one, notes, notes.error, SIDES)


def test_the_lesson_sheet_says_half_of_them_as_the_week_does(
    busy: FlaskClient, busy_rows: Log
) -> None:
    text = page_words(busy, "/lesson?week=2026-W06")
    now = busy_rows.counted.week(6)
    cards = re.findall(r"(\d+ of \d+ landed\. Typically [^;]*; half of them [^.]*\.)", text)
    groups = [(notes, notes.error, SIDES) for _, notes in now.by("midi")]
    groups += [(notes, notes.along(), ALONG) for _, notes in now.by("source")]
    due = {f"{landed(notes)} landed. {bias(errors, sides)}" for notes, errors, sides in groups}
    assert len(cards) == 3 and set(cards) <= due
