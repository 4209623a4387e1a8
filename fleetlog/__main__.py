"""``python -m fleetlog`` is the command ``fleetlog``."""

from fleetlog.cli import main

main()
