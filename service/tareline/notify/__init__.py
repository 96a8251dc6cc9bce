"""Telling people: the addresses that are told, and what a message says."""
