"""The public face for Python: a function for each command, and what they return."""

__all__: list[str] = []
