"""Results for people: words, figures and pages."""

__all__: list[str] = []
