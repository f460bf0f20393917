"""The bar: its parts, every key of its file, and reading that file."""

__all__: list[str] = []
