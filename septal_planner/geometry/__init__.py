"""The ground: where things are, and how sure we are of it."""
