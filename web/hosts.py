"""The Host header: a page answers only under names that are the room's own.

Without this a foreign page could let its own name lead to the room's address (DNS rebinding) and
read what the room serves. A bare address cannot be made to lead elsewhere, so any is taken.
"""

import re
import socket
from ipaddress import ip_address
from urllib.parse import urlsplit

from flask import Flask, abort, request

from web.place import Room

_UNFIT = re.compile(r"[^a-z0-9-]+")


def register(app: Flask) -> None:
    """Let ``app`` answer under the room's names alone."""
    names = known_names(app.extensions["groundnote"])

    @app.before_request
    def check_host() -> None:
        if not is_ours(request.host, names):
            abort(
                400,
                "This room is not called that. Use its address, or add the name to 'names' "
                "under [web] in the settings.",
            )


def known_names(room: Room) -> frozenset[str]:
    """Return every name under which the room answers, in lower case, without a port."""
    machine = socket.gethostname().lower()
    called = _UNFIT.sub("-", room.settings.name.lower()).strip("-")
    names = {"localhost", machine, machine.partition(".")[0], called}
    local = {f"{name}.local" for name in names if name and "." not in name}
    added = (name.strip().lower() for name in room.web.names.split(","))
    printed = _split(urlsplit(room.web.address).netloc.lower())[0]  # on the card for the door
    return frozenset(name for name in {*names, *local, *added, printed} if name)


def is_ours(host: str, names: frozenset[str]) -> bool:
    """Tell whether a Host header, with or without a port, names the room."""
    name, port = _split(host.lower())
    if port and not (port.isascii() and port.isdigit()):
        return False
    if name.removesuffix(".") in names:
        return True
    try:
        ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        return False
    return True


def _split(host: str) -> tuple[str, str]:
    if host.startswith("["):  # an IPv6 address in its brackets
        name, _, rest = host.partition("]")
        return name + "]", rest.removeprefix(":")
    name, _, port = host.partition(":")
    return name, port
