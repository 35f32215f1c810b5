"""From CT, landmarks, anatomy and site to what the canvas draws, and back: plain tuples (data, settings, kind).

In space the axes are (L, P, S) in millimetres, so that a position read on the canvas is the plan's own. On a plane they
are (down, right) as `planes.Plane` counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from septal_planner.anatomy.annulus import Annulus
from septal_planner.anatomy.chambers import Chambers
from septal_planner.anatomy.fossa import Fossa
from septal_planner.geometry.frames import unit_vector
from septal_planner.inputs.landmarks import POINT_COUNTS
from septal_planner.inputs.volume import Volume
from septal_planner.puncture.site import PunctureSite
from septal_viewer.looks import CHAMBERS, CLASSES, GREY, LANDMARKS, QUANTITY_COLORMAP, THINGS
from septal_viewer.planes import WINDOWS, CurveCut, Plane, Window, grid_of
from septal_viewer.surfaces import (
    Mesh,
    Quantity,
    chamber_meshes,
    disc_mesh,
    membrane_mesh,
    membrane_quantities,
    shade,
    tube_mesh,
)

Array = NDArray[np.float64]
LayerData = tuple[Any, dict[str, Any], str]

AXES = ("L", "P", "S")
PLANE_AXES = ("down", "right")
LANDMARK_KEY = "septal_landmark"  # in a layer's metadata: the name of the landmark that its points are
THING_KEY = "septal_thing"  # in a layer's metadata: which thing of the scene it is
CURVE_KEY = "septal_curve_lps"  # in a line's metadata: the curve (n, 3)
VOLUME_KEY = "septal_volume"  # in the CT layer's metadata: the Volume itself
POINT_MM = 4.0
LINE_MM = 1.0


def _in_space(name: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "axis_labels": AXES, "units": ("mm",) * 3, **more}


def _on_plane(name: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "axis_labels": PLANE_AXES, "units": ("mm",) * 2, **more}


# ---------------------------------------------------------------------------------------------------------------- CT


def ct_layer(volume: Volume, window: Window = WINDOWS["blood"], *, visible: bool = True, name: str = "CT") -> LayerData:
    """The CT as an Image whose world is LPS; the voxels are seen, not copied."""
    settings = _in_space(
        name, affine=volume.lps_from_index, contrast_limits=(window.low_hu, window.high_hu), colormap="gray",
        visible=visible, metadata={VOLUME_KEY: volume},
    )
    return volume.hu.transpose(2, 1, 0), settings, "image"


def ct_cut(volume: Volume, plane: Plane) -> dict[str, Any]:
    """Settings that make the CT layer show one cut through it in 3-D: the plane in the voxels' own axes."""
    inverse = np.linalg.inv(volume.lps_from_index)
    position = inverse[:3, :3] @ plane.center_lps + inverse[:3, 3]
    normal = unit_vector(volume.lps_from_index[:3, :3].T @ plane.normal_lps)  # a normal goes by the transposed matrix
    thickness = 1.0  # voxel
    return {
        "depiction": "plane",
        "plane": {"position": tuple(position), "normal": tuple(normal), "thickness": thickness},
    }


# ---------------------------------------------------------------------------------------------------------- landmarks


def landmark_layer(name: str, points_lps: ArrayLike, *, locked: bool = False) -> LayerData:
    """One landmark's points, in order. Its name goes with the layer's metadata, whatever the layer is called."""
    look = LANDMARKS[name]
    points = np.asarray(points_lps, dtype=np.float64).reshape(-1, 3)
    settings = _in_space(
        look.title, face_color=look.color, border_color="black", border_width=0.08, symbol=look.symbol, size=POINT_MM,
        metadata={LANDMARK_KEY: name, "locked": locked}, blending="translucent_no_depth",
    )
    return points, settings, "points"


def landmark_layers(points_lps: Mapping[str, ArrayLike], *, locked: Iterable[str] = ()) -> list[LayerData]:
    """A Points layer for each landmark that has points, in marking order."""
    kept = set(locked)
    return [
        landmark_layer(name, points_lps[name], locked=name in kept)
        for name in POINT_COUNTS
        if name in points_lps and len(points_lps[name])  # type: ignore[arg-type]
    ]


def landmarks_from_layers(layers: Iterable[Any]) -> dict[str, Array]:
    """Points (n, 3) of each landmark, from napari layers or plain tuples; other layers are passed over.

    What a layer's own transform does to its points is applied, so that the result is where they are seen.
    """
    found: dict[str, Array] = {}
    for layer in layers:
        plain = isinstance(layer, tuple)
        if plain and layer[2] != "points":
            continue
        metadata = layer[1].get("metadata", {}) if plain else getattr(layer, "metadata", {})
        name = metadata.get(LANDMARK_KEY)
        if name not in POINT_COUNTS:
            continue
        data = np.asarray(layer[0] if plain else layer.data, dtype=np.float64).reshape(-1, 3)
        if plain:
            points = _world(data, layer[1])
        else:
            points = np.array([layer.data_to_world(p) for p in data], dtype=np.float64).reshape(-1, 3)
        found[name] = np.concatenate([found[name], points]) if name in found else points
    return found


def _world(data: Array, settings: Mapping[str, Any]) -> Array:
    """Where a plain tuple's points are in the world: scale, then translate, then affine, as napari applies them."""
    points = data * np.asarray(settings.get("scale", 1.0)) + np.asarray(settings.get("translate", 0.0))
    affine = settings.get("affine")
    if affine is None:
        return np.asarray(points, dtype=np.float64)
    m = np.asarray(affine, dtype=np.float64)
    return np.asarray(points @ m[:3, :3].T + m[:3, 3], dtype=np.float64)


# ------------------------------------------------------------------------------------------------------------ anatomy


def mesh_layer(
    mesh: Mesh, name: str, thing: str, color: str, opacity: float, *, lit: bool = True, visible: bool = True,
    blending: str | None = None,
) -> LayerData:
    """A surface in one colour, its light painted on: napari's own comes from behind when the camera is mirrored."""
    values = shade(mesh) if lit else np.ones(len(mesh.vertices_lps), dtype=np.float32)
    settings = _in_space(
        name, opacity=opacity, shading="none", visible=visible, contrast_limits=(0.0, 1.0),
        colormap={"colors": [[0.0, 0.0, 0.0, 1.0], [*_rgb(color), 1.0]], "name": f"to {color}"},
        blending=blending or ("translucent" if opacity < 1 else "opaque"), metadata={THING_KEY: thing},
    )
    return (mesh.vertices_lps, mesh.faces, values), settings, "surface"


def chamber_layers(chambers: Chambers, meshes: Mapping[str, Mesh] | None = None) -> list[LayerData]:
    """Atria translucent, aorta nearly solid, ventricles there but hidden."""
    made = chamber_meshes(chambers) if meshes is None else meshes
    opacity = {"left_atrium": 0.4, "right_atrium": 0.4, "aorta": 0.8}
    return [
        mesh_layer(
            made[name], look.title, name, look.color, opacity.get(name, 0.3), visible=name in opacity
        )
        for name, look in CHAMBERS.items()
        if name in made
    ]


def membrane_layer(mesh: Mesh, quantity: Quantity, *, faded: bool = False) -> list[LayerData]:
    """The membrane coloured by a quantity, and in grey where that is not assessed; `faded` in shades of grey, since it
    is being worked out anew."""
    known = np.isfinite(quantity.values)[mesh.faces].all(axis=1)
    layers: list[LayerData] = []
    if known.any():
        vertices, faces = mesh.vertices_lps, mesh.faces[known]
        values = np.nan_to_num(quantity.values, nan=quantity.low).astype(np.float32)
        colormap: Any = "gray" if faded else QUANTITY_COLORMAP
        if quantity.classes:  # each triangle has one kind, since between two kinds there is no third
            kinds = np.sort(values[faces], axis=1)[:, 1]
            vertices, values = vertices[faces].reshape(-1, 3), np.repeat(kinds, 3)
            faces = np.arange(len(vertices)).reshape(-1, 3)
            colormap = colormap if faded else class_colormap(len(quantity.classes))
        settings = _in_space(
            f"{THINGS['membrane'].title}: {quantity.title.lower()}, {quantity.unit}".rstrip(", "), colormap=colormap,
            contrast_limits=(quantity.low, quantity.high), shading="none", blending="opaque",
            metadata={THING_KEY: "membrane", "quantity": quantity.name, "unit": quantity.unit},
        )
        layers.append(((vertices, faces, values), settings, "surface"))
    if not known.all():
        part = Mesh(mesh.vertices_lps, mesh.faces[~known])
        name = f"{THINGS['membrane'].title}: {quantity.title.lower()} not assessed"
        data, settings, kind = mesh_layer(part, name, "membrane_not_assessed", GREY, 1.0)
        settings["metadata"] = {**settings["metadata"], "why": quantity.why}
        layers.append((data, settings, kind))
    return layers


def class_colormap(count: int) -> dict[str, Any]:
    """Plain colours for the kinds 0 to count - 1, from -0.5 to count - 0.5."""
    colors = [[*_rgb(CLASSES[i % len(CLASSES)]), 1.0] for i in range(count)]
    return {
        "colors": colors, "controls": np.linspace(0, 1, count + 1), "interpolation": "zero", "name": f"{count} kinds",
    }


def line_layer(
    name: str, thing: str, curve_lps: ArrayLike, *, width_mm: float = LINE_MM, closed: bool = False
) -> LayerData:
    """A curve (n, 3) in space as a thin tube, which shows through whatever lies before it. The curve itself goes with
    the layer's metadata."""
    curve = np.asarray(curve_lps, dtype=np.float64)
    mesh = tube_mesh(curve, width_mm / 2, closed=closed)
    data, settings, kind = mesh_layer(
        mesh, name, thing, THINGS[thing].color, 1.0, lit=False, blending="translucent_no_depth"
    )
    settings["metadata"] = {**settings["metadata"], CURVE_KEY: curve}
    return data, settings, kind


def annulus_layers(annulus: Annulus, thing: str = "mitral_annulus") -> list[LayerData]:
    """The hinge line's curve and, for the mitral valve, its plane."""
    layers = [line_layer(f"{THINGS[thing].title} curve", thing, annulus.curve_lps[::4], closed=True)]
    if thing == "mitral_annulus":
        look = THINGS["annular_plane"]
        disc = disc_mesh(annulus.center_lps, annulus.normal_lps, annulus.curve_lps[::8], margin=1.15)
        layers.append(mesh_layer(disc, look.title, "annular_plane", look.color, 0.35, lit=False))
    return layers


def rim_layer(fossa: Fossa) -> LayerData | None:
    """The rim of the membrane, or None where it was not seen."""
    if not len(fossa.rim_lps):
        return None
    return line_layer(THINGS["rim"].title, "rim", fossa.rim_lps, width_mm=0.7, closed=True)


def anatomy_layers(
    found: Any, *, quantity: str = "height", meshes: Mapping[str, Mesh] | None = None
) -> list[LayerData]:
    """Everything found (a pipeline.FoundAnatomy, or a PlannedCase), the translucent last, so that it does not hide what
    lies within; `quantity` colours the membrane."""
    mesh = membrane_mesh(found.fossa)
    shown = membrane_quantities(mesh, found.fossa, found.mitral, found.chambers)[quantity]
    layers = membrane_layer(mesh, shown)
    rim = rim_layer(found.fossa)
    layers += [] if rim is None else [rim]
    layers += annulus_layers(found.mitral)
    if found.tricuspid is not None:
        layers += annulus_layers(found.tricuspid, "tricuspid_annulus")
    return layers + chamber_layers(found.chambers, meshes)


# ---------------------------------------------------------------------------------------------------------- the site


def target_layer(target_lps: ArrayLike, *, thing: str = "target", name: str | None = None) -> LayerData:
    """One place to cross, as a star."""
    look = THINGS[thing]
    settings = _in_space(
        name or look.title, face_color=look.color, border_color="black", border_width=0.1, symbol=look.symbol,
        size=6.0, metadata={THING_KEY: thing}, blending="translucent_no_depth",
    )
    return np.asarray(target_lps, dtype=np.float64).reshape(-1, 3), settings, "points"


def path_lps(site: PunctureSite, points_lps: Mapping[str, ArrayLike]) -> Array:
    """The way of the catheter (n, 3): up the cava where it was marked, straight through the target along the crossing
    direction, and the arc from there to the valve where one was found."""
    target = np.asarray(site.target_lps, dtype=np.float64)
    crossing = np.asarray(site.reach.crossing_direction, dtype=np.float64)
    before = target - 15.0 * crossing
    cava = np.asarray(points_lps.get("inferior_vena_cava", np.empty((0, 3))), dtype=np.float64).reshape(-1, 3)
    start = cava[::-1] if len(cava) == 2 else np.empty((0, 3))
    after = site.reach.path_lps
    rest = np.asarray(after) if after is not None else (target + 15.0 * crossing)[None]
    way = np.concatenate([start, before[None], target[None], rest])
    keep = np.concatenate([[True], np.linalg.norm(np.diff(way, axis=0), axis=1) > 1e-6])
    return np.asarray(way[keep], dtype=np.float64)


def site_layers(
    site: PunctureSite, points_lps: Mapping[str, ArrayLike], annulus: Annulus | None = None
) -> list[LayerData]:
    """Target, catheter path and, with the annulus, the height as a line square to its plane."""
    layers = [line_layer(THINGS["path"].title, "path", path_lps(site, points_lps), width_mm=1.4)]
    if annulus is not None:
        height = site.height_mm if abs(site.height_mm) > 0.01 else 0.01  # a line of no length is none
        foot = site.target_lps - height * annulus.normal_lps
        layers.append(line_layer(THINGS["height"].title, "height", np.stack([site.target_lps, foot]), width_mm=0.7))
    return [*layers, target_layer(site.target_lps)]


# --------------------------------------------------------------------------------------------------------- on a plane


def plane_image(hu: NDArray[np.generic], plane: Plane, pixel_mm: float, window: Window = WINDOWS["blood"]) -> LayerData:
    """The CT resampled on a plane; its world is the plane's (down, right)."""
    _, _, first = grid_of(plane, pixel_mm)
    settings = _on_plane(
        plane.title, scale=(pixel_mm, pixel_mm), translate=tuple(first),
        contrast_limits=(window.low_hu, window.high_hu), colormap="gray", interpolation2d="linear",
        metadata={THING_KEY: "plane", "plane": plane.name},
    )
    return hu, settings, "image"


def plane_landmarks(
    plane: Plane, points_lps: Mapping[str, ArrayLike], *, within_mm: float = 5.0
) -> list[LayerData]:
    """Landmarks near the plane, each under its own look; a layer's metadata tells which point of the landmark each is
    ("index"). A point off the plane is drawn smaller."""
    layers: list[LayerData] = []
    for name, look in LANDMARKS.items():
        points = np.asarray(points_lps.get(name, np.empty((0, 3))), dtype=np.float64).reshape(-1, 3)
        depth = np.abs(plane.depth_mm(points))
        near = np.flatnonzero(depth <= within_mm)
        if not len(near):
            continue
        size = POINT_MM * (1.0 - 0.5 * depth[near] / within_mm)
        settings = _on_plane(
            look.title, face_color=look.color, border_color="black", border_width=0.08, symbol=look.symbol, size=size,
            metadata={LANDMARK_KEY: name, "index": near.tolist()},
        )
        layers.append((plane.uv_mm(points[near]), settings, "points"))
    return layers


def plane_lines(
    name: str, lines: Sequence[Array], color: str, *, width_mm: float = 0.5, thing: str = "", opacity: float = 1.0
) -> LayerData:
    """Lines (n, 2) in (down, right)."""
    settings = _on_plane(
        name, shape_type="path", edge_width=width_mm, edge_color=color, face_color="transparent", opacity=opacity,
        metadata={THING_KEY: thing},
    )
    if not len(lines):
        settings["ndim"] = 2
    return [np.asarray(line, dtype=np.float64) for line in lines], settings, "shapes"


def plane_outlines(outlines: Mapping[str, Sequence[Array]]) -> list[LayerData]:
    """Chambers' outlines as `planes.outline_on_plane` gives them."""
    return [
        plane_lines(look.title, outlines[name], look.color, thing=name)
        for name, look in CHAMBERS.items()
        if name in outlines
    ]


def plane_curve(cut: CurveCut, thing: str) -> list[LayerData]:
    """A curve where a plane meets it: pieces as lines, crossings as points."""
    look = THINGS[thing]
    layers = [plane_lines(look.title, cut.near, look.color, thing=thing)]
    if len(cut.crossings):
        settings = _on_plane(
            f"{look.title}, cut", face_color=look.color, border_color="black", border_width=0.1, symbol=look.symbol,
            size=3.0, metadata={THING_KEY: thing},
        )
        layers.append((cut.crossings, settings, "points"))
    return layers


def _rgb(color: str) -> list[float]:
    return [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
