"""Results that are calculated from the ledger and kept ready: accounts, trends, samples against lines, loads.

Here belongs what is too slow to calculate each time it is shown. A projection holds nothing that does not follow from
the ledger: it can be dropped at any moment and calculated again with the same result. It decides nothing and sends
nothing.
"""
