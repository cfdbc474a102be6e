"""What an installed copy brings with it, and what the lock files promise."""

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from hatchling.builders.wheel import WheelBuilder
from packaging.requirements import Requirement

from inspector.__main__ import main

ROOT = Path(__file__).parents[1]
LOCKS = ("requirements.lock", "requirements-dev.lock")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    path = next(WheelBuilder(str(ROOT)).build(directory=str(tmp_path_factory.mktemp("dist")), versions=["standard"]))
    with zipfile.ZipFile(path) as archive:
        yield archive


def in_source(folder, *patterns):
    return {path.relative_to(ROOT).as_posix() for pattern in patterns for path in (ROOT / folder).rglob(pattern)}


@pytest.mark.parametrize(
    ("folder", "patterns"),
    [
        ("inspector", ["*.py"]),
        ("inspector/inspection", ["*.json"]),
        ("inspector/web/templates", ["*.html"]),
        ("inspector/web/static", ["*.css", "*.js", "*.svg"]),
        ("inspector/web/translations", ["*.po", "*.pot"]),
        ("inspector/log/migrations", ["*.py", "*.mako"]),
    ],
)
def test_the_wheel_carries_code_fits_pages_and_migrations(wheel, folder, patterns):
    expected = in_source(folder, *patterns)
    assert expected
    assert expected <= set(wheel.namelist())


def test_the_wheel_carries_a_small_demo_of_every_mold(wheel):
    carried = set(wheel.namelist())
    references = in_source("reference_shapes", "*.toml", "*.jpg")
    assert references
    assert {f"inspector/demo_data/{path}" for path in references} <= carried
    assert "inspector/demo_data/sample_images/truth.json" in carried
    for mold in (ROOT / "reference_shapes").iterdir():
        photos = [name for name in carried if name.startswith(f"inspector/demo_data/sample_images/{mold.name}-")]
        assert len(photos) >= 2, mold.name


def test_the_wheel_is_small_and_holds_nothing_else(wheel):
    assert sum(entry.compress_size for entry in wheel.infolist()) < 25_000_000
    assert {name.split("/")[0] for name in wheel.namelist()} == {"inspector", "inspector-0.1.0.dist-info"}


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_files_name_no_index(lock):
    text = (ROOT / lock).read_text(encoding="utf-8")
    assert "://" not in text
    assert "--index" not in text


@pytest.mark.parametrize("lock", LOCKS)
def test_lock_files_fix_every_package_with_its_hashes(lock):
    text = (ROOT / lock).read_text(encoding="utf-8").replace("\\\n", " ")
    locked = {}
    for line in text.splitlines():
        if line and not line.lstrip().startswith("#"):
            requirement = Requirement(line.split("--hash")[0])
            assert re.fullmatch(r"==[^*]+", str(requirement.specifier)), line
            assert "--hash=sha256:" in line
            locked.setdefault(requirement.name, []).append(requirement)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    for wanted in map(Requirement, project["project"]["dependencies"]):
        assert all(wanted.specifier.contains(str(found.specifier)[2:]) for found in locked[wanted.name]), wanted


def test_every_extra_is_locked_but_the_one_that_only_fits_networks():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    named = re.search(r"^LOCKED_EXTRAS := (.+)$", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE)
    assert named is not None
    assert set(named[1].split()) == set(extras) - {"train"}
    locked = {lock: re.findall(r"^([\w.-]+)(?:\[.+\])?==", (ROOT / lock).read_text(), re.MULTILINE) for lock in LOCKS}
    wanted = {Requirement(line).name for extra in named[1].split() for line in extras[extra]}
    assert wanted <= set(locked["requirements-dev.lock"])
    assert "torch" in {Requirement(line).name for line in extras["train"]}
    assert "torch" not in {*locked["requirements.lock"], *locked["requirements-dev.lock"]}


def test_both_lock_files_agree():
    run, dev = ((ROOT / lock).read_text(encoding="utf-8") for lock in LOCKS)
    fixed = re.compile(r"^\S+==\S+.*(?= \\$)", re.MULTILINE)
    assert set(fixed.findall(run))
    assert set(fixed.findall(run)) <= set(fixed.findall(dev))


def test_a_process_that_works_beside_others_imports_no_command(monkeypatch, capsys):
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["scripts"] == {"inspector": "inspector.__main__:main"}
    # It imports that module before it begins (multiprocessing, "Safe importing of main module").
    imported = "import sys, inspector.__main__; print('inspector.cli' in sys.modules, 'numpy' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", imported], capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["False", "False"]
    monkeypatch.setattr(sys, "argv", ["inspector", "check", "--help"])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert "whole" in capsys.readouterr().out


def test_the_service_of_the_readme_is_one_that_systemd_takes(tmp_path):
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    unit = "".join(
        line[4:] + "\n" if line else "\n" for line in text[text.index("    [Unit]") :].split("\n\n`")[0].splitlines()
    )
    assert re.findall(r"^\[(\w+)\]$", unit, re.MULTILINE) == ["Unit", "Service", "Install"]
    settings = [line for line in unit.splitlines() if line and not line.startswith("[")]
    assert all(re.fullmatch(r"[A-Z]\w+=.*", line) for line in settings), settings
    assert "ExecStart=/opt/inspector/.venv/bin/inspector serve --tell" in settings


def test_the_container_installs_what_is_locked_and_runs_as_nobody_special():
    text = (ROOT / "Containerfile").read_text(encoding="utf-8")
    assert "--require-hashes -r requirements.lock" in text
    for name in re.findall(r"^COPY (.+) \S+$", text, re.MULTILINE):
        assert all((ROOT / each).exists() for each in name.split())
    assert text.index("USER inspector") < text.index("CMD [")
