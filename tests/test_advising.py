"""``groundnote advise`` as a user runs it."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from appliance.__main__ import main
from appliance.log.logbook import Logbook
from appliance.vocabulary import Call, Vibrato
from tests.log_rows import PURE, UNMEASURED, fill, heard, instant

Capture = pytest.CaptureFixture[str]
PASSAGE = ["--instrument", "cello", "--notes", "E3 F#3 G#3 A3 C#4"]


def advised(capsys: Capture, *words: str) -> dict[str, object]:
    assert main(["advise", *words, "--json"]) == 0
    found: dict[str, object] = json.loads(capsys.readouterr().out)
    return found


def refused(capsys: Capture, *words: str) -> str:
    assert main(["advise", *words]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return err


def test_the_ranking_and_its_reasons_for_a_program(capsys: Capture) -> None:
    found = advised(capsys, *PASSAGE)
    assert (found["instrument"], found["a4_hz"], found["tuning"]) == ("cello", 440.0, "just")
    assert found["notes"] == {"E3": 1, "F#3": 1, "G#3": 1, "A3": 1, "C#4": 1}
    drones = {drone["drone"].rstrip("0123456789"): drone for drone in found["drones"]}  # type: ignore[attr-defined]
    assert len(drones) == 12
    over_a = {note["note"]: note for note in drones["A"]["notes"]}
    assert drones["A"]["drone_hz"] == 110.0
    assert over_a["E3"]["meeting"] == {
        "drone_partial": 3,
        "note_partial": 2,
        "beats_per_cent_hz": pytest.approx(330 * (2 ** (1 / 1200) - 1), abs=1e-4),
        "beats_at_target_hz": 0.0,
        "own": "octave",
    }
    assert over_a["G#3"]["meeting"] is None
    assert found["log"] == []


def test_people_read_the_ranking_and_three_drones_explained(capsys: Capture) -> None:
    assert main(["advise", *PASSAGE]) == 0
    lines = capsys.readouterr().out.splitlines()
    ranked = [line.split()[1] for line in lines if line[:2].strip().isdigit()]
    assert len(ranked) == len(set(ranked)) == 12
    assert [line.split(",")[0] for line in lines if line.endswith(" Hz")][1:] == ranked[:3]
    assert "C#4" in lines[-1]
    over_a = lines[lines.index("A2, 110.00 Hz") + 1 :]
    fifth = next(line for line in over_a if line.split()[0] == "E3")
    assert "partial 2 of the note meets partial 3 of the drone; 10 cents off beat 1.9" in fifth
    assert "rough " in fifth


def test_the_same_question_has_the_same_answer(capsys: Capture) -> None:
    assert advised(capsys, *PASSAGE) == advised(capsys, *PASSAGE)


def test_a4_and_tuning_are_the_rooms(capsys: Capture) -> None:
    found = advised(capsys, *PASSAGE, "--a4", "415", "--tuning", "equal")
    assert found["tuning"] == "equal"
    assert found["drones"][0]["drone_hz"] < 415.0  # type: ignore[index]
    tempered = [
        note
        for drone in found["drones"]  # type: ignore[attr-defined]
        for note in drone["notes"]
        if note["meeting"] and note["meeting"]["beats_at_target_hz"] > 0.5
    ]
    assert tempered


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--notes", "E3"], "--instrument"),
        (["--instrument", "cello", "--notes", " "], "--notes is empty"),
        (["--instrument", "cello", "--notes", "E3 H3"], "no note name"),
        (["--instrument", "cello", "--notes", "C#6"], "C2 to C6"),
        (["--instrument", "spoons", "--notes", "E3"], "choose one of"),
        ([*PASSAGE, "--a4", "300"], "400 to 480"),
        ([*PASSAGE, "--tuning", "odd"], "just, pythagorean, equal"),
        ([*PASSAGE, "--log", "/nowhere/at-all.db"], "no log"),
    ],
)
def test_what_cannot_be_answered_is_said_in_one_sentence(
    capsys: Capture, words: list[str], said: str
) -> None:
    assert said in refused(capsys, *words)


# --- From the log ---------------------------------------------------------------------------------


def _log(path: Path) -> str:
    """Two players' sittings; returns the id of the first, the viola's."""
    with Logbook(path, "north room") as log:
        at = instant(2026, 2, 9)
        first = log.begin_sitting(at, instrument="viola", a4_hz=442.0, player="Ilka")
        for number, name in enumerate(["A3", "E4", "E4", "D4"] * 5):
            at = at.later(2.0)
            cents = PURE.get(name, 0.0) + (2.0 if number < 14 else 25.0)
            fingered = heard(name, cents + 7.85, vibrato=Vibrato(5.5, 14.0))
            note = replace(fingered, drone_hz=221.0, reference_hz=221.0)
            note_id = log.add_note(first, note, at)  # 7.85 cents: from A4 = 440 up to 442 Hz
            if number < 10:
                log.add_call(note_id, Call.SHARP if number == 0 else Call.IN_TUNE, at)
        log.end_sitting(first, at)
        second = log.begin_sitting(at.later(60.0), instrument="cello", a4_hz=440.0, player="Jo")
        log.add_note(second, heard("G3", 0.0), at.later(70.0))
        log.add_note(second, UNMEASURED, at.later(75.0))
    return first


def test_a_sitting_is_a_passage_with_the_players_own_counts(
    capsys: Capture, tmp_path: Path
) -> None:
    log = tmp_path / "room.db"
    first = _log(log)
    found = advised(capsys, "--sitting", first, "--log", str(log))
    assert (found["instrument"], found["a4_hz"]) == ("viola", 442.0)
    assert found["notes"] == {"A3": 5, "D4": 5, "E4": 10}
    (over_a,) = found["log"]  # type: ignore[misc]
    assert (over_a["drone"], over_a["landings"], over_a["landed"]) == ("A", 20, 14)
    assert (over_a["calls"], over_a["agreed"]) == (10, 9)
    assert over_a["few"] == {"landings": False, "calls": False}


def test_the_last_sitting_and_few_counts_make_no_claim(capsys: Capture, tmp_path: Path) -> None:
    log = tmp_path / "room.db"
    _log(log)
    assert main(["advise", "--sitting", "last", "--log", str(log)]) == 0
    told = capsys.readouterr().out
    assert "Drones for G3 on the cello" in told
    assert told.endswith("A   1 of 1 (few) landed; 0 of 0 (few) calls agreed\n")


def test_a_player_can_be_named(capsys: Capture, tmp_path: Path) -> None:
    log = tmp_path / "room.db"
    _log(log)
    mine = advised(capsys, *PASSAGE, "--log", str(log), "--player", "Jo")["log"]
    both = advised(capsys, *PASSAGE, "--log", str(log))["log"]
    assert [line["landings"] for line in mine] == [1]  # type: ignore[attr-defined]
    assert [line["landings"] for line in both] == [21]  # type: ignore[attr-defined]


def test_a_sitting_that_is_not_there(capsys: Capture, tmp_path: Path) -> None:
    log = tmp_path / "room.db"
    _log(log)
    assert "the last one is" in refused(capsys, "--sitting", "0000000a-1", "--log", str(log))
    assert "play first" in refused(
        capsys, "--sitting", "last", "--log", str(log), "--player", "Nobody"
    )


def test_the_log_is_only_read(capsys: Capture, tmp_path: Path) -> None:
    log = tmp_path / "room.db"
    fill(log)
    before = log.read_bytes()
    log.chmod(0o444)
    assert main(["advise", "--sitting", "last", "--log", str(log)]) == 0
    assert "viola" in capsys.readouterr().out
    assert log.read_bytes() == before
