"""Verify and handover on the workers of a Dask scheduler: the verdict and the files of one machine, and no other file
is taken for a pack, no other folder for a card."""

from __future__ import annotations

import json
import pickle
import shutil
import sqlite3
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from packer.cli import run_fetch, run_verify
from packer.cli.fetch_options import FetchOptions
from packer.errors import InputError, StoppedError, StoreError
from packer.handover import HandoverReport, handover, inspect_tree
from packer.handover import spreading as spreading_module
from packer.handover.crews import DeviceCrew
from packer.handover.kinds import As
from packer.handover.spreading import FileOrder, write_there
from packer.handover.target import leftovers
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import plan
from packer.proof.cluster import ClusterPool, WorkerWait, at_same_version, cluster_pool
from packer.proof.proving import verify
from packer.proof.results import Depth
from packer.version import __version__
from tests.handover_packs import KEY, brief_in, layered_brief, layered_packs, packs, picture
from tests.tile_server import TileServer

BRIEF = """title = "Test ground"
contact = "planner@example.org"
overview = false
[layers.survey]
url = "{url}?key={key}"
attribution = "Survey"
permission = "Own server"
zooms = [0, 18]
connections = 8
requests-per-second = 100000
[[areas]]
name = "ground"
box = [12.30, 47.00, 12.40, 47.05]
deepest = 15
"""


@pytest.fixture(scope="module")
def fetched_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fetched")
    with TileServer() as server:
        (folder / "brief.toml").write_text(BRIEF.format(url=server.url, key=KEY), encoding="utf-8")
        assert run_fetch.run(folder / "brief.toml", None, True, FetchOptions(let_sleep=True)) == 0
    return folder


@pytest.fixture
def fetched(fetched_once: Path, tmp_path: Path) -> Brief:
    """A brief with its pack, which the test may do with what it likes."""
    shutil.copytree(fetched_once, tmp_path / "trip")
    return Brief.read(tmp_path / "trip")


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


# ------------------------------------------------------------------------------------ handover

CREWS = (DeviceCrew("north"), DeviceCrew("south"))


def contents(folder: Path) -> dict[str, bytes]:
    """What the folder holds, hidden files too; the manifests without the hour at which they were written."""
    found = {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    return {
        name: data
        for name, data in found.items()
        if not name.endswith(("manifest.json", "crews.json", ".lock"))
    }


def hand_over_at(
    brief: Brief, to: Path, pool: ClusterPool | None, as_: As = "mbtiles", **more: Any
) -> HandoverReport:
    return handover(brief, plan(brief), None, to, as_=as_, crews=CREWS, cluster=pool, **more)


def told(report: HandoverReport) -> list[dict[str, Any]]:
    return [copy.manifest.model_dump(exclude={"made"}) for copy in report.copies]


@pytest.mark.filterwarnings("ignore")  # of the library's own
def test_the_files_that_a_cluster_writes_are_those_of_one_machine(scheduler: str, tmp_path: Path) -> None:
    """Two crews, two layers, and one of them in parts."""
    brief, worked_out = brief_in(tmp_path)
    packs(brief, worked_out, draw=lambda tile: picture(tile, noise=5_000))
    alone, spread = tmp_path / "alone", tmp_path / "spread"
    before = handover(brief, worked_out, None, alone, crews=CREWS, max_file_bytes=300_000)
    with cluster_pool(scheduler) as pool:
        after = handover(brief, worked_out, None, spread, crews=CREWS, max_file_bytes=300_000, cluster=pool)
    assert len(list(alone.rglob("*.mbtiles"))) > 6
    assert contents(spread) == contents(alone)
    assert told(after) == told(before)
    assert inspect_tree(spread).intact


class Here(Executor):
    """Workers in threads of this process, for a handover: `before` is done ahead of each task and `after` with what it
    gave, which may be altered."""

    def __init__(self, before: Any = lambda _order: None, after: Any = lambda _order, found: found) -> None:
        self._inner, self._before, self._after = ThreadPoolExecutor(2), before, after

    def submit(self, task: Any, /, *rest: Any, **more: Any) -> Future[Any]:
        def work() -> Any:
            sent = pickle.dumps(more["order"])  # as it would come
            assert KEY.encode() not in sent
            order = pickle.loads(sent)
            self._before(order)
            return self._after(order, task(*rest, order=order))

        return self._inner.submit(work)


def pool_of(before: Any = lambda _order: None, after: Any = lambda _order, found: found) -> ClusterPool:
    return ClusterPool("tls://node:8786", Here(before, after), 2)


@pytest.mark.parametrize("as_", ["gpkg", "folder"])
def test_every_kind_of_copy_is_the_same_from_a_cluster_also_in_place_of_an_older_one(
    fetched: Brief, tmp_path: Path, as_: As
) -> None:
    hand_over_at(fetched, tmp_path / "alone", None, as_)
    for _ in range(2):
        hand_over_at(fetched, tmp_path / "spread", pool_of(), as_)
    assert contents(tmp_path / "spread") == contents(tmp_path / "alone")
    assert inspect_tree(tmp_path / "spread").intact


def test_a_worker_that_was_lost_and_goes_on_writing_reaches_no_file_that_was_named(
    fetched: Brief, tmp_path: Path
) -> None:
    hand_over_at(fetched, tmp_path / "alone", None)
    held = []

    def twice(order: FileOrder) -> None:
        """The task was given to another worker that is lost, and which writes on."""
        name, _ = write_there(order)
        held.append((order.folder / name).open("r+b"))

    def writes_on(_order: FileOrder, found: object) -> object:
        for file in held:
            file.write(b"not what was planned")
            file.flush()
        return found

    hand_over_at(fetched, tmp_path / "spread", pool_of(twice, writes_on))
    for file in held:
        file.write(b"still at it")
        file.close()
    assert len(held) == 2
    assert contents(tmp_path / "spread") == contents(tmp_path / "alone")
    assert inspect_tree(tmp_path / "spread").intact


def test_a_blend_that_a_cluster_hands_over_is_that_of_one_machine_also_if_a_worker_is_lost(
    tmp_path: Path,
) -> None:
    """Two layers over a third. A lost worker has left what it wrote, and another one writes the file again."""
    brief = layered_brief(tmp_path)
    layered_packs(brief)

    def twice(order: FileOrder) -> None:
        write_there(order)

    before = handover(brief, plan(brief), None, tmp_path / "alone", blend=True)
    after = handover(brief, plan(brief), None, tmp_path / "spread", blend=True, cluster=pool_of(twice))
    assert contents(tmp_path / "spread") == contents(tmp_path / "alone")
    assert told(after) == told(before)
    assert after.copies[0].manifest.layers["aerial"].blended is not None
    assert not list(brief.store_folder.glob(".*blended*"))
    assert inspect_tree(tmp_path / "spread").intact


def flip_a_bit(order: FileOrder, found: tuple[str, Any]) -> tuple[str, Any]:
    """The storage loses a bit between a worker and this machine."""
    part = order.folder / found[0]
    data = part.read_bytes()
    part.write_bytes(data[:-1] + bytes([data[-1] ^ 1]))
    return found


def raising(fault: Exception) -> Any:
    def work(_order: FileOrder) -> None:
        raise fault

    return work


@pytest.mark.parametrize(
    ("before", "after", "sentence"),
    [
        (
            raising(ConnectionResetError()),
            None,
            r"at tls://node:8786 did not finish the handover \(ConnectionReset",
        ),
        (
            lambda order: (order.folder / order.note).unlink(),
            None,
            r"does not see the folder .* that this machine",
        ),
        (lambda order: order.pack.touch(), None, r"sees another file at .*survey.mbtiles than this machine"),
        (None, flip_a_bit, "is not as a worker of the cluster wrote it, so it was discarded"),
        (
            None,
            lambda order, found: ((order.folder / found[0]).unlink(), found)[1],
            "as seen from this machine",
        ),
    ],
)
def test_what_a_cluster_cannot_prove_is_no_card(
    fetched: Brief, tmp_path: Path, before: Any, after: Any, sentence: str
) -> None:
    to = tmp_path / "to"
    pool = pool_of(before or (lambda _order: None), after or (lambda _order, found: found))
    with pytest.raises(StoreError, match=sentence):
        hand_over_at(fetched, to, pool)
    assert not list(to.rglob("manifest.json"))
    assert not list(to.rglob("*.mbtiles"))
    assert {path.name for path in to.rglob(".*.part")} == {".intent.handover.part"}
    report = hand_over_at(fetched, to, pool_of())
    assert report.complete
    assert inspect_tree(to).intact


def test_a_worker_with_another_sqlite_writes_nothing(
    fetched: Brief, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pool = pool_of(lambda _order: monkeypatch.setattr(spreading_module, "builder_mark", lambda: "SQLite 3.0"))
    with pytest.raises(StoreError, match=r"has SQLite 3.0, .* so its files would have other bytes"):
        handover(fetched, plan(fetched), None, tmp_path / "to", cluster=pool)


def test_a_tile_that_is_corrupt_is_told_in_the_words_of_one_machine_and_left_out_if_allowed(
    fetched: Brief, tmp_path: Path
) -> None:
    corrupt_one(fetched)
    sentences = []
    for pool in (None, pool_of()):
        with pytest.raises(StoreError) as found:
            hand_over_at(fetched, tmp_path / "to", pool)
        sentences.append(str(found.value))
    assert sentences[0] == sentences[1]
    alone = hand_over_at(fetched, tmp_path / "alone", None, allow_gaps=True)
    spread = hand_over_at(fetched, tmp_path / "spread", pool_of(), allow_gaps=True)
    assert told(spread) == told(alone)
    assert contents(tmp_path / "spread") == contents(tmp_path / "alone")


def test_a_stop_ends_the_workers_and_the_next_handover_keeps_what_was_finished(
    fetched: Brief, tmp_path: Path
) -> None:
    to = tmp_path / "to"
    started, over = threading.Semaphore(0), threading.Event()
    stopped: list[BaseException] = []

    def slow(order: FileOrder) -> None:
        """Files for north come; that for south waits until the handover has ended."""
        if order.folder.name == "south":
            started.release()
            assert over.wait(30)
            with pytest.raises(StoreError, match="does not see the folder"):
                write_there(order)
            stopped.append(StoppedError("told so"))

    def stop(doing: str, _done: int, _every: int) -> None:
        if doing.startswith("writing") and (to / "north" / "survey.mbtiles").exists():
            assert started.acquire(timeout=30)
            raise StoppedError("asked")

    with pytest.raises(StoppedError, match="asked"):
        hand_over_at(fetched, to, pool_of(slow), on_progress=stop)
    over.set()
    assert [path.name for path in leftovers(to / "south")] == [".intent.handover.part"]
    report = hand_over_at(fetched, to, pool_of())
    assert any("finished before the handover was cut off" in note for note in report.notes)
    assert inspect_tree(to).intact


# ------------------------------------------------------------------------------------ the last worker is gone


class Nobody(Executor):
    """A cluster without a worker: what is to be done stays undone."""

    def submit(self, task: Any, /, *rest: Any, **more: Any) -> Future[Any]:
        return Future()


def verify_with(brief: Brief, _to: Path, pool: ClusterPool) -> None:
    verify(brief, plan(brief), depth=Depth.FULL, cluster=pool)


def test_the_wait_for_a_worker_is_said_after_a_moment_and_now_and_then_and_ends_in_a_quarter_of_an_hour() -> (
    None
):
    now, workers, said = [100.0], [0], list[str]()
    pool = ClusterPool("tls://node:8786", Nobody(), 1, lambda: workers[0], said.append)
    absence = WorkerWait(pool, "the handover", "hand over", lambda: now[0])

    def after(seconds: float) -> int:
        now[0] += seconds
        absence.look()
        return len(said)

    assert after(0.0) == after(2.0) == 0, "one that watches over a worker starts it again"
    assert after(1.5) == after(60.0) == 1
    assert "No worker of the cluster is left. Waiting until " in said[0]
    assert "dask worker tls://node:8786" in said[0]
    assert after(300.0) == 2
    workers[0] = 1
    assert after(1.0) == after(1.0) == 3
    assert (said[2], absence.told) == ("A worker has joined the cluster. Going on.", "")
    workers[0] = 0
    assert after(1.0) == 3, "the wait begins anew"
    assert after(899.0) == 4
    with pytest.raises(
        StoreError, match=r"No worker has joined .* for 15 min, .* and hand over again"
    ) as found:
        after(1.0)
    assert found.value.exit_code == 3


@pytest.mark.parametrize("work", [verify_with, hand_over_at])
def test_work_whose_last_worker_is_gone_says_so_and_ends_with_no_verdict_and_no_card(
    fetched: Brief, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, work: Any
) -> None:
    said: list[str] = []
    monkeypatch.setattr("packer.proof.cluster._RESTART_S", 0.0)
    monkeypatch.setattr("packer.proof.cluster._NONE_LEFT_S", 0.05)
    for module in ("packer.proof.sweep", "packer.handover.spreading"):
        monkeypatch.setattr(f"{module}.LOOK_EVERY_S", 0.01)
    pool = ClusterPool("tls://node:8786", Nobody(), 1, lambda: 0, said.append)
    with pytest.raises(StoreError, match="No worker has joined the cluster at tls://node:8786"):
        work(fetched, tmp_path / "to", pool)
    assert "Ctrl-C ends the wait" in said[0]
    assert not list(tmp_path.glob("to/**/*.mbtiles"))


def test_a_verify_whose_time_is_up_does_not_wait_for_a_worker(
    fetched: Brief, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("packer.proof.cluster._RESTART_S", 0.0)
    monkeypatch.setattr("packer.proof.sweep.LOOK_EVERY_S", 0.01)
    pool = ClusterPool("tls://node:8786", Nobody(), 1, lambda: 0)
    found = verify(fetched, plan(fetched), depth=Depth.FULL, for_s=0.05, cluster=pool)
    assert not found.ready


def test_a_worker_of_another_version_that_joins_later_does_nothing() -> None:
    assert at_same_version(__version__, divmod, 7, 2) == (3, 1)
    with pytest.raises(StoreError, match=r"has version .*, the machine that it works for has 0\.0\.0"):
        at_same_version("0.0.0", divmod, 7, 0)
