"""Fixtures that several tests share: a virtual sound card, loudly missed where there is none."""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from playwright.sync_api import Browser

from tests.busy_weeks import fill_busy_weeks
from tests.cast import Cast, app_for, gather
from tests.from_rows import Log, read_rows
from tests.log_rows import fill
from tests.phone import chromium
from tests.soundcard import NoSoundCardError, SoundCard


@pytest.fixture
def sound_card() -> Iterator[SoundCard]:
    """A JACK server on its dummy driver; without one the test is skipped, but fails in CI."""
    try:
        card = SoundCard(f"groundnote-test-{os.getpid()}")
    except NoSoundCardError as error:
        message = f"NO VIRTUAL SOUND CARD, THE LIVE ROOM IS NOT TESTED: {error}"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    try:
        with real_time():
            yield card
    finally:
        card.stop()


@pytest.fixture(scope="session")
def log_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of :func:`tests.log_rows.fill`, only to be read."""
    path = tmp_path_factory.mktemp("log") / "room.db"
    fill(path)
    return path


@pytest.fixture(scope="session")
def client(log_path: Path) -> FlaskClient:
    """The pages of that log."""
    return app_for(log_path).test_client()


@pytest.fixture(scope="session")
def busy_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of :mod:`tests.busy_weeks`, only to be read."""
    path = tmp_path_factory.mktemp("busy") / "room.db"
    fill_busy_weeks(path)
    return path


@pytest.fixture(scope="session")
def busy(busy_path: Path) -> FlaskClient:
    """The pages of those weeks."""
    return app_for(busy_path).test_client()


@pytest.fixture(scope="session")
def busy_rows(busy_path: Path) -> Log:
    """What their rows say without any of Groundnote."""
    return read_rows(busy_path)


@pytest.fixture(scope="session")
def gathered(tmp_path_factory: pytest.TempPathFactory) -> Cast:
    """Everybody, once: hashing everybody's PIN is slow."""
    return gather(tmp_path_factory.mktemp("cast") / "room.db")


@pytest.fixture
def cast(gathered: Cast, tmp_path: Path) -> Cast:
    """A copy of its own for each test."""
    return gathered.copied_to(tmp_path)


@pytest.fixture
def app(cast: Cast) -> Flask:
    """The pages of that copy."""
    return cast.app()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser; who uses it is skipped where there is none."""
    with chromium() as opened:
        yield opened


@contextmanager
def real_time() -> Iterator[None]:
    """Let this test's own JACK clients, in Python, not be what loses blocks on a busy machine.

    The processes the test starts do not inherit it; without permission nothing changes.
    """
    policy, parameter = os.sched_getscheduler(0), os.sched_getparam(0)
    with suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(1))
    try:
        yield
    finally:
        os.sched_setscheduler(0, policy, parameter)
