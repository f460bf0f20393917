"""Files in and out: bars, prescriptions, logs."""

__all__: list[str] = []
