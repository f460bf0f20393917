"""Reading and screening as-applied logs."""

__all__: list[str] = []
