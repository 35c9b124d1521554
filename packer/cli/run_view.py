"""`lastbar view`: a page with what is on board, until Ctrl-C."""

from __future__ import annotations

import sys
from pathlib import Path

from packer.cli.briefs import brief_at
from packer.cli.output import echo, warn
from packer.cli.terminal import show_square
from packer.planning.plan import plan
from packer.view import Sharing, ViewServer

__all__ = ["run"]


def run(path: Path, store: Path | None, port: int, share: bool, address: str | None) -> int:
    """Serve the page for the brief at `path` until stopped; Ctrl-C is its ordinary end."""
    brief = brief_at(path, store)
    worked_out = plan(brief)
    for remark in worked_out.remarks:
        warn(f"Note: {remark}")
    sharing = Sharing(address) if share or address is not None else None
    try:
        with ViewServer(brief, worked_out, store, port=port, share=sharing) as view:
            _announce(view, sharing is not None)
            view.wait()
    except KeyboardInterrupt:
        warn("Stopped.")
    return 0


def _announce(view: ViewServer, shared: bool) -> None:
    echo(f"What is on board: {view.link}")
    if shared:
        show_square(view.link, "m")
        warn(
            "Anyone on the local network who has this link can see the maps. The connection is not encrypted. The "
            "link works until you stop the view."
        )
    else:
        warn("Only this machine can open it. To show it on phones at camp, add --share.")
    warn("For viewing, not for positioning. Ctrl-C stops it.")
    sys.stdout.flush()
