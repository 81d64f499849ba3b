"""The `edgewright` command: nothing is imported here, so that Ctrl-C finds its answer from the first moment."""

from __future__ import annotations

import sys

__all__ = ["main"]


def main() -> None:
    """Run the command line: a user's mistake ends in one line on standard error and exit code 2."""
    try:
        from fit.commands.table import run
    except KeyboardInterrupt:
        print("edgewright: Stopped; nothing was written.", file=sys.stderr)
        sys.exit(130)
    run()
