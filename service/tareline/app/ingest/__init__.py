"""Taking what devices send: each message exactly once to disk, many in one transaction.

A message is understood and becomes an entry, samples or device state; or it is stored as it came with the reason why it
was not understood. Either way it is then on disk and may be acknowledged.

ingest.py        a batch: whose each message is and who handles it; what is refused; what is kept of devices
transaction.py   one transaction of taking, which every handler is given
state.py         what is kept in memory of devices, journals and boots
result.py         what a batch brought, for what follows from it
times.py         when something happened that a device tells of
doses.py         doses, each of them once
losses.py        doses that will not come, and those that came after all
reports.py       what a device says of itself, and its answers
measurements.py  the weight of a hopper, samples of probes
faults.py        faults, and the holds that follow from some of them
"""
