"""``python -m data_tools.cli`` is ``rounds``."""

from data_tools.cli import main

main()
