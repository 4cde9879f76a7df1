"""A lot on a real Dask scheduler with two worker processes that cannot read this process's paths."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import pytest

from pipelines import cluster, lot
from tests.workers_that_die import DOUBLE
from vision.draw import encode_jpeg
from vision.errors import UsageError
from vision.photo import load

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")

REPOSITORY = Path(__file__).resolve().parent.parent
SAMPLES = REPOSITORY / "sample_images" / "listings" / "altered"


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory):
    """The address of a scheduler with two workers, which run in an empty folder."""
    place = tmp_path_factory.mktemp("cluster")
    environment = {
        **os.environ,
        "PYTHONPATH": str(REPOSITORY),
        "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",
        "DASK_DISTRIBUTED__WORKER__DAEMON": "False",
        "OMP_NUM_THREADS": "1",
    }
    environment.pop("SOURCE_DATE_EPOCH", None)
    contact = place / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    commands = [
        [*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"],
        [*dask, "worker", "--nworkers", "2", "--nthreads", "1", "--no-dashboard", "--host", "127.0.0.1"],
    ]
    processes = [
        subprocess.Popen(
            [*command, "--scheduler-file", str(contact)],
            env=environment,
            cwd=place,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        for command in commands
    ]
    try:
        yield _address_once_ready(contact)
    finally:
        for process in reversed(processes):
            os.killpg(process.pid, signal.SIGTERM)
        for process in processes:
            try:
                process.wait(15)
            except subprocess.TimeoutExpired:
                os.killpg(process.pid, signal.SIGKILL)
                process.wait()


def _address_once_ready(contact):
    import json

    from distributed import Client

    end = time.monotonic() + 90
    while not contact.is_file():
        assert time.monotonic() < end, "the scheduler did not start"
        time.sleep(0.2)
    address = json.loads(contact.read_text())["address"]
    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=90)
    return address


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two dolls with small photos and a broken file."""
    place = tmp_path_factory.mktemp("estate")
    for doll, names in {"doll_1": ("face", "soles"), "doll_2": ("body",)}.items():
        (place / doll).mkdir()
        for name in names:
            rgb = load((SAMPLES / f"{name}.jpg").read_bytes()).rgb
            small = cv2.resize(rgb, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)
            (place / doll / f"{name}.jpg").write_bytes(encode_jpeg(small, 90))
    (place / "doll_2" / "broken.jpg").write_bytes(b"\xff\xd8\xff\xe0 cut")
    return place


def contents(out):
    return {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*") if p.is_file()}


def test_the_same_bytes_on_a_cluster_and_with_any_jobs(scheduler, folder, tmp_path, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1700000000")
    # A path that leads nowhere from where the workers are.
    monkeypatch.chdir(folder)
    told = []
    results = {}
    for name, how in {"one": {"jobs": 1}, "two": {"jobs": 2}, "cluster": {"cluster": scheduler}}.items():
        lot.run(
            Path(), guide="verity", out=tmp_path / name, progress=lambda *step: told.append(step[:2]), **how
        )
        results[name] = contents(tmp_path / name)
    assert results["one"].keys() == results["two"].keys() == results["cluster"].keys()
    differ = [
        name
        for name in results["one"]
        if not results["one"][name] == results["two"][name] == results["cluster"][name]
    ]
    assert differ == []
    assert any(name.endswith(".png") for name in results["one"])
    assert told[-1] == (2, 2)


def test_a_task_that_kills_its_worker_costs_itself_alone(scheduler):
    found = {}
    with cluster.cluster_workers(scheduler) as crew:
        crew.run(DOUBLE, [1, 2, 13, 4, 5], found.__setitem__)
    assert found == {0: 2, 1: 4, 2: -13, 3: 8, 4: 10}


def test_a_cluster_with_other_code_is_refused(scheduler, monkeypatch):
    monkeypatch.setattr(cluster.cache, "code_version", lambda *_, **__: "newer code")
    with pytest.raises(UsageError, match="another version"), cluster.cluster_workers(scheduler):
        pytest.fail("it was let in")


def test_a_worker_that_joins_late_with_other_code_does_nothing(scheduler):
    found = {}
    with cluster.cluster_workers(scheduler) as crew:
        crew._code = "newer code"
        with pytest.raises(UsageError, match="another version"):
            crew.run(DOUBLE, [1], found.__setitem__)
    assert found == {}


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense", "tcp://", "127.0.0.1:999999"])
def test_an_address_where_nobody_answers(address, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 1.0)
    start = time.monotonic()
    with pytest.raises(UsageError, match="dask scheduler"), cluster.cluster_workers(address):
        pytest.fail("somebody answered")
    assert time.monotonic() - start < 20


def test_without_the_extra_it_says_so(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match="extra 'cluster'"), cluster.cluster_workers("tcp://127.0.0.1:1"):
        pytest.fail("nothing is installed")
