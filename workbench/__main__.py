"""Run the command line with `python -m workbench`."""

import sys

from workbench.cli import main

__all__: list[str] = []

if __name__ == "__main__":
    sys.exit(main())
