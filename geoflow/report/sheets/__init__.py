"""The report people keep: what it says (one content), and how it is set as one HTML file and as a PDF."""

__all__: list[str] = []
