"""What is kept ready from the ledger: accounts, trends, samples against lines, loads."""
