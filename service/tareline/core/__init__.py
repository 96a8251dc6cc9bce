"""The functional core: frozen dataclasses and functions over them; no store, no web, no broker, no clock.

Each rule stands here once, in the words of its field and with its source. Time comes in as an argument. An error that a
caller acts on is a `FieldError`; anything else is a mistake in the program.
"""
