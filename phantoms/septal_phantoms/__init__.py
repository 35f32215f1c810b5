"""Synthetic thorax phantoms with closed-form truth. Invented anatomy of an invented patient, marked so in every file."""

from septal_phantoms.phantom import NAMES, Phantom, make
from septal_phantoms.truth import Truth

__all__ = ["NAMES", "Phantom", "Truth", "make"]
