"""Imports go downwards only, each outside library stays where it belongs, and the pure layers stay pure.

Read from the source, without importing it.
"""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "inspector"

# What each layer may import of the package, as DEVELOPERS.md draws it.
BELOW_INSPECTION = {"comparing", "aligning", "imaging"}
BELOW_WORKSHOP = {"log", "risk", "curing", "inspection"} | BELOW_INSPECTION
MAY_IMPORT = {
    "errors": set(),
    "settings": {"errors"},
    "imaging": {"errors"},
    "aligning": {"errors", "imaging"},
    "comparing": {"errors", "aligning", "imaging"},
    "inspection": {"errors"} | BELOW_INSPECTION,
    "curing": {"errors"},
    "risk": {"errors", "curing"},
    "log": {"errors"},
    "workshop": {"errors", "settings"} | BELOW_WORKSHOP,
    "web": {"errors", "settings", "workshop"} | BELOW_WORKSHOP,
    "cli": {"errors", "settings", "workshop"} | BELOW_WORKSHOP,
    "__main__": {"cli"},
    "inspector": {"errors", "inspection", "imaging"},  # what `from inspector import ...` offers
}
PURE = ("imaging", "aligning", "comparing", "curing", "risk")

# Where an outside library is at home; those not named may be used anywhere.
PICTURE_LAYERS = {"imaging", "aligning", "comparing", "inspection", "workshop"}
AT_HOME = {
    "argon2": {"workshop"},
    "babel": {"web"},
    "prometheus_client": {"web"},
    "sqlalchemy": {"log"},
    "alembic": {"log"},
    "aiohttp": {"log"},
    "botocore": {"log"},
    "distributed": {"inspection"},
    "s3fs": {"log"},
    "sqlite3": {"log"},
    "fastapi": {"web"},
    "starlette": {"web"},
    "jinja2": {"web"},
    "uvicorn": {"web", "cli"},
    "typer": {"cli"},
    "rich": {"cli"},
    "platformdirs": {"settings"},
    "matplotlib": {"workshop"},
    "cv2": PICTURE_LAYERS,
    "PIL": {"imaging"},
    "pillow_heif": {"imaging"},
    "icalendar": {"workshop"},
    "reportlab": {"imaging", "workshop"},
    "skimage": PICTURE_LAYERS - {"workshop"},
}
# Files, clock, chance, network and other processes.
SIDE_EFFECTS = {
    "http", "logging", "multiprocessing", "os", "random", "shutil", "socket", "subprocess", "tempfile", "threading",
    "time", "urllib",
}  # fmt: skip
SIDE_EFFECT_CALLS = {"open", "input", "print"}
SIDE_EFFECT_METHODS = {"now", "today", "utcnow", "read_bytes", "read_text", "write_bytes", "write_text"}

TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "inspector", "reference_shapes", "sample_images", "tests",
    "requirements.lock", "requirements-dev.lock", "Makefile", "Containerfile",
}  # fmt: skip


def layer_of(module):
    """The layer of a module of the package: inspector.log.photos is of "log", inspector itself of "inspector"."""
    parts = module.split(".")
    return parts[1] if len(parts) > 1 else parts[0]


def module_name(path, root):
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imported_modules(path, root):
    """Every module that a file imports, wherever in it, with names given in full."""
    within = list(path.relative_to(root).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            parents = within[: len(within) - node.level + 1] if node.level else []
            module = ".".join([*parents, *([node.module] if node.module else [])])
            if module == "inspector":  # `from inspector import log` names a layer, not the package
                for alias in node.names:
                    is_layer = (root / "inspector" / alias.name).is_dir() or alias.name in MAY_IMPORT
                    yield f"inspector.{alias.name}" if is_layer else "inspector"
            else:
                yield module


def upward_imports(path, root):
    layer = layer_of(module_name(path, root))
    for module in imported_modules(path, root):
        if module.split(".")[0] == "inspector":
            imported = layer_of(module)
            if imported != layer and imported not in MAY_IMPORT[layer]:
                yield f"{layer} imports {imported}"


def strayed_libraries(path, root):
    layer = layer_of(module_name(path, root))
    for module in imported_modules(path, root):
        library = module.split(".")[0]
        if layer not in AT_HOME.get(library, {layer}):
            yield f"{layer} imports {library}"


def side_effects(path, root):
    yield from (module for module in imported_modules(path, root) if module.split(".")[0] in SIDE_EFFECTS)
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Global):
            yield f"global {', '.join(node.names)}"
        elif isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name) and node.func.id in SIDE_EFFECT_CALLS:
                yield f"{node.func.id}()"
            elif isinstance(node.func, ast.Attribute) and node.func.attr in SIDE_EFFECT_METHODS:
                yield f".{node.func.attr}()"


SOURCES = sorted(PACKAGE.rglob("*.py"))
PURE_SOURCES = [path for path in SOURCES if layer_of(module_name(path, ROOT)) in PURE]


def named(path):
    return module_name(path, ROOT)


@pytest.mark.parametrize("path", SOURCES, ids=named)
def test_imports_go_downwards(path):
    assert layer_of(module_name(path, ROOT)) in MAY_IMPORT, "a new layer: give it its place in DEVELOPERS.md and here"
    assert list(upward_imports(path, ROOT)) == []


@pytest.mark.parametrize("path", SOURCES, ids=named)
def test_libraries_stay_where_they_belong(path):
    assert list(strayed_libraries(path, ROOT)) == []


@pytest.mark.parametrize("path", PURE_SOURCES, ids=named)
def test_pure_layers_have_no_side_effects(path):
    assert list(side_effects(path, ROOT)) == []


@pytest.mark.parametrize(
    ("file", "source", "expected"),
    [
        ("web/pages.py", "import inspector.cli.app", ["web imports cli"]),
        ("cli/app.py", "def serve():\n    from inspector import web", ["cli imports web"]),
        ("imaging/mat.py", "from ..aligning import pose", ["imaging imports aligning"]),
        ("log/photos.py", "from inspector.inspection.results import Finding", ["log imports inspection"]),
        ("curing/maturity.py", "from inspector import Reference", ["curing imports inspector"]),
        ("risk/windows.py", "from inspector.curing.maturity import equivalent_age_h", []),
        ("workshop/recording.py", "import inspector.log\nfrom .pictures import jpeg", []),
    ],
)
def test_an_import_upwards_is_seen(tmp_path, file, source, expected):
    path = tmp_path / "inspector" / file
    path.parent.mkdir(parents=True)
    path.write_text(source, encoding="utf-8")
    assert list(upward_imports(path, tmp_path)) == expected


@pytest.mark.parametrize(
    ("file", "source", "expected"),
    [
        ("workshop/recording.py", "from sqlalchemy import select", ["workshop imports sqlalchemy"]),
        ("cli/app.py", "import fastapi", ["cli imports fastapi"]),
        ("log/photos.py", "import cv2", ["log imports cv2"]),
        ("web/app.py", "import fastapi\nimport json", []),
    ],
)
def test_a_strayed_library_is_seen(tmp_path, file, source, expected):
    path = tmp_path / "inspector" / file
    path.parent.mkdir(parents=True)
    path.write_text(source, encoding="utf-8")
    assert list(strayed_libraries(path, tmp_path)) == expected


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("import os.path", ["os.path"]),
        ("text = open('a').read()", ["open()"]),
        ("from datetime import datetime\nt = datetime.now()", [".now()"]),
        ("from datetime import datetime", []),
    ],
)
def test_a_side_effect_is_seen(tmp_path, source, expected):
    path = tmp_path / "inspector" / "imaging" / "mat.py"
    path.parent.mkdir(parents=True)
    path.write_text(source, encoding="utf-8")
    assert list(side_effects(path, tmp_path)) == expected


def test_the_top_level_holds_nothing_else():
    listing = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listing.returncode != 0:
        pytest.skip("not a git checkout")
    entries = {line.split("/")[0] for line in listing.stdout.splitlines()}
    assert {entry for entry in entries if not entry.startswith(".")} <= TOP_LEVEL
