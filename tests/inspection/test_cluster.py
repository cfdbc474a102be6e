"""Inspecting on a Dask cluster of two processes: as on one core, references sent once, nothing lost or doubled."""

import json
import os
import signal
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from inspector.cli import app
from inspector.cli.surroundings import Surroundings
from inspector.errors import InputError, InspectorError
from inspector.inspection.batch import inspect_files, prepare_files
from inspector.inspection.cluster import Cluster
from tests.doubles.drawing import drawn_photo
from tests.doubles.drawn_engine import DRAWN_ENGINE
from tests.doubles.sent_things import SentOnce, slow_square, square_or_die

# Workers import the engine by its name, so it has to be found on their path.
ROOT = Path(__file__).parents[2]
RED = (255, 0, 0)
WORKERS = 2


@pytest.fixture(scope="module")
def dask_cluster(tmp_path_factory):
    """A scheduler with two workers, each a process that is started anew when it ends."""
    import dask
    import distributed

    # By default an item has to end four workers before it is held against it: more processes than a test should start.
    with pytest.MonkeyPatch.context() as patched, dask.config.set({"distributed.scheduler.allowed-failures": 0}):
        patched.setenv("PYTHONPATH", str(ROOT))
        with distributed.LocalCluster(
            n_workers=WORKERS,
            threads_per_worker=1,
            dashboard_address=None,
            worker_dashboard_address=None,
            local_directory=str(tmp_path_factory.mktemp("dask")),
        ) as running:
            yield running


@pytest.fixture
def cluster(dask_cluster):
    with Cluster(dask_cluster.scheduler_address) as connected:
        yield connected


def as_json(results):
    """The JSON of inspections byte for byte, but for how long each took."""
    return [json.dumps({**result.inspection.as_json(), "seconds": None}).encode() for result in results]


def test_photos_are_inspected_as_on_one_core_to_the_bit(cluster, tmp_path):
    (tmp_path / "r1.jpg").write_bytes(drawn_photo())
    references, _ = prepare_files([tmp_path / "r1.jpg"], engine=DRAWN_ENGINE)
    models = [DRAWN_ENGINE.combine(references)]
    paths = [tmp_path / f"p{number}.jpg" for number in range(8)]
    for number, path in enumerate(paths):
        path.write_bytes(b"eggs" if number == 2 else drawn_photo(*[RED] * (number % 3 == 0)))
    paths[4].unlink()
    here, there = (
        list(inspect_files(paths, models, engine=DRAWN_ENGINE, overlay_dir=folder, workers=workers))
        for folder, workers in ((tmp_path, None), (tmp_path, cluster))
    )
    assert as_json(there) == as_json(here)
    assert [result.path for result in there] == paths
    assert "p4.jpg cannot be opened" in there[4].inspection.reason
    assert there[0].overlay.read_bytes().startswith(b"\xff\xd8\xff")


def test_the_command_inspects_on_a_cluster_as_on_its_own_cores(dask_cluster, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name, marks in (("r1", ()), ("good", ()), ("chip", (RED,))):
        Path(f"{name}.jpg").write_bytes(drawn_photo(*marks))

    def told(*where):
        arguments = ["inspect", "good.jpg", "chip.jpg", "--reference", "r1.jpg", "--json", "told", *where]
        result = CliRunner().invoke(app, arguments, obj=Surroundings(engine=DRAWN_ENGINE), catch_exceptions=False)
        assert result.exit_code == 0, result.output
        files = sorted(Path("told").iterdir())
        return result.stdout, [{**json.loads(file.read_text()), "seconds": None} for file in files]

    here, there = told(), told("--cluster", dask_cluster.scheduler_address)
    assert there == here
    assert [len(one["findings"]) for one in there[1]] == [1, 0]


def test_what_all_share_is_sent_to_each_worker_once(cluster, tmp_path):
    shared = SentOnce(str(tmp_path / "arrived"))
    assert list(cluster.each(slow_square, shared, range(12), died=str)) == [n * n for n in range(12)]
    arrived = (tmp_path / "arrived").read_text().split()
    assert len(arrived) == len(set(arrived)) == WORKERS


def test_a_worker_that_is_killed_costs_no_result_and_doubles_none(cluster, tmp_path):
    shared = SentOnce(str(tmp_path / "arrived"))
    results = cluster.each(slow_square, shared, iter(range(16)), died=str)
    given = [next(results), next(results)]
    killed = next(iter(cluster._client.run(os.getpid).values()))
    os.kill(killed, signal.SIGKILL)
    assert given + list(results) == [n * n for n in range(16)]


def test_all_workers_may_be_killed_and_it_goes_on_when_others_come(cluster, tmp_path):
    shared = SentOnce(str(tmp_path / "arrived"))
    results = cluster.each(slow_square, shared, range(8), died=str)
    given = [next(results)]
    for process in cluster._client.run(os.getpid).values():
        os.kill(process, signal.SIGKILL)
    assert given + list(results) == [n * n for n in range(8)]


def test_an_item_that_ends_its_workers_costs_itself_only(cluster):
    results = list(cluster.each(square_or_die, 3, range(6), died=lambda number: f"{number} died"))
    assert results == [0, 1, 4, "3 died", 16, 25]


def test_where_nobody_answers_it_is_told(monkeypatch):
    monkeypatch.setattr("inspector.inspection.cluster._CONNECT_TIMEOUT_S", 0.5)
    with pytest.raises(InspectorError, match="No cluster answers at "):
        Cluster("tcp://127.0.0.1:9")


def test_without_dask_it_is_told_how_to_install_it(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="pip install distributed"):
        Cluster("tcp://127.0.0.1:8786")
