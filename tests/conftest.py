"""What holds for all tests."""

import os
import shutil
from pathlib import Path

from hypothesis import settings

# Tests ask what comes out; how long it took depends on what else the machine does. Speed is for `make bench`.
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")

# Every commit waits for its disk, and tests commit often. None pulls the plug, so that memory serves as well; where a
# disk is to be full or read-only, `tests/durability` mounts one.
_IN_MEMORY = Path("/dev/shm")
_ROOM_BYTES = 1_000_000_000  # a run of all tests by two workers takes up to 120 MB
if _IN_MEMORY.is_dir() and os.access(_IN_MEMORY, os.W_OK) and shutil.disk_usage(_IN_MEMORY).free > _ROOM_BYTES:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(_IN_MEMORY))
