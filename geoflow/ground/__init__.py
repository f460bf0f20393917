"""Land: areas, passes, strips and their overlay, an as-applied log in SI."""

__all__: list[str] = []
