"""Every route of the pages with any query and any form: nothing but 2xx, 3xx and 4xx.

Asked as the owner, who gets furthest, and with the protection against forged requests off, which
would stop nearly all of it at the door.
"""

import re
from pathlib import Path
from urllib.parse import quote

import pytest
from flask import Flask
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from werkzeug.security import generate_password_hash

from tests.cast import Cast, app_for, gather, signed_in

NAMES = (
    *("nickname", "pin", "new_pin", "again", "code", "role", "consent_on", "sure", "allowed"),
    *("next", "play", "look", "player", "week", "band", "a4", "tuning", "open", "key", "names"),
    *("pitch", "clef", "sort", "edge", "before", "part", "minute", "notes", "instrument", "term"),
    *("a4_hz", "band_cents", "drone_note", "note", "on", "quiet_from", "quiet_to", "lock_a4"),
)
GOOD = (
    "Mira",
    "402915",
    "860352",
    "owner",
    "2026-02-10",
    "2026-W07",
    "yes",
    "442",
    "15",
    "Bb3",
    "E3",
)
VALUES = st.one_of(
    st.sampled_from(GOOD), st.text(max_size=60), st.integers().map(str), st.floats().map(str)
)
FIELDS = st.dictionaries(st.one_of(st.sampled_from(NAMES), st.text(max_size=8)), VALUES, max_size=8)
SEGMENT = st.one_of(st.sampled_from(GOOD), st.text(min_size=1, max_size=20), st.integers().map(str))


@pytest.fixture(scope="module")
def fuzzed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Flask, Cast, str]:
    cast = gather(tmp_path_factory.mktemp("fuzz") / "room.db")
    app = app_for(cast.path)
    cookie = signed_in(app, "Olga").get_cookie("groundnote")
    assert cookie is not None
    app.config["WTF_CSRF_ENABLED"] = False
    return app, cast, cookie.value


@pytest.fixture
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same hash with little work: this is about forms. Much less has too little memory."""
    monkeypatch.setattr(
        "werkzeug.security.generate_password_hash",
        lambda pin, method: generate_password_hash(pin, f"{method}:1024:8:1"),
    )


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data(), query=FIELDS, form=FIELDS)
def test_nothing_that_is_sent_breaks_a_page(
    fuzzed: tuple[Flask, Cast, str],
    quick_hashes: None,
    data: st.DataObject,
    query: dict[str, str],
    form: dict[str, str],
) -> None:
    app, cast, cookie = fuzzed
    rules = sorted(
        (rule.rule, method)
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"OPTIONS"}
        if rule.endpoint not in ("static", "door.sign_out")
    )
    rule, method = data.draw(st.sampled_from(rules))
    people = [person.person_id for person in cast.people.values()]
    segment = st.one_of(SEGMENT, st.sampled_from([*people, cast.sittings["Mira"], "note"]))
    path = re.sub("<[^>]+>", lambda _: quote(data.draw(segment), safe=""), rule)
    client = app.test_client()
    client.set_cookie("groundnote", cookie)
    answer = client.open(
        path, method=method, query_string=query, data=form if method == "POST" else {}
    )
    assert 200 <= answer.status_code < 500, (method, path)


def test_the_owner_is_still_there(fuzzed: tuple[Flask, Cast, str], tmp_path: Path) -> None:
    """Whatever was sent, nobody was left without an owner."""
    app, cast, _ = fuzzed
    assert app.test_client().get("/").status_code == 302
    assert cast.path.exists()
