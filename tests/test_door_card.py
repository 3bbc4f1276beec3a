"""The card for the door: its code read by another program, its sheet printed."""

import re
import shutil
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from appliance.settings import Settings, SettingsError, check
from tests.phone import CHROMIUM, SHOTS, served
from web import create_app

SIDES = ("top", "bottom", "left", "right")
ADDRESS = "http://room-3.music.example:8080/"

pytestmark = pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE CARD IS NOT TESTED: install chromium"
)


def _serve(folder: Path, address: str) -> Iterator[str]:
    plain = Settings()
    web = replace(plain.web, address=address)
    room = replace(plain.room, name="The long room, second floor")
    app = create_app(folder / "room.db", replace(plain, room=room, web=web))
    with served(app) as at:
        yield f"{at}/"


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[str]:
    yield from _serve(tmp_path, "")


@pytest.fixture
def fixed(tmp_path: Path) -> Iterator[str]:
    yield from _serve(tmp_path, ADDRESS)


def _read(picture: Path) -> str:
    """What ZBar, another maker's reader, finds in a picture."""
    if shutil.which("zbarimg") is None:
        pytest.skip("NO READER OF QR CODES, THE CARD'S CODE IS NOT READ: install zbar-tools")
    words = ["zbarimg", "--quiet", "--raw", str(picture)]
    return subprocess.run(words, capture_output=True, text=True, check=True).stdout.strip()


def test_the_code_leads_to_the_address_in_print(
    browser: Browser, fixed: str, tmp_path: Path
) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme="dark" if scheme == "dark" else "light")
        page.goto(f"{fixed}door-card")
        page.screenshot(path=tmp_path / f"{scheme}.png", full_page=True)
        assert page.locator(".address").inner_text() == ADDRESS
        assert page.locator("h1").inner_text() == "The long room, second floor"
        assert page.locator(".trouble").count() == 0
        assert _read(tmp_path / f"{scheme}.png") == ADDRESS
    page.close()


def test_without_a_setting_it_is_the_address_the_page_was_opened_by(
    browser: Browser, opened: str, tmp_path: Path
) -> None:
    page = browser.new_page(viewport={"width": 320, "height": 640})
    page.goto(f"{opened}door-card")
    page.screenshot(path=tmp_path / "card.png", full_page=True)
    assert page.locator(".address").inner_text() == opened
    assert "works on this machine alone" in page.locator(".trouble").inner_text()
    page.close()
    assert _read(tmp_path / "card.png") == opened


@pytest.mark.parametrize("sheet", ["A4", "A6"])
def test_it_prints_on_one_sheet_with_nothing_else(browser: Browser, fixed: str, sheet: str) -> None:
    SHOTS.mkdir(parents=True, exist_ok=True)
    path = SHOTS / f"door-card-{sheet}.pdf"
    page = browser.new_page()
    page.goto(f"{fixed}door-card")
    page.pdf(path=path, format=sheet, margin=dict.fromkeys(SIDES, "8mm"))
    page.close()
    pages = PdfReader(path).pages
    assert len(pages) == 1
    text = re.sub(r"\s+", " ", pages[0].extract_text())
    assert "The long room, second floor" in text and ADDRESS in text.replace(" ", "")
    assert "Groundnote" not in text and "settings" not in text and "owns this room" not in text


def test_a_name_on_the_card_is_one_the_pages_answer_to(tmp_path: Path) -> None:
    plain = Settings()
    settings = replace(plain, web=replace(plain.web, address=ADDRESS))
    client = create_app(tmp_path / "room.db", settings).test_client()
    assert client.get("/door-card", base_url=ADDRESS).status_code == 200
    assert client.get("/door-card", base_url="http://elsewhere.example/").status_code == 400


@pytest.mark.parametrize(
    "address", ["room-3", "ftp://x/", "http://a b/", 'http://x/"><b>', "javascript:1"]
)
def test_what_is_no_address_is_no_setting(address: str) -> None:
    plain = Settings()
    with pytest.raises(SettingsError, match=r"\[web\] address must be an address such as"):
        check(replace(plain, web=replace(plain.web, address=address)))
