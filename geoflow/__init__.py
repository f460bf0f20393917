"""Vets variable-rate anhydrous ammonia prescriptions against what a toolbar can really deliver."""

__all__ = ["__version__"]

__version__ = "0.3.0"
