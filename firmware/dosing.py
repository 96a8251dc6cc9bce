"""One dose: how many steps, weighed before and after, and what the difference says about how it went."""

CHUNK_STEPS = 20  # between chunks a hold can stop the motor
SURE = 4  # standard deviations beyond which a difference is not noise
OVER_UG = 10000  # a dose that gives this little more is not judged: a particle or two
LATELY = 8  # weighed doses that say what a step gives at least
EMPTY_UG = 100000  # a hopper below this that gives too little is empty rather than jammed

OUTCOMES = {
    "ok": "the dose went as asked, as far as the cell can tell",
    "short": "clearly less came out than the steps should give",
    "over": "clearly more came out than the steps should give",
    "jam": "the auger stalled, or next to nothing came out of a hopper that has food",
    "empty": "little or nothing came out and the hopper is empty",
    "capped": "the day's cap left less than was asked, or nothing",
    "held": "feeding was held when it was due; nothing moved",
    "missed": "the meal's time was over by more than the grace when the feeder could have fed it; nothing moved",
    "interrupted": "power, a hold or a restart ended the dose early; without a weight its size is unknown",
}


def isqrt(n):
    """The integer square root (Newton), without floats."""
    if n < 2:
        return n
    x = 1 << ((n.bit_length() if hasattr(n, "bit_length") else len(bin(n))) + 1) // 2
    while True:
        y = (x + n // x) // 2
        if y >= x:
            return x
        x = y


def steps_for(target_ug, gain_ng):
    """The whole number of steps nearest to a target, one at least; none for no target."""
    if target_ug <= 0:
        return 0
    return max(1, (target_ug * 1000 + gain_ng // 2) // gain_ng)


def expected_ug(steps, gain_ng):
    """What the steps should give, rounded up to whole micrograms."""
    return -(-steps * gain_ng // 1000)


def counted_ug(target_ug, steps, gain_ng):
    """What a dose counts against the cap: the larger of what was asked and what the steps should give."""
    return max(target_ug, expected_ug(steps, gain_ng))


def lately_weighed(known, seq, steps, gone_ug, sd_ug):
    """The last weighed doses with one more: [seq, steps, micrograms that left, deviation] each."""
    if known and seq <= known[-1][0]:
        return known
    return known[-(LATELY - 1) :] + [[seq, steps, gone_ug, sd_ug]]


def least_gain_ng(lately):
    """Nanograms that a step gives at least, by the doses weighed lately: the lower bound less a tenth for scatter."""
    steps = gone = variance = 0
    for _, made, gone_ug, sd_ug in lately:
        steps += made
        gone += gone_ug
        variance += sd_ug * sd_ug
    sure = gone - SURE * isqrt(variance)
    return sure * 1000 * 9 // (10 * steps) if steps > 0 and sure > 0 else 0


def within(target_ug, left_ug, gain_ng):
    """(target_ug, steps, capped) for a target under what the cap leaves.

    A last step that rounding would add is dropped without a word; less than that is `capped`, and then the target is
    what was allowed.
    """
    steps = steps_for(target_ug, gain_ng)
    if counted_ug(target_ug, steps, gain_ng) <= left_ug:
        return target_ug, steps, False
    allowed = max(0, min(steps, left_ug * 1000 // gain_ng))
    if target_ug <= left_ug and allowed >= steps - 1 and allowed > 0:
        return target_ug, allowed, False
    return (max(0, left_ug) if allowed else 0), allowed, True


def judge(planned, done, stopped, capped, before_ug, after_ug, sd_ug, gain_ng):
    """The outcome of a dose that moved, the gravest first.

    planned, done: steps. stopped: a hold or a restart ended it early. Weights are None where the cell gave none; then
    only the motor's own word counts.
    """
    outcome = None
    if before_ug is not None and after_ug is not None:
        outcome = _by_weight(expected_ug(done, gain_ng), before_ug - after_ug, after_ug, sd_ug)
    if stopped and outcome != "over":
        return "interrupted"
    if outcome is None and done < planned:
        outcome = "jam"
    return outcome or ("capped" if capped else "ok")


def _by_weight(expected, gone, after_ug, sd_ug):
    """What the scale says of a dose; None where it came out as expected."""
    missing = expected - gone
    if -missing > max(SURE * sd_ug, expected // 2, OVER_UG):
        return "over"
    if missing <= SURE * sd_ug:
        return None
    # Rounded hundredths of the expected mass decide how little is little; a jam gives next to nothing.
    if 2 * missing > expected and after_ug < max(EMPTY_UG, SURE * sd_ug):
        return "empty"
    if 5 * missing > 4 * expected:
        return "jam"
    return "short" if 4 * missing > expected else None
