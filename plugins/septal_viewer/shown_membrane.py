"""The membrane as it is shown: its triangles, and every quantity it can be coloured by with its lines."""

from __future__ import annotations

from collections.abc import Mapping

from septal_planner.pipeline import FoundAnatomy
from septal_viewer.crossing_layers import Level, level_layers, levels_of
from septal_viewer.layers import LayerData
from septal_viewer.map_quantities import map_quantities
from septal_viewer.surfaces import Mesh, Quantity, membrane_quantities
from septal_viewer.surveys import Surveyed


class ShownMembrane:
    """`quantities`: measured everywhere, and then those `mapped` by a survey. Made in a thread: it takes tenths of a
    second."""

    def __init__(self, mesh: Mesh, found: FoundAnatomy, done: Surveyed | None) -> None:
        self.mesh = mesh
        measured = membrane_quantities(mesh, found.fossa, found.mitral, found.chambers)
        mapped = {} if done is None else map_quantities(mesh, found.fossa, done)
        self.mapped = frozenset(mapped)
        self.quantities: Mapping[str, Quantity] = {**measured, **mapped}
        self._levels: dict[str, tuple[Level, ...]] = {}

    def named(self, name: str) -> Quantity:
        """One of the quantities; the height, which there always is, where there is none of that name."""
        return self.quantities.get(name, self.quantities["height"])

    def levels(self, name: str) -> tuple[Level, ...]:
        """Lines of one value of a quantity."""
        quantity = self.named(name)
        if quantity.name not in self._levels:
            self._levels[quantity.name] = levels_of(self.mesh, quantity)
        return self._levels[quantity.name]

    def level_layers(self, name: str) -> dict[str, LayerData | None]:
        """Those lines as layers."""
        return level_layers(self.levels(name))
