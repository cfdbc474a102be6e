import re
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def serving(tmp_path):
    command = [sys.executable, "-c", "from inspector.cli import app; app()", "serve", "--port", "0"]
    process = subprocess.Popen(
        [*command, "--data", str(tmp_path / "data")],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.terminate()
        process.communicate(timeout=30)


def test_the_pages_are_served_at_the_address_that_is_printed(serving, tmp_path):
    line = serving.stdout.readline()
    address = re.search(r"http://127\.0\.0\.1:\d+/", line)
    assert address, line + serving.stderr.read()
    with urllib.request.urlopen(address[0], timeout=60) as answer:
        assert answer.status == 200
        assert "<html" in answer.read().decode()
    assert (tmp_path / "data" / "log.sqlite3").is_file()


def test_a_port_that_is_taken_is_told(run):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = run("serve", "--port", port)
    assert result.exit_code == 1
    assert f"Port {port} of 127.0.0.1 cannot be used" in result.stderr
    assert "--port" in result.stderr
