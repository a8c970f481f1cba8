"""``python -m diagnose`` is ``diagnose``."""

from diagnose.cli import main

main()
