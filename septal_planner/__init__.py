"""Plan a transseptal puncture from a cardiac CT. A planning aid, not a medical device."""

__version__ = "0.1.0"
