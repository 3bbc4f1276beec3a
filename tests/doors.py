"""Getting in at the door."""

from flask.testing import FlaskClient

from tests.cast import PIN, token


def let_in(client: FlaskClient) -> bool:
    return client.get("/").status_code == 200


def become(client: FlaskClient, code: str, nickname: str, pin: str = PIN) -> int:
    form = {"csrf_token": token(client, "/owner"), "code": code, "nickname": nickname}
    return client.post("/owner", data=form | {"new_pin": pin, "again": pin}).status_code
