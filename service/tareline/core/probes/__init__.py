"""Whether a probe can be believed."""
