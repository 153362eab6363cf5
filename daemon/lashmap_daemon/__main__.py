"""``python -m lashmap_daemon`` is the ``lashmap`` command."""

from lashmap_daemon.cli import main

main()
