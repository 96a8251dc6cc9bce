"""The wire: the link to the broker, the messages on it, and how far each device's journal was received."""
