"""The console script ``rounds``: each command is one call of the function that the screens call too."""

from data_tools.cli.commands import main

__all__ = ["main"]
