"""``groundnote-web``: serve the pages."""

import argparse
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from waitress import create_server

from appliance.control import add_socket
from appliance.settings import Settings, load
from appliance.vocabulary import GroundnoteError
from web import create_app


def main(arguments: Sequence[str] | None = None) -> int:
    """Serve the pages until interrupted; returns the exit code (2: could not start)."""
    options = _parser().parse_args(arguments)
    try:
        settings = _settings(options)
        app = create_app(settings.room.log_path, settings, socket_path=options.socket)
        server = create_server(
            app,
            host=settings.web.host,
            port=settings.web.port,
            ident="",
            clear_untrusted_proxy_headers=True,
        )
    except GroundnoteError as error:
        return _refuse(str(error))
    except (OSError, ValueError) as error:  # the second is waitress's word for an unknown host
        return _refuse(f"The address cannot be used ({error}): choose another --host or --port.")
    shown = "localhost" if settings.web.host in ("0.0.0.0", "::", "") else settings.web.host
    print(f"The week is at http://{shown}:{server.effective_port}/ (stop with Ctrl-C)", flush=True)
    try:
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        server.close()
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="groundnote-web", description="Serve the phone page.")
    parser.add_argument("--settings", type=Path, help="settings file (TOML)")
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
    settings = load(options.settings) if options.settings else Settings()
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
