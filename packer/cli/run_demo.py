"""`lastbar demo`: the whole job against the practice server, with a kill in the middle."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from packer.cli import run_desk
from packer.cli.new_brief import CAUTIONS
from packer.cli.output import echo, warn
from packer.common.own_process import own_command
from packer.common.shell import shell_command
from packer.common.units import bytes_text
from packer.errors import InputError, LastbarError
from packer.planning.brief import Brief
from packer.planning.pack_path import pack_path
from packer.planning.plan import Plan, plan
from packer.practice.place import write_place
from packer.practice.server import PracticeServer
from packer.store.pack_summary import read_summary

__all__ = ["run"]

_KILL_AT = 0.4  # of the plan
_LONGEST_S = 300.0


def run(folder: Path | None, desk: bool = False, browser: bool = True) -> int:
    """Plan, fetch, kill, resume and verify in `folder`, or in a new temporary one that is kept.

    With `desk` the practice server stays, and the desk opens on the outcome until Ctrl-C. If the process dies: brief
    and packs stay where they are; running it into the same folder goes on.
    """
    if folder is None:
        folder = Path(tempfile.mkdtemp(prefix="lastbar-demo-"))
    elif folder.exists() and any(folder.iterdir()) and not (folder / "brief.toml").exists():
        raise InputError(f"{folder} is not empty and has no demo in it. Name a new or empty folder.")
    echo("The whole job, with an invented place and a map server on this machine.")
    with PracticeServer() as server:
        path = write_place(folder, server.base_url)
        worked_out = plan(Brief.read(path))
        code = _whole_job(server, path, worked_out)
        _where(path, worked_out)
        if desk:
            echo()
            run_desk.run(path, None, 0, browser)
        else:
            _how_to_go_on(path)
    return code


def _whole_job(server: PracticeServer, path: Path, worked_out: Plan) -> int:
    """The four steps; the exit code of the proof."""
    echo()
    echo("1. The plan: which tiles the brief asks for.")
    _command("plan", path)
    echo()
    echo("2. The fetch. It is killed on the way, as by a crash or a dead battery.")
    done = _fetch_and_kill(path, worked_out)
    echo(f"   Killed. {done:,} of {worked_out.count:,} tiles were done and are kept.")
    before = _tiles_asked(server)
    echo()
    echo("3. The same command again. It asks only for what is missing.")
    _command("fetch", path)
    echo(f"   {_tiles_asked(server) - before:,} requests for {worked_out.count - done:,} tiles.")
    echo()
    echo("4. The proof: work out the plan again, and hash every stored tile.")
    return _command("verify", path)


def _tiles_asked(server: PracticeServer) -> int:
    return sum(n for path, n in dict(server.counts.paths).items() if path.count("/") == 4)


def _command(name: str, path: Path) -> int:
    echo(f"   $ {shell_command(name, path)}")
    sys.stdout.flush()
    done = subprocess.run(own_command(name, path), check=False)
    if done.returncode != 0 and name != "verify":
        raise LastbarError(f"lastbar {name} {path} ended with exit code {done.returncode}; see above.")
    return done.returncode


def _fetch_and_kill(path: Path, worked_out: Plan) -> int:
    """Start a fetch, kill it once enough is committed, and give back how many tiles are done."""
    echo(f"   $ {shell_command('fetch', path)}")
    sys.stdout.flush()
    fetch = subprocess.Popen(own_command("fetch", path))
    ends = time.monotonic() + _LONGEST_S
    while fetch.poll() is None and _done(path, worked_out) < _KILL_AT * worked_out.count:
        if time.monotonic() > ends:
            warn("The fetch is slow on this machine, so it is killed now.")
            break
        time.sleep(0.1)
    fetch.send_signal(signal.SIGKILL if sys.platform != "win32" else signal.SIGTERM)
    fetch.wait()
    return _done(path, worked_out)


def _done(path: Path, worked_out: Plan) -> int:
    """Planned tiles that are stored, or that the server is known not to have."""
    brief, done = Brief.read(path), 0
    for name, layer in worked_out.layers.items():
        pack = pack_path(brief, name)
        try:
            if pack.exists():
                summary = read_summary(pack)
                done += len(layer.tiles & (summary.held | summary.absent))
        except LastbarError:
            continue  # the pack is just being made: nothing is in it yet
    return done


def _where(path: Path, worked_out: Plan) -> None:
    brief = Brief.read(path)
    echo()
    echo("The packs, for any program that reads MBTiles:")
    for name in worked_out.layers:
        pack = pack_path(brief, name)
        echo(f"   {pack} ({bytes_text(pack.stat().st_size)})")
    echo(f"The brief, to try changes: {path}")
    echo()
    echo(CAUTIONS)


def _how_to_go_on(path: Path) -> None:
    echo()
    echo("To see all this on the desk, with the map in front of you:")
    echo(f"   $ {shell_command('desk', path.parent)}")
    echo("   (The practice server has stopped, so the desk shows what is on board.")
    echo("   With the server: lastbar demo --desk)")
