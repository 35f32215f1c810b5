"""Synthetic thorax phantoms with closed-form truth."""
