"""A phantom as NIfTI, its landmarks and its truth as JSON. Every file appears whole or not at all."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any, cast

import nibabel
import numpy as np

from septal_phantoms.annuli import AnnulusTruth
from septal_phantoms.dicom import MARK, frame_of_reference_uid, series_instance_uid
from septal_phantoms.phantom import Phantom


def _write_json(path: str | os.PathLike[str], content: dict[str, Any]) -> Path:
    target = Path(path)
    scratch = target.with_name(target.name + ".part")
    try:
        scratch.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8")
        os.replace(scratch, target)
    finally:
        scratch.unlink(missing_ok=True)
    return target


def write_nifti(phantom: Phantom, path: str | os.PathLike[str]) -> Path:
    """Write the CT as NIfTI-1 (`.nii` or `.nii.gz`), affine in RAS as the format asks, marked as a phantom
    in `descrip`."""
    target = Path(path)
    ras = np.diag([-1.0, -1.0, 1.0, 1.0]) @ phantom.lps_from_index
    image: Any = cast(Any, nibabel).Nifti1Image(np.ascontiguousarray(phantom.hu.transpose(2, 1, 0)), ras)
    image.header["descrip"] = f"PHANTOM (invented) {phantom.name} {phantom.phase_percent:g} %".encode()[:79]
    image.header.set_xyzt_units("mm")
    image.set_sform(ras, code="scanner")
    image.set_qform(ras, code="scanner")
    ending = ".nii.gz" if target.name.endswith(".gz") else ".nii"
    scratch = target.with_name(f".{target.name}.part{ending}")
    try:
        cast(Any, nibabel).save(image, scratch)
        os.replace(scratch, target)
    finally:
        scratch.unlink(missing_ok=True)
    return target


def write_landmarks(phantom: Phantom, path: str | os.PathLike[str]) -> Path:
    """Write the marked points: LPS, mm, in the frame of reference of the DICOM series."""
    return _write_json(
        path,
        {
            "coordinate_system": "LPS",
            "unit": "mm",
            "frame_of_reference_uid": frame_of_reference_uid(phantom),
            "comment": MARK,
            "landmarks": {name: np.round(points, 6).tolist() for name, points in phantom.landmarks.items()},
        },
    )


def _annulus(annulus: AnnulusTruth) -> dict[str, Any]:
    return {
        "center_mm": annulus.center.tolist(),
        "normal": annulus.normal.tolist(),
        "area_mm2": annulus.area_mm2,
        "perimeter_mm": annulus.perimeter_mm,
        "septal_lateral_mm": annulus.septal_lateral_mm,
        "intercommissural_mm": annulus.intercommissural_mm,
        "saddle_height_mm": annulus.saddle_height_mm,
        "curve_mm": np.round(annulus.curve(180), 4).tolist(),
    }


def truth_as_dict(phantom: Phantom) -> dict[str, Any]:
    """The truth of a phantom as plain numbers, with its definitions."""
    t = phantom.truth
    f = t.fossa
    return {
        "comment": MARK,
        "phantom": phantom.name,
        "phase_percent": phantom.phase_percent,
        "seed": phantom.seed,
        "landmark_noise_mm": phantom.landmark_noise_mm,
        "coordinate_system": "LPS",
        "unit": "mm",
        "series_instance_uid": series_instance_uid(phantom),
        "frame_of_reference_uid": frame_of_reference_uid(phantom),
        "definitions": {
            "membrane": "inside the contour half way in thickness between membrane floor and limbus crest",
            "chambers": "an atrium ends on the surface spanning the hinge line; veins, cavae and appendages "
            "end at the plane square to their axis where it leaves the atrial body; the aorta begins at the "
            "plane of its valve",
            "impossible": "what no program could measure in this scan, and why",
            "annulus": "normal toward the atrium; plane by least squares; area projected on it",
        },
        "impossible": dict(t.impossible),
        "solids": [{"name": body.name, "metal": body.is_metal} for body in t.solids],
        "membrane_present": t.has_membrane,
        "volumes_ml": dict(t.volumes_ml),
        "mitral_annulus": _annulus(t.mitral),
        "tricuspid_annulus": _annulus(t.tricuspid),
        "fossa": {
            "center_mm": f.center.tolist(),
            "normal": f.normal.tolist(),
            "area_mm2": f.area_mm2,
            "superior_inferior_mm": f.superior_inferior_mm,
            "anterior_posterior_mm": f.anterior_posterior_mm,
            "thickness_mean_mm": f.thickness_mean_mm,
            "thickness_min_mm": f.thickness_min_mm,
            "height_above_mitral_annulus_mm": float(t.height_mm(f.center)[0]),
            "distance_to_aorta_mm": float(t.aorta_distance_mm(f.center)[0]),
            "rim_mm": np.round(f.rim, 4).tolist(),
        },
        "views": {
            name: {"primary_deg": v.primary_deg, "secondary_deg": v.secondary_deg}
            for name, v in t.views.items()
        },
    }


def write_truth(phantom: Phantom, path: str | os.PathLike[str]) -> Path:
    """Write the truth as JSON."""
    return _write_json(path, truth_as_dict(phantom))
