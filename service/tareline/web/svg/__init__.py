"""Geometry of the pages' inline SVG: numbers in, coordinates out."""
