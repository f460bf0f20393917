"""A whole season: many fields from a catalog, worked on by Dask, each result written whole; a failed field is a row."""

__all__: list[str] = []
