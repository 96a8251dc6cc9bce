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
    "feeding.ration": {
        (
            "make_ration",
            "abs(sum((share for _, share, _ in named)) - 1) > 0.001",
            "abs(sum((share for _, share, _ in named)) - 1) >= 0.001",
        ): "no shares of few digits have a sum that is off by the float 0.001 exactly",
        (
            "needs_confirmation",
            "new_g > CONFIRM_ABOVE * last_g * (1 + 1e-09)",
            "new_g >= CONFIRM_ABOVE * last_g * (1 + 1e-09)",
        ): "they differ for a ration that is larger by one part in a thousand million exactly",
    },
    "safety.exceedance": {
        ("_Run", "False", "True"): "a run begins with a sample beyond the limit, which then counts for 0 ms",
    },
    "safety.lines": {
        (
            "reaches",
            "max(abs(value), abs(limit))",
            "min(abs(value), abs(limit))",
        ): "near a limit both are the same to one part in a thousand million, and so are their margins",
    },
}
