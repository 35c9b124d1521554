"""Verify on the workers of a Dask scheduler: the verdict of one machine, and no other file is taken for a pack."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from packer.cli import run_fetch, run_verify
from packer.cli.fetch_options import FetchOptions
from packer.errors import InputError, StoreError
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.proof.cluster import ClusterPool, cluster_pool
from packer.proof.proving import verify
from packer.proof.results import Depth
from tests.conftest import BriefMaker
from tests.tile_server import TileServer


@pytest.fixture
def fetched(brief_for: BriefMaker) -> Brief:
    with TileServer() as server:
        brief = brief_for(server.url, area="box = [12.30, 47.00, 12.40, 47.05]\ndeepest = 15")
        assert run_fetch.run(brief.path, None, True, FetchOptions(let_sleep=True)) == 0
    return brief


def corrupt_one(brief: Brief) -> None:
    with sqlite3.connect(pack_path(brief, "survey")) as db:
        [(number, data)] = db.execute("SELECT id, data FROM blob ORDER BY id LIMIT 1 OFFSET 7").fetchall()
        db.execute("UPDATE blob SET data = ? WHERE id = ?", (data[:-1] + bytes([data[-1] ^ 1]), number))


@pytest.fixture(scope="module")
def scheduler() -> Iterator[str]:
    """The address of a real scheduler with two workers, all in threads of this process."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=False,
        protocol="tcp",
        host="127.0.0.1",
        dashboard_address=None,
    ) as cluster:
        yield cluster.scheduler_address


@pytest.mark.filterwarnings("ignore")  # of the library's own
@pytest.mark.parametrize("damaged", [False, True])
def test_the_verdict_of_a_cluster_is_that_of_one_machine(
    fetched: Brief, scheduler: str, damaged: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    if damaged:
        corrupt_one(fetched)
    capsys.readouterr()
    alone = run_verify.run(fetched.path, None, True, full=True)
    before = json.loads(capsys.readouterr().out)
    with_others = run_verify.run(fetched.path, None, True, full=True, cluster=scheduler)
    after = json.loads(capsys.readouterr().out)
    assert (alone, before["verdict"]) == ((1, "NOT READY") if damaged else (0, "READY"))
    assert (with_others, after) == (alone, before)


class Elsewhere(Executor):
    """Workers of another machine, in place of a cluster: `before` is done ahead of each task, or raises."""

    def __init__(self, before: Any) -> None:
        self._inner, self._before = ThreadPoolExecutor(1), before

    def submit(self, task: Any, /, *rest: Any, **more: Any) -> Future[Any]:
        def work() -> Any:
            self._before()
            return task(*rest, **more)

        return self._inner.submit(work)


def verify_at(brief: Brief, before: Any) -> None:
    verify(brief, plan(brief), depth=Depth.FULL, cluster=ClusterPool("tls://node:8786", Elsewhere(before), 1))


def test_a_worker_that_sees_another_file_at_the_path_of_a_pack_ends_the_verify(
    fetched: Brief, tmp_path: Path
) -> None:
    pack, whole = pack_path(fetched, "survey"), tmp_path / "whole"
    shutil.copy2(pack, whole)
    corrupt_one(fetched)

    def other_machine() -> None:  # there an intact copy lies in its place
        shutil.copyfile(whole, pack)

    with pytest.raises(StoreError, match=r"sees another file at .*survey.mbtiles than this machine"):
        verify_at(fetched, other_machine)
    with pytest.raises(StoreError, match="A worker of the cluster cannot read"):
        verify_at(fetched, pack.unlink)


def test_a_cluster_that_breaks_down_is_told_in_a_sentence_and_is_no_verdict(fetched: Brief) -> None:
    def lost() -> None:
        raise ConnectionResetError

    with pytest.raises(
        StoreError, match=r"The cluster at tls://node:8786 did not finish .* \(ConnectionResetError\)"
    ):
        verify_at(fetched, lost)


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("10.0.0.5", 'such as "tls://10.0.0.5:8786"'),
        ("tcp://10.0.0.5:8786", "Without TLS only one on this machine"),
        ("tls://10.0.0.5", "it should be the address"),
        ("tcp://127.0.0.1:9", "No Dask scheduler answers at"),
    ],
)
def test_an_address_that_cannot_serve_is_refused(
    address: str, told: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("distributed")
    monkeypatch.setattr("packer.proof.cluster._CONNECT_S", 0.2)
    with pytest.raises(InputError, match=told), cluster_pool(address):
        pass


def test_a_quick_verify_takes_no_cluster(fetched: Brief) -> None:
    with pytest.raises(InputError, match="--for and --cluster do not go with it"):
        run_verify.run(fetched.path, None, True, quick=True, cluster="tcp://127.0.0.1:8786")
