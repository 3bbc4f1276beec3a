"""HTTPS as it is documented: Debian's nginx with our own file before the pages, a real certificate.

The certificate is made on the spot (trustme) and trusted by the client alone.
"""

import http.client
import http.cookiejar
import re
import shutil
import socket
import ssl
import subprocess
import threading
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import trustme
from waitress import create_server

from appliance.settings import Settings
from tests.cast import PIN, app_for, gather
from tests.soundcard import wait_for
from web.__main__ import _serving

NAME = "room-3.school.example"
SAMPLE = Path(__file__).parents[1] / "systemd" / "nginx-groundnote.conf"
NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")

pytestmark = pytest.mark.skipif(
    NGINX is None, reason="NO NGINX, HTTPS IS NOT TESTED: install nginx"
)


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def configuration(folder: Path, https: int, http: int, pages: int) -> str:
    """The sample with ports, certificate and listening address of this test, and nothing else."""
    server = SAMPLE.read_text()
    server = re.sub(r" +listen \[::\].*\n", "", server)
    server = server.replace("listen 443 ssl", f"listen 127.0.0.1:{https} ssl")
    server = server.replace("listen 80", f"listen 127.0.0.1:{http}")
    server = server.replace("/etc/groundnote/", f"{folder}/").replace(":8080", f":{pages}")
    return (
        f"daemon off; master_process off; pid {folder}/pid; error_log {folder}/error.log;\n"
        "events {}\n"
        f"http {{ access_log off; client_body_temp_path {folder}/body; "
        f"proxy_temp_path {folder}/proxy; fastcgi_temp_path {folder}/f; uwsgi_temp_path {folder}/u;"
        f" scgi_temp_path {folder}/s;\n{server}\n}}\n"
    )


@pytest.fixture(scope="module")
def ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, int, Path]]:
    folder = tmp_path_factory.mktemp("https")
    authority = trustme.CA()
    certificate = authority.issue_cert(NAME)
    authority.cert_pem.write_to_path(str(folder / "authority.pem"))
    certificate.private_key_pem.write_to_path(str(folder / "key.pem"))
    for part in certificate.cert_chain_pems:
        part.write_to_path(str(folder / "certificate.pem"), append=True)
    app = app_for(gather(folder / "room.db").path, https=True, names=NAME)
    web = replace(Settings().web, https=True, port=0, host="0.0.0.0")
    server = create_server(app, **_serving(web))
    assert server.effective_host == "127.0.0.1"
    threading.Thread(target=server.run, daemon=True).start()
    https, http = free_port(), free_port()
    (folder / "nginx.conf").write_text(configuration(folder, https, http, server.effective_port))
    assert NGINX is not None
    proxy = subprocess.Popen([NGINX, "-c", str(folder / "nginx.conf"), "-e", "stderr"])
    try:
        wait_for(lambda: _listens(https) or proxy.poll() is not None)
        assert proxy.poll() is None, (folder / "error.log").read_text()
        yield https, http, folder / "authority.pem"
    finally:
        proxy.terminate()
        proxy.wait(10)
        server.close()


def _listens(port: int) -> bool:
    with socket.socket() as client:
        client.settimeout(1.0)
        return client.connect_ex(("127.0.0.1", port)) == 0


def _browser(port: int, authority: Path) -> urllib.request.OpenerDirector:
    """A client that knows the room's name and trusts the school's authority."""

    class Here(urllib.request.HTTPSHandler):
        def https_open(self, request: urllib.request.Request) -> object:
            context = ssl.create_default_context(cafile=str(authority))
            return self.do_open(lambda host, **kw: _Connection(port, context, **kw), request)

    jar = urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar())
    return urllib.request.build_opener(Here(), jar)


class _Connection(http.client.HTTPSConnection):
    def __init__(self, port: int, context: ssl.SSLContext, **more: object) -> None:
        super().__init__(NAME, 443, context=context, timeout=120)
        self._real_port = port

    def connect(self) -> None:
        plain = socket.create_connection(("127.0.0.1", self._real_port), 120)
        self.sock = self._context.wrap_socket(plain, server_hostname=NAME)  # type: ignore[attr-defined]


def test_signing_in_over_https(ports: tuple[int, int, Path]) -> None:
    https, _, authority = ports
    browser = _browser(https, authority)
    page = browser.open(f"https://{NAME}/sign-in")
    assert page.headers["Strict-Transport-Security"] == "max-age=31536000"
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page.read().decode())
    assert found
    form = {"csrf_token": found[1], "nickname": "Mira", "pin": PIN, "look": "x"}
    sent = urllib.request.Request(
        f"https://{NAME}/sign-in",
        urllib.parse.urlencode(form).encode(),
        {"Referer": f"https://{NAME}/sign-in"},
    )
    week = browser.open(sent)
    assert week.url == f"https://{NAME}/"
    assert "Mira" in week.read().decode()


def test_a_certificate_nobody_vouches_for_is_refused(ports: tuple[int, int, Path]) -> None:
    with pytest.raises(ssl.SSLCertVerificationError):
        socket_of = socket.create_connection(("127.0.0.1", ports[0]), 10)
        ssl.create_default_context().wrap_socket(socket_of, server_hostname=NAME)


def test_plain_http_is_sent_on(ports: tuple[int, int, Path]) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", ports[1], timeout=120)
    connection.request("GET", "/ear?week=2026-W07", headers={"Host": NAME})
    answer = connection.getresponse()
    assert answer.status == 301
    assert answer.headers["Location"] == f"https://{NAME}/ear?week=2026-W07"


def test_wrong_tries_count_for_the_address_behind_the_proxy(ports: tuple[int, int, Path]) -> None:
    """The proxy says who asks, and what a client claims of itself is not believed."""
    https, _, authority = ports
    browser = _browser(https, authority)
    page = browser.open(f"https://{NAME}/sign-in").read().decode()
    found = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page)
    assert found
    statuses = []
    for number in range(7):
        form = {"csrf_token": found[1], "nickname": "Tomas", "pin": "999999", "look": "x"}
        headers = {"Referer": f"https://{NAME}/", "X-Forwarded-For": f"10.1.1.{number}"}
        sent = urllib.request.Request(
            f"https://{NAME}/sign-in", urllib.parse.urlencode(form).encode(), headers
        )
        try:
            statuses.append(browser.open(sent).status)
        except urllib.error.HTTPError as error:
            statuses.append(error.code)
    assert statuses == [403] * 5 + [429] * 2
