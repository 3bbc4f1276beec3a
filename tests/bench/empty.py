"""``python -m tests.bench.empty``: README's first command where only git and Python are.

Debian systems (see :mod:`tests.bench.containers`) with git, Python and the certificates get a clone
of this one, as a reader of the README would make it, and run the command. It has to show the
planted habits beside what was found and to serve the week.
"""

import argparse
import subprocess
import sys
import time

from tests.bench.containers import TOP, Container, NoContainerError, container, need

PACKAGES = ("python3", "git")
COMMAND = "sh appliance/demo.sh"
# The command ends when it is told to; until then it serves.
SCRIPT = f"""cd /root/groundnote
{COMMAND} >/root/said 2>&1 &
demo=$!
until grep -q "The week is at" /root/said; do
    kill -0 $demo || {{ cat /root/said; exit 1; }}
    sleep 0.5
done
python3 - <<'PYTHON'
import re, urllib.request
from pathlib import Path
said = re.search(r"The week is at http://localhost(:[0-9]+/)", Path("/root/said").read_text())
address = "http://127.0.0.1" + said[1]  # a system so bare has no name for itself
page = urllib.request.urlopen(address).read().decode()
print("SERVED", "<h1" in page)
PYTHON
kill $demo
cat /root/said
"""


def first_command(machine: Container) -> str:
    """Clone, run, look; return how long the command took."""
    clone = machine.folder / "root/groundnote"
    subprocess.run(["git", "clone", "--quiet", "--no-local", str(TOP), str(clone)], check=True)
    needed = (TOP / "README.md").read_text()
    need(f"    {COMMAND}\n" in needed, "the README names another command")
    began_s = time.monotonic()
    said = machine.shell(SCRIPT)
    took_s = time.monotonic() - began_s
    need("SERVED True" in said and "planted" in said, said)
    began_s = time.monotonic()
    machine.shell(f"cd /root/groundnote; {COMMAND} --once >/dev/null")
    return f"{took_s:.0f} s until the week is served; again: {time.monotonic() - began_s:.0f} s"


def main() -> int:
    """Run it on each release; return 1 where it fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("suites", nargs="*", default=["bookworm", "trixie"], metavar="RELEASE")
    for suite in parser.parse_args().suites:
        try:
            with container(suite, PACKAGES) as machine:
                print(f"{suite}: {first_command(machine)}", flush=True)
        except NoContainerError as error:
            print(f"{suite}: FAILED, {error}")
            return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
