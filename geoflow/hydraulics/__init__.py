"""Tank to knives: coefficients, the circuit, the flow window."""

__all__: list[str] = []
