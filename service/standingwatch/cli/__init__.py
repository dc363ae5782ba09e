"""The command line: `standingwatch COMMAND`."""

from standingwatch.cli.main import main

__all__ = ["main"]
