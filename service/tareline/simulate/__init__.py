"""The demo with its invented past, a keeper's month in fast motion, and the desk: firmware on simulated hardware."""
