"""Lets `python -m geoflow.cli` run."""

from __future__ import annotations

import sys

from geoflow.cli import main

__all__: list[str] = []

if __name__ == "__main__":
    sys.exit(main())
