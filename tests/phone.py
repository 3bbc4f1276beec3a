"""A real browser, and the pages served to it: what every test of a page on a phone needs."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from flask import Flask
from playwright.sync_api import Browser, sync_playwright
from waitress import create_server

SHOTS = Path(__file__).parent.parent / "build" / "pages"
CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
HEIGHTS = {390: 844, 320: 640}


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's Chromium, closed at the end."""
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield browser
        browser.close()


@contextmanager
def served(app: Flask) -> Iterator[str]:
    """The address of ``app`` on a free port of this machine."""
    server = create_server(app, host="127.0.0.1", port=0)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.effective_port}"
    server.close()
    thread.join(10)
