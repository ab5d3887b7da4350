"""Bandwright: set up LTE and 5G fixed wireless so that it does what its users need."""

__all__ = ["__version__"]

__version__ = "0.1.0"
