"""The day driven before it comes: the way over the field, sections, rate control and window, over what is unknown."""

__all__: list[str] = []
