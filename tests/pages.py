"""Pages as somebody reads them."""

import re
from html import unescape

from flask.testing import FlaskClient


def words(html: str) -> str:
    """The text of a page, in one line."""
    text = re.sub(r"<svg.*?</svg>|<head>.*?</head>|<[^>]+>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", unescape(text).replace("\xa0", " "))


def page_words(client: FlaskClient, address: str, status: int = 200) -> str:
    """The text of the page at an address."""
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    return words(answer.text)
