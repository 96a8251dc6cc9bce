"""The functional core: frozen dataclasses and functions over them; no store, no web, no broker, no clock."""
