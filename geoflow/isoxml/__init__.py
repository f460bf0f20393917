"""ISO 11783-10 task data: zones, grids, time logs, writing."""

__all__: list[str] = []
