"""The card for the door: the address of the pages in large print and as a QR code."""

from ipaddress import ip_address
from urllib.parse import urlsplit

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from web.place import current_room

blueprint = Blueprint("door_card", __name__)

QUIET_ZONE = 4  # modules of white around the code, as ISO/IEC 18004 asks for


@blueprint.get("/door-card")
def show_card() -> ResponseReturnValue:
    """One sheet to print: room, address, code."""
    address = page_address()
    return render_template(
        "door_card.html",
        address=address,
        code=qr_code(address),
        only_here=_only_here(address),
        room=current_room().settings.name,
    )


def page_address() -> str:
    """Return where phones find the pages: as the settings say, or else as this page was opened."""
    return current_room().web.address or request.host_url


def qr_code(address: str) -> Markup:
    """Return the code as SVG, black on white in every light, so that every phone reads it."""
    import segno  # noqa: PLC0415  (1.4 MB, for a page that is printed once)

    code = segno.make(address, error="m", micro=False)
    return Markup(  # its text is made of numbers alone, and the title is escaped by segno
        code.svg_inline(
            border=QUIET_ZONE,
            dark="#000",
            light="#fff",
            omitsize=True,
            svgclass="code",
            lineclass=None,
            title=f"QR code of {address}",
        )
    )


def _only_here(address: str) -> bool:
    """Tell whether an address leads nowhere but to the machine that asks."""
    host = urlsplit(address).hostname or ""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
