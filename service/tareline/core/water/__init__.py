"""Readings, and the chemistry that they stand for."""
