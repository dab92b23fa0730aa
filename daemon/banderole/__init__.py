"""Banderole: a plain tower, band by band, each at its own setpoint."""

__version__ = "0.1.0"
