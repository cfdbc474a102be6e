"""What `.ci/run` makes of a network that tells of weaknesses, of one that tells nothing, and of what then fails."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / ".ci" / "run"
PYPI = "https://pypi.org/pypi/jinja2/2.10/json"
MAKE = '#!/bin/sh\necho "make $1"\ntest "$1" != "$FAILING"\n'

pytestmark = pytest.mark.skipif(os.name == "nt", reason="it is a shell script")


@pytest.fixture
def repository(tmp_path):
    for folder in (".ci", ".venv/bin", "bin"):
        (tmp_path / folder).mkdir(parents=True)
    (tmp_path / ".venv" / "bin" / "python").symlink_to(sys.executable)
    (tmp_path / "bin" / "make").write_text(MAKE)
    (tmp_path / "bin" / "make").chmod(0o755)
    return tmp_path


def run(repository, *, pypi, failing=""):
    script = SCRIPT.read_text(encoding="utf-8")
    assert script.count(PYPI) == 1
    (repository / ".ci" / "run").write_text(script.replace(PYPI, pypi))
    environ = {**os.environ, "PATH": f"{repository / 'bin'}:{os.environ['PATH']}", "FAILING": failing}
    command = ["bash", repository / ".ci" / "run"]
    done = subprocess.run(command, env=environ, capture_output=True, text=True, check=False)
    return done.returncode, done.stdout.splitlines()


def told(repository, weaknesses):
    answer = repository / "answer.json"
    answer.write_text(f'{{"vulnerabilities": {weaknesses}}}')
    return answer.as_uri()


@pytest.mark.parametrize(("failing", "code", "steps"), [("", 0, 2), ("audit", 1, 2), ("test", 1, 1)])
def test_where_weaknesses_are_told_packages_are_audited_and_what_is_found_fails(repository, failing, code, steps):
    outcome = run(repository, pypi=told(repository, '[{"id": "CVE-2019-10906"}]'), failing=failing)
    assert outcome == (code, ["make test", "make audit"][:steps])


@pytest.mark.parametrize("reachable", [True, False])
def test_where_none_is_told_one_line_says_that_nothing_was_audited(repository, reachable):
    code, lines = run(repository, pypi=told(repository, "[]") if reachable else "http://127.0.0.1:9/")
    assert code == 0
    assert lines[0] == "make test"
    assert lines[1].startswith("==> Not audited: PyPI tells nothing of known weaknesses from here.")
