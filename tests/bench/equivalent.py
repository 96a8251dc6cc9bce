"""Mutants of `mutation.py` that change nothing anybody could see: by module, each with the reason.

A mutant is named by the function around it, what stood there and what stands there then, as Python writes it.
"""

EQUIVALENT: dict[str, dict[tuple[str, str, str], str]] = {
    "safety.exceedance": {
        ("_Run", "False", "True"): "a run begins with a sample beyond the limit, which then counts for 0 ms",
    },
}
