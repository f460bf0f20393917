"""Verdicts, rewriting, planning: plain arithmetic over zones and the window."""

__all__: list[str] = []
