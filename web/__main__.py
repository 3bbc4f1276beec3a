"""``groundnote-web``: serve the pages."""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from waitress import create_server

from appliance.control import add_socket
from appliance.last_good import load_or_last_good
from appliance.log import owner_code
from appliance.settings import Settings, WebSettings, load
from appliance.vocabulary import GroundnoteError
from web import create_app

THREADS = 4  # two may be hashing PINs; a connection that is only kept open needs none


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve the pages until interrupted; returns the exit code (2: could not start)."""
    options = _parser().parse_args(arguments)
    try:
        settings = _settings(options)
        app = create_app(settings.room.log_path, settings, socket_path=options.socket)
        waiting = owner_code.waiting(Path(settings.room.log_path))
        server = create_server(app, **_serving(settings.web))
    except GroundnoteError as error:
        return _refuse(str(error))
    except (OSError, ValueError) as error:  # the second is waitress's word for an unknown host
        return _refuse(f"The address cannot be used ({error}): choose another --host or --port.")
    shown = "localhost" if settings.web.host in ("0.0.0.0", "::", "") else settings.web.host
    print(f"The week is at http://{shown}:{server.effective_port}/ (stop with Ctrl-C)", flush=True)
    if waiting is not None:
        print(waiting, flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()
    return 0


def _serving(web: WebSettings) -> dict[str, Any]:
    """Return how waitress is to serve: to the network, or to a proxy here that speaks HTTPS."""
    serving: dict[str, Any] = {
        "host": web.host,
        "port": web.port,
        "ident": "",
        "threads": THREADS,
        "clear_untrusted_proxy_headers": True,
    }
    if web.https:
        serving |= {
            "host": "127.0.0.1",
            "url_scheme": "https",
            "trusted_proxy": "127.0.0.1",
            "trusted_proxy_headers": {"x-forwarded-for", "x-forwarded-proto"},
        }
    return serving


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="groundnote-web", description="Serve the phone page.")
    parser.add_argument("--settings", type=Path, help="settings file (TOML)")
    parser.add_argument(
        "--patient",
        action="store_true",
        help="where the settings cannot be read, go on with those that last could be",
    )
    parser.add_argument("--log", help="the log, instead of the one in the settings")
    parser.add_argument("--host", help="address to listen on, instead of the one in the settings")
    parser.add_argument("--port", type=_port, help="port, instead of the settings'; 0: any free")
    add_socket(parser)
    return parser


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and int(text) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError("a port is a number from 0 to 65535")


def _settings(options: argparse.Namespace) -> Settings:
    if options.settings is None:
        settings = Settings()
    elif options.patient:
        settings, _ = load_or_last_good(options.settings)  # the room says what is wrong
    else:
        settings = load(options.settings)
    web = settings.web
    if options.host is not None:
        web = replace(web, host=options.host)
    if options.port is not None:
        web = replace(web, port=options.port)
    room = settings.room if options.log is None else replace(settings.room, log_path=options.log)
    return replace(settings, web=web, room=room)


def _refuse(sentence: str) -> int:
    print(f"groundnote-web: {sentence}", file=sys.stderr)
    return 2


if __name__ == "__main__":
    sys.exit(main())
