"""The as-applied log against what was asked for: agreement, lag, causes and scale tickets. SI arrays, no files."""

__all__: list[str] = []
