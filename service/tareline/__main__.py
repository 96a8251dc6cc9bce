"""`python -m tareline`: the same as the command `tareline`."""

from tareline.cli import main

main()
