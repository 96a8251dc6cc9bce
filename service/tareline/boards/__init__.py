"""What stands on a device's flash: its settings, its compiled firmware, and the keys that sign updates.

Updates are signed by HMAC-SHA256 with a key for each device, calculated from one secret in a file that only the
service's user may read (`updates.secret_file`): so nothing is kept for each device, and `tareline flash` finds the
same key. The counter of an offer never falls (the larger of the last plus one and now in milliseconds). An offer is
retained and kept like a plan; the set's bytes stand in memory only and are built anew when a device keeps asking
after a restart of the service. Pieces go with QoS 0: what is lost is asked for again.
"""
