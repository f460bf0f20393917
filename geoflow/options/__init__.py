"""What a person can ask for: every option once, and the typed objects made of what was said."""

__all__: list[str] = []
