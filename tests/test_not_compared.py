"""Students stand beside each other nowhere, and nothing is counted to be collected."""

import re

import pytest
from flask import Flask
from flask.testing import FlaskClient

from tests.cast import Cast, accept, signed_in
from tests.pages import words

NUMBERS = re.compile(r"landed|rescued|missed|\d ?%|\d+ notes")
COLLECTED = re.compile(r"\b(streaks?|scores?|badges?|medals?|leaderboards?|high ?scores?)\b", re.I)
WEEK = "week=2026-W07"


def _pages(app: Flask, cast: Cast, client: FlaskClient) -> dict[str, str]:
    """The text of every page there is for somebody, also of those about each player."""
    people = [person.person_id for person in cast.people.values()]
    found = {}
    for rule in app.url_map.iter_rules():
        if "GET" not in (rule.methods or set()) or rule.endpoint == "static":
            continue
        for person in people:
            path = rule.rule.replace("<person_id>", person).replace("<week>", "2026-W07")
            path = path.replace("<int:midi>", "66").replace("<move>", "59-67")
            path = path.replace("<any(shift, 'slide-move', leap):way>", "shift")
            path = path.replace("<sitting_id>", cast.sittings["Mira"])
            for query in (WEEK, f"{WEEK}&player={person}"):
                answer = client.get(f"{path}?{query}")
                if answer.status_code == 200 and answer.mimetype == "text/html":
                    found[f"{path}?{query}"] = words(answer.text)
    return found


@pytest.mark.parametrize("who", ["Mira", "Tea", "Olga"])
def test_no_page_has_the_figures_of_one_beside_the_name_of_another(cast: Cast, who: str) -> None:
    """Tea teaches both who played; the list of people has names, and nothing that was played."""
    accept(cast.path, cast.people["Tea"], cast.people["Tomas"])
    app = cast.app()
    pages = _pages(app, cast, signed_in(app, who))
    assert len(pages) > 15
    both = {path: text for path, text in pages.items() if "Mira" in text and "Tomas" in text}
    assert {path.split("?")[0] for path in both} == (set() if who == "Mira" else {"/people"})
    for text in both.values():
        assert NUMBERS.search(text) is None
        assert text.rindex("Mira") < text.rindex("Tomas")  # by name
    assert who == "Olga" or any(NUMBERS.search(text) for text in pages.values())


@pytest.mark.parametrize("who", ["Mira", "Tea", "Olga"])
def test_nothing_is_counted_to_be_collected(cast: Cast, who: str) -> None:
    app = cast.app()
    for path, text in _pages(app, cast, signed_in(app, who)).items():
        assert COLLECTED.search(text) is None, path
