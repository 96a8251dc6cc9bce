"""A process beside the service for long computations, so that they delay neither feeding nor holding.

The load of a tank is calculated by a process of its own, anew from the whole record whenever that has changed: the same
ledger gives the same answer, and nothing of it is stored on disk. Requests carry all they need (a forecast brings the
posterior back as bytes), so a process that dies or hangs loses nothing. It may take 300 s for a tank, a forecast 20 s.
What failed is tried again after 5 s, then after four times as long each time, up to 10 minutes, and is an alert from
the second time on. A second process answers forecasts, so that they do not wait. Both end after 10 idle minutes, and
when their pipe closes, however the service ends.
"""
