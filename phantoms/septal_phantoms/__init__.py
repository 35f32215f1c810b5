"""Synthetic thorax phantoms with closed-form truth. Invented anatomy of an invented patient, marked so in
every file."""

from septal_phantoms.dicom import write_dicom
from septal_phantoms.files import truth_as_dict, write_landmarks, write_nifti, write_truth
from septal_phantoms.phantom import NAMES, Phantom, make
from septal_phantoms.random_hearts import make_random, random_scan, random_shape
from septal_phantoms.scans import SCANS, Scan
from septal_phantoms.truth import Truth

__all__ = [
    "NAMES",
    "SCANS",
    "Phantom",
    "Scan",
    "Truth",
    "make",
    "make_random",
    "random_scan",
    "random_shape",
    "truth_as_dict",
    "write_dicom",
    "write_landmarks",
    "write_nifti",
    "write_truth",
]
