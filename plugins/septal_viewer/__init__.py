"""The viewer: a napari plugin in which a plan is made by hand and eye."""
