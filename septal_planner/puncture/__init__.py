"""What is chosen: where to cross the septum, and whether a catheter gets from there into the valve."""
