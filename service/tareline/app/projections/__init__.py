"""Results that are calculated from the ledger and kept ready: accounts, trends, samples against lines, loads.

Here belongs what is too slow to calculate at each look. A projection holds nothing that the ledger does not say: it can
be dropped at any moment and is the same again once it was calculated again. It decides nothing and sends nothing.
"""
