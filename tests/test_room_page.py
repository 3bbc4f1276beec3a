"""The page of the room against a real room: what it says, what it sets, and who may."""

import re
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.caretaker import Caretaker
from appliance.control import ask
from appliance.log.people import People, Person, Role
from appliance.practice.signs import Sign
from appliance.settings import Settings
from appliance.vocabulary import NoteEnded, NoteLanded
from tests.soundcard import wait_for
from tests.stage import MIDDLE, START_S, Stage, build, note
from web import create_app

PINS = {"Orla": "482913", "Ilka": "719264", "Jo": "530187"}


class _Light:
    """Remembers what it was asked to show."""

    def __init__(self) -> None:
        self.signs: list[Sign] = []

    def show(self, sign: Sign) -> None:
        self.signs.append(sign)

    def note(self) -> None:
        """Not looked at here."""

    def try_out(self) -> None:
        """Not looked at here."""

    def close(self) -> None:
        """There is nothing to put out."""


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    monkeypatch.setattr("appliance.changing.CHANGE_S", 0.2)
    plain = Settings()
    stage = build(tmp_path, replace(plain, room=replace(plain.room, time_zone="Europe/Lisbon")))
    stage.room.start()
    yield stage
    stage.room.stop()
    stage.pins.reset()


def _client(stage: Stage) -> FlaskClient:
    plain = Settings()
    room = replace(plain.room, name="north room", time_zone="Europe/Lisbon")
    app = create_app(
        stage.log_path,
        replace(plain, room=room),
        lambda: stage.clock.now().wall_s,
        socket_path=stage.socket,
    )
    app.config["WTF_CSRF_ENABLED"] = False
    return app.test_client()


@pytest.fixture
def client(stage: Stage) -> FlaskClient:
    return _client(stage)


@pytest.fixture
def people(stage: Stage) -> dict[str, Person]:
    roles = {"Orla": Role.OWNER, "Ilka": Role.PLAYER, "Jo": Role.PLAYER}
    with People(stage.log_path, "north room") as log:
        return {name: log.add(name, PINS[name], role, START_S) for name, role in roles.items()}


def _signed_in(stage: Stage, name: str) -> FlaskClient:
    client = _client(stage)
    client.post("/sign-in", data={"nickname": name, "pin": PINS[name], "look": "1"})
    return client


def _words(html: str) -> str:
    text = re.sub(
        r"<svg.*?</svg>|<head>.*?</head>|<select.*?</select>|<[^>]+>", " ", html, flags=re.S
    )
    return re.sub(r"\s+", " ", unescape(text).replace("\xa0", " "))


def _room(client: FlaskClient) -> str:
    return _words(client.get("/room").text)


def _post(client: FlaskClient, path: str, **data: str) -> str:
    return _words(client.post(path, data=data, follow_redirects=True).text)


def _status(stage: Stage) -> dict[str, object]:
    return ask(stage.socket, {"do": "status"})


TUNED = {"instrument": "viola", "a4_hz": "440", "tuning": "just", "band_cents": "10"}


def test_how_the_room_is(stage: Stage, client: FlaskClient) -> None:
    text = _room(client)
    assert "The drone is silent, on A3." in text
    assert "Checked in nobody" in text and "Sitting begins with the next note" in text
    assert "Microphone well" in text and "Log well, 0 notes" in text and "Pedals well" in text
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    assert "Sitting is on" in _room(client) and "1 notes since" in _room(client)


def test_page_and_light_say_what_is_the_matter_and_no_longer_than_it_is(
    tmp_path: Path,
) -> None:
    """Somebody holds the log, so nothing can be written; the drone goes on."""
    light = _Light()
    stage = build(tmp_path, caretaker=Caretaker(light=light))
    stopping = threading.Event()
    serving = threading.Thread(target=stage.room.serve, args=(stopping,))
    serving.start()
    client = _client(stage)
    try:
        wait_for(lambda: stage.log_path.exists() and "Log well" in _room(client))
        stage.hold(MIDDLE)
        with closing(sqlite3.connect(stage.log_path, isolation_level=None)) as somebody:
            somebody.execute("BEGIN EXCLUSIVE")
            stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
            wait_for(lambda: "wait in memory" in _room(client), 30.0)
            assert "locked" in _room(client) and "The drone sounds on A3." in _room(client)
            wait_for(lambda: light.signs[-1:] == [Sign.TROUBLE])
            somebody.execute("ROLLBACK")
        wait_for(lambda: "Log well, 1 notes" in _room(client), 30.0)
        wait_for(lambda: light.signs[-1] is Sign.HEARING)
        stage.room._settings_trouble = "A key is unknown."
        assert "Settings A key is unknown." in _room(client)
        wait_for(lambda: light.signs[-1] is Sign.TROUBLE)
    finally:
        stopping.set()
        stage.sound.fall_silent()
        serving.join()
        stage.pins.reset()


def test_drone_by_phone(stage: Stage, client: FlaskClient) -> None:
    assert "The drone sounds on D3." in _post(client, "/room/drone", do="on", note="D3")
    assert stage.drones()[-1].sounding
    assert "The drone sounds on G2." in _post(client, "/room/drone", do="choose", note="G2")
    assert "The drone is silent, on G2." in _post(client, "/room/drone", do="off", note="C4")
    said = _post(client, "/room/drone", do="on", note="H9")
    assert "'H9' is no note name" in said and "The drone is silent, on G2." in said
    with sqlite3.connect(stage.log_path) as raw:
        kept = dict(raw.execute("SELECT key, value FROM room_setting"))
    assert kept == {"drone_note": '"G2"'}  # for the next start


def test_the_drone_is_named_as_it_was_asked_for_and_stays_so(
    stage: Stage, client: FlaskClient
) -> None:
    said = _post(client, "/room/drone?names=german&key=F", do="on", note="Bb3")
    assert "The drone sounds on B3." in said and "Note names: German" in said
    written = _words(client.get("/room?names=solfege&pitch=octave&key=F").text)
    assert "The drone sounds on Si♭4." in written
    assert _status(stage)["drone"]["note"] == "A#3"  # type: ignore[index]
    answer = client.post("/room/loudness?names=german&key=F", data={"do": "softer"})
    assert answer.location == "/room?key=F&names=german"
    answer = client.post(
        "/room/tuning?names=german&tuning=just&band=12", data=TUNED | {"band_cents": "20"}
    )
    assert answer.location == "/room?names=german"  # the others are now the room's
    assert client.post("/room/drone?names=klingon", data={"do": "on"}).status_code == 400


def test_softer_and_louder_by_steps_within_the_limit(stage: Stage, client: FlaskClient) -> None:
    assert "21 dB below full scale" in _post(client, "/room/loudness", do="louder")
    for _ in range(6):
        said = _post(client, "/room/loudness", do="louder")
    assert "9 dB below full scale" in said  # the level limit
    assert "12 dB below full scale" in _post(client, "/room/loudness", do="softer")
    assert stage.drones()[-1].level_dbfs == -12.0


def test_tuning_by_phone_holds_for_the_room_and_for_the_pages(
    stage: Stage, client: FlaskClient
) -> None:
    _post(client, "/room/tuning", **{**TUNED, "a4_hz": "442", "band_cents": "15"})
    status = _status(stage)
    assert (status["a4_hz"], status["band_cents"], status["tuning"]) == (442.0, 15.0, "just")
    assert 'value="442"' in client.get("/room").text
    stage.hear(2.0, NoteEnded(note(1.0, 2.0)))
    wait_for(stage.rows)
    assert "in tune within 15 cents" in _words(client.get("/").text)
    _post(client, "/room/tuning", **{**TUNED, "instrument": "cello", "tuning": "equal"})
    status = _status(stage)
    assert (status["instrument"], status["tuning"], status["a4_hz"]) == ("cello", "equal", 440.0)


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("a4_hz", "300", "A4 is a number of hertz from 400 to 480."),
        ("a4_hz", "nan", "A4 is a number of hertz from 400 to 480."),
        ("a4_hz", "much", "Not a valid float value."),
        ("band_cents", "31", "The band is a number of cents from 5 to 30."),
        ("instrument", "spoons", "Not a valid choice."),
    ],
)
def test_what_is_out_of_range_is_said_beside_its_field(
    stage: Stage, client: FlaskClient, field: str, value: str, said: str
) -> None:
    answer = client.post("/room/tuning", data={**TUNED, "band_cents": "12", field: value})
    assert answer.status_code == 400 and said in _words(answer.text)
    assert _status(stage)["band_cents"] == 10.0


def test_without_a_room_the_page_says_so_and_keeps_what_is_set(stage: Stage) -> None:
    client = _client(stage)
    client.application.extensions["groundnote"] = replace(
        client.application.extensions["groundnote"], socket_path=stage.socket.parent / "none.sock"
    )
    text = _room(client)
    assert "The room does not answer." in text and "Sound it" not in text
    said = _post(client, "/room/tuning", **{**TUNED, "a4_hz": "441"})
    assert "What you set is kept and holds when it is started." in said
    assert 'value="441"' in client.get("/room").text
    assert "look whether it is switched on" in _post(client, "/room/drone", do="on", note="A3")


def test_nobody_changes_the_room_under_a_players_hands(
    stage: Stage, people: dict[str, Person]
) -> None:
    ask(stage.socket, {"do": "check_in", "player": people["Ilka"].person_id})
    jo, ilka, orla = (_signed_in(stage, name) for name in ("Jo", "Ilka", "Orla"))
    assert "Checked in Ilka" in _room(jo)
    assert "Ilka is checked in: check in first" in _post(jo, "/room/drone", do="on", note="D3")
    assert "Ilka is checked in" in _post(jo, "/room/tuning", **{**TUNED, "a4_hz": "442"})
    assert not stage.drones()[-1].sounding and _status(stage)["a4_hz"] == 440.0
    assert "The drone sounds on D3." in _post(ilka, "/room/drone", do="on", note="D3")
    assert "The drone is silent, on D3." in _post(orla, "/room/drone", do="off")


def test_the_owner_locks_a4_and_sets_quiet_hours(stage: Stage, people: dict[str, Person]) -> None:
    ilka, orla = _signed_in(stage, "Ilka"), _signed_in(stage, "Orla")
    rules = {"lock_a4": "y", "lock_loudness": "y", "quiet_from": "22:00", "quiet_to": "07:00"}
    assert ilka.post("/room/rules", data=rules).status_code == 403
    assert "Rules of the room" not in _room(ilka)
    _post(orla, "/room/rules", **rules)
    assert "22:00 to 07:00, now: no drone sounds" in _room(ilka)  # it is 22:13 there
    assert "the owner has locked it" in _room(ilka)
    assert "quiet hours of this room" in _post(ilka, "/room/drone", do="on", note="D3")
    assert "has locked A4" in _post(ilka, "/room/tuning", **{**TUNED, "a4_hz": "442"})
    assert _status(stage)["a4_hz"] == 440.0
    assert "has locked how loud" in _post(ilka, "/room/loudness", do="louder")
    _post(ilka, "/room/tuning", instrument="viola", tuning="equal", band_cents="10")
    assert _status(stage)["tuning"] == "equal"
    _post(orla, "/room/tuning", **{**TUNED, "a4_hz": "442"})
    assert _status(stage)["a4_hz"] == 442.0
    _post(orla, "/room/rules", lock_a4="", quiet_from="", quiet_to="")
    assert "Quiet hours none" in _room(orla)
    assert "The drone sounds on D3." in _post(ilka, "/room/drone", do="on", note="D3")


def test_one_end_of_quiet_hours_alone_is_refused(stage: Stage, people: dict[str, Person]) -> None:
    orla = _signed_in(stage, "Orla")
    said = _post(orla, "/room/rules", quiet_from="22:00", quiet_to="")
    assert "a time to begin and a time to end" in said
    assert _status(stage)["quiet_hours"] is None


def test_a_form_from_elsewhere_is_refused(stage: Stage) -> None:
    client = _client(stage)
    client.application.config["WTF_CSRF_ENABLED"] = True
    for path in ("/room/drone", "/room/tuning"):
        assert client.post(path, data={"do": "on", **TUNED}).status_code == 400
    assert not any(order.sounding for order in stage.drones())


def test_the_page_never_shows_what_is_played(stage: Stage, client: FlaskClient) -> None:
    before = client.get("/room").text
    stage.hear(1.0, NoteLanded(0.5, 466.2))
    during = client.get("/room").text
    assert _stripped(during) == _stripped(before)
    stage.hear(2.0, NoteEnded(note(0.5, 2.0, settled_hz=466.2)))
    wait_for(stage.rows)
    assert "466" not in client.get("/room").text and "http-equiv" not in during


def _stripped(html: str) -> str:
    """A page without the token of its forms, which is new every time."""
    return re.sub(r'name="csrf_token"[^>]*>', "", html)


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    path=st.sampled_from(["/room/drone", "/room/tuning", "/room/rules"]),
    data=st.dictionaries(
        st.sampled_from(
            ["do", "note", "a4_hz", "tuning", "instrument", "band_cents", "quiet_from", "lock_a4"]
        ),
        st.text(max_size=8) | st.sampled_from(["on", "A3", "442", "just", "cello", "10", "inf"]),
    ),
)
def test_no_form_breaks_the_page(
    stage: Stage, client: FlaskClient, path: str, data: dict[str, str]
) -> None:
    assert client.post(path, data=data).status_code in (302, 400, 403)
