"""The control socket, both ends over real sockets."""

import json
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from appliance.control import (
    LONGEST_LINE,
    ControlServer,
    Message,
    ask,
    default_socket_path,
    socket_of_running_room,
)
from appliance.vocabulary import ControlError


def echo(request: Message) -> Message:
    if request.get("do") == "refuse":
        raise ControlError("Not now: try again later.")
    return {"heard": request}


@pytest.fixture
def path(tmp_path: Path) -> Iterator[Path]:
    server = ControlServer(tmp_path / "run" / "c.sock", echo)
    server.start()
    yield tmp_path / "run" / "c.sock"
    server.stop()


def exchange(path: Path, sent: bytes) -> list[Message]:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(5.0)
        client.connect(str(path))
        client.sendall(sent)
        client.shutdown(socket.SHUT_WR)
        return [json.loads(line) for line in client.makefile("rb")]


def test_a_request_is_answered(path: Path) -> None:
    assert ask(path, {"do": "drone", "note": "B♭3"}) == {"heard": {"do": "drone", "note": "B♭3"}}


def test_one_connection_may_ask_many_times(path: Path) -> None:
    answers = exchange(path, b'{"n": 1}\n{"n": 2}\n')
    assert answers == [{"ok": True, "heard": {"n": 1}}, {"ok": True, "heard": {"n": 2}}]


def test_a_refusal_reaches_the_client_as_its_sentence(path: Path) -> None:
    with pytest.raises(ControlError, match=r"^Not now: try again later\.$"):
        ask(path, {"do": "refuse"})


@pytest.mark.parametrize(
    "line", [b"drone on\n", b"[1]\n", b"\xff\xfe\n", b"\n", b"[" * 9000 + b"\n"]
)
def test_what_is_no_request_is_answered_and_the_connection_goes_on(path: Path, line: bytes) -> None:
    refused, answered = exchange(path, line + b'{"n": 1}\n')
    assert refused == {"ok": False, "error": "A request must be one JSON object on a line."}
    assert answered["ok"]


def test_an_endless_line_is_refused(path: Path) -> None:
    (answer,) = exchange(path, b'{"do": "' + b"x" * (LONGEST_LINE - 7))
    assert not answer["ok"] and str(LONGEST_LINE) in answer["error"]


def test_an_idle_client_holds_up_neither_others_nor_the_stop(tmp_path: Path) -> None:
    server = ControlServer(tmp_path / "c.sock", echo)
    server.start()
    with socket.socket(socket.AF_UNIX) as idle:
        idle.connect(str(tmp_path / "c.sock"))
        assert ask(tmp_path / "c.sock", {"n": 1}) == {"heard": {"n": 1}}
        server.stop()
    assert not (tmp_path / "c.sock").exists()


def test_without_a_daemon_the_client_says_how_to_start_it(tmp_path: Path) -> None:
    with pytest.raises(ControlError, match="start it with 'groundnote run'"):
        ask(tmp_path / "nobody.sock", {"do": "status"})


def test_a_daemon_that_does_not_answer_in_time_is_an_error(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(tmp_path / "deaf.sock"))
        deaf.listen()
        with pytest.raises(ControlError, match="No groundnote answers"):
            ask(tmp_path / "deaf.sock", {"do": "status"}, timeout_s=0.1)


def test_a_second_daemon_is_refused_and_the_first_goes_on(path: Path) -> None:
    with pytest.raises(ControlError, match="Another groundnote already runs"):
        ControlServer(path, echo)
    assert ask(path, {"n": 1}) == {"heard": {"n": 1}}


def test_a_socket_left_behind_by_a_dead_daemon_is_cleared_away(tmp_path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as dead:
        dead.bind(str(tmp_path / "c.sock"))
    server = ControlServer(tmp_path / "c.sock", echo)
    server.start()
    assert ask(tmp_path / "c.sock", {"n": 1}) == {"heard": {"n": 1}}
    server.stop()


def test_a_file_in_the_way_is_left_as_it_is(tmp_path: Path) -> None:
    (tmp_path / "c.sock").write_text("mine")
    with pytest.raises(ControlError, match="name another with --socket"):
        ControlServer(tmp_path / "c.sock", echo)
    assert (tmp_path / "c.sock").read_text() == "mine"


def test_a_path_too_long_for_a_socket_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(ControlError, match="name another with --socket"):
        ControlServer(tmp_path / ("x" * 120), echo)


def test_the_usual_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", "/run/user/7")
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setattr("appliance.control.SERVICE_SOCKET", Path("/nowhere"))
    assert default_socket_path() == Path("/run/user/7/groundnote.sock")
    assert socket_of_running_room() == default_socket_path()
    monkeypatch.setattr("appliance.control.SERVICE_SOCKET", Path(__file__))
    assert socket_of_running_room() == Path(__file__)
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/groundnote")
    assert default_socket_path() == Path("/run/groundnote/groundnote.sock")
