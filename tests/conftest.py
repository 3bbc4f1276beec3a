"""Fixtures that several tests share: a virtual sound card, loudly missed where there is none."""

import os
from collections.abc import Iterator

import pytest

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
        yield card
    finally:
        card.stop()
