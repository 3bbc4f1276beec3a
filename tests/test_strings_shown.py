"""Open strings and tuning on the pages: said once, set apart, counted where asked."""

import pytest
from flask.testing import FlaskClient

from tests.cast import app_for
from tests.log_rows import fill_tuned_evening
from tests.pages import page_words


@pytest.fixture(scope="module")
def tuned(tmp_path_factory: pytest.TempPathFactory) -> FlaskClient:
    """Pages on an evening that began with tuning and left the G string six cents flat."""
    path = tmp_path_factory.mktemp("tuned") / "room.db"
    fill_tuned_evening(path)
    return app_for(path).test_client()


def test_a_flat_string_is_said_once_and_its_notes_are_set_apart(tuned: FlaskClient) -> None:
    text = page_words(tuned, "/?week=2026-W04")
    week = tuned.get("/week.json?week=2026-W04").get_json()
    assert "G3" not in {line["note"] for line in week["notes"]}
    strings = {line["string"]: line for line in week["strings"]}
    assert strings.keys() == {"G3", "D4", "A4"}
    string = strings["G3"]
    assert (round(string["found_cents"]), round(string["left_cents"])) == (-16, -6)
    assert round(string["typical_cents"]) == -6
    assert string["notes"] == week["may_be_open"] > 8
    assert week["tuning_strings"] == 6
    said = f"Fri 17:00: the G3 string was 6 cents flat all evening ({string['notes']} notes)."
    assert text.count("all evening") == text.count(said) == 1
    assert "Fri 17:00 G3 −16 −6 −6" in text
    assert f"Tuning the strings 6 May be open strings {string['notes']}" in text


def test_open_strings_are_counted_where_asked_and_marked(tuned: FlaskClient) -> None:
    apart, counted = (
        tuned.get(f"/week.json?week=2026-W04&open={choice}").get_json()
        for choice in ("apart", "counted")
    )
    assert counted["may_be_open"] == 0
    assert counted["total"]["count"] == apart["total"]["count"] + apart["may_be_open"]
    page = page_words(tuned, "/?week=2026-W04&open=counted")
    assert "open strings counted." in page
    assert "counted with the others" in page
    own = tuned.get("/note/55?week=2026-W04&open=counted").text
    assert own.count("may be open</small>") == apart["may_be_open"]
    assert tuned.get("/note/55?week=2026-W04").status_code == 404
    assert page_words(tuned, "/?open=perhaps", 400).count("apart or counted") == 1


def test_one_evening_says_what_its_range_leaves_out(tuned: FlaskClient) -> None:
    text = page_words(tuned, "/ear?week=2026-W04")
    assert "the true range is wider" in text
    assert "G3" not in text.split("By note")[1]  # an open string has no landing
    assert text.split("By note")[1].count("not enough calls yet") >= 3
