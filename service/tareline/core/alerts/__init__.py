"""What a person is told, when, and when again.

Choices that are ours:

- One alert at a time for what it is about. A device or a feeder must be well for 10 minutes before its alert clears,
  a trend for 6 hours; each time it opens again within a day doubles that, up to a day. Unseen ones come again: urgent
  ones (holds, silence) after 1 h, 6 h and then daily, others daily and three times. In quiet hours only urgent ones
  are said; the rest waits, and what has ended meanwhile is never said. What one look finds is one message a tank.
"""
