"""What is kept ready from the ledger: accounts, trends, samples against lines, loads.

Here belongs what is too slow to work out at each look. A projection holds nothing that the ledger does not say: it can
be dropped at any moment and is the same again once it was worked out anew. It decides nothing and sends nothing.
"""
