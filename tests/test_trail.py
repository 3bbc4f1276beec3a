"""How far gains have moved that nobody could follow, told from those that were followed."""

import numpy as np

from appliance.hearing.trail import Trail

COUNT = 8
STILL = np.ones(COUNT, complex)
FOLLOWED = np.ones(COUNT, bool)


def test_the_lost_have_moved_as_far_as_the_followed() -> None:
    trail = Trail()
    followed = FOLLOWED.copy()
    followed[0] = False
    for chunk in range(6):
        gains = np.full(COUNT, 1.0 + 0.1j * chunk)
        gains[0] = 1.0  # held
        trail.put(gains, followed, STILL)
    moved = trail.moved(np.array([0.0, 1.0, 3.0]))
    now = 1.0 + 0.5**2
    assert np.allclose(moved, np.array([0.0, 0.1, 0.3]) ** 2 / now)


def test_what_drift_turns_has_not_moved() -> None:
    trail = Trail()
    turned = np.exp(0.3j * np.arange(COUNT))
    for chunk in range(5):
        trail.put(turned**chunk, FOLLOWED, turned)
    assert np.allclose(trail.moved(np.array([4.0])), 0.0)


def test_one_gain_alone_tells_nothing() -> None:
    trail = Trail()
    followed = np.zeros(COUNT, bool)
    followed[3] = True
    for chunk in range(4):
        trail.put(np.full(COUNT, 1.0 + chunk), followed, STILL)
    assert np.all(trail.moved(np.array([1.0, 3.0])) == 0.0)


def test_longer_than_it_remembers_is_as_far_as_it_remembers() -> None:
    trail = Trail()
    for chunk in range(3):
        trail.put(np.full(COUNT, 1.0 + chunk), FOLLOWED, STILL)
    assert trail.moved(np.array([100.0])) == trail.moved(np.array([2.0]))
