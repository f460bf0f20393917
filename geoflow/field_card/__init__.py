"""What stands on a field card, and its renderers: one HTML file and one printed page."""

from __future__ import annotations

__all__: list[str] = []
