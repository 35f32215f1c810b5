"""Real CT (skipped where it is absent): tilted gantry, uneven steps, pages that are no volume, a real heart.
"""

from __future__ import annotations

import itertools

import nibabel as nib
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.landmark_checks import check_landmarks
from septal_planner.inputs.landmarks import Landmarks, read_landmarks
from septal_planner.inputs.resample import sample_lps
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import read_volume


def test_tilted_series_lands_where_its_positions_say(shared_zip):
    folder = shared_zip("Philips_tilt16p5_S3010_58.zip")
    volume = read_volume(folder)
    assert volume.hu.shape == (58, 512, 512)
    assert volume.hu.dtype == np.int16
    files = sorted(
        (pydicom.dcmread(p, stop_before_pixels=False) for p in folder.rglob("*") if p.is_file()),
        key=lambda ds: float(ds.ImagePositionPatient[2]),
    )
    for k, ds in enumerate(files):
        iop, ipp = np.array(ds.ImageOrientationPatient, float), np.array(ds.ImagePositionPatient, float)
        for column, row in itertools.product((0, 511), (0, 511)):  # PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1
            stated = (
                ipp + iop[:3] * float(ds.PixelSpacing[1]) * column + iop[3:] * float(ds.PixelSpacing[0]) * row
            )
            assert np.linalg.norm(apply_affine(volume.lps_from_index, [column, row, k]) - stated) < 0.01
        if k % 19 == 0:
            assert np.array_equal(
                volume.hu[k], ds.pixel_array * float(ds.RescaleSlope) + float(ds.RescaleIntercept)
            )
    # The step along the normal, as the maker's files have it.
    normal = np.cross(volume.lps_from_index[:3, 0], volume.lps_from_index[:3, 1])
    assert volume.lps_from_index[:3, 2] @ normal / np.linalg.norm(normal) == pytest.approx(2.40, abs=0.005)
    # SimpleITK's series reader builds an orthogonal grid on the same files.
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames([ds.filename for ds in files])
    theirs = np.array(reader.Execute().TransformIndexToPhysicalPoint((0, 0, 57)))
    assert np.linalg.norm(theirs - np.array(files[57].ImagePositionPatient, float)) > 35


def test_uneven_steps_are_refused_with_their_numbers(shared_zip):
    with pytest.raises(InputRefused) as refused:
        read_volume(shared_zip("GE_tilt18p5_variable_spacing_28.zip"))
    for word in ("uneven steps", "1.08 mm", "4.00 mm", "7.00 mm"):
        assert word in str(refused.value)


def test_scout_and_secondary_capture_are_refused(shared_zip):
    folder = shared_zip("Philips_scout_and_secondary_capture.zip")
    with pytest.raises(InputRefused, match=r"no CT volume.*localiser.*secondary capture"):
        read_volume(folder)
    assert not any(s.usable for s in list_series(folder))


def test_a_real_heart_and_its_landmarks(shared_file):
    path = shared_file("cardiac_cta_1p5mm.nii.gz")
    volume = read_volume(path)
    assert volume.phase_percent is None
    image = nib.load(path)
    corners = list(itertools.product((0, 119), (0, 125), (0, 163)))
    assert np.allclose(
        apply_affine(volume.lps_from_index, corners),
        nib.affines.apply_affine(image.affine, corners) * [-1, -1, 1],
    )
    landmarks = check_landmarks(read_landmarks(shared_file("cardiac_cta_landmarks.json")), volume)
    assert landmarks.notes == ()
    # Left atrium 496 ± 39 HU in the same reading.
    assert sample_lps(volume, landmarks.points_lps["left_atrium"])[0] == pytest.approx(496, abs=2 * 39)
    (summary,) = list_series(path)
    assert summary.contrast_seen

    swapped = dict(landmarks.points_lps)
    swapped["left_atrium"], swapped["right_atrium"] = swapped["right_atrium"], swapped["left_atrium"]
    with pytest.raises(InputRefused, match="appear swapped"):
        check_landmarks(Landmarks(swapped), volume)
