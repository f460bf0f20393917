"""What every map file has: opening it, coordinate system, numbers in cells, shapes on the ground, writing a layer."""

__all__: list[str] = []
