"""Contacts that close and open, fed to a pedalboard."""

from appliance.practice.pedalboard import Gesture, Pedal, Pedalboard
from appliance.settings import PedalSettings

SETTINGS = PedalSettings()  # hold 0.6 s, debounce 0.03 s
LEFT, MIDDLE, RIGHT, FOURTH = ({pedal} for pedal in Pedal)
BOTH = LEFT | RIGHT
Edge = tuple[float, Pedal, str]


def play(edges: list[Edge], ticks: list[float] | None = None) -> list[Gesture]:
    """Feed the edges, with ticks in between, and look once more when all is over."""
    board = Pedalboard(SETTINGS)
    gestures: list[Gesture] = []
    moments = [*edges, *((at_s, Pedal.LEFT, "tick") for at_s in ticks or [])]
    for at_s, pedal, what in sorted(moments, key=lambda moment: moment[0]):
        if what == "tick":
            gestures += board.tick(at_s)
        else:
            gestures += getattr(board, what)(pedal, at_s)
    return gestures + board.tick(1e6)


def pressed(pedals: set[Pedal], from_s: float, to_s: float) -> list[Edge]:
    return [
        edge
        for pedal in sorted(pedals)
        for edge in ((from_s, pedal, "press"), (to_s, pedal, "release"))
    ]


def in_time(edges: list[Edge]) -> list[Edge]:
    return sorted(edges, key=lambda edge: edge[0])
