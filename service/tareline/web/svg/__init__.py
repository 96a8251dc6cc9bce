"""Geometry of the pages' inline SVG: numbers in, coordinates out.

Strips draw every reading of an analyte in the unit that the newest was stated in (temperature as `[show]` says,
dissolved solids in the tank's mg/L); tables keep each as it was stated. Half a year's strip shows the next line above
in any case; what lies beyond is named at its top, so that it flattens nothing.
"""
