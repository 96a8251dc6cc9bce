"""The application: it reads the store, lets the core decide, and writes and sends what follows."""
