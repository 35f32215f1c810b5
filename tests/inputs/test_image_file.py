"""NIfTI, NRRD and MetaImage: placed as nibabel and SimpleITK place them, or refused."""

from __future__ import annotations

import itertools

import nibabel as nib
import numpy as np
import pytest
import SimpleITK as sitk
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from septal_planner.errors import InputRefused
from septal_planner.geometry.frames import apply_affine
from septal_planner.inputs.series_summary import list_series
from septal_planner.inputs.volume import content_sha256, read_volume

VOXELS = (np.arange(4 * 5 * 6).reshape(4, 5, 6) * 3 - 1000).astype(np.int16)  # [k, j, i], each its own value
CORNERS = list(itertools.product((0, 5), (0, 4), (0, 3)))

AXIS_ORDERS = [
    np.eye(3)[list(order)] * signs
    for order in itertools.permutations(range(3))
    for signs in itertools.product((1, -1), repeat=3)
]  # all 48, right- and left-handed


def write_sitk(path, direction, spacing=(0.4, 0.5, 0.8), origin=(-12.0, 31.0, 640.0), voxels=VOXELS):
    image = sitk.GetImageFromArray(voxels)
    image.SetDirection(np.asarray(direction, float).ravel().tolist())
    image.SetSpacing(spacing)
    image.SetOrigin(origin)
    sitk.WriteImage(image, str(path))
    return image


def assert_same_place(volume, image, atol=1e-4):
    """Every corner where SimpleITK puts it, with the value it has there; hold it against a flip of one kind
    alone.
    """
    for corner in CORNERS:
        theirs = image.TransformIndexToPhysicalPoint(corner)
        index = apply_affine(np.linalg.inv(volume.lps_from_index), theirs)
        assert np.allclose(index, np.rint(index), atol=1e-3)
        i, j, k = np.rint(index).astype(int)
        assert volume.hu[k, j, i] == image[corner]
        assert np.allclose(apply_affine(volume.lps_from_index, [i, j, k]), theirs, atol=atol)


@pytest.mark.parametrize("suffix", [".nii.gz", ".nrrd", ".mha", ".mhd", ".nhdr"])
def test_all_axis_orders(tmp_path, suffix):
    for n, direction in enumerate(AXIS_ORDERS):
        if suffix.startswith(".nii") and np.linalg.det(direction) < 0:
            continue  # SimpleITK writes a quaternion, which holds no reflection; see the next tests
        path = tmp_path / f"{n}{suffix}"
        image = write_sitk(path, direction)
        volume = read_volume(path)
        assert volume.hu.dtype == np.int16
        assert_same_place(volume, image)
        assert any("left-handed" in note for note in volume.notes) == (np.linalg.det(direction) < 0)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(0, 2**31), st.tuples(*[st.floats(0.3, 3.0)] * 3), st.sampled_from([".nii", ".nrrd", ".mha"])
)
def test_oblique_and_anisotropic(tmp_path, seed, spacing, suffix):
    path = tmp_path / f"oblique{suffix}"
    image = write_sitk(path, Rotation.random(random_state=seed).as_matrix(), spacing=spacing)
    assert_same_place(read_volume(path), image, atol=1e-3)  # NIfTI keeps its numbers in single precision


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2**31))
def test_any_sform_even_sheared_or_left_handed(tmp_path, seed):
    """nibabel's own reading of the sform, in RAS: x and y change sign toward LPS (nifti1.h: +x right, +y
    anterior).
    """
    rng = np.random.default_rng(seed)
    affine = np.eye(4)
    affine[:3, :3] = rng.normal(size=(3, 3)) + 2 * np.eye(3)
    affine[:3, 3] = rng.normal(size=3) * 100
    if abs(np.linalg.det(affine[:3, :3])) < 0.1:
        return
    image = nib.Nifti1Image(VOXELS.T, None)
    image.header.set_sform(affine, code=1)
    nib.save(image, tmp_path / "sheared.nii")
    volume = read_volume(tmp_path / "sheared.nii")
    ras = nib.affines.apply_affine(affine, CORNERS)
    assert np.allclose(apply_affine(volume.lps_from_index, CORNERS), ras * [-1, -1, 1], atol=1e-3)
    assert np.array_equal(volume.hu, VOXELS)


def nifti(path, data=None, *, sform=1, qform=0, affine=None, spoil=None):
    image = nib.Nifti1Image(VOXELS.T if data is None else data, None)
    image.header.set_sform(np.diag([-0.5, -0.5, 0.7, 1]) if affine is None else affine, code=sform)
    image.header.set_qform(np.diag([0.5, 0.5, 0.7, 1]), code=qform)
    if spoil:
        spoil(image.header)
    nib.save(image, path)
    return path


def test_qform_alone_and_two_that_differ(tmp_path):
    volume = read_volume(nifti(tmp_path / "q.nii", sform=0, qform=1))
    assert np.allclose(np.diag(volume.lps_from_index), [-0.5, -0.5, 0.7, 1])
    both = read_volume(nifti(tmp_path / "both.nii", sform=1, qform=1))
    assert np.allclose(np.diag(both.lps_from_index), [0.5, 0.5, 0.7, 1])
    assert any("sform" in note for note in both.notes)


def test_scaled_floats_and_one_frame(tmp_path):
    def spoil(header):
        header.set_slope_inter(1, 0)

    whole = read_volume(nifti(tmp_path / "f.nii", VOXELS.T.astype(np.float32), spoil=spoil))
    assert whole.hu.dtype == np.int16
    assert np.array_equal(whole.hu, VOXELS)
    part = read_volume(nifti(tmp_path / "p.nii", VOXELS.T + np.float32(0.25)))
    assert part.hu.dtype == np.float32
    assert np.allclose(part.hu, VOXELS + 0.25)
    frame = read_volume(nifti(tmp_path / "t.nii", VOXELS.T[..., None]))
    assert np.array_equal(frame.hu, VOXELS)
    wide = read_volume(nifti(tmp_path / "w.nii", VOXELS.T.astype(np.int32)))
    assert wide.hu.dtype == np.int16


def test_stored_slope_is_applied(tmp_path):
    """nifti1.h: value = scl_slope × stored + scl_inter; the bytes are written here by hand."""
    path = nifti(tmp_path / "s.nii")
    data = bytearray(path.read_bytes())
    data[112:120] = np.array([2.0, -24.0], "<f4").tobytes()  # scl_slope, scl_inter at bytes 112 and 116
    path.write_bytes(data)
    assert np.array_equal(read_volume(path).hu, VOXELS * 2 - 24)


def test_same_content_from_three_formats(tmp_path):
    direction, spacing, origin = np.eye(3), (0.5, 0.5, 0.75), (1.0, 2.0, 3.0)
    digests = set()
    for suffix in (".nii.gz", ".nrrd", ".mha"):
        write_sitk(tmp_path / f"a{suffix}", direction, spacing, origin)
        digests.add(content_sha256(read_volume(tmp_path / f"a{suffix}")))
    assert len(digests) == 1


def test_inspect_of_an_image_file(tmp_path):
    write_sitk(tmp_path / "a.nrrd", np.eye(3))
    (summary,) = list_series(tmp_path / "a.nrrd")
    assert summary.usable
    assert summary.size_ijk == (6, 5, 4)
    (tmp_path / "b.nrrd").write_text("NRRD0004\n")
    (summary,) = list_series(tmp_path / "b.nrrd")
    assert not summary.usable


def refusal(path):
    with pytest.raises(InputRefused) as caught:
        read_volume(path)
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert sentence.endswith(".")
    assert path.name in sentence
    return sentence


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: nifti(p, sform=0, qform=0), ("no valid orientation", "sform and qform")),
        (lambda p: nifti(p, (VOXELS.T % 256).astype(np.uint8)), ("8-bit", "Hounsfield", "255")),
        (lambda p: nifti(p, (VOXELS.T % 250).astype(np.int16)), ("8-bit", "Hounsfield", "249")),
        (lambda p: nifti(p, np.stack([VOXELS.T] * 3, -1)), ("4-D", "6×5×4×3")),
        (lambda p: nifti(p, VOXELS.T[..., 0]), ("2-D", "expected a 3-D")),
        (lambda p: nifti(p, VOXELS.T[..., :1]), ("single slice",)),
        (
            lambda p: nifti(p, np.where(VOXELS.T == -1000, np.nan, VOXELS.T).astype(np.float32)),
            ("1 voxels", "NaN"),
        ),
        (
            lambda p: nifti(p, np.where(VOXELS.T < -990, np.inf, VOXELS.T).astype(np.float32)),
            ("4 voxels", "not finite"),
        ),
        (lambda p: nifti(p, np.full((6, 5, 4), -1000, np.int16)), ("Every voxel", "-1000")),
        (lambda p: nifti(p, affine=np.diag([1.0, 1, 0, 1])), ("singular",)),
        (lambda p: nifti(p, spoil=lambda h: h.set_xyzt_units("meter")), ("meter", "millimetres")),
    ],
)
def test_nifti_refusals(tmp_path, make, words):
    sentence = refusal(make(tmp_path / "bad.nii"))
    for word in words:
        assert word in sentence, sentence


@pytest.mark.parametrize("name", ["a.nii.gz", "a.nii", "a.nrrd", "a.mha"])
@pytest.mark.parametrize("keep", [0.0, 0.05, 0.7])
def test_truncated_files(tmp_path, name, keep, capfd):
    rng = np.random.default_rng(0)
    noise = rng.integers(-1000, 1000, (20, 30, 30)).astype(np.int16)
    write_sitk(tmp_path / name, np.eye(3), voxels=noise)
    data = (tmp_path / name).read_bytes()
    (tmp_path / name).write_bytes(data[: int(len(data) * keep)])
    assert "damaged" in refusal(tmp_path / name)


def test_colour_image(tmp_path):
    sitk.WriteImage(
        sitk.GetImageFromArray(np.zeros((4, 5, 6, 3), np.uint8), isVector=True), str(tmp_path / "c.mha")
    )
    assert "3 values per voxel" in refusal(tmp_path / "c.mha")


def test_nrrd_without_a_place(tmp_path):
    """NRRD may leave out the space and its directions altogether (NRRD format, "space", "space directions").
    """
    (tmp_path / "n.nrrd").write_bytes(
        b"NRRD0004\ntype: short\ndimension: 3\nsizes: 6 5 4\nendian: little\nencoding: raw\n\n"
        + VOXELS.tobytes()
    )
    assert "no valid orientation" in refusal(tmp_path / "n.nrrd")


def test_nrrd_in_three_spaces(tmp_path):
    """NRRD format, "space": the axes named are those of the numbers that follow, whatever SimpleITK makes of
    them.
    """
    for space, signs in [
        ("left-posterior-superior", (1, 1, 1)),
        ("RAS", (-1, -1, 1)),
        ("left-anterior-superior", (1, -1, 1)),
    ]:
        (tmp_path / "n.nrrd").write_bytes(
            f"NRRD0004\ntype: short\ndimension: 3\nspace: {space}\nsizes: 6 5 4\n"
            "space directions: (0.4,0.1,0) (-0.1,0.4,0) (0,0,0.8)\nendian: little\nencoding: raw\n"
            "space origin: (10,20,30)\n\n".encode()
            + VOXELS.tobytes()
        )
        volume = read_volume(tmp_path / "n.nrrd")
        stated = np.array([[0.4, -0.1, 0, 10], [0.1, 0.4, 0, 20], [0, 0, 0.8, 30]])
        assert np.allclose(volume.lps_from_index[:3], stated * np.array(signs)[:, None])


@pytest.mark.parametrize("space", ["space: scanner-xyz\n", "space dimension: 3\n"])
def test_nrrd_in_a_space_that_is_not_the_patients(tmp_path, space):
    (tmp_path / "n.nrrd").write_bytes(
        f"NRRD0004\ntype: short\ndimension: 3\n{space}sizes: 6 5 4\n"
        "space directions: (0.4,0,0) (0,0.4,0) (0,0,0.8)\nendian: little\nencoding: raw\n\n".encode()
        + VOXELS.tobytes()
    )
    assert "no valid orientation" in refusal(tmp_path / "n.nrrd")


def test_metaimage_without_a_place(tmp_path):
    (tmp_path / "m.mha").write_bytes(
        b"ObjectType = Image\nNDims = 3\nDimSize = 6 5 4\nElementType = MET_SHORT\nElementSpacing = 1 1 1\n"
        b"ElementByteOrderMSB = False\nElementDataFile = LOCAL\n"
        + VOXELS.tobytes()
    )
    assert "no valid orientation" in refusal(tmp_path / "m.mha")


def test_series_named_for_a_file_that_has_none(tmp_path):
    write_sitk(tmp_path / "a.nrrd", np.eye(3))
    with pytest.raises(InputRefused, match="holds no series"):
        read_volume(tmp_path / "a.nrrd", series_uid="1.2.3")
