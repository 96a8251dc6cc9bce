"""Whether the samples of a probe are plausible, and what may be wrong with the probe."""
