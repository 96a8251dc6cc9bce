"""Tries a device against the contract: plays the service on a real broker, and names each rule that is broken."""
