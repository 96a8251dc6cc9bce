"""What stands on a device's flash: its settings, its compiled firmware, and the keys that sign updates."""
