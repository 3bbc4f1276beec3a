"""Another machine on the room's network: a container with a network of its own, joined by a cable.

The cable is a pair of virtual interfaces; its other end lies on this machine, whose network the
rooms of :mod:`tests.bench.containers` share.
"""

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager

from tests.bench.containers import Container, container

PACKAGES = ("systemd", "systemd-sysv", "dbus", "avahi-daemon", "avahi-utils", "libnss-mdns", "curl")
NAME = "gn-neighbour"
OURS, THEIRS = "gn-room", "gn-phone"
ADDRESS, THEIR_ADDRESS = "10.231.77.1", "10.231.77.2"
JOIN = (
    f"netns add {NAME}",
    f"link add {OURS} type veth peer name {THEIRS} netns {NAME}",
    f"address add {ADDRESS}/24 dev {OURS}",
    f"-n {NAME} address add {THEIR_ADDRESS}/24 dev {THEIRS}",
    f"link set up dev {OURS}",
    f"-n {NAME} link set up dev {THEIRS}",
)


@contextmanager
def neighbour(suite: str) -> Iterator[Container]:
    """Boot a machine that has only the cable to this one, and asks by mDNS for names."""
    with container(suite, PACKAGES) as machine:
        try:
            for words in JOIN:
                subprocess.run(["ip", *words.split()], check=True)
            with machine.booted(f"--network-namespace-path=/run/netns/{NAME}"):
                yield machine
        finally:
            subprocess.run(["ip", "netns", "delete", NAME], check=True)  # the cable with it
