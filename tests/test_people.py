"""Persons in a real log file: nicknames that cannot look alike, PINs kept as scrypt hashes."""

import sqlite3
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.log.people import (
    People,
    PeopleReader,
    PersonError,
    Role,
    checked_nickname,
    checked_pin,
    nickname_key,
)
from appliance.log.room_settings import KEYS, RoomSettingsEditor, RoomSettingsReader
from appliance.vocabulary import SettingsError

PIN = "402915"


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(tmp_path / "room.db", "north room")


def test_a_person_is_found_by_nickname_however_it_is_written(people: People) -> None:
    mira = people.add("Mira", PIN, Role.PLAYER, 1.0)
    for written in ("Mira", "mira", " MIRA ", "Ｍｉｒａ"):
        assert people.find(written) == mira
    assert people.person(mira.person_id) == mira
    assert people.person("nobody") is None
    assert people.find("Mir") is None


# Pairs that NFKC with case folding makes equal: ligature, full width, sharp s, Kelvin sign, spaces.
@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("Josefine", "joseﬁne"),
        ("Ada", "ＡＤＡ"),
        ("Strauß", "STRAUSS"),
        ("Kai", "Kai"),
        ("a b", "a  b"),
    ],
)
def test_nicknames_that_look_alike_are_one(people: People, first: str, second: str) -> None:
    people.add(first, PIN, Role.PLAYER, 1.0)
    with pytest.raises(PersonError, match="taken"):
        people.add(second, PIN, Role.PLAYER, 2.0)


@pytest.mark.parametrize(
    "nickname",
    [
        "",
        "   ",
        "x" * 25,
        "Аnna",
        "Mi\u200bra",
        "Mi\u202era",
        "a\x00b",
        "...",
        "Mira\n\u0007",
        "\u0301",
    ],
)
def test_nicknames_nobody_could_tell_apart_are_refused(nickname: str) -> None:
    with pytest.raises(PersonError):
        checked_nickname(nickname)


@pytest.mark.parametrize(
    "nickname", ["Žofie", "Анна", "さくらサクラ桜", "Mira 2", "<b>Mira</b>", "김민"]
)
def test_nicknames_of_one_alphabet_are_taken(nickname: str) -> None:
    assert checked_nickname(nickname) == nickname


@given(st.text(max_size=40))
def test_a_nickname_that_is_taken_is_found_again(nickname: str) -> None:
    try:
        kept = checked_nickname(nickname)
    except PersonError:
        return
    assert nickname_key(kept) == nickname_key(nickname) == nickname_key(nickname_key(kept))
    assert checked_nickname(kept) == kept


@pytest.mark.parametrize(
    "pin",
    [
        "",
        "12345",
        "123456",
        "987654",
        "890123",
        "000000",
        "112211",
        "1" * 13,
        "40291a",
        "４０２９１５",
    ],
)
def test_pins_that_are_short_or_easily_guessed_are_refused(pin: str) -> None:
    with pytest.raises(PersonError):
        checked_pin(pin)


def test_a_pin_is_kept_as_a_salted_scrypt_hash(people: People, tmp_path: Path) -> None:
    people.add("Mira", PIN, Role.PLAYER, 1.0)
    people.add("Tomas", PIN, Role.PLAYER, 1.0)
    with sqlite3.connect(tmp_path / "room.db") as raw:
        hashes = [row[0] for row in raw.execute("SELECT pin_hash FROM person")]
    assert len(set(hashes)) == 2
    assert all(text.startswith("scrypt:") and PIN not in text for text in hashes)


def test_only_the_right_pin_is_right(people: People) -> None:
    mira = people.add("Mira", PIN, Role.PLAYER, 1.0)
    assert people.right_pin("mira", PIN) == mira
    assert people.right_pin("mira", PIN + "0") is None
    assert people.right_pin("Tomas", PIN) is None
    assert people.right_pin("Tomas", "nobody") is None  # what the hash for nobody is made of


def test_a_new_pin_ends_the_sessions_and_says_who_chose_it(people: People) -> None:
    mira = people.add("Mira", PIN, Role.PLAYER, 1.0)
    given_pin = people.set_pin(mira.person_id, "860352", given=True)
    assert (given_pin.session_number, given_pin.pin_given) == (mira.session_number + 1, True)
    assert people.right_pin("Mira", PIN) is None
    own = people.set_pin(mira.person_id, "719403", given=False)
    assert (own.session_number, own.pin_given) == (mira.session_number + 2, False)


def test_a_room_keeps_an_owner(people: People) -> None:
    assert not people.has_owner()
    mira = people.add("Mira", PIN, Role.OWNER, 1.0)
    assert people.has_owner()
    with pytest.raises(PersonError, match="owner"):
        people.set_role(mira.person_id, Role.PLAYER)
    tomas = people.add("Tomas", PIN, Role.TEACHER, 1.0)
    people.set_role(tomas.person_id, Role.OWNER)
    people.set_role(mira.person_id, Role.PLAYER)
    assert [person.role for person in people.people()] == [Role.PLAYER, Role.OWNER]


def test_consent_has_a_date(people: People) -> None:
    mira = people.add("Mira", PIN, Role.PLAYER, 1.0)
    people.set_consent(mira.person_id, date(2026, 9, 1))
    assert people.people()[0].consent_on == date(2026, 9, 1)
    people.set_consent(mira.person_id, None)
    assert people.people()[0].consent_on is None


def test_a_reader_sees_what_another_connection_wrote(people: People, tmp_path: Path) -> None:
    mira = people.add("Mira", PIN, Role.PLAYER, 1.0)
    with PeopleReader(tmp_path / "room.db") as reader:
        assert reader.people() == [mira]
        assert reader.players_of(mira.person_id) == []


# --- room settings -----------------------------------------------------------------------------

GOOD = {
    "a4_hz": 442.0,
    "tuning": "equal",
    "instrument": "cello",
    "band_cents": 15,
    "drone_note": "Bb2",
    "drone_level_dbfs": -30.0,
    "lock_a4": True,
    "lock_loudness": False,
    "quiet_from": "21:30",
    "quiet_to": "07:00",
    "self_registration": True,
}


def test_every_room_setting_can_be_set_and_taken_back(tmp_path: Path) -> None:
    assert set(GOOD) == set(KEYS)
    with RoomSettingsEditor(tmp_path / "room.db", "north room") as editor:
        for key, value in GOOD.items():
            editor.set_room_setting(key, value)  # type: ignore[arg-type]
        with RoomSettingsReader(tmp_path / "room.db") as reader:
            assert reader.room_settings() == GOOD
        editor.set_room_setting("a4_hz", None)
        assert "a4_hz" not in editor.room_settings()


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("a4_hz", 500.0),
        ("a4_hz", float("nan")),
        ("a4_hz", True),
        ("tuning", "mean tone"),
        ("lock_a4", 1),
        ("quiet_from", "24:00"),
        ("quiet_from", "9 pm"),
        ("colour", "red"),
    ],
)
def test_a_bad_room_setting_is_refused_by_name(tmp_path: Path, key: str, value: object) -> None:
    with (
        RoomSettingsEditor(tmp_path / "room.db", "north room") as editor,
        pytest.raises(SettingsError, match=key),
    ):
        editor.set_room_setting(key, value)  # type: ignore[arg-type]
