"""Run the command line: `workbench`, or `python -m workbench`; an interruption while it loads is one sentence too."""

import gc
import sys

__all__ = ["start"]

_INTERRUPTED = 130


def start() -> int:
    """Load the commands and run one."""
    try:
        from workbench.cli import main

        code = main()
    except KeyboardInterrupt:  # the commands' own answer to it was not loaded yet
        sys.stderr.write("error: interrupted; nothing that was there before has been changed\n")
        return _INTERRUPTED
    gc.freeze()  # nothing that ends with the program is searched for cycles
    return code


if __name__ == "__main__":
    sys.exit(start())
