"""Sending messages to people: the addresses, and the texts."""
