"""The field day planned: speeds, orifices, time of day, hours and tank loads. Pure arithmetic on a solved bar."""

__all__: list[str] = []
