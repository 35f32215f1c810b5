"""The 3-D view: puts what is known into napari's layers, one step at a time so that the window goes on answering."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import numpy as np
from napari.layers import Layer
from napari.viewer import Viewer
from numpy.typing import NDArray

from septal_planner.inputs.volume import Volume
from septal_planner.pipeline import FoundAnatomy
from septal_planner.puncture.choice import Candidate
from septal_planner.puncture.site import PunctureSite
from septal_viewer import layers as as_layers
from septal_viewer.camera import CameraState, carm_angles, carm_camera, facing_camera
from septal_viewer.crossing_layers import class_places, places_layer, ranked_places, way_layers
from septal_viewer.looks import CHAMBERS, LANDMARKS
from septal_viewer.shown_membrane import ShownMembrane
from septal_viewer.surfaces import Mesh, Quantity, chamber_meshes, membrane_mesh
from septal_viewer.surveys import Here, Surveyed

Array = NDArray[np.float64]
LayerData = tuple[Any, dict[str, Any], str]
# settings that follow the data when a layer is used again
FOLLOW = {
    "surface": ("name", "colormap", "contrast_limits", "blending", "metadata", "visible"),
    "points": ("name", "face_color", "symbol", "size", "features", "metadata", "visible"),
    "image": ("name", "affine", "contrast_limits", "metadata", "visible"),
}
# what is drawn first: chambers, then what is to be seen through them
ORDER = (
    "aorta", "left_atrium", "right_atrium", "left_ventricle", "right_ventricle", "annular_plane",
    "membrane_not_assessed", "membrane", "contours", "zero_line", "rim", "mitral_annulus", "tricuspid_annulus",
    "sheath", "path", "height",
)  # fmt: skip
SEEN_THROUGH = ("membrane", "membrane_not_assessed")  # the atria, which it lies between
STEP_S = 0.04
POINTS = ("landmarks", "places", "target")
FADED = 0.35  # of what belongs to a site that is being worked out anew


class Scene:
    """The layers of the main canvas. `pump` does one waiting step; a timer calls it."""

    def __init__(self, viewer: Viewer) -> None:
        self.viewer = viewer
        self._layers: dict[str, Layer] = {}
        self._waiting: deque[tuple[str, LayerData | None]] = deque()
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="septal-surfaces")
        self._meshing: Future[_Meshes] | None = None
        self._meshes: _Meshes | None = None
        self._found: FoundAnatomy | None = None
        self._shown: ShownMembrane | None = None
        self._showing: Future[ShownMembrane] | None = None
        self._lining: tuple[str, Future[dict[str, LayerData | None]]] | None = None
        self._placed: tuple[object, ...] = ()
        self._surveyed: Surveyed | None = None
        self._pending = False
        self._places: tuple[Sequence[Candidate], Sequence[PunctureSite | None]] = ((), ())
        self.quantity = "height"
        self._marks_on = True
        self.on_quantities: Callable[[], None] = lambda: None
        self._prepare()

    def _prepare(self) -> None:
        """A layer for everything, empty, before anyone waits: making one takes napari longer than filling it."""
        self._waiting.append(("ct", (np.zeros((2, 2, 2), dtype=np.int16), _empty("CT", visible=False), "image")))
        nothing = (np.eye(3) * 1e-3, np.array([[0, 1, 2]]), np.zeros(3, dtype=np.float32))
        for key in ORDER:
            settings = _empty(key.replace("_", " "), shading="none", opacity=0.0)
            self._waiting.append((key, (nothing, settings, "surface")))
        for key in POINTS:
            settings = _empty(key, opacity=0.0, blending="translucent_no_depth", border_color="black")
            self._waiting.append((key, (np.zeros((1, 3)), settings, "points")))

    # ------------------------------------------------------------------------------------------------- what is shown

    def show_volume(self, volume: Volume | None) -> None:
        """The CT as a layer, hidden: the flat views show it, and napari's own tools can."""
        self._put("ct", None if volume is None else as_layers.ct_layer(volume, visible=False))

    def show_landmarks(self, points: Mapping[str, Array], locked: Collection[str]) -> None:
        """All landmarks in one layer, each with its colour and symbol."""
        del locked
        names = [n for n in LANDMARKS if n in points and len(points[n])]
        if not names:
            self._put("landmarks", None)
            return
        tuples = [as_layers.landmark_layer(n, points[n]) for n in names]
        counts = [len(points[n]) for n in names]
        settings = {
            **tuples[0][1], "name": "Landmarks", "metadata": {"names": names}, "visible": self._marks_on,
            "face_color": np.repeat([t[1]["face_color"] for t in tuples], counts),
            "symbol": np.repeat([t[1]["symbol"] for t in tuples], counts),
        }  # fmt: skip
        self._put("landmarks", (np.concatenate([t[0] for t in tuples]), settings, "points"))

    def owns(self, layer: Layer) -> bool:
        """Whether a layer is one of these, and not opened or made by someone else."""
        return any(layer is one for one in self._layers.values())

    def show_marks(self, on: bool) -> None:
        """Whether the landmarks are seen."""
        self._marks_on = on
        layer = self._layers.get("landmarks")
        if layer is not None:
            layer.visible = on

    def show_anatomy(self, found: FoundAnatomy | None) -> None:
        """Surfaces and curves; the triangles are made in a thread."""
        self._found, self._meshes, self._shown, self._surveyed = found, None, None, None
        self._showing = None
        if found is None:
            self._meshing = None
            for key in list(self._layers):
                if key not in ("ct", "landmarks"):
                    self._put(key, None)
            self.on_quantities()
            return
        self._meshing = self._thread.submit(_meshes_of, found)

    def show_survey(self, done: Surveyed | None, *, pending: bool) -> None:
        """What the membrane can be coloured by from now on. While the survey is `pending` that of before stays, faded,
        and is no longer to be chosen from."""
        changed, self._pending = pending != self._pending, pending
        if done is not self._surveyed and not pending:
            self._surveyed = done
            self._map_again()
        elif changed:
            self._put_membrane()
            self.on_quantities()

    def show_site(
        self, site: PunctureSite | None, points: Mapping[str, Array], here: Here | None = None, *, pending: bool = False
    ) -> None:
        """Target, ways of sheath and catheter, height. While a site is `pending` that of before stays, faded."""
        keys = ("sheath", "path", "height", "target")
        if site is None or self._found is None:
            for key in keys:
                layer = self._layers.get(key)
                if not pending or self._found is None:
                    self._put(key, None)
                elif layer is not None and layer.visible:
                    layer.opacity = FADED
            return
        height, target = as_layers.site_layers(site, points, self._found.mitral)[1:]
        for key, made in (*way_layers(site, points, here).items(), ("height", height), ("target", target)):
            self._put(key, made)

    def show_places(self, choices: Sequence[Candidate], kept: Sequence[PunctureSite | None]) -> None:
        """The places that were ranked, and those kept to compare."""
        self._places = choices, kept
        self._put_places()

    def show_quantity(self, name: str) -> None:
        """Colour the membrane by another quantity."""
        self.quantity = name
        self._put_membrane()
        self.on_quantities()

    @property
    def quantities(self) -> Mapping[str, Quantity]:
        """What the membrane can be coloured by; empty until the surfaces are made."""
        return {} if self._shown is None else self._shown.quantities

    @property
    def shown(self) -> ShownMembrane | None:
        """The membrane with all its quantities, for other views."""
        return self._shown

    @property
    def faded(self) -> bool:
        """Whether the quantity shown is of a survey that is being worked out anew."""
        return self._pending and self._shown is not None and self.quantity in self._shown.mapped

    @property
    def membrane(self) -> Mesh | None:
        """The membrane's mid-surface; None until the surfaces are made."""
        return None if self._meshes is None else self._meshes.membrane

    @property
    def busy(self) -> bool:
        """Whether steps are waiting."""
        return bool(self._waiting) or any(each is not None for each in (self._meshing, self._showing, self._lining))

    # ------------------------------------------------------------------------------------------------- steps

    def pump(self) -> None:
        """Take what the thread has made, or bring layers up to date for a moment."""
        if self._meshing is not None and self._meshing.done():
            meshing, self._meshing = self._meshing, None
            self._meshes = meshing.result()
            self._queue_anatomy()
            self._map_again()
            return
        if self._lining is not None and self._lining[1].done():
            (name, lining), self._lining = self._lining, None
            if name == self.quantity and not self.faded:
                for key, lines in lining.result().items():
                    self._put(key, lines)
            return
        if self._showing is not None and self._showing.done():
            showing, self._showing = self._showing, None
            self._shown = showing.result()
            self._put_membrane()
            self.on_quantities()
            return
        end = time.monotonic() + STEP_S
        while self._waiting and time.monotonic() < end:
            key, made = self._waiting.popleft()
            self._apply(key, made)

    def finish(self) -> None:
        """Do all steps now; for pictures and tests."""
        while self.busy:
            for each in (self._meshing, self._showing, None if self._lining is None else self._lining[1]):
                if each is not None:
                    each.exception()
            self.pump()

    def later(self, make: Callable[..., Any], *given: Any) -> Future[Any]:
        """Have something for other views made in the thread."""
        return self._thread.submit(make, *given)

    def close(self) -> None:
        """End the thread."""
        self._thread.shutdown(wait=False, cancel_futures=True)

    def _put(self, key: str, made: LayerData | None) -> None:
        """Have a layer brought up to date; of several wishes for one layer the last counts."""
        if key in self._layers:
            self._waiting = deque((k, m) for k, m in self._waiting if k != key)
        self._waiting.append((key, made))

    def _queue_anatomy(self) -> None:
        found, meshes = self._found, self._meshes
        assert found is not None
        assert meshes is not None
        self._put("rim", as_layers.rim_layer(found.fossa))
        curve, plane = as_layers.annulus_layers(found.mitral)
        self._put("mitral_annulus", curve)
        self._put("annular_plane", plane)
        other = found.tricuspid
        self._put(
            "tricuspid_annulus", None if other is None else as_layers.annulus_layers(other, "tricuspid_annulus")[0]
        )
        chambers = _by_thing(as_layers.chamber_layers(found.chambers, meshes.chambers))
        for name in CHAMBERS:
            self._put(name, chambers.get(name))

    def _map_again(self) -> None:
        if self._meshes is not None and self._found is not None:
            self._showing = self._thread.submit(ShownMembrane, self._meshes.membrane, self._found, self._surveyed)

    def _put_membrane(self) -> None:
        shown = self._shown
        if shown is None:
            return
        made = _by_thing(as_layers.membrane_layer(shown.mesh, shown.named(self.quantity), faded=self.faded))
        for key in SEEN_THROUGH:
            if key in made:
                made[key][1]["blending"] = "translucent_no_depth"
            self._put(key, made.get(key))
        for key in ("contours", "zero_line"):
            self._put(key, None)
        if not self.faded:
            self._lining = self.quantity, self._thread.submit(shown.level_layers, self.quantity)
        self._put_places()

    def _put_places(self) -> None:
        names = [] if self._shown is None else class_places(self._shown.mesh, self._shown.named(self.quantity))
        there = [] if self._found is None or self._pending else [*names, *ranked_places(*self._places)]
        placed = tuple((p.label, p.thing, p.at_lps.tobytes()) for p in there)
        if placed != self._placed:
            self._placed = placed
            self._put("places", places_layer(there))

    def _apply(self, key: str, made: LayerData | None) -> None:
        layer = self._layers.get(key)
        if layer is not None and layer not in self.viewer.layers:  # taken away by hand
            layer = None
        if made is None:
            if layer is not None:
                layer.visible = False
            return
        data, settings, kind = made
        if layer is None:
            self._layers[key] = layer = Layer.create(data, settings, kind)
            self.viewer.add_layer(layer)
            self.viewer.layers.selection.clear()
            return
        if kind == "points":
            layer.visible = True  # napari looks at points in view before the change where the layer is hidden
        layer.data = data
        layer.opacity = settings.get("opacity", 1.0)
        for name in FOLLOW[kind]:
            if name in settings:
                setattr(layer, name, settings[name])
        layer.visible = settings.get("visible", True)

    # ------------------------------------------------------------------------------------------------- camera

    def look(self, state: CameraState) -> None:
        """Set the camera."""
        for name, value in state.settings().items():
            setattr(self.viewer.scene.camera, name, value)

    def look_as_carm(self, primary_deg: float, secondary_deg: float, center_lps: Array, field_mm: float) -> None:
        """The view of a C-arm, its isocentre at a point (3,)."""
        self.look(carm_camera(primary_deg, secondary_deg, center_lps, self._canvas_px(), field_mm=field_mm))

    def look_from_front(self, center_lps: Array, field_mm: float) -> None:
        """From the front, without perspective."""
        self.look(facing_camera(0.0, 0.0, center_lps, self._canvas_px(), field_mm=field_mm))

    def angles(self) -> tuple[float, float]:
        """C-arm angles (degrees) of the camera as it stands."""
        camera = self.viewer.scene.camera
        depth, down, right = (str(getattr(o, "value", o)) for o in camera.orientation)
        return carm_angles(camera.angles, (depth, down, right))

    def _canvas_px(self) -> tuple[int, int]:
        h, w = self.viewer._canvas_size if hasattr(self.viewer, "_canvas_size") else (400, 400)
        return int(h), int(w)


def _empty(name: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "axis_labels": as_layers.AXES, "units": ("mm",) * 3, **more}


def _by_thing(made: Sequence[LayerData]) -> dict[str, LayerData]:
    return {t[1]["metadata"][as_layers.THING_KEY]: t for t in made}


class _Meshes:
    def __init__(self, membrane: Mesh, chambers: Mapping[str, Mesh]) -> None:
        self.membrane, self.chambers = membrane, chambers


def _meshes_of(found: FoundAnatomy) -> _Meshes:
    return _Meshes(membrane_mesh(found.fossa), chamber_meshes(found.chambers))
