"""``groundnote owner-code``: print the one-time code that makes an owner.

Whoever can run it has a shell on the machine; that is how a lost owner gets back in.
"""

import argparse
from pathlib import Path

from appliance.log import owner_code
from appliance.settings import Settings, load


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add what ``owner-code`` can be told."""
    parser.add_argument("--settings", type=Path, metavar="FILE", help="a TOML file")
    parser.add_argument("--log", type=Path, metavar="FILE", help="the log, instead of log_path")
    parser.add_argument(
        "--new",
        action="store_true",
        help="make a new code, also where there is an owner: to get back in, or for one more",
    )


def run(options: argparse.Namespace) -> int:
    """Print the code that waits, or that there is an owner already; return 0."""
    settings = load(options.settings) if options.settings else Settings()
    log_path = options.log or Path(settings.room.log_path)
    if options.new:
        owner_code.forget(log_path)
        print(f"New owner code, to be typed once at /owner: {owner_code.owner_code(log_path)}")
        return 0
    waiting = owner_code.waiting(log_path)
    print(waiting or "This room has an owner. 'groundnote owner-code --new' makes a new code.")
    return 0
