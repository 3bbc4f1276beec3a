"""How much fits differ from one another; what they fit: test_cleaning."""

import numpy as np

from appliance.hearing.fits import SHAKES_STEPS, Shakes


def test_fits_that_stand_still_do_not_shake() -> None:
    shakes = Shakes()
    still = np.tile([1.0 + 1.0j, 2.0j], (16, 1))
    assert np.allclose(shakes.of(still), 0.0)
    assert np.allclose(shakes.of(still), 0.0)


def test_it_is_the_variance_of_the_last_fits_whatever_the_chunks() -> None:
    rng = np.random.default_rng(1)
    fits = rng.normal(size=(40, 3)) + 1j * rng.normal(size=(40, 3))
    shakes = Shakes()
    found = np.concatenate([shakes.of(part) for part in np.split(fits, [16, 32])])
    for last in range(SHAKES_STEPS, 40):
        expected = np.var(fits[last - SHAKES_STEPS + 1 : last + 1], axis=0)
        assert np.allclose(found[last], expected)
