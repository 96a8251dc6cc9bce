"""The application: it reads the store, lets the core decide, and writes and sends what follows.

Here belongs what needs both the store and the core. A rule of feeding, water or holding belongs into `core`; what only
pages or the API need, such as wording and geometry, into `web`; a statement of SQL into `store`.
"""
