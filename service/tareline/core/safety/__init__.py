"""Holds and reductions of feeding, the ramp of the ration, and the list of what is due."""
