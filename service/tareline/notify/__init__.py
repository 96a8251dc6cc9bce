"""Telling people: what is said, to whom, and the outbox that says it."""
