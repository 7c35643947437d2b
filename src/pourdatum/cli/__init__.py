"""The command line: words to arguments, results to lines, errors to exit status."""

from pourdatum.cli.guard import main

__all__ = ["main"]
