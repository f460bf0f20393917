"""Reading prescriptions: a reader for each format, and the registry of them."""

__all__: list[str] = []
