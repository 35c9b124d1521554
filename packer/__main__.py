"""`python -m packer` is the command `lastbar`, and this is what the packaged program begins with."""

import sys

from packer.common.own_process import CHECK_JPEGS, FETCH_APART, is_packaged, restore_environment


def _begin() -> None:
    if is_packaged():
        # A process of a pool is this program too, and tells by its arguments what it is for. It never comes back.
        from multiprocessing import freeze_support

        freeze_support()
        restore_environment()
        if sys.argv[1:] == [CHECK_JPEGS]:
            from packer.content.jpeg_checks import main as check_jpegs

            check_jpegs()
            return
        if sys.argv[1:] == [FETCH_APART]:
            from packer.desk.fetch_apart import main as fetch_apart

            fetch_apart()
            return
    from packer.cli import main

    main()


if __name__ == "__main__":
    _begin()
