"""Change over weeks: landed and rescued for a term, and what may be called a change."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from appliance.log.term import Moved, read_term
from web.notes import weeks_to
from web.pages import asked_landings, frame
from web.query import Asked
from web.river import draw_river
from web.words import way_of

blueprint = Blueprint("change", __name__)

TERM_WEEKS = 16
MOVED = 12  # notes and shifts that changed, at most so many


@blueprint.get("/change")
def show_change() -> ResponseReturnValue:
    """The term up to the week asked for."""
    asked, landings = asked_landings(TERM_WEEKS)
    term = read_term(landings, weeks_to(asked.week, TERM_WEEKS))
    return render_template(
        "change.html",
        term=term,
        river=draw_river(term.weeks),
        moved=[(one, _place(one, asked)) for one in term.moved[:MOVED]],
        weeks=TERM_WEEKS,
        **frame(asked),
    )


def _place(moved: Moved, asked: Asked) -> tuple[str, dict[str, object]]:
    """Where the page of a note or shift is."""
    if moved.movement is None:
        return "notes.show_note", {"midi": moved.midi, **asked.link()}
    move = {"way": way_of(moved.movement), "move": f"{moved.from_midi}-{moved.midi}"}
    return "notes.show_shift", {**move, **asked.link()}
