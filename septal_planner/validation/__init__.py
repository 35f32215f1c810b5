"""The planner against phantoms whose truth is known by formula: error of each measurement, spread of the errors over
random hearts, and how often a stated interval holds the truth."""

from septal_planner.validation.comparison import compare, volume_of
from septal_planner.validation.overlap import mean_surface_distance_mm
from septal_planner.validation.paper import as_document, as_markdown, write
from septal_planner.validation.results import Coverage, PhantomResult, Row, Spread, TrialCoverage
from septal_planner.validation.runs import CASES, Validation, validate

__all__ = [
    "CASES",
    "Coverage",
    "PhantomResult",
    "Row",
    "Spread",
    "TrialCoverage",
    "Validation",
    "as_document",
    "as_markdown",
    "compare",
    "mean_surface_distance_mm",
    "validate",
    "volume_of",
    "write",
]
