"""What all tests share: how long properties are searched.

`check` runs the same examples every time, so that it never fails by luck; TARELINE_FULL=1 searches anew and longer.
"""

import os

from hypothesis import settings

settings.register_profile("check", max_examples=60, deadline=None, derandomize=True)
settings.register_profile("full", max_examples=1000, deadline=None)
settings.load_profile("full" if os.environ.get("TARELINE_FULL") == "1" else "check")
