"""Deleting while something else reads the log: owed, said, and done to the last byte."""

import gc
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from flask.testing import FlaskClient

import web.erasing
from appliance.__main__ import main
from appliance.log import backups, erasing
from appliance.log.backups import back_up, backups_in
from appliance.log.logbook import Logbook
from tests.cast import NOW, Cast, signed_in, token
from tests.test_privacy import MARKED_HZ, NIGHT_S, delete, gathered, signs
from tests.traces import traces

__all__ = ["gathered"]  # a fixture

PATIENCE_S = 60.0


@pytest.fixture
def reader(cast: Cast) -> Iterator[sqlite3.Connection]:
    """Somebody who began to read the log and goes on, as a long download does."""
    with Logbook(cast.path, "north room"), closing(sqlite3.connect(cast.path)) as raw:
        raw.execute("BEGIN")
        raw.execute("SELECT count(*) FROM note").fetchone()
        yield raw


@pytest.fixture(autouse=True)
def soon(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(web.erasing, "AGAIN_S", 0.1)


def in_time(holds: Callable[[], bool]) -> bool:
    until = time.monotonic() + PATIENCE_S
    while not holds() and time.monotonic() < until:
        time.sleep(0.05)
    return holds()


def in_the_log(cast: Cast, looked_for: tuple[bytes, ...]) -> list[str]:
    """Files of the log in which Mira can be found; of all its files, also the shared memory."""
    return [line for line in traces(cast.path.parent, looked_for) if line.startswith("room.db")]


def rows_of_mira(cast: Cast) -> int:
    mira = cast.people["Mira"].person_id
    with closing(sqlite3.connect(cast.path)) as raw:
        found = raw.execute("SELECT count(*) FROM sitting WHERE player = ?", [mira]).fetchone()
    return int(found[0])


def remove(client: FlaskClient, cast: Cast) -> int:
    address = f"/people/{cast.people['Mira'].person_id}"
    form = {"csrf_token": token(client, address), "sure": "y"}
    return client.post(f"{address}/remove", data=form).status_code


@pytest.mark.parametrize("who", ["Mira", "Olga"])
def test_deleted_while_somebody_reads_is_gone_once_they_stop(
    cast: Cast, reader: sqlite3.Connection, who: str
) -> None:
    looked_for, app = signs(cast), cast.app()
    client = signed_in(app, who)
    page, says = "/privacy/deleted", "bytes of it are still in the log's files"
    if who == "Olga":
        page, says = "/people", "bytes of what was deleted are still in its files"
    assert says not in client.get(page).text
    answer = remove(client, cast) if who == "Olga" else delete(client, sure="y").status_code
    assert answer == 302
    assert rows_of_mira(cast) == 0  # for everybody who looks from now on
    assert len(in_the_log(cast, looked_for)) >= 2
    noted = (cast.path.parent / "backups" / backups.ERASED).read_text()
    assert cast.people["Mira"].person_id in noted  # not only at night
    assert says in client.get(page).text
    waits = cast.path.with_name("room.db-wal").stat().st_size
    time.sleep(1.5)  # some more tries
    assert cast.path.with_name("room.db-wal").stat().st_size == waits
    assert says in client.get(page).text
    reader.rollback()
    assert in_time(lambda: says not in client.get(page).text)
    assert in_the_log(cast, looked_for) == []
    assert {file.name for file in cast.path.parent.glob("room.db*")} >= {"room.db", "room.db-shm"}


def test_what_is_owed_is_done_after_a_restart_of_the_pages(
    cast: Cast, reader: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_for = signs(cast)
    with monkeypatch.context() as patched:
        patched.setattr(web.erasing.Eraser, "_settle", lambda self: None)  # the process ends here
        assert delete(signed_in(cast.app(), "Mira"), sure="y").status_code == 302
    reader.rollback()
    assert erasing.is_owed(cast.path) and in_the_log(cast, looked_for)
    cast.app()
    assert in_time(lambda: not erasing.is_owed(cast.path))
    assert in_the_log(cast, looked_for) == []


def test_the_night_cleans_the_backups_whoever_reads_the_log(
    cast: Cast,
    reader: sqlite3.Connection,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    looked_for, folder = signs(cast), cast.path.parent / "backups"
    back_up(cast.path, folder, NIGHT_S - 86400.0, 14)
    monkeypatch.setattr(web.erasing.Eraser, "_settle", lambda self: None)
    assert delete(signed_in(cast.app(), "Mira"), sure="y").status_code == 302
    monkeypatch.setattr("time.time", lambda: NIGHT_S)
    monkeypatch.setattr("appliance.backup.kernel_clock_synchronised", lambda: True)
    night = ["backup", "--nightly", "--log", str(cast.path)]
    assert main(night) == 0
    assert "traces of what is deleted stay in it for now" in capsys.readouterr().out
    assert len(backups_in(folder)) == 2
    assert traces(folder, looked_for) == []
    reader.rollback()
    monkeypatch.setattr("time.time", lambda: NIGHT_S + 86400.0)
    assert main(night) == 0
    assert "stay in it" not in capsys.readouterr().out
    assert traces(cast.path.parent, looked_for) == []


def test_old_sittings_are_deleted_and_the_night_goes_on_while_somebody_reads(
    cast: Cast, reader: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked_for = signs(cast)[2:]  # the pitch: the person stays
    years_s = 2 * 400 * 86400.0
    monkeypatch.setattr("time.time", lambda: NOW.wall_s + years_s)
    monkeypatch.setattr("appliance.backup.kernel_clock_synchronised", lambda: True)
    assert main(["backup", "--nightly", "--log", str(cast.path)]) == 0
    assert rows_of_mira(cast) == 0 and in_the_log(cast, looked_for)
    reader.rollback()
    cast.app()
    assert in_time(lambda: not erasing.is_owed(cast.path))
    assert in_the_log(cast, looked_for) == []


def test_the_pages_keep_nothing_of_it_in_memory(cast: Cast) -> None:
    def held() -> int:
        """Arrays of this process with Mira's own pitch in them."""
        gc.collect()
        arrays = [one for one in gc.get_objects() if isinstance(one, np.ndarray)]
        arrays += [
            part
            for one in gc.get_objects()
            if type(one).__name__ == "NoteColumns"
            for part in (one.landing_hz, one.settled_hz)
        ]
        return sum(bool(np.any(one == MARKED_HZ)) for one in arrays if one.dtype == np.float64)

    app = cast.app()
    mira, tea = signed_in(app, "Mira"), signed_in(app, "Tea")
    for client in (mira, tea):
        asked = {"week": "2026-W07", "player": cast.people["Mira"].person_id}
        for page in ("/", "/ear", "/change"):
            assert client.get(page, query_string=asked).status_code == 200
    del client
    assert held() > 0
    assert delete(mira, sure="y").status_code == 302
    assert held() == 0


def test_where_nothing_can_be_deleted_nothing_is_said_to_be(cast: Cast, tmp_path: Path) -> None:
    client = signed_in(cast.app(), "Mira")
    with closing(sqlite3.connect(cast.path)) as writer:
        writer.execute("BEGIN IMMEDIATE")  # held for longer than anybody waits
        assert delete(client, sure="y").status_code == 503
    assert rows_of_mira(cast) == 2
    assert delete(client, sure="y").status_code == 302
    assert rows_of_mira(cast) == 0
