"""The local page: serves on the loopback address, calls the workflow, holds no logic of its own."""

from __future__ import annotations

__all__: list[str] = []
