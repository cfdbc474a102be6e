"""A log of 5,000 pieces, made once for all that is measured over one."""

from pathlib import Path

import pytest

from tests.doubles.large_log import fill_log

PIECES = 5000


@pytest.fixture(scope="session")
def large_log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give the data folder of that log, to be copied by whoever writes to it."""
    data_dir = tmp_path_factory.mktemp("large") / "data"
    fill_log(data_dir, pieces=PIECES)
    return data_dir
