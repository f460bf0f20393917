"""The only place where reading, deciding and writing meet; every command is one function here."""

__all__: list[str] = []
