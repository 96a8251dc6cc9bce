"""Tareline keeps the books of what small planted aquariums are fed."""

__version__ = "0.1.0"
