"""The label file as other readers see it: nibabel for the affine, SimpleITK for position."""

from __future__ import annotations

from pathlib import Path

import nibabel
import numpy as np
import pytest
import SimpleITK as sitk

from septal_planner.report.label_image import write_labels

LABELS = np.zeros((4, 5, 6), np.uint8)
LABELS[1, 2, 3] = 6


@pytest.fixture
def oblique() -> np.ndarray:
    angle = np.radians(20.0)
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    affine = np.eye(4)
    affine[:3, :3] = turn * (0.5, 0.6, 0.8)
    affine[:3, 3] = (-12.3, -152.7, 641.9)
    return affine


def test_another_reader_finds_the_voxel_where_it_is(oblique: np.ndarray, tmp_path: Path) -> None:
    write_labels(LABELS, oblique, tmp_path / "labels.nii.gz")
    image = sitk.ReadImage(str(tmp_path / "labels.nii.gz"))  # LPS
    assert image.GetPixelID() == sitk.sitkUInt8
    assert image.GetPixel(3, 2, 1) == 6
    expected = oblique @ (3, 2, 1, 1)
    np.testing.assert_allclose(image.TransformIndexToPhysicalPoint((3, 2, 1)), expected[:3], atol=1e-3)


def test_a_sheared_grid_keeps_its_shear(oblique: np.ndarray, tmp_path: Path) -> None:
    oblique[1, 2] += 0.3
    write_labels(LABELS, oblique, tmp_path / "labels.nii.gz")
    image = nibabel.load(tmp_path / "labels.nii.gz")
    assert int(image.header["qform_code"]) == 0
    ras = image.affine @ (3, 2, 1, 1)
    np.testing.assert_allclose(ras[:3] * (-1, -1, 1), (oblique @ (3, 2, 1, 1))[:3], atol=1e-3)


def test_the_same_labels_give_the_same_bytes(oblique: np.ndarray, tmp_path: Path) -> None:
    for name in ("a.nii.gz", "b.nii.gz"):
        write_labels(LABELS, oblique, tmp_path / name)
    assert (tmp_path / "a.nii.gz").read_bytes() == (tmp_path / "b.nii.gz").read_bytes()
