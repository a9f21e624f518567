"""`python -m assistant` and the console script."""

from __future__ import annotations

import sys

from .cli import main as run


def main() -> None:
    sys.exit(run())


if __name__ == "__main__":
    main()
