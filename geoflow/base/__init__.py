"""What everything rests on: errors, arrays, units, the words of every result, steps of long work."""

__all__: list[str] = []
