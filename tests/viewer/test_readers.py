"""What napari's own door lets in: every format through npe2, and what must end in a sentence."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import septal_phantoms
import SimpleITK as sitk
from napari.components import ViewerModel
from npe2 import PluginManager, PluginManifest, io_utils
from septal_viewer import layers, planes, readers

from septal_planner.inputs.volume import Volume, content_sha256
from septal_planner.pipeline import PlannedCase
from septal_planner.plan import save_plan

PLUGIN = "septal-planner"


@pytest.fixture(scope="session", autouse=True)
def _registered() -> None:
    """The plugin as it is installed."""
    PluginManager.instance().discover()
    assert PLUGIN in {m.name for m in PluginManager.instance().iter_manifests()}


@pytest.fixture
def told(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The sentences that napari would show."""
    from napari.utils import notifications

    said: list[str] = []
    monkeypatch.setattr(notifications, "show_error", said.append)
    return said


def opened(*paths: Path) -> list[Any]:
    """What npe2 brings of some paths, as napari asks for it."""
    return io_utils.read([str(p) for p in paths], stack=len(paths) > 1, plugin_name=PLUGIN)


def volume_in(found: list[Any]) -> Volume:
    (layer,) = found
    assert layer[2] == "image"
    volume = layer[1]["metadata"][layers.VOLUME_KEY]
    assert isinstance(volume, Volume)
    np.testing.assert_allclose(layer[1]["affine"], volume.lps_from_index)
    return volume


# ---------------------------------------------------------------------------------------------------------------- CT


def test_a_dicom_folder_a_file_of_it_and_a_list_of_its_files(written_phantom: Any, told: list[str]):
    readers._seen["series"] = None
    files = sorted(written_phantom.ct.glob("*.dcm"))
    whole = volume_in(opened(written_phantom.ct))
    assert content_sha256(volume_in(opened(files[3]))) == content_sha256(whole)
    assert content_sha256(volume_in(opened(*files))) == content_sha256(whole)
    np.testing.assert_allclose(whole.lps_from_index, written_phantom.phantom.lps_from_index, atol=1e-3)
    assert told == []


def test_files_of_one_series_dropped_together_bring_it_once(written_phantom: Any):
    """napari hands a drop's files over one by one."""
    readers._seen["series"] = None
    files = sorted(written_phantom.ct.glob("*.dcm"))
    found = [opened(f) for f in files[:4]]
    assert [f[0] is not None and len(f[0]) == 3 for f in found] == [True, False, False, False]
    readers._seen["at"] -= readers.TOGETHER_S + 1  # later it is a wish to open it again
    assert volume_in(opened(files[0]))


@pytest.mark.parametrize("suffix", [".nii", ".nii.gz", ".nrrd", ".mha", ".mhd"])
def test_image_files(quick_phantom: Any, tmp_path: Path, suffix: str):
    """Written by nibabel (NIfTI) and SimpleITK (NRRD, MetaImage): each at its own place, which they keep in RAS or
    LPS."""
    file = tmp_path / f"scan{suffix}"
    small = quick_phantom.hu[::4, ::4, ::4]
    affine = quick_phantom.lps_from_index @ np.diag([4.0, 4, 4, 1])
    if suffix.startswith(".nii"):
        import nibabel

        ras = np.diag([-1.0, -1, 1, 1]) @ affine
        image: Any = nibabel.Nifti1Image(np.ascontiguousarray(small.transpose(2, 1, 0)), ras)
        image.header.set_xyzt_units("mm")
        nibabel.save(image, file)
    else:
        made = sitk.GetImageFromArray(small)
        spacing = np.linalg.norm(affine[:3, :3], axis=0)
        made.SetSpacing(spacing.tolist())
        made.SetOrigin(affine[:3, 3].tolist())
        made.SetDirection((affine[:3, :3] / spacing).ravel().tolist())
        sitk.WriteImage(made, str(file))
    model = ViewerModel()
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        (layer,) = model.open(str(file), plugin=PLUGIN)
    np.testing.assert_allclose(layer.data_to_world((2, 3, 4)), (affine @ [2, 3, 4, 1])[:3], atol=1e-3)
    assert layer.data[2, 3, 4] == small[4, 3, 2]
    assert tuple(str(u) for u in layer.units) == ("millimeter",) * 3
    assert layer.name == "CT image"  # no file name: it may be a person's


def test_several_series_send_to_the_panel(written_phantom: Any, tmp_path: Path, told: list[str]):
    import pydicom

    for number in (1, 2):
        (tmp_path / str(number)).mkdir()
        for file in sorted(written_phantom.ct.glob("*.dcm")):
            ds = pydicom.dcmread(file)
            ds.SeriesInstanceUID += f".{number}"
            ds.SOPInstanceUID += f".{number}"
            ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
            ds.save_as(tmp_path / str(number) / file.name)
    assert opened(tmp_path) == [(None,)]
    (sentence,) = told
    assert "2 CT series" in sentence
    assert "Septal planner panel" in sentence


def test_a_broken_ct_is_told_in_a_sentence(written_phantom: Any, tmp_path: Path, told: list[str]):
    for file in sorted(written_phantom.ct.glob("*.dcm"))[:6]:
        (tmp_path / file.name).write_bytes(file.read_bytes()[:3000])
    (tmp_path / "half.nii.gz").write_bytes(b"\x1f\x8b\x08broken")
    for path in (tmp_path, tmp_path / "half.nii.gz"):
        assert opened(path) == [(None,)]
    assert len(told) == 2
    assert all(s.endswith(".") and "Traceback" not in s for s in told)
    assert ViewerModel().open(str(tmp_path), plugin=PLUGIN) == []


# -------------------------------------------------------------------------------------------- landmarks, plans, others


def test_landmarks_as_points(written_phantom: Any):
    found = opened(written_phantom.landmarks)
    back = layers.landmarks_from_layers(found)
    assert set(back) == set(written_phantom.phantom.landmarks)
    for name, points in back.items():
        np.testing.assert_allclose(points, written_phantom.phantom.landmarks[name], atol=1e-5)
    model = ViewerModel()
    assert len(model.open(str(written_phantom.landmarks), plugin=PLUGIN)) == len(back)


def test_a_plan_as_lines_and_points(quick_case: PlannedCase, tmp_path: Path):
    save_plan(quick_case.plan, tmp_path / "plan.json")
    found = opened(tmp_path / "plan.json")
    by_thing = {t[1]["metadata"].get(layers.THING_KEY): t for t in found}
    np.testing.assert_allclose(by_thing["target"][0][0], quick_case.site.target_lps, atol=1e-5)
    np.testing.assert_allclose(by_thing["rim"][1]["metadata"][layers.CURVE_KEY], quick_case.fossa.rim_lps, atol=1e-5)
    height = by_thing["height"][1]["metadata"][layers.CURVE_KEY]
    foot = height[1] - quick_case.mitral.center_lps
    assert float(foot @ quick_case.mitral.normal_lps) == pytest.approx(0, abs=1e-4)
    # the saved curve is made again from the marked points: the one that was measured, resampled
    curve = by_thing["mitral_annulus"][1]["metadata"][layers.CURVE_KEY]
    apart = np.linalg.norm(curve[:, None] - quick_case.mitral.curve_lps, axis=-1).min(axis=1)
    assert apart.max() < 0.2
    assert set(layers.landmarks_from_layers(found)) == set(quick_case.landmarks.points_lps)
    model = ViewerModel(ndisplay=3)
    assert len(model.open(str(tmp_path / "plan.json"), plugin=PLUGIN)) == len(found)


def test_what_was_not_assessed_is_not_drawn(quick_case: PlannedCase):
    plan = quick_case.plan
    fossa = plan.anatomy.fossa.model_copy(update={"rim_mm": ()})
    bare = plan.model_copy(update={
        "anatomy": plan.anatomy.model_copy(update={"fossa": fossa}),
        "reach": plan.reach.model_copy(update={"path_mm": None}), "crossing": None,
    })
    things = {t[1]["metadata"].get(layers.THING_KEY) for t in readers.plan_layers(bare)}
    assert not {"rim", "path"} & things
    assert "target" in things


def test_plans_and_landmarks_that_cannot_be_read(quick_case: PlannedCase, tmp_path: Path, told: list[str]):
    save_plan(quick_case.plan, tmp_path / "plan.json")
    newer = json.loads((tmp_path / "plan.json").read_text())
    newer["schema_version"] = 99
    (tmp_path / "newer.json").write_text(json.dumps(newer))
    (tmp_path / "landmarks.json").write_text('{"landmarks": {"fossa": [[1, 2, 3]]}}')
    (tmp_path / "my-plan.json").write_text("{broken")
    for name, word in (("newer.json", "newer version"), ("landmarks.json", "LPS"), ("my-plan.json", "not valid JSON")):
        assert opened(tmp_path / name) == [(None,)]
        assert word in told[-1]


def test_what_is_not_ours_is_left_to_others(tmp_path: Path, written_phantom: Any):
    (tmp_path / "picture.png").write_bytes(b"\x89PNG\r\n")
    (tmp_path / "settings.json").write_text('{"a": 1}')
    (tmp_path / "list.json").write_text("[1, 2]")
    (tmp_path / "broken.json").write_text("{")
    (tmp_path / "empty").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    for path in (*tmp_path.iterdir(), tmp_path / "missing"):
        assert readers.reader_of(str(path)) is None, path
    assert readers.reader_of(str(tmp_path)) is None
    assert readers.reader_of([]) is None
    assert readers.reader_of([str(written_phantom.landmarks), str(tmp_path / "empty")]) is None
    # a DICOM file by its content, whatever its name
    copy = tmp_path / "IM0001"
    shutil.copy(sorted(written_phantom.ct.glob("*.dcm"))[0], copy)
    assert readers.reader_of(str(copy)) is not None


# ----------------------------------------------------------------------------------------------------- the manifest


def test_the_manifest_is_valid_and_says_our_own_names():
    manifest = PluginManifest.from_distribution(PLUGIN)
    commands = {c.id: c.python_name for c in manifest.contributions.commands or []}
    assert all(name.startswith("septal-planner.") for name in commands)
    (widget,) = manifest.contributions.widgets or []
    assert commands[widget.command] == "septal_viewer.window:PlannerPanel"
    reader = (manifest.contributions.readers or [])[0]
    assert reader.accepts_directories
    assert commands[reader.command] == "septal_viewer.readers:reader_of"


def test_the_sample_is_the_phantom_and_says_that_it_is_invented(monkeypatch: pytest.MonkeyPatch, quick_phantom: Any):
    monkeypatch.setattr(septal_phantoms, "make", lambda name, quick: quick_phantom)
    (sample,) = PluginManifest.from_distribution(PLUGIN).contributions.sample_data or []
    assert "invented" in sample.display_name
    found = sample.open()
    assert "invented" in found[0][1]["name"]
    assert set(layers.landmarks_from_layers(found)) == set(quick_phantom.landmarks)


REAL = Path(__file__).parents[2].parent / "shared" / "data"


@pytest.mark.skipif(not (REAL / "cardiac_cta_1p5mm.nii.gz").exists(), reason="the real CT is not here")
def test_a_real_ct_shows_blood_at_its_landmarks_on_every_plane():
    """Contrast blood is 150 HU or more, and well below 1000 in the left heart (common practice, no source)."""
    volume = volume_in(opened(REAL / "cardiac_cta_1p5mm.nii.gz"))
    points = layers.landmarks_from_layers(opened(REAL / "cardiac_cta_landmarks.json"))
    for name in ("left_atrium", "left_ventricle", "aorta"):
        for plane in planes.body_planes(points[name][0], volume).values():
            hu = planes.resample(volume, plane, 1.0)
            row, column = np.rint(plane.uv_mm(points[name][0]) - planes.grid_of(plane, 1.0)[2]).astype(int)
            assert 150 < hu[row - 1 : row + 2, column - 1 : column + 2].mean() < 1000
