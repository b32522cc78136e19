"""Lengths that a fast Fourier transform takes quickly."""

from wiring.errors import WiringError


def good_length(least: int) -> int:
    """The smallest length from `least` on with no other prime factors than 2, 3 and 5.

    Raises WiringError below 1.
    """
    if least < 1:
        raise WiringError("least", f"{least} samples are none")
    best = 1 << (least - 1).bit_length()
    fives = 1
    while fives < best:
        threes = fives
        while threes < best:
            twos = max(0, (-(-least // threes) - 1).bit_length())
            best = min(best, threes << twos)
            threes *= 3
        fives *= 5
    return best
