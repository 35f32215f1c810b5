"""What each command does, by its name: `command(arguments)` gives the exit status."""

from septal_planner.commands.inspecting import inspect
from septal_planner.commands.planning import defaults, plan, report, schema
from septal_planner.commands.practice import demo, phantom, validate
from septal_planner.commands.room import register, views, xray
from septal_planner.commands.window import view

__all__ = [
    "defaults", "demo", "inspect", "phantom", "plan", "register", "report", "schema", "validate", "view", "views",
    "xray",
]
