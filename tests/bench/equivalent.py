"""Mutants of `mutation.py` that change nothing anybody could see: by module, each with the reason.

A mutant is named by the function around it, what stood there and what stands there then, as Python writes it.
"""

EQUIVALENT: dict[str, dict[tuple[str, str, str], str]] = {}
