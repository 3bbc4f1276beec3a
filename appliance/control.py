"""The control socket, both ends: one JSON object a line over a Unix socket.

A request is ``{"do": NAME, …}``; the answer is ``{"ok": true, …}``, or ``{"ok": false, "error":
SENTENCE}``. The daemon holds the server, the command line and the web pages are clients.
"""

import argparse
import json
import logging
import os
import socket
import socketserver
import tempfile
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from appliance.vocabulary import ControlError, GroundnoteError

logger = logging.getLogger(__name__)

Message = dict[str, Any]
Handle = Callable[[Message], Message]

LONGEST_LINE = 65536  # bytes; a longer request is nobody's command
SERVICE_SOCKET = Path("/run/groundnote/groundnote.sock")
IDLE_S = 30.0  # a client that says nothing for so long is let go


def default_socket_path() -> Path:
    """Return where daemon and clients meet when nobody says otherwise.

    The service manager's runtime directory where there is one, else the login's, else a directory
    of this user's own under the temporary directory.
    """
    for variable in ("RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        if folder := os.environ.get(variable):
            return Path(folder) / "groundnote.sock"
    return Path(tempfile.gettempdir()) / f"groundnote-{os.getuid()}" / "groundnote.sock"


def socket_of_running_room() -> Path:
    """Return where a client finds the daemon: the service's socket where one is installed."""
    return SERVICE_SOCKET if SERVICE_SOCKET.exists() else default_socket_path()


def add_socket(command: argparse.ArgumentParser) -> None:
    """Let a command be told of another socket than :func:`default_socket_path`."""
    command.add_argument(
        "--socket", type=Path, metavar="PATH", help="the control socket, instead of the usual one"
    )


class NoRoomError(ControlError):
    """No daemon answers."""


class ControlServer:
    """Answers requests on a Unix socket, each connection in a thread of its own.

    ``handle`` gets the request and returns the answer's fields; a :class:`GroundnoteError` it
    raises is sent back as a sentence. Raises :class:`ControlError` when the path cannot be used or
    another daemon already answers there.
    """

    def __init__(self, path: Path, handle: Handle) -> None:
        """Make the socket; nothing is answered yet."""
        self._path = path
        _make_room(path)
        try:
            self._server = _Server(str(path), _Connection)
        except OSError as error:
            raise ControlError(
                f"The control socket {path} cannot be opened ({error.strerror or error}): "
                "name another with --socket."
            ) from error
        path.chmod(0o660)
        self._server.handle = handle
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.1,), name="control", daemon=True
        )

    def start(self) -> None:
        """Begin to answer."""
        self._thread.start()

    def stop(self) -> None:
        """Stop answering and remove the socket."""
        if self._thread.is_alive():
            self._server.shutdown()
        self._server.server_close()
        self._path.unlink(missing_ok=True)


class _Server(socketserver.ThreadingUnixStreamServer):
    daemon_threads = True
    block_on_close = False  # an idle client must not hold up a clean stop
    handle: Handle


class _Connection(socketserver.StreamRequestHandler):
    timeout = IDLE_S
    server: _Server

    def handle(self) -> None:
        try:
            while line := self.rfile.readline(LONGEST_LINE + 1):
                self.wfile.write(_line(_answer(line, self.server.handle)))
                if len(line) > LONGEST_LINE:
                    return
        except OSError as error:
            logger.debug("a control client left: %s", error)


def _answer(line: bytes, handle: Handle) -> Message:
    try:
        return {"ok": True, **handle(_read(line))}
    except GroundnoteError as error:
        return {"ok": False, "error": str(error)}


def _read(line: bytes) -> Message:
    if len(line) > LONGEST_LINE:
        raise ControlError(f"A request may have {LONGEST_LINE} bytes at most.")
    try:
        message = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise ControlError("A request must be one JSON object on a line.") from error
    if not isinstance(message, dict):
        raise ControlError("A request must be one JSON object on a line.")
    return message


def _line(message: Message) -> bytes:
    return json.dumps(message, ensure_ascii=False).encode() + b"\n"


def _make_room(path: Path) -> None:
    """Make the socket's directory, and clear away a socket that a dead daemon left behind."""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        if path.parent.stat().st_uid not in (0, os.getuid()):  # set up by somebody to listen in
            raise ControlError(
                f"{path.parent} belongs to another user: name another with --socket."
            )
        if path.is_socket():
            if _answers(path):
                raise ControlError(f"Another groundnote already runs at {path}: stop it first.")
            path.unlink()
    except OSError as error:
        raise ControlError(
            f"The control socket {path} cannot be made ({error.strerror}): name another with "
            "--socket."
        ) from error


def _answers(path: Path) -> bool:
    with socket.socket(socket.AF_UNIX) as client:
        client.settimeout(1.0)
        try:
            client.connect(str(path))
        except OSError:
            return False
    return True


def ask(path: Path, request: Message, *, timeout_s: float = 3.0) -> Message:
    """Send one request to the daemon and return its answer without the ``ok``.

    Raises :class:`NoRoomError` when no daemon answers at ``path``, :class:`ControlError` when it
    refuses.
    """
    answer = _exchange(path, request, timeout_s)
    if not answer.pop("ok", False):
        raise ControlError(str(answer.get("error", "The daemon refused and did not say why.")))
    return answer


def _exchange(path: Path, request: Message, timeout_s: float) -> Message:
    try:
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(timeout_s)
            client.connect(str(path))
            client.sendall(_line(request))
            with client.makefile("rb") as lines:
                answer = json.loads(lines.readline())
    except (OSError, ValueError) as error:
        raise NoRoomError(
            f"No groundnote answers at {path} ({error}): start it with 'groundnote run'."
        ) from error
    if not isinstance(answer, dict):
        raise ControlError(f"What answers at {path} is no groundnote: name another with --socket.")
    return answer
