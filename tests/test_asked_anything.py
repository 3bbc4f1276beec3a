"""Every page that can be asked for, asked for anything: it answers, refuses or leads elsewhere."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from appliance.settings import Settings
from tests.log_rows import fill_tuned_evening, instant
from web import create_app

# What the pages know, so that what is random is not always refused at the first word.
NAMES = (
    *("week", "tuning", "band", "a4", "open", "key", "edge", "names", "pitch", "clef", "sort"),
    *("player", "next", "passage", "instrument", "string", "finger", "from", "before", "minute"),
)
VALUES = (
    *("2026-W04", "1970-W01", "2999-W52", "2026-W54", "just", "equal", "5", "30", "1e9", "nan"),
    *(
        "-1",
        "0",
        "440",
        "C#4",
        "F#4 G4",
        "counted",
        "00000001-9",
        "G3",
        "٣",
        "%00",
        "<b>",
        "A" * 500,
    ),
)
TEXT = st.sampled_from(VALUES) | st.text(max_size=12)
QUERY = st.dictionaries(st.sampled_from(NAMES) | st.text(max_size=6), TEXT, max_size=6)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[FlaskClient]:
    """Pages on a log of one evening, before anybody owns the room: all of a player's are open."""
    path = tmp_path_factory.mktemp("anything") / "room.db"
    fill_tuned_evening(path)
    app = create_app(path, Settings(), lambda: instant(2026, 1, 24).wall_s)
    app.config["PROPAGATE_EXCEPTIONS"] = False
    with app.test_client() as found:
        yield found


def _rules(path: Path) -> list[str]:
    app = create_app(path / "none.db", Settings())
    return sorted(rule.rule for rule in app.url_map.iter_rules() if "GET" in (rule.methods or ()))


def test_every_page_answers_anything(client: FlaskClient, tmp_path: Path) -> None:
    rules = _rules(tmp_path)
    assert "/" in rules

    @settings(
        max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None
    )
    @given(st.sampled_from(rules), st.lists(TEXT, min_size=3, max_size=3), QUERY)
    def ask(rule: str, places: list[str], query: dict[str, str]) -> None:
        fillers = iter(places)
        address = re.sub(r"<[^>]*>", lambda _: next(fillers, "x").replace("/", "") or "x", rule)
        answer = client.get(f"/{address.lstrip('/')}", query_string=query)
        answer.close()
        assert answer.status_code < 500, (address, query, answer.status_code)

    ask()
