"""The command ``nightfix``: ``python -m nightfix`` is the same."""

import signal
import sys

from . import _core


def main() -> int:
    """Run the command line of this process and return its exit status."""
    # Python would note Ctrl-C and act on it only once the command is done.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    return _core.run(["nightfix", *sys.argv[1:]])


if __name__ == "__main__":
    sys.exit(main())
