"""What the week, a note and a term say, again from the raw rows; and the week on one sheet."""

import re
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from flask.testing import FlaskClient
from playwright.sync_api import Browser
from pypdf import PdfReader

from appliance.log.logbook import Logbook
from appliance.log.records import Marks, RoundGoal
from appliance.tuning import note_hz, parse_note
from tests.cast import app_for
from tests.log_rows import PURE, heard, instant
from tests.pages import page_words
from tests.phone import CHROMIUM, served
from tests.raw_week import THIS, raw_week


def test_day_by_day_and_by_drone_from_the_raw_rows(client: FlaskClient, log_path: Path) -> None:
    text = page_words(client, "/")
    every = [note for notes in raw_week(log_path, THIS).values() for note in notes]
    outcomes = Counter(outcome for outcome, _ in every)
    shares = " / ".join(
        str(round(100 * outcomes[name] / len(every))) for name in ("landed", "rescued", "missed")
    )
    typical = f"{np.median([error for _, error in every]):+.0f}".replace("-", "−")
    typical = "0" if typical in ("+0", "−0") else typical
    assert f" A {len(every)} {shares} {typical} " in text.split("By drone")[-1]
    days = re.findall(r" (Mon|Tue|Wed|Thu|Fri|Sat|Sun) (\d+) (\d+) / (\d+) / (\d+)", text)
    assert [int(day) for _, day, *_ in days] == [9, 10, 11, 13, 15] or len(days) == 4
    assert [sum(int(one[place]) for one in days) for place in (2, 3, 4)] == [
        outcomes[name] for name in ("landed", "rescued", "missed")
    ]


def test_sorted_by_count_and_pitch(client: FlaskClient, log_path: Path) -> None:
    def names(order: str) -> list[str]:
        page = client.get(f"/?sort={order}").text.split('id="by-shift"')[0]
        return re.findall(r'<h3><a href="/note/\d+[^"]*">([^<]+)</a>', page)

    raw = raw_week(log_path, THIS)
    often = [name for name in raw if len(raw[name]) >= 8]
    assert set(names("pitch")) == raw.keys()
    pitch = [name for name in names("pitch") if name in often]
    assert pitch == sorted(often, key=parse_note)
    counts = [len(raw[name]) for name in names("count") if name in often]
    assert counts == sorted(counts, reverse=True)


def test_a_note_over_the_weeks(client: FlaskClient, log_path: Path) -> None:
    both = raw_week(log_path, THIS)["F#4"] + raw_week(log_path, "2026-W06")["F#4"]
    counts = Counter(outcome for outcome, _ in both)
    text = page_words(client, "/note/66")
    assert (
        f"{counts['landed']} of {len(both)} landed, {counts['rescued']} rescued, "
        f"{counts['missed']} missed." in text.split("The last 12 weeks")[1]
    )
    errors = np.array([error for _, error in both])
    below, above = int(np.sum(errors <= -3)), int(np.sum(errors >= 3))
    assert f"{max(below, above)} of {len(both)} were flat" in text


def _fill_term(path: Path) -> None:
    """Six weeks of an invented violist who corrects more and more; E4 also without the drone."""
    chance = Random(20260101)
    with Logbook(path, "north room") as log:
        for week in range(6):
            for day in (5, 7, 9):
                at = instant(2026, 1, day).later(week * 7 * 86400.0)
                sitting = log.begin_sitting(at, instrument="viola", a4_hz=440.0)
                for number in range(45):
                    name = ("E4", "F#4", "C#4")[number % 3]
                    off = chance.gauss(0.0, 14.0)
                    settled = off * (0.2 if chance.random() < 0.1 + 0.16 * week else 1.0)
                    pure = PURE[name]
                    log.add_note(
                        sitting, heard(name, pure + off, pure + settled), at.later(number * 3.0)
                    )
                target = note_hz(parse_note("F#4"))
                round_id = log.begin_round(sitting, RoundGoal(None, target, target, 10.0), at)
                for number, off in enumerate((-30.0, -15.0, 2.0), 1):
                    log.add_note(
                        sitting,
                        heard("F#4", off),
                        at.later(200.0 + number),
                        Marks(in_round=True, try_number=number),
                        round_id,
                    )
                log.end_sitting(sitting, at.later(600.0))


@pytest.fixture(scope="module")
def term_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("term") / "room.db"
    _fill_term(path)
    return path


def test_correcting_more_is_said_over_a_term(term_path: Path) -> None:
    client = app_for(term_path).test_client()
    text = page_words(client, "/change")
    assert "Whether more of your notes land than at first: not enough to tell." in text
    assert "You are correcting more, not landing more." in text
    with sqlite3.connect(term_path) as raw:
        rows = raw.execute(
            "SELECT ended_wall_s, settled_hz, landing_hz FROM note WHERE round_id IS NULL"
        ).fetchall()
    weeks: dict[int, list[bool]] = defaultdict(list)
    for wall_s, settled_hz, landing_hz in rows:
        if 0.35 <= 12 * np.log2(settled_hz / 440.0) % 1 <= 0.65:
            continue  # unsure which note
        name = min(PURE, key=lambda one: abs(np.log2(settled_hz / note_hz(parse_note(one)))))
        pure_hz = note_hz(parse_note(name)) * 2 ** (PURE[name] / 1200)
        number = datetime.fromtimestamp(wall_s, UTC).isocalendar().week
        weeks[number].append(abs(1200 * np.log2(landing_hz / pure_hz)) <= 10.0)
    table = re.findall(r" (\d) (\d+) (\d+) / \d+ / \d+ ", text.split("Week by week")[1])
    assert [int(week) for week, *_ in table] == sorted(weeks)
    for week, notes, share in table:
        landed = weeks[int(week)]
        assert int(notes) == len(landed)
        # PURE is rounded to a tenth of a cent: a landing at the band's very edge may differ
        assert abs(int(share) - 100 * np.mean(landed)) <= 0.5 + 100 / len(landed)


def test_the_tries_of_its_rounds_stand_in_order(term_path: Path) -> None:
    text = page_words(app_for(term_path).test_client(), "/note/66?tuning=equal")
    rounds = text.split("Its rounds")[1]
    assert rounds.count("flat, nearly, in.") == 12  # the latest twelve of eighteen
    assert "6 earlier ones are not shown" in rounds
    assert "Its rounds" not in page_words(app_for(term_path).test_client(), "/note/64")


@pytest.fixture(scope="module")
def address(term_path: Path, log_path: Path) -> Iterator[dict[str, str]]:
    if not Path(CHROMIUM).exists():
        pytest.skip("NO CHROMIUM, THE SHEET IS NOT TESTED: install chromium")
    with served(app_for(term_path)) as term, served(app_for(log_path)) as fortnight:
        yield {"term": term, "fortnight": fortnight}


@pytest.mark.parametrize("name", ["term", "fortnight"])
def test_the_week_prints_on_one_sheet(
    browser: Browser, address: dict[str, str], name: str, tmp_path: Path
) -> None:
    page = browser.new_page(color_scheme="dark")
    page.goto(address[name] + "/", timeout=120_000)
    page.pdf(path=tmp_path / "week.pdf", prefer_css_page_size=True)
    sheet = PdfReader(tmp_path / "week.pdf")
    assert len(sheet.pages) == 1
    width, height = (float(side) / 72 * 25.4 for side in sheet.pages[0].mediabox[2:])
    assert (round(width), round(height)) == (210, 297)  # ISO 216
    text = sheet.pages[0].extract_text()
    for part in ("landed", "Next step", "By note", "Day by day"):
        assert part in text
    page.close()


@pytest.mark.parametrize("path", ["/", "/change", "/note/66", "/ear"])
def test_no_barriers(browser: Browser, address: dict[str, str], path: str) -> None:
    for scheme in ("light", "dark"):
        page = browser.new_page(viewport={"width": 390, "height": 844}, color_scheme=scheme)
        page.goto(address["term"] + path, timeout=120_000)
        found = Axe().run(page).response["violations"]
        bad = [one["id"] for one in found if one["impact"] in ("serious", "critical")]
        assert bad == [], (path, scheme)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.set_viewport_size({"width": 320, "height": 640})
        assert page.evaluate("document.documentElement.scrollWidth") <= 320
        page.close()
