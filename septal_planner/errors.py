"""The two ways a call can fail that are the input's doing, each ending in one sentence for a tired person.

The sentence says what was expected, what was found (with its number), in which file, and what to do next.
"""


class InputRefused(Exception):
    """An input cannot be read or is not fit for planning (console exit status 3)."""


class AnatomyNotFound(Exception):
    """The anatomy could not be found or fails a plausibility check (console exit status 4)."""


class CallIsOff(Exception):
    """The words of a call do not fit together, or name what is not there (console exit status 2)."""
