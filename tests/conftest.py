"""What all tests share: how long properties are searched, and that locks are taken in their order.

`check` runs the same examples every time, so that it never fails by luck, and so does TARELINE_QUICK=1, with fewer of
them; TARELINE_FULL=1 searches anew and longer.
"""

import os

from hypothesis import settings

from lock_order import refuse
from tareline import locks

locks.on_wrong_order = refuse

settings.register_profile("check", max_examples=60, deadline=None, derandomize=True)
settings.register_profile("full", max_examples=1000, deadline=None)
settings.register_profile("quick", max_examples=10, deadline=None, derandomize=True)
full, quick = (os.environ.get(name) == "1" for name in ("TARELINE_FULL", "TARELINE_QUICK"))
settings.load_profile("full" if full else "quick" if quick else "check")
