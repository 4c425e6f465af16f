"""Settings of all tests."""

import os

from hypothesis import settings

# A continuous run tries the same examples every time, so that a red one is about the change; at a desk
# they vary.
settings.register_profile("ci", derandomize=True, deadline=None)
if os.environ.get("CI"):
    settings.load_profile("ci")
