"""`python -m packer` is the command `lastbar`."""

from packer.cli import main

if __name__ == "__main__":
    main()
