"""Writing a prescription: the same file with other rates, or a new file."""

__all__: list[str] = []
