"""The store: tables, migrations, the ledger, the register, samples, alerts; one writer, and readers that only read.

Here belongs every statement of SQL, as functions that take a transaction and give rows or values. What the rows mean is
decided in `core` and `app`. Ledger and register are append-only, and the database refuses anything else. What is
SQLite's own stands in `dialect.py`. A failed commit breaks the store for good and ends the service.
"""
