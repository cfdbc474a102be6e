"""What holds for all tests."""

from hypothesis import settings

# Tests ask what comes out; how long it took depends on what else the machine does. Speed is for `make bench`.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
