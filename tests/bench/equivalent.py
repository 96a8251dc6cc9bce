"""Mutants of `mutation.py` that change nothing anybody could see: by module, each with the reason.

A mutant is named by the function around it, what stood there and what stands there then, as Python writes it.
"""

EQUIVALENT: dict[str, dict[tuple[str, str, str], str]] = {
    "feeding.absence": {
        (
            "check_absence",
            "daily_g > most_g * (1 + 1e-09)",
            "daily_g >= most_g * (1 + 1e-09)",
        ): "they differ for a ration that is larger by one part in a thousand million exactly",
    },
    "safety.exceedance": {
        ("_Run", "False", "True"): "a run begins with a sample beyond the limit, which then counts for 0 ms",
    },
}
