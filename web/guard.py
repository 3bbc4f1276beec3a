"""Headers for every answer, and a plain page for everything that goes wrong."""

from flask import Flask, Response, jsonify, render_template, request
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException, InternalServerError

from appliance.log.logfile import NoLogYetError
from appliance.vocabulary import LogbookError
from web.place import current_room

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # a form is taken from our own pages alone
}

_SENTENCES = {
    401: "Sign in first: choose Check in from the menu.",
    403: "This page is not for you, or not for you as who you are signed in: go back to the week.",
    404: "There is no such page: go back to the week.",
    405: "This page can only be looked at: go back to the week.",
    413: "That is more than any form here asks for: go back and write less.",
    429: "That was too often: wait a while, then try again.",
    500: "Something went wrong here: try again, and tell whoever looks after this room.",
}
_HEADLINES = {400: "That cannot be read", 401: "Not signed in", 429: "Too often"}


def register(app: Flask) -> None:
    """Put the headers on every answer of ``app`` and catch what goes wrong in it."""
    app.after_request(_add_headers)
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(CSRFError, _old_form)
    app.register_error_handler(NoLogYetError, _no_log)

    @app.errorhandler(LogbookError)
    def broken(error: LogbookError) -> ResponseReturnValue:
        app.logger.error("%s", error)
        return _answer(
            503,
            "The log cannot be read",
            "Nothing in it was changed: tell whoever looks after this room to read the message of "
            "the web service, or try again in a minute.",
        )


def _add_headers(response: Response) -> Response:
    response.headers.update(HEADERS)
    if current_room().web.https:
        response.headers["Strict-Transport-Security"] = "max-age=31536000"
    if request.endpoint != "static":
        response.headers["Cache-Control"] = "no-store"  # what a player did is nobody else's
    return response


def _no_log(_: NoLogYetError) -> ResponseReturnValue:
    return _answer(
        404 if _wants_json() else 200,
        "Nothing has been heard in this room yet",
        "Start the room, sound the drone, play a few slow notes, then come back here.",
    )


def _old_form(_: CSRFError) -> ResponseReturnValue:
    return _answer(
        400,
        "This form is no longer good",
        "You signed in or out meanwhile, or it was not sent from a page of this room: go back, "
        "load the page anew and send it again. Cookies must be allowed.",
    )


def _http_error(error: HTTPException) -> ResponseReturnValue:
    code = error.code or InternalServerError.code
    own_words = error.description != type(error).description
    said = error.description if own_words or code == 400 else _SENTENCES.get(code)
    headline = _HEADLINES.get(code, "Nothing to show")
    return _answer(code, headline, said or _SENTENCES[500])


def _wants_json() -> bool:
    return request.path.endswith(".json")


def _answer(code: int, headline: str, sentence: str) -> ResponseReturnValue:
    if _wants_json():
        return jsonify(error=f"{headline}. {sentence}"), code
    return render_template("plain.html", headline=headline, sentence=sentence), code
