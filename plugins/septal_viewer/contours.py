"""Lines of one value over triangles."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from septal_viewer.surfaces import Mesh

Array = NDArray[np.float64]

LEVELS = 5  # about so many between the ends of a scale


def contour_lines(mesh: Mesh, values: Array, level: float) -> list[Array]:
    """Lines (n, 3) on which values given at the vertices (m,), linear within each triangle, have a level; closed ones
    end where they begin. Triangles with a corner that is not assessed have none."""
    corner = values[mesh.faces]
    known = np.isfinite(corner).all(axis=1)
    above = corner > level
    cut = known & above.any(axis=1) & ~above.all(axis=1)
    links: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for face, high in zip(mesh.faces[cut].tolist(), above[cut].tolist(), strict=True):
        ends = [
            (min(face[a], face[b]), max(face[a], face[b]))
            for a, b in ((0, 1), (1, 2), (2, 0)) if high[a] != high[b]
        ]  # fmt: skip
        links.setdefault(ends[0], []).append(ends[1])
        links.setdefault(ends[1], []).append(ends[0])
    lines = []
    # lines that end at an edge of the membrane first, then those that close
    for begin in sorted(links, key=lambda edge: len(links[edge])):
        if not links[begin]:
            continue
        way = [begin]
        while links[way[-1]]:
            following = links[way[-1]].pop()
            links[following].remove(way[-1])
            way.append(following)
        lines.append(_places(mesh, values, level, way))
    return lines


def _places(mesh: Mesh, values: Array, level: float, way: list[tuple[int, int]]) -> Array:
    a, b = np.array(way).T
    part = (level - values[a]) / (values[b] - values[a])
    return np.asarray(mesh.vertices_lps[a] + part[:, None] * (mesh.vertices_lps[b] - mesh.vertices_lps[a]))


def round_levels(low: float, high: float) -> list[float]:
    """Round numbers strictly between the ends of a scale, about `LEVELS` of them."""
    raw = (high - low) / (LEVELS + 1)
    size = 10.0 ** np.floor(np.log10(raw))
    step = next(float(size * n) for n in (1, 2, 5, 10) if size * n >= raw * 0.999)
    first = int(np.floor(low / step)) + 1
    return [n * step for n in range(first, int(np.ceil(high / step))) if low < n * step < high]
