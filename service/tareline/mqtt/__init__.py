"""The wire: the link to the broker, the messages on it, and how far each device's journal was received.

Here belongs what a message is, and how it comes and goes. What follows from one is decided in `app`, and nothing here
knows the store. All of paho is touched by the link's one thread. A message is acknowledged once what it says is
committed, never before.

A device that is online is asked for missing doses eight times, with doubling pauses; then they are given up.
"""
