"""Files: outputs whole or not at all, and inputs that must not change while they are read."""

__all__: list[str] = []
