"""Sound between an audio callback and the room: joined blocks one way, a drone ahead the other."""

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from appliance.devices.blocks import JOINED_S, Block, Handover, Joined
from appliance.devices.loudspeaker import AHEAD_S, Loudspeaker
from appliance.practice.drone import Drone
from appliance.practice.order import DroneOrder
from appliance.settings import DroneSettings

RATE_HZ = 48000.0
QUICK = replace(DroneSettings(), fade_s=0.05, preview_s=0.1)
ORDERS = st.builds(
    DroneOrder,
    root_hz=st.sampled_from([65.406, 220.0, 233.08]),
    sounding=st.booleans(),
    preview=st.booleans(),
    level_dbfs=st.sampled_from([None, -30.0, -20.0]),
)


def taken(handover: Handover) -> list[Block]:
    blocks = []
    while (block := handover.get(0.0)) is not None:
        blocks.append(block)
    return blocks


def test_blocks_are_joined_in_order_and_none_waits_longer_than_it_must() -> None:
    handover = Handover()
    joined = Joined(handover, RATE_HZ)
    sound = np.arange(40 * 512, dtype=np.float32)
    for number, part in enumerate(np.split(sound, 40)):
        joined.add(part, -part, float(number))
        waiting = 512 * (number + 1) - 512 * 15 * handover.blocks
        assert 0 <= waiting < JOINED_S * RATE_HZ
    joined.hand_over()
    joined.hand_over()  # nothing is left
    blocks = taken(handover)
    assert [block.mic.size for block in blocks] == [15 * 512, 15 * 512, 10 * 512]
    assert [block.at_s for block in blocks] == [14.0, 29.0, 39.0]  # when its last frame was heard
    assert np.array_equal(np.concatenate([block.mic for block in blocks]), sound)
    assert np.array_equal(np.concatenate([block.sent for block in blocks]), -sound)


def test_what_was_heard_before_a_break_is_no_part_of_what_comes_after() -> None:
    handover = Handover()
    joined = Joined(handover, RATE_HZ)
    silence = np.zeros(512, np.float32)
    joined.add(silence, silence, 0.0)
    joined.hand_over()
    handover.break_off()
    for number in range(15):
        joined.add(silence + 1.0, silence, float(number))
    before, after = taken(handover)
    assert not before.mic.any() and after.mic.all() and after.fresh


@settings(max_examples=60, deadline=None)
@given(script=st.lists(st.tuples(st.integers(1, 40), ORDERS), max_size=8))
def test_no_order_waits_for_what_was_rendered_ahead(script: list[tuple[int, DroneOrder]]) -> None:
    """Sample by sample the same as a drone that is told at once and renders nothing ahead."""
    loudspeaker, drone = Loudspeaker(QUICK, RATE_HZ), Drone(QUICK, RATE_HZ)
    assert AHEAD_S * RATE_HZ > 512  # else there is nothing to be ahead of
    for blocks, order in script:
        for _ in range(blocks):
            assert np.array_equal(loudspeaker.render(512), drone.sound(512))
        loudspeaker.order(order)
        if order.level_dbfs is not None:
            drone.set_level(order.level_dbfs)
        (drone.preview if order.preview else drone.set_root)(order.root_hz)
        if order.sounding != drone.sounding:
            (drone.start if order.sounding else drone.stop)()
    for frames in (512, 333, 4096, 20000, 512):
        assert np.array_equal(loudspeaker.render(frames), drone.sound(frames))
