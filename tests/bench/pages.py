"""``python -m tests.bench.pages``: how fast and how large the pages are, with a million notes.

The real web server, as a process of its own, on a log of 10,000 and one of 1,000,000 notes whose
last two weeks are the same. Twenty phones each ask once in five seconds for the week of the busiest
player, 5,000 notes; their time counts from the request to the last byte, so it holds the queue.
Named beside it: a page that is not there, and the bare rows of those weeks by ``sqlite3``.
"""

import argparse
import os
import platform
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from html import unescape
from pathlib import Path
from threading import Event, Thread

import numpy as np
import psutil

from appliance.log.logbook import Logbook
from appliance.log.shelf import Shelf
from appliance.log.weeks import Reading, read_week
from appliance.vocabulary import Instant
from tests import million
from tests.bench.phones import Answer, Phone, ask_at_leisure
from tests.log_rows import PLAIN

PHONES, EVERY_S = 20, 5.0
MEDIAN_S, SLOW_S = 0.050, 0.100  # server time, median and 95th percentile
FIRST_PAINT_BYTES, BYTES_A_NOTE, GROWTH, MEMORY_BYTES = 60_000, 200.0, 1.5, 80_000_000
LONG_PAGE_S = 0.100  # one phone alone, at 5,000 notes in the busiest week
SIZES = (million.SHORT_LOG, 1_000_000)
TERM_WEEKS = 16  # no page reads more
WEEK = f"week={million.LAST_WEEK}"
PAGES = {
    "week": f"/?{WEEK}",
    "week as JSON": f"/week.json?{WEEK}",
    "sittings": "/sittings",
    "choose a drone": "/choose",
}
# These read twelve weeks or sixteen: the other log has the same weeks of the same player, and
# nothing else.
LONG_PAGES = {
    "note": f"/note/64?{WEEK}",
    "shift": f"/shift/71-72?{WEEK}",
    "calls and landings": f"/ear?{WEEK}",
    "change": f"/change?{WEEK}",
}
# sqlite-utils imports pandas where it finds it, as only a set-up for tests may: the appliance has
# none, and its memory is what is measured.
_SERVE = (
    "import sys; sys.modules['pandas'] = None\n"
    "from web.__main__ import main; sys.exit(main(sys.argv[1:]))"
)
_COMPILE = "import sys; sys.modules['pandas'] = None; import web.__main__, segno"
ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True, slots=True)
class Server:
    """A web server that runs."""

    process: subprocess.Popen[str]
    port: int
    ready_s: float  # from its start to the line that says where it is

    @property
    def worked_s(self) -> float:
        """Processor time it has taken so far."""
        times = psutil.Process(self.process.pid).cpu_times()
        return float(times.user + times.system)

    @property
    def memory_bytes(self) -> int:
        """What it holds in memory (RSS, shared libraries and all)."""
        return int(psutil.Process(self.process.pid).memory_info().rss)


@contextmanager
def served(log: Path) -> Iterator[Server]:
    """Serve a log as the appliance does, with the environment that its unit sets."""
    settings = log.with_suffix(".toml")
    settings.write_text(f'[room]\nlog_path = "{log}"\ntime_zone = "{million.ZONE.key}"\n')
    words = [sys.executable, "-c", _SERVE, "--settings", str(settings), "--port", "0"]
    unit = (ROOT / "systemd" / "groundnote-web.service").read_text(encoding="utf-8")
    environment = os.environ | dict(re.findall(r"(?m)^Environment=(\w+)=(\S+)$", unit))
    # As installed: with its bytecode compiled, which is smaller and sooner there.
    environment |= {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": str(log.parent / "pyc")}
    subprocess.run([sys.executable, "-c", _COMPILE], cwd=ROOT, env=environment, check=True)
    begun = time.perf_counter()
    process = subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, text=True, env=environment)
    try:
        assert process.stdout is not None
        said = process.stdout.readline()
        ready_s = time.perf_counter() - begun
        yield Server(process, int(said.split("localhost:")[1].split("/")[0]), ready_s)
    finally:
        process.terminate()
        process.wait(30)


def phones_of(server: Server, count: int, *, kept_alive: bool) -> list[Phone]:
    """Phones that are signed in as the busiest player."""
    first = Phone(server.port)
    first.sign_in(million.busiest_name(), million.PIN)
    return [Phone(server.port, dict(first.cookies), kept_alive) for _ in range(count)]


def longest_sitting(phone: Phone) -> str:
    """The page of the sitting with the most notes among the latest."""
    text = phone.get(PAGES["sittings"]).body.decode()
    listed = re.findall(r'href="(/sitting/[^"]+)".*?, (\d+) notes?', text, flags=re.S)
    return unescape(max(listed, key=lambda one: int(one[1]))[0])


def first_paint(phone: Phone, path: str) -> int:
    """Bytes transferred before a page is painted: the page itself and its style sheet."""
    return phone.get(path).transferred + phone.get("/static/page.css").transferred


def bytes_a_note(log: Path, notes: int) -> float:
    """Size of the log on disk, all tables and indices, over its notes."""
    return log.stat().st_size / notes


def cold_s(log: Path) -> float:
    """Processor time for reading and judging the week when nothing of it is in memory."""
    shelf = Shelf(log)
    begun = time.process_time()
    with shelf.reader(million.busiest()) as reader:
        weeks = (million.LAST_WEEK, million.LAST_WEEK.later(-1))
        this, before = (reader.notes(*week.bounds(million.ZONE)) for week in weeks)
    read_week(this, before, Reading(), million.ZONE)
    return time.process_time() - begun


def bare_rows_s(log: Path) -> float:
    """Processor time for the bare rows of the same two weeks, by sqlite3 alone."""
    begins, ends = (
        million.LAST_WEEK.later(-1).bounds(million.ZONE)[0],
        million.LAST_WEEK.bounds(million.ZONE)[1],
    )
    begun = time.process_time()
    connection = sqlite3.connect(log)
    connection.execute(
        "SELECT note.* FROM note JOIN sitting ON sitting.id = sitting_id "
        "WHERE note.ended_wall_s >= ? AND note.ended_wall_s < ? AND player = ?",
        [begins, ends, million.busiest()],
    ).fetchall()
    connection.close()
    return time.process_time() - begun


def in_turns(measure: Callable[[Path], float], logs: list[Path], turns: int) -> list[float]:
    """Measure logs in turns, so that whatever else runs meets all alike; the medians, seconds."""
    times = [[measure(log) for log in logs] for _ in range(turns)]
    return [statistics.median(column) for column in zip(*times, strict=True)]


def page_times(
    servers: list[Server], path: str | list[str], turns: int
) -> tuple[list[float], Answer]:
    """Ask servers for a page in turns, one phone alone; the medians in seconds, and an answer.

    ``path`` is a list where it has another name on every server.
    """
    phones = [phones_of(server, 1, kept_alive=False)[0] for server in servers]
    paths = [path] * len(servers) if isinstance(path, str) else path
    both = list(zip(phones, paths, strict=True))
    answers = [[phone.get(one) for phone, one in both] for _ in range(turns + 1)][1:]  # warm
    medians = [
        statistics.median(one.took_s for one in column) for column in zip(*answers, strict=True)
    ]
    return medians, answers[-1][-1]


def after_a_note_s(server: Server, log: Path, path: str, turns: int) -> float:
    """Median of a page just after a note of its player was logged, seconds."""
    phone = phones_of(server, 1, kept_alive=False)[0]
    phone.get(path)
    took_s = []
    with _playing(log) as play:
        for _ in range(turns):
            play(2.5)
            took_s.append(phone.get(path).took_s)
    return statistics.median(took_s)


@contextmanager
def _playing(log: Path) -> Iterator[Callable[[float], None]]:
    """Begin a sitting of the busiest player after the last note; gives a way to play one more."""
    with Logbook(log, million.ROOM) as book:
        last = book.span()
        assert last is not None
        wall_s = last[1] + 900.0
        at = Instant(wall_s, wall_s - 1.6e9, "boot-playing", True)
        sitting = book.begin_sitting(at, instrument="violin", a4_hz=440.0, player=million.busiest())

        def play(after_s: float) -> None:
            nonlocal at
            at = Instant(at.wall_s + after_s, at.monotonic_s + after_s, at.boot_id, True)
            book.add_note(sitting, PLAIN, at)

        yield play
        book.end_sitting(sitting, at)


@contextmanager
def played(log: Path, every_s: float = 2.5) -> Iterator[None]:
    """Let the busiest player go on playing: a note is written every few seconds."""
    over = Event()
    thread = Thread(target=_play, args=(log, every_s, over))
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


def _play(log: Path, every_s: float, over: Event) -> None:
    with _playing(log) as play:
        while not over.wait(every_s):
            play(every_s)


def percentiles_ms(answers: list[Answer]) -> tuple[float, float, float]:
    """Median, 95th percentile and the slowest, in milliseconds."""
    took = np.array([answer.took_s for answer in answers]) * 1000.0
    return float(np.median(took)), float(np.percentile(took, 95)), float(took.max())


class Report:
    """Lines of the report, and whether every limit was kept."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.kept = True

    def say(self, line: str = "") -> None:
        """Add a line and print it."""
        self.lines.append(line)
        print(line, flush=True)

    def row(self, what: str, value: str, limit: str = "", *, kept: bool | None = None) -> None:
        """Add a row of the table."""
        self.kept = self.kept and kept is not False
        verdict = {True: "kept", False: "**not kept**", None: ""}[kept]
        self.say(f"| {what} | {value} | {limit} | {verdict} |")


def made(folder: Path) -> list[Path]:
    """Make the logs, unless they are there; the third has the weeks of one player alone."""
    logs = [*(folder / f"{notes}.db" for notes in SIZES), folder / "alone.db"]
    for log, notes in zip(logs, (*SIZES, SIZES[1]), strict=True):
        if not log.exists():
            begun = time.perf_counter()
            million.fill(log, notes, alone_weeks=TERM_WEEKS if log is logs[2] else None)
            print(f"{log.name} made in {time.perf_counter() - begun:.0f} s", file=sys.stderr)
    return logs


def run(logs: list[Path], for_s: float, turns: int) -> Report:
    """Measure everything; ``for_s`` seconds of phones for each way of asking."""
    report = Report()
    report.say("| what | measured | at most | |\n|---|---|---|---|")
    size = bytes_a_note(logs[1], SIZES[1])
    report.row("log, bytes a note", f"{size:.0f}", f"{BYTES_A_NOTE:.0f}", kept=size < BYTES_A_NOTE)
    small_log, large_log, alone_log = logs
    with served(small_log) as small, served(large_log) as large, served(alone_log) as alone:
        _report_start(report, large)
        _report_phones(report, large, large_log, for_s)
        _report_growth(report, [small, large], [small_log, large_log], turns)
        _report_long(report, [alone, large], large_log, turns)
        memory = large.memory_bytes
        report.row(
            "memory of the web process after all this, MB",
            f"{memory / 1e6:.0f}",
            f"{MEMORY_BYTES / 1e6:.0f}",
            kept=memory < MEMORY_BYTES,
        )
    return report


def _report_start(report: Report, server: Server) -> None:
    report.row("start to ready, s", f"{server.ready_s:.1f}", "2, wished")
    phone = phones_of(server, 1, kept_alive=False)[0]
    paint = first_paint(phone, PAGES["week"])
    report.row(
        "first paint of the week, bytes",
        f"{paint:,}",
        f"{FIRST_PAINT_BYTES:,}",
        kept=paint < FIRST_PAINT_BYTES,
    )


def _report_phones(report: Report, server: Server, log: Path, for_s: float) -> None:
    for kept_alive in (False, True):
        phones = phones_of(server, PHONES, kept_alive=kept_alive)
        begun_s = server.worked_s
        answers = ask_at_leisure(phones, PAGES["week"], EVERY_S, for_s)
        worked_s = (server.worked_s - begun_s) / len(answers)
        how = "kept connections" if kept_alive else "a connection each time"
        _report_times(report, f"{PHONES} phones, {how}", answers)
        report.row("processor time of each of these pages, ms", f"{1000 * worked_s:.0f}")
    with played(log):
        phones = phones_of(server, PHONES, kept_alive=False)
        answers = ask_at_leisure(phones, PAGES["week"], EVERY_S, for_s)
    _report_times(report, f"{PHONES} phones, while that player goes on playing", answers)


def _report_times(report: Report, what: str, answers: list[Answer]) -> None:
    lost = sum(answer.status != 200 for answer in answers)
    median, slow, slowest = percentiles_ms(answers)
    report.row(
        f"{what}: median / 95 % / slowest of {len(answers)}, ms",
        f"{median:.0f} / {slow:.0f} / {slowest:.0f}" + (f", {lost} not answered" if lost else ""),
        f"{1000 * MEDIAN_S:.0f} / {1000 * SLOW_S:.0f}",
        kept=not lost and median <= 1000 * MEDIAN_S and slow <= 1000 * SLOW_S,
    )


def _report_growth(report: Report, servers: list[Server], logs: list[Path], turns: int) -> None:
    report.say()
    report.say("| cost, ms | 10,000 notes | 1,000,000 notes | ratio | kB |\n|---|---|---|---|---|")
    sittings = [longest_sitting(phones_of(one, 1, kept_alive=False)[0]) for one in servers]
    for name, path in [*PAGES.items(), ("the longest sitting", sittings)]:
        (few, many), answer = page_times(servers, path, turns)
        assert answer.status == 200, (path, answer.head)
        _report_ratio(report, name, few, many, f"{answer.transferred / 1000:.0f}")
    for name, measure in (
        ("the week read and judged from nothing, processor time", cold_s),
        ("peer: its bare rows by sqlite3, processor time", bare_rows_s),
    ):
        few, many = in_turns(measure, logs, turns)
        _report_ratio(report, name, few, many)
    (few, many), _ = page_times(servers, "/no-such-page", turns)
    _report_ratio(report, "peer: a page that is not there", few, many)


def _report_long(report: Report, servers: list[Server], log: Path, turns: int) -> None:
    report.say()
    report.say(
        "| cost, ms | its weeks alone | among 1,000,000 notes | ratio | kB | at most | "
        "after a note came |\n|---|---|---|---|---|---|---|"
    )
    for name, path in LONG_PAGES.items():
        (few, many), answer = page_times(servers, path, turns)
        assert answer.status == 200, (path, answer.head)
        report.kept = report.kept and many <= LONG_PAGE_S and many / few <= GROWTH
        anew = after_a_note_s(servers[1], log, path, turns)
        report.say(
            f"| {name} | {1000 * few:.1f} | {1000 * many:.1f} | {many / few:.2f} "
            f"| {answer.transferred / 1000:.0f} | {1000 * LONG_PAGE_S:.0f} | {1000 * anew:.1f} |"
        )
    report.say()
    report.say("| after that | | | |\n|---|---|---|---|")


def _report_ratio(report: Report, name: str, few: float, many: float, size: str = "") -> None:
    ratio = many / few
    if name == "week" or name.startswith("the week"):
        report.kept = report.kept and ratio <= GROWTH
    report.say(f"| {name} | {1000 * few:.1f} | {1000 * many:.1f} | {ratio:.2f} | {size} |")


def main() -> int:
    """Measure, print, and say by the exit code whether every limit was kept."""
    parser = argparse.ArgumentParser(description="Speed and size of the pages.")
    parser.add_argument("--seconds", type=float, default=60.0, help="of phones, each way of asking")
    parser.add_argument("--turns", type=int, default=15, help="for medians of single pages")
    parser.add_argument("--keep", type=Path, help="write the report to this file")
    parser.add_argument("--logs", type=Path, help="folder in which the logs stay for the next run")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        report = run(made(options.logs or Path(folder)), options.seconds, options.turns)
    busy = os.getloadavg()[0]
    machine = f"{platform.machine()}, {os.cpu_count()} processors, load {busy:.1f} at the end"
    report.say(f"\n{date.today()}, {machine}, Python {platform.python_version()}.")
    if options.keep:
        options.keep.write_text("\n".join(report.lines) + "\n", encoding="utf-8")
    return 0 if report.kept else 1


if __name__ == "__main__":
    sys.exit(main())
