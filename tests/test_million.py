"""Speed and size of the pages by what does not hang on the machine: bytes, plans, steps.

Times are measured by ``python -m tests.bench.pages``.
"""

import re
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser
from pypdf import PdfReader

from appliance.log.reader import LogReader
from appliance.log.records import NoteRow
from tests import million
from tests.bench import pages
from tests.bench.phones import Phone, ask_at_leisure
from tests.phone import CHROMIUM, SHOTS

MORE = 30_000  # notes of the longer log: the same two weeks, and two years thinly before


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("million")
    made = [folder / "short.db", folder / "longer.db"]
    for path, notes in zip(made, (million.SHORT_LOG, MORE), strict=True):
        million.fill(path, notes)
    return made


@pytest.fixture(scope="module")
def server(logs: list[Path]) -> Iterator[pages.Server]:
    with pages.served(logs[1]) as running:
        yield running


@pytest.fixture(scope="module")
def phone(server: pages.Server) -> Phone:
    return pages.phones_of(server, 1, kept_alive=False)[0]


def _last_weeks(path: Path) -> list[NoteRow]:
    begins, _ = million.LAST_WEEK.later(-1).bounds(million.ZONE)
    with LogReader(path) as log:
        return list(log.notes(begins, million.LAST_WEEK.bounds(million.ZONE)[1]))


def test_the_short_log_is_the_end_of_the_longer_one(logs: list[Path]) -> None:
    short, longer = ([(row.note, row.ended_at.wall_s) for row in _last_weeks(p)] for p in logs)
    assert short == longer
    assert len(short) == million.SHORT_LOG
    with LogReader(logs[1], million.busiest()) as log:
        assert len(log.notes(*million.LAST_WEEK.bounds(million.ZONE))) == 5000


def test_the_weeks_of_one_player_alone_are_those_of_the_whole_log(
    tmp_path: Path, logs: list[Path]
) -> None:
    million.fill(tmp_path / "alone.db", MORE, alone_weeks=6)
    begins, ends = million.LAST_WEEK.later(-5).bounds(million.ZONE)[0], 1e11
    with LogReader(logs[1], million.busiest()) as log, LogReader(tmp_path / "alone.db") as alone:
        whole = [(row.note, row.ended_at.wall_s, row.call) for row in log.notes(begins, ends)]
        assert [(r.note, r.ended_at.wall_s, r.call) for r in alone.notes(0.0, ends)] == whole
    assert len(whole) > 8_400


def test_columns_hold_what_the_rows_do(logs: list[Path]) -> None:
    with LogReader(logs[0], million.busiest()) as log:
        notes = log.notes(*million.LAST_WEEK.bounds(million.ZONE))
    rows = [row.note for row in notes]
    assert len(rows) == 5000
    for name in ("start_s", "end_s", "landing_hz", "settled_hz", "measurable", "repeat"):
        values = np.array([getattr(row, name) for row in rows], np.float64)  # None: not a number
        assert np.array_equal(getattr(notes, name), values, equal_nan=True), name


def test_the_seed_decides_every_note(tmp_path: Path, logs: list[Path]) -> None:
    million.fill(tmp_path / "again.db", million.SHORT_LOG)
    million.fill(tmp_path / "other.db", million.SHORT_LOG, seed=2)
    assert _last_weeks(tmp_path / "again.db") == _last_weeks(logs[0])
    assert _last_weeks(tmp_path / "other.db") != _last_weeks(logs[0])


def test_a_note_takes_less_than_200_bytes_on_disk(logs: list[Path]) -> None:
    assert pages.bytes_a_note(logs[1], MORE) < pages.BYTES_A_NOTE


def test_the_first_paint_is_small(phone: Phone) -> None:
    assert pages.first_paint(phone, pages.PAGES["week"]) < pages.FIRST_PAINT_BYTES


@pytest.mark.parametrize("page", sorted(pages.PAGES | pages.LONG_PAGES))
def test_every_page_answers(phone: Phone, page: str) -> None:
    answer = phone.get((pages.PAGES | pages.LONG_PAGES)[page])
    assert answer.status == 200, answer.head


@pytest.mark.parametrize("kept_alive", [False, True])
def test_phones_are_all_answered(server: pages.Server, kept_alive: bool) -> None:
    """The short variant of the benchmark: as many phones, in less time, and nothing is timed."""
    phones = pages.phones_of(server, pages.PHONES, kept_alive=kept_alive)
    answers = ask_at_leisure(phones, pages.PAGES["week"], every_s=1.5, for_s=1.5)
    assert [answer.status for answer in answers] == [200] * pages.PHONES
    assert len({answer.body for answer in answers}) == 1


# The longest names, words and switches make the fullest sheet.
FULL = "names=solfege&key=Gb&pitch=written&tuning=pythagorean&edge=high&a4=442&open=counted"


@pytest.mark.skipif(
    not Path(CHROMIUM).exists(), reason="NO CHROMIUM, THE SHEET IS NOT TESTED: install chromium"
)
@pytest.mark.parametrize("query", ["", FULL], ids=["plain", "full"])
@pytest.mark.parametrize("path", ["/", "/lesson"])
def test_five_thousand_notes_print_on_one_sheet_of_a4(
    phone: Phone, browser: Browser, tmp_path: Path, path: str, query: str
) -> None:
    address = f"http://localhost:{phone.port}"
    page = browser.new_page(color_scheme="dark")
    page.set_default_timeout(120_000)
    page.context.add_cookies(
        [{"name": name, "value": value, "url": address} for name, value in phone.cookies.items()]
    )
    page.goto(f"{address}{path}?{pages.WEEK}&{query}")
    page.pdf(path=tmp_path / "week.pdf", prefer_css_page_size=True)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 703, "height": 1040})  # A4 within the margins, at 96 an inch
    SHOTS.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=SHOTS / f"full{path.replace('/', '-')}-{bool(query)}-print.png")
    page.close()
    sheet = PdfReader(tmp_path / "week.pdf")
    assert len(sheet.pages) == 1
    width, height = (float(side) / 72 * 25.4 for side in sheet.pages[0].mediabox[2:])
    assert (round(width), round(height)) == (210, 297)  # ISO 216
    text = " ".join(sheet.pages[0].extract_text().split())
    assert re.search(
        {"/": r"\d{4} notes\. .*Day by day", "/lesson": r"This week \d{4} "}[path], text
    )
    assert bool(re.search(r"\b(Do|Ré|Mi|Fa|Sol|La|Si)[♭♯]?\d", text)) == bool(query)


def _traced(monkeypatch: pytest.MonkeyPatch, prepare: Callable[[sqlite3.Connection], None]) -> None:
    """Prepare every connection that the log opens from now on."""
    connect = sqlite3.connect

    def connected(*arguments: object, **more: object) -> sqlite3.Connection:
        connection: sqlite3.Connection = connect(*arguments, **more)  # type: ignore[call-overload]
        prepare(connection)
        return connection

    monkeypatch.setattr(sqlite3, "connect", connected)


def _read_a_week(path: Path) -> None:
    begins, ends = million.LAST_WEEK.bounds(million.ZONE)
    with LogReader(path, million.busiest()) as log:
        log.sums(begins, ends)
        log.notes(begins, ends)
        log.rounds(begins, ends)
        log.events(begins, ends)
        log.span()
        log.sittings(ends, 20)


def test_no_query_of_a_week_reads_a_whole_table(
    logs: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    _traced(monkeypatch, lambda connection: connection.set_trace_callback(asked.append))
    _read_a_week(logs[0])
    monkeypatch.undo()
    queries = {sql for sql in asked if sql.lstrip().startswith("SELECT") and "sqlite_" not in sql}
    assert len(queries) >= 6
    with sqlite3.connect(logs[0]) as log:
        for sql in queries:
            plan = [row[3] for row in log.execute(f"EXPLAIN QUERY PLAN {sql}")]
            whole = [step for step in plan if step.startswith("SCAN") and "CONSTANT" not in step]
            assert [step for step in whole if step.split()[1] in ("note", "call", "sitting")] == []
    log.close()


def test_the_years_before_cost_a_week_nothing(
    logs: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in steps of SQLite's virtual machine, which are the same on every machine."""
    steps = [0]

    def count(connection: sqlite3.Connection) -> None:
        def hundred_more() -> int:
            steps[0] += 100
            return 0

        connection.set_progress_handler(hundred_more, 100)

    _traced(monkeypatch, count)
    taken = []
    for path in logs:
        steps[0] = 0
        _read_a_week(path)
        taken.append(steps[0])
    assert taken[0] > 100_000  # it was counted
    assert taken[1] <= pages.GROWTH * taken[0], taken
