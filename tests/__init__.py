"""The tests; benchmarks are in ``bench``."""

import appliance  # noqa: F401 - before numpy: it keeps linear algebra to one thread, as when run
