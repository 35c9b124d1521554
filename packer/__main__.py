"""`python -m packer` is the command `lastbar`, and this is what the packaged program begins with."""

import importlib
import sys

from packer.common.own_process import OWN_PROCESS, OWN_PROGRAMS, is_packaged, restore_environment


def _begin() -> None:
    if is_packaged():
        # A process of a pool is this program too, and tells by its arguments what it is for. It never comes back.
        from multiprocessing import freeze_support

        freeze_support()
        restore_environment()
        if len(sys.argv) == 3 and sys.argv[1] == OWN_PROCESS and sys.argv[2] in OWN_PROGRAMS:
            importlib.import_module(sys.argv[2]).main()
            return
    from packer.cli import main

    main()


if __name__ == "__main__":
    _begin()
