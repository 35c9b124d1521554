"""A page that shows what is on board, exactly as the crew will have it: tile by tile, with every gap."""

from packer.view.server import Sharing, ViewServer

__all__ = ["Sharing", "ViewServer"]
