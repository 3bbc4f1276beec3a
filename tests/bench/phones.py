"""Phones that ask the web server for pages, over plain sockets: every byte and moment counts."""

import re
import socket
import time
from dataclasses import dataclass, field
from threading import Thread
from urllib.parse import urlencode

import numpy as np

TIMEOUT_S = 30.0


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back: status, everything before the body, the body, and how long it took.

    ``took_s`` counts from before the connection is made (or, kept alive, from the request) to the
    last byte, so waiting in the server's queue is part of it.
    """

    status: int
    head: str
    body: bytes
    took_s: float

    @property
    def transferred(self) -> int:
        """Bytes that came over the line."""
        return len(self.head.encode()) + 4 + len(self.body)


@dataclass(slots=True)
class Phone:
    """A client with a session of its own; with ``kept_alive`` it keeps its connection."""

    port: int
    cookies: dict[str, str] = field(default_factory=dict)
    kept_alive: bool = False
    _line: socket.socket | None = field(default=None)

    def get(self, path: str) -> Answer:
        """Ask for a page."""
        return self._ask("GET", path, "")

    def sign_in(self, nickname: str, pin: str) -> None:
        """Sign in as a person does: look at the form, fill it in, send it."""
        form = self.get("/sign-in")
        token = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', form.body.decode())
        assert token, form.body.decode()
        fields = {"csrf_token": token[1], "nickname": nickname, "pin": pin, "look": "Only look"}
        answer = self._ask("POST", "/sign-in", urlencode(fields))
        assert answer.status in (302, 303), answer

    def close(self) -> None:
        """Give a kept connection up."""
        if self._line is not None:
            self._line.close()
            self._line = None

    def _ask(self, method: str, path: str, body: str) -> Answer:
        lines = [
            f"{method} {path} HTTP/1.1",
            f"Host: localhost:{self.port}",
            f"Connection: {'keep-alive' if self.kept_alive else 'close'}",
        ]
        kept = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        lines += [f"Cookie: {kept}"] if kept else []
        if body:
            lines += [
                "Content-Type: application/x-www-form-urlencoded",
                f"Content-Length: {len(body)}",
                f"Origin: http://localhost:{self.port}",
            ]
        request = "\r\n".join([*lines, "", body]).encode()
        begun = time.perf_counter()
        line = self._line or socket.create_connection(("127.0.0.1", self.port), TIMEOUT_S)
        line.sendall(request)
        head, received = _receive(line)
        took_s = time.perf_counter() - begun
        if self.kept_alive:
            self._line = line
        else:
            line.close()
        self.cookies.update(re.findall(r"(?im)^set-cookie: ([^=]+)=([^;]*)", head))
        return Answer(int(head.split()[1]), head, received, took_s)


def _receive(line: socket.socket) -> tuple[str, bytes]:
    """Read one answer to its end, chunked or of a known length."""
    data = b""
    while b"\r\n\r\n" not in data:
        data += _more(line)
    head, _, body = data.partition(b"\r\n\r\n")
    text = head.decode("latin-1")
    length = re.search(r"(?im)^content-length: (\d+)", text)
    if length is None and re.search(r"(?im)^transfer-encoding: chunked", text):
        while not body.endswith(b"0\r\n\r\n"):
            body += _more(line)
        return text, body
    while len(body) < int(length[1] if length else 0):
        body += _more(line)
    return text, body


def _more(line: socket.socket) -> bytes:
    data = line.recv(65536)
    if not data:
        raise ConnectionError("the server hung up in the middle of an answer")
    return data


def ask_at_leisure(
    phones: list[Phone], path: str, every_s: float, for_s: float, seed: int = 1
) -> list[Answer]:
    """Let every phone ask once in so many seconds, each from a moment of its own on."""
    chance = np.random.default_rng(seed)
    answers: list[Answer] = []
    starts = time.perf_counter() + 0.2

    def ask(phone: Phone, first_s: float) -> None:
        for turn in range(round(for_s / every_s)):
            due = starts + first_s + turn * every_s
            time.sleep(max(0.0, due - time.perf_counter()))
            try:
                answers.append(phone.get(path))
            except OSError:  # given up, and counted as such
                answers.append(Answer(0, "", b"", TIMEOUT_S))
                phone.close()
        phone.close()

    firsts = chance.uniform(0.0, every_s, len(phones)).tolist()
    threads = [Thread(target=ask, args=one) for one in zip(phones, firsts, strict=True)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return answers
