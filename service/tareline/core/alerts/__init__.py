"""Alerts: about what a person receives a message, when, and when again.

Choices that are ours:

- There is one alert at a time for each subject. The alert about a device or a feeder clears after 10 minutes without
  the problem, that about a trend after 6 hours; each reopening within a day doubles that time, up to a day. An alert
  that nobody has seen is sent again: urgent ones (holds, silence) after 1 h, 6 h and then daily, others three times,
  daily. In quiet hours only urgent alerts are sent; others wait, and are not sent at all if they end meanwhile. What
  one round finds is sent as one message for each tank.
"""
